"""What people read on a terminal: an answer also where there is nothing, and figures with units."""

from __future__ import annotations

from pathlib import Path

import pytest

from ampelog import readout
from tests.program import Run

pytest_plugins = ("tests.running",)

NOTHING = {
    "log --lot Z": "There is no such event.\n",
    "lots --as-of 2024-01-01": "Nothing is held.\n",
    "trace C24 --forward": "C24 is in no other lot.\n",
}


@pytest.mark.parametrize("words", NOTHING)
def test_an_answer_of_nothing_is_said(cellar: Run, words: str) -> None:
    answer = cellar(*words.split())
    assert (answer.code, answer.out, answer.err) == (0, NOTHING[words], "")
    assert cellar(*words.split(), "--json").code == 0


def test_a_lot_that_does_not_exist_is_not_answered_with_how_to_make_one(cellar: Run) -> None:
    assert "hint: `ampelog lots` lists what is in the cellar" in cellar("trace", "QQQQ").said


def test_what_is_empty_holds_nothing(cellar: Run) -> None:
    row = next(line for line in cellar("trace", "A", "--forward").out.splitlines() if "C " in line)
    assert row.split() == ["C", "75.000", "%", "nothing"]
    assert cellar("composition", "C").out.startswith("C, as it was last held\n")


def test_a_balance_is_read_in_the_units_asked_for_and_says_what_was_lost_to(cellar: Run) -> None:
    lost = '{"kind":"loss","at":"2025-06-02","lot":"A","volume":"2 gal","reason":"%s"}\n'
    Path("lost.jsonl").write_text(lost % "lees" + lost % "spill", encoding="utf-8")
    assert cellar("load", "lost.jsonl").code == 0
    head, _, *rows = cellar("balance", "A").out.splitlines()
    assert head.split() == [
        *["lot", "unit", "opening", "in", "out", "lost", "gained", "held", "difference"],
        "lost",
        "to",
    ]
    assert rows[0].split()[:2] == ["A", "gal"]
    assert rows[0].split()[3:] == [
        *("200.0", "150.0", "4.0", "0.0", "46.0", "0.0"),
        *("lees", "2.0,", "spill", "2.0"),
    ]
    assert "  757.1  " in cellar("balance", "A", "--units", "metric").out
    bottled = cellar("balance", "C").out.splitlines()[2].split()
    assert bottled[-2:] == ["0.0", "bottling"]
    fruit = cellar("balance", "F1").out.splitlines()[2].split()
    assert fruit[:4] == ["F1", "lb", "0", "2,205"]


def test_yes_and_no_are_words(cellar: Run) -> None:
    assert cellar("composition", "C24", "--by", "estate").out.splitlines()[3].split() == [
        *("unknown", "100.0000", "%")
    ]
    again = ("at=2020-01-01", "name=Hill", "estate=true")
    assert cellar("record", "block", *again).code == 0
    words = {
        line.split()[0]
        for line in cellar("composition", "C24", "--by", "estate").out.splitlines()[3:]
    }
    assert words == {"yes", "unknown"}


def test_places_are_said_to_overlap(cellar: Run) -> None:
    said = "Places lie within one another: these shares overlap.\n"
    assert cellar("composition", "C24", "--by", "place").out.endswith(said)


def test_a_correction_names_its_original_by_its_number(cellar: Run) -> None:
    noted = "018f3b5c-0000-7000-8000-0000000000aa"
    first = ("at=2025-06-02", "lot=A", "text=Closed.", f"id={noted}")
    assert cellar("record", "note", *first).code == 0
    struck = (
        "at=2025-06-03",
        f"corrects={noted.upper()}",
        "reason=Another lot",
        "replacement=null",
    )
    assert cellar("record", "correct", *struck).code == 0
    out = cellar("log", "--kind", "correct").out
    assert "Corrected event 15 (Another lot); it is struck out." in out


def test_verify_says_what_it_checked(cellar: Run) -> None:
    out = cellar("verify").out
    assert "14 events of the log checked\n14 lines of the journal checked\n" in out


@pytest.mark.parametrize(
    ("row", "shown"),
    [
        ({"verdict": "supported", "headroom_l": "3.97"}, "1.0 gal more"),
        ({"verdict": "supported", "headroom_l": "0.3"}, "<0.1 gal more"),
        ({"verdict": "supported", "headroom_l": None}, "nothing ends it"),
        ({"verdict": "refused", "earned_l": "3.8"}, "1.1 gal would earn it"),
    ],
)
def test_what_may_be_added_is_never_rounded_up_nor_what_is_needed_down(
    row: dict[str, str | None], shown: str
) -> None:
    assert readout._room(row, "us") == shown
