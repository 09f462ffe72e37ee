"""A load that is killed at any moment leaves whole sealed loads only."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from ampelog import cli, ledger

KILLS = 50
EVENTS = 3000
PROGRAM = [sys.executable, "-m", "ampelog"]


def events(first: int) -> str:
    """A file of receipts and toppings, each with its id."""
    lines = []
    for number in range(first, first + EVENTS, 2):
        lot, vessel = f"L{number}", f"V{number}"
        when = (datetime(2001, 1, 1) + timedelta(minutes=number)).isoformat()
        receipt = {"kind": "receive", "at": when, "lot": lot, "vessel": vessel, "volume": "100 L"}
        lost = {"kind": "loss", "at": when, "lot": lot, "volume": "1 L", "reason": "lees"}
        for offset, event in enumerate((receipt, lost)):
            identity = f"01890000-0000-7000-8000-{number + offset:012d}"
            lines.append(json.dumps({**event, "id": identity}))
    return "\n".join(lines) + "\n"


@pytest.mark.xdist_group("kill")
def test_killed_at_random_moments_it_holds_whole_loads(tmp_path: Path) -> None:
    path = tmp_path / "cellar.duckdb"
    at = ["--ledger", str(path)]
    assert cli.main([*at, "init", "--premises", "Home", "--timezone", "UTC"]) == 0
    chance = random.Random(20)
    (tmp_path / "warm.jsonl").write_text(events(1), encoding="utf-8")
    begun = time.monotonic()
    subprocess.run([*PROGRAM, *at, "load", str(tmp_path / "warm.jsonl")], check=True)
    lasts = time.monotonic() - begun
    loads = 1
    for kill in range(1, KILLS + 1):
        file = tmp_path / "load.jsonl"
        file.write_text(events(1 + kill * EVENTS), encoding="utf-8")
        with subprocess.Popen(
            [*PROGRAM, *at, "load", str(file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as load:
            try:
                load.wait(timeout=chance.uniform(0, lasts * 1.7))
            except subprocess.TimeoutExpired:
                load.kill()
        with ledger.opened(path) as book:
            held = book.head.position - 1
        assert held % EVENTS == 0, f"kill {kill}: {held} events are no whole loads"
        assert held // EVENTS in (loads, loads + 1)
        loads = held // EVENTS
    assert 1 < loads <= KILLS, "some loads were cut and some were not"
    assert cli.main([*at, "verify"]) == 0


def loaded(tmp_path: Path) -> list[str]:
    """A ledger of two loads; returns the words that name it."""
    at = ["--ledger", str(tmp_path / "cellar.duckdb")]
    assert cli.main([*at, "init", "--premises", "Home", "--timezone", "UTC"]) == 0
    for first in (1, 1 + EVENTS):
        (tmp_path / "load.jsonl").write_text(events(first), encoding="utf-8")
        assert cli.main([*at, "load", str(tmp_path / "load.jsonl")]) == 0
    return at


def test_a_journal_cut_in_its_last_load_is_noticed_and_mended(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = loaded(tmp_path)
    journal = tmp_path / "cellar.journal.jsonl"
    whole = journal.read_bytes()
    journal.write_bytes(whole[: len(whole) - 1000])
    capsys.readouterr()
    assert cli.main([*at, "lots"]) == 3
    assert "repair" in capsys.readouterr().err
    assert cli.main([*at, "repair"]) == 0
    assert journal.read_bytes() == whole
    assert cli.main([*at, "verify"]) == 0


def test_a_lost_database_is_built_again(tmp_path: Path) -> None:
    at = loaded(tmp_path)
    (tmp_path / "cellar.duckdb").unlink()
    assert cli.main([*at, "lots"]) == 3
    assert cli.main([*at, "repair"]) == 0
    assert cli.main([*at, "verify"]) == 0


def test_when_both_halves_are_damaged_nothing_is_touched(tmp_path: Path) -> None:
    at = loaded(tmp_path)
    journal, database = tmp_path / "cellar.journal.jsonl", tmp_path / "cellar.duckdb"
    text = journal.read_bytes()
    journal.write_bytes(text.replace(b'"volume":"100 L"', b'"volume":"900 L"', 1))
    database.write_bytes(database.read_bytes()[:5000])
    before = (journal.read_bytes(), database.read_bytes())
    assert cli.main([*at, "repair"]) in (2, 3)
    assert (journal.read_bytes(), database.read_bytes()) == before
