"""From the nodes of the genealogy to what is known of the sources behind them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from ampelog import moments, phrases
from ampelog.genealogy import Genealogy, Mark
from ampelog.places import Places
from ampelog.sources import Leaf, leaves, marked

if TYPE_CHECKING:
    from ampelog.questions import View


class Expander:
    """The leaves of a source node; everything behind them is read once."""

    def __init__(
        self,
        view: View,
        genealogy: Genealogy,
        content: list[tuple[int, int]],
        when: int,
        with_ferments: bool,
    ) -> None:
        self._leaves = view.leaves(when)
        new = [node for node in _sources(genealogy, content) if node not in self._leaves]
        places = Places(view.cellar.registers, when)
        positions = view.positions(new)
        events = view.events(positions.values())
        for node, position in positions.items():
            event = events[position]
            instant = moments.instant(event["at"], view.zone)
            self._leaves[node] = leaves(
                event, position, instant, view.cellar.registers, places, view.zone
            )
        self._ferments = view.ferments() if with_ferments else {}

    def __call__(self, node: int, mark: Mark) -> list[tuple[Leaf, Any]]:
        ferment = self._ferments.get(mark[2]) if mark[2] is not None else None
        organism = ferment.organism if ferment is not None else None
        worked = ferment.regime if ferment is not None else None
        regime = phrases.regime(worked, noted=False) if worked else None
        return [(marked(leaf, mark, organism, regime), share) for leaf, share in self._leaves[node]]


def _sources(genealogy: Genealogy, content: Iterable[tuple[int, int]]) -> list[int]:
    seen = {node for node, _ in content}
    ahead, found = list(seen), []
    parents = genealogy.parents
    while ahead:
        node = ahead.pop()
        if not parents[node]:
            found.append(node)
        for parent, _ in parents[node]:
            if parent not in seen:
                seen.add(parent)
                ahead.append(parent)
    return found
