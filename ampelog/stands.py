"""The cellar of a long log as it stood at some moments, noted while the log is told.

What comes late is then told from the last such moment before it, and not from the beginning. A span
of the log ends with a stand, in which nothing of the span is left to happen; what a lot was at a
stand is what it was at the end of the last span in which it changed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import NamedTuple

from ampelog.cellar import Cellar
from ampelog.errors import Finding
from ampelog.replay import apply
from ampelog.steps import Step

SPAN = 16_384
"""Steps of a span: telling so many takes about half a second. Few wineries come to its end."""
MOST = 4
"""Stands that are noted of one load, the last: what is late is mostly of the last years, and each
stand takes a tenth of a second."""

Bodies = dict[int, dict[str, str]]
"""By span, the lots that changed in it, as JSON (``Lot.dump``): as they stood at its end."""


class Stand(NamedTuple):
    """The end of a span: the order of its last step, how many nodes and stretches of fermentation
    there were, and the holds in force, as JSON."""

    span: int
    instant: int
    position: int
    nodes: int
    ferments: int
    holds: str

    @property
    def order(self) -> tuple[int, int]:
        """That of the last step that has happened."""
        return (self.instant, self.position)


class Spans:
    """The spans of a log that is being told, from ``first`` on: the one that goes on, how many of
    its steps are told, and the stands since."""

    def __init__(self, going_on: int = 1, told: int = 0) -> None:
        self.first, self.going_on, self.told = going_on, going_on, told
        self.stands: list[Stand] = []
        self._ended: Bodies = {}

    def tell(
        self, cellar: Cellar, steps: Sequence[Step], tick: Callable[[int], None] | None = None
    ) -> list[Finding]:
        """As ``apply``. As changed the cellar knows the lots of the span that goes on alone."""
        refusals: list[Finding] = []
        done = 0
        while done < len(steps):
            ahead = max(SPAN - self.told, len(steps) - done - MOST * SPAN, 1)
            upto = min(len(steps), done + ahead)
            refusals += apply(cellar, steps, tick, range(done, upto))
            self.told += upto - done
            done = upto
            if self.told >= SPAN:
                self._end(cellar, steps[done - 1])
        return refusals

    def _end(self, cellar: Cellar, last: Step) -> None:
        graph, order = cellar.graph, last.order
        ferments = graph.first_ferment + len(graph.ferments)
        holds = json.dumps(cellar.holds.dump())
        self.stands.append(Stand(self.going_on, *order, graph.count, ferments, holds))
        self._ended[self.going_on] = _dumped(cellar)
        cellar.changed = {}
        self.going_on, self.told = self.going_on + 1, 0

    def changed(self, cellar: Cellar) -> set[str]:
        """The lots that changed while this was told, by name."""
        return set(cellar.changed).union(*self._ended.values())

    def bodies(self, cellar: Cellar) -> Bodies:
        """The lots that changed while this was told, by span; in the last as they are now."""
        return {**self._ended, self.going_on: _dumped(cellar)}


def _dumped(cellar: Cellar) -> dict[str, str]:
    return {name: lot.dump() for name, lot in cellar.changed.items()}
