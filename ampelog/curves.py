"""The fermentations that a wine came through, as they were read: sugar and temperature by day."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction

from msgspec import Struct

from ampelog import fermenting, moments
from ampelog.genealogy import BITS, Passage
from ampelog.measurements import Taken
from ampelog.phrases import regime
from ampelog.quantities import floor_text
from ampelog.questions import View
from ampelog.story import Curve, Point, Worked
from ampelog.tracing import printed
from ampelog.trail import Effect

_EXACT = Context(prec=30, rounding=ROUND_HALF_EVEN)
_TENTH = Decimal("0.1")
Where = tuple[str, str | None]
"""Lot and vessel."""


class _Begun(Struct, frozen=True):
    """An alcoholic fermentation in a holding: the events that began and changed it."""

    starts: tuple[Taken, ...]
    share: int


def curves(view: View, passages: Iterable[Passage], effects: Iterable[Effect]) -> tuple[Curve, ...]:
    """A curve for each holding in which wine that took these passages fermented and was read, the
    most first."""
    told = _taken(effects)
    begun = _begun(view, passages, told)
    found = [
        curve
        for (name, vessel), one in begun.items()
        if (curve := _curve(view, (name, vessel), one, told.get(name, []))) is not None
    ]
    return tuple(sorted(found, key=lambda one: (-Fraction(one.share), one.lot, one.vessel or "")))


def _taken(effects: Iterable[Effect]) -> dict[str, list[Taken]]:
    """Readings, analyses and fermentation events, by lot."""
    found: dict[str, list[Taken]] = {}
    for one in effects:
        if one.event["kind"] in ("reading", "ferment"):
            taken = Taken(one.instant, one.position, dict(one.event))
            found.setdefault(str(one.event["lot"]), []).append(taken)
    return found


def _begun(
    view: View, passages: Iterable[Passage], told: dict[str, list[Taken]]
) -> dict[Where, _Begun]:
    """The fermentations that the wine passed through, by lot and vessel, with what of it did."""
    stretches = view.ferments()
    found: dict[Where, _Begun] = {}
    for passage in passages:
        for number, amount in passage.ferments.items():
            one = stretches[number]
            where = (one.lot, one.vessel)
            starts = tuple(
                each
                for each in told.get(one.lot, [])
                if each.position == one.position and each.event["kind"] == "ferment"
            )
            known = found.get(where, _Begun((), 0))
            every = {each.position: each for each in (*known.starts, *starts)}
            # the same wine passes through every stretch of a fermentation: the most, not the sum
            found[where] = _Begun(tuple(every.values()), max(known.share, amount))
    return found


def _curve(view: View, where: Where, begun: _Begun, events: Sequence[Taken]) -> Curve | None:
    """One fermentation; None where it was never read."""
    lot, vessel = where
    if not begun.starts:
        return None
    starts = sorted(begun.starts, key=lambda one: one.order)
    began = starts[0].instant
    # what was read of the must before its yeast shows where the curve comes from
    read = [one for one in events if one.instant >= began - 2 * moments.DAY]
    brix = [
        Point(_days(one.reading.taken.instant - began), str(one.brix))
        for one in fermenting.points(view, read, vessel, view.day)
    ]
    celsius = [
        Point(_days(one.taken.instant - began), str(found.quantize(_TENTH, context=_EXACT)))
        for one in fermenting.values_of(read, vessel, "temperature")
        if (found := fermenting.celsius(one.value)) is not None
    ]
    if not brix:
        return None
    return Curve(
        lot=lot,
        vessel=vessel,
        share=printed(min(begun.share, 1 << BITS)),
        started_on=moments.day(began, view.zone).isoformat(),
        organism=next((one.event["organism"] for one in starts if one.event.get("organism")), None),
        worked=_worked(starts, began),
        brix=tuple(brix),
        celsius=tuple(celsius),
    )


def _worked(starts: Sequence[Taken], began: int) -> tuple[Worked, ...]:
    """How the cap was worked, from which day on."""
    return tuple(
        Worked(_days(one.instant - began), regime(one.event["regime"], noted=False))
        for one in starts
        if one.event.get("regime")
    )


def _days(span: int) -> str:
    """Days to the hundredth, down to the earlier."""
    before = span < 0
    text = floor_text(Fraction(abs(span), moments.DAY), 2)
    return f"-{text}" if before and Fraction(text) else text
