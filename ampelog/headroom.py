"""How much wine could be added before a statement ends, and how much would earn one that fails.

Found where the lines of its conditions cross (``conditions``), on the grid of 10^-12 L: at the
volume that is told the statement stands, one step further it does not; one step less than what
earns it does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from msgspec import Struct

from ampelog.conditions import Line
from ampelog.quantities import text
from ampelog.requirements import Question
from ampelog.shares import SUPPORTED, Fill
from ampelog.verdicts import Verdict


class Room(Struct, frozen=True):
    """What can be added: ``ends`` in 10^-12 L, None where nothing ends the statement. ``begins`` is
    what must be added of wine that ``of`` describes, None where nothing earns it. ``figures`` is
    what could be added by the figures alone, where the rule itself is in doubt."""

    ends: int | None
    begins: int | None = None
    of: str | None = None
    figures: int | None = None

    def as_json(self) -> dict[str, str | None]:
        """The keys of the command line, in litres."""
        return {
            "headroom_l": None if self.ends is None else text(self.ends),
            "earned_l": None if self.begins is None else text(self.begins),
            "earned_with": self.of,
        }


def room(row: Verdict, fill: Fill, adding: Fill | None, name: str | None = None) -> Room:
    """The room of one row. ``adding`` is the wine to be added, called ``name``; without one it is
    wine of which nothing is known, and what would earn the statement is wine that is all it asks.
    """
    if row.verdict == SUPPORTED:
        return Room(None if row.stake is None else Line(fill, adding).ends(row.stake))
    if row.figures is not None and row.reckoned == SUPPORTED:
        return Room(0, figures=Line(fill, adding).ends(row.figures))
    if row.stake is None:
        return Room(0)
    if adding is not None:
        begins = Line(fill, adding).begins(row.stake)
        return Room(0, begins, f"`{name}`" if begins is not None else None)
    found = []
    for wished, words in _wished(row.question):
        begins = Line(fill, wished).begins(row.stake)
        if begins is not None:
            found.append((begins, words))
    return Room(0, *min(found)) if found else Room(0)


class _Wish(Struct, frozen=True):
    """Wine that is all that a statement asks."""

    variety: str | None
    vintage: int | None
    facts: dict[str, Any]
    stated: int | None = None
    picked_on: date | None = None
    material: str | None = None
    role: str | None = None
    own: bool | None = True
    made_here: bool | None = True

    def grown_in(self, _: str, /) -> bool | None:
        return True

    def made_in(self, _: str, /) -> bool | None:
        return True

    def fact(self, name: str, /) -> Any:
        value = self.facts.get(name)
        return value[0] if isinstance(value, list) and value else value


class _Pure(Struct, frozen=True):
    """A body of one leaf."""

    leaves: tuple[_Wish, ...]
    seed: str = "wished for"
    grapes: None = None

    def enclose(
        self, weigh: Sequence[int | Fraction], bits: int = 0, /
    ) -> tuple[Fraction, Fraction]:
        del bits
        return Fraction(weigh[0]), Fraction(weigh[0])

    def residue(self, weigh: Sequence[int | Fraction], prime: int, /) -> int:
        value = weigh[0]
        return value.numerator * pow(value.denominator, -1, prime) % prime

    def events(self, _: Sequence[bool], /) -> tuple[str, ...]:
        return ()


def _wished(asked: Question | None) -> Iterator[tuple[Fill, str]]:
    """Wine that would earn a statement: of each name that it names."""
    if asked is None:
        return
    subject, rule = asked.subject, asked.rule
    facts = dict(subject.value.get("where") or {}) if subject.dimension == "text" else {}
    several = subject.names if subject.dimension == "variety" else subject.names[:1]
    for name in several:
        variety = name if subject.dimension == "variety" else None
        vintage = int(name) if subject.dimension == "vintage" else None
        one = type(subject)(subject.dimension, (name,), subject.area, subject.value)
        wish = _Wish(variety, vintage, facts)
        yield Fill(None, _Pure((wish,)), placed=True), f"wine that {one.phrase(rule)}"
