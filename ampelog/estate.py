"""What "estate bottled" and the bottler's words ask: own land, own premises, one unbroken stay.

Whether the winery controls the land that fruit grew on and grows it itself; whether its wine ever
left the premises, and whether those lie in the appellation.
"""

from __future__ import annotations

from calendar import isleap
from datetime import date
from typing import Any

from msgspec import Struct

from ampelog.appellations import Places, inside, listing
from ampelog.grapes import fold
from ampelog.registers import Registers
from ampelog.shares import Fill, every, some
from ampelog.statements import Subject

Answer = tuple[bool | None, str]


def stayed(fill: Fill) -> Answer:
    """Whether a wine never left the premises, from crushing to bottling."""
    stay = fill.stay
    if stay is None:
        return None, "Where the wine has been is not known here."
    if stay.left:
        more = f" (and {len(stay.left) - 1} more)" if len(stay.left) > 1 else ""
        return False, f"{stay.left[0]}{more}"
    if stay.unknown:
        return None, stay.unknown
    return True, "It was crushed, fermented, aged and bottled on the premises and never left them."


def housed(fill: Fill, subject: Subject, places: Places) -> Answer:
    """Whether the premises lie in the appellation."""
    area = subject.area
    assert area is not None, "where the premises lie is asked of an appellation"
    named = fill.stay.places if fill.stay is not None else ()
    if not named:
        return None, "Where the premises lie is not registered (`within` of the premises)."
    answers = [some(_lies(places, each, name) for each in named) for name in area.names]
    where = listing(area.names)
    found = every(answers)
    if found is None:
        return None, f"Whether the premises lie in {where} is not registered."
    return found, f"The premises lie {'in' if found else 'outside'} {where}."


def done(fill: Fill, what: str) -> Answer:
    """Whether a wine was treated or blended at the bottler's. That nothing is recorded of the lot
    does not show that nothing was done."""
    if what in fill.done:
        return True, f"The records show that the wine was {what} at the bottler's."
    return None, f"No record was found that the wine was {what} at the bottler's."


def _lies(places: Places, here: str, name: str) -> bool | None:
    """Whether what lies in one registered place lies in another."""
    if name in places.up(here):
        return True
    if here in places.up(name) or name in places.spans(here):
        return None
    found = inside(places, here, name)
    return None if found is None and places.type_of(here) is None else bool(found)


class Picking(Struct, frozen=True):
    """When fruit was picked: the instant, and the day in the premises' zone."""

    instant: int
    day: date


def controlled(
    registers: Registers, block: str, picked: Picking, estate: bool | None, years: int
) -> bool | None:
    """Whether the fruit of a block was the winery's own when it was picked; None where nobody
    knows.

    ``estate`` says that the winery grows it on land it owns or controls; what is registered of its
    ``control`` must bear that out: in force on the day of picking, a lease of at least so many
    ``years``, and the winery itself doing the work (27 CFR 4.26(c)). Whose names are the winery's
    is told by its premises and by the estate blocks that it owns.
    """
    if not estate:
        return estate
    control = registers.at("block", block, picked.instant).get("control")
    if control is None:
        return True
    farmed = _farmed(registers, control, picked.instant)
    return every((_in_force(control, picked.day), _long_enough(control, years), farmed))


def _in_force(control: dict[str, Any], on: date) -> bool:
    begun, ended = control.get("from"), control.get("to")
    return (begun is None or date.fromisoformat(begun) <= on) and (
        ended is None or on <= date.fromisoformat(ended)
    )


def _long_enough(control: dict[str, Any], years: int) -> bool | None:
    if control["basis"] == "owned":
        return True
    if control.get("from") is None or control.get("to") is None:
        return None
    begun, ended = date.fromisoformat(control["from"]), date.fromisoformat(control["to"])
    return ended >= _after(begun, years)


def _after(day: date, years: int) -> date:
    """The last day of so many years that begin on a day."""
    year = day.year + years
    at = date(year, 3, 1) if (day.month, day.day) == (2, 29) and not isleap(year) else None
    return date.fromordinal((at or day.replace(year=year)).toordinal() - 1)


def _farmed(registers: Registers, control: dict[str, Any], instant: int) -> bool | None:
    """Whether the winery does the work; of leased land nobody knows where it is not said."""
    farmer = control.get("farmed_by")
    if farmer is None:
        return True if control["basis"] == "owned" else None
    if any(fold(farmer) == fold(name) for name in registers.names("premises")):
        return True
    own = {fold(name) for name in _own_names(registers, instant)}
    if fold(farmer) in own:
        return True
    return False if own else None


def _own_names(registers: Registers, instant: int) -> list[str]:
    """Who grows the estate blocks that the winery owns: the winery, under its own name."""
    found = []
    for name in registers.names("block"):
        block = registers.at("block", name, instant)
        control = block.get("control") or {}
        if block.get("estate") and control.get("basis") == "owned":
            found += [each for each in (control.get("farmed_by"), block.get("grower")) if each]
    return found
