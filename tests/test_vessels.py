"""What is in each vessel, what room is left, and what reached it last."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from ampelog.errors import Refused
from ampelog.vessels import vessels
from ampelog.vessels_sheet import ranges
from tests.conftest import Vintage
from tests.program import Run

pytest_plugins = ("tests.running",)


def rows(vintage: Vintage, as_of: str | None = None) -> dict[str, dict[str, Any]]:
    """The vessels by name."""
    return {row["vessel"]: row for row in vessels(vintage.view(as_of))}


@pytest.fixture
def cellar(another: Callable[[], Vintage]) -> Vintage:
    """Wine in a tank and two barrels; the third stands empty."""
    vintage = another()
    vintage.load(
        """
        {"kind": "receive", "at": "2024-01-01", "lot": "W", "vessel": "T1", "volume": "1000 L"}
        {"kind": "analysis", "at": "2024-01-10", "lot": "W", "values": {"ph": "3.5"}}
        {"kind": "barrel_down", "at": "2024-02-01", "from": {"lot": "W", "vessel": "T1",
         "volume": "440 L"}, "to": {"lot": "W", "vessels": ["B1", "B2"], "each": "220 L"}}
        {"kind": "analysis", "at": "2024-03-01", "lot": "W", "values": {"ph": "3.6"}}
        """
    )
    return vintage


def test_each_vessel_has_its_lot_its_room_and_what_reached_it_last(cellar: Vintage) -> None:
    found = rows(cellar)
    assert [(n, r["lot"], r["volume_l"], r["ullage_l"]) for n, r in found.items()] == [
        ("B1", "W", "220", "5"),
        ("B2", "W", "220", "5"),
        ("B3", None, "0", "225"),
        ("T1", "W", "560", None),
    ]
    # The analysis of January names no vessel: the wine was not in barrel yet.
    assert found["B1"]["last"] == {"analysis": "2024-03-01", "barrel_down": "2024-02-01"}
    assert found["B3"]["last"] == {}
    early = rows(cellar, "2024-02-15")
    assert early["B1"]["last"] == {"barrel_down": "2024-02-01"}
    assert early["T1"]["last"]["analysis"] == "2024-01-10"


def test_room_over_capacity_is_negative(cellar: Vintage) -> None:
    cellar.load(
        '{"kind": "top", "at": "2024-04-01", "from": {"lot": "W", "vessel": "T1", "volume": "8 L"},'
        ' "to": {"lot": "W", "vessel": "B1", "volume": "8 L"}}',
        odd=["over capacity"],
    )
    assert rows(cellar)["B1"]["ullage_l"] == "-3"


def test_a_correction_moves_what_reached_a_vessel(cellar: Vintage) -> None:
    wrong = "018f3b5c-0000-7000-9000-00000000000a"
    cellar.load(
        f'{{"kind": "reading", "at": "2024-05-01", "id": "{wrong}", "lot": "W", "vessel": "B1",'
        ' "temperature": "12 C"}'
    )
    assert rows(cellar)["B1"]["last"]["reading"] == "2024-05-01"
    cellar.load(
        f'{{"kind": "correct", "at": "2024-05-03", "corrects": "{wrong}", "reason": "other barrel",'
        ' "replacement": {"kind": "reading", "at": "2024-05-02", "lot": "W", "vessel": "B2",'
        ' "temperature": "12 C"}}'
    )
    found = rows(cellar)
    assert "reading" not in found["B1"]["last"]
    assert found["B2"]["last"]["reading"] == "2024-05-02"


def test_wine_that_came_by_a_corrected_event_brings_no_older_analysis(cellar: Vintage) -> None:
    """The rack that filled the vessel reads otherwise now; it fills it all the same."""
    wrong = "018f3b5c-0000-7000-9000-00000000000b"
    rack = (
        '{{"kind": "rack", "at": "2024-04-01", {id}"from": {{"lot": "W", "vessel": "T1", '
        '"volume": "{volume}"}}, "to": {{"lot": "W", "vessel": "T2", "volume": "{volume}"}}}}'
    )
    cellar.load(rack.format(id=f'"id": "{wrong}", ', volume="100 L"))
    assert rows(cellar)["T1"]["last"]["analysis"] == "2024-03-01"
    before = vessels(cellar.view(), "T2")[0]["last"]
    assert before == {"rack": "2024-04-01"}
    cellar.load(
        f'{{"kind": "correct", "at": "2024-04-02", "corrects": "{wrong}", "reason": "99", '
        f'"replacement": {rack.format(id="", volume="99 L")}}}'
    )
    for day in (None, "2026-05-31"):
        assert vessels(cellar.view(day), "T2")[0]["last"] == before
    cellar.load('{"kind": "analysis", "at": "2024-04-03", "lot": "W", "values": {"ph": "3.6"}}')
    assert vessels(cellar.view(), "T2")[0]["last"]["analysis"] == "2024-04-03"


def test_bottles_and_fruit_share_a_place_and_a_retired_vessel_is_left_out(cellar: Vintage) -> None:
    cellar.load(
        """
        {"kind": "pick", "at": "2024-09-01T08:00", "block": "Hill", "lot": "F", "mass": "500 kg",
         "vessel": "BIN"}
        {"kind": "pick", "at": "2024-09-01T08:00", "block": "Mill", "lot": "G", "mass": "300 kg",
         "vessel": "BIN"}
        {"kind": "vessel", "at": "2024-10-01", "name": "B3", "retired": true}
        """
    )
    here = vessels(cellar.view())
    assert [(r["lot"], r["mass_kg"], r["volume_l"]) for r in here if r["vessel"] == "BIN"] == [
        ("F", "500", None),
        ("G", "300", None),
    ]
    assert "B3" not in {row["vessel"] for row in here}
    assert vessels(cellar.view(), "B3")[0]["lot"] is None


def test_a_vessel_that_nobody_named_is_refused_with_a_near_one(cellar: Vintage) -> None:
    with pytest.raises(Refused) as caught:
        vessels(cellar.view(), "B-1")
    assert caught.value.hint == "did you mean `B1`?"


def test_the_same_whether_read_or_replayed(cellar: Vintage) -> None:
    assert vessels(cellar.view()) == vessels(cellar.view("2026-05-31"))


def test_ranges_join_three_and_more() -> None:
    assert ranges(["B-01", "B-02", "B-03", "T1", "T2", "X"]) == ["B-01..B-03", "T1", "T2", "X"]
    assert ranges(["9", "10", "11"]) == ["9..11"]


def test_one_vessel_is_told_with_its_events(example: Run) -> None:
    told = example("vessels", "P-17")
    assert told.code == 0
    assert "132.0 gal of 24-LONG" in told.out
    assert "room left: 0.0 gal" in told.out
    assert "what happened there" in told.out
    assert example("vessels", "P-17", "--json").json[0]["last"]["top"] == "2026-11-13"


def test_what_was_found_while_a_vessel_stood_empty_did_not_reach_it(vintage: Vintage) -> None:
    vintage.load(
        """
{"kind": "receive", "at": "2024-01-10", "lot": "A", "vessel": "T2", "volume": "100 L",
 "state": "wine"}
{"kind": "rack", "at": "2024-01-16", "from": {"lot": "A", "all": true},
 "to": {"lot": "A", "vessel": "T1", "volume": "100 L"}}
{"kind": "analysis", "at": "2024-01-18", "lot": "A", "values": {"ph": "3.5"}}
{"kind": "receive", "at": "2024-01-22", "lot": "A", "vessel": "T2", "volume": "100 L",
 "state": "wine"}
"""
    )
    assert vessels(vintage.view(), "T1")[0]["last"]["analysis"] == "2024-01-18"
    assert "analysis" not in vessels(vintage.view(), "T2")[0]["last"]
