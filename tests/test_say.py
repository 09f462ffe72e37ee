"""Answers for people: rounded toward refusal, plain when piped, harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
import sys
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import say, typeset
from ampelog.errors import Finding

GALLON = Fraction("3.785411784")
"""Litres of a US gallon, exactly (NIST Handbook 44, appendix C)."""
POUND = Fraction("0.45359237")
"""Kilograms of a pound, exactly (the same)."""


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


# --- figures ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "decimals", "shown"),
    [
        ("0.75", 2, "75.00 %"),
        ("0.949999999999", 2, "94.99 %"),
        ("0.749999999999999999999999999999", 3, "74.999 %"),
        ("1", 2, "100.00 %"),
        ("0.999999999999999999999999999999", 2, "99.99 %"),
        ("0.000000000000000000000000000001", 4, "0.0000 %"),
        ("0.000000000000000000000000000000", 2, "0.00 %"),
        (None, 2, ""),
    ],
)
def test_a_percentage_is_never_rounded_up(share: str | None, decimals: int, shown: str) -> None:
    assert say.percent(share, decimals) == shown


@given(st.decimals(0, 1, places=30), st.integers(0, 6))
def test_a_percentage_is_the_nearest_below(share: Decimal, decimals: int) -> None:
    shown = Fraction(say.percent(format(share, "f"), decimals).removesuffix(" %"))
    assert 0 <= Fraction(share) * 100 - shown < Fraction(1, 10**decimals)


def test_a_row_of_a_partition_is_told_as_what_it_stands_for() -> None:
    """Its thirtieth decimal is the residue's: the largest row takes it."""
    assert say.part("0.749999999999999999999999999999", 4) == "75.0000 %"
    assert say.part("0.749999999999999999999999999997", 4) == "74.9999 %"
    assert say.part("0.333333333333333333333333333333", 2) == "33.33 %"
    assert say.part("1.000000000000000000000000000000", 2) == "100.00 %"


@given(st.decimals(0, 10**9, places=12))
def test_a_volume_or_mass_is_the_nearest(amount: Decimal) -> None:
    exactly, text = Fraction(amount), format(amount, "f")
    ways: list[tuple[str, str, int | Fraction, int]] = [
        (say.volume(text, "us"), " gal", GALLON, 10),
        (say.volume(text, "metric"), " L", 1, 10),
        (say.mass(text, "us"), " lb", POUND, 1),
        (say.mass(text, "metric"), " kg", 1, 10),
    ]
    for shown, unit, size, parts in ways:
        told = shown.removesuffix(unit).replace(",", "")
        if told.startswith("<"):
            assert 0 < exactly / size < Fraction(told[1:]) / 2
        else:
            assert abs(exactly / size - Fraction(told)) <= Fraction(1, 2 * parts)
            assert Fraction(told) or not exactly, "nothing is told of what is there"


def test_a_barrel_for_reading() -> None:
    """A 60 gal barrel is about 25 cases of 9 L (common practice, no source)."""
    assert say.volume("227.12470704", "us") == "60.0 gal"
    assert say.volume("227.12470704", "metric") == "227.1 L"
    assert 25 <= Decimal("227.12470704") / 9 < 26


def test_a_volume_reads_as_it_does_on_paper() -> None:
    amounts = typeset.Amounts("us", "L")
    for litres in ("1896", "0.04", "227.12470704", "9000"):
        paper = amounts.amount(litres).replace(typeset.THIN, "")
        assert (
            say.volume(litres, "us").replace(",", "").replace(".0 ", "").replace(" ", "") == paper
        )


# --- tables -----------------------------------------------------------------------------------


def test_a_table_is_plain_and_lines_up(capsys: pytest.CaptureFixture[str]) -> None:
    say.table([["A", "12.0 gal"], ["Mourvèdre", "1,000.0 gal"]], ["lot", "held"], right=(1,))
    assert capsys.readouterr().out == (
        "lot               held\n"
        "──────────────────────\n"
        "A             12.0 gal\n"
        "Mourvèdre  1,000.0 gal\n"
    )


def test_wide_and_combining_letters_line_up(capsys: pytest.CaptureFixture[str]) -> None:
    say.table([["葡萄", "x"], ["e\u0301", "x"]], ["lot", "in"])
    rows = capsys.readouterr().out.splitlines()[2:]
    assert rows == ["葡萄  x", "e\u0301     x"]


def test_what_is_too_wide_wraps_in_its_column(capsys: pytest.CaptureFixture[str]) -> None:
    words = "racked " * 30
    say.table([["1", words.strip(), "9"]], ["no.", "what", "end"], right=(0, 2))
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= say.PIPED for line in lines)
    assert " ".join(lines[2:]).split().count("racked") == 30
    assert len(lines) > 3


def test_a_table_without_rows_has_its_heads(capsys: pytest.CaptureFixture[str]) -> None:
    say.table([], ["lot", "held"])
    assert capsys.readouterr().out.splitlines()[0] == "lot  held"


def test_a_verdict_has_a_mark_and_a_word(capsys: pytest.CaptureFixture[str]) -> None:
    """It is told by shape and word, never by colour alone."""
    rows = [([said, "vintage: 2024"], "because") for said in say.VERDICTS.values()]
    say.paired(rows)
    out = capsys.readouterr().out
    for mark, said in zip("✓✗?", say.VERDICTS.values(), strict=True):
        assert f"{mark} {said}" in out
    assert out.count("because") == 3
    assert "\033" not in out


@pytest.mark.parametrize(("no_colour", "coloured"), [("", True), ("1", False)])
def test_colour_is_for_terminals_that_want_it(
    monkeypatch: pytest.MonkeyPatch, no_colour: str, coloured: bool
) -> None:
    """NO_COLOR turns it off when set to anything (https://no-color.org)."""
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    monkeypatch.setenv("NO_COLOR", no_colour)
    say.paired([(["not supported by the records", "x"], "because")])
    say.line("heading", "bold")
    assert ("\033[" in terminal.getvalue()) is coloured
    assert "not supported by the records" in terminal.getvalue()


# --- text from events is data -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("Mourvèdre, 葡萄", "Mourvèdre, 葡萄"),
        ("\033[31mred", "\\u001b[31mred"),
        ("turned \u202e round", "turned \\u202e round"),
        ("bell\a", "bell\\u0007"),
        ("one\r", "one\\u000d"),
        ("two\nlines", "two\nlines"),
    ],
)
def test_control_characters_are_shown_and_not_obeyed(text: str, shown: str) -> None:
    assert say.clean(text) == shown


@given(st.text(max_size=40))
def test_no_text_of_an_event_reaches_a_terminal_unclean(text: str) -> None:
    assert all(char.isprintable() or char == "\n" for char in say.clean(text))


def test_a_finding_says_where_what_which_rule_and_what_next(
    capsys: pytest.CaptureFixture[str],
) -> None:
    odd = Finding("gain", "f.jsonl:3", "3 L above\033 the book", "look again")
    say.findings([odd], "error")
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err == (
        "error: f.jsonl:3: 3 L above\\u001b the book  [gain]\n  hint: look again\n"
    )


# --- CSV --------------------------------------------------------------------------------------

TRIGGERS = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a cell for a formula (OWASP, CSV Injection)."""


@given(
    st.lists(
        st.dictionaries(st.sampled_from(["lot", "note", "share"]), st.text(), min_size=1),
        min_size=1,
        max_size=5,
    )
)
def test_no_cell_of_text_is_a_formula_and_nothing_is_lost(rows: list[dict[str, str]]) -> None:
    text = say.as_csv(rows)
    heads, *read = list(csv.reader(io.StringIO(text, newline="")))
    assert len(read) == len(rows)
    for row, cells in zip(rows, read, strict=True):
        for head, cell in zip(heads, cells, strict=True):
            given = row.get(head, "")
            assert cell in (given, f"'{given}")
            number = cell.removeprefix("-").replace(".", "", 1).isdigit()
            assert number or not cell.startswith(TRIGGERS)


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (None, ""),
        (True, "true"),
        (False, "false"),
        (12, "12"),
        ("-0.000010", "-0.000010"),
        ("-1-1", "'-1-1"),
        ("- 1", "'- 1"),
        (" =1", "' =1"),
        ("＝1", "'＝1"),
        ("a\n=1", "'a\n=1"),
        ("-", "'-"),
        ("-.5", "'-.5"),
        ("-٥", "'-٥"),
        ([{"vessel": "T1"}], '[{"vessel": "T1"}]'),
        ({}, "{}"),
    ],
)
def test_a_cell_is_what_it_says(value: object, cell: str) -> None:
    (head, row) = csv.reader(io.StringIO(say.as_csv([{"a": value}]), newline=""))
    assert (head, row) == (["a"], [cell])


def test_a_list_of_nothing_is_no_csv() -> None:
    assert say.as_csv([]) == ""
