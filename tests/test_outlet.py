"""Files that somebody asked for take the place of no ledger's."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from threading import Thread

import pytest

from ampelog import outlet
from ampelog.errors import Refused
from tests.program import Run

pytest_plugins = ("tests.running",)


@pytest.mark.parametrize(
    "name", ["cellar.duckdb", "cellar.duckdb.wal", "cellar.journal.jsonl", "cellar.lock"]
)
@pytest.mark.parametrize(
    "command",
    [
        "calendar --ics {}",
        "export -o {}",
        "recall --lot C24 -o {}.csv",
    ],
)
def test_a_ledgers_own_file_is_not_written_over(
    cellar: Run, tmp_path: Path, name: str, command: str
) -> None:
    asked = command.format(name)
    target = tmp_path / asked.split()[-1]
    if target.name != name:
        target.symlink_to(tmp_path / name)
    there = {path.name: path.read_bytes() for path in tmp_path.glob("cellar.*") if path.is_file()}
    answer = cellar(*asked.split())
    assert answer.code == 2, answer.out
    assert "belongs to a ledger" in answer.err
    assert there == {path: (tmp_path / path).read_bytes() for path in there}
    assert cellar("verify").code == 0


def test_a_link_is_followed_and_stays(tmp_path: Path) -> None:
    link, real = tmp_path / "link.csv", tmp_path / "real.csv"
    link.symlink_to(real)
    outlet.keep(b"a", link)
    outlet.keep(b"b", link)
    assert link.is_symlink()
    assert real.read_bytes() == b"b"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link.csv", "real.csv"]


def test_a_pipe_is_written_to(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[bytes] = []
    reader = Thread(target=lambda: heard.append(pipe.read_bytes()))
    reader.start()
    outlet.keep(b"all of it", pipe)
    reader.join(10)
    assert heard == [b"all of it"]
    assert pipe.is_fifo()


def test_an_export_goes_through_a_pipe(cellar: Run, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[bytes] = []
    reader = Thread(target=lambda: heard.append(pipe.read_bytes()))
    reader.start()
    assert cellar("export", "-o", "pipe").code == 0
    reader.join(10)
    assert heard == [(tmp_path / "cellar.journal.jsonl").read_bytes()]


def test_what_fails_half_way_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    outlet.keep(b"before", path)
    with suppress(ZeroDivisionError), outlet.written(path) as target:
        target.write(b"half")
        raise ZeroDivisionError
    assert path.read_bytes() == b"before"
    with pytest.raises(Refused, match="cannot be written: No such file"):
        outlet.keep(b"", tmp_path / "no" / "a.csv")
    with pytest.raises(Refused, match="cannot be written: Is a directory"):
        outlet.keep(b"", tmp_path)
    assert [one.name for one in tmp_path.iterdir()] == ["a.csv"]
