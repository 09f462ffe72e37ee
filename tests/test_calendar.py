"""Bottle rest and release: calendar rules, holds, plates, iCalendar, the drawn timeline."""

from __future__ import annotations

from calendar import monthrange
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from ampelog import moments, printing
from ampelog.appointments import icalendar
from ampelog.calendar_page import page
from ampelog.facts import Head
from ampelog.releases import calendar, quarters
from ampelog.resting import defaults
from tests.conftest import Vintage

TODAY = date(2025, 12, 1)
WINE = """
{"kind": "receive", "at": "2020-10-01", "lot": "W", "volume": "3000 L", "vessel": "T1",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024}]}
"""


def label(name: str, rest: str | None, style: str = "dry red") -> str:
    rested = f', "rest": "{rest}"' if rest else ""
    return (
        f'{{"kind": "label", "at": "2000-01-01", "name": "{name}", "style": "{style}"{rested}}}\n'
    )


def bottling(at: str, lot: str = "B", named: str = "L", bottles: int = 120, more: str = "") -> str:
    return (
        f'{{"kind": "bottle", "at": "{at}", {more} "from": {{"lot": "W", '
        f'"volume": "{bottles * 3 // 4} L"}}, "to": {{"lot": "{lot}", "bottles": {bottles}, '
        f'"format": "750 mL", "label": "{named}"}}}}\n'
    )


def released(at: str, lot: str = "B") -> str:
    return f'{{"kind": "release", "at": "{at}", "lot": "{lot}"}}\n'


def row(cellar: Vintage, lot: str = "B", today: date = TODAY, **more: Any) -> dict[str, Any]:
    return {one["lot"]: one for one in calendar(cellar.view(), today, **more)}[lot]


def state(cellar: Vintage, today: str, lot: str = "B") -> str:
    return str(row(cellar, lot, date.fromisoformat(today))["state"])


# --- the day that a rest comes to ---


@pytest.mark.parametrize(
    ("bottled", "rest", "on"),
    [
        ("2025-01-31", "1 months", "2025-02-28"),
        ("2024-01-31", "1 months", "2024-02-29"),
        ("2024-02-29", "12 months", "2025-02-28"),
        ("2024-02-29", "48 months", "2028-02-29"),
        ("2025-03-31", "6 months", "2025-09-30"),
        ("2024-12-31", "2 months", "2025-02-28"),
        ("2025-01-15", "180 days", "2025-07-14"),
        ("2024-02-28", "2 days", "2024-03-01"),
        ("2025-01-15", "2025-11-20", "2025-11-20"),
        # over the change of the clocks in March a day is a calendar day, not 24 hours
        ("2025-03-08T23:30", "1 days", "2025-03-09"),
        ("2025-03-09T01:30", "1 days", "2025-03-10"),
        # half past eleven at night in California is the next day in UTC, and is not here
        ("2025-06-30T23:30", "1 months", "2025-07-30"),
        ("2025-07-01T06:30Z", "1 months", "2025-07-30"),
    ],
)
def test_a_rest_runs_by_the_calendar_of_the_premises(
    vintage: Vintage, bottled: str, rest: str, on: str
) -> None:
    vintage.load(WINE + label("L", rest) + bottling(bottled))
    found = row(vintage)
    assert found["release_on"] == on
    assert found["binds"]
    days = (date.fromisoformat(on) - date.fromisoformat(found["bottled_on"])).days
    assert found["rest_days"] == days


def test_a_run_past_midnight_counts_from_the_day_on_which_it_ended(vintage: Vintage) -> None:
    vintage.load(
        WINE
        + label("L", "1 months")
        + bottling("2025-01-30T20:00", more='"until": "2025-01-31T02:00",')
    )
    found = row(vintage)
    assert (found["bottled_on"], found["release_on"]) == ("2025-01-31", "2025-02-28")


@given(bottled=st.dates(date(1950, 1, 1), date(2100, 12, 31)), months=st.integers(0, 600))
def test_months_run_to_the_same_day_or_the_months_last(bottled: date, months: int) -> None:
    over = date.fromisoformat(moments.rest_over(f"{months} months", bottled) or "")
    number = bottled.year * 12 + bottled.month - 1 + months
    assert (over.year * 12 + over.month - 1) == number
    last = monthrange(over.year, over.month)[1]
    assert over.day == min(bottled.day, last)
    assert over >= bottled


@given(bottled=st.dates(date(1950, 1, 1), date(2100, 12, 31)), days=st.integers(0, 5000))
def test_days_run_as_days(bottled: date, days: int) -> None:
    assert moments.rest_over(f"{days} days", bottled) == (bottled + timedelta(days)).isoformat()


def test_the_latest_bottling_counts(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10") + bottling("2025-02-10"))
    assert row(vintage)["bottled_on"] == "2025-02-10"


def test_packing_starts_no_rest_and_takes_that_of_the_new_label(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + label("LONG", "12 months") + bottling("2025-01-10"))
    vintage.load(
        '{"kind": "pack", "at": "2025-06-01", "from": {"lot": "B", "bottles": 60}, '
        '"to": {"lot": "P", "bottles": 60, "label": "LONG"}}'
    )
    assert row(vintage, "P")["bottled_on"] == "2025-01-10"
    assert row(vintage, "P")["release_on"] == "2026-01-10"
    assert row(vintage)["release_on"] == "2025-02-09"


def test_disgorging_starts_a_rest_anew(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "90 days", "sparkling") + bottling("2024-11-10", "TIRAGE"))
    vintage.load(
        '{"kind": "bottle", "at": "2025-08-01", "from": {"lot": "TIRAGE", "all": true}, '
        '"to": {"lot": "B", "bottles": 120, "format": "750 mL", "label": "L"}}'
    )
    found = row(vintage)
    assert (found["bottled_on"], found["release_on"]) == ("2025-08-01", "2025-10-30")


def test_a_corrected_bottling_moves_the_release_and_its_entry(vintage: Vintage) -> None:
    id_ = "018f3b5c-0000-7000-9000-00000000bbbb"
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10", more=f'"id": "{id_}",'))
    before = entries(vintage)["B"]
    replacement = bottling("2025-01-12").strip()
    vintage.load(
        f'{{"kind": "correct", "at": "2025-02-01", "reason": "wrong day", "corrects": "{id_}", '
        f'"replacement": {replacement}}}'
    )
    after = entries(vintage)["B"]
    assert row(vintage)["release_on"] == "2025-02-11"
    assert after["UID"] == before["UID"]
    assert after["SEQUENCE"] > before["SEQUENCE"]
    assert after["DTSTART"].dt == date(2025, 2, 11)


# --- states ---


def test_resting_then_due_then_released(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10"))
    assert state(vintage, "2025-02-08") == "resting"
    assert state(vintage, "2025-02-09") == "due", "the bottles may leave on the day it comes to"
    vintage.load(released("2025-02-20"))
    assert state(vintage, "2025-02-19") == "due"
    assert state(vintage, "2025-02-20") == "released"


def test_a_release_told_early_frees_nothing_before_the_rest_is_over(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10") + released("2025-01-20"))
    assert state(vintage, "2025-01-25") == "resting"
    assert state(vintage, "2025-02-09") == "released"


@pytest.mark.parametrize("style", ["dry red", "sweet", "sparkling", "fortified"])
def test_a_default_of_the_style_shows_and_binds_nothing(vintage: Vintage, style: str) -> None:
    vintage.load(WINE + label("L", None, style) + bottling("2025-01-10"))
    found = row(vintage, today=date(2025, 2, 20))
    default = next(one for one in defaults() if style in one["styles"])
    assert (found["rest"], found["basis"], found["binds"]) == (
        default["rest"],
        "style default",
        False,
    )
    assert found["source"].startswith("proposal")
    vintage.load(
        '{"kind": "ship", "at": "2025-01-12", "lot": "B", "bottles": 12, "to": "Shop", '
        '"document": "1", "removal": "taxpaid"}'
    )
    assert state(vintage, "2025-06-01") == "released"


def test_the_labels_rest_binds_and_what_went_all_the_same_is_told(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10"))
    gone = (
        '{"kind": "ship", "at": "2025-01-12", "lot": "B", "bottles": 12, "to": "Shop", '
        '"document": "1", "removal": "taxpaid"%s}'
    )
    assert vintage.refusal(gone % "").rule == "left before its release"
    vintage.load(gone % ', "despite": "a wedding"', odd=["left before its release"])
    early = row(vintage)["early"]
    assert len(early) == 1
    assert "despite: a wedding" in early[0]["says"]


@pytest.mark.parametrize(
    "held",
    [
        '{"kind": "hold", "at": "2025-03-01", "lot": "B", "reason": "haze"%s}',
        '{"kind": "hold", "at": "2025-03-01", "block": "Hill", "reason": "smoke"%s}',
        '{"kind": "hold", "at": "2025-03-01", "material_lot": "G-1", "reason": "chips"%s}',
        '{"kind": "hold", "at": "2024-09-20", "lot": "M", "reason": "smoke"%s}',
    ],
)
def test_a_hold_wherever_it_was_set_shows_until_it_is_cleared(vintage: Vintage, held: str) -> None:
    id_ = "018f3b5c-0000-7000-9000-00000000cccc"
    vintage.load(
        label("L", "30 days")
        + """
{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "G", "mass": "1000 kg"}
{"kind": "crush", "at": "2024-09-11", "from": {"lot": "G", "all": true},
 "to": {"lot": "M", "vessel": "T2", "volume": "700 L"}}
{"kind": "gauge", "at": "2024-10-20", "lot": "M", "volume": "700 L", "reason": "produced"}
"""
    )
    vintage.load(held % f', "id": "{id_}"' if "2024-09-20" in held else "")
    vintage.load(
        '{"kind": "bottle", "at": "2025-01-10", "from": {"lot": "M", "volume": "90 L"}, '
        '"materials": [{"material": "glass", "lot": "G-1", "amount": "120 pieces"}], '
        '"to": {"lot": "B", "bottles": 120, "format": "750 mL", "label": "L"}'
        + (', "despite": "it was asked for"' if "2024-09-20" in held else "")
        + "}",
        odd=["bottled on hold"] if "2024-09-20" in held else (),
    )
    if "2024-09-20" not in held:
        vintage.load(held % f', "id": "{id_}"')
    found = row(vintage)
    assert found["state"] == "held"
    assert found["holds"] == [id_]
    vintage.load(f'{{"kind": "clear", "at": "2025-04-01", "hold": "{id_}", "reason": "looked at"}}')
    assert row(vintage)["state"] == "due"


def test_a_count_of_cells_is_awaited_and_binds_nothing(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", None, "dry white") + bottling("2025-01-10"))
    found = row(vintage, today=date(2025, 1, 14))
    assert (found["state"], found["binds"]) == ("held", False)
    assert "from 2025-01-15 to 2025-01-17" in found["why"]
    vintage.load(
        '{"kind": "ship", "at": "2025-01-12", "lot": "B", "bottles": 12, "to": "Shop", '
        '"document": "1", "removal": "taxpaid"}'
    )
    assert state(vintage, "2025-03-20") == "released", "nobody waits for it that long"
    vintage.load(
        '{"kind": "note", "at": "2025-01-16", "lot": "B", "gate": "B18", "result": "pass"}'
    )
    assert state(vintage, "2025-01-17") == "resting"


def test_a_count_that_failed_holds_until_one_passes(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10") + released("2025-02-10"))
    vintage.load(
        '{"kind": "note", "at": "2025-01-16", "lot": "B", "gate": "B18", "result": "fail"}'
    )
    assert state(vintage, "2025-12-01") == "held"
    vintage.load(
        '{"kind": "note", "at": "2025-01-26", "lot": "B", "gate": "B18", "result": "pass"}'
    )
    assert state(vintage, "2025-12-01") == "released"


def test_a_red_needs_no_count(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10"))
    assert state(vintage, "2025-01-12") == "resting"


def test_the_past_is_asked_as_it_was_and_as_it_was_known(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10"))
    known = vintage.ledger.head.position
    vintage.load('{"kind": "hold", "at": "2025-01-20", "lot": "B", "reason": "haze"}')
    states = [
        calendar(vintage.view(*when), date(2025, 2, 1))[0]["state"]
        for when in (("2025-01-15", None), ("2025-02-01", None), (None, str(known)))
    ]
    assert states == ["resting", "held", "resting"]


def test_emptied_lots_are_told_when_asked_for(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", None) + bottling("2025-01-10"))
    vintage.load(
        '{"kind": "ship", "at": "2025-05-12", "lot": "B", "all": true, "to": "Shop", '
        '"document": "1", "removal": "taxpaid"}'
    )
    assert calendar(vintage.view(), TODAY) == []
    assert row(vintage, emptied=True)["bottles"] == "0"


# --- quarters ---


def test_quarters_sum_cases_and_ask_for_a_vintage(vintage: Vintage) -> None:
    vintage.load(WINE + label("L", "30 days") + label("LONG", "12 months"))
    vintage.load(bottling("2025-01-10") + bottling("2025-01-10", "C", "LONG", 240))
    vintage.load(bottling("2025-03-02", "D"))
    rows = calendar(vintage.view(), TODAY)
    found = quarters(vintage.view(), rows, None)
    assert [(one["quarter"], one["cases"], one["lots"]) for one in found] == [
        ("2025 Q1", "10", ["B"]),
        ("2025 Q2", "10", ["D"]),
        ("2026 Q1", "20", ["C"]),
    ]
    assert quarters(vintage.view(), rows, 2024) == found
    assert quarters(vintage.view(), rows, 2023) == []


# --- iCalendar (RFC 5545) ---


def entries(cellar: Vintage) -> dict[str, Any]:
    content = icalendar(cellar.view(), calendar(cellar.view(), TODAY), "Home")
    found = Calendar.from_ical(content)
    return {str(one["SUMMARY"]).split(" ")[0].rstrip(":"): one for one in found.walk("VEVENT")}


def test_the_file_keeps_the_rules_of_the_standard(vintage: Vintage) -> None:
    vintage.load(
        WINE + label("L", "30 days") + bottling("2025-01-10", "B, with; odd \\\\ signs " + "x" * 30)
    )
    content = icalendar(vintage.view(), calendar(vintage.view(), TODAY), "Home")
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert all(len(line) <= 75 for line in content.split(b"\r\n")), "3.1: folded at 75 octets"
    assert b"\n" not in content.replace(b"\r\n", b"")
    entry: Any = Calendar.from_ical(content).walk("VEVENT")[0]
    assert entry["DTSTART"].dt == date(2025, 2, 9)
    assert entry["DTEND"].dt == date(2025, 2, 10), "3.6.1: an all-day end is exclusive"
    assert "B, with; odd \\ signs" in str(entry["SUMMARY"])
    for needed in ("UID", "DTSTAMP", "SEQUENCE", "LAST-MODIFIED"):
        assert needed in entry


def test_the_same_ledger_gives_the_same_bytes_and_other_events_touch_nothing(
    vintage: Vintage,
) -> None:
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10"))
    first = entries(vintage)["B"].to_ical()
    assert entries(vintage)["B"].to_ical() == first
    vintage.load('{"kind": "note", "at": "2025-05-01", "lot": "W", "text": "fine"}')
    assert entries(vintage)["B"].to_ical() == first


def test_a_struck_bottling_is_told_as_cancelled(vintage: Vintage) -> None:
    id_ = "018f3b5c-0000-7000-9000-00000000dddd"
    vintage.load(WINE + label("L", "30 days") + bottling("2025-01-10", more=f'"id": "{id_}",'))
    uid = entries(vintage)["B"]["UID"]
    vintage.load(
        f'{{"kind": "correct", "at": "2025-02-01", "reason": "it was put off", '
        f'"corrects": "{id_}", "replacement": null}}'
    )
    entry = entries(vintage)["B"]
    assert (entry["UID"], entry["STATUS"]) == (uid, "CANCELLED")


# --- the page ---


def test_the_page_says_what_the_rows_say(vintage: Vintage) -> None:
    vintage.load(
        WINE + label("L", "30 days") + bottling("2025-01-10") + bottling("2025-11-20", "C")
    )
    rows = calendar(vintage.view(), TODAY)
    head = Head(vintage.ledger.ledger_id, vintage.ledger.head.position, vintage.ledger.head.root)
    text = printing.html(page(rows, TODAY, head, "Home"))
    assert "1 due and 1 resting." in text
    places = [text.index(f">{lot}<") for lot in ("B", "C")]
    assert all(a < b for a, b in pairwise(places))
    made = printing.pdf(page(rows, TODAY, head, "Home"))
    assert made.pages == 1
    assert printing.pdf(page(rows, TODAY, head, "Home")).content == made.content
