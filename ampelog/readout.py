"""Each answer, printed for people: what ``cli`` shows where no JSON or CSV is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_DOWN, ROUND_UP, Decimal
from typing import Any

from ampelog import say

Row = dict[str, Any]


def log(rows: Sequence[Row]) -> None:
    """The events, one a line in words; corrections and the corrected are marked."""
    from ampelog.words import words

    if not rows:
        say.line("There is no such event.")
        return
    positions = {row["id"].lower(): row["position"] for row in rows}
    for row in rows:
        if "corrects_position" in row:
            positions[row["corrects"].lower()] = row["corrects_position"]

    def called(name: str) -> str:
        return str(positions.get(name.lower(), name))

    say.table(
        [
            [
                str(row["position"]),
                row["at"],
                words(row, called),
                row.get("ref", ""),
                _corrected(row),
            ]
            for row in rows
        ],
        ["no.", "when", "what happened", "paper", "correction"],
        right=(0,),
    )


def _corrected(row: Row) -> str:
    if "corrected_by" in row:
        return f"corrected by {row['corrected_by']}"
    return f"corrects {row['corrects_position']}" if "corrects_position" in row else ""


def lots(rows: Sequence[Row], units: str) -> None:
    """What the cellar holds."""
    if not rows:
        say.line("Nothing is held.")
        return
    bottled = any("bottles" in row for row in rows)
    say.table(
        [
            [
                row["lot"],
                row["state"],
                amount(row, units),
                *([row.get("bottles", ""), row.get("cases", "")] if bottled else []),
                _lies(row),
                "on hold" if row.get("holds") else "",
            ]
            for row in rows
        ],
        ["lot", "state", "held", *(["bottles", "9 L cases"] if bottled else []), "in", ""],
        right=(2, 3, 4) if bottled else (2,),
    )


def amount(row: Row, units: str) -> str:
    """A row's volume or mass for reading; of what is empty, that."""
    if not Decimal(row["mass_kg"] if "mass_kg" in row else row["volume_l"]):
        return "nothing"
    if "mass_kg" in row:
        return say.mass(row["mass_kg"], units)
    return say.volume(row["volume_l"], units)


def _lies(row: Row) -> str:
    names = [holding["vessel"] for holding in row["holdings"] if holding["vessel"] is not None]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def trace(answer: Row) -> None:
    """Where a lot comes from, and through which lots."""
    cloned = any("clone" in source for source in answer["sources"])
    say.table(
        [
            [
                source["picked_on"] or "",
                source["block"] or source.get("material") or "received",
                "" if source.get("material") else source["variety"] or "unknown",
                *([source.get("clone") or ""] if cloned else []),
                str(source["vintage"] or ""),
                source["lot"] or "",
                source["role"] or "",
                say.part(source["share"], 3),
            ]
            for source in answer["sources"]
        ],
        [
            "picked",
            "block or addition",
            "variety",
            *(["clone"] if cloned else []),
            "vintage",
            "came in as",
            "role",
            "share",
        ],
        right=(7 if cloned else 6,),
        title=f"{answer['lot']} comes from",
    )
    say.line("")
    say.table(
        [[row["lot"], say.part(row["share"], 3), _ferments(row)] for row in answer["through"]],
        ["passed through", "share", "fermented"],
        right=(1,),
    )


def _ferments(row: Row) -> str:
    found = dict.fromkeys(
        " · ".join(
            part for part in (one["vessel"], one["organism"], one["regime_in_words"]) if part
        )
        for one in row["ferment"]
    )
    return "\n".join(found)


def reaches(answer: Row, units: str) -> None:
    """Where a lot went."""
    if not answer["reaches"]:
        say.line(f"{answer['lot']} is in no other lot.")
        return
    say.table(
        [[row["lot"], say.part(row["share"], 3), amount(row, units)] for row in answer["reaches"]],
        ["lot", "share from here", "holds now"],
        right=(1, 2),
        title=f"Where {answer['lot']} went",
    )


MOST_FILLS = 4
"""Fills that a table has room for; all of them stand in the JSON."""


def composition(answer: Row, fields: Sequence[str], units: str) -> None:
    """What a lot is made of; where its bottles came in several fills, what each is made of."""
    fills = answer.get("fills", ())
    fills = fills if 1 < len(fills) <= MOST_FILLS else ()
    by_fill = [
        {_kind_of(row, fields): say.part(row["share"], 4) for row in fill["shares"]}
        for fill in fills
    ]
    say.table(
        [
            [
                *(_shown(name, row) for name in fields),
                say.part(row["share"], 4),
                *(shares.get(_kind_of(row, fields), "") for shares in by_fill),
            ]
            for row in answer["shares"]
        ],
        [*fields, "share", *(f"fill {number}" for number in range(1, len(fills) + 1))],
        right=tuple(range(len(fields), len(fields) + 1 + len(fills))),
        title=f"{answer['lot']}, {_held(answer, units)}",
    )
    if "place" in fields:
        say.line("Places lie within one another: these shares overlap.")


def _held(answer: Row, units: str) -> str:
    held = amount(answer, units)
    return "as it was last held" if held == "nothing" else held


def _kind_of(row: Row, fields: Sequence[str]) -> tuple[str, ...]:
    return tuple(_shown(name, row) for name in fields)


_NONE_NOT_UNKNOWN = ("role", "fraction", "tags")
"""Fields that a wine simply may not have."""


def _shown(field: str, row: Row) -> str:
    value = row[field]
    if value is None:
        return row.get("material") or ("none" if field in _NONE_NOT_UNKNOWN else "unknown")
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) or "none"


def balance(rows: Sequence[Row], parts: Sequence[str], units: str) -> None:
    """In, out, lost and to what, gained and held."""
    figures = ("opening", "in", "out", "lost", "gained", "held", "difference")
    say.table(
        [
            [
                row["lot"],
                say.measured("0", row["unit"], units)[1],
                *(say.measured(row[figure], row["unit"], units)[0] for figure in figures),
                *(_part(row, part) for part in parts),
                _lost_to(row, units),
            ]
            for row in rows
        ],
        ["lot", "unit", *figures, *parts, "lost to"],
        right=tuple(range(2, 9)),
    )


def _part(row: Row, part: str) -> str:
    """Where or whose a row is. No owner is the winery, or several."""
    return row[part] or ("unknown" if part == "premises" else "")


_IN = {
    "rack": "racking",
    "barrel_down": "barrelling down",
    "top": "topping",
    "blend": "blending",
    "bottle": "bottling",
    "pack": "packing",
    "gauge": "measuring",
}
"""By kind: what a shortfall without a reason of its own was lost in."""


def _lost_to(row: Row, units: str) -> str:
    """The reasons of a loss, each with its amount where there are several."""
    lost = {_IN.get(reason, reason): amount_ for reason, amount_ in row["lost_by"].items()}
    if len(lost) < 2:
        return "".join(lost)
    return ", ".join(
        f"{reason} {say.measured(amount_, row['unit'], units)[0]}"
        for reason, amount_ in lost.items()
    )


def claims(answer: Row, notice: str) -> None:
    """Verdicts, each layer of law first: what is stated, needed and there, why it is so below."""
    whole = say.VERDICTS[answer["verdict"]]
    say.line(f"{answer['lot']} under the label {answer['label']}: {whole}", "bold")
    if len(answer["layers"]) > 1:
        for layer in answer["layers"]:
            say.line(f"  {layer['title']}: {say.VERDICTS[layer['verdict']]}")
    say.line("")
    say.paired(
        [
            (
                [
                    say.VERDICTS[row["verdict"]],
                    f"{row['claim'].replace('_', ' ')}: {row['statement']}",
                    f"{say.percent(row['required'])} needed" if row["required"] else "",
                    f"{say.percent(row['actual'], 3)} there" if row["actual"] else "",
                    row["citation"] or "",
                ],
                row["why"],
            )
            for row in answer["claims"]
        ],
        right=(2, 3),
        empty="The label states nothing, so there is nothing to judge.",
    )
    say.line("")
    say.line(notice)


def claimable(answer: Row, units: str, notice: str) -> None:
    """What may be said and how much could still be added; then what could be earned, and by what.
    Rows that nothing in the wine decides are left out, unless they stand in the way."""
    other = f"`{answer['adding']}`" if answer["adding"] else "wine of which nothing is known"
    say.line(f"What {answer['lot']} may say, and how much {other} could be added to it", "bold")
    say.line("")
    rows = [row for row in answer["claims"] if row["required"] or row["verdict"] != "supported"]
    order = {"supported": 0, "undetermined": 1, "refused": 2}
    rows.sort(key=lambda row: order[row["verdict"]])
    say.paired(
        [
            (
                [
                    say.VERDICTS[row["verdict"]],
                    f"{row['claim'].replace('_', ' ')}: {row['statement']}",
                    say.percent(row["actual"], 3),
                    _room(row, units),
                    row["citation"] or "",
                ],
                row["why"],
            )
            for row in rows
        ],
        right=(2, 3),
        empty="Nothing that the wine would decide.",
    )
    say.line("")
    say.line(notice)


def _room(row: Row, units: str) -> str:
    """How much could be added, or would earn the statement: rounded so that it holds."""
    if row["verdict"] == "supported":
        if row["headroom_l"] is None:
            return "nothing ends it"
        return f"{say.volume(row['headroom_l'], units, ROUND_DOWN)} more"
    if row["earned_l"] is None:
        return ""
    return f"{say.volume(row['earned_l'], units, ROUND_UP)} would earn it"


def ingredients(answer: Row, notice: str) -> None:
    """The list of ingredients, the allergens, and what the records do not show."""
    say.line(f"{answer['lot']} for the market {answer['market']}", "bold")
    say.line(answer["statement"])
    say.line("")
    rows = [
        [row["group"] or "", row["term"], ", ".join(row["materials"])]
        for row in (*answer["ingredients"], *answer["aids"])
    ]
    say.table(rows, ["as", "listed", "from the materials"])
    say.line("")
    for row in answer["allergens"]:
        declared = "declared" if row["declare"] else "not declared"
        say.line(f"{row['allergen']}: {declared}. {row['why']}")
    for each in (*answer["unknown"], *answer["says"]):
        say.line(each)
    say.line(f"{answer['citation']}.")
    say.line(notice)


_CHECKED = {
    "log": ("event of the log", "events of the log"),
    "journal": ("line of the journal", "lines of the journal"),
    "projection": ("node of the projection", "nodes of the projection"),
    "balances": ("balance of a lot", "balances of lots"),
}


def verified(answer: Row) -> None:
    """What was checked, and what is wrong."""
    for what, count in answer["checked"].items():
        one, several = _CHECKED[what]
        say.line(f"{count:,} {one if count == 1 else several} checked")
    for one in answer["findings"]:
        say.note(f"{one['where']}: {one['says']}  [{one['rule']}]")
    say.line("All is well." if answer["ok"] else "Damage was found.")


_ATTESTED = {
    "attachments": ("attached file read", "attached files read"),
    "events": ("event proved to be in the tree", "events proved to be in the tree"),
    "figures": ("figure worked out again", "figures worked out again"),
    "masked": ("of them in part masked", "of them in part masked"),
    "pages": ("page as its figures print it", "pages as their figures print them"),
    "ledger": ("event as in the ledger", "events as in the ledger"),
}
_SHOWS = (
    "What stands on the pages follows from the attached events by the attached rules, and these "
    "events are in the tree whose root the pages name."
)
_BELONGS = "They are all that the ledger at hand held of this wine, and it comes to the same."
_ALONE = (
    "No ledger was at hand. That the events are its own, and that none was left out, takes the "
    "ledger, or a root of it from somebody else."
)

_ELSEWHERE = frozenset({"another ledger", "not in the ledger"})
_PRINTED = frozenset({"page differs", "file differs"})
_HEADLINES = (
    (frozenset[str](), "All is well."),
    (_ELSEWHERE, "This dossier follows from its evidence; the ledger at hand does not hold it."),
    (frozenset({"left out"}), "This dossier leaves out what the ledger at hand holds of its wine."),
    (_PRINTED, "The figures follow from their evidence; the pages are not as these print them."),
)
"""What is said by what alone is wrong; in every other case ``_FORGED``."""
_FORGED = "This dossier does not follow from its evidence."


def attested(answer: Row) -> None:
    """Whether a dossier follows from its evidence, what was checked, and what that shows."""
    ok, checked = answer["ok"], answer["checked"]
    rules = {one["rule"] for one in answer["findings"]}
    say.line(next((says for of, says in _HEADLINES if rules <= of), _FORGED))
    for what, count in checked.items():
        one, several = _ATTESTED[what]
        if count or what != "masked":
            say.line(f"{count:,} {one if count == 1 else several}")
    for one in answer["findings"]:
        hint = f"; {one['hint']}" if one["hint"] else ""
        say.note(f"{one['where']}: {one['says']}{hint}  [{one['rule']}]")
    if ok:
        say.text(_SHOWS)
        say.text(_BELONGS if "ledger" in checked else _ALONE)
        say.text("It does not show that what was written down is true.")
