"""The evidence of a hit: the fewest events by which the origin came to it.

The genealogy says through which bodies; the log says by which events: of those that moved from the
lot of one body into the lot of the next, the first that can have done it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from ampelog import moments
from ampelog.cellar_work import FOREVER, Dealing, dealings
from ampelog.phrases import several
from ampelog.recall_reach import Label, Ways, way_to
from ampelog.told import unfolded
from ampelog.words import words

if TYPE_CHECKING:
    from ampelog.recalling import Reach

Row = dict[str, Any]


MOST = 200
"""Hits that are told their way, those that were shipped first, then the largest."""


def put(reach: Reach, rows: Sequence[Row]) -> None:
    """Put the ``path`` into each row: events as objects, the oldest first; None beyond ``MOST``."""
    told = sorted(rows, key=lambda row: not row["shipped"])[:MOST]
    ends = {id(row): _best(row["_nodes"], reach.ways) for row in told}
    ways = {key: way_to(end, reach.ways) for key, end in ends.items() if end is not None}
    nodes = {node for way in ways.values() for node in way}
    positions = reach.view.positions(nodes)
    log = Log(reach, positions, reach.view.events(positions.values()))
    hops = {id(row): _hops(reach, ways.get(id(row), []), row["lot"]) for row in told}
    log.look_up({hop for each in hops.values() for hop in each if log.known(hop) is None})
    for row in rows:
        del row["_nodes"]
        row["path"] = log.path(ways.get(id(row), []), hops[id(row)]) if id(row) in hops else None


class Hop(Struct, frozen=True):
    """A move from one place to another: ``node`` is the body that left, ``until`` that which it
    became part of (None: it lies there as it is)."""

    before: Label
    after: Label
    node: int
    until: int | None


def _hops(reach: Reach, way: Sequence[int], ends_in: str) -> list[Hop]:
    """The moves along a way."""
    found = []
    for left, came in pairwise(way):
        before, after = reach.ways[left].place, reach.ways[came].place
        if before != after:
            found.append(Hop(before, after, left, came))
    if way and reach.ways[way[-1]].place[0] != ends_in:
        found.append(Hop(reach.ways[way[-1]].place, (ends_in, None), way[-1], None))
    return found


def _best(nodes: Sequence[int], ways: Ways) -> int | None:
    there = [node for node in nodes if node in ways]
    return min(there, key=lambda node: (ways[node].rank, node), default=None)


class Log:
    """What the log says of moves; ``made`` are the events behind bodies, by position."""

    def __init__(self, reach: Reach, positions: Mapping[int, int], made: Mapping[int, Row]) -> None:
        self._reach, self._positions, self._made = reach, positions, made
        self._moves: dict[tuple[str, str], list[Dealing]] = {}
        self._rows: dict[int, Row] = {}

    def known(self, hop: Hop) -> Dealing | None:
        """The event of a move where it is the one that made either body: a body is made when it is
        first drawn on, and a fill of bottles when it is filled."""
        for node in (hop.node, hop.until):
            if node is not None:
                one = self._event(node)
                if _pair(hop) in moved(one.event) and _names_both(one.event, hop):
                    return one
        return None

    def look_up(self, hops: Collection[Hop]) -> None:
        """Read from the log what else moved between the lots of some moves."""
        pairs = {_pair(hop) for hop in hops}
        if not pairs:
            return
        for one in dealings(self._reach.view, {lot for lot, _ in pairs}):
            for pair in moved(one.event) & pairs:
                self._moves.setdefault(pair, []).append(one)

    def path(self, way: Sequence[int], hops: Sequence[Hop]) -> list[Row]:
        """The events of a way, each once."""
        if not way:
            return []
        found: dict[str, Row] = {}
        begun = self._event(way[0])
        if begun.position in self._reach.begun:
            found[begun.event["id"].lower()] = self._row(begun)
        for hop in hops:
            one = self.known(hop) or self._first(hop) or self._event(hop.until or hop.node)
            found.setdefault(one.event["id"].lower(), self._row(one))
        return list(found.values())

    def _first(self, hop: Hop) -> Dealing | None:
        """The first event that moved so, not before the body that left was made and not after the
        other was."""
        since = self._event(hop.node).instant
        until = FOREVER if hop.until is None else self._event(hop.until).instant
        there = [one for one in self._moves.get(_pair(hop), ()) if since <= one.instant <= until]
        named = [one for one in there if _names_both(one.event, hop)]
        return next(iter(named or there), None)

    def _event(self, node: int) -> Dealing:
        position = self._positions[node]
        event = self._made[position]
        return Dealing(moments.instant(event["at"], self._reach.view.zone), position, event)

    def _row(self, one: Dealing) -> Row:
        row = self._rows.get(one.position)
        if row is None:
            event = one.event
            row = self._rows[one.position] = {
                "event": event["id"],
                "position": one.position,
                "at": event["at"],
                "kind": event["kind"],
                "says": words(event),
                "lot": event.get("lot"),
            }
        return row


def _pair(hop: Hop) -> tuple[str, str]:
    return (hop.before[0] or "", hop.after[0] or "")


def moved(told: Row) -> set[tuple[str, str]]:
    """From which lot into which an event moved anything."""
    event = unfolded(told)
    if event["kind"] == "lot":
        return {(end["lot"], event["name"]) for end in several(event.get("of"))}
    if event["kind"] in ("ship", "return") or "to" not in event:
        return set()
    into = [end["lot"] for end in several(event["to"]) if "lot" in end]
    return {(end["lot"], lot) for end in several(event.get("from")) for lot in into}


def _names_both(event: Row, hop: Hop) -> bool:
    return _names(event, hop.before[1]) and _names(event, hop.after[1])


def _names(event: Row, vessel: str | None) -> bool:
    """Whether an event names a vessel, or none of its ends names any."""
    ends = [end for side in ("from", "to", "of") for end in several(unfolded(event).get(side))]
    named = {end.get("vessel") for end in ends} | {
        one for end in ends for one in end.get("vessels") or ()
    }
    return vessel is None or vessel in named or named == {None}
