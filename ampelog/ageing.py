"""Where a wine lay before it was bottled, and how long: by the kind of vessel, its wood, and
whether it was filled for the first time.

One pass back over the genealogy, from the wine to the fruit. What the ledger keeps of a holding is
a body that is closed when it is drawn from; so wine lay in a vessel from the moment at which it
came in until the body was closed, and from there until it left. When a closed body went to another
vessel is read off the events; where several carried it there before that was closed, the mean of
them. A vessel counts as new to the wine that came into it in the year in which it was first filled.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

from msgspec import Struct

from ampelog import cooperage, moments
from ampelog.genealogy import BITS, Genealogy, fixed
from ampelog.phrases import several
from ampelog.quantities import floor_text
from ampelog.questions import View
from ampelog.state import BOTTLES, Lot
from ampelog.story import Lain
from ampelog.tracing import printed
from ampelog.trail import Effect

MONTH = Fraction("30.436875") * moments.DAY
"""The mean month of the Gregorian calendar, 365.2425 days over twelve."""
NOWHERE = "no vessel named"
UNKNOWN = "vessel not described"
Place = tuple[str, str | None]
"""Lot and vessel."""
Sort = tuple[str, str | None, bool | None]
"""Kind of vessel, wood, and whether it was new."""


class _Moved(Struct, frozen=True):
    """An event that drew from a lot and filled another: when, and which vessels; None is any."""

    instant: int
    out_of: frozenset[str] | None
    into: frozenset[str] | None


def ageing(view: View, lot: Lot, effects: Iterable[Effect]) -> tuple[Lain, ...]:
    """Where the wine of a lot lay, what lay longest first; nothing of fruit, and of bottles what
    was before them."""
    content = view.content(lot)
    if lot.sort not in ("volume", BOTTLES) or not content:
        return ()
    return _Walk(view, lot, content, effects).told()


class _Walk:
    def __init__(
        self, view: View, lot: Lot, content: list[tuple[int, int]], effects: Iterable[Effect]
    ) -> None:
        self._view, self._lot, self._content = view, lot, content
        self._graph: Genealogy = view.genealogy(content, labels=True)
        self._moved = _moved(effects)
        instants = view.instants()
        top = len(self._graph.parents)
        at = view.positions(range(top))
        self._at = [instants.get(at.get(node, 0), 0) for node in range(top)]
        self._fruit = {node for node, mass, _ in view.pools(top - 1) if mass}
        self._bottles = frozenset(lot.fills if lot.sort == BOTTLES else ())
        self._came: dict[int, int] = {}
        self._sorts: dict[tuple[str | None, int], Sort] = {}
        self._numbers: dict[Sort, int] = {}
        self._time: dict[Sort, int] = {}
        self._ways: dict[int, int] = {}

    def told(self) -> tuple[Lain, ...]:
        """Walk, and tell what was found."""
        weight: dict[int, dict[int, int]] = {}
        self._begin(weight)
        parents = self._graph.parents
        for node in range(len(parents) - 1, -1, -1):
            ways = weight.pop(node, None)
            if ways is None:
                continue
            if not parents[node] or node in self._fruit:
                for way, amount in ways.items():
                    self._ways[way] = self._ways.get(way, 0) + amount
                continue
            stays = [self._stays(parent, node) for parent, _ in parents[node]]
            for way, amount in ways.items():
                given = fixed(amount, parents[node])
                for (parent, part), stay in zip(given, stays, strict=True):
                    there = weight.setdefault(parent, {})
                    new = self._count(way, part, stay)
                    there[new] = there.get(new, 0) + part
        return self._rows()

    def _begin(self, weight: dict[int, dict[int, int]]) -> None:
        """What the lot holds, or last held, until now, or until it was emptied."""
        if self._lot.sort == BOTTLES:
            for node, amount in fixed(1 << BITS, self._content):
                there = weight.setdefault(node, {})
                there[0] = there.get(0, 0) + amount
            return
        end = self._view.today
        if not self._lot.holdings:
            end = self._moved_last() or end
        total = sum(amount for _, amount in self._content)
        for vessel, holding in self._lot.contents().items():
            for node, part in holding.parts:
                amount = (1 << BITS) * part // total
                stay = self._left(node, (self._lot.name, vessel), end)
                way = self._count(0, amount, stay)
                there = weight.setdefault(node, {})
                there[way] = there.get(way, 0) + amount

    def _moved_last(self) -> int | None:
        """When the last of the lot was drawn by an event on its own way."""
        found = [
            one.instant
            for (source, _), moves in self._moved.items()
            if source == self._lot.name
            for one in moves
        ]
        return max(found, default=None)

    def _count(self, way: int, amount: int, stay: list[tuple[Sort, int]]) -> int:
        """Book the time that an amount lay somewhere; the way that it came, with these sorts."""
        for sort, span in stay:
            if span > 0:
                self._time[sort] = self._time.get(sort, 0) + amount * span
                way |= 1 << self._numbers.setdefault(sort, len(self._numbers))
        return way

    def _closed(self, node: int) -> Place | None:
        """Which holding a body was, None where it is only what an event moved."""
        lot, vessel = self._graph.labels[node]
        marked = self._graph.marks.get(node)
        if lot is None or (marked is not None and marked[0] is not None):
            return None
        return lot, vessel

    def _stays(self, parent: int, node: int) -> list[tuple[Sort, int]]:
        """Where what a body gave to another lay, from when it was made to when the other was."""
        into = self._closed(node)
        if into is None or node in self._bottles:
            came = self._closed(parent)
            return [] if came is None else [self._lay(parent, came[1], self._at[node])]
        return self._left(parent, into, self._at[node])

    def _left(self, node: int, into: Place, end: int) -> list[tuple[Sort, int]]:
        """Where a body lay from when it was made until a moment at which it is in a holding."""
        there = self._closed(node)
        start = self._at[node]
        if there is None:
            return [(self._sort(into[1], start), end - start)]
        if there[1] == into[1]:
            return [self._lay(node, there[1], end)]
        left = self._departed(there, into, start, end)
        return [self._lay(node, there[1], left), (self._sort(into[1], left), end - left)]

    def _lay(self, node: int, vessel: str | None, end: int) -> tuple[Sort, int]:
        return self._sort(vessel, self._entered(node)), end - self._at[node]

    def _entered(self, node: int) -> int:
        """When the wine of a closed body first came into its vessel, without leaving it since."""
        path = []
        at = node
        while at not in self._came:
            place = self._closed(at)
            vessel = None if place is None else place[1]
            before = [
                parent
                for parent, _ in self._graph.parents[at]
                if (there := self._closed(parent)) is not None and there[1] == vessel
            ]
            path.append(at)
            if not before:
                self._came[at] = min(
                    (self._at[parent] for parent, _ in self._graph.parents[at]),
                    default=self._at[at],
                )
                break
            at = before[0]
        for one in reversed(path):
            self._came[one] = self._came[at]
        return self._came[node]

    def _departed(self, there: Place, into: Place, start: int, end: int) -> int:
        """When wine left one holding for another, between two moments."""
        moves = self._moved.get((there[0], into[0]), ())
        found = [
            one.instant
            for one in moves
            if start <= one.instant <= end
            and (one.out_of is None or there[1] in one.out_of)
            and (one.into is None or into[1] in one.into)
        ]
        return sum(found) // len(found) if found else start

    def _sort(self, vessel: str | None, came: int) -> Sort:
        if vessel is None:
            return NOWHERE, None, None
        key = (vessel, moments.day(came, self._view.zone).year)
        if key not in self._sorts:
            known = self._view.cellar.registers.at("vessel", vessel, came)
            self._sorts[key] = _described(known, key[1])
        return self._sorts[key]

    def _rows(self) -> tuple[Lain, ...]:
        found = []
        for sort, number in self._numbers.items():
            share = sum(amount for way, amount in self._ways.items() if way >> number & 1)
            if not share:
                continue
            months = Fraction(self._time[sort], share) / MONTH
            kind, wood, new = sort
            found.append(
                (
                    self._time[sort],
                    Lain(kind, wood, new, printed(min(share, 1 << BITS)), _months(months)),
                )
            )
        found.sort(key=lambda one: (-one[0], one[1].kind, one[1].wood or "", str(one[1].new)))
        return tuple(row for _, row in found)


def _months(months: Fraction) -> str:
    """To the hundredth, half up."""
    return floor_text(months + Fraction(1, 200), 2)


def _described(known: Mapping[str, Any], year: int) -> Sort:
    """A vessel for people, and whether it is new to what came into it in a year."""
    first = cooperage.first_filled(known)
    new = None if first is None else first >= year
    return str(known.get("type") or UNKNOWN), cooperage.wood(known), new


def _moved(effects: Iterable[Effect]) -> dict[tuple[str, str], list[_Moved]]:
    """The events that carried wine from one lot to another, by both."""
    found: dict[tuple[str, str], list[_Moved]] = {}
    for one in effects:
        drawn = several(one.event.get("from"))
        to = one.event.get("to")
        filled = several(to) if isinstance(to, dict | list) else ()
        for out in drawn:
            for end in filled or (one.event,):
                if end.get("lot") is not None and out.get("lot") is not None:
                    move = _Moved(one.instant, _vessels(out), _vessels(end))
                    found.setdefault((str(out["lot"]), str(end["lot"])), []).append(move)
    return found


def _vessels(end: Mapping[str, Any]) -> frozenset[str] | None:
    named = end.get("vessels") or ([end["vessel"]] if end.get("vessel") else None)
    return None if named is None else frozenset(str(one) for one in named)
