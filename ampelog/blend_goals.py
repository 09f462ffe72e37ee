"""What is wanted of a blend, as sums over what it takes of each wine that are not to be negative.

A label's condition is a weighted sum over the sources of a wine (``conditions``). In a blend that
sum is the mean of the sums in its wines by what is taken of each: linear, so that a solver can look
for a blend, and decided exactly, so that its answer can be proved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

from msgspec import Struct

from ampelog.composition import sign
from ampelog.conditions import All, ByGrapes, Condition, Either, Holds, Least
from ampelog.shares import Body, Fill

Amounts = Sequence[int]


class Sum(Struct, frozen=True, eq=False):
    """The sum of ``weigh * amount`` is at least ``least``; ``strict``: it is over it. ``exact``
    gives the sign of what is over where the weights are themselves rounded."""

    weigh: tuple[Fraction, ...]
    least: Fraction = Fraction(0)
    strict: bool = False
    exact: Callable[[Amounts], int] | None = None

    def over(self, amounts: Amounts) -> Fraction:
        """What the sum is over the least by the weights, below zero where it is missed."""
        pairs = zip(self.weigh, amounts, strict=True)
        return sum((weight * amount for weight, amount in pairs), Fraction(0)) - self.least

    def holds(self, amounts: Amounts) -> bool:
        """Whether it is so, exactly."""
        if self.exact is not None:
            found = self.exact(amounts)
        else:
            over = self.over(amounts)
            found = (over > 0) - (over < 0)
        return found > 0 or (found == 0 and not self.strict)


class Every(Struct, frozen=True, eq=False):
    """Each of these is so."""

    of: tuple[Goal, ...]

    def holds(self, amounts: Amounts) -> bool:
        """Whether each is so, exactly."""
        return all(goal.holds(amounts) for goal in self.of)


class Some(Struct, frozen=True, eq=False):
    """At least one of these is so."""

    of: tuple[Goal, ...]

    def holds(self, amounts: Amounts) -> bool:
        """Whether one is so, exactly."""
        return any(goal.holds(amounts) for goal in self.of)


Goal = Sum | Every | Some
ALWAYS = Every(())
NEVER = Some(())


class Aim(Struct, frozen=True, eq=False):
    """A goal under the name that people know it by."""

    name: str
    goal: Goal


def sums(goal: Goal) -> Iterator[Sum]:
    """All the sums in a goal."""
    if isinstance(goal, Sum):
        yield goal
    else:
        for each in goal.of:
            yield from sums(each)


class Wines:
    """The wines that a blend may take, each with its sources; ``whole`` is a blend of all of them,
    which has every source that a blend can have."""

    def __init__(self, fills: Sequence[Fill], whole: Fill) -> None:
        self._fills, self._whole = list(fills), whole
        self._seed = whole.composition.seed

    def goal(self, condition: Condition) -> Goal:
        """What a condition asks of what is taken of each wine."""
        if isinstance(condition, Least):
            bodies = [_body(condition, fill) for fill in self._fills]
            return self._sum(condition, [body for body in bodies if body is not None])
        if isinstance(condition, All):
            return Every(tuple(self.goal(each) for each in condition.of))
        if isinstance(condition, Either):
            return Some(tuple(self.goal(each) for each in condition.of))
        if isinstance(condition, Holds):
            return self._holding(condition)
        return self._weighed(condition)

    def _sum(self, least: Least, bodies: Sequence[Body]) -> Sum:
        assert len(bodies) == len(self._fills), "what is asked by weight has a weight"
        # The least that each source can count: what is unknown counts against the statement.
        weights = [[least.weigh(leaf)[0] for leaf in body.leaves] for body in bodies]
        near = [body.enclose(weigh) for body, weigh in zip(bodies, weights, strict=True)]

        def exact(amounts: Amounts) -> int:
            terms = [
                (body, [amount * weight for weight in weigh])
                for body, weigh, amount in zip(bodies, weights, amounts, strict=True)
                if amount
            ]
            return sign(terms, self._seed)

        return Sum(tuple(low for low, _ in near), Fraction(0), least.strict, exact)

    def _holding(self, condition: Holds) -> Goal:
        """What is so of the blend of all is so of each blend; else of those that take no wine of
        which it is not so."""
        if condition.test(self._whole):
            return ALWAYS
        return self._without([condition.test(fill) is True for fill in self._fills])

    def _without(self, good: Sequence[bool]) -> Goal:
        if all(good):
            return ALWAYS
        return Sum(tuple(Fraction(0 if each else -1) for each in good))

    def _weighed(self, condition: ByGrapes) -> Goal:
        """By the weight of the grapes, which says nothing where the weight behind some of the blend
        is not known."""
        known = [fill.composition.grapes is not None for fill in self._fills]
        if all(known):
            return self.goal(condition.of)
        taken = Sum(tuple(Fraction(int(not each)) for each in known), strict=True)
        only = [index for index, each in enumerate(known) if each]
        if not only:
            return ALWAYS
        inner = Wines([self._fills[index] for index in only], self._whole).goal(condition.of)
        return Some((taken, Every((self._without(known), _spread(inner, only, len(known))))))


def _body(least: Least, fill: Fill) -> Body | None:
    return fill.composition.grapes if least.grapes else fill.composition


def _spread(goal: Goal, only: Sequence[int], count: int) -> Goal:
    """A goal over some of the wines, as one over all of them."""
    if not isinstance(goal, Sum):
        return type(goal)(tuple(_spread(each, only, count) for each in goal.of))
    weigh = [Fraction(0)] * count
    for index, weight in zip(only, goal.weigh, strict=True):
        weigh[index] = weight
    inner = goal.exact

    def exact(amounts: Amounts) -> int:
        assert inner is not None, "a sum over sources is decided exactly"
        return inner([amounts[index] for index in only])

    return Sum(tuple(weigh), goal.least, goal.strict, exact if inner is not None else None)


def harder(goal: Goal, by: Fraction) -> Goal:
    """The same goal, missed by less than a share of the blend: for where the exact check of a blend
    disagrees with its parts."""
    if not isinstance(goal, Sum):
        return type(goal)(tuple(harder(each, by) for each in goal.of))
    return Sum(tuple(weight - by for weight in goal.weigh), goal.least, goal.strict)
