"""The fermentations going on: their curves, how fast they fall, which is stuck and by what rule.

The rules stand in ``cellar_facts/ferments.toml``; every figure in them is a proposal.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from msgspec import Struct

from ampelog import moments, sugar
from ampelog.excerpt import vessels_at
from ampelog.measurements import RATE_DECIMALS, Taken, Value, number, per_day, stands, taken, values
from ampelog.phrases import regime
from ampelog.published import OutsideTable
from ampelog.questions import View
from ampelog.resources import folder
from ampelog.state import VOLUME, Lot

Row = dict[str, Any]
FERMENTING, SLOW, STUCK, FINISHED = "fermenting", "slow", "stuck", "finished"
_WORST = (STUCK, SLOW, FERMENTING, FINISHED)
_HUNDREDTH = Decimal("0.01")


class Point(Struct, frozen=True):
    """A reading of a fermentation: its sugar in degrees Brix, and the reading that it is from."""

    day: date
    brix: Decimal
    reading: Value


class Ferment(Struct, frozen=True):
    """A fermentation that goes on in a vessel (None: where the lot lies without one)."""

    lot: str
    vessel: str | None
    started_on: date | None
    organism: str | None
    regime: str | None
    points: tuple[Point, ...]
    temperatures: tuple[Value, ...]


@cache
def rules() -> dict[str, Any]:
    """The rules, as they stand in the file."""
    text = (folder("cellar_facts") / "ferments.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def ferments(view: View, today: date) -> list[Ferment]:
    """Every alcoholic fermentation that goes on in the cellar."""
    going = [
        lot
        for lot in view.held_lots(VOLUME)
        if any(h.ferment is not None for h in lot.holdings.values())
    ]
    told = taken(view, {lot.name for lot in going})
    stretches = view.ferments() if going else {}
    found = []
    for lot in going:
        for vessel, holding in lot.holdings.items():
            if holding.ferment is not None:
                known = told.get(lot.name, [])
                events = _since_the_last(known, lot, vessel)
                stretch = stretches[holding.ferment]
                worked = regime(stretch.regime, noted=False) if stretch.regime else None
                found.append(
                    Ferment(
                        lot.name,
                        vessel,
                        _started(view, events, lot, known),
                        stretch.organism,
                        worked,
                        tuple(points(view, events, vessel, today)),
                        tuple(values_of(events, vessel, "temperature")),
                    )
                )
    return found


def _since_the_last(events: Sequence[Taken], lot: Lot, vessel: str | None) -> list[Taken]:
    """What was read and done in a vessel, or in all of the lot, since what lies there came and
    since a fermentation ended there: the one that goes on is another."""
    found: list[Taken] = []
    for one in events:
        where = vessels_at(one.event)
        if vessel is not None and vessel not in where and None not in where:
            continue
        if not stands(lot, one, vessel if vessel in where else None):
            continue
        found.append(one)
        if _is_alcoholic(one, "end"):
            found.clear()
    return found


def _is_alcoholic(one: Taken, stage: str) -> bool:
    event = one.event
    return bool(
        event["kind"] == "ferment" and event["culture"] == "alcoholic" and event["stage"] == stage
    )


def _started(view: View, here: Sequence[Taken], lot: Lot, told: Sequence[Taken]) -> date | None:
    """The day of the last start of an alcoholic fermentation there, or anywhere in the lot: what
    began in one vessel goes on in another."""
    starts = [one for one in here if _is_alcoholic(one, "start")]
    anywhere = (one for one in told if one.order >= lot.since)
    starts = starts or [one for one in anywhere if _is_alcoholic(one, "start")]
    return moments.day(starts[-1].instant, view.zone) if starts else None


def values_of(events: Sequence[Taken], vessel: str | None, quantity: str) -> list[Value]:
    """The values of a quantity in a vessel, or in the whole lot."""
    return [
        one
        for one in values(list(events))
        if one.quantity == quantity and one.vessel in (vessel, None)
    ]


def points(view: View, events: Sequence[Taken], vessel: str | None, today: date) -> list[Point]:
    """The curve: every reading of sugar, specific gravity as Brix."""
    found = []
    for quantity in ("brix", "specific_gravity"):
        for one in values_of(events, vessel, quantity):
            value = number(one.value)
            on = moments.day(one.taken.instant, view.zone)
            if value is None or on > today:
                continue
            if quantity == "specific_gravity":
                try:
                    value = sugar.brix(value).quantize(_HUNDREDTH)
                except OutsideTable:
                    continue
            found.append(Point(on, value, one))
    return sorted(
        found, key=lambda point: (point.reading.taken.instant, point.reading.taken.position)
    )


def fall(points: Sequence[Point], days: int) -> Decimal | None:
    """How many Brix it fell a day over the last so many days, by one instrument; None where its
    readings do not reach."""
    if not points:
        return None
    last = points[-1]
    earlier = [one for one in like(points, last) if (last.day - one.day).days >= days]
    if not earlier:
        return None
    first = earlier[-1]
    passed = Decimal((last.day - first.day).days)
    return ((first.brix - last.brix) / passed).quantize(RATE_DECIMALS)


def like(points: Sequence[Point], last: Point) -> list[Point]:
    """The readings by the instrument of one of them: a refractometer reads alcohol as sugar, so
    that its figures and a hydrometer's are of two curves."""
    return [point for point in points if point.reading.instrument == last.reading.instrument]


def judged(ferment: Ferment) -> tuple[str, str | None]:
    """The state of a fermentation, and the rule that names it; None where none does."""
    told = rules()
    if not ferment.points:
        return FERMENTING, None
    last = ferment.points[-1]
    if last.brix <= Decimal(told["over"]["at_most_brix"]):
        return FINISHED, str(told["over"]["says"])
    young = (
        ferment.started_on is not None and (last.day - ferment.started_on).days < told["lag_days"]
    )
    for state in (STUCK, SLOW):
        rule = told[state]
        rate = fall(ferment.points, rule["over_days"])
        if young or rate is None or last.brix <= Decimal(rule["above_brix"]):
            continue
        if rate < Decimal(rule["fall_below"]):
            return state, str(rule["says"])
    return FERMENTING, None


def notes(ferment: Ferment, today: date) -> list[str]:
    """What else a morning wants to know of it."""
    told, found = rules(), []
    last = ferment.points[-1] if ferment.points else None
    if last is None:
        found.append("no reading yet")
    elif (today - last.day).days > told["unread"]["days"]:
        found.append(f"{told['unread']['says']}: the last is {(today - last.day).days} days old")
    if last is not None and last.reading.instrument == sugar.REFRACTOMETER:
        found.append("by refractometer: apparent only, alcohol is read as sugar too")
    warm = celsius(ferment.temperatures[-1].value) if ferment.temperatures else None
    if warm is not None and warm > Decimal(told["warm"]["above_celsius"]):
        found.append(f"{told['warm']['says']}: cool it")
    return found


def celsius(text: str) -> Decimal | None:
    """A recorded temperature in C; None where it is none."""
    value, _, unit = text.partition(" ")
    found = number(value)
    if found is None:
        return None
    return (found - 32) * 5 / 9 if unit == "F" else found


def sheet(view: View, today: date) -> list[Row]:
    """The morning sheet: sugar and temperature of each fermentation, the stuck ones first."""
    found = [(ferment, *judged(ferment)) for ferment in ferments(view, today)]
    found.sort(key=lambda one: (_WORST.index(one[1]), one[0].lot, one[0].vessel or ""))
    rows: list[Row] = []
    for ferment, state, rule in found:
        about = _about(ferment, state, rule, today)
        rows.append(_brix(view, ferment, today) | about)
        if ferment.temperatures:
            rows.append(_temperature(view, ferment, today) | about)
    return rows


def _about(ferment: Ferment, state: str, rule: str | None, today: date) -> Row:
    day = None if ferment.started_on is None else (today - ferment.started_on).days + 1
    return {
        "day": day,
        "state": state,
        "rule": rule,
        "organism": ferment.organism,
        "regime": ferment.regime,
        "notes": notes(ferment, today),
        "curve": [[point.day.isoformat(), str(point.brix)] for point in ferment.points],
    }


def _brix(view: View, ferment: Ferment, today: date) -> Row:
    if not ferment.points:
        return _empty(ferment, "brix")
    last = ferment.points[-1]
    row = _value(view, ferment, last.reading, today) | {"quantity": "brix", "value": str(last.brix)}
    alike = like(ferment.points, last)
    if len(alike) > 1:
        row["per_day"] = per_day(_as_brix(alike[-2]), _as_brix(last), view.zone)
    return row


def _as_brix(point: Point) -> Value:
    one = point.reading
    return Value("brix", str(point.brix), one.vessel, one.instrument, one.taken)


def _temperature(view: View, ferment: Ferment, today: date) -> Row:
    last = ferment.temperatures[-1]
    row = _value(view, ferment, last, today)
    if len(ferment.temperatures) > 1:
        row["per_day"] = per_day(ferment.temperatures[-2], last, view.zone)
    return row


def _value(view: View, ferment: Ferment, one: Value, today: date) -> Row:
    on = moments.day(one.taken.instant, view.zone)
    return _empty(ferment, one.quantity) | {
        "value": one.value,
        "measured_on": on.isoformat(),
        "age_days": (today - on).days,
        "instrument": one.instrument,
        "event": one.taken.event["id"],
    }


def _empty(ferment: Ferment, quantity: str) -> Row:
    return {
        "lot": ferment.lot,
        "vessel": ferment.vessel,
        "quantity": quantity,
        "value": None,
        "measured_on": None,
        "age_days": None,
        "per_day": None,
        "instrument": None,
        "event": None,
    }
