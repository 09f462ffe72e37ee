"""Times: the three forms of an `at`, the hours the clock repeats and skips, days, rests."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import moments
from ampelog.moments import NotATime, instant

WEST = ZoneInfo("America/Los_Angeles")
EAST = ZoneInfo("Pacific/Auckland")


def utc(text: str) -> int:
    """The instant of a UTC time, by the standard library alone."""
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return (datetime.fromisoformat(text) - epoch) // timedelta(microseconds=1)


def test_a_bare_date_is_the_start_of_its_day_at_the_premises() -> None:
    assert instant("2024-10-03", WEST) == utc("2024-10-03T07:00+00:00")
    assert instant("2024-10-03", EAST) == utc("2024-10-02T11:00+00:00")
    assert instant("2024-10-03", WEST) == instant("2024-10-03T00:00", WEST)


def test_a_local_time_and_one_with_an_offset_are_the_same_instant() -> None:
    assert instant("2024-10-03T14:20", WEST) == utc("2024-10-03T21:20+00:00")
    assert instant("2024-10-03T14:20-07:00", EAST) == instant("2024-10-03T14:20", WEST)
    assert instant("2024-10-03T21:20Z", EAST) == instant("2024-10-03T14:20", WEST)
    assert instant("2024-10-03T14:20:30.000001", WEST) == utc("2024-10-03T21:20:30.000001+00:00")


def test_an_hour_that_occurs_twice_means_the_first() -> None:
    """In the zone America/Los_Angeles clocks went back at 09:00 UTC on 2024-11-03."""
    assert instant("2024-11-03T01:30", WEST) == utc("2024-11-03T08:30+00:00")
    assert instant("2024-11-03T01:30-08:00", WEST) == utc("2024-11-03T09:30+00:00")


def test_an_hour_that_the_clock_skips_is_refused() -> None:
    """In the zone America/Los_Angeles clocks went forward at 10:00 UTC on 2024-03-10."""
    with pytest.raises(NotATime, match="does not exist"):
        instant("2024-03-10T02:30", WEST)
    assert instant("2024-03-10T03:00", WEST) == instant("2024-03-10T01:59:59.999999", WEST) + 1
    assert instant("2024-03-10T02:30-08:00", WEST) == utc("2024-03-10T10:30+00:00")


def test_a_day_whose_midnight_is_skipped_still_begins() -> None:
    """In the zone America/Santiago midnight of 2024-09-08 was skipped."""
    zone = ZoneInfo("America/Santiago")
    assert instant("2024-09-08", zone) == utc("2024-09-08T04:00+00:00")
    assert moments.day(instant("2024-09-08", zone), zone) == date(2024, 9, 8)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2024",
        "2024-10",
        "2024-10-3",
        "2024-13-01",
        "2023-02-29",
        "2024-10-03 14:20",
        "2024-10-03T14",
        "2024-10-03T24:00",
        "2024-10-03T25:00",
        "2024-10-03T14:60",
        "2024-10-03T14:20:60",
        "2024-10-03T14:20+7",
        "2024-10-03T14:20+25:00",
        "2024-10-03Z",
        "2024-W40-4",
        "20241003",
        "2024-10-03\n",
        "٢٠٢٤-10-03",
        "03.10.2024",
        "yesterday",
    ],
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(NotATime):
        instant(text, WEST)


def test_nothing_is_before_1900() -> None:
    assert instant("1900-01-01", WEST) < 0
    for text in ("1899-12-31", "1899-12-31T23:59", "0001-01-01", "1899-12-31T23:59Z"):
        with pytest.raises(NotATime, match="1900"):
            instant(text, WEST)


@given(st.datetimes(datetime(1900, 1, 2), datetime(2200, 1, 1)), st.sampled_from([WEST, EAST]))
def test_a_day_holds_its_instants(moment: datetime, zone: ZoneInfo) -> None:
    try:
        found = instant(moment.isoformat(timespec="microseconds"), zone)
    except NotATime:
        return
    day = moment.date().isoformat()
    assert moments.day(found, zone).isoformat() == day
    assert instant(day, zone) <= found <= moments.end_of_day(day, zone)
    assert moments.from_stamp(moments.to_stamp(found)) == found


def test_recording_times_sort_as_text() -> None:
    stamps = [moments.to_stamp(n) for n in (-1, 0, 1, 999_999, 1_000_000, 10**15)]
    assert stamps == sorted(stamps)
    assert moments.to_stamp(0) == "1970-01-01T00:00:00.000000Z"


# --- rests: counted from the day the bottling ended ---


@pytest.mark.parametrize(
    ("rest", "bottled", "over"),
    [
        ("180 days", date(2025, 3, 1), "2025-08-28"),
        ("1 days", date(2024, 2, 28), "2024-02-29"),
        ("1 months", date(2025, 1, 31), "2025-02-28"),
        ("1 months", date(2024, 1, 31), "2024-02-29"),
        ("12 months", date(2024, 2, 29), "2025-02-28"),
        ("48 months", date(2024, 2, 29), "2028-02-29"),
        ("11 months", date(2025, 1, 15), "2025-12-15"),
        ("12 months", date(2025, 1, 15), "2026-01-15"),
        ("2027-05-01", date(2025, 1, 15), "2027-05-01"),
    ],
)
def test_a_rest_comes_to_a_day(rest: str, bottled: date, over: str) -> None:
    assert moments.rest_over(rest, bottled) == over


def test_a_rest_of_bottles_filled_elsewhere_has_no_day_unless_it_names_one() -> None:
    assert moments.rest_over("180 days", None) is None
    assert moments.rest_over("2027-05-01", None) == "2027-05-01"


@given(st.dates(date(1950, 1, 1), date(2150, 1, 1)), st.integers(1, 600))
def test_months_come_to_the_same_day_or_the_last_of_the_month(start: date, count: int) -> None:
    over = date.fromisoformat(moments.rest_over(f"{count} months", start) or "")
    assert (over.year * 12 + over.month) - (start.year * 12 + start.month) == count
    following = over + timedelta(days=1)
    assert over.day == start.day or (following.day == 1 and over.day < start.day)


@pytest.mark.parametrize("rest", ["99999 months", "99999 days"])
def test_a_rest_beyond_the_calendar_still_has_an_answer(rest: str) -> None:
    """It may be refused where it is stated, but never ends in a traceback later."""
    assert (moments.rest_over(rest, date(2025, 1, 15)) or "") > "2200"
