"""What was read and analysed in a lot, as it reads now: by quantity, vessel and instrument.

Read from the log's look-ups without a replay: these are asked every morning.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Any

from msgspec import Struct

from ampelog import history, moments
from ampelog.excerpt import ends, vessels_at
from ampelog.questions import View
from ampelog.state import Lot

KINDS = frozenset({"reading", "analysis", "ferment"})
UNITS = {
    "brix": "Brix",
    "specific_gravity": "",
    "temperature": "",
    "ph": "",
    "ta": "g/L",
    "alcohol": "% vol",
    "va": "g/L",
    "free_so2": "mg/L",
    "total_so2": "mg/L",
    "molecular_so2": "mg/L",
    "glucose_fructose": "g/L",
    "reducing_sugar": "g/L",
    "malic": "g/L",
    "turbidity": "NTU",
    "dissolved_oxygen": "mg/L",
    "co2": "g/L",
    "heat_stability": "NTU",
    "cold_stability": "",
    "copper": "mg/L",
    "iron": "mg/L",
}
"""Units of EVENTS.md, in the order in which people read an analysis."""
_NUMBER = re.compile(r"-?([0-9]{1,12}(\.[0-9]{0,12})?|\.[0-9]{1,12})")
"""As a measured value of EVENTS.md; what was measured beside those is free text."""
_EXACT = Context(prec=40, rounding=ROUND_HALF_EVEN)
_DAY = Decimal(moments.DAY)
RATE_DECIMALS = Decimal("0.0001")


class Taken(Struct, frozen=True):
    """An event about a lot, as it takes effect."""

    instant: int
    position: int
    event: dict[str, Any]

    @property
    def order(self) -> tuple[int, int]:
        """When it took effect, among all events."""
        return (self.instant, self.position)

    @property
    def timed(self) -> bool:
        """Whether it says the time of day."""
        return "T" in self.event["at"]


class Value(Struct, frozen=True):
    """One value of one quantity, in one vessel or (None) in the whole lot."""

    quantity: str
    value: str
    vessel: str | None
    instrument: str | None
    taken: Taken


class _Renamed(Struct, frozen=True):
    """A lot's former name, until when it bore it, and the vessels that were renamed (None: all)."""

    name: str
    order: tuple[int, int]
    vessels: frozenset[str] | None

    def tells(self, one: Taken, *, alone: bool) -> bool:
        """Whether a measurement under the former name is of what was renamed. One of the whole
        lot is so where it is ``alone`` under the new name."""
        if one.order >= self.order:
            return False
        said = vessels_at(one.event)
        if None in said:
            return alone
        return self.vessels is None or not self.vessels.isdisjoint(said)


def taken(view: View, lots: Collection[str]) -> dict[str, list[Taken]]:
    """The readings, analyses and fermentation events of these lots, in order of time; with those of
    a lot under the names that it bore before."""
    if not lots:
        return {}
    former = _former(view)
    asked, ahead = set(lots), list(lots)
    while ahead:
        names = {one.name for one in former.get(ahead.pop(), ())} - asked
        asked |= names
        ahead += names
    found = _taken(view, asked)
    return {lot: _with_former(lot, found, former) for lot in lots}


def _with_former(
    lot: str, found: dict[str, list[Taken]], former: dict[str, list[_Renamed]]
) -> list[Taken]:
    """What is of a lot, with that of its former names. Where it was measured before it took over
    another's name, the two were joined, and what was said of the other is not of both; nor is what
    was said of one of several lots as a whole."""
    own = found.get(lot, [])
    before = former.get(lot, ())
    alone = len({one.name for one in before}) == 1
    rest = {name: told for name, told in former.items() if name != lot}  # no circles
    more: list[Taken] = []
    for one in before:
        if not own or own[0].order >= one.order:
            told = _with_former(one.name, found, rest)
            more += [each for each in told if one.tells(each, alone=alone)]
    return sorted([*more, *own], key=lambda each: each.order) if more else own


def _former(view: View) -> dict[str, list[_Renamed]]:
    """The former names of every lot that took over another's wine."""
    found: dict[str, list[_Renamed]] = {}
    for position, event in view.said(("lot",), '"of":', until=view.ends).items():
        order = (moments.instant(event["at"], view.zone), position)
        for end in ends(event, "of"):
            named = vessels_at(end)
            vessels = None if None in named else frozenset(map(str, named))
            found.setdefault(event["name"], []).append(_Renamed(end["lot"], order, vessels))
    return found


def _taken(view: View, lots: Collection[str]) -> dict[str, list[Taken]]:
    names = "\n".join(json.dumps(lot, ensure_ascii=False) for lot in sorted(lots))
    end = view.ends
    rows = view.ledger.rows("measurements", lots=names, upto=view.head.position, until=end)
    corrected = history.corrected(view.ledger, view.head.position)
    found: list[Taken] = []
    for position, instant, body in rows:
        event = json.loads(body)
        if event["id"].lower() not in corrected:
            found.append(Taken(int(instant), position, event))
    found += _mended(view, corrected, end)
    sorted_out: dict[str, list[Taken]] = {}
    for one in sorted(found, key=lambda one: one.order):
        if one.event.get("lot") in lots:
            sorted_out.setdefault(one.event["lot"], []).append(one)
    return sorted_out


def _mended(view: View, corrected: dict[str, history.InForce], end: int) -> Iterator[Taken]:
    """What corrections put in the place of their originals."""
    wanted = {
        id_: now.replacement
        for id_, now in corrected.items()
        if now.replacement is not None and now.replacement["kind"] in KINDS
    }
    originals = view.ledger.known(wanted) if wanted else {}
    for id_, event in wanted.items():
        instant = moments.instant(event["at"], view.zone)
        if id_ in originals and instant <= end:
            yield Taken(instant, originals[id_].position, {**event, "id": id_})


def values(found: list[Taken]) -> Iterator[Value]:
    """Every value of these events, in order of time."""
    for one in found:
        for quantity, value in told(one.event):
            for vessel in vessels_at(one.event):
                yield Value(quantity, value, vessel, one.event.get("instrument"), one)


def stands(lot: Lot, one: Taken, vessel: str | None) -> bool:
    """Whether what was measured in a vessel, or (None) in all of a lot, was measured in what is
    held there, or was last: what fills an emptied lot or vessel starts afresh."""
    if vessel is None:
        return one.order >= lot.since
    holding = lot.contents().get(vessel)
    return holding is not None and one.order >= holding.since


def told(event: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """What a reading or an analysis found: each quantity with its value as recorded."""
    if event["kind"] == "reading":
        for name in ("brix", "specific_gravity", "temperature"):
            if event.get(name) is not None:
                yield name, str(event[name])
    elif event["kind"] == "analysis":
        measured = dict(event.get("values") or {})
        others = {**(measured.pop("other", None) or {}), **(event.get("other") or {})}
        measured.pop("ta_endpoint", None)
        for name, value in {**measured, **others}.items():
            yield name, str(value)


def number(value: str) -> Decimal | None:
    """A value as a number; None where it is none, or only an upper bound."""
    text = value.split(" ", maxsplit=1)[0]
    return Decimal(text) if _NUMBER.fullmatch(text) else None


def per_day(before: Value, now: Value, zone: Any) -> str | None:
    """The change a day from one value to the next, to four decimals, half to even; by hours where
    both say the time of day, else by calendar days. None within a day, and of what is no number."""
    first, second = number(before.value), number(now.value)
    if first is None or second is None or before.value.split(" ")[1:] != now.value.split(" ")[1:]:
        return None
    if before.taken.timed and now.taken.timed:
        days = _EXACT.divide(Decimal(now.taken.instant - before.taken.instant), _DAY)
    else:
        passed = moments.day(now.taken.instant, zone) - moments.day(before.taken.instant, zone)
        days = Decimal(passed.days)
    if days <= 0:
        return None
    change = _EXACT.divide(second - first, days).quantize(RATE_DECIMALS, ROUND_HALF_EVEN, _EXACT)
    return f"{change:f}".rstrip("0").rstrip(".") if change else "0"
