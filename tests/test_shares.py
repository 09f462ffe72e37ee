"""Shares of a wine at the edges of a threshold, and where part of the wine is unknown."""

from __future__ import annotations

from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog.claims import Verdict, judge
from ampelog.composition import Composition
from ampelog.evidence import Asked, Seen, seen
from ampelog.genealogy import Genealogy
from ampelog.percentages import within
from ampelog.places import Places
from ampelog.registers import Registers
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Fill
from ampelog.sources import Leaf
from tests.wines import (
    CS,
    ME,
    MERLOT,
    PLACES,
    QB,
    TODAY,
    TWO,
    US,
    Source,
    Wine,
    bulk,
    by,
    part,
    rows_of,
    wine,
)

NEEDLE = Fraction(1, 10**90)


def cut(share: Fraction, blur: Fraction) -> Verdict:
    """Merlot of the area in that share, the rest another grape, measured with an enclosure."""
    leaves = (
        Source(share, "merlot", ME, 2024, (QB,)),
        Source(1 - share, "malbec", "Malbec", 2024, (QB,)),
    )
    return by(judge(MERLOT, bulk(Wine(leaves, blur)), [US], PLACES, TODAY), "us-variety-one")


@pytest.mark.parametrize("blur", [Fraction(0), Fraction(1, 10**80), Fraction(1, 2**256)])
def test_equality_meets_and_a_needle_below_does_not(blur: Fraction) -> None:
    at = cut(Fraction(75, 100), blur)  # 75 gal of 100 gal
    assert (at.verdict, at.required) == (SUPPORTED, "0.75")
    assert (at.actual, at.margin) == ("0.75" + "0" * 28, "0." + "0" * 30)
    above = cut(Fraction(75, 100) + NEEDLE, blur)
    assert (above.verdict, above.actual) == (SUPPORTED, "0.75" + "0" * 28)
    below = cut(Fraction(75, 100) - NEEDLE, blur)
    assert below.verdict == REFUSED
    assert (below.actual, below.margin) == ("0.74" + "9" * 28, "-0." + "0" * 29 + "1")


def test_74_999_of_100_is_refused_and_its_figures_lean_toward_refusal() -> None:
    row = cut(Fraction("0.74999"), Fraction(1, 2**256))
    assert (row.verdict, row.actual) == (REFUSED, "0.74999" + "0" * 25)
    assert row.margin == "-0.00001" + "0" * 25
    assert row.why == "74.9 % of the wine is Merlot grown in Quail Bench; 75 % is needed."
    third = cut(Fraction(2, 3), Fraction(0))
    assert third.actual == "0." + "6" * 30


def test_a_whole_wine_is_one_and_not_nearly_one() -> None:
    row = cut(Fraction("0.812"), Fraction(1, 2**250))
    assert row.why == "81.2 % of the wine is Merlot grown in Quail Bench; 75 % is needed."
    rows = rows_of(MERLOT, part("1", ME, QB), blur=Fraction(1, 2**250))
    assert by(rows, "us-variety-one").actual == "1." + "0" * 30
    assert "100.0 % of the wine" in by(rows, "us-variety-one").why


def composed(merlot: int, blended: int) -> list[Verdict]:
    """A real composition: amounts of Merlot, and of a blend that is Merlot to one third."""
    registers = Registers()
    registers.add("place", QB, (0, 1, {"type": "ava"}))
    places = Places(registers, 1)
    leaves = [
        Leaf(f"pick-{name}", number, 0, "pick", name, variety=name, named=(QB,), places=places)
        for number, name in enumerate((ME, "Malbec"))
    ]
    graph = Genealogy([(), (), ((0, 1), (1, 2))])
    content = ((2, blended), (0, merlot))
    found = Composition(graph, content, lambda node, _: [(leaves[node], Fraction(1))], "seed")
    pooled = found.pooled(lambda leaf: seen(leaf, Asked(), Seen()))
    return judge(MERLOT, [Fill(None, pooled)], [US], places, TODAY)


def test_a_real_composition_is_decided_exactly_where_its_thirds_meet_three_quarters() -> None:
    huge = 10**90
    at = by(composed(5 * huge, 3 * huge), "us-variety-one")
    assert (at.verdict, at.actual) == (SUPPORTED, "0.75" + "0" * 28)
    assert at.proof == (f"pick-{ME}",)
    below = by(composed(5 * huge - 1, 3 * huge), "us-variety-one")
    assert (below.verdict, below.actual) == (REFUSED, "0.74" + "9" * 28)
    above = by(composed(5 * huge + 1, 3 * huge), "us-variety-one")
    assert (above.verdict, above.margin) == (SUPPORTED, "0." + "0" * 30)
    assert by(composed(1, 1), "us-appellation-ava").actual == "1." + "0" * 30


@pytest.mark.parametrize(
    ("share", "wanted", "required", "actual", "margin"),
    [
        ("0.58", SUPPORTED, "0.58", "0.58", "0."),
        ("0.62", SUPPORTED, "0.62", "0.62", "0."),
        ("0.61", SUPPORTED, "0.62", "0.61", "0.01"),
        ("0.63", REFUSED, "0.62", "0.63", "-0.01"),
        ("0.57", REFUSED, "0.58", "0.57", "-0.01"),
    ],
)
def test_a_printed_share_has_two_edges(
    share: str, wanted: str, required: str, actual: str, margin: str
) -> None:
    # 27 CFR 4.23(d)(2): 2 points either way
    label = {**TWO, "shares": {CS: "60", ME: "40"}}
    other = str(1 - Fraction(share))
    rows = rows_of(label, part(share, CS, QB), part(other, ME, QB), blur=Fraction(1, 2**256))
    row = next(row for row in rows if row.statement == f"{CS} 60 %")
    assert (row.claim, row.verdict, row.required) == ("shares", wanted, required)
    assert row.actual == actual + "0" * (32 - len(actual))
    assert row.margin == margin + "0" * (30 - len(margin.partition(".")[2]))


@pytest.mark.parametrize("share", ["0.001", "0.01", "0.5", "0.99", "0.999"])
@pytest.mark.parametrize("printed", ["0.5", "1", "50", "99", "100"])
def test_a_bound_that_cannot_be_missed_is_never_the_one_shown(printed: str, share: str) -> None:
    parts = wine(part(share, CS, QB), part(str(1 - Fraction(share)), ME, QB))
    fill, off_by = Fill(None, parts), Fraction(2, 100)
    found, _ = within(fill, lambda leaf: leaf.variety == CS, Fraction(printed) / 100, off_by)
    off = abs(Fraction(share) - Fraction(printed) / 100)
    assert 0 < found.bound < 1
    assert (found.margin >= 0) == (found.verdict == SUPPORTED) == (off <= Fraction(2, 100))


def test_a_share_over_its_printed_bound_is_rounded_up() -> None:
    label = {**TWO, "shares": {CS: "60", ME: "40"}}
    rows = rows_of(label, part("0.62001", CS, QB), part("0.37999", ME, QB))
    assert [row.why for row in rows if row.claim == "shares"] == [
        "62.1 % of the wine is Cabernet Sauvignon; 60 % is printed, and 2 points either way are "
        "allowed.",
        "37.9 % of the wine is Merlot; 40 % is printed, and 2 points either way are allowed.",
    ]
    third = rows_of({**TWO, "shares": {CS: "32", ME: "68"}}, part("1/3", CS), part("2/3", ME))
    assert next(row for row in third if row.claim == "shares").actual == "0." + "3" * 29 + "4"


# --- the unknown ---


def unknown(sure: str, share: str) -> Verdict:
    rest = str(1 - Fraction(sure) - Fraction(share))
    rows = rows_of(MERLOT, part(sure, ME, QB), {"share": share}, part(rest, "Malbec", QB))
    return by(rows, "us-variety-one")


def test_the_unknown_counts_against_and_leaves_open_only_what_it_could_change() -> None:
    assert unknown("0.75", "0.2").verdict == SUPPORTED
    assert unknown("0.74", "0.01").verdict == UNDETERMINED  # could just reach it
    assert unknown("0.74", "0.009").verdict == REFUSED  # could not
    row = unknown("0.7", "0.08")
    assert row.why == (
        "70.0 % of the wine is Merlot grown in Quail Bench, and of 8.0 % it is not known; "
        "75 % is needed."
    )
    assert (row.actual, row.margin) == ("0.7" + "0" * 29, "-0.05" + "0" * 28)
    assert "could not reach" in unknown("0.7", "0.01").why


@pytest.mark.parametrize(
    ("odd", "wanted"),
    [
        ({"variety": ME}, UNDETERMINED),  # where it grew is unknown
        ({"places": [QB]}, UNDETERMINED),  # the grape is unknown
        ({"variety": ME, "places": []}, REFUSED),  # known to have grown elsewhere
        ({"variety": "Malbec"}, REFUSED),  # known to be another grape, wherever it grew
        ({"material": "water"}, REFUSED),  # no grape at all
        ({"variety": ME, "places": [QB]}, SUPPORTED),
    ],
)
def test_each_field_that_is_unknown_is_unknown_only_where_it_matters(
    odd: dict[str, object], wanted: str
) -> None:
    rows = rows_of(MERLOT, part("0.74", ME, QB), {"share": "0.01", **odd}, part("0.25", CS, QB))
    assert by(rows, "us-variety-one").verdict == wanted


def test_added_material_counts_in_the_wine_and_carries_no_vintage_and_no_place() -> None:
    label = {"vintage": 2024, "appellation": QB}
    parts = (part("0.94", None, QB, vintage=2024), {"share": "0.06", "material": "water"})
    rows = rows_of(label, *parts)
    assert by(rows, "us-vintage-ava").verdict == REFUSED
    assert by(rows, "us-appellation-ava").verdict == SUPPORTED


def test_added_material_leaves_open_what_a_rule_says_of_all_the_grapes() -> None:
    # 27 CFR 4.23(d)(1) speaks of the grapes; how water counts is not stated
    both = (part("0.499", CS, QB), part("0.5", ME, QB))
    rows = rows_of(TWO, *both, {"share": "0.001", "material": "water"})
    row = by(rows, "us-variety-several")
    assert row.verdict == UNDETERMINED
    assert "added material" in row.why


@st.composite
def wines(draw: st.DrawFn) -> tuple[Source, ...]:
    weights = draw(st.lists(st.integers(1, 9), min_size=1, max_size=6))
    total = sum(weights)
    return tuple(
        Source(
            Fraction(weight, total),
            f"event-{number}",
            draw(st.sampled_from([None, "Syrah", "Shiraz", "Viognier"])),
            draw(st.sampled_from([None, 2023, 2024])),
            draw(st.sampled_from([None, (), (QB,)])),
        )
        for number, weight in enumerate(weights)
    )


@settings(max_examples=150, deadline=None)
@given(wines())
def test_a_verdict_holds_whatever_the_unknown_turns_out_to_be(leaves: tuple[Source, ...]) -> None:
    """The oracle fills every unknown in every way and asks the plain question each time."""
    label = {"variety": ["Syrah"], "vintage": 2024, "appellation": QB}
    rows = judge(label, bulk(Wine(leaves)), [US], PLACES, TODAY)

    def answers(hold: Any, threshold: Fraction) -> set[bool]:
        options = [
            [
                hold(variety, vintage, place)
                for variety in ([leaf.variety] if leaf.variety else ["Syrah", "Viognier"])
                for vintage in ([leaf.vintage] if leaf.vintage else [2023, 2024])
                for place in ([QB in leaf.places] if leaf.places is not None else [True, False])
            ]
            for leaf in leaves
        ]
        return {
            sum(leaf.share * yes for leaf, yes in zip(leaves, ways, strict=True)) >= threshold
            for ways in product(*({*each} for each in options))
        }

    wanted = {True: SUPPORTED, False: REFUSED}
    for rule, hold, threshold in (
        ("us-variety-one", lambda v, _, p: v in ("Syrah", "Shiraz") and p, Fraction(75, 100)),
        ("us-vintage-ava", lambda _, y, __: y == 2024, Fraction(95, 100)),
        ("us-appellation-ava", lambda _, __, p: p, Fraction(85, 100)),
    ):
        found = answers(hold, threshold)
        expected = UNDETERMINED if len(found) == 2 else wanted[found.pop()]
        assert by(rows, rule).verdict == expected
