"""The solver against brute force: every blend in whole steps is tried, exactly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations, product

from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog.blend_goals import Aim, Amounts, Every, Goal, Some, Sum
from ampelog.blend_solver import Near, Plan, solve


def blends(plan: Plan) -> Iterator[tuple[int, ...]]:
    """Every blend in whole steps; to take nothing is none."""
    return filter(any, product(*(range(most + 1) for most in plan.most)))


def meets(aims: Sequence[Aim], amounts: Amounts) -> bool:
    return all(aim.goal.holds(amounts) for aim in aims)


def possible(plan: Plan, aims: Sequence[Aim]) -> bool:
    return any(meets(aims, amounts) for amounts in blends(plan))


def ones(count: int, by: int = 1) -> tuple[Fraction, ...]:
    return (Fraction(by),) * count


WEIGHTS = st.fractions(-2, 2, max_denominator=12)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Two to four wines of few steps, with a volume, and targets of every form."""
    count = draw(st.integers(2, 4))
    most = tuple(draw(st.lists(st.integers(0, 5), min_size=count, max_size=count).filter(any)))

    def linear() -> Sum:
        weigh = tuple(draw(st.lists(WEIGHTS, min_size=count, max_size=count)))
        least = Fraction(draw(st.sampled_from([0, 0, 0, 1, 2])))
        return Sum(weigh, least, draw(st.booleans()))

    def goal(deep: int) -> Goal:
        form = draw(st.integers(0, 3)) if deep else 0
        if form < 2:
            return linear()
        parts = tuple(goal(deep - 1) for _ in range(draw(st.integers(1, 2))))
        return Every(parts) if form == 2 else Some(parts)

    volume = draw(st.integers(1, 8))
    whole = (Sum(ones(count), Fraction(volume)), Sum(ones(count, -1), Fraction(-volume)))
    aims = [Aim("volume", Every(whole))]
    aims += [Aim(f"target {n}", goal(2)) for n in range(draw(st.integers(0, 4)))]
    money = st.fractions(0, 20, max_denominator=100)
    cost = tuple(draw(st.lists(money, min_size=count, max_size=count)))
    near: tuple[Near, ...] = ()
    if draw(st.booleans()):
        cost = ones(count, 0)
        wished = draw(st.lists(st.integers(0, 5), min_size=count, max_size=count))
        alone = [tuple(Fraction(int(a == b)) for a in range(count)) for b in range(count)]
        near = tuple(Near(row, Fraction(wish)) for row, wish in zip(alone, wished, strict=True))
    return Plan(most, tuple(aims), cost, near)


@settings(max_examples=120)
@given(plan=plans())
def test_no_blend_is_better_and_where_there_is_none_the_targets_collide(plan: Plan) -> None:
    found = solve(plan)
    lawful = [amounts for amounts in blends(plan) if meets(plan.aims, amounts)]
    if found.amounts is not None:
        assert found.amounts in lawful
        assert found.proved
        assert plan.worth(found.amounts) == min(plan.worth(each) for each in lawful)
        return
    assert lawful == []
    named = {aim.name: aim for aim in plan.aims}
    collide = [named[name] for name in found.collide]
    assert collide
    assert not possible(plan, collide)
    for smaller in (some for n in range(len(collide)) for some in combinations(plan.aims, n)):
        assert possible(plan, smaller), "a smaller set collides"


def at_least(share: Fraction, *which: int, count: int) -> Sum:
    """These wines are at least a share of the blend."""
    return Sum(tuple(int(index in which) - share for index in range(count)))


def test_a_share_is_met_to_the_last_step_though_floats_cannot_tell() -> None:
    """Three million steps of a millilitre: equality meets, and a step less does not."""
    whole = 3_000_000
    volume = Aim(
        "volume", Every((Sum(ones(2), Fraction(whole)), Sum(ones(2, -1), Fraction(-whole))))
    )
    for share in (Fraction(3, 4), Fraction(19, 20), Fraction(17, 20), Fraction(2, 3)):
        aim = Aim("share", at_least(share, 0, count=2))
        found = solve(Plan((whole, whole), (volume, aim), (Fraction(2), Fraction(1))))
        assert found.amounts == (int(share * whole), int((1 - share) * whole))


def test_a_share_that_lies_between_two_steps_takes_the_next() -> None:
    whole = 1000
    volume = Aim(
        "volume", Every((Sum(ones(2), Fraction(whole)), Sum(ones(2, -1), Fraction(-whole))))
    )
    aim = Aim("share", at_least(Fraction(2, 3), 0, count=2))
    found = solve(Plan((whole, whole), (volume, aim), (Fraction(2), Fraction(1))))
    assert found.amounts == (667, 333)
    more = Aim("more", Sum((Fraction(1, 4), Fraction(-3, 4)), strict=True))
    found = solve(Plan((whole, whole), (volume, more), (Fraction(2), Fraction(1))))
    assert found.amounts == (751, 249)


def test_a_target_missed_by_less_than_a_float_can_tell_is_not_met() -> None:
    """The first wine is a hair poorer than it would have to be."""
    hair = Fraction(1, 10**40)
    volume = Aim("volume", Every((Sum(ones(2), Fraction(10)), Sum(ones(2, -1), Fraction(-10)))))
    poor = Aim("claim", Sum((-hair, Fraction(-1))))
    exact = Aim("claim", Sum((Fraction(0), Fraction(-1))))
    costs = (Fraction(1), Fraction(2))
    assert solve(Plan((10, 10), (volume, exact), costs)).amounts == (10, 0)
    found = solve(Plan((10, 10), (volume, poor), costs))
    assert found.amounts is None


def test_that_only_finer_steps_would_do_is_told() -> None:
    half = Aim(
        "half a step", Every((Sum((Fraction(2),), Fraction(1)), Sum((Fraction(-2),), Fraction(-1))))
    )
    found = solve(Plan((5,), (half,), (Fraction(1),)))
    assert (found.amounts, found.collide, found.grid) == (None, ("half a step",), True)
    never = Aim("six of five", Sum((Fraction(1),), Fraction(6)))
    found = solve(Plan((5,), (half, never), (Fraction(1),)))
    assert len(found.collide) == 1
    assert not found.grid
