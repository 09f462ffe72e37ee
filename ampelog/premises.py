"""Where a wine was made and where it has been: the premises, from the events.

With one premises everything stands there, and only what came in from elsewhere was elsewhere. With
several the events are replayed once more, and a body of wine is told apart wherever its vessel was
moved to other premises while it lay in it, and wherever it came back from outside: what then leads
to the bottle went through there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

from ampelog import moments
from ampelog.graph import Ferment, Graph
from ampelog.questions import View
from ampelog.registers import Registers
from ampelog.shares import Stay
from ampelog.sources import came_as
from ampelog.standing import Standing
from ampelog.state import BOTTLES, MASS, Lot
from ampelog.steps import Step

if TYPE_CHECKING:
    from ampelog.cellar import Cellar

_WINE = ("wine", "spirit", "concentrate", "bottled")
"""States in which what comes in was fermented, or made, by others."""


class Premises:
    """The premises of a cellar at an instant, and what stands at each."""

    def __init__(self, view: View, instant: int) -> None:
        self._view, self._instant = view, instant
        self._registers: Registers = view.cellar.registers
        self._standing = Standing(self._registers)
        self.home = self._standing.home
        self.names = [
            name
            for name in self._registers.names("premises")
            if self._registers.changes("premises", name)[0] <= instant
        ]
        self._used: dict[str, int] | None = None

    @cached_property
    def steps(self) -> list[Step]:
        """The events in force up to the question's day, in order of time."""
        until = self._view.until
        return [step for step in self._view.known if until is None or step.instant <= until]

    @property
    def alone(self) -> bool:
        """Whether there is one premises: then everything stands there."""
        return len(self.names) < 2

    def places(self, name: str) -> tuple[str, ...]:
        """The places that a premises is registered to lie in."""
        return tuple(self._registers.at("premises", name, self._instant).get("within") or ())

    @property
    def placed(self) -> bool:
        """Whether it is known of any premises where it lies."""
        return any(self.places(name) for name in self.names)

    def of(self, vessel: str | None, instant: int) -> str | None:
        """The premises of a vessel at an instant; None where nobody knows."""
        if self.alone:
            return self.home
        if self._used is None:
            self._used = _first_used(self.steps)
        used = self._used.get(vessel or "", instant)
        return self._standing.premises(vessel, used, instant)

    def fermented(self, ferment: Ferment | None) -> tuple[str, ...]:
        """The premises where wine may have been fermented: one where the events say so."""
        if self.alone or ferment is None:
            return tuple(self.names)
        told = self._view.events([ferment.position])[ferment.position]
        name = self.of(ferment.vessel, moments.instant(told["at"], self._view.zone))
        return (name,) if name is not None else tuple(self.names)

    def stayed(self, ferment: Ferment) -> bool:
        """Whether the lot was here while it fermented, as far as returns tell: it did not come back
        before a fermentation of which only the end is recorded, nor while one went on."""
        back = self._returned.get(ferment.lot, ())
        if not back:
            return True
        told = self._view.events([ferment.position])[ferment.position]
        at = moments.instant(told["at"], self._view.zone)
        if told["kind"] == "gauge" or told["stage"] == "end":
            return all(one > at for one, _ in back)
        over = (
            when
            for when, one in self._fermented.get(ferment.lot, ())
            if when > at and (one.get("stage") == "end" or one.get("reason") == "produced")
        )
        until = min(over, default=None)
        return all(one <= at or (until is not None and one > until) for one, _ in back)

    @cached_property
    def _returned(self) -> dict[str, list[tuple[int, dict[str, Any]]]]:
        return self._by_lot("return")

    @cached_property
    def _fermented(self) -> dict[str, list[tuple[int, dict[str, Any]]]]:
        return self._by_lot("ferment", "gauge")

    def _by_lot(self, *kinds: str) -> dict[str, list[tuple[int, dict[str, Any]]]]:
        """The events of some kinds by their lot, with their instants."""
        found: dict[str, list[tuple[int, dict[str, Any]]]] = {}
        for one in self._view.said(kinds).values():
            told = (moments.instant(one["at"], self._view.zone), one)
            found.setdefault(one["lot"], []).append(told)
        return found

    def filled(self, lot: Lot, fill: int | None) -> str | None:
        """Where bottles of a fill (its node) were filled; of a bulk lot, where all of it lies now.
        None where nobody knows, or where that was at several premises."""
        if self.alone:
            return self.home
        if fill is None:
            found = {self.of(vessel, self._instant) for vessel in lot.holdings or lot.last}
        else:
            position = self._view.positions([fill])[fill]
            bottled = self._view.events([position])[position]
            instant = moments.instant(bottled["at"], self._view.zone)
            found = {self.of(vessel, instant) for vessel in self._drawn_from(fill)}
        return found.pop() if len(found) == 1 else None

    def _drawn_from(self, fill: int) -> Iterator[str | None]:
        """The vessels that a fill was drawn from."""
        known = self._view.genealogy([(fill, 1)], labels=True)
        ahead = [parent for parent, _ in known.parents[fill]]
        while ahead:
            node = ahead.pop()
            lot, vessel = known.labels[node]
            if lot is None:
                ahead += [parent for parent, _ in known.parents[node]]
            else:
                yield vessel


def made_elsewhere(event: Mapping[str, Any]) -> bool:
    """Whether what a receipt brought in had been fermented already, or been made of wine."""
    return event["kind"] == "receive" and came_as(event) in _WINE


def _first_used(steps: Iterable[Step]) -> dict[str, int]:
    """When each vessel was first named by something that happened in it."""
    found: dict[str, int] = {}
    for step in steps:
        if step.event["kind"] not in ("vessel", "lot"):
            for name in _vessels(step.event):
                found.setdefault(name, step.instant)
    return found


def _vessels(event: dict[str, Any]) -> Iterator[str]:
    ends = [event]
    for side in ("from", "to"):
        there = event.get(side)
        ends += [end for end in (there if isinstance(there, list) else [there]) if end]
    for end in ends:
        if isinstance(end, dict):
            yield from filter(None, [end.get("vessel"), *(end.get("vessels") or ())])


def stays(view: View, lot: Lot, instant: int) -> dict[int | None, Stay]:
    """Where the wine of a lot has been: by the position of each fill, of a bulk lot under None."""
    premises = Premises(view, instant)
    steps = premises.steps
    cellar = _replayed(view, steps, view.known)
    by_position = {step.position: step for step in steps}
    there = cellar.lots[lot.name]
    found: dict[int | None, Stay] = {}
    if there.sort == BOTTLES:
        nodes = {node for held in there.contents().values() for node, _ in held.parts}
        for node in nodes:
            position = cellar.graph.nodes[node].position
            found[position] = _Walk(cellar.graph, by_position, premises).stay([node], ())
    else:
        nodes = {node for each in there.contents().values() for node, _ in each.parts}
        here = [(vessel, instant) for vessel in there.holdings]
        found[None] = _Walk(cellar.graph, by_position, premises).stay(sorted(nodes), here)
    return found


def _replayed(view: View, steps: list[Step], known: list[Step]) -> Cellar:
    """The events once more, with a body told apart where its vessel was moved or it came back."""
    from ampelog.cellar import Cellar
    from ampelog.kinds import APPLY
    from ampelog.replay import registered, watched

    cellar = Cellar(view.zone, registered(known))
    cellar.holds.watched = watched(steps)
    for step in steps:
        APPLY[step.event["kind"]](cellar, step)
        if step.event["kind"] == "vessel" and "premises" in step.event:
            lot = cellar.lots.get(cellar.vessels.get(step.event["name"]) or "")
            _told_apart(cellar, step, [lot] if lot else [], step.event["name"])
        elif step.event["kind"] == "return":
            _told_apart(cellar, step, [cellar.lots[step.event["lot"]]], step.event.get("vessel"))
    return cellar


def _told_apart(cellar: Cellar, step: Step, lots: list[Lot], vessel: str | None) -> None:
    from ampelog.movement import close

    for lot in lots:
        for name in lot.holdings if vessel is None else [vessel]:
            if name in lot.holdings and lot.sort not in (BOTTLES, MASS):
                close(cellar, step, lot, name, force=True)


class _Walk:
    """From the bottle back to the crush, with where each body lay."""

    def __init__(self, graph: Graph, steps: dict[int, Step], premises: Premises) -> None:
        self._nodes, self._steps, self._premises = graph.nodes, steps, premises
        self._at: dict[str | None, tuple[int, str | None]] = {}
        self._left: dict[str, str | None] = {}
        self._through: dict[str, None] = {}

    def stay(self, nodes: list[int], here: Iterable[tuple[str | None, int]]) -> Stay:
        """The stay of wine in these nodes, which lies in these vessels now."""
        for vessel, instant in here:
            self._lay(vessel, instant, 0)
        ahead, seen = list(nodes), set(nodes)
        while ahead:
            node = self._nodes[ahead.pop()]
            step = self._steps[node.position]
            self._through[step.id] = None
            if not node.parents:
                self._source(step)
                continue
            if node.lot is not None and not self._bottles(node.lot, step):
                self._lay(node.vessel, step.instant, node.position)
                if step.event["kind"] == "return":
                    self._left[f"It left the premises and came back: {step.where}."] = step.id
            if node.mass and node.volume:
                continue  # the crush or press: what was before it was fruit
            for parent, _ in node.parents:
                if parent not in seen:
                    seen.add(parent)
                    ahead.append(parent)
        return self._told()

    def _source(self, step: Step) -> None:
        if step.event["kind"] == "receive":
            came = f"`{step.event['lot']}` came in as {came_as(step.event)}: {step.where}."
            self._left[came] = step.id

    def _bottles(self, lot: str, step: Step) -> bool:
        return step.event["kind"] == "bottle" and lot in {
            end.get("lot") for end in _ends(step.event, "to")
        }

    def _lay(self, vessel: str | None, instant: int, position: int) -> None:
        name = self._premises.of(vessel, instant)
        self._at.setdefault(name, (position, vessel))

    def _told(self) -> Stay:
        known = [name for name in self._at if name is not None]
        unknown = None
        if None in self._at:
            position, vessel = self._at[None]
            where = f" ({self._steps[position].where})" if position in self._steps else ""
            unknown = f"Where `{vessel}` stands is not registered{where}."
        home = self._premises.home
        if home not in known:
            home = known[0] if known else None
        for name in known:
            if name != home:
                position, vessel = self._at[name]
                step = self._steps.get(position)
                where = step.where if step is not None else "it lies there"
                said = f"in `{vessel}` " if vessel else ""
                there = f"It lay {said}at {name}, away from {home}: {where}."
                self._left[there] = step.id if step is not None else None
        places = self._premises.places(home) if home is not None else ()
        broke = dict.fromkeys(filter(None, self._left.values()))
        events = tuple(broke if self._left else self._through)
        return Stay(places, tuple(self._left), unknown, events)


def _ends(event: dict[str, Any], side: str) -> list[dict[str, Any]]:
    there = event.get(side, event)
    return [end for end in (there if isinstance(there, list) else [there]) if isinstance(end, dict)]
