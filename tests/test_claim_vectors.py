"""Vectors on 27 CFR 4.23, 4.25 and 4.27: wines and labels, and what the federal rules say of them.

The figures stand straight on the sections named beside them, published examples first named by
their source; the places are invented.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from ampelog import claims
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED
from tests.wines import CS, HF, ME, MERLOT, QB, TODAY, TWO, Row, by, part, rows_of, years

D2 = (part("0.74", ME, QB), part("0.06", ME, HF), part("0.12", CS, QB), part("0.08", CS, HF))

COUNTIES = ["Yarrow County", "Alder County", "Birch County"]
COUNTY_SHARES = {"Yarrow County": "40", "Alder County": "35", "Birch County": "25"}


def counties(*shares: str) -> tuple[Row, ...]:
    return tuple(part(share, None, name) for share, name in zip(shares, COUNTIES, strict=True))


def in_state(*parts: Row) -> tuple[Row, ...]:
    return tuple({**each, "places": [*each["places"], "Larchland"]} for each in parts)  # type: ignore[misc]  # places is a list here


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
    ("D3", {**MERLOT, "appellation": "Larchland"}, in_state(*D2), TODAY, SUPPORTED),
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
    # 27 CFR 4.23(c)(1): 51 % of a labrusca grape needs its statement
    (
        "D7",
        {
            "variety": ["Concord"],
            "appellation": "Larchland",
            "text": [{"says": "Contains not less than 51 percent Concord"}],
        },
        (
            part("0.51", "Concord", "Larchland"),
            part("0.24", "Niagara", "Larchland"),
            part("0.25", "Niagara"),
        ),
        TODAY,
        SUPPORTED,
    ),
    (
        "D7 without",
        {"variety": ["Concord"], "appellation": "Larchland"},
        (
            part("0.51", "Concord", "Larchland"),
            part("0.24", "Niagara", "Larchland"),
            part("0.25", "Niagara"),
        ),
        TODAY,
        REFUSED,
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
    # 27 CFR 4.25(c): three counties; in which State they lie nobody registered here
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
        {"vintage": 2024, "appellation": "Yarrow County"},
        years(("0.949", 2024), ("0.051", 2023), at=["Yarrow County"]),
        TODAY,
        SUPPORTED,
    ),
    # 27 CFR 4.27(a)(1): an area beside a county still asks 95 %
    (
        "D20",
        {"vintage": 2024, "appellation": [QB, "Yarrow County"]},
        years(("0.9", 2024), ("0.1", 2023), at=[QB, "Yarrow County"]),
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
def test_vectors(label: dict[str, Any], parts: tuple[Row, ...], on: date, wanted: str) -> None:
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
    # 27 CFR 4.25(d)(1): 62 and 38 printed as 60 and 40; whether invented States touch nobody knows
    shares = {"Firland": "60", "Larchland": "40"}
    label = {"appellation": ["Firland", "Larchland"], "shares": shares}
    rows = rows_of(label, part("0.62", None, "Firland"), part("0.38", None, "Larchland"))
    assert {row.verdict for row in rows if row.claim == "shares"} == {SUPPORTED}
    assert by(rows, "us-appellation-states").verdict == UNDETERMINED
    assert "touch" in by(rows, "us-appellation-states").why


def test_several_counties_and_varieties_need_a_table() -> None:
    # 27 CFR 4.23(d)(3), D13: only the totals are printed
    label = {"variety": [CS, ME], "shares": {CS: "60", ME: "40"}, "appellation": COUNTIES[:2]}
    parts = (part("0.6", CS, COUNTIES[0]), part("0.4", ME, COUNTIES[1]))
    rows = rows_of(label, *parts)
    table = [row for row in rows if row.rule == "us-variety-several-table"]
    assert [row.verdict for row in table] == [REFUSED] * 4
    assert not [row for row in rows if row.rule == "us-variety-several-printed"]
    # the totals are then judged by no rule, and said to be so
    unjudged = [row.statement for row in rows if row.claim == "shares" and row.rule is None]
    assert unjudged == [f"{CS} 60 %", f"{ME} 40 %"]
    cells = {
        f"{CS}, {COUNTIES[0]}": "61", f"{CS}, {COUNTIES[1]}": "0",
        f"{ME}, {COUNTIES[0]}": "1", f"{ME}, {COUNTIES[1]}": "38",
    }  # fmt: skip
    rows = rows_of({**label, "shares": cells}, *parts)
    table = [row for row in rows if row.rule == "us-variety-several-table"]
    assert [row.verdict for row in table] == [SUPPORTED] * 4


def test_overlapping_areas_are_one_appellation_for_several_varieties() -> None:
    # 27 CFR 4.23(d)(3) is about counties and States
    label = {**TWO, "shares": {CS: "60", ME: "40"}, "appellation": [QB, HF]}
    rows = rows_of(label, part("0.6", CS, QB, HF), part("0.4", ME, QB, HF))
    assert claims.verdict(rows) == SUPPORTED
