"""The annual vintage report: its facts fit the ledger exactly, and its page says the facts."""

from __future__ import annotations

import csv
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import page as validation
import pytest

from ampelog import ledger as ledgers
from ampelog import printing, stages
from ampelog.errors import Refused
from ampelog.questions import View
from ampelog.year import Stage, Year
from ampelog.year_page import page, tables
from ampelog.yearly import vintage as report
from tests.conftest import Vintage
from tests.program import Run

pytest_plugins = ("tests.running",)
WINE = """
{"kind": "block", "at": "2001-01-01", "name": "Hill", "area": "2 acre"}
{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "S", "mass": "2 ton", "brix": "24.1"}
{"kind": "pick", "at": "2023-09-10", "block": "Mill", "lot": "G", "mass": "907.18474 kg"}
{"kind": "crush", "at": "2023-09-11", "from": {"lot": "G", "all": true},
 "to": {"lot": "OLD", "vessel": "T2", "volume": "700 L"}}
{"kind": "crush", "at": "2024-09-11", "from": {"lot": "S", "all": true},
 "to": {"lot": "W", "vessel": "T1", "volume": "1400 L"}}
{"kind": "ferment", "at": "2024-09-12", "lot": "W", "culture": "alcoholic", "stage": "start",
 "organism": "EC"}
{"kind": "ferment", "at": "2024-09-20", "lot": "W", "culture": "alcoholic", "stage": "end"}
{"kind": "press", "at": "2024-09-21", "from": {"lot": "W", "all": true},
 "to": {"lot": "W", "vessel": "T1", "volume": "1100 L"}}
{"kind": "blend", "at": "2024-12-01", "from": {"lot": "OLD", "volume": "100 L"},
 "to": {"lot": "W", "vessel": "T1", "volume": "100 L"}}
{"kind": "label", "at": "2000-01-01", "name": "L", "style": "dry red", "market": ["us"],
 "rest": "30 days", "statements": {"variety": ["Syrah"], "appellation": "North", "vintage": 2024}}
{"kind": "bottle", "at": "2025-03-01", "from": {"lot": "W", "volume": "900 L"}, "to":
 {"lot": "B", "bottles": 1200, "format": "750 mL", "label": "L"}}
{"kind": "release", "at": "2025-04-05", "lot": "B"}
{"kind": "ship", "at": "2025-04-10", "lot": "B", "bottles": 120, "to": "Shop", "document": "1",
 "removal": "taxpaid"}
{"kind": "loss", "at": "2025-04-10", "lot": "W", "volume": "60 L", "reason": "lees"}
"""


def made(cellar: Vintage, year: int = 2024) -> Year:
    view = cellar.view()
    return report(view, year, view.day)


def test_where_the_vintage_is_and_went_fits_exactly(vintage: Vintage) -> None:
    vintage.load(WINE)
    facts = made(vintage)
    found = {one.what: Fraction(one.volume_l) for one in facts.fates}
    assert facts.entered_l == "1400"
    new = Fraction(1100, 1200)  # of W after a twelfth of older wine was blended in
    least = Fraction(1, 10**12)  # amounts are whole 10^-12 L, each part rounded down
    for what, litres in (
        ("in bottles", 1080 * 3 * new / 4),
        ("left in bottles", 120 * 3 * new / 4),
        ("in the cellar as wine", 240 * new),
    ):
        assert 0 <= litres - found[what] <= 3 * least, what
    assert sum(found.values()) == 1400
    assert found["pomace, lees, evaporation and other losses"] >= 300 + 60 * new


def test_every_stage_balances_and_says_what_was_lost_there(vintage: Vintage) -> None:
    vintage.load(WINE)
    must, wine, filled = made(vintage).stages
    _balances((must, wine, filled))
    new = Fraction(1100, 1200)
    assert (must.came_l, must.there_l) == ("1400", "0")
    assert [one.reason for one in must.lost] == [stages.ROUNDING]
    lost = {one.reason: Fraction(one.volume_l) for one in wine.lost}
    least = Fraction(1, 10**11)
    for reason, litres in (
        ("pomace and press", Fraction(300)),
        ("lees", 60 * new),
    ):
        assert abs(lost[reason] - litres) < least, reason
    assert abs(Fraction(wine.there_l) - 240 * new) < least
    assert abs(Fraction(filled.passed_l) - 900 * new) < least
    assert abs(Fraction(filled.left_l) - 120 * 3 * new / 4) < least
    assert abs(Fraction(filled.there_l) - 1080 * 3 * new / 4) < least


def _balances(stages: tuple[Stage, ...]) -> None:
    on = "0"
    for one in stages:
        assert one.passed_l == on
        came = Fraction(one.came_l) + Fraction(one.passed_l) + Fraction(one.gained_l)
        lost = sum(Fraction(each.volume_l) for each in one.lost)
        assert came == Fraction(one.on_l) + Fraction(one.left_l) + Fraction(one.there_l) + lost
        on = one.on_l
    assert on == "0", "bottles go nowhere"


def test_what_comes_back_did_not_leave_and_a_gauge_may_find_more(vintage: Vintage) -> None:
    vintage.load(WINE)
    before = made(vintage).stages[2]
    vintage.load("""
    {"kind": "return", "at": "2025-05-01", "lot": "B", "bottles": 120, "from_party": "Shop",
     "document": "1"}
    """)
    after = made(vintage).stages[2]
    assert (after.left_l, after.lost) == ("0", ())
    assert Fraction(after.there_l) > Fraction(before.there_l)
    vintage.load(
        '{"kind": "gauge", "at": "2025-05-02", "lot": "W", "volume": "250 L", "reason": "dip"}',
        ["gain"],
    )
    found = made(vintage).stages
    _balances(found)
    assert abs(Fraction(found[1].gained_l) - 10 * Fraction(1100, 1200)) < Fraction(1, 10**11)


@pytest.mark.parametrize("year", [2022, 2023, 2024])
def test_the_stages_of_the_example_balance_and_agree_with_where_it_is(
    example_ledger: Path, year: int
) -> None:
    with ledgers.opened(example_ledger, write=False, wait=5) as opened:
        view = View(opened)
        facts = report(view, year, view.day)
    _balances(facts.stages)
    must, wine, filled = facts.stages
    fate = {one.what: Fraction(one.volume_l) for one in facts.fates}
    near = Fraction(1, 10**9)
    assert abs(Fraction(filled.there_l) - fate["in bottles"]) < near
    assert abs(Fraction(filled.left_l) - fate["left in bottles"]) < near
    assert abs(Fraction(must.came_l) + Fraction(wine.came_l) - Fraction(facts.entered_l)) < near
    rest = [abs(Fraction(one.volume_l)) for one in must.lost if one.reason == stages.ROUNDING]
    assert sum(rest) < near, "every litre has an event"
    lost = sum(Fraction(each.volume_l) for one in facts.stages for each in one.lost)
    gained = sum(Fraction(one.gained_l) for one in facts.stages)
    assert abs(lost - gained - fate["pomace, lees, evaporation and other losses"]) < near


def test_the_picture_shows_every_end_once_and_the_findings_of_the_year_are_told(
    example_ledger: Path,
) -> None:
    with ledgers.opened(example_ledger, write=False, wait=5) as opened:
        view = View(opened)
        facts = report(view, 2023, view.day)
    text = printing.html(page(facts, "us"))
    for end in ("bottles here", "bottles that left", "in the cellar", "left in bulk"):
        assert text.count(f">{end}</text>") == 1, end
    assert "Left before release" in text
    assert sum(one.count for one in facts.findings) > 6


def test_the_harvest_is_weighed_and_set_against_its_acres(vintage: Vintage) -> None:
    vintage.load(WINE)
    facts = made(vintage)
    assert facts.mass_kg == "1814.36948"
    (row,) = facts.harvest
    assert (row.block, row.variety, row.tons_per_acre, row.brix) == ("Hill", "Syrah", "1.0", "24.1")


def test_what_was_bottled_is_told_with_what_its_label_may_not_say(vintage: Vintage) -> None:
    vintage.load(WINE)
    (row,) = made(vintage).bottlings
    assert (row.lot, row.cases, row.release_on, row.state) == (
        "B",
        "100.0",
        "2025-03-31",
        "released",
    )
    assert row.vintage_share.startswith("0.91666")
    assert row.verdict is not None


def test_fermentations_stock_and_the_year_before(vintage: Vintage) -> None:
    vintage.load(WINE)
    facts = made(vintage)
    assert [(one.lot, one.organism) for one in facts.ferments] == [("W", "EC")]
    assert {one.lot for one in facts.stock} == {"W", "OLD"}, "as of the end of 2024"
    assert made(vintage, 2023).entered_l == "700"


def test_a_year_without_a_harvest_is_refused(vintage: Vintage) -> None:
    vintage.load(WINE)
    with pytest.raises(Refused, match="nothing was picked in 2019"):
        made(vintage, 2019)


def test_the_page_says_the_facts_and_is_valid_and_the_same_twice(
    vintage: Vintage, tmp_path: Path
) -> None:
    vintage.load(WINE.replace('"organism": "EC"', '"organism": "<b>EC</b>"'))
    facts = made(vintage)
    text = printing.html(page(facts, "us"))
    assert "2.00 tons of fruit from one block" in text
    assert "<b>EC</b>" not in text
    assert "&lt;b&gt;EC&lt;/b&gt;" in text
    content = printing.pdf(page(facts, "metric")).content
    assert printing.pdf(page(facts, "metric")).content == content
    path = tmp_path / "v.pdf"
    path.write_bytes(content)
    found = validation.validate_pdf(str(path), profile=validation.ValidationProfile.PDF_UA_1)
    assert found.is_compliant, found


def test_the_tables_are_written_as_csv(vintage: Vintage, tmp_path: Path) -> None:
    vintage.load(WINE)
    facts = made(vintage)
    written = tables(facts, tmp_path / "tables")
    assert len(written) == 11
    with (tmp_path / "tables" / "2024-fates.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["volume_l"] for row in rows] == [one.volume_l for one in facts.fates]


def test_the_command_answers_as_agreed(example: Run, tmp_path: Path) -> None:
    told: Any = json.loads(example("vintage", "2023", "-o", str(tmp_path / "v.html"), "--json").out)
    assert set(told) == {"file", "pages", "head"}
    assert (tmp_path / "v.html").is_file()
