"""What the sections of a dossier show: its lists, cut or summed where they are long, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction

from msgspec import Struct

from ampelog import curve_charts, typeset
from ampelog.facts import Dossier
from ampelog.measurements import UNITS
from ampelog.phrases import bottles, listed
from ampelog.story import Addition, Analysis, Curve, Drawn, Kept, Lain, Shipment, Used

MOST_LINES = 60
"""A list of more lines is summed, or its latest are shown."""
MOST_CURVES = 12
LEAST = Fraction(1, 100)
"""Fermentations of less of the wine are counted, where others are drawn."""
NAMED = 4
NAMES = {
    "ph": "pH",
    "ta": "TA",
    "va": "VA",
    "alcohol": "alcohol",
    "free_so2": "free SO2",
    "total_so2": "total SO2",
    "molecular_so2": "molecular SO2",
    "glucose_fructose": "glucose and fructose",
    "co2": "CO2",
}
KEPT = {
    "held": ("supported", "in the records"),
    "partly": ("undetermined", "in part"),
    "missing": ("refused", "missing"),
    "none": ("", "nothing of the kind"),
}
"""A state of the label information record: the mark beside it, and its words."""


class Line(Struct, frozen=True):
    """An addition, or several alike: the first and last day, where, what, and how many."""

    on: str
    last_on: str
    where: str
    what: str
    used: str
    count: int
    position: int | None


class Sent(Struct, frozen=True):
    """A shipment, or several to one party."""

    on: str
    last_on: str
    party: str
    removal: str
    document: str
    amount: str
    count: int
    position: int | None
    despite: bool = False


class Panel(Struct, frozen=True):
    """A curve as drawn, and the lines beneath it."""

    name: str
    drawing: str
    lines: tuple[str, ...]


def additions(found: Sequence[Addition]) -> list[Line]:
    """Each addition, or, of many, those of one material together."""
    if len(found) <= MOST_LINES:
        return [
            Line(one.on, one.on, _where(one.lot, one.vessel), one.what, materials(one.used), 1,
                 one.position)
            for one in found
        ]  # fmt: skip
    groups: dict[tuple[str, str], list[Addition]] = {}
    for one in found:
        used = listed(dict.fromkeys(_lot_of(use) for use in one.used))
        groups.setdefault((one.what, used), []).append(one)
    return [
        Line(
            min(one.on for one in several),
            max(one.on for one in several),
            _lots(one.lot for one in several),
            what,
            used,
            len(several),
            None,
        )
        for (what, used), several in groups.items()
    ]


def drawn(of: Iterable[Drawn]) -> str:
    """The lots and vessels that bottles were filled from, in words."""
    return ", ".join(dict.fromkeys(_where(one.lot, one.vessel) for one in of))


def _where(lot: str, vessel: str | None) -> str:
    return f"{lot}, {vessel}" if vessel else lot


def _lots(names: Iterable[str]) -> str:
    """The first few, and how many more."""
    every = list(dict.fromkeys(names))
    if len(every) <= NAMED:
        return ", ".join(every)
    return f"{', '.join(every[:NAMED])} and {len(every) - NAMED} more lots"


def _lot_of(use: Used) -> str:
    return f"{use.material} (lot {use.lot})" if use.lot else use.material


def materials(used: Iterable[Used]) -> str:
    """Materials with their lots and amounts, in words."""
    return "; ".join(f"{one.amount} of {_lot_of(one)}" if one.amount else _lot_of(one)
                     for one in used)  # fmt: skip


def analyses(found: Sequence[Analysis]) -> list[tuple[Analysis, str]]:
    """The latest analyses, each with its values in words."""
    return [(one, _values(one)) for one in found[-MOST_LINES:]]


def _values(one: Analysis) -> str:
    words = []
    for name, value in one.values:
        unit = UNITS.get(name, "")
        said = NAMES.get(name, name.replace("_", " "))
        words.append(f"{said} {value} {unit}".rstrip())
    return ", ".join(words)


def shipments(found: Sequence[Shipment]) -> list[Sent]:
    """Each shipment, or, of many, those to one party together."""
    if len(found) <= MOST_LINES:
        return [
            Sent(one.on, one.on, one.party or "", _removal(one), one.document or "", one.amount, 1,
                 one.position, one.despite)
            for one in found
        ]  # fmt: skip
    groups: dict[tuple[str, str, str], list[Shipment]] = {}
    for one in found:
        unit = one.amount.rpartition(" ")[2].removesuffix("s")
        groups.setdefault((one.party or "", _removal(one), unit), []).append(one)
    return [
        Sent(
            min(one.on for one in several),
            max(one.on for one in several),
            party,
            removal,
            "",
            _sum(several, unit),
            len(several),
            None,
            any(one.despite for one in several),
        )
        for (party, removal, unit), several in groups.items()
    ]


def _removal(one: Shipment) -> str:
    return "came back" if one.back else one.removal or ""


def _sum(found: Iterable[Shipment], unit: str) -> str:
    amounts = [one.amount.split(" ", maxsplit=1)[0] for one in found]
    if not all(each.replace(".", "", 1).isdigit() for each in amounts):
        return "not stated"
    total = sum((Fraction(each) for each in amounts), Fraction(0))
    if unit == "bottle" and total.denominator == 1:
        return bottles(int(total))
    return f"{typeset.rounded(total, 1)} {unit}"


def ageing(one: Lain) -> tuple[str, str, str]:
    """A row of the ageing record: vessel, wood, and whether it was new."""
    fill = {True: "first fill", False: "filled before", None: ""}[one.new]
    return one.kind, one.wood or "", fill


def new_oak(rows: Iterable[Lain]) -> str | None:
    """What of the wine lay in wood on its first fill, where that is one kind of vessel; None where
    there is none, or where kinds may overlap."""
    new = [one for one in rows if one.new]
    return new[0].share if len(new) == 1 else None


def kept(one: Kept) -> tuple[str, str]:
    """The mark and the word of an item of the label information record."""
    return KEPT[one.state]


def curves(dossier: Dossier, units: str, legible: Callable[[str], str]) -> tuple[list[Panel], int]:
    """The fermentations of the most wine, and how many others there were."""
    drawn = [one for one in dossier.curves if Fraction(one.share) >= LEAST][:MOST_CURVES]
    drawn = drawn or list(dossier.curves[:MOST_CURVES])
    fahrenheit = units == "us"
    by = curve_charts.scale(drawn, fahrenheit) if drawn else None
    panels = []
    for one in drawn:
        assert by is not None, "there is a curve"
        drawing = curve_charts.chart(one, by, fahrenheit, legible(_told(one)))
        panels.append(Panel(_where(one.lot, one.vessel), drawing, tuple(_lines(one))))
    return panels, len(dossier.curves) - len(drawn)


def _told(one: Curve) -> str:
    first, last = one.brix[0], one.brix[-1]
    return (
        f"Fermentation of {_where(one.lot, one.vessel)}: {first.value} Brix on day {first.days}, "
        f"{last.value} on day {last.days}"
    )


def _lines(one: Curve) -> Iterable[str]:
    yield f"{typeset.part(one.share)} % of the wine; began {typeset.moment(one.started_on)}"
    if one.organism:
        yield one.organism
    for each in one.worked:
        day = each.days.partition(".")[0]
        yield f"day {day}: {each.says}" if day != "0" else each.says
