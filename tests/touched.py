"""An independent recall: the oracle's cellar, with what an origin touched read off its graph.

Written from EVENTS.md; it shares no code with the package. Bodies are marked where they lie in the
origin's lot or vessel in its time, or where they took in a marked material; what is reached from
there is networkx's to say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import networkx as nx

from tests.oracles import Body, Cellar, Event, Lot, Place


@dataclass(frozen=True)
class Marks:
    """What is marked: sources by event id, a lot, a vessel, a material lot; a time for the last."""

    sources: frozenset[str] = frozenset()
    lot: str | None = None
    vessel: str | None = None
    material: str | None = None
    since: str = ""
    until: str = "9999"


class Touched(Cellar):
    """A cellar that remembers which bodies were ever in each lot, and what each shipment took."""

    def __init__(self, of: Cellar, marks: Marks) -> None:
        super().__init__(of.capacities, of.plantings)
        self.marks = marks
        self.marked: set[int] = set()
        self.ever: dict[str, set[int]] = {}
        """By lot: the nodes of all bottles that it ever held."""
        self.sent: dict[str, tuple[str, str, set[int]]] = {}
        """By id of a `ship`: the lot, its sort, the nodes drawn."""
        self._begun = False

    def run(self, events: list[Event]) -> Touched:
        """All events in order; returns itself."""
        for event in events:
            if event["at"] >= self.marks.since and not self._begun:
                self._begun = True
                self._mark_places()
            count = len(self.parents)
            self.apply(event)
            if self._begun and event["at"] <= self.marks.until:
                self._mark_places()
            self._mark_uses(event, count)
            for name, lot in self.lots.items():
                if lot.holdings and lot.sort == "bottles":
                    self.ever.setdefault(name, set()).update(body.node for body in lot.bodies())
        if not self._begun:
            self._mark_places()
        return self

    def _mark_places(self) -> None:
        """Everything that lies in the lot or vessel becomes bodies of their own, marked."""
        for name, lot in self.lots.items():
            for vessel, fills in lot.holdings.items():
                lies = vessel is not None and vessel == self.marks.vessel
                if name == self.marks.lot or lies:
                    for body in fills.values():
                        self._mark(body)

    def _mark(self, body: Body) -> None:
        if body.node not in self.marked:
            body.node = self._node((body.node, body.amount))
            self.marked.add(body.node)

    def _mark_uses(self, event: Event, count: int) -> None:
        used = [one.get("lot") for one in event.get("materials") or ()]
        if self.marks.material is None or self.marks.material not in used:
            return
        if event["kind"] in ("treat", "ferment"):
            lot = self.lots[event["lot"]]
            for vessel in self._holdings(lot, event):
                for body in lot.holdings[vessel].values():
                    self._mark(body)
            return
        for end in event["to"]:  # bodies that the bottling or packing made
            for body in self._in(self.lots[end["lot"]], end.get("vessel")):
                if body.node >= count:
                    self._mark(body)

    @staticmethod
    def _in(lot: Lot, vessel: Place) -> Iterator[Body]:
        yield from lot.holdings.get(vessel, {}).values()

    def _ship(self, event: Event) -> None:
        super()._ship(event)
        lot = self.lots[event["from"]["lot"]]
        drawn = {body.node for _, body in lot.shipped[-1][3]}
        self.sent[event["id"]] = (event["from"]["lot"], lot.shipped[-1][1], drawn)

    # Asking

    def reached(self) -> set[int]:
        """Every node that any of the origin came to (networkx)."""
        graph = nx.DiGraph()
        graph.add_nodes_from(range(len(self.parents)))
        for node, parents in enumerate(self.parents):
            graph.add_edges_from((parent, node) for parent, _ in parents)
        begun = {n for n, event in self.sources.items() if event in self.marks.sources}
        found = begun | self.marked
        for node in list(found):
            found |= nx.descendants(graph, node)
        return found

    def answer(self) -> dict[str, Any]:
        """What a recall must find: lots of bottles, shipments, bottles and bulk still here."""
        there = self.reached()

        def held(lot: Lot, counts: Callable[[Lot], bool]) -> dict[Place, int]:
            if not counts(lot):
                return {}
            each = {
                vessel: sum(body.amount for body in fills.values() if body.node in there)
                for vessel, fills in lot.holdings.items()
            }
            return {vessel: amount for vessel, amount in each.items() if amount}

        bottled = {n: held(lot, lambda one: one.sort == "bottles") for n, lot in self.lots.items()}
        bulk = {n: held(lot, lambda one: one.sort != "bottles") for n, lot in self.lots.items()}
        return {
            "lots": {name for name, nodes in self.ever.items() if nodes & there},
            "shipped": {
                event: sort == "bottles" for event, (_, sort, nodes) in self.sent.items()
                if nodes & there
            },
            "in_stock": {name: each for name, each in bottled.items() if each},
            "bulk": {name: each for name, each in bulk.items() if each},
        }  # fmt: skip
