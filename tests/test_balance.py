"""The balance by premises and owner, and of a period: what stands where, and what is booked there."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from ampelog.balance import balance
from ampelog.errors import Refused
from tests.conftest import Vintage

FIGURES = ("opening", "in", "out", "lost", "gained", "held")

TWO_PREMISES = """
{"kind": "vessel", "at": "2024-01-01", "name": "T1"}
{"kind": "premises", "at": "2025-01-01", "name": "Shed"}
{"kind": "vessel", "at": "2025-01-01", "name": "S1", "premises": "Shed"}
{"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "100 L"}
{"kind": "receive", "at": "2025-02-01", "lot": "V", "vessel": "S1", "volume": "100 L"}
"""


def by_premises(vintage: Vintage, lot: str, **days: str) -> dict[str | None, dict[str, str]]:
    """The figures of a lot that are not zero, by premises; they fit exactly."""
    rows = balance(vintage.view(), lot, by=("premises",), **days)
    whole = {row["unit"]: row for row in balance(vintage.view(), lot, **days)}
    for row in rows:
        assert row["difference"] == "0"
    for unit, one in whole.items():
        here = [row for row in rows if row["unit"] == unit]
        assert sum(Fraction(row["held"]) for row in here) == Fraction(one["held"])
        assert sum(Fraction(row["lost"]) for row in here) == Fraction(one["lost"])
    return {row["premises"]: figures(row) for row in rows}


def figures(row: dict[str, Any]) -> dict[str, str]:
    """The figures of a row that are not zero."""
    return {figure: row[figure] for figure in FIGURES if row[figure] != "0"}


def test_bottles_without_a_vessel_stand_where_they_were_filled(vintage: Vintage) -> None:
    vintage.load(TWO_PREMISES)
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-01T08:00", "from": {"lot": "V", "volume": "75 L"},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"}}
    {"kind": "bottle", "at": "2025-03-02T08:00", "from": {"lot": "W", "volume": "15 L"},
     "to": {"lot": "B", "bottles": 20, "format": "750 mL"}}
    """)
    assert by_premises(vintage, "B") == {
        "Home": {"in": "15", "held": "15"},
        "Shed": {"in": "75", "held": "75"},
    }


def test_bottles_stay_where_they_were_filled_when_they_are_packed(vintage: Vintage) -> None:
    vintage.load(TWO_PREMISES)
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-01T08:00", "from": {"lot": "V", "volume": "75 L"},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"}}
    {"kind": "pack", "at": "2025-03-02T08:00", "from": {"lot": "B", "bottles": 40},
     "to": {"lot": "C", "bottles": 40}}
    {"kind": "pack", "at": "2025-03-03T08:00", "from": {"lot": "B", "bottles": 20},
     "to": {"lot": "D", "vessel": "T1-shelf", "bottles": 20}}
    {"kind": "vessel", "at": "2025-01-01", "name": "T1-shelf", "premises": "Home"}
    """)
    assert by_premises(vintage, "C") == {"Shed": {"in": "30", "held": "30"}}
    assert by_premises(vintage, "D") == {"Home": {"in": "15", "held": "15"}}


def test_received_bottles_stand_nobody_knows_where_once_there_are_two_premises(
    vintage: Vintage,
) -> None:
    vintage.load(TWO_PREMISES)
    vintage.load("""
    {"kind": "receive", "at": "2024-12-31", "lot": "B", "bottles": 100, "format": "750 mL"}
    {"kind": "receive", "at": "2025-03-01", "lot": "C", "bottles": 100, "format": "750 mL"}
    {"kind": "bottle", "at": "2025-03-02", "to": {"lot": "D", "bottles": 200, "format": "750 mL"},
     "from": [{"lot": "V", "volume": "75 L"}, {"lot": "W", "volume": "75 L"}]}
    """)
    assert list(by_premises(vintage, "B")) == ["Home"]
    assert list(by_premises(vintage, "C")) == [None]
    assert list(by_premises(vintage, "D")) == [None], "filled from two places at once"


def test_what_is_lost_or_found_is_booked_where_it_was(vintage: Vintage) -> None:
    vintage.load(TWO_PREMISES)
    vintage.load("""
    {"kind": "rack", "at": "2025-03-01T08:00", "from": {"lot": "W", "volume": "40 L"},
     "to": {"lot": "W", "vessel": "S2", "volume": "39 L"}}
    {"kind": "vessel", "at": "2025-01-01", "name": "S2", "premises": "Shed"}
    """)
    assert by_premises(vintage, "W") == {
        "Home": {"in": "100", "out": "39", "lost": "1", "held": "60"},
        "Shed": {"in": "39", "held": "39"},
    }
    vintage.load(
        '{"kind": "loss", "at": "2025-03-02T08:00", "lot": "W", "volume": "9.9 L", "reason": "lees"}'
    )
    assert by_premises(vintage, "W", since="2025-03-02") == {
        "Home": {"opening": "60", "lost": "6", "held": "54"},
        "Shed": {"opening": "39", "lost": "3.9", "held": "35.1"},
    }
    vintage.load(
        """{"kind": "gauge", "at": "2025-03-03T08:00", "lot": "W", "volume": "99 L",
        "reason": "dip"}""",
        odd=["gain"],
    )
    assert by_premises(vintage, "W", since="2025-03-03") == {
        "Home": {"opening": "54", "gained": "6", "held": "60"},
        "Shed": {"opening": "35.1", "gained": "3.9", "held": "39"},
    }


def test_nothing_after_the_day_of_the_view_is_in_a_period(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "100 L"}
    {"kind": "loss", "at": "2024-11-01", "lot": "W", "volume": "10 L", "reason": "lees"}
    """
    view = vintage.view(as_of="2024-10-01")
    for by in ((), ("premises",)):
        rows = balance(view, "W", until="2024-12-31", by=by)
        assert [figures(row) for row in rows] == [{"in": "100", "held": "100"}]
    with pytest.raises(Refused, match="--since 2024-12-01 is after --as-of 2024-10-01"):
        balance(view, "W", since="2024-12-01")


def test_a_view_answers_as_before_when_it_was_replayed_for_a_balance(vintage: Vintage) -> None:
    vintage.load(TWO_PREMISES)
    view = vintage.view()
    lot = view.lot("W")
    before = view.composition(lot).rows(lambda leaf: (leaf.lot,))
    balance(view, by=("premises",))
    assert view.composition(view.lot("W")).rows(lambda leaf: (leaf.lot,)) == before
