"""How much of a wine matches, decided exactly, where part of it may be unknown.

A match is asked of every source of the wine and answers yes, no, or None: nobody knows. The share
that certainly matches, and the share that may, are measured on the composition; a threshold is
met, missed, or left open by what is unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor
from typing import Literal, Protocol

Judgement = Literal["supported", "refused", "undetermined"]
SUPPORTED: Judgement = "supported"
REFUSED: Judgement = "refused"
UNDETERMINED: Judgement = "undetermined"
SEVERITY: dict[Judgement, int] = {SUPPORTED: 0, UNDETERMINED: 1, REFUSED: 2}

DECIMALS = 30
"""The decimals of a share that is printed."""
_GRID = 10**DECIMALS


class Leaf(Protocol):
    """A source of the wine, or one part of a source. None is unknown, but for ``material``:
    what is no grape has one, and all else has none."""

    @property
    def event(self) -> str: ...
    @property
    def variety(self) -> str | None: ...
    @property
    def vintage(self) -> int | None: ...
    @property
    def material(self) -> str | None: ...
    def grown_in(self, place: str, /) -> bool | None:
        """Whether it grew in that registered place; None where nobody knows."""
        ...


class Measure(Protocol):
    """A measured share: ``low <= share <= high``, and whether it is at least the threshold."""

    @property
    def low(self) -> Fraction: ...
    @property
    def high(self) -> Fraction: ...
    @property
    def meets(self) -> bool: ...


class Composition(Protocol):
    """What a wine is made of. ``measure`` gives the sum of ``weigh(leaf) * share(leaf)``."""

    @property
    def leaves(self) -> Sequence[Leaf]: ...
    def measure(
        self, weigh: Callable[[Leaf], int | Fraction], threshold: Fraction, /
    ) -> Measure: ...


@dataclass(frozen=True)
class Fill:
    """A fill of a bottled lot, or a bulk lot as a whole (then ``event`` is None)."""

    event: str | None
    composition: Composition


Match = Callable[[Leaf], bool | None]


def every(answers: Iterable[bool | None]) -> bool | None:
    """No where one is no, else unknown where one is unknown, else yes."""
    found = list(answers)
    if False in found:
        return False
    return None if None in found else True


def some(answers: Iterable[bool | None]) -> bool | None:
    """Yes where one is yes, else unknown where one is unknown, else no."""
    found = list(answers)
    if True in found:
        return True
    return None if None in found else False


def inverse(answer: bool | None) -> bool | None:
    """No for yes, yes for no; the unknown stays unknown."""
    return None if answer is None else not answer


def worst(judgements: Iterable[Judgement]) -> Judgement:
    """The worst of several: refused, then undetermined, then supported."""
    return max(judgements, key=SEVERITY.__getitem__, default=SUPPORTED)


@dataclass(frozen=True)
class Reach:
    """A share against a threshold.

    ``bound`` is the threshold; ``actual`` the share that certainly matches, rounded down to 30
    decimals; ``unknown`` the share of which nobody knows, rounded up. ``proof`` are the events of
    the sources that match.
    """

    bound: Fraction
    actual: Fraction
    unknown: Fraction
    verdict: Judgement
    proof: tuple[str, ...]

    @property
    def margin(self) -> Fraction:
        """What is over the threshold, below zero where it is missed."""
        return self.actual - self.bound


def reach(composition: Composition, match: Match, threshold: Fraction) -> Reach:
    """Measure what matches against a threshold that equality meets."""
    answers = {id(leaf): match(leaf) for leaf in composition.leaves}

    def answer(leaf: Leaf) -> bool | None:
        return answers[id(leaf)] if id(leaf) in answers else match(leaf)

    sure = _measured(composition, lambda leaf: answer(leaf) is True, threshold)
    proof = dict.fromkeys(leaf.event for leaf in composition.leaves if answer(leaf) is True)
    if None not in answers.values():
        verdict = SUPPORTED if sure.meets else REFUSED
        return Reach(threshold, sure.floor, Fraction(0), verdict, tuple(proof))
    possible = _measured(composition, lambda leaf: answer(leaf) is not False, threshold)
    verdict = SUPPORTED if sure.meets else UNDETERMINED if possible.meets else REFUSED
    known = _measured(composition, lambda leaf: answer(leaf) is not None, Fraction(1))
    unknown = 1 - known.floor
    return Reach(threshold, sure.floor, unknown, verdict, tuple(proof))


@dataclass(frozen=True)
class _Measured:
    floor: Fraction
    meets: bool


def _measured(
    composition: Composition, counts: Callable[[Leaf], bool], threshold: Fraction
) -> _Measured:
    """The share of what counts, rounded down. All and none of the wine need no measuring."""
    found = {counts(leaf) for leaf in composition.leaves}
    if len(found) < 2:
        whole = Fraction(int(True in found))
        return _Measured(whole, whole >= threshold)

    def weigh(leaf: Leaf) -> int:
        return int(counts(leaf))

    asked = min(max(threshold, Fraction(0)), Fraction(1))
    measure = composition.measure(weigh, asked)
    meets = measure.meets and threshold <= 1
    low = max(measure.low, asked) if measure.meets else measure.low
    # A share that is a short decimal may lie a hair above ``low``: ask, rather than print 0.7999.
    decimal = Fraction(floor(measure.high * _GRID), _GRID)
    if low < decimal and composition.measure(weigh, decimal).meets:
        low = decimal
    return _Measured(Fraction(floor(low * _GRID), _GRID), meets)


@dataclass(frozen=True)
class Printed:
    """A share that the label prints, within a tolerance: the nearer bound, ``upper`` or lower,
    what is there, rounded toward that bound, and how far it is inside."""

    bound: Fraction
    upper: bool
    actual: Fraction
    margin: Fraction
    unknown: Fraction
    verdict: Judgement
    proof: tuple[str, ...]


def within(composition: Composition, match: Match, printed: Fraction, off: Fraction) -> Printed:
    """Whether what matches is within ``off`` of the printed share; the edges are within."""
    above = reach(composition, match, printed - off)
    below = reach(composition, lambda leaf: inverse(match(leaf)), 1 - printed - off)
    judged = worst((above.verdict, below.verdict))
    # A bound beyond 0 or 1 cannot be missed, so it is never the one to show.
    upper = above.bound <= 0 or (below.bound > 0 and below.margin < above.margin)
    bound, actual = (1 - below.bound, 1 - below.actual) if upper else (above.bound, above.actual)
    margin = below.margin if upper else above.margin
    return Printed(bound, upper, actual, margin, above.unknown, judged, above.proof)
