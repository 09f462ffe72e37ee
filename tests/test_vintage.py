"""The annual vintage report: its facts fit the ledger exactly, and its page says the facts."""

from __future__ import annotations

import csv
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import page as validation
import pytest

from ampelog import printing
from ampelog.errors import Refused
from ampelog.year import Year
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
    assert len(written) == 8
    with (tmp_path / "tables" / "2024-fates.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["volume_l"] for row in rows] == [one.volume_l for one in facts.fates]


def test_the_command_answers_as_agreed(example: Run, tmp_path: Path) -> None:
    told: Any = json.loads(example("vintage", "2023", "-o", str(tmp_path / "v.html"), "--json").out)
    assert set(told) == {"file", "pages", "head"}
    assert (tmp_path / "v.html").is_file()
