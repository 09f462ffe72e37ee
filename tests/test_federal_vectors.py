"""Vectors on the rest of the federal rules and on the States: what is sold under which label.

Where a vector is a regulator's own example or an enforcement case its source is named; the others
set a number into the section named beside them. Places are invented, but for States.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from ampelog import claims, rules
from ampelog.claims import Verdict, judge
from ampelog.quantities import GALLON, ONE, parse
from ampelog.scope import Label
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Fill, Stay, Used
from tests.wines import TODAY, Registered, Row, wine

PLACES = Registered(
    {
        "Area P": "ava",
        "Area Q": "ava",
        "Area R": "ava",
        "Far County": "county",
        "Line Valley": "ava",
        "Valley Nest": "ava",
        "Mountain Area": "ava",
        "Texas Area": "ava",
        "Texas Farm": "vineyard",
        "Inner Monterey": "ava",
        "Monterey County": "county",
        "Inner Sonoma": "ava",
        "Sonoma County": "county",
        "Sound County": "county",
        "Willamette Valley": "ava",
        **dict.fromkeys(
            (
                *("California", "Oregon", "Washington", "Nevada", "Idaho", "Texas", "Oklahoma"),
                *("North Carolina", "Tennessee", "Virginia", "Kentucky"),
            ),
            "state",
        ),
        "American": "country",
    },
    {
        "Area P": ["California"],
        "Area Q": ["Area P"],
        "Area R": ["Area P"],
        "Far County": ["California"],
        "Sound County": ["California"],
        "Valley Nest": ["Oregon"],
        "Texas Area": ["Texas"],
        "Texas Farm": ["Texas"],
        "Monterey County": ["California"],
        "Inner Monterey": ["Monterey County"],
        "Sonoma County": ["California"],
        "Inner Sonoma": ["Sonoma County"],
        "Willamette Valley": ["Oregon"],
    },
    {
        "Line Valley": ["Oregon", "Washington"],
        "Mountain Area": ["North Carolina", "Tennessee", "Virginia"],
    },
)


def grown(share: str, *places: str, **more: Any) -> Row:
    """A part of a wine that grew in these places and in no other."""
    return {"share": share, "places": list(places), **more}


def put(
    packs: str,
    label: dict[str, Any],
    *parts: Row,
    on: date = TODAY,
    placed: bool = False,
    **known: Any,
) -> list[Verdict]:
    """The rows of a label before packs; ``known`` is what else is known of the fill."""
    made = wine(*(parts or (grown("1", "Area P", "California", variety="Merlot", vintage=2024),)))
    fill = Fill(None, made, placed=placed, **known)
    found = [rules.pack(name) for name in packs.split()]
    return judge(label, [fill], found, PLACES, on, Label(markets=tuple(packs.split())))


EGG_MILK = {"a": Used(("egg",)), "b": Used(("milk",))}
NONE_ADDED = ["No sulfites added", "Contains naturally occurring sulfites"]


def verdict(packs: str, label: dict[str, Any], *parts: Row, **more: Any) -> str:
    return claims.verdict(put(packs, label, *parts, **more))


def of(rows: list[Verdict], *names: str) -> set[str]:
    """The verdicts of some rules."""
    found: set[str] = {row.verdict for row in rows if row.rule in names}
    assert found, rows
    return found


# --- strength: 27 CFR 4.36; R1 to R4 and R9 are the authority's own examples -------------------


@pytest.mark.parametrize(
    ("name", "said", "actual", "wanted"),
    [
        ("R1", "12 %", "10.5", SUPPORTED),
        ("R1", "12 %", "13.5", SUPPORTED),
        ("R1", "12 %", "12.3", SUPPORTED),
        ("R2", "12 %", "10.4", REFUSED),
        ("R2", "12 %", "13.6", REFUSED),
        ("R3", "18 %", "17.0", SUPPORTED),
        ("R3", "18 %", "19.0", SUPPORTED),
        ("R3", "18 %", "16.9", REFUSED),
        ("R3", "18 %", "19.1", REFUSED),
        ("R4", "15.5 %", "16.5", REFUSED),  # within a point, across a tax line
        ("R5", "11-14 %", "12.5", SUPPORTED),
        ("R6", "13-15 %", "14", REFUSED),
        ("R7", "Table Wine", "13.5", SUPPORTED),
        ("R8", "Dessert Wine", "18", REFUSED),
        ("R9", "13.5 % ABV", "13.5", REFUSED),
        ("D33", "Table Wine", "14.0", SUPPORTED),
        ("D33", "14.0 %", "14.0", SUPPORTED),
        ("D33", "Table Wine", "14.1", REFUSED),
        ("D33", "14.0 %", "14.1", REFUSED),
        ("D34", "16.0 %", "16.9", REFUSED),
        ("D34", "16.0 %", "15.0", SUPPORTED),
    ],
)
def test_strength(name: str, said: str, actual: str, wanted: str) -> None:
    # R1-R4: TTB bulletin of early 2025; R5, R6: TTB wine resource tool; R7-R9: ttb.gov, wine
    # labeling, alcohol content
    del name
    assert verdict("us", {"alcohol": said}, measured={"alcohol": actual}) == wanted


def test_two_varieties_with_their_shares() -> None:
    # R10: TTB Beverage Alcohol Manual, chapter 10 (secondary)
    label = {
        "variety": ["Chardonnay", "Sémillon"],
        "shares": {"Chardonnay": "60", "Sémillon": "40"},
        "appellation": "Area P",
        "alcohol": "12.5 %",
    }
    parts = (
        grown("0.6", "Area P", variety="Chardonnay"),
        grown("0.4", "Area P", variety="Sémillon"),
    )
    assert verdict("us", label, *parts, measured={"alcohol": "12.5"}) == SUPPORTED


@pytest.mark.parametrize(
    ("bottles", "size", "gallons"),
    [(12, "750 mL", "2.37753"), (12, "1 L", "3.17004"), (48, "187 mL", "2.37119")],
)
def test_cases_in_gallons(bottles: int, size: str, gallons: str) -> None:
    # R12: 27 CFR 24.300(a)(1) prints five decimals, from 0.26417 gal/L
    litres = Fraction(bottles * parse(size).amount, ONE)
    assert litres * Fraction("0.26417") == Fraction(gallons).limit_denominator(10**9) or (
        abs(litres * Fraction("0.26417") - Fraction(gallons)) < Fraction("0.00001")
    )
    assert abs(litres / GALLON - Fraction(gallons)) < Fraction("0.0001")


@pytest.mark.parametrize(("size", "ounces"), [("700 mL", "23.7"), ("6 L", "203")])
def test_sizes_in_fluid_ounces(size: str, ounces: str) -> None:
    # R11: 27 CFR 4.37(b)(2)-(3): to the nearest tenth below 100 fluid ounces, to whole ones above
    found = Fraction(parse(size).amount, ONE) / GALLON * 128
    assert round(found, 1 if found < 100 else 0) == Fraction(ounces)


# --- where wine was made: 27 CFR 4.25, 4.35 -----------------------------------------------------


def test_a_wine_of_oregon_finished_in_california() -> None:
    # R19, R20: 27 CFR 4.25(b)(1)(ii), (e)(3)(iv); an enforcement case of 2018
    parts = (grown("1", "Oregon", "Valley Nest", "Willamette Valley", made_in=["California"]),)
    assert verdict("us", {"appellation": "Oregon"}, *parts, placed=True) == SUPPORTED
    assert verdict("us", {"appellation": "Willamette Valley"}, *parts, placed=True) == REFUSED


@pytest.mark.parametrize(
    ("label", "at", "made", "wanted"),
    [
        # D14: 27 CFR 4.25(d)(1)
        ({"appellation": ["California", "Oregon"]}, "two", "Nevada", REFUSED),
        ({"appellation": ["California", "Oregon"]}, "two", "Oregon", SUPPORTED),
        # D16: a county asks its own State, the State one that touches it
        ({"appellation": "Far County"}, "county", "Oregon", REFUSED),
        ({"appellation": "California"}, "county", "Oregon", SUPPORTED),
        # D17: 27 CFR 4.25(e)(3)(iv), 81 FR 74677 has such an area
        ({"appellation": "Mountain Area"}, "mountain", "Tennessee", SUPPORTED),
        ({"appellation": "Mountain Area"}, "mountain", "Virginia", SUPPORTED),
        ({"appellation": "Mountain Area"}, "mountain", "Kentucky", REFUSED),
    ],
)
def test_finished(label: dict[str, Any], at: str, made: str, wanted: str) -> None:
    wines: dict[str, tuple[Row, ...]] = {
        "two": (
            grown("0.6", "California", made_in=[made]),
            grown("0.4", "Oregon", made_in=[made]),
        ),
        "county": (grown("1", "Far County", "California", made_in=[made]),),
        "mountain": (grown("1", "Mountain Area", made_in=[made]),),
    }
    shares = {"shares": {"California": "60", "Oregon": "40"}} if at == "two" else {}
    assert verdict("us", {**label, **shares}, *wines[at], placed=True) == wanted


def test_a_county_of_california_finished_elsewhere_is_for_review_in_the_state() -> None:
    # D16, the State's half: 17 CCR 17015 was read in a digest
    parts = (grown("1", "Far County", "California", made_in=["Oregon"]),)
    rows = put("us-ca", {"appellation": "California"}, *parts, placed=True)
    assert of(rows, "us-ca-finished") == {UNDETERMINED}


def test_states_that_do_not_touch() -> None:
    # D15: 27 CFR 4.25(a)(1)(iii)
    two = (grown("0.6", "California"), grown("0.4", "Washington"))
    three = (grown("0.6", "California"), grown("0.2", "Oregon"), grown("0.2", "Washington"))
    rows = put("us", {"appellation": ["California", "Washington"]}, *two)
    assert of(rows, "us-appellation-states") == {REFUSED}
    rows = put("us", {"appellation": ["California", "Oregon", "Washington"]}, *three)
    assert of(rows, "us-appellation-states") == {UNDETERMINED}


def test_counties_of_one_state() -> None:
    # D12: 27 CFR 4.25(c)
    shares = {"Far County": "60", "Sound County": "40"}
    label = {"appellation": ["Far County", "Sound County"], "shares": shares}
    parts = (grown("0.6", "Far County"), grown("0.4", "Sound County"))
    assert verdict("us", label, *parts) == SUPPORTED


@pytest.mark.parametrize(
    ("name", "word", "here", "known", "wanted"),
    [
        ("D28", "produced", "0.74", {}, REFUSED),
        ("D28", "cellared", "0.74", {"done": frozenset({"treated"})}, SUPPORTED),
        ("D28", "cellared", "0.74", {}, UNDETERMINED),
        ("D28", "produced", "0.75", {}, SUPPORTED),
        ("R13", "produced", "0", {}, REFUSED),  # made by the same firm, at another address
    ],
)
def test_the_words_before_a_name(
    name: str, word: str, here: str, known: dict[str, Any], wanted: str
) -> None:
    # 27 CFR 4.35(a)(2); R13: the example of 4.35(c)
    del name
    rest = str(1 - Fraction(here))
    parts = [{"share": here, "made_here": True}, {"share": rest, "made_here": False}]
    kept = [part for part in parts if part["share"] != "0"]
    assert verdict("us", {"bottler": word}, *kept, **known) == wanted


def test_produced_and_bottled_in_washington_says_more() -> None:
    # D28, the State's half: WAC 314-24-090(1)(c)
    parts = ({"share": "0.75", "made_here": True}, {"share": "0.25", "made_here": False})
    rows = put("us us-wa", {"bottler": "produced"}, *parts)
    assert claims.verdict(rows) == SUPPORTED
    assert "clarified" in next(row.why for row in rows if row.rule == "us-wa-produced")


# --- estate and vineyard: 27 CFR 4.26, 4.39(m) --------------------------------------------------

HOME = Stay(("Area Q",))


@pytest.mark.parametrize(
    ("name", "area", "own", "stay", "wanted"),
    [
        ("D23", "Area P", "0.99", Stay(("Area P",)), REFUSED),
        ("D24", "Area P", "1", Stay(("Area P",), ("It lay in a warehouse.",)), REFUSED),
        ("D26", "Area R", "1", HOME, REFUSED),
        ("D26", "Area P", "1", HOME, SUPPORTED),
    ],
)
def test_estate_bottled(name: str, area: str, own: str, stay: Stay, wanted: str) -> None:
    del name
    places = ("Area R", "Area P", "California")
    parts = [grown(own, *places, own=True)]
    if own != "1":
        parts.append(grown(str(1 - Fraction(own)), own=False))
    label = {"estate_bottled": True, "appellation": area}
    assert verdict("us", label, *parts, stay=stay) == wanted


def test_a_vineyard_and_what_texas_adds() -> None:
    # D27: 27 CFR 4.39(m); Texas Alcoholic Beverage Code 101.673
    label = {"vineyard": "Texas Farm"}
    for share, wanted in (("0.94", REFUSED), ("0.95", SUPPORTED)):
        rest = str(1 - Fraction(share))
        inside = (
            grown(share, "Texas Farm", "Texas", vintage=2023),
            grown(rest, "Texas", vintage=2023),
        )
        assert verdict("us us-tx", label, *inside) == wanted
    outside = (
        grown("0.95", "Texas Farm", "Texas", vintage=2023),
        grown("0.05", "Oklahoma", vintage=2023),
    )
    assert verdict("us", label, *outside) == SUPPORTED
    assert verdict("us us-tx", label, *outside) == REFUSED


# --- years: 27 CFR 4.27 -------------------------------------------------------------------------


def test_fruit_of_a_season_picked_after_its_turn_is_for_review() -> None:
    # D21
    parts = (grown("1", "Area P", "California", picked=date(2026, 1, 5)),)
    for year in (2025, 2026):
        rows = put("us", {"vintage": year, "appellation": "Area P"}, *parts)
        assert of(rows, "us-vintage-ava") == {UNDETERMINED}
        assert "calendar year" in next(row.why for row in rows if row.rule == "us-vintage-ava")


# --- names and sizes ----------------------------------------------------------------------------


def test_a_county_is_told_that_its_name_needs_the_word() -> None:
    # D36: the name in the register is not the print, so that it is said and refuses nothing
    places = Registered({"Sound": "county"})
    made = wine(grown("1", "Sound"))
    rows = judge({"appellation": "Sound"}, [Fill(None, made)], [rules.pack("us")], places, TODAY)
    assert "the word County" in next(row.why for row in rows if row.rule == "us-appellation-county")


def test_muscat_needs_no_grapes_of_the_appellation_but_california_does() -> None:
    # D37: 27 CFR 4.28; 17 CCR 17015
    label = {"variety": ["Muscat"], "appellation": "California"}
    parts = (
        grown("0.4", "California", variety="Muscat blanc"),
        grown("0.3", "California", variety="Orange Muscat"),
        grown("0.06", variety="Orange Muscat"),
        grown("0.24", "California", variety="Merlot"),
    )
    assert verdict("us", label, *parts) == SUPPORTED
    assert verdict("us us-ca", label, *parts) == REFUSED


@pytest.mark.parametrize(
    ("name", "size", "on", "wanted"),
    [
        ("D30", "740 mL", TODAY, REFUSED),
        ("D30", "3.5 L", TODAY, REFUSED),
        ("D30", "4 L", TODAY, SUPPORTED),
        ("D30", "4.5 L", TODAY, REFUSED),
        ("D31", "720 mL", date(2024, 12, 15), REFUSED),
        ("D31", "720 mL", date(2025, 2, 1), SUPPORTED),
    ],
)
def test_sizes(name: str, size: str, on: date, wanted: str) -> None:
    # 27 CFR 4.72, T.D. TTB-200
    del name
    assert verdict("us", {}, on=on, format=parse(size).amount) == wanted


@pytest.mark.parametrize(
    ("name", "texts", "known", "wanted"),
    [
        ("R14", ["Riesling Auslese"], {}, REFUSED),  # 27 CFR 4.39(l)
        ("R14", ["Kabinett"], {}, REFUSED),
        ("R14", ["Eiswein"], {}, REFUSED),
        # 27 CFR 4.32a(b)
        ("R17", ["Contains: egg"], {"materials": EGG_MILK}, REFUSED),
        ("R17", ["Contains: egg, milk"], {"materials": EGG_MILK}, SUPPORTED),
        (
            "R17",
            ["Contains: egg"],
            {"materials": {"a": Used(("egg",)), "b": Used(None)}},
            UNDETERMINED,
        ),
        ("R17", ["Contains: egg"], {"materials": {"a": Used(("casein",))}}, REFUSED),
        ("R17", ["Contains: egg"], {"materials": {"a": Used(("isinglass",))}}, REFUSED),
        ("R17", ["Contains: egg"], {"materials": {"skim milk powder": Used(None)}}, REFUSED),
        ("R17", ["Contains: egg"], {"materials": {"a": Used(("bentonite",))}}, SUPPORTED),
        ("R17", ["Contains: egg"], {"untold": ("It was bought.",)}, UNDETERMINED),
        # ttb.gov wine label checklist; 27 CFR 4.32(e)
        ("R27", ["No sulfites added"], {"measured": {"total_so2": "12"}}, REFUSED),
        # 4.38(f), 24.314: what a statement says of additions is judged by those that are recorded
        ("", NONE_ADDED, {"materials": {"a": Used(("potassium metabisulfite",))}}, REFUSED),
        ("", NONE_ADDED, {"materials": {"KMBS": Used(None)}}, REFUSED),
        ("", NONE_ADDED, {"materials": {"a": Used(None)}}, UNDETERMINED),
        ("", NONE_ADDED, {"untold": ("It was bought.",)}, UNDETERMINED),
        ("", NONE_ADDED, {"materials": {"a": Used(("bentonite",))}}, SUPPORTED),
        ("D32", ["Sulfite free"], {"measured": {"total_so2": "9.9"}}, SUPPORTED),
        ("D32", ["Sulfite free"], {"measured": {"total_so2": "10.0"}}, REFUSED),
        ("D32", ["Sulfite free"], {"measured": {"total_so2": "<10"}}, SUPPORTED),
    ],
)
def test_texts(name: str, texts: list[str], known: dict[str, Any], wanted: str) -> None:
    del name
    assert verdict("us", {"text": [{"says": text} for text in texts]}, **known) == wanted


# --- the States' own layer ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "packs", "label", "parts", "wanted"),
    [
        # RCW 66.28.110(2)(a)
        (
            "R22", "us us-wa", {"appellation": "Washington"},
            (grown("0.949", "Washington"), grown("0.051", "Oregon")), REFUSED,
        ),
        (
            "R22 at", "us us-wa", {"appellation": "Washington"},
            (grown("0.95", "Washington"), grown("0.05", "Oregon")), SUPPORTED,
        ),
        # the board's page of questions; OAR 845-010-0920
        (
            "R24", "us us-or", {"appellation": "Valley Nest"},
            (grown("0.94", "Valley Nest", "Oregon"), grown("0.06", "Oregon")), REFUSED,
        ),
        (
            "R24 at", "us us-or", {"appellation": "Valley Nest"},
            (grown("0.95", "Valley Nest", "Oregon"), grown("0.05", "Oregon")), SUPPORTED,
        ),
        # OAR 845-010-0915
        (
            "R25", "us us-or", {"variety": ["Pinot noir"], "appellation": "Oregon"},
            (
                grown("0.89", "Oregon", variety="Pinot noir"),
                grown("0.11", "Oregon", variety="Syrah"),
            ),
            REFUSED,
        ),
        (
            "R25 Syrah", "us us-or", {"variety": ["Syrah"], "appellation": "Oregon"},
            (
                grown("0.75", "Oregon", variety="Syrah"),
                grown("0.25", "Oregon", variety="Pinot noir"),
            ),
            SUPPORTED,
        ),
        # Texas Alcoholic Beverage Code 101.673
        (
            "R26", "us us-tx", {"appellation": "Texas Area"},
            (
                grown("0.99", "Texas Area", "Texas", vintage=2022),
                grown("0.01", "Oklahoma", vintage=2022),
            ),
            REFUSED,
        ),
        (
            "R26 Texas", "us us-tx", {"appellation": "Texas"},
            (
                grown("0.99", "Texas Area", "Texas", vintage=2022),
                grown("0.01", "Oklahoma", vintage=2022),
            ),
            SUPPORTED,
        ),
        # 17 CCR 17010(a)(3), the regulation's own case
        (
            "R30", "us us-ca", {"appellation": "California"},
            (
                grown("0.99", "California"),
                {"share": "0.01", "material": "sugar", "role": "enrichment"},
            ),
            REFUSED,
        ),
        # D18: federally 85 %, in California all
        (
            "D18", "us", {"appellation": "Area P"},
            (grown("0.85", "Area P", "California"), grown("0.15", "Oregon")), SUPPORTED,
        ),
        (
            "D18 State", "us us-ca", {"appellation": "Area P"},
            (grown("0.85", "Area P", "California"), grown("0.15", "Oregon")), REFUSED,
        ),
        # D35: RCW 66.28.110(2)
        (
            "D35", "us us-wa", {"appellation": "Line Valley"},
            (grown("0.85", "Line Valley", "Washington"), grown("0.15", "Oregon")), SUPPORTED,
        ),
        (
            "D35 State", "us us-wa", {"appellation": ["Line Valley", "Washington"]},
            (
                grown("0.85", "Line Valley", "Washington"),
                grown("0.05", "Washington"),
                grown("0.1", "Oregon"),
            ),
            REFUSED,
        ),
    ],
)  # fmt: skip
def test_layers(
    name: str, packs: str, label: dict[str, Any], parts: tuple[Row, ...], wanted: str
) -> None:
    del name
    assert verdict(packs, label, *parts) == wanted


def test_washington_with_an_area_across_its_line() -> None:
    # R23: RCW 66.28.110(2)(c); 27 CFR 4.25(e)(3)
    parts = (
        grown("0.6", "Line Valley", "Oregon"),
        grown("0.35", "Washington"),
        grown("0.05", "Oregon"),
    )
    rows = put("us us-wa", {"appellation": ["Washington", "Line Valley"]}, *parts)
    assert of(rows, "us-wa-across") == {SUPPORTED}
    assert of(rows, "us-appellation-ava") == {REFUSED}


def test_a_second_name_that_the_state_asks_for_leaves_an_estate_one() -> None:
    # 27 CFR 4.26(a); California Business and Professions Code 25247
    label: dict[str, Any] = {
        "estate_bottled": True,
        "appellation": ["Inner Monterey", "Monterey County"],
    }
    places = ("Inner Monterey", "Monterey County", "California")
    home = {"stay": Stay(("Inner Monterey",))}
    assert verdict("us us-ca", label, grown("1", *places, own=True), **home) == SUPPORTED
    bought = (grown("0.99", *places, own=True), grown("0.01", *places, own=False))
    assert verdict("us us-ca", label, *bought, **home) == REFUSED
    alone = {**label, "appellation": "Monterey County"}
    assert verdict("us us-ca", alone, grown("1", *places, own=True), **home) == REFUSED


def test_a_state_named_beside_another_is_asked_for_its_own_share() -> None:
    # RCW 66.28.110(2)(a): claimed or implied anywhere; OAR 845-010-0920
    label = {
        "appellation": ["Oregon", "Washington"],
        "shares": {"Oregon": "60", "Washington": "40"},
    }
    parts = (grown("0.6", "Oregon"), grown("0.4", "Washington"))
    assert verdict("us", label, *parts) == SUPPORTED
    assert of(put("us us-wa", label, *parts), "us-wa-state") == {REFUSED}
    assert of(put("us us-or", label, *parts), "us-or-grapes") == {REFUSED}


@pytest.mark.parametrize(
    ("on", "named", "wanted"),
    [
        (date(2014, 1, 1), "Inner Sonoma", REFUSED),
        (date(2013, 12, 31), "Inner Sonoma", SUPPORTED),
        (date(2014, 1, 1), ["Inner Sonoma", "Sonoma County"], SUPPORTED),
    ],
)
def test_an_area_of_sonoma_county_names_it(on: date, named: str | list[str], wanted: str) -> None:
    # R28: California Business and Professions Code 25246(d)
    parts = (grown("1", "Inner Sonoma", "Sonoma County", "California"),)
    assert verdict("us us-ca", {"appellation": named}, *parts, on=on) == wanted


def test_a_second_name_begins_with_its_bottling_date() -> None:
    # R28 with the county of AB 394 (2015), whose rule began on 1 January 2019
    label = {"appellation": "Inner Monterey"}
    parts = (grown("1", "Inner Monterey", "Monterey County", "California"),)
    assert verdict("us us-ca", label, *parts, on=date(2019, 1, 1)) == REFUSED
    assert verdict("us us-ca", label, *parts, on=date(2018, 12, 31)) == SUPPORTED
