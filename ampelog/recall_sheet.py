"""A recall for people on a terminal, and as a list: the answer, the lots, whom to call, the way."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ampelog import say
from ampelog.errors import Refused
from ampelog.recall_answer import NOTICE, counted, grouped, headline, origin

Row = dict[str, Any]
MOST_WAYS = 12
"""Ways that are told on a terminal; all of them stand in the JSON and on the page."""


def check_name(path: Path) -> None:
    """``Refused`` where a file's ending is none of those that a recall can be written to."""
    if path.suffix.lower() not in (".pdf", ".html", ".csv"):
        raise Refused(
            f"`{path.name}` is neither a .pdf, an .html nor a .csv file", hint="-o recall.pdf"
        )


def listed(answer: Row) -> list[Row]:
    """A row a shipment, and one for what of a touched lot is still here."""
    parties = {one["party"]: one for one in answer["parties"]}
    found: list[Row] = []
    for lot in (*answer["lots"], *answer["bulk"]):
        unit = next(key for key in ("bottles", "volume_l", "mass_kg") if key in lot)
        for one in lot["shipped"]:
            party = parties[one["to"]]
            called = {key: party[key] for key in ("address", "phone")}
            found.append(_line(lot, one["to"], called, one))
        held = lot["in_stock"] if unit == "bottles" else lot[unit]
        if held != "0":
            where = ", ".join(each["vessel"] or "no vessel" for each in lot["where"])
            found.append(_line(lot, None, {"held_in": where}, {unit: held}))
    return found


def _line(lot: Row, to: str | None, called: Row, one: Row) -> Row:
    keys = ("bottles", "touched", "returned", "volume_l", "mass_kg")
    return {
        "lot": lot["lot"],
        "share": lot["share"],
        "what": "shipped" if "event" in one else "held",
        "to": to,
        **{key: called.get(key) for key in ("address", "phone", "held_in")},
        **{key: one.get(key) for key in ("on", "document", *keys)},
        **{key: one.get(key) for key in ("removal", "carrier", "code", "event")},
    }


def show(answer: Row, units: str) -> None:
    """The whole answer."""
    say.line(f"{origin(answer)}: {headline(answer)}", "bold")
    if answer["lots"]:
        say.line("")
        say.table([_lot(row) for row in answer["lots"]], _LOTS, right=(1, 2, 3, 4))
    if answer["bulk"]:
        say.line("")
        say.table([_bulk(row, units) for row in answer["bulk"]], _BULK, right=(1, 2))
    if answer["parties"]:
        say.line("")
        say.table(_calls(answer, units), _CALLS, right=(3,), title="To call")
    _ways(answer)
    if "file" in answer:
        say.line("")
        say.line(f"{answer['file']}: {counted(answer['pages'], 'page')}")
    if "drill" in answer:
        say.line(f"The drill took {answer['drill']['seconds']} s; it is noted down.")
    if answer["lots"] or answer["bulk"]:
        say.line("")
        say.line(NOTICE)


_LOTS = ["lot", "share", "made", "in stock", "shipped", "lies in", ""]
_BULK = ["in bulk", "share", "held", "lies in"]
_CALLS = ["party", "phone", "lot", "quantity", "on", "document"]


def _lot(row: Row) -> list[str]:
    shipped = sum(int(one["bottles"].split(".")[0]) for one in row["shipped"])
    return [
        row["lot"],
        share(row["share"]),
        grouped(row["bottles"]),
        grouped(row["in_stock"]),
        f"{shipped:,}",
        _lies(row),
        "other fills are in the lot" if row["mixed"] else "",
    ]


def share(text: str) -> str:
    """A share for reading: rounded down, and never nothing."""
    shown = say.percent(text)
    return "<0.01 %" if shown == "0.00 %" else shown


def _lies(row: Row) -> str:
    names = [one["vessel"] or "no vessel" for one in row["where"]]
    if names in ([], ["no vessel"]):
        return ""
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return ", ".join(names[:4]) + more


def _bulk(row: Row, units: str) -> list[str]:
    return [row["lot"], share(row["share"]), amount(row, units), _lies(row)]


def amount(row: Row, units: str) -> str:
    """Bottles, a volume or a mass of a row, for reading."""
    if "bottles" in row:
        return f"{grouped(row['bottles'])} bottles"
    if "mass_kg" in row:
        return say.mass(row["mass_kg"], units)
    return say.volume(row["volume_l"], units)


def _calls(answer: Row, units: str) -> list[list[str]]:
    found = []
    for party in answer["parties"]:
        name, phone = party["party"] or "nobody is named", party["phone"] or "no phone recorded"
        for one in party["shipments"]:
            cells = [one["lot"], amount(one, units), one["on"], one["document"] or ""]
            found.append([name, phone if party["party"] else one["removal"] or "", *cells])
            name = phone = ""
    return found


def _ways(answer: Row) -> None:
    told = [row for row in (*answer["lots"], *answer["bulk"]) if row["path"]]
    if not told:
        return
    say.line("")
    say.table(
        [
            [row["lot"], " > ".join(f"{one['kind']} {one['position']}" for one in row["path"])]
            for row in told[:MOST_WAYS]
        ],
        ["lot", "the shortest way there, by events of the log"],
    )
    if len(told) > MOST_WAYS:
        say.line(f"And {len(told) - MOST_WAYS} more; --json and -o tell them all.")


def show_back(answer: Row) -> None:
    """One step back and one step on."""
    received, released = answer["received"], answer["released"]
    say.line(
        f"{answer['lot']}: {counted(len(received), 'receipt')} one step back, "
        f"{counted(len(released), 'release')} one step on.",
        "bold",
    )
    heads = ["what", "from", "on", "quantity", "document", "missing"]
    say.line("")
    say.table([_step(row) for row in received], heads) if received else None
    if released:
        say.line("")
        say.table([_step(row) for row in released], ["what", "to", *heads[2:]])
    say.line("")
    say.line(
        "Missing is what 21 CFR 1.337 and 1.345 ask a record to hold and these do not (in the EU, "
        "Regulation (EC) 178/2002 art. 18). Who is exempt, the regulator and counsel decide."
    )


def _step(row: Row) -> list[str]:
    what = f"{row['what']}, lot {row['material_lot']}" if row.get("material_lot") else row["what"]
    who = [row["party"], row["address"], row["phone"]]
    own = "own fruit" if row.get("own") else ""
    return [
        what,
        "\n".join(part for part in who if part) or own,
        row["on"] or "",
        row["quantity"] or "",
        row["document"] or "",
        ", ".join(_WORDS.get(name, name) for name in row["missing"]),
    ]


_WORDS = {
    "party": "firm",
    "phone": "telephone",
    "on": "date and receipt",
    "carrier": "transporter",
    "material_lot": "lot",
}
