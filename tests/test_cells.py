"""What people write in a cell: read as they mean it, or asked about."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import columns
from ampelog.cells import CLEARED, Cell, Habits, Slip, number, shown, value
from ampelog.columns import Column, Form
from ampelog.days import Unclear, day_and_time
from ampelog.events import KINDS
from ampelog.numerals import Broken, Numeral

NO_HABIT, COMMA, POINT = Habits(), Habits(decimal="comma"), Habits(decimal="point")


@pytest.mark.parametrize(
    ("text", "order", "wanted"),
    [
        ("2024-10-03", None, "2024-10-03"),
        ("2024-10-03T14:20", None, "2024-10-03T14:20"),
        ("2024-10-03T14:20+02:00", None, "2024-10-03T14:20+02:00"),
        ("2024-10-03 14:20", None, "2024-10-03T14:20"),
        ("2024/10/3 8:05", None, "2024-10-03T08:05"),
        ("20241003", None, "2024-10-03"),
        ("13/4/2024", None, "2024-04-13"),
        ("4/13/2024", None, "2024-04-13"),
        ("13.4.2024", None, "2024-04-13"),
        ("5/5/2024", None, "2024-05-05"),
        ("3/4/2024", "dmy", "2024-04-03"),
        ("3/4/2024", "mdy", "2024-03-04"),
        ("3/4/24", "mdy", "2024-03-04"),
        ("24/4/3", "ymd", "2024-04-03"),
        ("24.4.03", "ymd", "2024-04-03"),
        ("4 Oct 2024", None, "2024-10-04"),
        ("4th October, 2024", None, "2024-10-04"),
        ("4-Oct-2024", None, "2024-10-04"),
        ("4-Oct-24", "dmy", "2024-10-04"),
        ("Oct. 4, 2024 2:20 pm", None, "2024-10-04T14:20"),
        ("Fri 4 Oct 2024 14:20:30", None, "2024-10-04T14:20:30"),
        ("October 4 2024 12:00 AM", None, "2024-10-04T00:00"),
        ("4 Sept 2024, 12 noon", None, None),
        ("4 Oct 2024 2pm", None, "2024-10-04T14:00"),
        ("4 Oct 2024 25:00", None, None),
        ("4 Oct 2024 13:00 pm", None, None),
        ("31/2/2024", None, None),
        ("31/2/2024", "dmy", None),
        ("13/4/2024", "mdy", None),
        ("3/4/2024", "ymd", None),
        ("4 Okt 2024", None, None),
        ("45568", None, None),
        ("yesterday", None, None),
        ("0/0/2024", None, None),
    ],
)
def test_a_day_is_read_as_it_is_written(text: str, order: str | None, wanted: str | None) -> None:
    if wanted is None:
        with pytest.raises(Unclear) as caught:
            day_and_time(text, order, 2027)
        assert not caught.value.rule.startswith("ambiguous")
    else:
        assert day_and_time(text, order, 2027) == wanted


@pytest.mark.parametrize("text", ["3/4/2024", "12.11.2024", "3/4/24", "4-Oct-24", "10-11-12"])
def test_a_day_of_two_readings_is_asked_about(text: str) -> None:
    with pytest.raises(Unclear) as caught:
        day_and_time(text, None, 2027)
    assert caught.value.rule == "ambiguous date"
    assert "--dates" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "order"),
    [("5/6/85", "mdy"), ("85-06-05", "ymd"), ("5 Jun 85", "dmy"), ("5/6/28 14:20", "mdy")],
)
def test_a_year_of_two_digits_that_is_to_come_may_be_long_ago(text: str, order: str) -> None:
    with pytest.raises(Unclear, match=r"may be of 19.. or of 20..") as caught:
        day_and_time(text, order, 2027)
    assert caught.value.rule == "ambiguous date"
    assert day_and_time("5/6/27", "mdy", 2027) == "2027-05-06"
    assert day_and_time("5/6/2085", "mdy", 2027) == "2085-05-06"


@given(st.dates(dt.date(1900, 1, 1), dt.date(2999, 12, 31)))
def test_a_day_written_in_any_known_order_is_that_day(day: dt.date) -> None:
    for form, order in (("%d/%m/%Y", "dmy"), ("%m/%d/%Y", "mdy"), ("%d %b %Y", None),
                        ("%B %d, %Y", None), ("%Y.%m.%d", None)):  # fmt: skip
        assert day_and_time(day.strftime(form), order, 2027) == day.isoformat()


@pytest.mark.parametrize(
    ("text", "free", "comma", "point"),
    [
        ("1234", "1234", "1234", "1234"),
        ("12.5", "12.5", None, "12.5"),
        ("12,5", "12.5", "12.5", None),
        (".5", "0.5", None, "0.5"),
        ("0,123", "0.123", "0.123", None),
        ("1,234.5", "1234.5", None, "1234.5"),
        ("1.234,5", "1234.5", "1234.5", None),
        ("1,234,567", "1234567", None, "1234567"),
        ("1,234", "?", "1.234", "1234"),
        ("1.234", "1.234", "1234", "1.234"),
        ("1 234,5", "1234.5", "1234.5", None),
        ("1 234,567", "1234.567", "1234.567", None),
        ("1 234.567", "1234.567", None, "1234.567"),
        ("1\u202f234", "1234", "1234", "1234"),
        ("1'234.5", "1234.5", None, "1234.5"),
        ("-1.2", "-1.2", None, "-1.2"),
        ("\u22121.2", "-1.2", None, "-1.2"),
        ("1,23,4", None, None, None),
        ("12,34,567", None, None, None),
        ("1e3", None, None, None),
        ("4o1", None, None, None),
        ("(5)", None, None, None),
        ("5 or 6", None, None, None),
        ("\u0663", None, None, None),
    ],
)
def test_a_number_is_read_as_the_file_writes_numbers(
    text: str, free: str | None, comma: str | None, point: str | None
) -> None:
    for habits, wanted in ((NO_HABIT, free), (COMMA, comma), (POINT, point)):
        if wanted is None or wanted == "?":
            with pytest.raises(Slip) as caught:
                number(text, habits)
            assert (caught.value.rule == "ambiguous number") == (wanted == "?")
        else:
            assert number(text, habits) == wanted


def test_a_point_is_asked_about_where_the_file_has_decimal_commas() -> None:
    with pytest.raises(Slip, match=r"1\.234 or 1234"):
        number("1.234", Habits(commas=True))
    assert number("12.5", Habits(commas=True)) == "12.5"


def of(kind: str, name: str) -> Column:
    """A column."""
    found = columns.find(kind, name)
    assert found is not None
    return found[0]


@pytest.mark.parametrize(
    ("name", "cell", "wanted"),
    [
        ("pick.mass", "2 tons", "2 ton"),
        ("pick.mass", "2t", "2 t"),
        ("pick.mass", "1,234.5 LBS", "1234.5 lb"),
        ("pick.mass", Numeral("12.1", unit="kg"), "12.1 kg"),
        ("rack.to.volume", "60 US gallons", "60 gal"),
        ("rack.to.volume", "12 gal.", "12 gal"),
        ("rack.to.each", Numeral("12"), 12),
        ("treat.amount", "12 pcs", "12 pieces"),
        ("reading.temperature", "-2 \u00b0C", "-2 C"),
        ("block.area", "2,5 hectares", "2.5 ha"),
        ("block.plantings.share", "33,5 %", "0.335"),
        ("block.plantings.share", "1 / 3", "1/3"),
        ("block.plantings.share", Numeral("0.25", is_percent=True), "0.25"),
        ("analysis.values.alcohol", Numeral("0.135", is_percent=True), "13.5"),
        ("analysis.values.alcohol", "13,5 %", "13.5"),
        ("analysis.values.free_so2", "< 0,8", "<0.8"),
        ("analysis.values.cold_stability", "Pass", "pass"),
        ("label.style", "Dry Red", "dry red"),
        ("label.statements.vintage", Numeral("2024"), 2024),
        ("label.statements.appellation", "A; B", ["A", "B"]),
        ("label.statements.appellation", "A", "A"),
        ("label.statements.shares.Syrah", "60 %", "60"),
        ("bottle.to.bottles", "1,200,000", 1_200_000),
        ("ferment.regime.pump_over.on_hours", Numeral("4"), 4),
        ("ferment.regime.pump_over.on_hours", "0.5", "0.5"),
        ("gauge.empty", True, True),
        ("gauge.empty", "no", None),
        ("block.estate", "N", False),
        ("vessel.retired", "yes", True),
        ("vessel.retired", dt.datetime(2025, 3, 4), "2025-03-04"),
        ("vessel.name", Numeral("7", as_shown="007"), "007"),
        ("top.to.vessels", Numeral("101", unit="B-", as_shown="B-101"), ["B-101"]),
        ("pick.lot", Numeral("24.1", as_shown="24.10"), "24.10"),
        ("pick.mass", Numeral("24.15", unit="kg", as_shown=None), "24.15 kg"),
        ("block.planted", Numeral("1998", as_shown=None), 1998),
        ("gauge.empty", Numeral("1", as_shown="1.00"), True),
        ("block.planted", Numeral("1998"), 1998),
        ("label.rest", "180 days", "180 days"),
        ("label.rest", dt.date(2026, 5, 1), "2026-05-01"),
        ("pick.at", dt.datetime(2025, 9, 1, 14, 20), "2025-09-01T14:20"),
        ("pick.at", dt.datetime(2025, 9, 1), "2025-09-01"),
        ("pick.at", Numeral("20250901"), "2025-09-01"),
        ("top.to.vessels", "B-1..B-3; T7", ["B-1", "B-2", "B-3", "T7"]),
        ("note.text", Numeral("0.5", is_percent=True), "50 %"),
        ("block.grower", "null", CLEARED),
        ("correct.replacement", "null", CLEARED),
        ("correct.replacement", '{"kind": "note"}', {"kind": "note"}),
    ],
)
def test_a_cell_says_what_an_event_says(name: str, cell: Cell, wanted: Any) -> None:
    kind, _, field = name.partition(".")
    assert value(cell, of(kind, field), NO_HABIT) == wanted


@pytest.mark.parametrize(
    ("name", "cell", "says"),
    [
        ("pick.mass", "12", "has no unit"),
        ("pick.mass", Numeral("12"), "has no unit"),
        ("pick.mass", "12 stone", "unknown unit"),
        ("pick.mass", "12 T", "may be `t`"),
        ("rack.to.volume", "750 ML", "may be `mL`"),
        ("pick.mass", "-5 kg", "is negative"),
        ("pick.mass", "about 5 kg", "is no number"),
        ("pick.mass", Numeral("0.5", is_percent=True), "percentage"),
        ("pick.mass", dt.date(2025, 1, 1), "is no quantity"),
        ("pick.mass", "#VALUE!", "an error of the spreadsheet"),
        ("pick.mass", "#####", "an error of the spreadsheet"),
        ("pick.ph", "3.65 %", "percentage"),
        ("pick.brix", dt.time(1), "is no number"),
        ("bottle.to.bottles", "12.5", "no whole number"),
        ("pick.at", Numeral("45568"), "is no day"),
        ("block.control.from", dt.datetime(2025, 1, 1, 8), "wanted a day alone"),
        ("gauge.empty", "perhaps", "neither yes nor no"),
        ("pick.lot", dt.date(2025, 3, 4), "the cell holds a day"),
        ("pick.lot", dt.time(1, 30), "the cell holds a time"),
        ("pick.lot", Numeral("100000", as_shown=None), "shows it otherwise"),
        ("pick.lot", Numeral("1234567890123456"), "lost digits"),
        ("pick.lot", Broken("it is broken", "mend it"), "it is broken"),
        ("top.to.vessels", "B-9..B-1", "no range"),
        ("correct.replacement", "{", "no JSON"),
    ],
)
def test_a_cell_that_does_not_say_it_is_told(name: str, cell: Cell, says: str) -> None:
    kind, _, field = name.partition(".")
    with pytest.raises(Slip, match=says.replace("(", r"\(")) as caught:
        value(cell, of(kind, field), NO_HABIT)
    assert caught.value.hint


def test_a_unit_beside_a_quantity_agrees_with_its_own() -> None:
    mass = of("pick", "mass")
    assert value("12", mass, NO_HABIT, "pounds") == "12 lb"
    assert value("12 lb", mass, NO_HABIT, "lbs") == "12 lb"
    with pytest.raises(Slip, match="says lb, its unit beside it kg"):
        value("12 lb", mass, NO_HABIT, "kg")


@given(st.text(max_size=12), st.sampled_from(list(Form)))
def test_no_text_in_a_cell_ends_in_anything_but_a_value_or_a_slip(text: str, form: Form) -> None:
    with suppress(Slip):
        value(text, Column(("x",), form), NO_HABIT)
    assert shown(text) == text


def test_every_kind_has_columns_that_are_told_apart() -> None:
    for kind in KINDS:
        names = [columns.plain(one.name) for one in columns.of(kind)]
        assert len(set(names)) == len(names)
        assert columns.header(kind)[0] == "at"
        for name in columns.header(kind):
            found = columns.find(kind, name.upper().replace("_", " "))
            assert found is not None
            assert found[0].name == name
        assert columns.find(kind, "no such column") is None
    assert columns.header("release") == [
        *("at", "lot", "until", "by", "ref", "papers.title", "papers.sha256", "note"),
        *("estimated", "despite", "id"),
    ]
