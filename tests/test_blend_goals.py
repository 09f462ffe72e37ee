"""What is asked of a blend by what it takes of each wine is what is asked of the blend itself.

The oracle mixes: the sources of the wines with their shares are one wine, and the plain question is
put to that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from ampelog import rules
from ampelog.blend_goals import Every, Some, Sum, Wines, harder
from ampelog.claims import judge
from ampelog.conditions import NEVER, All, ByGrapes, Condition, Either, Holds, Least, total
from ampelog.scope import Label
from ampelog.shares import SUPPORTED, Fill
from tests.test_headroom import LABELS, PLACE, same, wines
from tests.wines import CS, ME, TODAY, Source, Wine, part, wine

LABEL = Label(approvals=("Wine of Origin certification",))


def mixed(parts: Sequence[tuple[Source, ...]], amounts: Sequence[int]) -> Wine:
    """So much of each wine as one wine."""
    whole = sum(amounts)
    return Wine(
        tuple(
            replace(leaf, share=leaf.share * amount / whole)
            for leaves, amount in zip(parts, amounts, strict=True)
            for leaf in leaves
            if amount
        )
    )


AMOUNTS = st.lists(st.integers(0, 9), min_size=3, max_size=3).filter(any)


@settings(max_examples=150)
@given(
    st.sampled_from(LABELS),
    st.lists(wines(), min_size=3, max_size=3),
    st.lists(AMOUNTS, min_size=4, max_size=4),
)
def test_a_claim_holds_of_a_blend_where_its_goal_holds_of_the_parts(
    case: tuple[str, dict[str, Any]], parts: list[tuple[Source, ...]], tried: list[list[int]]
) -> None:
    pack = rules.pack(case[0])

    def rows_of(amounts: Sequence[int]) -> Any:
        return judge(case[1], [Fill(None, mixed(parts, amounts))], [pack], PLACE, TODAY, LABEL)

    whole = Fill(None, mixed(parts, [1, 1, 1]))
    of_each = Wines([Fill(None, Wine(leaves)) for leaves in parts], whole)
    for row in rows_of([1, 1, 1]):
        if row.required is None or row.stake is None or row.verdict != row.reckoned:
            continue
        goal = of_each.goal(row.stake)
        for amounts in tried:
            assert goal.holds(amounts) == (same(rows_of(amounts), row, pack).verdict == SUPPORTED)


def fills(*made: Wine) -> list[Fill]:
    return [Fill(None, each) for each in made]


def merlot(share: Fraction) -> Least:
    return total(lambda leaf: leaf.variety == ME, lambda _: True, share)


def test_a_sum_over_sources_is_decided_exactly_though_its_weights_are_rounded() -> None:
    blur = Fraction(1, 2**250)
    two = fills(wine(part("1", ME), blur=blur), wine(part("1", CS), blur=blur))
    goal = Wines(two, two[0]).goal(merlot(Fraction(3, 4)))
    assert isinstance(goal, Sum)
    assert goal.over([3, 1]) < 0, "by its rounded weights it is missed"
    assert goal.holds([3, 1])
    assert not goal.holds([3 * 10**30 - 1, 10**30])


def test_what_is_so_of_some_wines_only_leaves_the_others_out() -> None:
    two = fills(wine(part("1", ME)), wine(part("1", CS)))
    good = Holds(lambda fill: fill is two[0])
    goal = Wines(two, Fill(None, two[1].composition)).goal(good)
    assert goal.holds([5, 0])
    assert not goal.holds([5, 1])
    assert Wines(two, two[0]).goal(good).holds([0, 1]), "it is so of the blend of all"


def test_every_and_some_and_never() -> None:
    two = fills(wine(part("1", ME)), wine(part("1", CS)))
    half, all_ = merlot(Fraction(1, 2)), merlot(Fraction(1))
    of_two = Wines(two, two[0])
    cases: list[tuple[Condition, list[bool]]] = [
        (All((half, all_)), [True, False, False]),
        (Either((half, all_)), [True, True, False]),
        (Either(()), [False, False, False]),
        (NEVER, [False, False, False]),
        (All(()), [True, True, True]),
    ]
    for condition, expected in cases:
        found = [of_two.goal(condition).holds(each) for each in ([2, 0], [2, 2], [1, 2])]
        assert found == expected


@pytest.mark.parametrize("weight", ["1", "2"])
def test_the_weight_of_the_grapes_counts_where_it_is_known_of_all_that_is_taken(
    weight: str,
) -> None:
    known = wine({"share": "1", "variety": ME, "weight": "1"})
    other = wine({"share": "1", "variety": CS, "weight": weight})
    unknown = wine(part("1", CS))
    three = fills(known, other, unknown)
    by_weight = ByGrapes(structs.replace(merlot(Fraction(3, 4)), grapes=True))
    goal = Wines(three, three[0]).goal(by_weight)
    assert goal.holds([3, 1, 0]) == (weight == "1")
    assert goal.holds([6, 1, 0])
    assert goal.holds([1, 1, 1]), "of all of it nobody knows the weight"
    assert Wines(three[2:], three[0]).goal(by_weight).holds([1])


def test_a_goal_may_be_made_harder_and_never_easier() -> None:
    goal = Some((Every((Sum((Fraction(1, 4), Fraction(-3, 4))),)),))
    assert goal.holds([3, 1])
    strained = harder(goal, Fraction(1, 1000))
    assert not strained.holds([3, 1])
    assert strained.holds([4, 1])
