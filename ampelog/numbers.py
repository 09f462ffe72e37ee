"""The latest readings and analyses of what is in the cellar, with age and change a day.

A value stands for the lot or vessel that it was measured in, until the next or until what it was
measured in is gone. Molecular sulfur
dioxide is computed from the latest free sulfur dioxide and pH, with what a style's target asks for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from ampelog import moments, sugar, sulfur
from ampelog.errors import Refused
from ampelog.measurements import UNITS, Taken, Value, number, per_day, stands, taken, values
from ampelog.published import OutsideTable
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.resting import style_of
from ampelog.state import BOTTLES, MASS, VOLUME, Lot

Row = dict[str, Any]
_TARGETS = {"dry red": sulfur.RED, "fortified": sulfur.RED}
_WHITE = frozenset({"dry white", "rose", "sweet"})
_TENTH, _THOUSANDTH = Decimal("0.1"), Decimal("0.001")
_ORDER = {quantity: at for at, quantity in enumerate(UNITS)}


def numbers(view: View, today: date, name: str | None = None) -> list[Row]:
    """Every latest value of the lots of juice, must and wine, or of the one named, which may be of
    bottles.

    ``Refused`` where the one named never was, or is held by mass.
    """
    if name is not None:
        lots = [view.lot(name)]
        if lots[0].sort == MASS:
            raise Refused(
                f"`{name}` is held by {lots[0].sort}: there is no juice, must or wine to measure",
                hint="`ampelog lots` lists what is in the cellar",
            )
    else:
        lots = view.held_lots(VOLUME)
    found = taken(view, {lot.name for lot in lots})
    rows: list[Row] = []
    for lot in lots:
        rows += _rows(view, lot, found.get(lot.name, []), today)
    return rows


def _rows(view: View, lot: Lot, told: list[Taken], today: date) -> Iterator[Row]:
    latest, before = _latest(lot, told)
    rows = []
    for (vessel, quantity), now in latest.items():
        was = before.get((vessel, quantity))
        rate = None if was is None else per_day(was, now, view.zone)
        rows.append(_row(view, lot, now, today, rate) | _potential(lot, now))
    rows += _molecular(view, lot, latest, today)
    return iter(sorted(rows, key=_place))


def _place(row: Row) -> tuple[str, int, str]:
    return (row["vessel"] or "", _ORDER.get(row["quantity"], len(_ORDER)), row["quantity"])


Latest = dict[tuple[str | None, str], Value]


def _latest(lot: Lot, told: list[Taken]) -> tuple[Latest, Latest]:
    """The latest value of each quantity by vessel, and the one before it by the same instrument.

    One of all the lot is one of every vessel that it lies in (EVENTS.md, Target), so that it takes
    the place of what was measured in each before. What was measured in wine that is gone is left
    out.
    """
    latest: Latest = {}
    before: Latest = {}
    last: dict[tuple[str | None, str, str | None], Value] = {}
    for one in values(told):
        if not stands(lot, one.taken, one.vessel):
            continue
        if one.vessel is None:
            for vessel, quantity in [*latest]:
                if vessel is not None and quantity == one.quantity:
                    del latest[vessel, quantity]
        key, same = (one.vessel, one.quantity), (one.vessel, one.quantity, one.instrument)
        latest[key] = one
        before.pop(key, None)
        if same in last:
            before[key] = last[same]
        last[same] = one
    return {key: one for key, one in latest.items() if not _replaced(lot, key, latest)}, before


def _replaced(lot: Lot, key: tuple[str | None, str], latest: Latest) -> bool:
    """Whether a value of all the lot has a newer one in every vessel that it lies in."""
    vessel, quantity = key
    return (
        vessel is None
        and all((one, quantity) in latest for one in lot.contents())
        and (None not in lot.contents())
    )


def _row(view: View, lot: Lot, one: Value, today: date, rate: str | None) -> Row:
    on = moments.day(one.taken.instant, view.zone)
    event = one.taken.event
    return {
        "lot": lot.name,
        "vessel": one.vessel,
        "quantity": one.quantity,
        "value": one.value,
        "measured_on": on.isoformat(),
        "age_days": (today - on).days,
        "per_day": rate,
        "unit": UNITS.get(one.quantity) or None,
        "instrument": one.instrument,
        "lab": event.get("lab"),
        "event": event["id"],
    }


def _molecular(view: View, lot: Lot, latest: Mapping[Any, Value], today: date) -> Iterator[Row]:
    """Molecular sulfur dioxide of each vessel that has its own free or pH, else of the lot."""
    vessels = {vessel for vessel, quantity in latest if quantity in ("free_so2", "ph")}
    for vessel in sorted(vessels, key=str):
        free = latest.get((vessel, "free_so2")) or latest.get((None, "free_so2"))
        ph = latest.get((vessel, "ph")) or latest.get((None, "ph"))
        if free is None or ph is None:
            continue
        amount, acidity = number(free.value), number(ph.value)
        row = _row(view, lot, free, today, None)
        row |= {
            "vessel": vessel,
            "quantity": "molecular_so2",
            "unit": UNITS["molecular_so2"],
            "pka": str(sulfur.PKA),
            "ph": ph.value,
            "free_so2": free.value,
        }
        if amount is None or acidity is None or not sulfur.reckons(amount, acidity):
            yield row | {"value": None}
            continue
        computed = sulfur.computed(amount, acidity)
        row |= {
            "value": str(computed.value.quantize(_THOUSANDTH, "ROUND_DOWN")),
            "of_the_wine": _of_the_wine(latest, vessel, computed),
        }
        yield row | _to_add(view, lot, _litres(lot, vessel, vessels), computed)


def _of_the_wine(
    latest: Mapping[Any, Value], vessel: str | None, computed: sulfur.Molecular
) -> Row | None:
    """The same by the pKa of a wine of its alcohol at 20 C; None where that is not known. The
    targets belong to the other convention, and are not held against it."""
    told = latest.get((vessel, "alcohol")) or latest.get((None, "alcohol"))
    alcohol = None if told is None else number(told.value)
    if alcohol is None:
        return None
    try:
        basis = sulfur.of_the_wine(alcohol, Decimal(20))
    except OutsideTable:
        return None
    value = sulfur.computed(computed.free, computed.ph, basis).value
    return {
        "value": str(value.quantize(_THOUSANDTH, "ROUND_DOWN")),
        "pka": str(basis.pka.quantize(_THOUSANDTH)),
        "convention": basis.convention,
    }


def _potential(lot: Lot, one: Value) -> Row:
    """The potential alcohol of a must that does not ferment yet, by the instrument on record."""
    there = lot.contents()
    holdings = [there.get(one.vessel)] if one.vessel else list(there.values())
    young = all(
        held is not None and held.ferment is None and held.state in ("juice", "must")
        for held in holdings
    )
    reading = number(one.value)
    if one.quantity != "brix" or not young or reading is None or one.instrument is None:
        return {}
    try:
        found = sugar.potential(reading, one.instrument)
    except OutsideTable:
        return {}
    return {
        "potential_alcohol": str(found.alcohol),
        "sugar_g_l": f"{found.sugar_g_l.normalize():f}",
    }


def _litres(lot: Lot, vessel: str | None, apart: Collection[str | None]) -> Decimal:
    """What a value stands for: a vessel, or the lot without the vessels measured on their own."""
    if vessel is not None:
        holding = lot.holdings.get(vessel)
        return Decimal(text(0 if holding is None else holding.amount))
    rest = [holding.amount for name, holding in lot.holdings.items() if name not in apart]
    return Decimal(text(sum(rest)))


def _to_add(view: View, lot: Lot, litres: Decimal, computed: sulfur.Molecular) -> Row:
    """What the style's target asks for, and what would have to be added for it."""
    style = style_of(view, lot)
    target = _TARGETS.get(style or "") or (sulfur.WHITE if style in _WHITE else None)
    if target is None or lot.sort == BOTTLES:
        return {"target": None}
    needed = sulfur.needed(target, computed.ph).value
    dose = sulfur.addition(litres, computed.free, needed)
    return {
        "target": str(target),
        "for_l": f"{litres:f}",
        "needed_free": str(needed.quantize(_TENTH, "ROUND_UP")),
        "add_so2_g": str(dose.so2_g.quantize(_TENTH, "ROUND_UP")),
        "add_metabisulfite_g": str(dose.metabisulfite_g.quantize(_TENTH, "ROUND_UP")),
    }
