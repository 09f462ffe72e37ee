"""What a lot may say and how much could be added: the same that recording the addition gives."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

from ampelog.claimable import claimable
from ampelog.errors import Refused
from ampelog.labelling import claims
from ampelog.shares import REFUSED, SUPPORTED
from tests.conftest import Vintage

LABEL = """
{"kind": "label", "at": "2000-01-01", "name": "Ford Syrah",
 "statements": {"variety": ["Syrah"], "vintage": 2024, "appellation": "Two Fords"}}
"""
LOTS = """
{"kind": "receive", "at": "2024-12-01", "lot": "W", "vessel": "T1", "volume": "300 L",
 "composition": [
 {"share": "0.9", "variety": "Syrah", "vintage": 2024, "within": ["Two Fords"]},
 {"share": "1/30", "variety": "Grenache", "vintage": 2024, "within": ["Two Fords"]},
 {"share": "1/15", "variety": "Syrah", "vintage": 2024, "within": ["Ash"]}]}
{"kind": "receive", "at": "2024-12-01", "lot": "X", "vessel": "T2", "volume": "300 L",
 "composition": [
 {"share": "1/7", "variety": "Syrah", "vintage": 2024, "within": ["Two Fords"]},
 {"share": "6/7", "variety": "Grenache", "vintage": 2023, "within": ["Two Fords"]}]}
{"kind": "receive", "at": "2024-12-01", "lot": "U", "vessel": "T3", "volume": "300 L"}
"""


def of(rows: list[dict[str, Any]], claim: str, statement: str) -> dict[str, Any]:
    """The row with figures on a statement."""
    found = [
        row
        for row in rows
        if (row["claim"], row["statement"]) == (claim, statement) and row["required"]
    ]
    assert len(found) == 1, rows
    return found[0]


def blend(more: Fraction, other: str) -> str:
    """So many litres of another lot blended into the 300 of `W`."""
    grid = 10**12
    amount = int(more * grid)
    litres = f"{amount // grid}.{amount % grid:012d} L"
    whole = 300 * grid + amount
    total = f"{whole // grid}.{whole % grid:012d} L"
    return (
        '{"kind": "blend", "at": "2025-01-10T08:00", "from": [{"lot": "W", "all": true},'
        f' {{"lot": "{other}", "volume": "{litres}"}}],'
        f' "to": {{"lot": "M", "vessel": "T9", "volume": "{total}"}}}}\n'
    )


@pytest.mark.parametrize("other", ["X", "U"])
@pytest.mark.parametrize(
    ("claim", "statement"),
    [
        ("variety", "Syrah, Two Fords"),
        ("vintage", "2024, Two Fords"),
        ("appellation", "Two Fords"),
    ],
)
def test_recording_what_was_said_to_be_possible_keeps_the_statement_and_a_drop_more_ends_it(
    another: Callable[[], Vintage], claim: str, statement: str, other: str
) -> None:
    cellar = another()
    cellar.load(LABEL + LOTS)
    adding = "X" if other == "X" else None
    told = claimable(cellar.view(), "W", "Ford Syrah", adding=adding)
    assert (told["lot"], told["adding"]) == ("W", adding)
    row = of(told["claims"], claim, statement)
    assert row["verdict"] == SUPPORTED
    if row["headroom_l"] is None:
        cellar.load(blend(Fraction(300), other))
        found = of(claims(cellar.view(), "M", "Ford Syrah")["claims"], claim, statement)
        assert found["verdict"] == SUPPORTED
        return
    room = Fraction(row["headroom_l"])
    for more, wanted in ((room, True), (room + Fraction(1, 10**12), False), (room / 2, True)):
        fresh = another()
        fresh.load(LABEL + LOTS + blend(more, other))
        found = of(claims(fresh.view(), "M", "Ford Syrah")["claims"], claim, statement)
        assert (found["verdict"] == SUPPORTED) == wanted, (more, found)


def test_all_that_may_be_said_names_its_appellation(vintage: Vintage) -> None:
    vintage.load(LOTS)
    rows = claimable(vintage.view(), "W", markets=["us"])["claims"]
    stands = {
        (row["claim"], row["statement"])
        for row in rows
        if row["verdict"] == SUPPORTED and row["required"]
    }
    assert stands >= {
        ("variety", "Syrah, Two Fords"),
        ("variety", "Syrah, North"),
        ("vintage", "2024, Two Fords"),
        ("vintage", "2024, North"),
        ("appellation", "Two Fords"),
        ("appellation", "North"),
        ("appellation", "Land"),
    }
    assert ("appellation", "Ash") not in stands
    assert of(rows, "variety", "Syrah, Two Fords")["headroom_l"] == "60"  # 270 of 360 is 75 %
    assert of(rows, "variety", "Grenache, Two Fords")["verdict"] == REFUSED


def test_what_would_earn_a_statement_earns_it(another: Callable[[], Vintage]) -> None:
    cellar = another()
    cellar.load(LABEL + LOTS)
    row = of(
        claimable(cellar.view(), "X", "Ford Syrah", adding="W")["claims"],
        "variety",
        "Syrah, Two Fords",
    )
    assert (row["verdict"], row["headroom_l"], row["earned_with"]) == (REFUSED, "0", "`W`")
    # a seventh of 300 litres, and nine tenths of what is added
    more = Fraction(row["earned_l"])
    bare = (Fraction(3, 4) * 300 - Fraction(300, 7)) / (Fraction(9, 10) - Fraction(3, 4))
    assert bare <= more < bare + Fraction(1, 10**12)


def test_the_room_of_a_bottled_lot_is_that_of_each_fill(vintage: Vintage) -> None:
    vintage.load(
        LABEL
        + LOTS
        + '{"kind": "bottle", "at": "2025-06-01T08:00", "from": {"lot": "W", "all": true},'
        ' "to": {"lot": "B", "bottles": 400, "format": "750 mL", "label": "Ford Syrah"}}\n'
        '{"kind": "blend", "at": "2025-06-02T08:00", "from": [{"lot": "X", "volume": "60 L"}],'
        ' "to": {"lot": "W", "vessel": "T1", "volume": "60 L"}}\n'
        '{"kind": "bottle", "at": "2025-06-03T08:00", "from": {"lot": "W", "all": true},'
        ' "to": {"lot": "B", "bottles": 80, "format": "750 mL"}}\n'
    )
    rows = claimable(vintage.view(), "B", "Ford Syrah")["claims"]
    rooms = [
        (row["verdict"], row["headroom_l"])
        for row in rows
        if row["claim"] == "variety" and row["required"]
    ]
    assert rooms == [(SUPPORTED, "60"), (REFUSED, "0")]


def test_fruit_is_not_mixed_by_the_litre(vintage: Vintage) -> None:
    vintage.load(
        '{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "G", "mass": "10 kg"}\n'
        + LOTS
    )
    for lot, adding in (("G", None), ("W", "G")):
        with pytest.raises(Refused, match="`G` is held by mass"):
            claimable(vintage.view(), lot, adding=adding)


def test_a_market_without_a_pack_is_said(vintage: Vintage) -> None:
    vintage.load(LOTS)
    rows = claimable(vintage.view(), "W", markets=["nowhere"])["claims"]
    assert any(row["statement"] == "nowhere" for row in rows)
    assert SUPPORTED not in {row["verdict"] for row in rows}
