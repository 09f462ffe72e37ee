"""Conditions on a wine, linear in its shares and decided exactly, now and as wine is added.

A condition asks that a weighted sum over the sources is not below zero. Where something is unknown
of a source its weight has a least and a most: a condition surely holds where even the least sum is
not below zero, and possibly holds where the most is not.

Adding wine moves every such sum along a line. Where a statement ends, or begins to stand, is then
a crossing of lines, found exactly on the grid of 10^-12 L: at that volume it is so, one step of
the grid further it is not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from math import floor

from msgspec import Struct
from msgspec.structs import replace

from ampelog.composition import Number, sign
from ampelog.shares import (
    NOTHING,
    REFUSED,
    SUPPORTED,
    UNDETERMINED,
    Body,
    Fill,
    Judgement,
    Leaf,
)

Span = tuple[Number, Number]
"""The least and the most that a part of a source can count."""

FAR = 8
"""A crossing that is not known to so many steps of the grid lies beyond any cellar."""


class Least(Struct, frozen=True, eq=False):
    """The weighted sum is not below zero; ``strict``: it is above. ``grapes``: the sum by the
    weight of the grapes, which must be known."""

    weigh: Callable[[Leaf], Span]
    strict: bool = False
    grapes: bool = False


class All(Struct, frozen=True, eq=False):
    """Every one of these holds."""

    of: tuple[Condition, ...]


class Either(Struct, frozen=True, eq=False):
    """At least one of these holds."""

    of: tuple[Condition, ...]


class Holds(Struct, frozen=True, eq=False):
    """Something that is so of a whole wine or is not (None: nobody knows): of a mixture where it
    is so of every wine in it, and never of one that holds wine of which nothing is known.
    ``alone``: it does not outlast the addition of any other wine."""

    test: Callable[[Fill], bool | None]
    alone: bool = False


class ByGrapes(Struct, frozen=True, eq=False):
    """A condition on the weight of the grapes, which holds of itself where that weight is not known
    of all the wine."""

    of: Condition


Condition = Least | All | Either | Holds | ByGrapes
NEVER = Either(())
"""Holds of no wine."""


def by_grapes(condition: Condition) -> Condition:
    """The same, asked by the weight of the grapes."""
    if isinstance(condition, Least):
        return replace(condition, grapes=True)
    if isinstance(condition, (All, Either)):
        return type(condition)(tuple(by_grapes(each) for each in condition.of))
    return condition


def decide(condition: Condition, fill: Fill) -> Judgement:
    """Whether a condition holds of a wine as it is."""
    line = Line(fill)
    if line.holds(condition, 0):
        return SUPPORTED
    return UNDETERMINED if line.holds(condition, 0, possibly=True) else REFUSED


class _Sum:
    """One weighted sum along a line: what the wine gives, and what each step that is added."""

    def __init__(self, line: Line, least: Least, which: int) -> None:
        self._volume, self._seed = line.volume, line.base.composition.seed
        body = _body(least, line.base)
        assert body is not None, "what is asked by weight has a weight"
        self._body, self._other = body, _body(least, line.added)
        self._base = [span[which] for span in line.spans(least, line.base)]
        self.here = self._body.enclose(self._base)
        self._added: list[Number] = []
        self._flat: Number = 0
        if line.added is None or self._other is None:
            self._flat = least.weigh(NOTHING)[which]
            self.step = (Fraction(self._flat), Fraction(self._flat))
        else:
            self._added = [span[which] for span in line.spans(least, line.added)]
            self.step = self._other.enclose(self._added)

    def sign(self, at: int) -> int:
        """The exact sign of the sum with so much added."""
        volume = self._volume
        low = volume * self.here[0] + at * self.step[0]
        high = volume * self.here[1] + at * self.step[1]
        if low > 0 or high < 0 or low == high:
            return (low > 0) - (low < 0)
        flat = at * self._flat
        terms = [(self._body, [volume * weight + flat for weight in self._base])]
        if at and self._other is not None:
            terms.append((self._other, [at * weight for weight in self._added]))
        return sign(terms, self._seed)

    def _steepness(self) -> int:
        if self.step[0] > 0 or self.step[1] < 0 or self.step[0] == self.step[1]:
            return (self.step[0] > 0) - (self.step[0] < 0)
        assert self._other is not None, "what nobody knows has one weight"
        return sign([(self._other, self._added)], self._other.seed)

    def crossings(self) -> Iterator[int]:
        """The steps of the grid next to where the sum is zero."""
        if not self._steepness() or self.step[0] <= 0 <= self.step[1]:
            return
        ends = [-self._volume * here / step for here in self.here for step in self.step]
        first, last = floor(min(ends)), floor(max(ends)) + 1
        if last >= 0 and last - first < FAR:
            yield from range(max(first, 0), last + 1)


def _body(least: Least, fill: Fill | None) -> Body | None:
    if fill is None or not least.grapes:
        return fill.composition if fill is not None else None
    return fill.composition.grapes


class Line:
    """A wine to which another is added, or wine of which nothing is known where none is named."""

    def __init__(self, base: Fill, added: Fill | None = None) -> None:
        self.base, self.added = base, added
        self.volume = base.amount
        self._sums: dict[tuple[Least, int], _Sum] = {}
        self._spans: dict[tuple[Callable[[Leaf], Span], int], list[Span]] = {}

    def spans(self, least: Least, fill: Fill) -> list[Span]:
        """What every part of a wine can count, each asked once."""
        found = self._spans.get((least.weigh, id(fill)))
        if found is None:
            leaves = fill.composition.leaves
            found = self._spans[least.weigh, id(fill)] = [least.weigh(leaf) for leaf in leaves]
        return found

    def _sum(self, least: Least, which: int) -> _Sum:
        found = self._sums.get((least, which))
        if found is None:
            found = self._sums[least, which] = _Sum(self, least, which)
        return found

    def holds(self, condition: Condition, at: int, *, possibly: bool = False) -> bool:
        """Whether a condition surely (or possibly) holds with so much (10^-12 L) added."""
        if isinstance(condition, Least):
            found = self._sum(condition, int(possibly)).sign(at)
            return found > 0 or (found == 0 and not condition.strict)
        if isinstance(condition, Holds):
            return self._test(condition, at, possibly)
        if isinstance(condition, ByGrapes):
            weighed = self._weighed() if at else self.base.composition.grapes is not None
            return not weighed or self.holds(condition.of, at, possibly=possibly)
        answers = (self.holds(each, at, possibly=possibly) for each in condition.of)
        return all(answers) if isinstance(condition, All) else any(answers)

    def _test(self, condition: Holds, at: int, possibly: bool) -> bool:
        here = condition.test(self.base)
        if at and (condition.alone or self.added is None):
            here = None if here else here
        elif at and self.added is not None:
            other = condition.test(self.added)
            here = False if False in (here, other) else None if None in (here, other) else True
        return here is True or (possibly and here is None)

    def _weighed(self) -> bool:
        """Whether the weight of the grapes is known of both wines."""
        wines = (self.base, self.added)
        return all(each is not None and each.composition.grapes is not None for each in wines)

    def _points(self, condition: Condition) -> set[int]:
        """Where on the grid the answer may change: next to every crossing."""
        if isinstance(condition, Least):
            return set(self._sum(condition, 0).crossings())
        if isinstance(condition, Holds):
            return {1}
        if isinstance(condition, ByGrapes):
            return {1} | (self._points(condition.of) if self._weighed() else set())
        return {point for each in condition.of for point in self._points(each)}

    def ends(self, condition: Condition) -> int | None:
        """The most (10^-12 L) that can be added so that a condition holds all the way; None where
        nothing ends it. It holds as the wine is."""
        for point in sorted(self._points(condition) | {0}):
            if not self.holds(condition, point):
                return point - 1
        return None

    def begins(self, condition: Condition) -> int | None:
        """The least (10^-12 L) that must be added for a condition to hold; None where nothing
        earns it."""
        points: Iterable[int] = sorted(self._points(condition) | {0})
        return next((point for point in points if self.holds(condition, point)), None)


def total(
    matches: Callable[[Leaf], bool | None],
    counts: Callable[[Leaf], bool | None],
    threshold: Fraction,
) -> Least:
    """Of the sources that count, at least a share matches."""

    over, under = 1 - threshold, -threshold

    def weigh(leaf: Leaf) -> Span:
        in_it, match = counts(leaf), matches(leaf)
        if in_it is False:
            return 0, 0
        least: Number = over if match else under
        most: Number = under if match is False else over
        return (least, most) if in_it else (min(least, 0), max(most, 0))

    return Least(weigh)


def compared(
    more: Callable[[Leaf], bool | None],
    less: Callable[[Leaf], bool | None],
    counts: Callable[[Leaf], bool | None],
    *,
    strict: bool = False,
) -> Least:
    """What is ``more`` is at least (``strict``: over) what is ``less``; nothing is both."""

    def weigh(leaf: Leaf) -> Span:
        found: Sequence[Number] = [
            0 if not in_it else int(one) - int(other)
            for in_it in _either(counts(leaf))
            for one in _either(more(leaf))
            for other in _either(less(leaf))
            if not (one and other)
        ] or [0]
        return min(found), max(found)

    return Least(weigh, strict)


def _either(answer: bool | None) -> tuple[bool, ...]:
    return (True, False) if answer is None else (answer,)
