"""What stands as it stood: lots whose wine and bottles no movement of a load has changed.

A body of wine is the same before and after where the same event made it of the same bodies, as much
of each. Numbers of nodes shift when something is told late, so bodies are numbered by what they
are, in both cellars by one count. What is the same is compared whole: nothing is left to a hash.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from ampelog.questions import View
from ampelog.state import Holding, Lot

MIXING = frozenset({"top", "loss"})
"""Kinds that act on a wine by how much of what it holds, and by nothing else; on the lots that
they name, more may change."""


class Grounds:
    """Numbers for the bodies of several cellars of one ledger. The first ``alike`` are one another
    already; bodies that the events at ``anew`` made are never the same, for the events read
    otherwise now."""

    def __init__(self, anew: Collection[int], alike: int = 0) -> None:
        self._anew = frozenset(anew)
        self._alike = alike
        self._numbers: dict[Any, int] = {}
        self._cellars = 0

    def of(self, view: View, lots: Sequence[Lot]) -> dict[str, Any]:
        """By lot, all that it rests on: equal for two cellars where none of it differs."""
        self._cellars += 1
        content = [part for lot in lots for part in view.content(lot)]
        content += [(node, 1) for lot in lots for node in lot.fills]
        top = max((node for node, _ in content), default=-1)
        graph = view.genealogy(content, labels=True)
        positions = view.positions(range(self._alike, top + 1))
        same = [-1 - node for node in range(self._alike)]
        for node in range(self._alike, top + 1):
            position = positions[node]
            made_of = tuple([(same[parent], part) for parent, part in graph.parents[node]])
            told = self._cellars if position in self._anew else 0
            body = (position, told, graph.labels[node], graph.marks.get(node), made_of)
            same.append(self._numbers.setdefault(body, len(self._numbers)))
        return {lot.name: _ground(lot, same) for lot in lots}


def _ground(lot: Lot, same: Sequence[int]) -> tuple[Any, ...]:
    places = {vessel: _held(holding, same) for vessel, holding in lot.contents().items()}
    fills = {same[node]: known for node, known in lot.fills.items()}
    facts = (lot.sort, lot.format, lot.label, lot.owners, lot.began, lot.releases)
    return (bool(lot.holdings), places, fills, facts)


def _held(holding: Holding, same: Sequence[int]) -> tuple[Any, ...]:
    parts = sorted((same[node], part) for node, part in holding.parts)
    return (holding.amount, holding.state, holding.holds, holding.ferment, parts)
