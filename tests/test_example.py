"""The example: it loads, balances, and its labels stand where its story says."""

from __future__ import annotations

import json
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from ampelog import cli

TOP = Path(__file__).resolve().parent.parent
FILES = sorted(str(path) for path in (TOP / "example_vintage").glob("*.jsonl"))


def ask(*words: str) -> tuple[int, Any]:
    """Exit code and JSON of a command."""
    out = StringIO()
    with redirect_stdout(out):
        code = cli.main([*words, "--json"])
    return code, json.loads(out.getvalue() or "null")


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The example in a ledger, loaded file by file."""
    path = tmp_path_factory.mktemp("example") / "cellar.duckdb"
    at = ("--ledger", str(path))
    init = ("init", "--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")
    assert cli.main([*at, *init]) == 0
    for file in FILES:
        assert cli.main([*at, "load", file]) == 0
    return at


def test_file_by_file_and_in_one_call_lead_to_the_same_cellar(
    example: tuple[str, str], tmp_path: Path
) -> None:
    at = ("--ledger", str(tmp_path / "one.duckdb"))
    init = ("init", "--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")
    assert cli.main([*at, *init]) == 0
    assert cli.main([*at, "load", *FILES]) == 0
    for question in (("lots",), ("balance",), ("composition", "CRS23", "--by", "block,vintage")):
        assert ask(*at, *question) == ask(*example, *question)


def test_it_verifies_and_balances(example: tuple[str, str]) -> None:
    code, answer = ask(*example, "verify")
    assert (code, answer["ok"]) == (0, True)
    code, rows = ask(*example, "balance")
    assert len(rows) > 100
    assert {row["difference"] for row in rows} == {"0"}


def test_known_again_it_changes_nothing(example: tuple[str, str]) -> None:
    before = ask(*example, "log", "--kind", "premises")
    code, answer = ask(*example, "load", *FILES)
    assert (code, answer["recorded"], answer["known"]) == (0, 0, 899)
    assert ask(*example, "log", "--kind", "premises") == before


def test_a_label_fails_its_vintage_by_a_hair(example: tuple[str, str]) -> None:
    code, answer = ask(*example, "claims", "BSY23")
    assert (code, answer["verdict"]) == (1, "refused")
    (row,) = [row for row in answer["claims"] if row["verdict"] == "refused"]
    assert row["claim"] == "vintage"
    assert row["required"] == "0.95"
    assert row["actual"].startswith("0.949")


def test_another_stands_exactly_on_its_threshold(example: tuple[str, str]) -> None:
    code, answer = ask(*example, "claims", "STL24")
    assert (code, answer["verdict"]) == (0, "supported")
    (row,) = [row for row in answer["claims"] if row["required"] == "0.75"]
    assert row["actual"].rstrip("0") == "0.75"
    assert row["margin"].strip("0.") == ""


def test_missing_papers_leave_one_undetermined(example: tuple[str, str]) -> None:
    code, answer = ask(*example, "claims", "CRS23")
    assert (code, answer["verdict"]) == (1, "undetermined")


def test_what_was_known_before_the_correction_is_still_asked(example: tuple[str, str]) -> None:
    before = ask(*example, "composition", "23-SC", "--known-on", "519", "--as-of", "2024-02-01")
    after = ask(*example, "composition", "23-SC", "--as-of", "2024-02-01")
    assert before[0] == after[0] == 0
    assert ask(*example, "balance", "--known-on", "519") != ask(
        *example, "balance", "--as-of", "2024-02-28"
    )


@pytest.mark.parametrize("lot", ["STL24", "CFS23-US", "FRR24"])
def test_a_trace_sums_to_one_and_names_the_regimes(example: tuple[str, str], lot: str) -> None:
    _, answer = ask(*example, "trace", lot)
    shares = [int(row["share"].replace(".", "")) for row in answer["sources"]]
    assert sum(shares) == 10**30
    assert any(one["regime"] for row in answer["through"] for one in row["ferment"])
