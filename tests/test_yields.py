"""Yields, losses and evaporation beside their bands: the arithmetic, the bands, and a cellar's records."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog.plausible import Plausible, alcohols, findings, plausible
from ampelog.quantities import ONE, parse
from ampelog.yields import (
    BOTTLING,
    DOUBTFUL,
    EVAPORATION,
    LEES,
    MUST,
    UNUSUAL,
    USUAL,
    WINE,
    bands,
    evaporation_says,
    judge,
    loss_says,
    yield_says,
)
from tests.conftest import Vintage
from tests.tables import table

TON = parse("1 ton").amount
GAL = parse("1 gal").amount
EXACT = {row["unit"]: Fraction(row["factor"]) for row in table("units_exact")}


def test_150_gallons_a_ton_are_625_9_litres_a_tonne() -> None:
    """NIST Handbook 44, App. C; 150 gal a short ton (Cornell, Grapes 101, 2011)."""
    found = yield_says(150 * GAL, TON)
    assert found.value == 150
    assert (found.litres_per_tonne, found.verdict) == ("625.9", USUAL)
    assert abs(150 * EXACT["US gal/short ton"] - Fraction("625.9")) < Fraction(1, 10)


def test_what_champagne_allows_at_most_is_usual_of_sparkling_wine() -> None:
    """25.5 hL of 4,000 kg: 637.5 L/t, 152.8 gal a short ton (houses and descriptions of presses)."""
    found = yield_says(parse("25.5 hL").amount, parse("4000 kg").amount, "sparkling")
    assert (found.litres_per_tonne, found.shown) == ("637.5", "152.7 gal/ton")
    assert abs(found.value - Fraction("152.8")) < Fraction(1, 10)
    assert found.verdict == USUAL


@given(st.integers(1, 10**17), st.integers(1, 10**17))
def test_both_units_say_the_same(volume: int, mass: int) -> None:
    found = yield_says(volume, mass)
    metric = Fraction(volume * 1000, mass)
    assert found.litres_per_tonne is not None
    assert 0 <= metric - Fraction(found.litres_per_tonne) < Fraction(1, 10)


@pytest.mark.parametrize(
    ("gallons", "style", "verdict"),
    [
        ("130", None, USUAL),
        ("185", None, USUAL),
        ("129.9", None, DOUBTFUL),
        ("185.1", None, DOUBTFUL),
        ("150", "dry red", USUAL),
        ("149.9", "dry red", UNUSUAL),
        ("175.1", "dry red", UNUSUAL),
        ("185.1", "dry red", DOUBTFUL),
        ("139.9", "rose", UNUSUAL),
        ("110", "sparkling", USUAL),
        ("109.9", "sparkling", DOUBTFUL),
        ("150", "fortified", USUAL),
    ],
)
def test_a_yield_is_usual_unusual_or_doubtful(
    gallons: str, style: str | None, verdict: str
) -> None:
    """AJEV 34 (1983): 130 to 185 gal a short ton; the bands of styles are proposals."""
    assert judge(WINE, Fraction(gallons), style).verdict == verdict


@pytest.mark.parametrize(
    ("quantity", "value", "verdict"),
    [
        (MUST, "250", USUAL),  # 8 lb a gallon of must: common practice, no source
        (MUST, "150", UNUSUAL),
        (MUST, "521", DOUBTFUL),
        (LEES, "10", USUAL),
        (LEES, "10.01", DOUBTFUL),
        (BOTTLING, "1.5", USUAL),
        (BOTTLING, "1.51", UNUSUAL),
        (BOTTLING, "3.01", DOUBTFUL),
        (EVAPORATION, "1", USUAL),
        (EVAPORATION, "9", USUAL),
        (EVAPORATION, "9.01", UNUSUAL),
        (EVAPORATION, "20.01", DOUBTFUL),
        (EVAPORATION, "0.99", DOUBTFUL),
    ],
)
def test_bands_end_where_they_say(quantity: str, value: str, verdict: str) -> None:
    assert judge(quantity, Fraction(value)).verdict == verdict


def test_what_nobody_published_is_a_proposal_and_everything_has_a_source() -> None:
    assert len({band.id for band in bands()}) == len(bands())
    for band in bands():
        assert band.low < band.high
        assert band.confidence in ("high", "medium", "low")
        assert band.source
        assert band.proposal is ("proposal" in band.source)
    assert "(a proposal)" in judge(BOTTLING, Fraction(2)).says
    assert "(a proposal)" not in judge(LEES, Fraction(2)).says


def test_an_unknown_quantity_has_no_band() -> None:
    with pytest.raises(KeyError):
        judge("angels", Fraction(1))


def test_losses_and_evaporation_are_in_percent() -> None:
    assert loss_says(LEES, 3 * ONE, 100 * ONE).shown == "3.00 %"
    half = evaporation_says(5 * ONE, 225 * ONE, 73)  # a fifth of a year
    assert half.value == Fraction(5 * 5 * 100, 225)
    assert half.says.startswith("topped for evaporation: 11.11 %/year; 1 to 9 %/year is usual")


# --- the records of a cellar --------------------------------------------------------------------


def seen(vintage: Vintage, **view: Any) -> list[Plausible]:
    """All figures of a cellar that have a band."""
    return plausible(vintage.view(**view))


def rows(vintage: Vintage, **view: Any) -> list[tuple[str, str, str, str]]:
    """Lot, quantity, value and verdict."""
    found = [one.row() for one in seen(vintage, **view)]
    return [(row["lot"], row["quantity"], row["value"], row["verdict"]) for row in found]


def test_a_red_has_a_yield_of_must_and_one_of_wine(vintage: Vintage) -> None:
    """
    {"kind": "lot", "at": "2024-09-01", "name": "R", "style": "dry red"}
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}
    {"kind": "crush", "at": "2024-09-01T10:00", "from": {"lot": "F", "all": true},
     "to": {"lot": "R", "vessel": "T1", "volume": "440 gal"}}
    {"kind": "rack", "at": "2024-09-12T08:00", "from": {"lot": "R", "volume": "200 gal"},
     "to": {"lot": "FREE", "vessel": "T2", "volume": "200 gal"}}
    {"kind": "press", "at": "2024-09-12T10:00", "from": {"lot": "R", "all": true},
     "to": {"lot": "PRESS", "vessel": "T3", "volume": "120 gal"}}
    """
    assert rows(vintage) == [
        ("R", "must", "220.000", USUAL),
        ("R", "wine", "160.000", USUAL),
    ]
    assert seen(vintage)[1].judged.band.id == "wine red"
    assert rows(vintage, as_of="2024-09-10") == [("R", "must", "220.000", USUAL)]


def test_must_that_is_not_pressed_to_the_end_has_no_yield_yet(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}
    {"kind": "crush", "at": "2024-09-01T10:00", "from": {"lot": "F", "all": true},
     "to": {"lot": "R", "vessel": "T1", "volume": "440 gal"}}
    {"kind": "press", "at": "2024-09-12T10:00", "from": {"lot": "R", "volume": "220 gal"},
     "to": {"lot": "P", "vessel": "T3", "volume": "160 gal"}}
    """
    assert [row[1] for row in rows(vintage)] == ["must"]
    vintage.load("""
    {"kind": "press", "at": "2024-09-13T10:00", "from": {"lot": "R", "all": true},
     "to": {"lot": "P", "vessel": "T3", "volume": "140 gal"}}
    """)
    assert ("R", "wine", "150.000", USUAL) in rows(vintage)


def test_whole_fruit_pressed_has_a_yield_and_a_slip_is_doubtful(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}
    {"kind": "press", "at": "2024-09-01T10:00", "from": {"lot": "F", "mass": "1 ton"},
     "to": {"lot": "W", "vessel": "T1", "volume": "150 gal"}}
    {"kind": "press", "at": "2024-09-01T11:00", "from": {"lot": "F", "mass": "1 ton"},
     "to": {"lot": "V", "vessel": "T2", "volume": "150 L"}}
    """
    assert rows(vintage) == [("V", "wine", "39.625", DOUBTFUL), ("W", "wine", "150.000", USUAL)]
    odd = findings(seen(vintage))
    assert [(one.rule, one.lot) for one in odd] == [("doubtful wine", "V")]
    assert odd[0].event == vintage.view().steps[-1].id
    assert "39.6 gal/ton (165.3 L/t); 130 to 185 gal/ton is usual" in odd[0].says


def test_a_correction_mends_the_figure(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "1 ton"}
    {"kind": "press", "at": "2024-09-01T11:00", "from": {"lot": "F", "all": true},
     "to": {"lot": "V", "vessel": "T2", "volume": "150 L"}}
    """
    assert findings(seen(vintage))
    wrong = vintage.view().steps[-1]
    vintage.load(f"""
    {{"kind": "correct", "at": "2024-09-02", "corrects": "{wrong.id}", "reason": "gallons",
     "replacement": {{"kind": "press", "at": "2024-09-01T11:00", "from": {{"lot": "F", "all": true}},
     "to": {{"lot": "V", "vessel": "T2", "volume": "150 gal"}}}}}}
    """)
    assert rows(vintage) == [("V", "wine", "150.000", USUAL)]
    known = str(vintage.ledger.head.position - 1)
    assert rows(vintage, known_on=known) == [("V", "wine", "39.625", DOUBTFUL)]


def test_pressed_wine_and_bought_wine_have_no_yield(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "1000 L"}
    {"kind": "press", "at": "2024-09-02", "from": {"lot": "W", "all": true},
     "to": {"lot": "V", "vessel": "T2", "volume": "900 L"}}
    """
    assert rows(vintage) == []


def test_lees_pressed_anew_are_no_measure_of_fruit(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}
    {"kind": "crush", "at": "2024-09-01T10:00", "from": {"lot": "F", "all": true},
     "to": {"lot": "R", "vessel": "T1", "volume": "440 gal"}}
    {"kind": "press", "at": "2024-09-12T10:00", "from": {"lot": "R", "all": true},
     "to": {"lot": "P", "vessel": "T2", "volume": "320 gal"}}
    {"kind": "press", "at": "2024-11-12T10:00", "from": {"lot": "P", "all": true},
     "to": {"lot": "Q", "vessel": "T3", "volume": "310 gal"}}
    """
    assert [(row[0], row[1]) for row in rows(vintage)] == [("R", "must"), ("R", "wine")]


def test_must_pressed_without_pomace_is_doubtful(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}
    {"kind": "crush", "at": "2024-09-01T10:00", "from": {"lot": "F", "all": true},
     "to": {"lot": "R", "vessel": "T1", "volume": "440 gal"}}
    {"kind": "press", "at": "2024-09-12T10:00", "from": {"lot": "R", "all": true},
     "to": {"lot": "P", "vessel": "T2", "volume": "440 gal"}}
    """
    assert rows(vintage)[-1] == ("R", "wine", "220.000", DOUBTFUL)


@pytest.mark.parametrize(("bought", "told"), [("20 gal", True), ("60 gal", False)])
def test_must_with_much_of_unknown_weight_has_no_yield(
    vintage: Vintage, bought: str, told: bool
) -> None:
    """20 of 460 gal are 4.3 %, 60 of 500 are 12 %: the line is a proposal, 5 %."""
    vintage.load(f"""
    {{"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "2 ton"}}
    {{"kind": "crush", "at": "2024-09-01T10:00", "from": {{"lot": "F", "all": true}},
     "to": {{"lot": "R", "vessel": "T1", "volume": "440 gal"}}}}
    {{"kind": "receive", "at": "2024-09-02", "lot": "J", "state": "juice", "vessel": "T2", "volume": "{bought}"}}
    {{"kind": "blend", "at": "2024-09-03", "from": {{"lot": "J", "all": true}},
     "to": {{"lot": "R", "vessel": "T1", "volume": "{bought}"}}}}
    {{"kind": "press", "at": "2024-09-12T10:00", "from": {{"lot": "R", "all": true}},
     "to": {{"lot": "P", "vessel": "T3", "volume": "340 gal"}}}}
    """)
    values = [row[2] for row in rows(vintage) if row[1] == "wine"]
    assert len(values) == told
    if told:  # 340 gal, of which 440 of 460 parts are of the two tons
        assert 0 <= Fraction(340 * 440, 460 * 2) - Fraction(values[0]) < Fraction(1, 1000)


def test_losses_stand_beside_their_bands(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "1000 L"}
    {"kind": "loss", "at": "2024-10-01", "lot": "W", "volume": "120 L", "reason": "lees"}
    {"kind": "loss", "at": "2024-10-02", "lot": "W", "volume": "10 L", "reason": "filter"}
    {"kind": "loss", "at": "2024-10-03", "lot": "W", "volume": "10 L", "reason": "spill"}
    """
    assert rows(vintage) == [("W", "filter", "1.000", USUAL), ("W", "lees", "12.000", DOUBTFUL)]
    assert [one.rule for one in findings(seen(vintage))] == ["doubtful lees"]


def topped(vintage: Vintage, litres: str, months: int = 12) -> None:
    """Two barrels filled in January 2024 and topped at the start of each month after it."""
    vintage.load("""
    {"kind": "receive", "at": "2024-01-01", "lot": "W", "vessel": "T1", "volume": "1000 L"}
    {"kind": "barrel_down", "at": "2024-01-01T10:00", "from": {"lot": "W", "volume": "450 L"},
     "to": {"lot": "W", "vessels": ["B1", "B2"], "volume": "450 L"}}
    """)
    for month in range(1, months + 1):
        year, number = divmod(month, 12)
        vintage.load(f"""
        {{"kind": "top", "at": "{2024 + year}-{number + 1:02d}-01T12:00",
         "from": {{"lot": "W", "vessel": "T1", "volume": "{2 * int(litres)} L"}},
         "to": {{"lot": "W", "vessels": ["B1", "B2"], "each": "{litres} L", "full": true}}}}
        """)


def test_a_year_of_topping_is_one_figure_for_barrels_that_took_alike(vintage: Vintage) -> None:
    topped(vintage, "1", months=11)
    (one,) = seen(vintage)
    assert (one.vessels, one.judged.quantity, one.judged.verdict) == (
        ("B1", "B2"),
        EVAPORATION,
        USUAL,
    )
    days = 335  # from 1 January to 1 December 2024
    assert one.judged.value == Fraction(11 * 100 * 365, 225 * days)


def test_a_thirsty_barrel_is_a_finding_that_names_it(vintage: Vintage) -> None:
    topped(vintage, "5", months=11)
    (odd,) = findings(seen(vintage))
    assert odd.rule == "doubtful evaporation"
    assert odd.where == "`W` in `B1` and 1 more"


def test_unusual_is_told_only_when_asked(vintage: Vintage) -> None:
    topped(vintage, "3", months=11)
    assert findings(seen(vintage)) == []
    assert [one.rule for one in findings(seen(vintage), unusual=True)] == ["unusual evaporation"]


def test_a_month_of_topping_says_nothing_of_a_year(vintage: Vintage) -> None:
    topped(vintage, "5", months=2)
    assert seen(vintage) == []


PICKED = """
{"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "1 ton", "brix": "22"}
{"kind": "pick", "at": "2024-09-02T08:00", "block": "Mill", "lot": "F", "mass": "1 ton", "brix": "26"}
{"kind": "crush", "at": "2024-09-02T10:00", "from": {"lot": "F", "all": true},
 "to": {"lot": "R", "vessel": "T1", "volume": "440 gal"}}
"""


@pytest.mark.parametrize(
    ("alcohol", "odd"), [("12.0", False), ("15.84", False), ("11.9", True), ("15.9", True)]
)
def test_alcohol_is_set_against_the_brix_of_the_picks(
    vintage: Vintage, alcohol: str, odd: bool
) -> None:
    """0.50 to 0.66 % vol a degree (a proposal) of a mean of 24 Brix by weight."""
    vintage.load(PICKED)
    vintage.load(f"""
    {{"kind": "analysis", "at": "2024-10-01", "lot": "R", "lab": "own", "values": {{"alcohol": "{alcohol}"}}}}
    """)
    found = alcohols(vintage.view())
    assert [one.lot for one in found] == (["R"] if odd else [])
    if odd:
        assert "from 24.00 Brix at harvest" in found[0].says
    assert alcohols(vintage.view(as_of="2024-09-30")) == []


def test_a_wine_from_elsewhere_is_not_set_against_a_few_picks(vintage: Vintage) -> None:
    vintage.load(PICKED)
    vintage.load("""
    {"kind": "receive", "at": "2024-10-01", "lot": "W", "vessel": "T2", "volume": "100 gal"}
    {"kind": "blend", "at": "2024-10-02", "from": {"lot": "W", "all": true},
     "to": {"lot": "R", "vessel": "T1", "volume": "100 gal"}}
    {"kind": "analysis", "at": "2024-10-03", "lot": "R", "lab": "own", "values": {"alcohol": "9"}}
    """)
    assert alcohols(vintage.view()) == []


def test_a_barrel_filled_anew_begins_its_year_anew(vintage: Vintage) -> None:
    topped(vintage, "1", months=6)
    vintage.load("""
    {"kind": "rack", "at": "2024-07-02", "from": {"lot": "W", "vessels": ["B1", "B2"], "all": true},
     "to": {"lot": "W", "vessel": "T1", "volume": "450 L"}}
    {"kind": "rack", "at": "2024-07-03", "from": {"lot": "W", "vessel": "T1", "volume": "450 L"},
     "to": {"lot": "W", "vessels": ["B1", "B2"], "volume": "450 L"}}
    {"kind": "top", "at": "2024-12-30T00:00", "from": {"lot": "W", "vessel": "T1", "volume": "8 L"},
     "to": {"lot": "W", "vessels": ["B1", "B2"], "each": "4 L", "full": true}}
    """)
    days = [182, 180]  # 1 January to 1 July 2024, 3 July to 30 December
    found = [one.judged.value for one in seen(vintage) if one.judged.quantity == EVAPORATION]
    assert found == [
        Fraction(litres * 36500, 225 * each) for litres, each in zip((6, 4), days, strict=True)
    ]
