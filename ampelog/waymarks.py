"""What wine passed on its way from the fruit: its fermentation, and what the grapes yielded.

Taken on the way back from the bottle (``genealogy.back``). A crush, or a press of fruit, says how
many kilograms of grapes are behind a litre; a press of must, whose pomace is gone, that a litre has
the more of them behind it.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from ampelog.genealogy import Genealogy, Mark

Pools = list[tuple[int, int, int]]
"""The crushes and presses: node, mass (10^-12 kg, 0 where must was pressed) and volume (10^-12 L)
of what came out."""


class Passed(NamedTuple):
    """What wine passed. ``ferment`` is its fermentation, the last that began in it; ``joined``: it
    only came into that. ``pressed`` litres of must went into a litre; ``weight``: kilograms of
    grapes behind it, None where it came through no crush."""

    ferment: int | None = None
    joined: bool = False
    pressed: Fraction = Fraction(1)
    weight: Fraction | None = None


class Waymarks:
    """The marks of a genealogy, with the crushes and presses among them. Without ``ferments`` no
    fermentation is told."""

    def __init__(self, genealogy: Genealogy, pools: Pools, *, ferments: bool) -> None:
        self._genealogy, self._ferments = genealogy, ferments
        self._pools = {node: (mass, volume) for node, mass, volume in pools}
        self._known: dict[Passed, int] = {}
        self._all: list[Passed] = []

    def marked(self) -> Genealogy:
        """The genealogy whose third mark is the number of what was passed."""
        known = self._genealogy
        through: dict[int, Mark] = dict.fromkeys(self._pools, (None, None, None))
        marks = {**through, **known.marks}
        return Genealogy(known.parents, marks, known.labels, known.begins, self._took)

    def passed(self, number: int | None) -> Passed:
        """What a third mark stands for."""
        return self._all[number] if number is not None else Passed()

    def _took(self, number: int | None, node: int) -> int:
        """The mark of wine that has come back to a node."""
        before = now = self.passed(number)
        here = self._genealogy.marks.get(node)
        ferment = here[2] if here is not None and self._ferments else None
        if ferment is not None and (before.ferment is None or before.joined):
            begins = node in self._genealogy.begins
            if begins or before.ferment is None:
                now = now._replace(ferment=ferment, joined=not begins)
        if node in self._pools and before.weight is None:
            now = self._weighed(now, node)
        if now not in self._known:
            self._known[now] = len(self._all)
            self._all.append(now)
        return self._known[now]

    def _weighed(self, now: Passed, node: int) -> Passed:
        mass, volume = self._pools[node]
        if mass:
            return now._replace(weight=now.pressed * Fraction(mass, volume))
        drawn = sum(amount for _, amount in self._genealogy.parents[node])
        return now._replace(pressed=now.pressed * Fraction(drawn, volume))
