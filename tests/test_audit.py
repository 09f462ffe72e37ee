"""What an auditor is shown: everything odd, with the event, the lot and the words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from ampelog import ledger, moments
from ampelog.audit import audit
from ampelog.audit_sheet import changed, groups
from ampelog.gates import table
from ampelog.genealogy import Genealogy
from ampelog.oddities import business_days
from ampelog.questions import View
from tests.conftest import ZONE, Vintage
from tests.program import Run

pytest_plugins = ("tests.running",)

ID = "018f3b5c-0000-7000-9000-0000000000{}"


def found(vintage: Vintage, **days: str) -> dict[str, list[dict[str, Any]]]:
    """The findings by kind."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for row in audit(vintage.view(), table(), **days):
        rows.setdefault(row["finding"], []).append(row)
    return rows


@pytest.mark.parametrize(
    ("first", "last", "days"),
    [
        ("2024-10-04", "2024-10-04", 0),  # a Friday, the same day
        ("2024-10-04", "2024-10-06", 0),  # entered on Sunday
        ("2024-10-04", "2024-10-07", 1),  # on Monday
        ("2024-10-04", "2024-10-09", 3),  # on Wednesday: in time
        ("2024-10-04", "2024-10-10", 4),  # on Thursday: late
        ("2024-10-05", "2024-10-09", 3),  # Saturday's work
        ("2024-10-01", "2024-10-15", 10),
        ("2024-10-15", "2024-10-01", 0),
    ],
)
def test_business_days_are_counted_from_the_day_after(first: str, last: str, days: int) -> None:
    assert business_days(date.fromisoformat(first), date.fromisoformat(last)) == days


@pytest.fixture
def cellar(another: Callable[[], Vintage]) -> Vintage:
    """Recorded on the days they happened, but for what a test adds."""
    vintage = another()
    vintage.load(
        f"""
        {{"kind": "receive", "at": "2026-05-28", "lot": "W", "vessel": "T1", "volume": "1000 L",
         "ref": "BOL 7"}}
        {{"kind": "receive", "at": "2026-05-29", "id": "{ID.format("0a")}", "lot": "X",
         "vessel": "T2", "volume": "100 L"}}
        """
    )
    return vintage


def test_a_receipt_without_a_paper_is_told_and_one_with_it_is_not(cellar: Vintage) -> None:
    rows = found(cellar)
    assert [row["lot"] for row in rows["receipt without papers"]] == ["X"]
    assert "entered late" not in rows  # Thursday's and Friday's, entered on Monday


def test_what_is_entered_after_three_business_days_is_late(cellar: Vintage) -> None:
    later = moments.instant("2026-06-04T09:00", ZONE)
    cellar.load(
        """
        {"kind": "loss", "at": "2026-05-29", "lot": "W", "volume": "1 L", "reason": "spill"}
        {"kind": "loss", "at": "2026-06-01", "lot": "W", "volume": "2 L", "reason": "spill"}
        """,
        now=later,
    )
    late = found(cellar)["entered late"]
    assert [(row["on"], row["business_days"], row["entered_on"]) for row in late] == [
        ("2026-05-29", 4, "2026-06-04")
    ]


def test_gains_shortfalls_and_capacity_are_those_of_the_replay(cellar: Vintage) -> None:
    cellar.load(
        """
        {"kind": "rack", "at": "2026-05-30", "from": {"lot": "W", "vessel": "T1", "volume": "100 L"},
         "to": {"lot": "W", "vessel": "T3", "volume": "90 L"}}
        {"kind": "rack", "at": "2026-05-30T10:00", "from": {"lot": "W", "vessel": "T1",
         "volume": "100 L"}, "to": {"lot": "W", "vessel": "T3", "volume": "90 L"},
         "loss": "a hose burst"}
        {"kind": "gauge", "at": "2026-05-31", "lot": "X", "volume": "103 L", "reason": "dip"}
        {"kind": "rack", "at": "2026-05-31T10:00", "from": {"lot": "W", "vessel": "T1",
         "volume": "226 L"}, "to": {"lot": "W", "vessel": "B1", "volume": "226 L"}}
        """,
        odd=["gain", "large shortfall", "over capacity"],
    )
    rows = found(cellar)
    assert len(rows["large shortfall"]) == len(rows["gain"]) == len(rows["over capacity"]) == 1
    assert "a hose burst" in rows["shortfall explained"][0]["says"]
    assert rows["gain"][0]["severity"] == "look"
    assert set(found(cellar, since="2026-05-31", until="2026-05-31")) == {"gain", "over capacity"}


def test_a_correction_stands_before_and_after(cellar: Vintage) -> None:
    cellar.load(
        f"""{{"kind": "correct", "at": "2026-06-01", "corrects": "{ID.format("0a")}",
        "reason": "the tag says 110", "replacement": {{"kind": "receive", "at": "2026-05-29",
        "lot": "X", "vessel": "T2", "volume": "110 L"}}}}"""
    )
    (row,) = found(cellar)["correction"]
    assert "100 L" in row["before"]
    assert "110 L" in row["after"]
    assert (row["lot"], row["reason"]) == ("X", "the tag says 110")
    (group,) = [one for one in groups([row]) if one.title == "Corrections"]
    assert "Now: Received 110 L" in group.lines[0][3]


def test_a_hold_in_force_names_what_it_binds_and_a_cleared_one_is_gone(cellar: Vintage) -> None:
    cellar.load(
        f"""
        {{"kind": "hold", "at": "2026-05-30", "id": "{ID.format("0b")}", "lot": "W",
         "reason": "second sample"}}
        {{"kind": "rack", "at": "2026-05-31", "from": {{"lot": "W", "volume": "10 L"}},
         "to": {{"lot": "Y", "vessel": "T3", "volume": "10 L"}}}}
        """
    )
    (row,) = found(cellar)["hold in force"]
    assert (row["holds"], row["severity"]) == (["W", "Y"], "serious")
    cellar.load(
        f"""{{"kind": "clear", "at": "2026-06-01", "hold": "{ID.format("0b")}", "reason": "fine"}}"""
    )
    assert "hold in force" not in found(cellar)


def test_a_statement_that_a_correction_ends_is_told_as_no_longer_so(
    another: Callable[[], Vintage],
) -> None:
    vintage = another()
    vintage.load(
        f"""
        {{"kind": "label", "at": "2024-01-01", "name": "Syrah", "style": "dry red",
         "market": ["us"], "statements": {{"variety": ["Syrah"], "appellation": "North"}}}}
        {{"kind": "receive", "at": "2025-01-01", "id": "{ID.format("0c")}", "lot": "A",
         "vessel": "T1", "volume": "750 L", "state": "wine",
         "composition": [{{"share": "1", "variety": "Syrah", "within": ["North"]}}]}}
        {{"kind": "bottle", "at": "2025-02-01", "from": {{"lot": "A", "all": true}},
         "to": {{"lot": "A24", "bottles": 1000, "format": "750 mL", "label": "Syrah"}}}}
        """
    )
    assert "statement no longer supported" not in found(vintage)
    vintage.load(
        f"""{{"kind": "correct", "at": "2026-05-01", "corrects": "{ID.format("0c")}",
        "reason": "the bill says half", "replacement": {{"kind": "receive", "at": "2025-01-01",
        "lot": "A", "vessel": "T1", "volume": "750 L", "state": "wine", "composition": [
        {{"share": "1/2", "variety": "Syrah", "within": ["North"]}},
        {{"share": "1/2", "variety": "Merlot", "within": ["North"]}}]}}}}"""
    )
    rows = found(vintage)
    assert {row["lot"] for row in rows["statement no longer supported"]} == {"A24"}
    assert any("Syrah" in row["statement"] for row in rows["statement no longer supported"])


def test_a_bottling_is_judged_by_what_was_known_before_it(another: Callable[[], Vintage]) -> None:
    vintage = another()
    vintage.load(
        """
        {"kind": "lot", "at": "2025-01-01", "name": "A", "style": "dry red"}
        {"kind": "receive", "at": "2025-01-01", "lot": "A", "vessel": "T1", "volume": "750 L",
         "state": "wine"}
        {"kind": "analysis", "at": "2025-01-31", "lot": "A", "values": {"va": "1.60"}}
        {"kind": "bottle", "at": "2025-02-01", "from": {"lot": "A", "all": true},
         "to": {"lot": "A24", "bottles": 1000, "format": "750 mL"}}
        {"kind": "analysis", "at": "2025-02-02", "lot": "A24", "values": {"va": "0.60"}}
        """
    )
    rows = found(vintage)
    (failing,) = rows["bottled with a gate failing"]
    assert failing["lot"] == "A24"
    assert "volatile acidity" in failing["says"]
    assert "B30" in rows["bottled without a record"][0]["gates"]


def test_what_changed_keeps_some_words_around_it() -> None:
    assert changed("a b c d e f g h i X j k", "a b c d e f g h i Y j k") == (
        "… c d e f g h i X j k",
        "… c d e f g h i Y j k",
    )
    assert changed("same", "same") == ("same", "same")
    assert changed("one two", "struck out") == ("one two", "struck out")


def test_the_page_and_the_lists(example: Run, tmp_path: Path) -> None:
    told = example("audit", "--since", "2026-01-01", "-o", "audit.html", "--json")
    assert told.code == 0
    assert {"finding", "event", "lot", "says"} <= told.json[0].keys()
    page = (tmp_path / "audit.html").read_text(encoding="utf-8")
    assert "Holds in force" in page
    assert "Corrections, before and after" in page
    assert "Chipped rings" in page
    words = example("audit", "--since", "2026-01-01").out
    assert "without holidays" in words
    refused = example("audit", "-o", "audit.txt")
    assert refused.code == 2
    assert not (tmp_path / "audit.txt").exists()


def test_what_is_read_once_for_many_lots_changes_no_answer(
    example_ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asked() -> list[dict[str, Any]]:
        with ledger.opened(example_ledger) as opened:
            return audit(View(opened), table())

    shared = asked()
    monkeypatch.setattr(View, "foresee", lambda _view, _lots: None)
    monkeypatch.setattr(View, "leaves", lambda _view, _when: {})
    monkeypatch.setattr(View, "genealogy", lone(View.genealogy))
    assert asked() == shared
    found = {row["finding"] for row in shared}
    assert {"statement not supported", "statement undetermined"} <= found, "labels are judged"


def lone(genealogy: Callable[..., Genealogy]) -> Callable[..., Genealogy]:
    """The graph read anew for each question."""

    def read(view: View, content: Any, *, labels: bool = False) -> Genealogy:
        view._graph = None
        return genealogy(view, content, labels=labels)

    return read
