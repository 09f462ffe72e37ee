"""The cheapest or closest blend that meets its targets, in whole steps; or which targets collide.

HiGHS (through scipy) looks for it in binary floats: it only proposes. Whether a proposal meets a
target is decided in whole numbers and fractions (``blend_goals``), and one that misses by what a
float cannot tell is sent back with that target drawn tighter.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from itertools import combinations, islice
from math import inf
from typing import Any

from msgspec import Struct, field

from ampelog.blend_goals import Aim, Amounts, Every, Goal, Sum, sums

ATTEMPTS = 12
SECONDS = 20
"""The longest that one look may take; an answer that is not proved the best by then is told so."""
APART = Fraction(1, 10**5)
"""Of a step: well above what HiGHS takes for nothing (10^-6). By so much a sum is drawn tighter
that is to be over its least, or that was missed by less than a float can tell."""
SOMETHING = Fraction(1, 1000)
"""Of a step: the least that a blend in finer steps takes."""
DEAREST = 1000
"""What the dearest step costs in the numbers that HiGHS is given."""
MOST_SETS = 300
"""How many sets of targets are tried for a smaller collision."""


class Near(Struct, frozen=True):
    """How far a sum of ``weigh * amount`` is from ``goal``, either way."""

    weigh: tuple[Fraction, ...]
    goal: Fraction


class Plan(Struct, frozen=True):
    """What a solver is asked. Amounts are whole steps: of each wine from 0 to ``most``, of one of
    them at least one. Sought is the least of the cost (by wine) and all that is ``near``."""

    most: tuple[int, ...]
    aims: tuple[Aim, ...]
    cost: tuple[Fraction, ...]
    near: tuple[Near, ...] = ()

    def worth(self, amounts: Amounts) -> Fraction:
        """What is sought to be least, exactly."""
        paid = sum((c * n for c, n in zip(self.cost, amounts, strict=True)), Fraction(0))
        off = (
            abs(sum((w * n for w, n in zip(one.weigh, amounts, strict=True)), -one.goal))
            for one in self.near
        )
        return paid + sum(off, Fraction(0))


class Found(Struct, frozen=True):
    """The blend in steps of each wine, or the targets that collide. ``proved``: no better one
    exists; where there is no blend and nothing collides, none was found in time. ``grid``: only for
    want of finer steps there is none."""

    amounts: tuple[int, ...] | None
    collide: tuple[str, ...] = ()
    proved: bool = True
    grid: bool = False


class Rows(Struct):
    """A problem as HiGHS takes it: columns with bounds, rows with what they are at least."""

    plan: Plan
    margins: dict[int, Fraction]
    whole: bool = True
    rows: list[dict[int, Fraction]] = field(default_factory=list)
    least: list[Fraction] = field(default_factory=list)
    upper: list[Fraction | None] = field(default_factory=list)
    integral: list[int] = field(default_factory=list)
    cost: list[Fraction] = field(default_factory=list)

    def __post_init__(self) -> None:
        for most, cost in zip(self.plan.most, self.plan.cost, strict=True):
            self.column(Fraction(most), cost, whole=self.whole)

    def column(self, upper: Fraction | None, cost: Fraction, *, whole: bool) -> int:
        """One more column, from zero; its number."""
        self.upper.append(upper)
        self.integral.append(int(whole))
        self.cost.append(cost)
        return len(self.cost) - 1

    def distances(self) -> None:
        """What is sought to be near costs what it is off, either way."""
        for one in self.plan.near:
            off = self.column(None, Fraction(1), whole=False)
            weights = dict(enumerate(one.weigh))
            self.row({**weights, off: Fraction(1)}, one.goal)
            self.row({**{k: -w for k, w in weights.items()}, off: Fraction(1)}, -one.goal)

    def row(self, weights: dict[int, Fraction], least: Fraction) -> None:
        """One more row, scaled so that its largest weight is one."""
        largest = max((abs(weight) for weight in weights.values()), default=Fraction(0))
        scale = 1 / largest if largest else Fraction(1)
        self.rows.append({key: weight * scale for key, weight in weights.items() if weight})
        self.least.append(least * scale)

    def goal(self, goal: Goal, chosen: int | None = None) -> None:
        """The rows of a goal; where it is one of several, they bind only if it is ``chosen``."""
        if isinstance(goal, Sum):
            self._sum(goal, chosen)
        elif isinstance(goal, Every):
            for each in goal.of:
                self.goal(each, chosen)
        else:
            picks = []
            for each in goal.of:
                picks.append(self.column(Fraction(1), Fraction(0), whole=True))
                self.goal(each, picks[-1])
            weights = dict.fromkeys(picks, Fraction(1))
            if chosen is None:
                self.row(weights, Fraction(1))
            else:
                self.row({**weights, chosen: Fraction(-1)}, Fraction(0))

    def _sum(self, goal: Sum, chosen: int | None) -> None:
        over = _hair(goal) if goal.strict else Fraction(0)
        least = goal.least + self.margins.get(id(goal), over)
        weights = dict(enumerate(goal.weigh))
        if chosen is not None:
            # Not chosen, the row is let down to the lowest that the sum can be.
            ends = zip(goal.weigh, self.plan.most, strict=True)
            lowest = sum((weight * most for weight, most in ends if weight < 0), Fraction(0))
            slack = max(least - lowest, Fraction(0))
            weights[chosen], least = -slack, least - slack
        self.row(weights, least)

    def asked(self, aims: Sequence[Aim], *, seek: bool) -> Any:
        """What HiGHS answers to these targets; ``seek``: with the best of all blends."""
        from scipy.optimize import milp

        if seek:
            self.distances()
        for aim in aims:
            self.goal(aim.goal)
        # To take nothing meets many a target, and is no blend.
        least = Fraction(1) if self.whole else SOMETHING
        self.row(dict.fromkeys(range(len(self.plan.most)), Fraction(1)), least)
        with _silent():
            return milp(**self.numbers(seek=seek))

    def numbers(self, *, seek: bool) -> dict[str, Any]:
        """The problem in binary floats, as HiGHS is given it."""
        from scipy.optimize import Bounds, LinearConstraint

        width = len(self.cost)
        matrix = [[_near(row.get(key)) for key in range(width)] for row in self.rows]
        highest = max((abs(cost) for cost in self.cost), default=Fraction(0)) or Fraction(1)
        upper = [inf if each is None else _near(each) for each in self.upper]
        rows = [LinearConstraint(matrix, [_near(each) for each in self.least])] if matrix else ()
        return {
            "c": [_near(each * DEAREST / highest) if seek else 0 for each in self.cost],
            "integrality": self.integral,
            "bounds": Bounds([0] * width, upper),
            "constraints": rows,
            "options": {"mip_rel_gap": 0, "time_limit": SECONDS},
        }


@contextmanager
def _silent() -> Iterator[None]:
    """HiGHS prints some of its troubles itself, past Python: onto what may be a JSON document."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # standard output is closed: nothing can be printed there
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        ctypes.CDLL(None).fflush(None)
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _near(value: Fraction | None) -> Any:
    """The nearest binary float: for HiGHS alone."""
    return value.numerator / value.denominator if value else 0


def solve(plan: Plan) -> Found:
    """The best blend in whole steps, every target of which is met exactly; or what collides."""
    margins: dict[int, Fraction] = {}
    found = _look(plan, plan.aims, margins, seek=True)
    return _collision(plan, margins) if found is None else found


def _look(
    plan: Plan, aims: Sequence[Aim], margins: dict[int, Fraction], *, seek: bool
) -> Found | None:
    """A blend that meets these targets exactly, the best where that is sought; None where there is
    none. What a float cannot tell is drawn tighter, in ``margins``."""
    proved = True
    for _ in range(ATTEMPTS):
        answer = Rows(plan, margins).asked(aims, seek=seek)
        if answer.x is None:
            return Found(None, proved=False) if answer.status == _TIME else None
        amounts = tuple(round(each) for each in answer.x[: len(plan.most)])
        missed = [aim.goal for aim in aims if not aim.goal.holds(amounts)]
        if not missed:
            return Found(amounts, proved=proved and answer.status == _BEST)
        proved &= all(one.strict for goal in missed for one in _failing(goal, amounts))
        for goal in missed:
            _tighten(goal, amounts, margins)
    return Found(None, proved=False)


_BEST, _TIME = 0, 1


def _failing(goal: Goal, amounts: Amounts) -> Iterator[Sum]:
    return (one for one in sums(goal) if not one.holds(amounts))


def _hair(one: Sum) -> Fraction:
    """What HiGHS can tell from nothing in a sum."""
    largest = max((abs(weight) for weight in one.weigh), default=Fraction(0)) or Fraction(1)
    return largest * APART


def _tighten(goal: Goal, amounts: Amounts, margins: dict[int, Fraction]) -> None:
    """Draw the sums that were missed by what a float cannot tell a little tighter."""
    for one in _failing(goal, amounts):
        margins[id(one)] = 2 * margins.get(id(one), _hair(one))


# --- which targets collide ---


def _collision(plan: Plan, margins: dict[int, Fraction]) -> Found:
    """A smallest set of targets that no blend meets together: without any one of them there is one.
    By leaving out one after the other; then smaller sets are tried, as far as that is quick."""
    aims = list(plan.aims)
    grid = Rows(plan, margins, whole=False).asked(aims, seek=False).x is not None
    kept = list(aims)
    for aim in aims:
        rest = [each for each in kept if each is not aim]
        if rest and not _feasible(plan, rest, margins):
            kept = rest
    sets = (some for size in range(1, len(kept)) for some in combinations(aims, size))
    for some in islice(sets, MOST_SETS):
        if not _feasible(plan, some, margins):
            kept = list(some)
            break
    return Found(None, tuple(aim.name for aim in kept), grid=grid)


def _feasible(plan: Plan, aims: Sequence[Aim], margins: dict[int, Fraction]) -> bool:
    return _look(plan, aims, margins, seek=False) is not None
