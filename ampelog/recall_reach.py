"""How far something reached: forward over the genealogy, with shares and the nearest way.

A body is touched where any of it, however little, came from the origin. Its share is rounded down
at 2^-256 a step and may come out as nothing; that it is touched is never lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from ampelog.genealogy import Genealogy

Label = tuple[str | None, str | None]
"""The lot and the vessel of a body."""


class Way(NamedTuple):
    """The nearest way to a body from an origin: the fewest moves from one lot or vessel to
    another, of equals that by which most came, then the oldest. ``less`` is the amount, negative.
    """

    moves: int
    less: int
    before: int
    place: Label

    @property
    def rank(self) -> tuple[int, int, int]:
        """What tells the nearer of two ways. The place is no part of it: it may have no vessel,
        and names and nothing have no order."""
        return (self.moves, self.less, self.before)


def reached(genealogy: Genealogy, weights: Mapping[int, int]) -> tuple[dict[int, int], Ways]:
    """The share of every touched body, of ``2**BITS``, and the nearest way to it.

    ``weights`` are the origins with what of them counts. Needs ``labels``.
    """
    share: dict[int, int] = {}
    parents = genealogy.parents
    for node in range(min(weights, default=len(parents)), len(parents)):
        weight = weights.get(node)
        if weight is not None:
            share[node] = weight
            continue
        parts = parents[node]
        if len(parts) == 1:
            if parts[0][0] in share and parts[0][1]:
                share[node] = share[parts[0][0]]
            continue
        came = [share[parent] * amount for parent, amount in parts if parent in share and amount]
        if came:
            share[node] = sum(came) // sum([amount for _, amount in parts])
    return share, Ways(genealogy, weights, share)


class Ways:
    """The nearest way to every touched body, worked out where it is asked for: of thousands of hits
    few are told theirs. ``before`` of an origin is -1."""

    def __init__(
        self, genealogy: Genealogy, weights: Mapping[int, int], share: Mapping[int, int]
    ) -> None:
        self._genealogy, self._weights, self._share = genealogy, weights, share
        self._known: dict[int, Way] = {}

    def __contains__(self, node: object) -> bool:
        return node in self._share

    def __getitem__(self, node: int) -> Way:
        if node not in self._known:
            for one in self._beneath(node):
                self._known[one] = self._nearest(one)
        return self._known[node]

    def _beneath(self, node: int) -> list[int]:
        """The body and all touched ones that it is made of, as far as no way is known to them yet;
        each after what it is made of."""
        found, ahead = {node}, [node]
        while ahead:
            for parent, _ in self._came(ahead.pop()):
                if parent not in found and parent not in self._known:
                    found.add(parent)
                    ahead.append(parent)
        return sorted(found)

    def _came(self, node: int) -> list[tuple[int, int]]:
        """What of a body came from touched ones."""
        if node in self._weights:
            return []
        parts = self._genealogy.parents[node]
        return [(parent, amount) for parent, amount in parts if parent in self._share and amount]

    def _nearest(self, node: int) -> Way:
        label = self._genealogy.labels[node]
        if node in self._weights:
            return Way(0, -self._weights[node], -1, label)
        total = sum([amount for _, amount in self._genealogy.parents[node]])
        found = [_through(one, total, label, self._known) for one in self._came(node)]
        return min(found, key=lambda way: way.rank)


def _through(part: tuple[int, int], total: int, label: Label, ways: Mapping[int, Way]) -> Way:
    parent, amount = part
    moves, less, _, place = ways[parent]
    here = place if label[0] is None else label
    moved = moves + (here != place)
    return Way(moved, less if amount == total else less * amount // total, parent, here)


def way_to(node: int, ways: Ways) -> list[int]:
    """The bodies of the nearest way to one, from the origin on."""
    found = [node]
    while (before := ways[found[-1]].before) >= 0:
        found.append(before)
    return found[::-1]
