"""The log as a list: which events are those of a vessel."""

from __future__ import annotations

from ampelog.listing import Wanted, log
from tests.conftest import Vintage

BARRELS = """
{"kind": "receive", "at": "2024-09-01", "lot": "W", "vessels": ["B1", "B2"], "volume": "400 L"}
{"kind": "receive", "at": "2024-09-02", "lot": "V", "vessel": "B3", "volume": "200 L"}
{"kind": "reading", "at": "2024-09-03", "lot": "W", "brix": "2.1"}
{"kind": "reading", "at": "2024-09-04", "lot": "V", "brix": "2.2"}
{"kind": "note", "at": "2024-09-05", "lot": "W", "vessel": "B2", "text": "Closed."}
{"kind": "loss", "at": "2024-09-06", "lot": "W", "volume": "2 L", "reason": "lees"}
{"kind": "lot", "at": "2024-09-07", "name": "N", "of": [{"lot": "W"}]}
{"kind": "rack", "at": "2024-09-08", "from": {"lot": "N", "all": true}, "loss": "lees",
 "to": {"lot": "N", "vessel": "T1", "volume": "398 L"}}
{"kind": "note", "at": "2024-09-09", "lot": "N", "text": "No longer in barrel."}
"""


def days(vintage: Vintage, as_of: str | None = None, **wanted: str) -> list[tuple[str, str]]:
    """Kind and day of the month of what is listed."""
    rows = log(vintage.view(as_of), Wanted(**wanted))
    return [(row["kind"], row["at"][8:]) for row in rows if row["at"] > "2024"]


def test_what_reaches_a_vessel_is_listed_though_it_does_not_name_it(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    assert days(vintage, vessel="B1") == [
        ("receive", "01"),
        ("reading", "03"),
        ("loss", "06"),
        ("lot", "07"),
        ("rack", "08"),
    ]
    assert days(vintage, vessel="B2", kind="note") == [("note", "05")]
    assert days(vintage, vessel="B1", lot="N") == [("lot", "07"), ("rack", "08")]
    assert days(vintage, vessel="T1") == [("rack", "08"), ("note", "09")]
    assert days(vintage, vessel="T9") == []
    assert days(vintage, "2024-09-06", vessel="B1")[-1] == ("loss", "06")
    assert days(vintage, vessel="B1", since="2024-09-04", until="2024-09-07") == [
        ("loss", "06"),
        ("lot", "07"),
    ]


def test_a_draw_from_the_only_holding_reaches_its_vessel(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    vintage.load("""
    {"kind": "bottle", "at": "2024-09-10", "from": {"lot": "V", "volume": "75 L"},
     "lot": "V-B", "bottles": 100, "format": "750 mL"}
    {"kind": "ship", "at": "2024-09-11", "lot": "V", "volume": "5 L", "removal": "testing",
     "to": "Shop"}
    """)
    assert days(vintage, vessel="B3")[-2:] == [("bottle", "10"), ("ship", "11")]


def test_a_correction_that_reaches_a_vessel_is_listed_with_its_original(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    vintage.load("""
    {"kind": "note", "at": "2024-09-06T08:00", "lot": "V", "text": "Reduced.",
     "id": "018f3b5c-0000-7000-8000-0000000000aa"}
    {"kind": "correct", "at": "2024-10-01", "corrects": "018f3b5c-0000-7000-8000-0000000000aa",
     "reason": "The other lot.",
     "replacement": {"kind": "note", "at": "2024-09-06T08:00", "lot": "W", "text": "Reduced."}}
    """)
    assert days(vintage, vessel="B1")[-2:] == [("note", "06T08:00"), ("correct", "01")]
    assert ("note", "06T08:00") not in days(vintage, vessel="B3"), "it is about the other lot now"
