"""An independent cellar, written from EVENTS.md alone: fractions, and a graph with a node a fill.

It shares no code with the package. Every holding is a set of bodies (a liquid is one, bottles are
one for each fill); a body knows how much of it came from each source, as exact fractions, and its
node in a graph whose edges are the plain history of fills and draws. So a composition can be had
three ways: from the fractions, from a linear solve over the graph, and, for what is in it at all,
from reachability.

It trusts its events: what is unlawful ends in an error of Python's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import networkx as nx
import numpy as np
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import spsolve

Key = tuple[str, int, str | None]
"""A source: the event's id, the part of it, the role nearest the bottle."""
Event = dict[str, Any]
Place = str | None

UNIT = 10**12
"""Litres and kilograms are counted in units of 10^-12."""

# NIST Handbook 44, Appendix C: a gallon is 231 cubic inches of 2.54 cm, a pound 0.45359237 kg.
UNITS: dict[str, tuple[str, Fraction]] = {
    "L": ("volume", Fraction(1)),
    "hL": ("volume", Fraction(100)),
    "mL": ("volume", Fraction(1, 1000)),
    "gal": ("volume", 231 * Fraction("2.54") ** 3 / 1000),
    "kg": ("mass", Fraction(1)),
    "g": ("mass", Fraction(1, 1000)),
    "t": ("mass", Fraction(1000)),
    "lb": ("mass", Fraction("0.45359237")),
    "ton": ("mass", 2000 * Fraction("0.45359237")),
}


def units(text: str) -> int:
    """A quantity in units of 10^-12 of a litre or kilogram."""
    number, unit = text.split(" ")
    exact = Fraction(number) * UNITS[unit][1] * UNIT
    assert exact.denominator == 1, text
    return exact.numerator


def shared(total: int, weights: list[int]) -> list[int]:
    """Rounded down, the remainder one unit each to the first named."""
    parts = [total * weight // sum(weights) for weight in weights]
    for index in range(total - sum(parts)):
        parts[index] += 1
    return parts


@dataclass
class Body:
    """Something of one composition: ``parts`` are amounts by source and sum to ``amount``."""

    amount: int
    parts: dict[Key, Fraction]
    node: int

    def take(self, amount: int) -> Body:
        """So much of it, as a body of its own, and less of it here."""
        part = Fraction(amount, self.amount)
        taken = {key: of * part for key, of in self.parts.items()}
        self.parts = {key: of - taken[key] for key, of in self.parts.items()}
        self.amount -= amount
        return Body(amount, taken, self.node)

    def scaled(self, amount: int) -> Body:
        """The same composition in another amount."""
        by = Fraction(amount, self.amount)
        return Body(amount, {key: of * by for key, of in self.parts.items()}, self.node)


@dataclass
class Lot:
    """A lot: ``holdings`` are fills by vessel; of a liquid the one fill is 0."""

    sort: str = "volume"
    format: int = 0
    holdings: dict[Place, dict[int, Body]] = field(default_factory=dict)
    last: dict[Place, dict[int, Body]] = field(default_factory=dict)
    shipped: list[tuple[str | None, str, int, list[tuple[int, Body]]]] = field(default_factory=list)

    def held(self, vessel: Place) -> int:
        return sum(body.amount for body in self.holdings.get(vessel, {}).values())

    def bodies(self) -> list[Body]:
        contents = self.holdings or self.last
        return [body for fills in contents.values() for body in fills.values()]


class Cellar:
    """The cellar that some events have led to. ``plantings`` are shares by block."""

    def __init__(self, capacities: dict[str, int], plantings: dict[str, list[Fraction]]) -> None:
        self.capacities, self.plantings = capacities, plantings
        self.lots: dict[str, Lot] = {}
        self.parents: list[list[tuple[int, int]]] = []
        self.sources: dict[int, str] = {}
        self._fills = 0
        self._before: dict[str, dict[Place, dict[int, Body]]] = {}

    def apply(self, event: Event) -> None:
        """One event, which must come after all those applied before it."""
        self._before = {
            name: {
                vessel: {fill: Body(b.amount, dict(b.parts), b.node) for fill, b in fills.items()}
                for vessel, fills in lot.holdings.items()
            }
            for name, lot in self.lots.items()
            if lot.holdings
        }
        kind: str = event["kind"]
        handler: Callable[[Event], None] = getattr(self, f"_{kind}", self._nothing)
        handler(event)
        for name, before in self._before.items():
            if not self.lots[name].holdings:
                self.lots[name].last = before

    def _nothing(self, event: Event) -> None:
        """Registers, readings and what else moves nothing."""

    # The graph

    def _node(self, *parents: tuple[int, int], source: str | None = None) -> int:
        self.parents.append([(node, amount) for node, amount in parents if amount])
        number = len(self.parents) - 1
        if source is not None:
            self.sources[number] = source
        return number

    def _source(self, event: Event, amount: int, shares: list[Fraction], role: str | None) -> Body:
        parts: dict[Key, Fraction] = {
            (event["id"], index, role): share * amount
            for index, share in enumerate(shares)
            if share
        }
        return Body(amount, parts, self._node(source=event["id"]))

    # Drawing

    def _holdings(self, lot: Lot, end: Event) -> list[Place]:
        if "vessels" in end:
            return list(end["vessels"])
        return [end["vessel"]] if end.get("vessel") is not None else list(lot.holdings)

    def _quantities(self, lot: Lot, end: Event, even: bool) -> list[tuple[Place, int]]:
        """The holdings of an endpoint or target, each with its quantity."""
        vessels = self._holdings(lot, end)
        if end.get("all") or end.get("empty"):
            return [(vessel, lot.held(vessel)) for vessel in vessels]
        if "each" in end:
            return [(vessel, self._amount(end["each"], lot.format)) for vessel in vessels]
        total = self._stated(end, lot.format)
        weights = [1 if even else lot.held(vessel) for vessel in vessels]
        return list(zip(vessels, shared(total, weights), strict=True))

    def _amount(self, quantity: str | int, format_: int) -> int:
        return quantity * format_ if isinstance(quantity, int) else units(quantity)

    def _stated(self, end: Event, format_: int) -> int:
        (quantity,) = [end[name] for name in ("volume", "mass", "bottles") if name in end]
        return self._amount(quantity, format_)

    def _take(self, lot: Lot, vessel: Place, amount: int) -> list[tuple[int, Body]]:
        """So much of a holding, shared over its fills in proportion."""
        fills = lot.holdings[vessel]
        assert 0 <= amount <= lot.held(vessel), "never below zero"
        parts = shared(amount, [body.amount for body in fills.values()])
        taken = [
            (fill, body.take(part))
            for (fill, body), part in zip(list(fills.items()), parts, strict=True)
            if part
        ]
        lot.holdings[vessel] = {fill: body for fill, body in fills.items() if body.amount}
        if not lot.holdings[vessel]:
            del lot.holdings[vessel]
        return taken

    def _draw(self, ends: Any) -> list[tuple[int, Body]]:
        """All draws, read against the cellar before any of them leaves."""
        asked = []
        for end in ends if isinstance(ends, list) else [ends]:
            lot = self.lots[end["lot"]]
            for vessel, amount in self._quantities(lot, end, even=True):
                asked.append((lot, vessel, amount, end.get("role")))
        taken = []
        for lot, vessel, amount, role in asked:
            for fill, body in self._take(lot, vessel, amount):
                if role is not None:
                    recast: dict[Key, Fraction] = {}
                    for (event, part, _), of in body.parts.items():
                        key = (event, part, role)
                        recast[key] = recast.get(key, Fraction(0)) + of
                    body.parts = recast
                taken.append((fill, body))
        return taken

    def _pool(self, bodies: Iterable[Body]) -> Body:
        """The mean of what was drawn."""
        found = list(bodies)
        parts: dict[Key, Fraction] = {}
        for body in found:
            for key, of in body.parts.items():
                parts[key] = parts.get(key, Fraction(0)) + of
        node = self._node(*[(body.node, body.amount) for body in found])
        return Body(sum(body.amount for body in found), parts, node)

    # Filling

    def _fill(self, name: str, vessel: Place, sort: str, body: Body, fill: int = 0) -> None:
        lot = self.lots.setdefault(name, Lot())
        if not body.amount:
            return
        if not lot.holdings:
            lot.sort = sort
        assert lot.sort == sort, "a lot is of one sort at a time"
        fills = lot.holdings.setdefault(vessel, {})
        there = fills.get(fill)
        if there is None:
            fills[fill] = Body(body.amount, dict(body.parts), self._node((body.node, body.amount)))
            return
        node = self._node((there.node, there.amount), (body.node, body.amount))
        for key, of in body.parts.items():
            there.parts[key] = there.parts.get(key, Fraction(0)) + of
        there.amount += body.amount
        there.node = node

    def _arrive(self, ends: Any, pool: Body) -> None:
        for end in ends if isinstance(ends, list) else [ends]:
            vessels = end.get("vessels") or [end.get("vessel")]
            if "each" in end:
                amounts = [units(end["each"])] * len(vessels)
            else:
                amounts = shared(self._stated(end, 0), [1] * len(vessels))
            sort = "mass" if "mass" in end else "volume"
            for vessel, amount in zip(vessels, amounts, strict=True):
                if end.get("full"):
                    self._fill_up(end["lot"], vessel, pool.scaled(amount))
                else:
                    self._fill(end["lot"], vessel, sort, pool.scaled(amount))

    def _fill_up(self, name: str, vessel: str, body: Body) -> None:
        capacity = self.capacities[vessel]
        lot = self.lots.setdefault(name, Lot())
        over = lot.held(vessel) + body.amount - capacity
        if over > 0:
            self._take(lot, vessel, over)
        self._fill(name, vessel, "volume", body)
        held = lot.holdings[vessel]
        held[0] = held[0].scaled(capacity)

    # Kinds: what moves

    def _pick(self, event: Event) -> None:
        shares = self.plantings[event["block"]]
        body = self._source(event, units(event["mass"]), shares, None)
        self._fill(event["lot"], event.get("vessel"), "mass", body)

    def _receive(self, event: Event) -> None:
        parts = event.get("composition") or [{}]
        shares = [Fraction(part.get("share", "1")) for part in parts]
        if "bottles" in event:
            format_ = units(event["format"])
            body = self._source(event, event["bottles"] * format_, shares, None)
            self._fills += 1
            self._fill(event["lot"], event.get("vessel"), "bottles", body, self._fills)
            self.lots[event["lot"]].format = format_
            return
        vessels = event.get("vessels") or [event.get("vessel")]
        total = units(event["each"]) * len(vessels) if "each" in event else self._stated(event, 0)
        self._arrive(event, self._source(event, total, shares, None))

    def _move(self, event: Event) -> None:
        self._arrive(event["to"], self._pool(body for _, body in self._draw(event["from"])))

    _rack = _blend = _barrel_down = _top = _crush = _press = _move

    def _bottle(self, event: Event) -> None:
        pool = self._pool(body for _, body in self._draw(event["from"]))
        for end in event["to"]:
            format_ = units(end["format"])
            self._fills += 1
            body = pool.scaled(end["bottles"] * format_)
            self._fill(end["lot"], end.get("vessel"), "bottles", body, self._fills)
            self.lots[end["lot"]].format = format_

    def _pack(self, event: Event) -> None:
        source = event["from"][0] if isinstance(event["from"], list) else event["from"]
        format_ = self.lots[source["lot"]].format
        left: dict[int, Body] = {}
        for fill, body in self._draw(event["from"]):
            left[fill] = self._pool([left[fill], body]) if fill in left else body
        for end in event["to"]:
            parts = shared(end["bottles"] * format_, [body.amount for body in left.values()])
            for (fill, body), part in zip(list(left.items()), parts, strict=True):
                if part:
                    self._fill(end["lot"], end.get("vessel"), "bottles", body.take(part), fill)
                if not body.amount:
                    del left[fill]
            self.lots[end["lot"]].format = format_

    def _ship(self, event: Event) -> None:
        end = event["from"]
        lot = self.lots[end["lot"]]
        record = (event.get("document"), lot.sort, lot.format, self._draw(end))
        lot.shipped.append(record)

    def _return(self, event: Event) -> None:
        lot = self.lots[event["lot"]]
        document = event.get("document")
        records = [one for one in lot.shipped if document is None or one[0] == document]
        bodies = [(fill, body) for record in records for fill, body in record[3] if body.amount]
        _, sort, format_, _ = records[0]
        amount = self._stated(event, format_)
        parts = shared(amount, [body.amount for _, body in bodies])
        back = [
            (fill, body.take(part))
            for (fill, body), part in zip(bodies, parts, strict=True)
            if part
        ]
        lot.shipped = [one for one in lot.shipped if any(body.amount for _, body in one[3])]
        if sort == "bottles":
            for fill, body in back:
                self._fill(event["lot"], event.get("vessel"), sort, body, fill)
            lot.format = format_
        else:
            pool = self._pool(body for _, body in back)
            self._fill(event["lot"], event.get("vessel"), sort, pool)

    # Kinds: in place

    def _gauge(self, event: Event) -> None:
        lot = self.lots[event["lot"]]
        for vessel, measured in self._quantities(lot, event, even=False):
            fills = lot.holdings[vessel]
            if event.get("empty") or not measured:
                del lot.holdings[vessel]
                continue
            parts = shared(measured, [body.amount for body in fills.values()])
            lot.holdings[vessel] = {
                fill: body.scaled(part)
                for (fill, body), part in zip(fills.items(), parts, strict=True)
                if part
            }

    def _loss(self, event: Event) -> None:
        lot = self.lots[event["lot"]]
        for vessel, lost in self._quantities(lot, event, even=False):
            held = lot.held(vessel)
            fills = lot.holdings[vessel]
            # what stays is shared over the fills, as a draw shares what goes
            parts = shared(held - lost, [body.amount for body in fills.values()])
            left = {
                fill: body.scaled(part)
                for (fill, body), part in zip(fills.items(), parts, strict=True)
                if part
            }
            if left:
                lot.holdings[vessel] = left
            else:
                del lot.holdings[vessel]

    def _treat(self, event: Event) -> None:
        if "adds" not in event:
            return
        lot = self.lots[event["lot"]]
        vessels = self._holdings(lot, event)
        total = units(event["adds"])
        source = self._source(event, total, [Fraction(1)], event["role"])
        parts = shared(total, [lot.held(vessel) for vessel in vessels])
        for vessel, part in zip(vessels, parts, strict=True):
            if part:
                self._fill(event["lot"], vessel, "volume", source.scaled(part))

    def _lot(self, event: Event) -> None:
        for end in event.get("of") or ():
            lot = self.lots[end["lot"]]
            for vessel in self._holdings(lot, end):
                fills = lot.holdings.pop(vessel)
                for fill, body in fills.items():
                    self._fill(event["name"], vessel, lot.sort, body, fill)
                self.lots[event["name"]].format = lot.format

    # Asking

    def holds(self, name: str) -> dict[Place, int]:
        """What a lot holds, by vessel, in units."""
        lot = self.lots[name]
        return {vessel: lot.held(vessel) for vessel in lot.holdings}

    def shares(self, name: str) -> dict[Key, Fraction]:
        """The exact shares of a lot's sources, as it is or was last held."""
        bodies = self.lots[name].bodies()
        whole = sum(body.amount for body in bodies)
        found: dict[Key, Fraction] = {}
        for body in bodies:
            for key, of in body.parts.items():
                found[key] = found.get(key, Fraction(0)) + of / whole
        return {key: share for key, share in found.items() if share}

    def reaches(self, name: str) -> set[str]:
        """The events from whose sources a lot can be reached over the graph (networkx)."""
        graph = nx.DiGraph()
        graph.add_nodes_from(range(len(self.parents)))
        for node, parents in enumerate(self.parents):
            graph.add_edges_from((parent, node) for parent, _ in parents)
        found = set()
        for body in self.lots[name].bodies():
            found |= nx.ancestors(graph, body.node) | {body.node}
        return {self.sources[node] for node in found if node in self.sources}

    def solved(self, name: str) -> dict[str, float]:
        """Shares by event from a sparse linear solve (scipy), to its own digits.

        Each node's share is the weighted mean of its parents', so that x (I - P) = e.
        """
        size = len(self.parents)
        rows, columns, weights = [], [], []
        for node, parents in enumerate(self.parents):
            whole = sum(amount for _, amount in parents)
            for parent, amount in parents:
                rows.append(node)
                columns.append(parent)
                weights.append(amount / whole)
        mixing = csr_matrix((weights, (rows, columns)), shape=(size, size))
        bodies = self.lots[name].bodies()
        start = np.zeros(size)
        for body in bodies:
            start[body.node] += body.amount / sum(one.amount for one in bodies)
        flow = spsolve((identity(size) - mixing).T.tocsc(), start)
        return {event: float(flow[node]) for node, event in self.sources.items()}
