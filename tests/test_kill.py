"""A load that is killed at any moment leaves whole sealed loads only; what is cut is noticed.

All of it through the command line and processes of its own, as it happens to people.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from ampelog import scribe
from tests.program import copied, journal_of, program

pytest_plugins = ("tests.running",)

KILLS, ROUNDS, EVENTS = 50, 5, 3000
LOAD = [sys.executable, "-m", "ampelog", "load"]


def events(first: int, count: int = EVENTS) -> str:
    """A file of receipts and losses, each with its id."""
    lines = []
    for number in range(first, first + count, 2):
        lot, vessel = f"L{number}", f"V{number}"
        when = (datetime(2001, 1, 1) + timedelta(minutes=number)).isoformat()
        receipt = {"kind": "receive", "at": when, "lot": lot, "vessel": vessel, "volume": "100 L"}
        lost = {"kind": "loss", "at": when, "lot": lot, "volume": "1 L", "reason": "lees"}
        for offset, event in enumerate((receipt, lost)):
            identity = f"01890000-0000-7000-8000-{number + offset:012d}"
            lines.append(json.dumps({**event, "id": identity}))
    return "\n".join(lines) + "\n"


def begun(folder: Path) -> Path:
    """A new ledger with one load in it; returns its database."""
    path = folder / "cellar.duckdb"
    at = ("--ledger", str(path))
    assert program(*at, "init", "--premises", "Home", "--timezone", "UTC").code == 0
    (folder / "first.jsonl").write_text(events(1), encoding="utf-8")
    assert program(*at, "load", str(folder / "first.jsonl")).code == 0
    return path


def killed(path: Path, file: Path, after: float) -> bool:
    """Load a file and kill the process after so many seconds; whether it was still at work."""
    with subprocess.Popen(
        [*LOAD, str(file), "--ledger", str(path)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as load:
        try:
            load.wait(timeout=after)
        except subprocess.TimeoutExpired:
            load.kill()
            return True
    return False


def held(path: Path) -> int:
    """How many events a ledger holds, once it is seen to be whole."""
    answer = program("--ledger", str(path), "verify", "--json")
    assert answer.code == 0, answer.out + answer.err
    assert answer.json["ok"]
    return int(answer.json["checked"]["log"])


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger of one load, to be copied, with the file of a second beside it."""
    path = begun(tmp_path_factory.mktemp("base"))
    (path.parent / "load.jsonl").write_text(events(1 + EVENTS), encoding="utf-8")
    return path


@pytest.mark.parametrize("round_", range(ROUNDS))
def test_killed_at_random_moments_it_holds_whole_loads(
    base: Path, tmp_path: Path, round_: int
) -> None:
    file, chance, each = base.parent / "load.jsonl", random.Random(round_), KILLS // ROUNDS
    path = copied(base, tmp_path)
    started = time.monotonic()
    assert not killed(path, file, 60)
    lasts = time.monotonic() - started
    one, two = 1 + EVENTS, 1 + 2 * EVENTS
    assert held(path) == two
    cuts = 0
    for kill in range(each):
        # Spread over the load's whole time, a little beyond its end, and never twice the same.
        after = lasts * 1.15 * (kill + chance.random()) / each
        (tmp_path / str(kill)).mkdir()
        path = copied(base, tmp_path / str(kill))
        cuts += killed(path, file, after)
        assert held(path) in (one, two), f"killed after {after:.3f} s"
    assert cuts, "no load was cut off"
    again = program("--ledger", str(path), "load", str(file), "--json").json
    assert again["recorded"] in (0, EVENTS), "the same file again does what is left to do"
    assert again["recorded"] + again["known"] == EVENTS
    assert again["head"]["position"] == two


def test_a_large_load_is_killed_while_a_child_writes_it_out(tmp_path: Path) -> None:
    """From `scribe.MANY` events on a process of its own helps; it is left alone when the first dies."""
    path, count = begun(tmp_path), scribe.MANY + 500
    (tmp_path / "load.jsonl").write_text(events(1 + EVENTS, count), encoding="utf-8")
    for after in (0.8, 1.4):
        before = held(path)
        killed(path, tmp_path / "load.jsonl", after)
        assert held(path) in (before, 1 + EVENTS + count)
    assert not killed(path, tmp_path / "load.jsonl", 60)
    assert held(path) == 1 + EVENTS + count


def test_a_load_is_recorded_though_killed_once_its_seal_is_synced(
    base: Path, tmp_path: Path
) -> None:
    path = copied(base, tmp_path)
    code = (
        "import os, signal, sys\nfrom ampelog import cli, database\n"
        "def kill(self): os.kill(os.getpid(), signal.SIGKILL)\n"
        "database.Database.commit = kill\ncli.main(sys.argv[1:])\n"
    )
    load = ["load", str(base.parent / "load.jsonl"), "--ledger", str(path)]
    done = subprocess.run([sys.executable, "-c", code, *load], check=False, capture_output=True)
    assert done.returncode == -signal.SIGKILL
    assert held(path) == 1 + 2 * EVENTS, "the database caught up"


# --- what is cut ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two_loads(base: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger of two loads, to be copied."""
    path = copied(base, tmp_path_factory.mktemp("two"))
    assert program("--ledger", str(path), "load", str(base.parent / "load.jsonl")).code == 0
    return path


@pytest.fixture
def whole(two_loads: Path, tmp_path: Path) -> Path:
    """A ledger of two loads."""
    return copied(two_loads, tmp_path)


def refused_then_repaired(path: Path, events_held: int) -> None:
    """It is noticed, with the remedy's name; the remedy brings back what either half proves."""
    at = ("--ledger", str(path))
    for words in (("lots",), ("verify",), ("load", os.devnull)):
        refused = program(*at, *words)
        assert (refused.code, refused.out) == (3, "")
        assert "ampelog repair" in refused.err
    repaired = program(*at, "repair", "--json")
    assert (repaired.code, repaired.json["head"]["position"]) == (0, events_held), repaired.err
    assert all(Path(kept).exists() for kept in repaired.json["kept"])
    assert held(path) == events_held


@pytest.mark.parametrize("cut", [1, 30, 1000, 400_000])
def test_a_cut_journal_is_noticed_and_mended(whole: Path, cut: int) -> None:
    journal = journal_of(whole)
    before = journal.read_bytes()
    journal.write_bytes(before[:-cut])
    refused_then_repaired(whole, 1 + 2 * EVENTS)
    assert journal.read_bytes() == before


def test_a_lost_journal_is_written_again(whole: Path) -> None:
    before = journal_of(whole).read_bytes()
    journal_of(whole).unlink()
    refused_then_repaired(whole, 1 + 2 * EVENTS)
    assert journal_of(whole).read_bytes() == before


@pytest.mark.parametrize("left", [None, 0, 5000])
def test_a_lost_or_cut_database_is_built_again(whole: Path, left: int | None) -> None:
    if left is None:
        whole.unlink()
    else:
        whole.write_bytes(whole.read_bytes()[:left])
    refused_then_repaired(whole, 1 + 2 * EVENTS)


@pytest.fixture
def ahead(base: Path, tmp_path: Path) -> Path:
    """The write-ahead log that a process left: it died after its commit of a second load."""
    path = copied(base, tmp_path)
    code = (
        "import os, signal, sys\nfrom ampelog import cli, database\n"
        "database.Database.close = lambda self: os.kill(os.getpid(), signal.SIGKILL)\n"
        "cli.main(sys.argv[1:])\n"
    )
    load = ["load", str(base.parent / "load.jsonl"), "--ledger", str(path)]
    done = subprocess.run([sys.executable, "-c", code, *load], check=False, capture_output=True)
    assert done.returncode == -signal.SIGKILL
    left = path.with_name(path.name + ".wal")
    assert left.stat().st_size > 100_000, "nothing was left to cut"
    return left


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.9])
def test_a_cut_write_ahead_log_is_noticed_and_made_good(ahead: Path, kept: float) -> None:
    """Cut, the database opens silently shorter. The journal has it all, and it is told."""
    content = ahead.read_bytes()
    ahead.write_bytes(content[: int(len(content) * kept)])
    path = ahead.with_suffix("")
    asked = program("--ledger", str(path), "lots", "--json")
    assert (asked.code, len(asked.json)) == (0, EVENTS), asked.err
    assert asked.err.startswith("notice: ")
    assert held(path) == 1 + 2 * EVENTS


def test_a_spoilt_write_ahead_log_is_noticed_and_mended(ahead: Path) -> None:
    content = bytearray(ahead.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 64] = bytes(byte ^ 0xFF for byte in content[middle : middle + 64])
    ahead.write_bytes(content)
    refused_then_repaired(ahead.with_suffix(""), 1 + 2 * EVENTS)


def test_when_both_halves_are_damaged_nothing_is_touched(whole: Path) -> None:
    journal = journal_of(whole)
    journal.write_bytes(journal.read_bytes().replace(b'"volume":"100 L"', b'"volume":"900 L"', 1))
    whole.write_bytes(whole.read_bytes()[:5000])
    before = (journal.read_bytes(), whole.read_bytes())
    refused = program("--ledger", str(whole), "repair")
    assert (refused.code, refused.out) == (2, "")
    assert "nothing was changed" in refused.err
    assert "ampelog restore" in refused.err
    assert (journal.read_bytes(), whole.read_bytes()) == before
