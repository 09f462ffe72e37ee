"""The dossier's facts as a page: its words, tables and drawings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from msgspec import Struct

from ampelog import charts, layout, printing, sections, typeset
from ampelog.facts import Body, Dossier, Table
from ampelog.phrases import brief
from ampelog.printing import Attached, Covered, Made, Page, Printed, ours
from ampelog.quantities import ONE
from ampelog.typeset import Amounts

PORTRAIT, LANDSCAPE = (490, 600), (680, 428)
"""Room for a drawing in points, on the narrower and the shorter of the two papers."""
MOST_ORIGINS = 9
CURVES_BESIDE = 3
REGISTERS = ("place", "block", "label")
READERS = {
    "auditor": "an auditor",
    "buyer": "a buyer",
    "importer": "an importer",
    "owner": "the owner of the wine",
}
MOST_HALF_ROWS, MOST_HALF_SIGNS = 14, 36


class Options(Struct, frozen=True):
    """How a dossier is read: ``units`` is ``us`` or ``metric``, ``paper`` ``letter`` or ``a4``."""

    units: str = "us"
    paper: str = "letter"


def html(dossier: Dossier, options: Options) -> str:
    """The dossier as one self-contained page."""
    return printing.html(page(dossier, options.units), options.paper)


def pdf(dossier: Dossier, options: Options, attached: Sequence[Attached] = ()) -> Printed:
    """The dossier as a tagged PDF, with what is attached to it."""
    return printing.pdf(page(dossier, options.units), options.paper, attached)


def write(
    dossier: Dossier,
    path: Path,
    units: str = "us",
    paper: str = "letter",
    attached: Sequence[Attached] = (),
) -> int:
    """Write a ``.pdf`` or ``.html`` file, whole or not at all; returns the number of its pages.

    ``Refused`` for another ending, or where it cannot be written.
    """
    printing.check_name(path, "LOT.pdf")
    return printing.write(page(dossier, units), path, paper, attached)


def page(dossier: Dossier, units: str) -> Made:
    """The filled-in page of a dossier, for what its reader can show."""

    def made(covered: Covered) -> Page:
        amounts = Amounts(units, dossier.wine.unit)
        values = _values(dossier, amounts, covered)
        return Page("dossier.html", dossier.as_of, values, _filters(dossier, amounts))

    return made


def _values(dossier: Dossier, amounts: Amounts, covered: Covered) -> dict[str, Any]:
    return {
        "d": dossier,
        "unit": f"{'Weight' if dossier.wine.unit == 'kg' else 'Volume'}, {amounts.unit}",
        "answer": typeset.answer(dossier),
        "kind": typeset.kind(dossier),
        "reader": READERS.get(dossier.reader or "", ""),
        "lines": typeset.lines(dossier),
        "trail": [one for one in dossier.trail if one.kind not in REGISTERS],
        "registered": [one for one in dossier.trail if one.kind in REGISTERS],
        "written_on": typeset.usual_day(dossier.trail),
        "figures": typeset.figures(dossier, amounts),
        "heads": _heads(dossier),
        "pairs": _pairs([table for table in dossier.composition if _narrow(table)]),
        "wholes": [table for table in dossier.composition if not _narrow(table)],
        "drawings": _drawings(dossier, amounts, covered),
        **_lists(dossier, amounts.units, covered),
    }


def _lists(dossier: Dossier, units: str, covered: Covered) -> dict[str, Any]:
    """The lists of the sections, as they are read."""

    def legible(text: str) -> str:
        return typeset.legible(text, covered)

    panels, others = sections.curves(dossier, units, legible)
    rows = [panels[at : at + CURVES_BESIDE] for at in range(0, len(panels), CURVES_BESIDE)]
    return {
        "curves": rows,
        "other_curves": others,
        "additions": sections.additions(dossier.additions),
        "analyses": sections.analyses(dossier.analyses),
        "sent": sections.shipments(dossier.shipments),
        "new_oak": sections.new_oak(dossier.ageing),
    }


def _filters(dossier: Dossier, amounts: Amounts) -> dict[str, Callable[..., Any]]:
    whole = Fraction(dossier.wine.told_of)
    positions = {fill.event: fill for fill in dossier.wine.fills}

    def fill(event: str) -> str:
        known = positions.get(event)
        return f"of {typeset.day(known.filled_on)} (event {known.position})" if known else event

    return {
        "bar": lambda share: ours(charts.share_bar(share, 44, 5)),
        "brief": brief,
        "fill": fill,
        "largest": typeset.largest,
        "margin": typeset.margin,
        "needed": typeset.needed,
        "part": lambda share: amounts.plain(Fraction(share) * whole),
        "percent": typeset.share,
        "share": typeset.part,
        "source": typeset.source,
        "verdict": typeset.verdict,
        "amount": amounts.amount,
        "drawn": sections.drawn,
        "kept": sections.kept,
        "lain": sections.ageing,
        "materials": sections.materials,
        "months": lambda months: typeset.rounded(Fraction(months), 1),
        "ours": ours,
    }


def _heads(dossier: Dossier) -> dict[str, str]:
    """What each section shows, as its heading."""
    lots = sum(body.kind == "lot" for body in dossier.genealogy.bodies)
    fruit = len(dossier.sources)
    happened = sum(one.kind not in REGISTERS for one in dossier.trail)
    count = typeset.counted
    return {
        "verdicts": "Each statement, the rule it meets or misses, and why",
        "composition": "What the wine is made of",
        "genealogy": f"How it came together: {_many(fruit, 'source')}"
        + (f" through {_many(lots, 'lot')}" if lots else ""),
        "curves": "How it fermented",
        "ageing": "Where it lay, and how long",
        "additions": "What was added, and what was done to it",
        "analyses": "What was analysed",
        "fillings": "How it was bottled, and in what",
        "shipments": "Rest, release and what has left"
        if dossier.rest
        else "What has left the cellar",
        "record": "The label information record",
        "through": "The lots and fermentations it passed through",
        "sources": f"The {count(fruit)} sources of the wine" if fruit > 1 else "Its source",
        "trail": f"The trail: {_many(happened, 'event')} and their papers",
    }


def _narrow(table: Table) -> bool:
    """Whether a table is short and narrow enough for half the width of the page."""
    return (
        len(table.fields) == 1
        and len(table.rows) <= MOST_HALF_ROWS
        and all(len(row.names[0] or "") <= MOST_HALF_SIGNS for row in table.rows)
    )


def _pairs(tables: list[Table]) -> list[list[Table]]:
    """Two and two, as they stand beside each other."""
    return [tables[at : at + 2] for at in range(0, len(tables), 2)]


def _many(number: int, noun: str) -> str:
    return f"{typeset.counted(number)} {noun}{'' if number == 1 else 's'}"


def _drawings(dossier: Dossier, amounts: Amounts, covered: Covered) -> dict[str, Any]:
    """The drawings as SVG; amounts in 10^-12 of a litre of this wine."""
    litres = Fraction(dossier.wine.told_of)

    def amount(share: str) -> int:
        return int(Fraction(share) * litres * ONE)

    def says(inside: int) -> str:
        return amounts.amount(Fraction(inside, ONE))

    def legible(text: str) -> str:
        return typeset.legible(typeset.name(text), covered)

    bodies = [_body(body, amount, says, legible) for body in dossier.genealogy.bodies]
    links = [
        layout.Link(
            flow.source, flow.target, amount(flow.share), _edge(dossier, flow.source, flow.fraction)
        )
        for flow in dossier.genealogy.flows
    ]
    deep = max(layout.columns([body.key for body in bodies], links, bodies[-1].key).values())
    wide = deep > 5
    room = LANDSCAPE if wide else PORTRAIT
    one = int(amounts.one * ONE)
    canvas = charts.Canvas(room[0], room[1], says, one, amounts.unit)
    title = f"Genealogy of lot {legible(dossier.wine.lot)}"
    return {
        "wide": wide,
        "genealogy": ours(charts.genealogy(bodies, links, canvas, title)),
        "origins": ours(_origins(dossier, legible)),
    }


def _edge(dossier: Dossier, source: str, fraction: str | None) -> str:
    kinds = {body.key: body.kind for body in dossier.genealogy.bodies}
    return "addition" if kinds[source] == "addition" else fraction or ""


def _body(
    body: Body,
    amount: Callable[[str], int],
    says: Callable[[int], str],
    legible: Callable[[str], str],
) -> charts.Body:
    volume = amount(body.share)
    since = typeset.moment(body.since) if body.since else ""
    parts = [body.says, says(volume)] if body.says else [says(volume), since]
    note = ", ".join(part for part in parts if part)
    return charts.Body(
        key=body.key,
        name=legible(body.name),
        note=legible(note),
        volume=volume,
        kind=body.kind,
        lost=amount(body.lost),
        amount=says(volume),
    )


def _origins(dossier: Dossier, legible: Callable[[str], str]) -> str:
    """The largest parts by the fields of ``origins``, the others as one."""
    rows = sorted(dossier.origins.rows, key=lambda row: -Fraction(row.share))
    shown = rows if len(rows) <= MOST_ORIGINS else rows[: MOST_ORIGINS - 1]
    parts = []
    for row in shown:
        known = [one for one in row.names if one is not None]
        parts.append(
            (
                legible(", ".join(known) if known else "not known"),
                f"{typeset.part(row.share)} %",
                Fraction(row.share),
            )
        )
    if len(shown) < len(rows):
        rest = sum((Fraction(row.share) for row in rows[len(shown) :]), Fraction(0))
        parts.append(
            (f"{len(rows) - len(shown)} smaller parts", f"{typeset.part(str(rest))} %", rest)
        )
    return charts.origins(parts, legible(dossier.wine.lot), PORTRAIT[0])
