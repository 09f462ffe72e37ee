"""May it be bottled: each gate by what the records hold of the wine that is there now."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import gates
from ampelog.countdown import countdown
from ampelog.errors import Refused
from ampelog.gates import table
from ampelog.readiness import judgings, readiness
from tests.conftest import Vintage

TODAY = date(2025, 3, 10)

WINE = """
{"kind": "receive", "at": "2024-10-01", "lot": "W", "volume": "1000 L", "vessel": "T1",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024, "within": ["North"]}]}
{"kind": "receive", "at": "2024-10-01", "lot": "OTHER", "volume": "1000 L", "vessel": "T9",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024, "within": ["North"]}]}
{"kind": "label", "at": "2000-01-01", "name": "White", "style": "dry white", "market": ["us"],
 "malolactic": "blocked", "statements": {"variety": ["Syrah"], "appellation": "North"}}
{"kind": "lot", "at": "2024-10-01", "name": "W", "label": "White"}
"""
VALUES = (
    '"glucose_fructose": "0.4", "malic": "0.2", "ph": "3.50", "free_so2": "40", '
    '"total_so2": "98", "va": "0.4", "alcohol": "13.2", "ta": "6.1", "heat_stability": "1.0", '
    '"cold_stability": "pass", "turbidity": "0.5"'
)
SHEET = f"""
{{"kind": "analysis", "at": "2025-03-10T07:00", "lot": "W", "lab": "Own", "values": {{{VALUES}}}}}
"""
SIGNED = """
{"kind": "note", "at": "2025-03-10T07:10", "lot": "W", "gate": "B30", "result": "pass"}
{"kind": "note", "at": "2025-03-10T07:20", "lot": "W", "gate": "B33", "result": "pass"}
"""


def asked(cellar: Vintage, lot: str = "W", today: date = TODAY, **more: Any) -> dict[str, Any]:
    """The answer about one lot, its gates by their ids."""
    found = readiness(cellar.view(), today, more.pop("gates", table()), lot, **more)
    assert len(found) == 1
    answer = dict(found[0])
    answer["gates"] = {row["gate"]: row for row in answer["gates"]}
    return answer


def verdict(cellar: Vintage, gate: str, **more: Any) -> str:
    return str(asked(cellar, **more)["gates"][gate]["verdict"])


def sheet(at: str, values: str, lot: str = "W", more: str = "") -> str:
    return f'{{"kind": "analysis", "at": "{at}", "lot": "{lot}", {more} "values": {{{values}}}}}\n'


# --- the whole ---


def test_a_wine_with_every_gate_on_record_may_be_bottled(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET + SIGNED)
    answer = asked(vintage)
    assert answer["ready"], answer["stops"]
    assert answer["gates"]["B06"] == {
        **answer["gates"]["B06"],
        "verdict": "pass",
        "value": "0.800",
        "limit": ">= 0.80",
        "measured_on": "2025-03-10",
        "age_days": 0,
        "pka": "1.81",
    }
    assert {"gate", "name", "verdict", "value", "limit", "measured_on", "source"} <= set(
        answer["gates"]["B09"]
    )
    assert all(row["source"] for row in answer["gates"].values())


def test_each_missing_record_is_named_and_stops_it(vintage: Vintage) -> None:
    vintage.load(WINE)
    answer = asked(vintage)
    assert not answer["ready"]
    missing = {gate for gate, row in answer["gates"].items() if row["verdict"] == "missing"}
    assert missing == {
        *("B01", "B04", "B05", "B06", "B08", "B09", "B10", "B12", "B13", "B28", "B30", "B33")
    }
    assert set(answer["stops"]) == missing
    assert answer["gates"]["B12"]["measured_on"] is None


def test_what_can_only_be_looked_at_in_the_run_never_stops_it(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET + SIGNED)
    rows = asked(vintage)["gates"]
    assert {rows[gate]["verdict"] for gate in ("B18", "B20", "B22", "B23", "B24")} == {"advice"}
    assert "B17" not in rows, "no membrane is needed of a dry wine with no malic acid left"


def test_a_hold_stops_what_every_gate_lets_pass(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET + SIGNED)
    vintage.load(
        '{"kind": "hold", "at": "2025-03-10T08:00", "lot": "W", "reason": "the lid hissed"}'
    )
    answer = asked(vintage)
    assert answer["stops"] == []
    assert not answer["ready"]
    assert answer["why"] == ["it is on hold since 2025-03-10: the lid hissed"]


def test_must_that_ferments_is_no_wine_yet(vintage: Vintage) -> None:
    vintage.load(
        WINE.replace('"state": "wine"', '"state": "must"', 1) + SHEET + SIGNED,
    )
    assert asked(vintage)["why"] == ["it is must: no wine yet"]


def test_bottles_and_empty_lots_are_refused_with_what_to_do(vintage: Vintage) -> None:
    vintage.load(
        WINE + '{"kind": "bottle", "at": "2025-03-10T12:00", "from": {"lot": "W", "all": true}, '
        '"to": {"lot": "BW", "bottles": 1333, "format": "750 mL"}}'
    )
    for lot, says in (("BW", "no wine to be bottled"), ("W", "holds nothing any more")):
        with pytest.raises(Refused, match=says) as caught:
            asked(vintage, lot)
        assert "--as-of" in caught.value.hint


def test_the_cellar_lists_every_lot_of_wine_and_no_must(vintage: Vintage) -> None:
    vintage.load(WINE.replace('"state": "wine"', '"state": "must"', 1) + SHEET)
    assert [row["lot"] for row in readiness(vintage.view(), TODAY, table())] == ["OTHER"]


# --- limits: at, above and below ---


@pytest.mark.parametrize(
    ("free", "style", "passes"),
    [
        # Understanding Wine Chemistry, chapter 17: 0.8 mg/L molecular at pKa 1.81 asks for
        # 39.982 mg/L free at pH 3.50, 0.5 for 24.989
        ("40", "dry white", True),
        ("39.983", "dry white", True),
        ("39.982", "dry white", False),
        ("39.9", "dry white", False),
        ("24.989", "dry red", True),
        ("24.988", "dry red", False),
    ],
)
def test_molecular_sulfur_dioxide_flips_where_the_books_say(
    vintage: Vintage, free: str, style: str, passes: bool
) -> None:
    vintage.load(
        WINE.replace("dry white", style)
        + sheet("2025-03-10", f'"ph": "3.50", "free_so2": "{free}"')
    )
    row = asked(vintage)["gates"]["B06"]
    assert row["verdict"] == ("pass" if passes else "fail")
    if not passes:
        assert Decimal(row["needed_free"]) > Decimal(free)
        assert Decimal(row["add_metabisulfite_g"]) > 0


@pytest.mark.parametrize(
    ("gate", "values", "wanted"),
    [
        ("B01", '"glucose_fructose": "0.9"', "pass"),
        ("B01", '"glucose_fructose": "<1.0"', "fail"),  # it may be 0.9999: nobody knows
        ("B01", '"glucose_fructose": "<0.9"', "pass"),
        ("B01", '"glucose_fructose": "1.0"', "fail"),
        ("B01", '"reducing_sugar": "1.9"', "pass"),  # Purdue FS-56-W: below 2 with pentoses
        ("B01", '"reducing_sugar": "2.0"', "missing"),
        ("B04", '"malic": "0.30"', "pass"),
        ("B04", '"malic": "0.31"', "fail"),
        ("B05", '"ph": "3.60"', "pass"),
        ("B05", '"ph": "3.61"', "advice"),  # a range proposed, which stops nothing
        ("B08", '"total_so2": "350"', "pass"),  # 27 CFR 4.22(b)(1)
        ("B08", '"total_so2": "351"', "fail"),
        ("B09", '"va": "1.20"', "advice"),  # 27 CFR 4.21(a)(1)(iv), past the warning at 0.70
        ("B09", '"va": "1.21"', "fail"),
        ("B09", '"va": "0.70"', "pass"),
        ("B12", '"heat_stability": "1.99"', "pass"),
        ("B12", '"heat_stability": "2.0"', "fail"),
        ("B13", '"cold_stability": "fail"', "fail"),
        ("B19", '"dissolved_oxygen": "0.5"', "pass"),
        ("B19", '"dissolved_oxygen": "1.0"', "advice"),
        ("B19", '"dissolved_oxygen": "1.1"', "fail"),  # twice the limit
        ("B21", '"co2": "3.93"', "fail"),  # 27 CFR 24.245
        ("B21", '"co2": "1.6"', "advice"),
        ("B25", '"copper": "0.4"', "advice"),
        ("B25", '"copper": "1.1"', "fail"),
    ],
)
def test_a_value_at_its_limit(vintage: Vintage, gate: str, values: str, wanted: str) -> None:
    vintage.load(WINE + sheet("2025-03-10", values))
    assert verdict(vintage, gate) == wanted


def test_alcohol_is_told_on_both_bases(vintage: Vintage) -> None:
    # OIML R22: 14.00 % vol at 20 C are 13.95 on the 60 F basis of the tax classes
    vintage.load(WINE + sheet("2025-03-10", '"alcohol": "14.00"'))
    row = asked(vintage)["gates"]["B10"]
    assert (row["value"], row["alcohol_60f"]) == ("14.00", "13.95")


# UK SI 2011/2936, Schedule 2, paragraph 3: wine with a protected designation of origin
UK = [
    ("dry red", "0", '"va": "1.201"', "B09", True),  # 20 meq/L of acetic acid
    ("dry red", "0", '"va": "1.202"', "B09", False),
    ("dry white", "0", '"va": "1.080"', "B09", True),  # 18 meq/L
    ("dry white", "0", '"va": "1.081"', "B09", False),
    ("dry red", "4.9", '"total_so2": "150"', "B08", True),
    ("dry red", "4.9", '"total_so2": "151"', "B08", False),
    ("dry white", "4.9", '"total_so2": "200"', "B08", True),
    ("rose", "4.9", '"total_so2": "201"', "B08", False),
    ("dry red", "5", '"total_so2": "200"', "B08", True),
    ("dry red", "5", '"total_so2": "201"', "B08", False),
    ("sweet", "45", '"total_so2": "250"', "B08", True),
    ("sweet", "45", '"total_so2": "251"', "B08", False),
    ("sweet", "45.1", '"total_so2": "300"', "B08", True),
    ("sweet", "45.1", '"total_so2": "301"', "B08", False),
    ("dry white", "1", '"free_so2": "45"', "B07", True),
    ("dry white", "1", '"free_so2": "46"', "B07", False),
    ("sweet", "20", '"free_so2": "60"', "B07", True),
    ("sweet", "20", '"free_so2": "61"', "B07", False),
    ("dry red", "1", '"copper": "0.5"', "B25", True),
    ("dry red", "1", '"copper": "0.51"', "B25", False),
    ("dry red", "1", '"iron": "8"', "B26", True),
    ("dry red", "1", '"iron": "8.1"', "B26", False),
    ("dry red", "1", '"ta": "4"', "B11", True),
    ("dry red", "1", '"ta": "3.9"', "B11", False),
    ("dry red", "1", '"alcohol": "8.5"', "B10", True),
    ("dry red", "1", '"alcohol": "8.4"', "B10", False),
]


@pytest.mark.parametrize(("style", "sugar", "values", "gate", "holds"), UK)
def test_the_british_table_of_protected_wine(
    vintage: Vintage, style: str, sugar: str, values: str, gate: str, holds: bool
) -> None:
    words = WINE.replace("dry white", style).replace('["us"]', '["gb-ew"]')
    vintage.load(words + sheet("2025-03-10", f'"glucose_fructose": "{sugar}", {values}'))
    row = asked(vintage)["gates"][gate]
    assert (row["verdict"] == "fail") is not holds, row
    if not holds:
        assert row["legal"]
        assert "2011/2936" in row["source"]


def test_the_union_asks_less_sulfur_of_red_and_of_dry_wine(vintage: Vintage) -> None:
    # Regulation (EU) 2019/934, Annex I B: red 150, white 200; from 5 g/L of sugar 200 and 250
    words = WINE.replace("dry white", "dry red").replace('["us"]', '["us", "eu"]')
    vintage.load(words + sheet("2025-03-10", '"total_so2": "160", "glucose_fructose": "0.5"'))
    row = asked(vintage)["gates"]["B08"]
    assert (row["verdict"], row["limit"], row["legal"]) == ("fail", "<= 150", True)
    vintage.load(sheet("2025-03-10T01:00", '"glucose_fructose": "6"'))
    assert verdict(vintage, "B08") == "pass"


# --- what makes a measurement void ---


@pytest.mark.parametrize(
    ("ph", "free"), [("35", "30"), ("-1", "30"), ("3.5", "-30"), ("3.5", "<-5"), ("<35", "30")]
)
def test_what_cannot_be_is_not_computed_with_and_stops(
    vintage: Vintage, ph: str, free: str
) -> None:
    vintage.load(WINE + sheet("2025-03-10T08:00", f'"ph": "{ph}", "free_so2": "{free}"'))
    row = asked(vintage)["gates"]["B06"]
    assert (row["verdict"], row["stops"], row["value"]) == ("missing", True, None)
    assert row["says"].startswith(f"not computable from {free} mg/L free at pH {ph}")


@pytest.mark.parametrize("told", ["trace", "²", "--5", "9" * 50, "NaN"])
def test_what_is_no_number_never_passes_a_limit(vintage: Vintage, told: str) -> None:
    other = ", ".join(f'"{name}": "{told}"' for name in ("malic", "glucose_fructose", "alcohol"))
    vintage.load(WINE + SHEET + sheet("2025-03-10T08:00", f'"other": {{{other}}}'))
    rows = asked(vintage)["gates"]
    assert (rows["B01"]["verdict"], rows["B04"]["verdict"]) == ("fail", "fail")
    assert rows["B17"]["verdict"] == "missing", "a membrane may be needed"
    assert "alcohol_60f" not in rows["B10"]


def test_a_measurement_grows_stale_by_calendar_days(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-09T23:50", VALUES))
    assert verdict(vintage, "B06") == "pass", "a day: yesterday's, however late"
    row = asked(vintage, today=date(2025, 3, 11))["gates"]["B06"]
    assert (row["verdict"], row["age_days"], row["value"]) == ("stale", 2, "0.800")
    assert verdict(vintage, "B12", today=date(2025, 4, 6)) == "pass"
    assert verdict(vintage, "B12", today=date(2025, 4, 7)) == "stale"


@pytest.mark.parametrize(
    ("added", "wanted"),
    [("9.9 L", "pass"), ("10.1 L", "pass"), ("10.2 L", "stale")],  # 1 % of what is there after
)
def test_topping_over_the_limit_voids(vintage: Vintage, added: str, wanted: str) -> None:
    vintage.load(WINE + SHEET)
    vintage.load(
        '{"kind": "top", "at": "2025-03-10T09:00", "from": {"lot": "OTHER", "vessel": "T9", '
        f'"volume": "{added}"}}, "to": {{"lot": "W", "vessel": "T1", "volume": "{added}"}}}}'
    )
    assert verdict(vintage, "B12") == wanted


def test_toppings_add_up(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET)
    for hour in (9, 10):
        assert verdict(vintage, "B12") == "pass"
        vintage.load(
            f'{{"kind": "top", "at": "2025-03-10T{hour:02}:00", '
            '"from": {"lot": "OTHER", "vessel": "T9", "volume": "6 L"}, '
            '"to": {"lot": "W", "vessel": "T1", "volume": "6 L"}}'
        )
    row = asked(vintage)["gates"]["B12"]
    assert row["verdict"] == "stale"
    assert "1.1 % is other wine" in row["says"]


def test_a_measurement_stays_that_of_most_of_the_wine_however_often_it_is_topped(
    vintage: Vintage,
) -> None:
    vintage.load(WINE + SHEET + sheet("2025-03-10T08:00", '"alcohol": "9"', "OTHER"))
    for hour in (9, 10):
        vintage.load(
            f'{{"kind": "top", "at": "2025-03-10T{hour:02}:00", '
            '"from": {"lot": "OTHER", "vessel": "T9", "volume": "20 L"}, '
            '"to": {"lot": "W", "vessel": "T1", "volume": "20 L"}}'
        )
    row = asked(vintage)["gates"]["B10"]
    assert (row["verdict"], row["value"]) == ("stale", "13.2")
    assert "3.8 % is other wine" in row["says"]


@pytest.mark.parametrize(
    ("named", "kinds"),
    [
        ("Carbon dioxide", ("gas",)),
        ("carbon", ("fining",)),
        ("sulfurous acid", ("so2",)),
        ("KMBS and tartaric acid", ("so2", "acid")),
        ("copper sulfate", ("copper",)),
        ("a bag of it", ()),
    ],
)
def test_a_treatment_is_all_that_its_words_name(named: str, kinds: tuple[str, ...]) -> None:
    assert gates.table().kinds_of(named) == kinds


MANY = (
    '"treatment": "addition", "materials": [{{"material": "{}", "amount": "30 g"}}, '
    '{{"material": "{}", "amount": "1 kg"}}]'
)


@pytest.mark.parametrize(
    ("treatment", "stale"),
    [
        (
            '"treatment": "tartaric acid", "material": "tartaric acid", "amount": "100 g"',
            "B12 B10 B06",
        ),
        ('"treatment": "fining", "material": "bentonite", "amount": "100 g"', "B12 B10 B06"),
        ('"treatment": "copper sulfate", "amount": "1 g"', "B12 B10 B06"),
        ('"treatment": "sulfur dioxide", "material": "KMS", "amount": "20 g"', "B06 B08"),
        ('"treatment": "filtration"', "B06"),
        (MANY.format("potassium metabisulfite", "tartaric acid"), "B12 B10 B06"),
        (MANY.format("potassium metabisulfite", "potassium sorbate"), "B12 B10 B06"),
        (MANY.format("potassium metabisulfite", "a bag of it"), "B12 B10 B06"),
        ('"treatment": "potassium sorbate with a little KMBS"', "B12 B10 B06"),
        (MANY.format("KMBS", "sulfurous acid"), "B06 B08"),
        ('"treatment": "SO2", "material": "brand of it"', "B06 B08"),
        (
            '"treatment": "water", "adds": "5 L", "role": "water", "material": "water"',
            "B12 B10 B06",
        ),
        ('"treatment": "something new"', "B12 B10 B06"),
    ],
)
def test_what_is_added_voids_whatever_its_age(vintage: Vintage, treatment: str, stale: str) -> None:
    vintage.load(WINE + SHEET)
    vintage.load(f'{{"kind": "treat", "at": "2025-03-10T09:00", "lot": "W", {treatment}}}')
    rows = asked(vintage)["gates"]
    found = {gate for gate in ("B06", "B08", "B10", "B12") if rows[gate]["verdict"] == "stale"}
    assert set(stale.split()) <= found
    assert ("B12" in stale.split()) is ("B12" in found), "no more than that"
    assert rows["B28"]["verdict"] == "stale"


def test_wine_racked_whole_keeps_its_sheet_but_for_the_sulfur(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET)
    vintage.load(
        '{"kind": "rack", "at": "2025-03-10T09:00", "from": {"lot": "W", "all": true}, '
        '"to": {"lot": "W2", "vessel": "T2", "volume": "1000 L"}}'
        '\n{"kind": "lot", "at": "2024-10-01", "name": "W2", "label": "White"}'
    )
    rows = asked(vintage, "W2")["gates"]
    assert rows["B12"]["verdict"] == "pass"
    assert rows["B06"]["verdict"] == "stale"
    assert "moved" in rows["B06"]["says"]


def test_another_name_changes_nothing(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET + SIGNED)
    vintage.load(
        '{"kind": "lot", "at": "2025-03-10T09:00", "name": "NEW", "of": [{"lot": "W"}], '
        '"label": "White"}'
    )
    assert asked(vintage, "NEW")["ready"]


def test_a_blend_of_measured_wines_is_not_measured(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET + sheet("2025-03-10T07:00", VALUES, "OTHER"))
    vintage.load(
        '{"kind": "blend", "at": "2025-03-10T09:00", "from": [{"lot": "W", "all": true}, '
        '{"lot": "OTHER", "all": true}], "to": {"lot": "B", "vessel": "T3", "volume": "2000 L"}}'
        '\n{"kind": "lot", "at": "2024-10-01", "name": "B", "label": "White"}'
    )
    row = asked(vintage, "B")["gates"]["B12"]
    assert row["verdict"] == "stale"
    assert "50.0 % is other wine" in row["says"]


BARRELS = """
{"kind": "barrel_down", "at": "2025-01-10T08:00", "from": {"lot": "W", "volume": "400 L"},
 "to": {"lot": "WB", "vessels": ["B1", "B2"], "each": "200 L"}}
{"kind": "lot", "at": "2024-10-01", "name": "WB", "label": "White"}
"""


def test_barrels_measured_together_stay_measured_when_drawn_together(vintage: Vintage) -> None:
    vintage.load(WINE + BARRELS + sheet("2025-03-10T07:00", VALUES, "WB"))
    vintage.load(
        '{"kind": "rack", "at": "2025-03-10T09:00", "from": {"lot": "WB", "all": true}, '
        '"to": {"lot": "WB", "vessel": "T3", "volume": "400 L"}}'
    )
    assert verdict(vintage, "B12", lot="WB") == "pass"


def test_one_barrel_unlike_the_others_is_named(vintage: Vintage) -> None:
    vintage.load(WINE + BARRELS + sheet("2025-03-10T07:00", VALUES, "WB"))
    vintage.load(sheet("2025-03-10T08:00", '"va": "1.3"', "WB", '"vessel": "B2",'))
    row = asked(vintage, "WB")["gates"]["B09"]
    assert (row["verdict"], row["vessel"], row["value"]) == ("fail", "B2", "1.3")
    vintage.load(
        '{"kind": "rack", "at": "2025-03-10T09:00", "from": {"lot": "WB", "all": true}, '
        '"to": {"lot": "WB", "vessel": "T3", "volume": "400 L"}}'
    )
    assert verdict(vintage, "B09", lot="WB") == "stale", "the two no longer say the same"


def test_a_corrected_analysis_counts_as_it_reads_now(vintage: Vintage) -> None:
    vintage.load(WINE)
    vintage.load(
        '{"kind": "analysis", "at": "2025-03-10", "lot": "W", '
        '"id": "018f3b5c-0000-7000-9000-00000000aaaa", '
        '"values": {"ph": "35.0", "free_so2": "40"}}'.replace("35.0", "3.05")
    )
    assert verdict(vintage, "B06") == "pass"
    vintage.load(
        '{"kind": "correct", "at": "2025-03-11", "reason": "misread", '
        '"corrects": "018f3b5c-0000-7000-9000-00000000aaaa", "replacement": {"kind": "analysis", '
        '"at": "2025-03-10", "lot": "W", "values": {"ph": "3.55", "free_so2": "40"}}}'
    )
    assert verdict(vintage, "B06") == "fail"


# --- notes: sign-offs, waivers, the membrane ---


def test_a_waiver_is_told_as_one_and_the_law_is_nobodys_to_waive(vintage: Vintage) -> None:
    vintage.load(WINE)
    for gate in ("B12", "B08"):
        vintage.load(
            f'{{"kind": "note", "at": "2025-03-10", "lot": "W", "gate": "{gate}", '
            '"result": "waived", "text": "drunk within the year"}'
        )
    rows = asked(vintage)["gates"]
    assert rows["B12"]["verdict"] == "waived"
    assert rows["B08"]["verdict"] == "missing"
    assert "27 CFR 4.22(b)(1)" in rows["B08"]["says"]


def test_a_waiver_ends_with_the_wine_that_it_was_for(vintage: Vintage) -> None:
    vintage.load(
        WINE + '{"kind": "note", "at": "2025-03-10", "lot": "W", "gate": "B12", "result": "waived"}'
    )
    assert verdict(vintage, "B12") == "waived"
    vintage.load(
        '{"kind": "blend", "at": "2025-03-10T09:00", "from": {"lot": "OTHER", "volume": "500 L"}, '
        '"to": {"lot": "W", "vessel": "T1", "volume": "500 L"}}'
    )
    assert verdict(vintage, "B12") == "missing"


def test_a_failed_note_fails_a_gate_that_a_later_measurement_mends(vintage: Vintage) -> None:
    vintage.load(
        WINE
        + '{"kind": "note", "at": "2025-03-10T06:00", "lot": "W", "gate": "B13", "result": "fail"}'
    )
    assert verdict(vintage, "B13") == "fail"
    vintage.load(sheet("2025-03-10T08:00", '"cold_stability": "pass"'))
    assert verdict(vintage, "B13") == "pass"


def test_the_membrane_is_asked_of_sweet_wine_and_waives_sugar(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-10", '"glucose_fructose": "3"'))
    rows = asked(vintage)["gates"]
    assert (rows["B01"]["verdict"], rows["B17"]["verdict"]) == ("fail", "missing")
    vintage.load(
        '{"kind": "note", "at": "2025-03-10T05:00", "lot": "W", "gate": "B17", "result": "pass"}'
    )
    rows = asked(vintage)["gates"]
    assert (rows["B01"]["verdict"], rows["B17"]["verdict"]) == ("waived", "pass")
    assert verdict(vintage, "B17", today=date(2025, 3, 11)) == "stale", "on the day alone"


def test_malic_acid_passes_to_point_three_with_a_membrane(vintage: Vintage) -> None:
    words = WINE.replace('"malolactic": "blocked"', '"malolactic": "complete"')
    vintage.load(words + sheet("2025-03-10", '"malic": "0.25"'))
    assert verdict(vintage, "B03") == "fail"
    vintage.load(
        '{"kind": "note", "at": "2025-03-10T05:00", "lot": "W", "gate": "B17", "result": "pass"}'
    )
    assert verdict(vintage, "B03") == "pass"


@pytest.mark.parametrize(
    "treatment",
    [
        '"treatment": "copper sulfate"',
        '"treatment": "copper sulfate, with a little KMBS"',
        MANY.format("KMBS", "copper sulfate"),
    ],
)
def test_copper_rests_a_week_and_is_then_measured(vintage: Vintage, treatment: str) -> None:
    vintage.load(
        WINE
        + f'{{"kind": "treat", "at": "2025-03-04", "lot": "W", {treatment}}}\n'
        + SHEET
        + SIGNED
    )
    rows = asked(vintage)["gates"]
    assert (rows["B29"]["verdict"], rows["B29"]["value"]) == ("fail", "6")
    assert "wait until 2025-03-11" in rows["B29"]["says"]
    assert rows["B25"]["verdict"] == "missing"
    assert verdict(vintage, "B29", today=date(2025, 3, 11)) == "pass"


# --- what the wine is meant for ---


def test_a_style_that_nobody_registered_is_asked_for(vintage: Vintage) -> None:
    vintage.load(WINE + sheet("2025-03-10", VALUES, "OTHER"))
    rows = asked(vintage, "OTHER")["gates"]
    assert rows["B12"]["verdict"] == "missing"
    assert "style" in rows["B12"]["says"]
    assert rows["B13"]["verdict"] == "pass", "its limit is the same for every style"
    assert rows["B31"]["verdict"] == "missing"


def test_a_planned_label_is_judged_and_may_be_another(vintage: Vintage) -> None:
    vintage.load(
        WINE + SHEET + SIGNED + '{"kind": "label", "at": "2000-01-01", "name": "Wrong", '
        '"style": "dry white", "malolactic": "blocked", "statements": {"variety": ["Viognier"], "appellation": "North"}}'
    )
    assert verdict(vintage, "B31") == "pass"
    answer = asked(vintage, label="Wrong")
    assert answer["label"] == "Wrong"
    assert answer["gates"]["B31"]["verdict"] == "fail"
    with pytest.raises(Refused, match="there is no label `None such`"):
        asked(vintage, label="None such")


def test_what_measuring_found_and_nobody_explained_stops_it(vintage: Vintage) -> None:
    vintage.load(WINE)
    vintage.load('{"kind": "gauge", "at": "2025-03-01", "lot": "W", "volume": "994 L"}')
    assert verdict(vintage, "B32") == "advice"
    vintage.load(
        '{"kind": "gauge", "at": "2025-03-02", "lot": "W", "volume": "970 L", "reason": "inventory"}'
    )
    row = asked(vintage)["gates"]["B32"]
    assert (row["verdict"], row["value"]) == ("fail", "3.000")


# --- a winery's own gates ---


def test_a_winery_changes_what_is_its_own_and_it_shows(vintage: Vintage, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'topping_percent = "3"\n[[gate]]\nid = "B12"\nmax_age_days = 60\n[[gate.limit]]\n'
        'below = "1.0"\n[[gate]]\nid = "H01"\nname = "owner has tasted"\nasks = "sign-off"\n'
        "max_age_days = 30\n"
    )
    vintage.load(WINE + SHEET + SIGNED)
    rows = asked(vintage, gates=gates.with_own(own))["gates"]
    assert (rows["B12"]["verdict"], rows["B12"]["limit"]) == ("fail", "< 1.0")
    assert any("60 in place of 28" in each for each in rows["B12"]["changed"])
    assert rows["H01"]["verdict"] == "missing"
    assert "changed" not in rows["B13"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[gate]]\nid = "B08"\n[[gate.limit]]\nmarket = ["us"]\nat_most = "400"\n', "looser"),
        ('[[gate]]\nid = "B08"\nseverity = "advisory"\n', "legal limit stops"),
        ('[[gate]]\nid = "B08"\n[[gate.limit]]\nat_most = "1"\nlegal = true\n', "law's to say"),
        ('[[gate]]\nid = "B08"\nmax_age = 3\n', "is not known"),
        ('[[gate]]\nid = "H1"\n', "has no `id`, `name` or `asks`"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nbelow = 2.0\n', "decimal in quotes"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nbelow = "2,0"\n', "no decimal in quotes"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nstyles = ["dry red"]\n', "says nothing"),
        ('[[gate]]\nid = "B12"\nstyles = ["orange"]\n', "wanted a list, as in"),
        ('[[gate]]\nid = "B12"\nstyles = "dry red"\n', "wanted a list, as in"),
        ('[[gate]]\nid = "B12"\nstyles = 3\n', "wanted a list, as in"),
        ('[[gate]]\nid = "B12"\nvoid_by = "acid"\n', "wanted a list of texts"),
        ('[[gate]]\nid = "B12"\noptional = "no"\n', "wanted true or false"),
        ("[[gate]]\nid = 12\n", "wanted a text"),
        ('[[gate]]\nid = "B12"\nlimit = "x"\n', "wanted tables"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nbelow = "1"\nmarket = "us"\n', "wanted a list"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nbelow = "1"\nmarket = ["US"]\n', "wanted a list"),
        ('[[gate]]\nid = "B12"\n[[gate.limit]]\nbelow = "1"\nstyles = ["Dry Red"]\n', "dry red"),
        (
            '[[gate]]\nid = "B08"\n[[gate.limit]]\nat_most = "1"\nsugar = {most = "1"}\n',
            "`most` is not",
        ),
        ('[[gate]]\nid = "B29"\ndays_after = 3\n', "wanted days by kind"),
        ('[[gate]]\nid = "B12"\nasks = "computed"\n', "there is no rule for it"),
        ('[[gate]]\nid = "B32"\nasks = "sign-off"\n', "the program has a rule for it"),
        ('[[gate]]\nid = "H1"\nname = "x"\nasks = "computed"\n', "there is no rule for it"),
        ('gate = "x"\n', "wanted tables"),
        ('words = ["a"]\n', "wanted lists of texts by kind"),
        ('[words]\nso2 = "kmbs"\n', "wanted lists of texts by kind"),
        ('[words]\nso2 = [""]\n', "wanted lists of texts by kind"),
        ('topping_percent = "-1"\n', "0 to 100"),
        ('[[gate]]\nid = "B08"\nstyles = ["sparkling"]\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nmalolactic = "blocked"\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nmembrane = true\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nasks = "sign-off"\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nquantity = "mine"\noptional = true\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nadvisory_for = ["dry red"]\n', "would set it aside"),
        ('[[gate]]\nid = "B08"\nwhen = "after"\n', "would set it aside"),
        ('[[gate]]\nid = "B12"\nmax_age_days = -1\n', "whole number of days"),
        ("[[gate\n", "is no TOML"),
    ],
)
def test_a_file_of_gates_that_is_wrong_is_refused_with_the_place(
    tmp_path: Path, text: str, says: str
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text)
    with pytest.raises(Refused) as caught:
        gates.with_own(own)
    told = [str(caught.value.says), *(one.says + one.hint for one in caught.value.findings)]
    assert any(says in each for each in told), told


def test_a_gate_of_the_law_may_be_made_stricter(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('[[gate]]\nid = "B25"\noptional = false\nseverity = "blocking"\n'
                   'max_age_days = 3\n[[gate.limit]]\nat_most = "0.2"\n')  # fmt: skip
    found = gates.with_own(own).gate("B25")
    assert found is not None
    assert (found.optional, found.max_age_days) == (False, 3)
    assert [one.says() for one in found.limits] == ["<= 1.0", "<= 1.0", "<= 0.5", "<= 0.2"]


def test_every_gate_of_the_table_has_a_source_and_marks_what_is_only_proposed() -> None:
    found = table().gates
    assert [gate.id for gate in found] == [f"B{number:02}" for number in range(1, 34)]
    for gate in found:
        assert gate.source
        for limit in gate.limits:
            assert limit.source
            assert not limit.legal or limit.market
            assert limit.basis in ("published", "proposal", "memory")


# --- the countdown ---


def test_the_countdown_says_from_when_to_when(vintage: Vintage) -> None:
    vintage.load(WINE + SHEET)
    judging = judgings(vintage.view(), date(2025, 4, 1), table(), "W")[0]
    rows = {row["gate"]: row for row in countdown(judging, TODAY) if row["gate"]}
    assert (rows["B06"]["not_before"], rows["B06"]["not_after"]) == ("2025-03-31", "2025-04-01")
    assert (rows["B12"]["holds"], rows["B06"]["holds"]) == (True, False)
    assert rows["B06"]["stops"]
    assert (rows["B18"]["not_before"], rows["B18"]["not_after"]) == ("2025-04-01", "2025-04-08")
    usual = [row for row in countdown(judging, TODAY) if row["gate"] is None]
    assert any(row["over"] for row in usual)
    assert not all(row["over"] for row in usual)


# --- laws ---


@given(parts=st.lists(st.integers(1, 9), min_size=1, max_size=4), name=st.booleans())
def test_parting_and_joining_a_measured_wine_changes_no_verdict(
    another: Any, parts: list[int], name: bool
) -> None:
    cellar: Vintage = another()
    cellar.load(WINE + SHEET + SIGNED)
    rest = 10 * sum(parts)
    ends = ", ".join(
        f'{{"lot": "W", "vessel": "V{number}", "volume": "{10 * part} L"}}'
        for number, part in enumerate(parts)
    )
    cellar.load(
        '{"kind": "rack", "at": "2025-03-10T09:00", '
        f'"from": {{"lot": "W", "vessel": "T1", "volume": "{rest} L"}}, "to": [{ends}]}}'
    )
    cellar.load(
        '{"kind": "rack", "at": "2025-03-10T10:00", "from": {"lot": "W", "all": true}, '
        '"to": {"lot": "W", "vessel": "T2", "volume": "1000 L"}}'
    )
    if name:
        cellar.load(
            '{"kind": "lot", "at": "2025-03-10T11:00", "name": "N", "of": [{"lot": "W"}], '
            '"label": "White"}'
        )
    cellar.load(sheet("2025-03-10T12:00", '"free_so2": "40", "ph": "3.50"', "N" if name else "W"))
    assert asked(cellar, "N" if name else "W")["ready"]
