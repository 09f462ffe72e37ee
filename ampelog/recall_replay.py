"""The events once more, with bodies told apart that the kept genealogy does not part.

The kept one parts what composition needs: a packed bottle stays of its fill, and wine that came
into a barrel without being drawn on is no body of its own. A recall may need both.
"""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from ampelog import history
from ampelog.apart import part
from ampelog.cellar import Cellar
from ampelog.movement import close
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.state import BOTTLES, VOLUME, Lot
from ampelog.steps import Step


class Place(Struct, frozen=True):
    """Lots or vessels that are watched."""

    lots: frozenset[str] = frozenset()
    vessels: frozenset[str] = frozenset()

    def lots_there(self, cellar: Cellar, lots: Iterable[Lot]) -> list[Lot]:
        """Those of some lots that may lie there."""
        liquids = {cellar.vessels.get(vessel) for vessel in self.vessels}
        return [
            lot
            for lot in lots
            if lot.name in self.lots
            or (self.vessels and (lot.sort != VOLUME or lot.name in liquids))
        ]

    def holds(self, lot: Lot, vessel: str | None) -> bool:
        """Whether a holding is in this place."""
        return lot.name in self.lots or vessel in self.vessels


def apart(view: View, positions: Iterable[int]) -> View:
    """The view with what these events packed, renamed or fermented as bodies of their own."""
    cellar, steps = _beginning(view)
    cellar.apart = frozenset(positions)
    with history.still():
        apply(cellar, steps)
    return view.again(steps, cellar)


def watching(
    view: View, place: Place, since: int, until: int
) -> tuple[View, list[int], dict[str, int]]:
    """The view with what lay in a place, from an instant to another, as bodies of their own: what
    was there at the first, and what came to it by an event up to the last.

    Returns the view, the nodes, and of bottles how much lay there, by lot.
    """
    cellar, steps = _beginning(view)
    nodes: dict[int, None] = {}
    there: dict[str, int] = {}
    begun = False
    with history.still():
        for index, step in enumerate(steps):
            if not begun and step.instant >= since:
                begun = True
                if index:
                    _part(cellar, steps[index - 1], place, cellar.lots.values(), (nodes, there))
            cellar.changed.clear()
            apply(cellar, [step])
            if begun and step.instant <= until:
                _part(cellar, step, place, cellar.changed.values(), (nodes, there))
        if not begun and steps:
            _part(cellar, steps[-1], place, cellar.lots.values(), (nodes, there))
    return view.again(steps, cellar), list(nodes), there


def _beginning(view: View) -> tuple[Cellar, list[Step]]:
    steps = view.steps
    if view.until is not None:
        steps = [step for step in steps if step.instant <= view.until]
    return view.beginning(), steps


def _part(
    cellar: Cellar,
    step: Step,
    place: Place,
    lots: Iterable[Lot],
    into: tuple[dict[int, None], dict[str, int]],
) -> None:
    """Tell apart what lies in a place and was not told apart before."""
    nodes, there = into
    for lot in place.lots_there(cellar, lots):
        for vessel, holding in list(lot.holdings.items()):
            if not place.holds(lot, vessel) or all(node in nodes for node, _ in holding.parts):
                continue
            if lot.sort == BOTTLES:
                new = sum(amount for node, amount in holding.parts if node not in nodes)
                there[lot.name] = there.get(lot.name, 0) + new
                part(cellar, step, lot, vessel)
            else:
                close(cellar, step, lot, vessel, force=True)
            nodes.update(dict.fromkeys(node for node, _ in lot.holdings[vessel].parts))
