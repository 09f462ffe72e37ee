"""What the records of a cellar say of yields, losses and evaporation, beside the published bands.

The events happen once more in an empty cellar and are looked at: each crush and press of fruit,
each lot of must once it is pressed to the end, what each lot lost with lees, filters and bottling,
and what each barrel took in a year of topping. What lies outside is a finding, never a refusal, and
so is a wine whose alcohol does not go with the Brix of its picks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from msgspec import Struct

from ampelog import history, moments
from ampelog.analysed import of_fills, of_wines
from ampelog.cellar import Cellar
from ampelog.errors import Finding
from ampelog.movement import Draw, draws, fills
from ampelog.phrases import several
from ampelog.published import EXACT
from ampelog.quantities import floor_text
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.state import MASS, UNITS, VOLUME, Lot, Tally
from ampelog.steps import Step
from ampelog.sugar import alcohol_says
from ampelog.told import unfolded
from ampelog.yields import (
    BOTTLING,
    DOUBTFUL,
    FILTER,
    LEES,
    MUST,
    UNUSUAL,
    WINE,
    Judged,
    evaporation_says,
    loss_says,
    yield_says,
)

BARRELS = frozenset({"barrel", "barrique", "hogshead", "puncheon", "demi-muid", "pipe"})
"""Types of vessels whose wine evaporates through wood."""
LEAST_DAYS = 90
"""A shorter stretch of topping says nothing of a year (a proposal)."""
LEAST_KNOWN = Decimal("0.95")
"""How much of a must has to come from weighed fruit for its yield to be told, and of a wine from
picks with a Brix (a proposal)."""
_YEAR = 365
_LOSSES = {"lees": LEES, "filter": FILTER, "bottle": BOTTLING}
"""Reasons in a lot's book, and the quantity that has a band."""
_FILLS_BARRELS = ("rack", "barrel_down", "blend", "press")
_HUNDREDTH = Decimal("0.01")


class Plausible(Struct, frozen=True):
    """One figure of the records beside its band. ``event`` is the id of the event that decided it,
    None for what a whole book or year says; ``vessels`` are barrels that took alike."""

    lot: str
    judged: Judged
    day: date
    event: str | None = None
    vessels: tuple[str, ...] = ()

    def row(self) -> dict[str, Any]:
        """As a row of a list: decimal strings, the unit beside them, and the band's source."""
        judged, band = self.judged, self.judged.band
        return {
            "lot": self.lot,
            "event": self.event,
            "day": self.day.isoformat(),
            "vessels": list(self.vessels),
            "quantity": judged.quantity,
            "value": floor_text(judged.value, 3),
            "unit": band.unit,
            "low": floor_text(band.low, 1),
            "high": floor_text(band.high, 1),
            "verdict": judged.verdict,
            "source": band.source,
            "confidence": band.confidence,
            "proposal": band.proposal,
        }


class _Stay(Struct):
    """A barrel since it was filled, and what it took in each year of the stay."""

    since: int
    topped: dict[int, int]
    last: dict[int, int]
    lot: str = ""


def plausible(view: View) -> list[Plausible]:
    """All figures of the cellar that have a band, in order of day and lot."""
    watch = _Watch(view.beginning())
    with history.still():
        for step in view.steps:
            watch.follow(step)
    found = [*watch.yields, *watch.pressed.values(), *watch.topped(), *_lost(watch.cellar, view)]
    return sorted(found, key=lambda one: (one.day, one.lot, one.judged.quantity, one.vessels))


def findings(figures: Iterable[Plausible], *, unusual: bool = False) -> list[Finding]:
    """Findings of what is doubtful; with ``unusual`` of what lies outside its own band as well."""
    wanted = (DOUBTFUL, UNUSUAL) if unusual else (DOUBTFUL,)
    return [_finding(one) for one in figures if one.judged.verdict in wanted]


def _finding(one: Plausible) -> Finding:
    where = f"`{one.lot}`"
    if one.vessels:
        more = f" and {len(one.vessels) - 1} more" if len(one.vessels) > 1 else ""
        where = f"`{one.lot}` in `{one.vessels[0]}`{more}"
    return Finding(
        f"{one.judged.verdict} {one.judged.quantity}",
        where,
        f"{where}, {one.day}: {one.judged.says}",
        hint="look at the quantities of this lot again; nothing is refused for it",
        event=one.event,
        lot=one.lot,
    )


def alcohols(view: View) -> list[Finding]:
    """Findings of the wines held whose latest alcohol does not go with the Brix of their picks.

    Only where nearly all of a wine comes from picks whose Brix is recorded (``LEAST_KNOWN``).
    """
    found = []
    analysed = _analysed(view)
    lots = [lot for lot in view.held_lots() if lot.sort != MASS and lot.name in analysed]
    view.foresee(lots)
    alcohol = _alcohol(view, lots)
    for lot in lots:
        stated = alcohol.get(lot.name)
        sugar = _harvest_brix(view, lot) if stated and not stated.startswith("<") else None
        if stated is not None and sugar is not None:
            found.append(alcohol_says(Decimal(stated), sugar, f"`{lot.name}`", lot.name))
    return [one for one in found if one is not None]


def _alcohol(view: View, lots: Sequence[Lot]) -> dict[str, str]:
    """The alcohol that was found in lots, where it is one; by their names."""
    each = {name: [one] for name, one in of_wines(view, lots).items()}
    each |= {name: list(fills.values()) for name, fills in of_fills(view, lots).items()}
    found = {name: {one.values.get("alcohol") for one in known} for name, known in each.items()}
    return {
        name: value
        for name, values in found.items()
        if len(values) == 1 and (value := values.pop()) is not None
    }


def _analysed(view: View) -> set[str]:
    """The lots of which alcohol may be known: it was found in them, or in what they were bottled
    from."""
    analyses = view.said(("analysis",), '"alcohol"').values()
    found = {str(event.get("lot")) for event in analyses}
    if found:
        for event in map(unfolded, view.said(("bottle",)).values()):
            if not found.isdisjoint(str(end.get("lot")) for end in several(event["from"])):
                found.update(str(end.get("lot")) for end in several(event["to"]))
    return found


def _harvest_brix(view: View, lot: Lot) -> Decimal | None:
    """The mean Brix at picking of what a lot is made of, to 0.01; None where too little has one."""
    shares = view.composition(lot).rows(lambda leaf: (leaf.position, leaf.kind))
    picks = {position for (position, kind), _ in shares if kind == "pick"}
    events = view.events(picks)
    total = known = Decimal(0)
    for (position, _), share in shares:
        brix = events[position].get("brix") if position in picks else None
        if brix is not None:
            known = EXACT.add(known, Decimal(share))
            total = EXACT.fma(Decimal(share), Decimal(brix), total)
    if known < LEAST_KNOWN:
        return None
    return EXACT.divide(total, known).quantize(_HUNDREDTH, ROUND_HALF_EVEN, EXACT)


class _Watch:
    """The cellar while its events happen once more, and what was seen."""

    def __init__(self, cellar: Cellar) -> None:
        self.cellar = cellar
        self.yields: list[Plausible] = []
        self.pressed: dict[str, Plausible] = {}
        """By lot of must: the figure of its last press, which counts all before."""
        self._drained: set[str] = set()
        """Lots that a press of other lots filled."""
        self._stays: dict[str, _Stay] = {}
        self._ended: list[tuple[str, _Stay]] = []
        self._weights: dict[int, tuple[Decimal, Decimal]] = {}

    def follow(self, step: Step) -> None:
        """Let a step happen, and look at it."""
        kind = step.event["kind"]
        drawn: list[Draw] = []
        if kind in ("crush", "press"):
            drawn = draws(self.cellar, step.model.from_, step)
        if drawn and drawn[0].lot.sort != MASS:
            whole = self._whole(drawn)
            apply(self.cellar, [step])
            self._see_must(step, whole)
            names = {draw.lot.name for draw in drawn}
            self._drained |= {fill.lot for fill in _outputs(step)} - names
        else:
            if drawn and all(draw.holding.state == "grapes" for draw in drawn):
                self._see_fruit(step, drawn)
            apply(self.cellar, [step])
        if kind == "top":
            self._top(step)
        elif kind in _FILLS_BARRELS:
            self._fill(step)

    # Yields

    def _see_fruit(self, step: Step, drawn: list[Draw]) -> None:
        wine = [fill for fill in _outputs(step) if fill.sort == VOLUME]
        volume, mass = sum(fill.amount for fill in wine), sum(draw.amount for draw in drawn)
        if not volume:
            return
        lot = wine[0].lot
        quantity = MUST if step.event["kind"] == "crush" else WINE
        judged = yield_says(volume, mass, self._style(lot, step.instant), quantity)
        self.yields.append(Plausible(lot, judged, self._day(step.instant), step.id))

    def _whole(self, drawn: list[Draw]) -> dict[str, tuple[Decimal, Decimal]]:
        """Of the lots that are pressed to the end: kg of fruit in a litre, and how much is known.

        What is left to press could still give wine; its yield is told when it is pressed. A lot
        that took in pressed wine of another is no measure: litres of its pomace are not of fruit.
        """
        found = {}
        for lot in {draw.lot.name: draw.lot for draw in drawn}.values():
            own = [draw for draw in drawn if draw.lot is lot]
            if sum(draw.amount for draw in own) != lot.amount or lot.name in self._drained:
                continue
            parts = [part for draw in own for part in draw.holding.parts]
            found[lot.name] = self._mixed(parts)
        return found

    def _see_must(self, step: Step, whole: dict[str, tuple[Decimal, Decimal]]) -> None:
        """The yield of must pressed to the end: all that came into the lot, less its pomace."""
        outputs = [fill.lot for fill in _outputs(step) if fill.sort == VOLUME]
        for name, (weight, known) in whole.items():
            tally = self.cellar.lots[name].tally(VOLUME)
            mass = int(EXACT.multiply(Decimal(tally.into), weight))
            if known < LEAST_KNOWN or not mass:
                self.pressed.pop(name, None)
                continue
            style = self._style(name, step.instant)
            for other in outputs:
                style = style or self._style(other, step.instant)
            wine = int(EXACT.multiply(Decimal(tally.into - tally.pomace), known))
            judged = yield_says(wine, mass, style)
            self.pressed[name] = Plausible(name, judged, self._day(step.instant), step.id)

    def _weight(self, node: int) -> tuple[Decimal, Decimal]:
        """Kilograms of weighed fruit behind a litre of a node, and the part of it that has any."""
        ahead = [node]
        nodes, weights = self.cellar.graph.nodes, self._weights
        while ahead:
            one = ahead[-1]
            body = nodes[one]
            if body.mass and body.volume:
                weights[one] = (
                    EXACT.divide(Decimal(body.mass), Decimal(body.volume)),
                    Decimal(1),
                )
            elif not body.parents:
                weights[one] = (Decimal(0), Decimal(0))
            missing = [parent for parent, _ in body.parents if parent not in weights]
            if one not in weights and missing:
                ahead += missing
                continue
            if one not in weights:
                weights[one] = self._mean(body.parents)
            ahead.pop()
        return weights[node]

    def _mixed(self, parts: Iterable[tuple[int, int]]) -> tuple[Decimal, Decimal]:
        there = list(parts)
        for node, _ in there:
            self._weight(node)
        return self._mean(there)

    def _mean(self, parts: Iterable[tuple[int, int]]) -> tuple[Decimal, Decimal]:
        mass = known = Decimal(0)
        total = 0
        for node, amount in parts:
            weight, share = self._weights[node]
            mass = EXACT.fma(weight, amount, mass)
            known = EXACT.fma(share, amount, known)
            total += amount
        return EXACT.divide(mass, total), EXACT.divide(known, total)

    # Barrels

    def _top(self, step: Step) -> None:
        for fill in fills(step.model.to):
            for vessel, amount in zip(fill.vessels, fill.amounts, strict=True):
                stay = self._stays.get(vessel) if vessel is not None else None
                if stay is None:
                    continue
                year = (step.instant - stay.since) // (_YEAR * moments.DAY)
                stay.lot = fill.lot
                stay.topped[year] = stay.topped.get(year, 0) + amount
                stay.last[year] = step.instant

    def _fill(self, step: Step) -> None:
        """What is filled by more than topping begins its stay anew."""
        for fill in _outputs(step):
            for vessel in fill.vessels:
                if vessel is None or not self._is_barrel(vessel, step.instant):
                    continue
                before = self._stays.pop(vessel, None)
                if before is not None and before.topped:
                    self._ended.append((vessel, before))
                self._stays[vessel] = _Stay(step.instant, {}, {}, fill.lot)

    def topped(self) -> Iterator[Plausible]:
        """A figure for each year of topping, barrels that took alike together."""
        alike: dict[tuple[str, int, int, int, int], list[str]] = {}
        for vessel, stay in [*self._ended, *self._stays.items()]:
            for year, amount in stay.topped.items():
                begun = stay.since + year * _YEAR * moments.DAY
                days = _YEAR
                if year == max(stay.topped):
                    days = (stay.last[year] - begun) // moments.DAY
                capacity = self.cellar.capacity(vessel, stay.last[year])
                if capacity and days >= LEAST_DAYS:
                    key = (stay.lot, stay.last[year], amount, capacity, days)
                    alike.setdefault(key, []).append(vessel)
        for (lot, last, amount, capacity, days), vessels in alike.items():
            judged = evaporation_says(amount, capacity, days)
            yield Plausible(lot, judged, self._day(last), vessels=tuple(sorted(vessels)))

    def _is_barrel(self, vessel: str, instant: int) -> bool:
        return self.cellar.registers.at("vessel", vessel, instant).get("type") in BARRELS

    def _style(self, lot: str, instant: int) -> str | None:
        """The style that a lot is meant for: its own, else its label's."""
        registers = self.cellar.registers
        known = registers.at("lot", lot, instant)
        if known.get("style") is not None:
            return str(known["style"])
        label = known.get("label")
        style = registers.at("label", label, instant).get("style") if label else None
        return None if style is None else str(style)

    def _day(self, instant: int) -> date:
        return moments.day(instant, self.cellar.zone)


def _outputs(step: Step) -> list[Any]:
    return fills(end for end in step.model.to if end.lot is not None)


def _lost(cellar: Cellar, view: View) -> Iterator[Plausible]:
    """What each lot lost for reasons that have a band, of all that it ever held."""
    for lot in cellar.lots.values():
        tally = lot.tallies.get(UNITS[VOLUME], Tally())
        of = tally.into + tally.gained
        for reason, quantity in _LOSSES.items():
            lost = tally.lost.get(reason, 0)
            if lost and of:
                yield Plausible(lot.name, loss_says(quantity, lost, of), view.day)
