"""Label statements against the federal pack: published and derived vectors, edges, the unknown.

The numbers of the vectors stand straight on the sections of 27 CFR part 4 named beside them; the
places are invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog import claims, rules
from ampelog.claims import Verdict, judge
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, within
from tests.wines import Filled, Registered, Source, Wine, bulk, wine

US = rules.pack("us")
TODAY = date(2026, 11, 25)
PLACES = Registered(
    {
        "Quail Bench": "ava",
        "Heron Flat": "ava",
        "Tamarack County": "county",
        "Alder County": "county",
        "Birch County": "county",
        "Cedar County": "county",
        "Columbria": "state",
        "Oregonia": "state",
        "American": "country",
        "Old Orchard": "vineyard",
    }
)
Row = Mapping[str, object]


def part(share: str, variety: str | None = None, *places: str, vintage: int | None = None) -> Row:
    """A part of a wine; it grew in the places named and in no other."""
    found = {"share": share, "variety": variety, "vintage": vintage, "places": list(places)}
    return {key: value for key, value in found.items() if value is not None}


def rows_of(
    label: Mapping[str, Any], *parts: Row, on: date = TODAY, blur: Fraction = Fraction(0)
) -> list[Verdict]:
    return judge(label, bulk(wine(*parts, blur=blur)), [US], PLACES, on)


def by(rows: Sequence[Verdict], rule: str) -> Verdict:
    """The one row of a rule."""
    found = [row for row in rows if row.rule == rule]
    assert len(found) == 1, rows
    return found[0]


QB, HF = "Quail Bench", "Heron Flat"
MERLOT = {"variety": ["Merlot"], "appellation": QB}
TWO = {"variety": ["Cabernet Sauvignon", "Merlot"], "appellation": QB}
CS, ME = "Cabernet Sauvignon", "Merlot"
D2 = (part("0.74", ME, QB), part("0.06", ME, HF), part("0.12", CS, QB), part("0.08", CS, HF))
COUNTIES = ["Tamarack County", "Alder County", "Birch County"]
COUNTY_SHARES = {"Tamarack County": "40", "Alder County": "35", "Birch County": "25"}


def counties(*shares: str) -> tuple[Row, ...]:
    return tuple(
        part(share, None, name) for share, name in zip(shares, COUNTIES, strict=True)
    )


def in_state(*parts: Row) -> tuple[Row, ...]:
    return tuple({**each, "places": [*each["places"], "Columbria"]} for each in parts)  # type: ignore[misc]  # places is a list here


def years(*shares: tuple[str, int], at: Sequence[str] = (QB,)) -> tuple[Row, ...]:
    return tuple(part(share, None, *at, vintage=year) for share, year in shares)


VECTORS: list[tuple[str, dict[str, Any], tuple[Row, ...], date, str]] = [
    # 27 CFR 4.23(b), 4.25(e)(3): 75 and 85 met exactly
    (
        "D1",
        MERLOT,
        (part("0.75", ME, QB), part("0.1", CS, QB), part("0.15", CS)),
        TODAY,
        SUPPORTED,
    ),
    # 27 CFR 4.23(b): 80 % Merlot and 86 % of the area, but 74 % is both
    ("D2", MERLOT, D2, TODAY, REFUSED),
    # the same wine with its State, 4.25(b)(1)
    ("D3", {**MERLOT, "appellation": "Columbria"}, in_state(*D2), TODAY, SUPPORTED),
    # 27 CFR 4.23(b): nothing rounds up
    ("D4", MERLOT, (part("0.7499", ME, QB), part("0.2501", CS, QB)), TODAY, REFUSED),
    # 27 CFR 4.91: Shiraz is listed as a synonym of Syrah
    (
        "D5",
        {"variety": ["Syrah"], "appellation": QB},
        (part("0.5", "Syrah", QB), part("0.3", "Shiraz", QB), part("0.2", CS, QB)),
        TODAY,
        SUPPORTED,
    ),
    # 27 CFR 4.91: Primitivo and Zinfandel are listed apart
    (
        "D6",
        {"variety": ["Zinfandel"], "appellation": QB},
        (part("0.4", "Primitivo", QB), part("0.4", "Zinfandel", QB), part("0.2", CS, QB)),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.23(c): 51 % labrusca may be allowed, which is not judged; never a silent pass
    (
        "D7",
        {"variety": ["Concord"], "appellation": "Columbria"},
        (
            part("0.51", "Concord", "Columbria"),
            part("0.24", "Niagara", "Columbria"),
            part("0.25", "Niagara"),
        ),
        TODAY,
        UNDETERMINED,
    ),
    # 27 CFR 4.23(b), (c): other grapes than labrusca have no 51 %
    (
        "D8",
        {"variety": ["Chambourcin"], "appellation": QB},
        (part("0.6", "Chambourcin", QB), part("0.4", ME, QB)),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.23(d)(2): the edge of 2 points is within
    (
        "D9",
        {**TWO, "shares": {CS: "60", ME: "40"}},
        (part("0.58", CS, QB), part("0.42", ME, QB)),
        TODAY,
        SUPPORTED,
    ),
    (
        "D9 off",
        {**TWO, "shares": {CS: "61", ME: "39"}},
        (part("0.58", CS, QB), part("0.42", ME, QB)),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.23(d)(1): 2 % of a third grape
    (
        "D10",
        {**TWO, "shares": {CS: "60", ME: "40"}},
        (part("0.59", CS, QB), part("0.39", ME, QB), part("0.02", "Malbec", QB)),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.23(d): no area clause for the lesser variety
    (
        "D11",
        {**TWO, "shares": {CS: "90", ME: "10"}},
        (part("0.9", CS, QB), part("0.1", ME, HF)),
        TODAY,
        SUPPORTED,
    ),
    # 27 CFR 4.25(c): three counties; that they lie in one State is not judged
    (
        "D12",
        {"appellation": COUNTIES, "shares": COUNTY_SHARES},
        counties("0.4", "0.35", "0.25"),
        TODAY,
        UNDETERMINED,
    ),
    ("D12 four", {"appellation": [*COUNTIES, "Cedar County"]}, years(("1", 2024)), TODAY, REFUSED),
    (
        "D12 99",
        {"appellation": COUNTIES, "shares": COUNTY_SHARES},
        (*counties("0.4", "0.35", "0.24"), part("0.01", None, "Cedar County")),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.27(a)(1) and (2)
    (
        "D19",
        {"vintage": 2024, "appellation": QB},
        years(("0.949", 2024), ("0.051", 2023)),
        TODAY,
        REFUSED,
    ),
    (
        "D19 at",
        {"vintage": 2024, "appellation": QB},
        years(("0.95", 2024), ("0.05", 2023)),
        TODAY,
        SUPPORTED,
    ),
    (
        "D19 county",
        {"vintage": 2024, "appellation": "Tamarack County"},
        years(("0.949", 2024), ("0.051", 2023), at=["Tamarack County"]),
        TODAY,
        SUPPORTED,
    ),
    # 27 CFR 4.27(a)(1): an area beside a county still asks 95 %
    (
        "D20",
        {"vintage": 2024, "appellation": [QB, "Tamarack County"]},
        years(("0.9", 2024), ("0.1", 2023), at=[QB, "Tamarack County"]),
        TODAY,
        REFUSED,
    ),
    # 27 CFR 4.25(e)(4): two areas named together count where they overlap
    (
        "D29",
        {"appellation": [QB, HF]},
        (part("0.5", None, QB), part("0.4", None, HF), part("0.1", None, QB, HF)),
        TODAY,
        REFUSED,
    ),
    # ttb.gov, grape variety designations: approved administratively, though expired in 4.92
    (
        "D38",
        {"variety": ["Black Spanish"], "appellation": QB},
        (part("1", "Black Spanish", QB),),
        date(2025, 6, 1),
        SUPPORTED,
    ),
    # 27 CFR 4.92: the last day of an alternative name, and the day after
    (
        "R15 before",
        {"variety": ["Johannisberg Riesling"], "appellation": QB},
        (part("1", "Riesling", QB),),
        date(2005, 12, 31),
        SUPPORTED,
    ),
    (
        "R15",
        {"variety": ["Johannisberg Riesling"], "appellation": QB},
        (part("1", "Riesling", QB),),
        date(2006, 1, 1),
        REFUSED,
    ),
    (
        "R15 Cabernet",
        {"variety": ["Cabernet"], "appellation": QB},
        (part("1", CS, QB),),
        date(1999, 1, 1),
        REFUSED,
    ),
    # 27 CFR 4.28(e)(3)
    (
        "R16",
        {"variety": ["Gamay Beaujolais"], "appellation": QB},
        (part("1", "Gamay Beaujolais", QB),),
        date(2007, 4, 9),
        REFUSED,
    ),
    # T.D. TTB-105, 77 FR 56539: a vintage with the country since 13 November 2012
    (
        "R18",
        {"vintage": 2012, "appellation": "American"},
        years(("0.85", 2012), ("0.15", 2011), at=["American"]),
        date(2012, 11, 13),
        SUPPORTED,
    ),
    (
        "R18 before",
        {"vintage": 2012, "appellation": "American"},
        years(("0.85", 2012), ("0.15", 2011), at=["American"]),
        date(2012, 11, 12),
        REFUSED,
    ),
    # 27 CFR 4.25(e)(3) alone: 60 % of the area
    ("R23", {"appellation": QB}, (part("0.6", None, QB), part("0.4", None)), TODAY, REFUSED),
]


@pytest.mark.parametrize(
    ("label", "parts", "on", "wanted"),
    [pytest.param(*vector, id=name) for name, *vector in VECTORS],
)
def test_vectors(
    label: dict[str, Any], parts: tuple[Row, ...], on: date, wanted: str
) -> None:
    assert claims.verdict(rows_of(label, *parts, on=on)) == wanted


def test_the_joint_rule_is_what_refuses_not_a_marginal() -> None:
    rows = rows_of(MERLOT, *D2)
    assert by(rows, "us-appellation-ava").verdict == SUPPORTED  # 86 % grew there
    assert by(rows, "us-variety-one").verdict == REFUSED
    assert by(rows, "us-variety-one").actual == "0.74" + "0" * 28


def test_area_fails_and_variety_passes_and_the_other_way_round() -> None:
    # 27 CFR 4.23(b), 4.25(e)(3): 76 % of the area's Cabernet and 24 % from elsewhere
    label = {"variety": [CS], "appellation": QB}
    rows = rows_of(label, part("0.76", CS, QB), part("0.24", ME, HF))
    assert by(rows, "us-appellation-ava").verdict == REFUSED
    assert by(rows, "us-variety-one").verdict == SUPPORTED
    # 86 % grew there and 84 % is Cabernet, but only 70 % is both
    rows = rows_of(label, part("0.7", CS, QB), part("0.16", ME, QB), part("0.14", CS, HF))
    assert by(rows, "us-appellation-ava").verdict == SUPPORTED
    assert by(rows, "us-variety-one").verdict == REFUSED


def test_two_states_with_their_shares() -> None:
    # 27 CFR 4.25(d)(1): 62 and 38 printed as 60 and 40; that the States touch is not judged
    shares = {"Oregonia": "60", "Columbria": "40"}
    label = {"appellation": ["Oregonia", "Columbria"], "shares": shares}
    rows = rows_of(label, part("0.62", None, "Oregonia"), part("0.38", None, "Columbria"))
    assert {row.verdict for row in rows if row.claim == "shares"} == {SUPPORTED}
    assert by(rows, "us-appellation-states").verdict == UNDETERMINED
    assert "touch" in by(rows, "us-appellation-states").why


def test_several_counties_and_varieties_need_a_table_that_is_not_judged() -> None:
    # 27 CFR 4.23(d)(3)
    label = {"variety": [CS, ME], "shares": {CS: "60", ME: "40"}, "appellation": COUNTIES[:2]}
    rows = rows_of(label, part("0.6", CS, COUNTIES[0]), part("0.4", ME, COUNTIES[1]))
    assert by(rows, "us-variety-several-table").verdict == UNDETERMINED
    assert not [row for row in rows if row.rule == "us-variety-several-printed"]
    # the printed shares of the grapes are then judged by no rule, and said to be so
    unjudged = [row.statement for row in rows if row.claim == "shares" and row.rule is None]
    assert unjudged == [f"{CS} 60 %", f"{ME} 40 %"]


def test_overlapping_areas_are_one_appellation_for_several_varieties() -> None:
    # 27 CFR 4.23(d)(3) is about counties and States
    label = {**TWO, "shares": {CS: "60", ME: "40"}, "appellation": [QB, HF]}
    rows = rows_of(label, part("0.6", CS, QB, HF), part("0.4", ME, QB, HF))
    assert claims.verdict(rows) == SUPPORTED


# --- edges ---

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


@pytest.mark.parametrize("printed", ["1", "99", "0.5", "100"])
def test_a_bound_that_cannot_be_missed_is_never_the_one_shown(printed: str) -> None:
    small = wine(part("0.01", CS, QB), part("0.99", ME, QB))
    found = within(
        small, lambda leaf: leaf.variety == CS, Fraction(printed) / 100, Fraction(2, 100)
    )
    assert 0 < found.bound < 1
    assert (found.margin >= 0) == (found.verdict == SUPPORTED)


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
    rows = rows_of(TWO, part("0.999", CS, QB), {"share": "0.001", "material": "water"})
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


# --- fills ---


def test_a_statement_must_hold_in_every_fill() -> None:
    good = wine(part("1", ME, QB, vintage=2024))
    poor = wine(part("0.7", ME, QB, vintage=2024), part("0.3", CS, QB, vintage=2024))
    fills = (Filled("first", good), Filled("second", poor), Filled("third", good))
    rows = judge(MERLOT, fills, [US], PLACES, TODAY)
    found = {row.fill: row.verdict for row in rows if row.rule == "us-variety-one"}
    assert found == {"first": SUPPORTED, "second": REFUSED, "third": SUPPORTED}
    assert claims.verdict(rows) == REFUSED
    # equal fills still have a row each; what the fill does not change is said once
    assert len([row for row in rows if row.rule == "us-appellation-ava"]) == 3
    assert by(rows, "us-variety-name").fill is None


def test_the_proof_names_the_events_of_what_counts() -> None:
    rows = rows_of(MERLOT, *D2)
    assert by(rows, "us-variety-one").proof == ("event-1",)
    assert by(rows, "us-appellation-ava").proof == ("event-1", "event-3")


# --- labels that cannot be judged, or not wholly ---


def test_nothing_that_is_stated_is_dropped() -> None:
    label: dict[str, Any] = {
        **MERLOT,
        "vineyard": "Old Orchard",
        "estate_bottled": True,
        "alcohol": "14.1 %",
        "bottler": "produced",
        "text": [{"says": "hand picked", "where": {"picking": "hand"}}],
    }
    rows = rows_of(label, part("1", ME, QB))
    unjudged = {row.claim: row for row in rows if row.rule is None}
    assert set(unjudged) == {"vineyard", "estate_bottled", "alcohol", "bottler", "text"}
    assert {row.verdict for row in unjudged.values()} == {UNDETERMINED}
    assert unjudged["text"].statement == "hand picked"
    assert unjudged["alcohol"].why == "No rule of this version judges `alcohol` here."
    assert claims.verdict(rows) == UNDETERMINED


def test_what_is_false_or_cleared_is_not_on_the_label() -> None:
    blank: dict[str, Any] = {"estate_bottled": False, "vineyard": None, "text": [], "shares": {}}
    label = {**MERLOT, **blank}
    assert claims.verdict(rows_of(label, part("1", ME, QB))) == SUPPORTED


def test_a_printed_share_of_one_variety_is_judged_by_no_rule() -> None:
    rows = rows_of({**MERLOT, "shares": {ME: "100"}}, part("1", ME, QB))
    (row,) = [row for row in rows if row.claim == "shares"]
    assert (row.rule, row.verdict, row.statement) == (None, UNDETERMINED, "Merlot 100 %")


def test_a_variety_and_a_vintage_need_an_appellation() -> None:
    # 27 CFR 4.23(a), 4.27(a), 4.34(b)
    rows = rows_of({"variety": [ME], "vintage": 2024}, part("1", ME, QB, vintage=2024))
    assert by(rows, "us-variety-appellation").verdict == REFUSED
    assert by(rows, "us-vintage-appellation").verdict == REFUSED
    assert by(rows, "us-variety-name").verdict == SUPPORTED


def test_a_place_that_nobody_registered_is_undetermined_and_says_so() -> None:
    label = {"variety": [ME], "vintage": 2024, "appellation": "Nowhere Bench"}
    rows = rows_of(label, part("1", ME, QB, vintage=2024))
    places = [row for row in rows if "Nowhere Bench" in row.statement]
    assert [row.claim for row in places] == ["variety", "vintage", "appellation"]
    for row in places:
        assert row.verdict == UNDETERMINED
        assert "`Nowhere Bench` is not registered as a place" in row.why


def test_a_place_of_a_type_without_a_rule_is_undetermined() -> None:
    rows = rows_of({"appellation": "Old Orchard"}, part("1", ME, "Old Orchard"))
    assert [row.verdict for row in rows] == [UNDETERMINED]
    assert "`vineyard`" in rows[0].why


@pytest.mark.parametrize(
    ("name", "wanted", "says"),
    [
        ("Sirah", UNDETERMINED, "Is `Syrah` meant?"),
        ("Purple Nobody", UNDETERMINED, "`Purple Nobody` is not on the list of grape names."),
        ("Moscato", UNDETERMINED, "27 CFR 4.28"),
        ("SYRAH", SUPPORTED, "27 CFR 4.91"),
        ("Saperavi", SUPPORTED, "administratively"),
    ],
)
def test_a_name_is_looked_up_on_the_list(name: str, wanted: str, says: str) -> None:
    rows = rows_of({"variety": [name], "appellation": QB}, part("1", name, QB))
    row = by(rows, "us-variety-name")
    assert (row.verdict, says in row.why) == (wanted, True), row.why


@pytest.mark.parametrize(
    ("label", "recorded", "wanted"),
    [
        ("Syrah", "Sirah", UNDETERMINED),  # a slip of the pen in the records
        ("Cinsaut", "Cinsault", UNDETERMINED),  # two spellings on two lists
        ("Syrah", "Purple Nobody", REFUSED),
        ("Purple Nobody", "Pink Nobody", UNDETERMINED),  # neither is listed
        ("Limberger", "Blaufrankisch", SUPPORTED),
        ("Fume Blanc", "sauvignon-blanc", SUPPORTED),
        ("Pinot blanc", "Pinot Bianco", REFUSED),  # listed apart, nowhere called synonyms
    ],
)
def test_a_recorded_name_is_compared_by_the_list(label: str, recorded: str, wanted: str) -> None:
    rows = rows_of({"variety": [label], "appellation": QB}, part("1", recorded, QB))
    assert by(rows, "us-variety-one").verdict == wanted
    assert (wanted == UNDETERMINED) == ("does not say" in by(rows, "us-variety-one").why)


def test_places_of_different_types_are_each_judged() -> None:
    label = {**MERLOT, "appellation": [QB, "Tamarack County"]}
    rows = rows_of(label, part("0.8", ME, QB, "Tamarack County"), part("0.2", CS, QB))
    found = {row.statement: row.verdict for row in rows if row.rule == "us-variety-one"}
    assert found == {"Merlot, Quail Bench": SUPPORTED, "Merlot, Tamarack County": SUPPORTED}
    assert by(rows, "us-appellation-ava").statement == QB
    assert by(rows, "us-appellation-county").statement == "Tamarack County"


def test_the_finishing_place_is_said_not_to_be_judged() -> None:
    rows = rows_of({"appellation": "Columbria"}, part("1", ME, "Columbria"))
    assert "finished" in by(rows, "us-appellation-state").why
    assert by(rows, "us-appellation-state").verdict == SUPPORTED


def test_a_vintage_before_its_rule_is_undetermined() -> None:
    # T.D. TTB-45, 71 FR 25748: the 85 percent began on 1 June 2006
    label = {"vintage": 2005, "appellation": "Columbria"}
    parts = years(("1", 2005), at=["Columbria"])
    before = rows_of(label, *parts, on=date(2006, 5, 31))
    assert claims.verdict(before) == UNDETERMINED
    assert "in force on 2006-05-31" in next(row.why for row in before if row.rule is None)
    assert claims.verdict(rows_of(label, *parts, on=date(2006, 6, 1))) == SUPPORTED


def test_a_market_without_a_pack_leaves_the_label_undetermined() -> None:
    packs, missing = rules.markets(["us", "nowhere", "us"])
    assert ([pack.id for pack in packs], missing) == (["us"], ("nowhere",))
    fills = bulk(wine(part("1", ME, QB)))
    rows = judge(MERLOT, fills, packs, PLACES, TODAY, missing=missing)
    assert (rows[-1].claim, rows[-1].statement) == ("market", "nowhere")
    assert claims.verdict(rows) == UNDETERMINED


def test_without_a_pack_every_statement_is_undetermined() -> None:
    rows = judge(MERLOT, bulk(wine(part("1", ME, QB))), [], PLACES, TODAY)
    assert [(row.claim, row.verdict) for row in rows] == [
        ("variety", UNDETERMINED),
        ("appellation", UNDETERMINED),
    ]


def changed(rule_id: str, **fields: Any) -> rules.Pack:
    """The federal pack with one rule changed."""
    return US.model_copy(
        update={
            "rule": tuple(
                rule.model_copy(update=fields) if rule.id == rule_id else rule for rule in US.rule
            )
        }
    )


def test_what_a_permission_requires_is_asked_too() -> None:
    pack = changed("us-appellation-ava", requires=("vintage",))
    fills = bulk(wine(part("1", ME, QB, vintage=2024)))
    row = by(judge({"appellation": QB}, fills, [pack], PLACES, TODAY), "us-appellation-ava")
    assert (row.verdict, row.why) == (
        REFUSED,
        "The label states no vintage, which this needs. Where the wine was finished is not "
        "judged here.",
    )
    label = {"appellation": QB, "vintage": 2024}
    assert by(judge(label, fills, [pack], PLACES, TODAY), "us-appellation-ava").verdict == SUPPORTED


def test_of_two_permissions_one_is_enough() -> None:
    (ava,) = [rule for rule in US.rule if rule.id == "us-appellation-ava"]
    lower = ava.model_copy(update={"id": "us-lower", "min_total": Fraction("0.5")})
    pack = US.model_copy(update={"rule": (*US.rule, lower)})
    fills = bulk(wine(part("0.6", ME, QB), part("0.4", ME)))
    (row,) = judge({"appellation": QB}, fills, [pack], PLACES, TODAY)
    assert (row.rule, row.verdict) == ("us-lower", SUPPORTED)


def test_a_weak_rule_never_decides() -> None:
    pack = changed("us-appellation-ava", confidence="L")
    for share in ("0.9", "0.1"):
        wines_ = bulk(wine(part(share, ME, QB), part(str(1 - Fraction(share)), ME)))
        row = by(judge({"appellation": QB}, wines_, [pack], PLACES, TODAY), "us-appellation-ava")
        assert (row.verdict, row.confidence) == (UNDETERMINED, "L")
        assert "uncertain" in row.why


def test_the_worst_row_is_the_whole_verdict() -> None:
    row = Verdict("variety", "Merlot", SUPPORTED, "")
    open_, refused = replace(row, verdict=UNDETERMINED), replace(row, verdict=REFUSED)
    assert claims.verdict([row, row]) == SUPPORTED
    assert claims.verdict([row, open_]) == UNDETERMINED
    assert claims.verdict([refused, open_, row]) == REFUSED
    assert claims.verdict([]) == UNDETERMINED  # nothing was judged


def test_a_row_has_the_keys_of_the_command_line() -> None:
    row = by(rows_of(MERLOT, *D2), "us-variety-one").as_json()
    assert list(row) == [
        "claim", "statement", "rule", "citation", "required",
        "actual", "margin", "verdict", "fill", "why",
    ]  # fmt: skip
    assert row["citation"] == "27 CFR 4.23(b)"
    assert row["statement"] == "Merlot, Quail Bench"
    assert row["fill"] is None


def test_the_notice_leaves_the_decision_to_the_authority() -> None:
    for words in ("not legal advice", "current law", "the authority decides"):
        assert words in claims.NOTICE
