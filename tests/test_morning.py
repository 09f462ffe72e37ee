"""The morning: what ferments, what else needs a look, and the page to write on."""

from __future__ import annotations

import re
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from ampelog import morning_page
from ampelog.curve_charts import SPARK_HEIGHT, SPARK_WIDTH, spark
from ampelog.morning import Morning, morning
from ampelog.story import Point
from tests.conftest import Vintage
from tests.program import Run

pytest_plugins = ("tests.running",)

DAY = "2024-09-20"
HOLD = "018f3b5c-0000-7000-9000-0000000000aa"
CELLAR = """
{"kind": "vessel", "at": "2020-01-01", "name": "T1", "capacity": "1000 L"}
{"kind": "vessel", "at": "2020-01-01", "name": "T2", "capacity": "1000 L"}
{"kind": "vessel", "at": "2020-01-01", "name": "T3", "capacity": "1000 L"}
{"kind": "vessel", "at": "2020-01-01", "name": "F1", "capacity": "2000 L"}
{"kind": "receive", "at": "2024-01-01", "lot": "Half", "vessel": "T1", "volume": "500 L"}
{"kind": "receive", "at": "2024-01-01", "lot": "Full", "vessel": "T2", "volume": "950 L"}
{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "G", "mass": "2000 kg"}
{"kind": "crush", "at": "2024-09-11T08:00", "from": {"lot": "G", "all": true},
 "to": {"lot": "M", "vessel": "F1", "volume": "1000 L"}}
"""
FERMENTING = """
{"kind": "ferment", "at": "2024-09-12T08:00", "lot": "M", "culture": "alcoholic", "stage": "start",
 "organism": "EC", "regime": {"pump_over": {"on_hours": "1", "off_hours": "7"}}}
{"kind": "reading", "at": "2024-09-13T08:00", "lot": "M", "vessel": "F1", "brix": "24.0",
 "temperature": "22 C"}
{"kind": "reading", "at": "2024-09-17T08:00", "lot": "M", "vessel": "F1", "brix": "8.0"}
{"kind": "reading", "at": "2024-09-20T07:00", "lot": "M", "vessel": "F1", "brix": "7.4",
 "temperature": "27 C"}
"""


def asked(vintage: Vintage, day: str = DAY) -> Morning:
    return morning(vintage.view(day), date.fromisoformat(day))


def looks(found: Morning) -> list[tuple[str, str, str]]:
    """What the page says beside the fermentations: what, where and which lots."""
    return [
        (row["what"], ", ".join(row["vessels"]), ", ".join(row["lots"]))
        for row in morning_page._looks(found, "metric")
    ]


def test_a_fermentation_is_one_row_with_its_sugar_and_temperature(vintage: Vintage) -> None:
    vintage.load(CELLAR + FERMENTING)
    (row,) = asked(vintage).ferments
    told = {key: row[key] for key in ("lot", "vessel", "day", "value", "per_day", "temperature")}
    assert told == {
        "lot": "M",
        "vessel": "F1",
        "day": 9,
        "value": "7.4",
        "per_day": "-0.2028",
        "temperature": "27 C",
    }
    assert (row["state"], row["temperature_on"]) == ("stuck", DAY)
    assert morning_page.answer(asked(vintage)) == "One fermentation: 1 stuck."


def test_wine_that_does_not_ferment_is_told_above_the_limit_alone(vintage: Vintage) -> None:
    vintage.load(CELLAR)
    found = asked(vintage)
    # 950 L of 1000 L are at the limit; must, half of its vessel, is no wine.
    assert [(row["vessel"], row["part"]) for row in found.room] == [("T1", Fraction(1, 2))]
    vintage.load(
        '{"kind": "loss", "at": "2024-09-19", "lot": "Full", "volume": "1 mL", "reason": "sample"}'
    )
    assert [row["vessel"] for row in asked(vintage).room] == ["T1", "T2"]


def test_a_vessel_over_its_capacity_is_told_first(vintage: Vintage) -> None:
    vintage.load(
        CELLAR + '{"kind": "receive", "at": "2024-01-01", "lot": "Much", "vessel": "T3", '
        '"volume": "1010 L"}',
        odd=["over capacity"],
    )
    found = asked(vintage)
    assert looks(found)[0] == ("over capacity", "T3", "Much")
    assert found.over[0]["room_l"] == "-10"
    first = next(morning_page._looks(found, "metric"))
    assert first["says"] == "10.0 L more than it holds"


def test_a_hold_is_told_with_the_vessels_that_it_binds(vintage: Vintage) -> None:
    vintage.load(CELLAR)
    vintage.load(
        '{"kind": "rack", "at": "2024-02-01", "from": {"lot": "Half", "volume": "100 L"}, '
        '"to": {"lot": "Half", "vessel": "T3", "volume": "100 L"}}\n'
        f'{{"kind": "hold", "at": "2024-03-01", "id": "{HOLD}", "lot": "Half", "vessel": "T3", '
        '"reason": "smells of nail polish"}'
    )
    (row,) = asked(vintage).holds
    assert (row["since"], row["reason"]) == ("2024-03-01", "smells of nail polish")
    assert (row["lots"], row["vessels"]) == (["Half"], ["T3"])
    assert asked(vintage, "2024-02-15").holds == []
    vintage.load(
        f'{{"kind": "clear", "at": "2024-04-01", "hold": "{HOLD}", "reason": "gone after racking"}}'
    )
    assert asked(vintage).holds == []


def test_a_rest_that_is_over_is_told_until_it_is_released(vintage: Vintage) -> None:
    vintage.load(
        CELLAR
        + '{"kind": "label", "at": "2020-01-01", "name": "L", "rest": "3 months"}\n'
        + '{"kind": "bottle", "at": "2024-05-01", "from": {"lot": "Half", "volume": "90 L"}, '
        '"to": {"lot": "B", "bottles": 120, "format": "750 mL", "label": "L"}}'
    )
    assert asked(vintage, "2024-07-31").bottles == []
    (row,) = asked(vintage).bottles
    assert (row["lot"], row["state"], row["release_on"]) == ("B", "due", "2024-08-01")
    vintage.load('{"kind": "release", "at": "2024-09-01", "lot": "B"}')
    assert asked(vintage).bottles == []


def test_an_empty_cellar_has_nothing(vintage: Vintage) -> None:
    found = asked(vintage)
    assert (found.ferments, found.looks) == ([], 0)
    assert morning_page.answer(found) == "Nothing ferments."


# --- the curve ---


def test_a_curve_stands_on_one_scale_of_days_and_brix() -> None:
    drawn = spark([Point("0", "30"), Point("14", "0")], "says")
    path = re.search(r'<path d="(M[^"]*L[^"]*)"', drawn)
    assert path is not None
    found = [tuple(map(Fraction, point.split())) for point in path[1].removeprefix("M").split("L")]
    width, height = Fraction(SPARK_WIDTH, 100), Fraction(SPARK_HEIGHT, 100)
    edge = Fraction(5, 2)
    assert found == [(edge, edge), (width - edge, height - edge)]


def test_what_lies_outside_a_curve_is_left_out_or_kept_inside() -> None:
    drawn = spark([Point("-1", "20"), Point("3", "-1.5"), Point("15", "5")], "says")
    assert drawn.count("<circle") == 1
    assert 'cy="19.5"' in drawn, "below nothing is kept at nothing"


def test_the_words_of_a_curve_are_escaped() -> None:
    assert "<b>" not in spark([], "<b>")


# --- the page ---


def text_of(page: Path) -> str:
    """The page without its tags and style."""
    body = re.sub(r"<style>.*?</style>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", body).split())


def test_the_page_of_a_harvest_morning(example: Run, tmp_path: Path) -> None:
    told = example("sheet", "morning", "--as-of", "2023-10-15", "-o", "m.html", "--json")
    assert told.code == 0, told.err
    assert told.json["file"] == "m.html"
    page = text_of(tmp_path / "m.html")
    assert "5 fermentations: 1 stuck." in page
    order = [page.index(f"{vessel} 23-") for vessel in ("F5", "F3", "F1", "F2", "F6")]
    assert order == sorted(order), "the stuck one first, then by lot"
    assert "F5 23-GR-B 11 4.5 -0.1 15 October 2023 23 C" in page
    assert "above 2.0 Brix, and less than 0.5 Brix a day over two days" in page
    assert "2 punch-downs a day" in page
    assert "Ventilate and read the gas meter" in page
    assert "64 % empty: room for 711.0 gal of 1,100.0 gal" in page
    assert "proposals: common practice, no source" in page
    whole = (tmp_path / "m.html").read_text(encoding="utf-8")
    assert whole.count("<svg") == 5
    assert whole.count('class="box wide"') == 5 * 2 + 10, "two figures each; what was done"
    assert whole.count('class="box rest"') == 5


def test_without_a_fermentation_the_page_has_the_rest(example: Run, tmp_path: Path) -> None:
    told = example("sheet", "morning", "--as-of", "2026-11-25", "-o", "m.html")
    assert told.code == 0, told.err
    page = text_of(tmp_path / "m.html")
    assert "Nothing ferments. 9 other things need a look." in page
    assert "Fermentations" not in page
    assert "on hold P-17 24-LONG since 2026-11-17" in page
    assert "plate BLH24 cells are counted on a plate" in page
    assert "rest is over BSY22-LIB" in page
    assert "Ventilate and read the gas meter" in page


def test_the_page_is_a_pdf_too(example: Run, tmp_path: Path) -> None:
    told = example("sheet", "morning", "--as-of", "2023-10-15", "-o", "m.pdf", "--paper", "a4")
    assert told.code == 0, told.err
    assert (tmp_path / "m.pdf").read_bytes().startswith(b"%PDF-")
    assert example("sheet", "morning", "-o", "m.csv").code == 2
    assert example("sheet", "morning", "--blind", "-o", "m.pdf").code == 2


def test_names_are_data(cellar: Run, tmp_path: Path) -> None:
    lines = [
        '{"kind":"receive","at":"2025-09-01","lot":"<b>M</b>","vessel":"<i>T</i>","state":"must",'
        '"volume":"100 L"}',
        '{"kind":"ferment","at":"2025-09-01","lot":"<b>M</b>","culture":"alcoholic","stage":"start",'
        '"organism":"<script>"}',
        '{"kind":"hold","at":"2025-09-02","lot":"<b>M</b>","reason":"<u>so</u>"}',
    ]
    (tmp_path / "more.jsonl").write_text("\n".join(lines), encoding="utf-8")
    assert cellar("load", "more.jsonl").code == 0
    told = cellar("sheet", "morning", "--as-of", "2025-09-03", "-o", "m.html")
    assert told.code == 0, told.err
    page = (tmp_path / "m.html").read_text(encoding="utf-8")
    for tag in ("<b>M", "<i>T", "<u>so", "<script"):
        assert tag not in page
    for text in ("&lt;b&gt;M", "&lt;i&gt;T", "&lt;u&gt;so"):
        assert text in page


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([], "Nothing ferments."),
        (["fermenting"], "One fermentation, none slow or stuck."),
        (["stuck", "slow", "slow", "fermenting"], "4 fermentations: 1 stuck and 2 slow."),
        (["slow", "finished"], "2 fermentations: 1 slow."),
    ],
)
def test_the_answer_counts_what_is_wrong(rows: list[str], says: str) -> None:
    ferments: list[dict[str, Any]] = [{"state": state} for state in rows]
    assert morning_page.answer(Morning(ferments, [], [], [], [])) == says
