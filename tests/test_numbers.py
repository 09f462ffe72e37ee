"""The latest numbers of a cellar, and the morning sheet of its fermentations."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from ampelog import fermenting
from ampelog.errors import Refused
from ampelog.numbers import numbers
from ampelog.numbers_sheet import sparkline
from tests.conftest import Vintage

TODAY = date(2025, 3, 10)
WINE = """
{"kind": "receive", "at": "2024-10-01", "lot": "W", "volume": "1000 L", "vessel": "T1",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah"}]}
{"kind": "lot", "at": "2024-10-01", "name": "W", "style": "dry red"}
"""
MUST = """
{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "G", "mass": "2000 kg"}
{"kind": "crush", "at": "2024-09-11T08:00", "from": {"lot": "G", "all": true},
 "to": [{"lot": "M", "vessel": "F1", "volume": "700 L"}, {"lot": "M", "vessel": "F2", "volume": "700 L"}]}
{"kind": "ferment", "at": "2024-09-12T08:00", "lot": "M", "culture": "alcoholic", "stage": "start",
 "organism": "EC", "regime": {"pump_over": {"on_hours": "1", "off_hours": "7"}}}
"""


def sheet(at: str, values: str, more: str = "") -> str:
    return f'{{"kind": "analysis", "at": "{at}", "lot": "W", {more} "values": {{{values}}}}}\n'


def reading(at: str, brix: str, vessel: str = "F1", more: str = "") -> str:
    return (
        f'{{"kind": "reading", "at": "{at}", "lot": "M", "vessel": "{vessel}", {more} '
        f'"brix": "{brix}", "instrument": "hydrometer"}}\n'
    )


def asked(
    cellar: Vintage, today: date = TODAY, name: str | None = None, **view: Any
) -> dict[tuple[str | None, str], dict[str, Any]]:
    rows = numbers(cellar.view(**view), today, name)
    found = {(row["vessel"], row["quantity"]): row for row in rows}
    assert len(found) == len(rows)
    return found


def morning(cellar: Vintage, day: str) -> dict[tuple[str | None, str], dict[str, Any]]:
    rows = fermenting.sheet(cellar.view(day), date.fromisoformat(day))
    return {(row["vessel"], row["quantity"]): row for row in rows}


# --- the latest values ---


def test_the_latest_of_several_with_age_and_change_a_day(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-01", '"ph": "3.50", "va": "0.40"'))
    vintage.load(sheet("2025-03-05", '"ph": "3.54"'))
    rows = asked(vintage)
    row = rows[None, "ph"]
    assert {key: row[key] for key in ("lot", "value", "measured_on", "age_days", "per_day")} == {
        "lot": "W",
        "value": "3.54",
        "measured_on": "2025-03-05",
        "age_days": 5,
        "per_day": "0.01",
    }
    assert rows[None, "va"]["per_day"] is None, "there is none before it"


@pytest.mark.parametrize(
    ("first", "second", "values", "rate"),
    [
        ("2025-03-01T08:00", "2025-03-01T20:00", ("10", "9"), "-2"),  # both say the hour
        ("2025-03-01", "2025-03-02T20:00", ("10", "9"), "-1"),  # one does not: calendar days
        ("2025-03-01", "2025-03-04", ("10", "9"), "-0.3333"),
        ("2025-03-01", "2025-03-04", ("9", "10"), "0.3333"),
        ("2025-03-01", "2025-03-04", ("9", "9"), "0"),
        ("2025-03-01", "2025-03-01T09:00", ("9", "8"), None),
        ("2025-03-08T12:00", "2025-03-09T12:00", ("9", "8"), "-1.0435"),  # 23 h: clocks changed
        ("2025-03-01", "2025-03-02", ("<0.1", "0.2"), None),
    ],
)
def test_change_a_day(
    vintage: Vintage, first: str, second: str, values: tuple[str, str], rate: str | None
) -> None:
    vintage.load(WINE)
    for at, value in zip((first, second), values, strict=True):
        vintage.load(sheet(at, f'"malic": "{value}"'))
    assert asked(vintage)[None, "malic"]["per_day"] == rate


def test_another_instrument_is_another_row_of_readings(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "24.0") + reading("2024-09-14T08:00", "20.0"))
    vintage.load(
        '{"kind": "reading", "at": "2024-09-15T08:00", "lot": "M", "vessel": "F1", '
        '"brix": "17.5", "instrument": "refractometer"}'
    )
    row = asked(vintage)["F1", "brix"]
    assert (row["value"], row["instrument"], row["per_day"]) == ("17.5", "refractometer", None)


def test_a_vessel_has_its_own_and_the_lot_its_own(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "24.0"))
    vintage.load(
        '{"kind": "analysis", "at": "2024-09-13", "lot": "M", "values": {"ph": "3.4", '
        '"other": {"yan": "180 mg/L"}}, "other": {"potassium": "1500 mg/L"}}'
    )
    assert set(asked(vintage)) == {
        ("F1", "brix"),
        (None, "ph"),
        (None, "yan"),
        (None, "potassium"),
    }


def test_values_of_a_vessel_that_the_lot_has_left_are_not_told(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-01", '"ph": "3.5"', '"vessel": "T1",'))
    vintage.load(
        '{"kind": "rack", "at": "2025-03-02", "from": {"lot": "W", "all": true}, '
        '"to": {"lot": "W", "vessel": "T2", "volume": "1000 L"}}'
    )
    assert asked(vintage) == {}


REFILLED = {
    "the lot is emptied and filled anew": """
{"kind": "rack", "at": "2025-02-02", "from": {"lot": "W", "all": true},
 "to": {"lot": "V", "vessel": "T2", "volume": "1000 L"}}
{"kind": "receive", "at": "2025-02-03", "lot": "W", "vessel": "T1", "volume": "9 L"}""",
    "it is gauged empty": """
{"kind": "gauge", "at": "2025-02-02", "lot": "W", "empty": true, "reason": "inventory"}
{"kind": "receive", "at": "2025-02-03", "lot": "W", "vessel": "T1", "volume": "9 L"}""",
    "its name is used again by a blend": """
{"kind": "loss", "at": "2025-02-02", "lot": "W", "all": true, "reason": "spill"}
{"kind": "receive", "at": "2025-02-02", "lot": "V", "vessel": "T2", "volume": "9 L"}
{"kind": "blend", "at": "2025-02-03", "from": {"lot": "V", "all": true},
 "to": {"lot": "W", "vessel": "T1", "volume": "9 L"}}""",
}


@pytest.mark.parametrize("vessel", ["", '"vessel": "T1",'])
@pytest.mark.parametrize("events", REFILLED.values(), ids=REFILLED)
def test_what_was_measured_of_wine_that_is_gone_is_not_told(
    vintage: Vintage, events: str, vessel: str
) -> None:
    vintage.load(WINE + sheet("2025-02-01", '"ph": "3.5"', vessel) + events)
    assert asked(vintage) == {}
    vintage.load(sheet("2025-02-04", '"ph": "3.6"', vessel))
    assert [row["value"] for row in asked(vintage).values()] == ["3.6"]


def test_a_vessel_that_other_wine_of_the_lot_came_into_starts_afresh(vintage: Vintage) -> None:
    vintage.load(WINE)
    vintage.load("""
    {"kind": "receive", "at": "2024-10-01", "lot": "W", "vessel": "T2", "volume": "100 L"}
    {"kind": "analysis", "at": "2025-02-01", "lot": "W", "values": {"ta": "6"}}
    {"kind": "analysis", "at": "2025-02-01", "lot": "W", "vessel": "T1", "values": {"alcohol": "14"}}
    {"kind": "analysis", "at": "2025-02-01", "lot": "W", "vessel": "T2", "values": {"alcohol": "12"}}
    {"kind": "loss", "at": "2025-02-02", "lot": "W", "vessel": "T1", "all": true, "reason": "spill"}
    {"kind": "rack", "at": "2025-02-03", "from": {"lot": "W", "vessel": "T2", "volume": "50 L"},
     "to": {"lot": "W", "vessel": "T1", "volume": "50 L"}}
    """)
    assert set(asked(vintage)) == {("T2", "alcohol"), (None, "ta")}


def test_what_was_measured_of_a_lot_stays_when_it_is_racked_or_bears_another_name(
    vintage: Vintage,
) -> None:
    vintage.load(WINE + sheet("2025-02-01", '"ph": "3.5"'))
    vintage.load("""
    {"kind": "rack", "at": "2025-02-02", "from": {"lot": "W", "all": true},
     "to": {"lot": "W", "vessel": "T2", "volume": "1000 L"}}
    {"kind": "analysis", "at": "2025-02-03", "lot": "W", "vessel": "T2", "values": {"ta": "6"}}
    {"kind": "lot", "at": "2025-02-04", "name": "V", "of": [{"lot": "W"}]}
    """)
    assert set(asked(vintage)) == {(None, "ph"), ("T2", "ta")}


PARTED = """
{"kind": "rack", "at": "2025-02-01", "from": {"lot": "W", "volume": "200 L"},
 "to": {"lot": "W", "vessel": "B1", "volume": "200 L"}}
"""


def test_a_newer_value_of_all_the_lot_takes_the_place_of_those_of_its_vessels(
    vintage: Vintage,
) -> None:
    vintage.load(WINE + PARTED)
    vintage.load(sheet("2025-03-01", '"ph": "3.5", "free_so2": "10"', '"vessel": "B1",'))
    vintage.load(sheet("2025-03-02", '"free_so2": "40"'))
    rows = asked(vintage)
    assert (None, "free_so2") in rows
    assert ("B1", "free_so2") not in rows
    assert rows["B1", "molecular_so2"]["free_so2"] == "40"
    vintage.load(sheet("2025-03-03", '"free_so2": "30"', '"vessels": ["B1", "T1"],'))
    rows = asked(vintage)
    assert (None, "free_so2") not in rows, "each vessel has its own"
    assert rows["T1", "free_so2"]["value"] == "30"


def test_a_vessel_with_an_acidity_of_its_own_is_not_dosed_twice(vintage: Vintage) -> None:
    vintage.load(WINE + PARTED + sheet("2025-03-01", '"ph": "3.50", "free_so2": "20"'))
    vintage.load(sheet("2025-03-02", '"ph": "3.60"', '"vessel": "B1",'))
    rows = asked(vintage)
    doses = {
        vessel: row["for_l"] for (vessel, name), row in rows.items() if name == "molecular_so2"
    }
    assert doses == {"B1": "200", None: "800"}


def test_corrections_and_struck_analyses_count(vintage: Vintage) -> None:
    ids = ["018f3b5c-0000-7000-9000-00000000000a", "018f3b5c-0000-7000-9000-00000000000b"]
    vintage.load(WINE)
    for id_, value in zip(ids, ("3.5", "3.9"), strict=True):
        day = 1 + ids.index(id_)
        vintage.load(sheet(f"2025-03-0{day}", f'"ph": "{value}"', f'"id": "{id_}",'))
    assert asked(vintage)[None, "ph"]["value"] == "3.9"
    vintage.load(
        f'{{"kind": "correct", "at": "2025-03-05", "corrects": "{ids[1]}", "reason": "other wine", '
        '"replacement": null}'
    )
    assert asked(vintage)[None, "ph"]["value"] == "3.5"
    vintage.load(
        f'{{"kind": "correct", "at": "2025-03-05", "corrects": "{ids[0]}", "reason": "misread", '
        '"replacement": {"kind": "analysis", "at": "2025-03-03", "lot": "W", '
        '"values": {"ph": "3.6"}}}'
    )
    row = asked(vintage)[None, "ph"]
    assert (row["value"], row["measured_on"]) == ("3.6", "2025-03-03")


def test_the_past_is_asked_as_it_was_and_as_it_was_known(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-01", '"ph": "3.5"'))
    known = str(vintage.ledger.head.position)
    vintage.load(sheet("2025-03-05", '"ph": "3.6"'))
    assert asked(vintage, as_of="2025-03-04")[None, "ph"]["value"] == "3.5"
    assert asked(vintage, known_on=known)[None, "ph"]["value"] == "3.5"
    assert asked(vintage)[None, "ph"]["value"] == "3.6"


def test_an_age_is_counted_in_days_of_the_premises(vintage: Vintage) -> None:
    # half past eleven at night in California, the next morning in UTC
    vintage.load(WINE + sheet("2025-03-09T23:30", '"ph": "3.5"'))
    row = asked(vintage)[None, "ph"]
    assert (row["measured_on"], row["age_days"]) == ("2025-03-09", 1)


def test_molecular_sulfur_dioxide_and_what_to_add(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-01", '"ph": "3.50", "free_so2": "20"'))
    row = asked(vintage)[None, "molecular_so2"]
    # Understanding Wine Chemistry, chapter 17: 2.001 % at pH 3.50 and pKa 1.81; 24.989 mg/L for 0.5
    assert (row["value"], row["pka"], row["target"]) == ("0.400", "1.81", "0.5")
    assert row["needed_free"] == "25.0"
    # 4.989 mg/L in 1,000 L are 4.989 g of SO2, and 57.6 % of the powder is SO2
    assert row["add_so2_g"] == "5.0"
    assert Decimal("8.6") <= Decimal(row["add_metabisulfite_g"]) <= Decimal("8.7")


@pytest.mark.parametrize(("ph", "free"), [("35", "20"), ("-1", "20"), ("3.5", "-20")])
def test_nothing_is_reckoned_from_what_cannot_be(vintage: Vintage, ph: str, free: str) -> None:
    vintage.load(WINE + sheet("2025-03-01", f'"ph": "{ph}", "free_so2": "{free}"'))
    row = asked(vintage)[None, "molecular_so2"]
    assert (row["value"], row["ph"], row["free_so2"]) == (None, ph, free)
    assert "add_so2_g" not in row


@pytest.mark.parametrize("told", ["²", "--5", "9" * 50, "."])
def test_what_is_no_number_changes_by_nothing_a_day(vintage: Vintage, told: str) -> None:
    vintage.load(WINE)
    for day in ("01", "03"):
        vintage.load(sheet(f"2025-03-{day}", f'"other": {{"smoke": "{told}"}}'))
    row = asked(vintage)[None, "smoke"]
    assert (row["value"], row["per_day"]) == (told, None)


def test_the_pka_of_the_wine_stands_beside_and_is_held_against_no_target(
    vintage: Vintage,
) -> None:
    vintage.load(WINE + sheet("2025-03-01", '"ph": "3.50", "free_so2": "29", "alcohol": "12"'))
    row = asked(vintage)[None, "molecular_so2"]
    # OIV-MA-AS323-04C at 12 % vol and 20 C: about 2.04, less 0.08 estimated for the salts
    assert row["of_the_wine"]["pka"] == "1.958"
    assert Decimal("0.80") <= Decimal(row["of_the_wine"]["value"]) <= Decimal("0.82")
    assert row["pka"] == "1.81"


def test_a_must_has_a_potential_alcohol_by_its_instrument(vintage: Vintage) -> None:
    vintage.load(MUST.split('{"kind": "ferment"', maxsplit=1)[0])
    vintage.load(
        '{"kind": "reading", "at": "2024-09-11T10:00", "lot": "M", "vessel": "F1", "brix": "24.0", '
        '"instrument": "refractometer"}\n'
        '{"kind": "reading", "at": "2024-09-11T10:00", "lot": "M", "vessel": "F2", "brix": "24.0"}'
    )
    rows = asked(vintage)
    # OIV-MA-AS2-02, Table II, as in EFII1125161A, Annex IV: 237.8 g/L and 14.13 % vol
    assert rows["F1", "brix"]["potential_alcohol"] == "14.13"
    assert "potential_alcohol" not in rows["F2", "brix"], "nobody knows by what it was read"


def test_a_vessel_measured_on_its_own_is_not_dosed_twice(vintage: Vintage) -> None:
    vintage.load(WINE)
    vintage.load(
        '{"kind": "rack", "at": "2025-02-01", "from": {"lot": "W", "volume": "200 L"}, '
        '"to": {"lot": "W", "vessel": "B1", "volume": "200 L"}}'
    )
    vintage.load(sheet("2025-03-01", '"ph": "3.50", "free_so2": "20"'))
    vintage.load(sheet("2025-03-02", '"free_so2": "10"', '"vessel": "B1",'))
    rows = asked(vintage)
    assert rows["B1", "molecular_so2"]["for_l"] == "200"
    assert rows[None, "molecular_so2"]["for_l"] == "800"


def test_fruit_and_unknown_lots_are_refused(vintage: Vintage) -> None:
    vintage.load(
        MUST + '{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "H", "mass": "9 kg"}'
    )
    with pytest.raises(Refused, match="held by mass"):
        numbers(vintage.view(), TODAY, "H")
    with pytest.raises(Refused, match="there is no lot `X`"):
        numbers(vintage.view(), TODAY, "X")


def test_an_empty_cellar_has_no_numbers(vintage: Vintage) -> None:
    assert numbers(vintage.view(), TODAY) == []
    assert fermenting.sheet(vintage.view(), TODAY) == []


# --- the morning sheet ---


def test_a_curve_falls_and_is_over(vintage: Vintage) -> None:
    vintage.load(MUST)
    for day, brix in enumerate(["24.0", "22.0", "17.0", "11.0", "5.0", "1.0", "-1.2"], 13):
        vintage.load(reading(f"2024-09-{day}T08:00", brix, more='"temperature": "27 C",'))
    row = morning(vintage, "2024-09-17")["F1", "brix"]
    assert (row["value"], row["per_day"], row["state"], row["day"]) == (
        "5.0",
        "-6",
        "fermenting",
        6,
    )
    assert (row["organism"], row["regime"]) == ("EC", "pump-over 1 h on, 7 h off")
    assert morning(vintage, "2024-09-17")["F1", "temperature"]["value"] == "27 C"
    last = morning(vintage, "2024-09-19")["F1", "brix"]
    assert last["state"] == "finished"
    assert "glucose" in last["rule"]


@pytest.mark.parametrize(
    ("readings", "state"),
    [
        (["24.0", "20.0", "14.0", "9.0", "8.6", "8.2"], "stuck"),  # 0.4 a day
        (["24.0", "20.0", "14.0", "9.0", "8.5", "8.0"], "slow"),  # 0.5: not below it
        (["24.0", "20.0", "14.0", "9.0", "8.0", "7.0"], "fermenting"),  # 1.0: not below it
        (["24.0", "20.0", "14.0", "2.4", "2.2", "2.0"], "slow"),  # not above 2.0
        (["24.0", "20.0", "14.0", "0.4", "0.2", "0.0"], "fermenting"),  # the end of it is slow
        (["24.0", "24.0", "24.0"], "fermenting"),  # the first days of a must
    ],
)
def test_the_rule_names_what_is_stuck_and_what_is_slow(
    vintage: Vintage, readings: list[str], state: str
) -> None:
    vintage.load(MUST)
    for day, brix in enumerate(readings, 12):
        vintage.load(reading(f"2024-09-{day}T09:00", brix))
    last = f"2024-09-{11 + len(readings)}"
    row = morning(vintage, last)["F1", "brix"]
    assert row["state"] == state
    assert (row["rule"] is None) is (state == "fermenting")


def test_the_stuck_one_stands_first_and_each_vessel_for_itself(vintage: Vintage) -> None:
    vintage.load(MUST)
    for day in range(12, 19):
        vintage.load(reading(f"2024-09-{day}T09:00", f"{24 - 3 * (day - 12)}.0", "F1"))
        vintage.load(reading(f"2024-09-{day}T09:05", f"{24 - min(day - 12, 3)}.0", "F2"))
    rows = fermenting.sheet(vintage.view("2024-09-18"), date(2024, 9, 18))
    assert [(row["vessel"], row["state"]) for row in rows] == [
        ("F2", "stuck"),
        ("F1", "fermenting"),
    ]


def test_what_nobody_read_and_what_is_too_warm_is_noted(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "24.0", more='"temperature": "95 F",'))
    assert morning(vintage, "2024-09-14")["F1", "brix"]["notes"] == ["above 32 C: cool it"]
    notes = morning(vintage, "2024-09-16")["F1", "brix"]["notes"]
    assert notes[0] == "no reading for more than a day: the last is 3 days old"
    assert morning(vintage, "2024-09-16")["F2", "brix"]["notes"] == ["no reading yet"]


def test_specific_gravity_is_told_as_brix_and_a_refractometer_is_doubted(vintage: Vintage) -> None:
    vintage.load(MUST)
    vintage.load(
        '{"kind": "reading", "at": "2024-09-13", "lot": "M", "vessel": "F1", '
        '"specific_gravity": "1.09194", "instrument": "hydrometer"}'
        '\n{"kind": "reading", "at": "2024-09-13", "lot": "M", "vessel": "F2", "brix": "20.0", '
        '"instrument": "refractometer"}'
    )
    rows = morning(vintage, "2024-09-13")
    # National Bureau of Standards Circular 440: 22 degrees Brix are 1.09194
    assert Decimal(rows["F1", "brix"]["value"]) == Decimal("22.00")
    assert "apparent only" in rows["F2", "brix"]["notes"][0]


def test_an_ended_fermentation_is_not_on_the_sheet(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "24.0"))
    vintage.load(
        '{"kind": "ferment", "at": "2024-09-20", "lot": "M", "vessel": "F1", '
        '"culture": "alcoholic", "stage": "end"}'
    )
    assert {vessel for vessel, _ in morning(vintage, "2024-09-21")} == {"F2"}


def test_a_restart_with_another_yeast_goes_on_as_one_curve(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "24.0") + reading("2024-09-20T08:00", "4.5"))
    vintage.load(
        '{"kind": "ferment", "at": "2024-09-20T10:00", "lot": "M", "vessel": "F1", '
        '"culture": "alcoholic", "stage": "change", "organism": "strong one"}'
    )
    row = morning(vintage, "2024-09-21")["F1", "brix"]
    assert (row["organism"], row["day"], len(row["curve"])) == ("strong one", 10, 2)


def test_each_instrument_has_a_curve_of_its_own(vintage: Vintage) -> None:
    vintage.load(MUST)
    for day, brix, instrument in (
        ("13", "20", "hydrometer"),
        ("15", "10", "hydrometer"),
        ("16", "13", "refractometer"),
        ("17", "6", "hydrometer"),
    ):
        line = reading(f"2024-09-{day}T08:00", brix)
        vintage.load(line.replace("hydrometer", instrument))
    row = morning(vintage, "2024-09-16")["F1", "brix"]
    assert (row["value"], row["per_day"], row["state"]) == ("13", None, "fermenting")
    row = morning(vintage, "2024-09-17")["F1", "brix"]
    assert (row["value"], row["per_day"]) == ("6", "-2")


def test_a_fermentation_that_begins_anew_is_counted_from_there(vintage: Vintage) -> None:
    vintage.load(MUST)
    for day, brix in (("14", "6.0"), ("18", "5.9")):
        vintage.load(reading(f"2024-09-{day}T08:00", brix))
    ferment = '{"kind": "ferment", "lot": "M", "culture": "alcoholic", '
    vintage.load(ferment + '"at": "2024-09-19", "stage": "end"}')
    vintage.load(ferment + '"at": "2024-09-20", "stage": "start", "organism": "XY"}')
    vintage.load(reading("2024-09-21T08:00", "5.9") + reading("2024-09-24T08:00", "2.9"))
    row = morning(vintage, "2024-09-21")["F1", "brix"]
    assert (row["day"], row["state"], len(row["curve"])) == (2, "fermenting", 1)
    assert morning(vintage, "2024-09-24")["F1", "brix"]["state"] == "fermenting"


def test_a_name_that_is_used_again_next_year_has_a_new_curve(vintage: Vintage) -> None:
    vintage.load(MUST + reading("2024-09-13T08:00", "4.0"))
    vintage.load('{"kind": "ship", "at": "2024-09-20", "lot": "M", "all": true, "to": "Guest"}')
    vintage.load(MUST.replace("2024-09", "2025-09") + reading("2025-09-14T08:00", "4.1"))
    row = morning(vintage, "2025-09-14")["F1", "brix"]
    assert (row["day"], row["state"], len(row["curve"])) == (3, "fermenting", 1)


def test_a_fermentation_that_goes_on_in_another_vessel_is_as_old(vintage: Vintage) -> None:
    vintage.load(MUST.replace('"lot": "M", "culture"', '"lot": "M", "vessel": "F1", "culture"'))
    vintage.load(
        '{"kind": "rack", "at": "2024-09-14", "from": {"lot": "M", "vessel": "F1", "all": true}, '
        '"to": {"lot": "M", "vessel": "F3", "volume": "700 L"}}'
    )
    assert morning(vintage, "2024-09-15")["F3", "brix"]["day"] == 4


def test_a_sparkline_shows_the_last_values_from_nothing_to_the_highest() -> None:
    assert sparkline([Decimal(24), Decimal(12), Decimal("-1")]) == "█▄▁"
    assert len(sparkline([Decimal(number) for number in range(40)])) == 14


def test_an_emptied_lot_is_told_as_it_was_last_held(vintage: Vintage) -> None:
    """What there is of it is nothing: so nothing is to be added; and a must that had been
    fermenting has no potential alcohol."""
    vintage.load(
        '{"kind": "receive", "at": "2024-10-01", "lot": "J", "volume": "100 L", "state": "juice", '
        '"vessel": "T1"}\n'
        '{"kind": "reading", "at": "2024-10-01T12:00", "lot": "J", "brix": "20.0", '
        '"instrument": "hydrometer"}\n'
    )
    (young,) = numbers(vintage.view(), TODAY, "J")
    assert young["potential_alcohol"] == "11.29"
    assert young["sugar_g_l"] == "190"
    vintage.load(
        '{"kind": "ferment", "at": "2024-10-02", "lot": "J", "culture": "alcoholic", '
        '"stage": "start", "organism": "native"}\n'
        '{"kind": "analysis", "at": "2024-10-05", "lot": "J", "vessel": "T1", '
        '"values": {"ph": "3.5", "free_so2": "30"}}\n'
        '{"kind": "loss", "at": "2024-10-06", "lot": "J", "all": true, "reason": "spill"}\n'
    )
    rows = {row["quantity"]: row for row in numbers(vintage.view(), TODAY, "J")}
    assert "potential_alcohol" not in rows["brix"]
    assert rows["molecular_so2"]["free_so2"] == "30"
    assert rows["molecular_so2"].get("for_l", "0") == "0"


def test_an_analysis_of_bottles_is_told(vintage: Vintage) -> None:
    vintage.load(
        '{"kind": "receive", "at": "2024-10-01", "lot": "B", "bottles": 12, "format": "750 mL", '
        '"state": "bottled"}\n'
        '{"kind": "analysis", "at": "2024-10-05", "lot": "B", "values": {"ph": "3.5", '
        '"free_so2": "30"}}\n'
    )
    rows = {row["quantity"]: row for row in numbers(vintage.view(), TODAY, "B")}
    assert rows["ph"]["value"] == "3.5"
    assert rows["molecular_so2"]["target"] is None
