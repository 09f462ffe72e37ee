"""What analyses say of a wine, or of each fill of bottles: what was found in that very wine.

An analysis follows the wine (``biography``). Where the wine was changed since in a way that bears
on what was found, or only a part of it was analysed, nothing is known, and it is said why. Bottles
do not change: what was found in a lot of them is of every fill that lay in it then.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct, field

from ampelog import history, moments
from ampelog.biography import (
    ADDS_NOTHING,
    REFERMENTATION,
    Body,
    Change,
    Measured,
    Telling,
    biographies,
    quantities,
)
from ampelog.composing import fills_of
from ampelog.excerpt import alone, ends, filled, vessels_at
from ampelog.gates import table
from ampelog.movement import draws
from ampelog.questions import View
from ampelog.state import BOTTLES, VOLUME, Lot
from ampelog.steps import Step

Order = tuple[int, int]
"""An event's instant and position."""
Found = tuple[Order, dict[str, Any]]


class Analysed(Struct, frozen=True):
    """The latest value of each quantity, as recorded; for those of which none stands, the ``why``;
    the ``events`` that found them."""

    values: Mapping[str, str] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    events: Mapping[str, str] = field(default_factory=dict)

    def later(self, found: Iterable[dict[str, Any]]) -> Analysed:
        """With what later analyses found, in order of time."""
        values, why, events = dict(self.values), dict(self.why), dict(self.events)
        for one in found:
            for name, value in quantities(one):
                values[name], events[name] = value, one["id"]
                why.pop(name, None)
        return Analysed(values, why, events)


def of_wines(view: View, lots: Sequence[Lot]) -> dict[str, Analysed]:
    """What is known of the wine that lots hold, or last held, by their names."""
    wines = [lot for lot in lots if lot.sort == VOLUME]
    known = biographies(view, {lot.name for lot in wines}, table()).bodies if wines else {}
    return {
        lot.name: _standing(view, {v: known.get((lot.name, v), Body()) for v in lot.contents()})
        for lot in wines
    }


def of_fills(view: View, lots: Sequence[Lot]) -> dict[str, dict[int, Analysed]]:
    """What is known of each fill of bottled lots, by their names and its node."""
    fills = {lot.name: view.positions(fills_of(lot)) for lot in lots if lot.sort == BOTTLES}
    if not fills:
        return {}
    drawn = _drawn(view, {at for positions in fills.values() for at in positions.values()})
    wines = {position: _standing(view, {None: body}) for position, body in drawn.items()}
    bottles = _Bottles(view)
    return {
        lot.name: {
            node: wines.get(position, Analysed()).later(bottles.of(lot, node, position))
            for node, position in fills[lot.name].items()
        }
        for lot in lots
        if lot.name in fills
    }


def of_lot(view: View, lot: Lot) -> list[Analysed]:
    """What is known of each fill of a lot of bottles, or of a lot of wine as one."""
    fills = of_fills(view, [lot]).get(lot.name)
    return [*fills.values()] if fills else [of_wines(view, [lot]).get(lot.name, Analysed())]


# The wine


class _Bottlings(Telling):
    """The story of wines up to their bottlings."""

    def bottled(self, step: Step) -> Body:
        """The wine that a bottling is about to draw, with what it adds: a closure adds nothing."""
        drawn = draws(self.cellar, step.model.from_, step)
        pool = self.pool([draw for draw in drawn if draw.lot.sort == VOLUME], step)
        for use in step.event.get("materials") or ():
            made = self.cellar.registers.at("material", use["material"], step.instant).get("is")
            says = f"{use['material']} went in at the bottling"
            for kind in self.table.kinds_of(" ".join([use["material"], *(made or ())])):
                voids = kind not in ADDS_NOTHING
                change = Change(kind, step.instant, step.position, step.id, says, voids)
                pool.changes += (change,)
        return pool


def _drawn(view: View, positions: Collection[int]) -> dict[int, Body]:
    """The wine that these bottlings drew, as it was known just then."""
    steps = [s for s in view.steps if s.position in positions and s.event["kind"] == "bottle"]
    if not steps:
        return {}
    story = alone(view.steps, set().union(*map(filled, steps)))
    telling = _Bottlings(view, table(), story.names)
    wanted, found = {step.position for step in steps}, {}
    with history.still():
        for step in story.steps:
            if step.position in wanted:
                found[step.position] = telling.bottled(step)
            telling.happen([step])
    return found


def _standing(view: View, bodies: Mapping[str | None, Body]) -> Analysed:
    """What stands of the analyses of the parts of one wine, by the vessels that they lie in."""
    values, why, events = {}, {}, {}
    for quantity in {name: None for body in bodies.values() for name in body.measured}:
        known = [body.measured.get(quantity) for body in bodies.values()]
        says = _open(view, quantity, bodies)
        found = {one.value: one for one in known if one is not None}
        if says is None and len(found) > 1:
            each = [f"{body.measured[quantity].value} in `{v}`" for v, body in bodies.items()]
            says = f"Its vessels were analysed apart: {', '.join(each[:4])}."
        if says is None:
            ((value, one),) = found.items()
            values[quantity], events[quantity] = value, one.event
        else:
            why[quantity] = says
    return Analysed(values, why, events)


def _open(view: View, quantity: str, bodies: Mapping[str | None, Body]) -> str | None:
    """Why what was found in a wine, or in parts of it, speaks for all of it no more; else None."""
    kinds = {kind for gate in table().gates if gate.quantity == quantity for kind in gate.void_by}
    for vessel, body in bodies.items():
        one = body.measured.get(quantity)
        if one is None:
            return f"What lies in `{vessel}` was not analysed."
        change = body.since(one, kinds | {REFERMENTATION})
        if change is not None:
            changed = moments.day(change.instant, view.zone)
            return f"{_found(view, one)} is void since {changed}: {change.says}."
    return None


def _found(view: View, one: Measured) -> str:
    return f"The analysis of {moments.day(one.instant, view.zone)} ({one.value})"


# In bottles


class _Bottles:
    """The analyses of bottles, in this lot or that, each read once."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._made: dict[str, list[Found]] = {}
        for position, event in view.said(("analysis",), until=view.ends).items():
            order = (moments.instant(event["at"], view.zone), position)
            self._made.setdefault(str(event.get("lot")), []).append((order, event))

    def of(self, lot: Lot, node: int, position: int) -> list[dict[str, Any]]:
        """Those of a fill's bottles, which a bottling made, in order of time."""
        found = dict(self._of(lot, node, self._order(position), None))
        return [found[order] for order in sorted(found)]

    def _of(self, lot: Lot, node: int, began: Order, until: Order | None) -> Iterator[Found]:
        """Those in this lot, and in the lots that the bottles came from as bottles."""
        for one in lot.took:
            came = self._order(one.position)
            late = until is not None and came >= until
            if late or all(part != node for part, _ in one.parts):
                continue
            event = self._view.events([one.position])[one.position]
            before = {str(end["lot"]) for end in (*ends(event, "from"), *ends(event, "of"))}
            for name in sorted(before - {lot.name}):
                yield from self._of(self._view.lot(name), node, began, came)
        for order, event in self._made.get(lot.name, ()):
            if began <= order and (until is None or order < until) and _of_all(event, lot):
                yield order, event

    def _order(self, position: int) -> Order:
        event = self._view.events([position])[position]
        return (moments.instant(event["at"], self._view.zone), position)


def _of_all(event: Mapping[str, Any], lot: Lot) -> bool:
    """Whether an analysis is of all that a lot holds."""
    named = vessels_at(event)
    return named == [None] or set(named) >= set(lot.contents())
