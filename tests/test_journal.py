"""The journal: what it takes for a load to be recorded, and what is noticed afterwards."""

from __future__ import annotations

import errno
import io
import json
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from ampelog import chain, durable, journal, lock
from ampelog.errors import Refused, Unopenable
from ampelog.journal import Damaged, Files, Load, Mark
from tests.logs import LEDGER_ID, event, flipped, journal_of, made

AT = "2026-03-01T08:00:00.000000Z"
SALT = "00" * chain.SALT_BYTES


def text_of(*sizes: int, at: str = AT) -> list[bytes]:
    """The lines of a journal with a load of each size, one a second."""
    lines, peaks = [journal.first_line(LEDGER_ID)], chain.Peaks()
    for load, size in enumerate(sizes):
        then = at.replace(":00.", f":{load:02d}.")
        for _ in range(size):
            position = peaks.size + 1
            body, leaf = chain.entry(event(position), position, then, SALT)
            peaks.add(leaf)
            lines.append(journal.event_line(position, then, leaf, SALT, body).encode())
        lines.append(journal.seal_line(journal.Head(peaks.size, peaks.root())))
    return lines


def read(data: bytes, *, foreign: bool = False) -> list[Load]:
    source = io.BytesIO(data)
    _, mark = journal.opening(source)
    return list(journal.loads(source, mark, foreign=foreign))


def test_lines_are_as_the_format_says() -> None:
    first, line, seal = [json.loads(raw) for raw in text_of(1)]
    assert first == {"format": 1, "ledger": LEDGER_ID}
    assert list(line) == ["position", "recorded_at", "hash", "salt", "event"]
    assert seal == {"head": {"position": 1, "root": line["hash"]}}


def test_reading_gives_loads_and_where_they_end() -> None:
    lines = text_of(2, 1)
    data = b"".join(lines)
    one, two = read(data)
    assert [line.event for line in one.lines] == [event(1), event(2)]
    assert (one.mark.head.position, two.mark.head.position) == (2, 3)
    assert one.mark.end == len(b"".join(lines[:4]))
    assert two.mark.end == len(data)
    assert (one.mark.line, two.mark.line) == (4, 6)
    source = io.BytesIO(data)
    source.seek(one.mark.end)
    assert list(journal.loads(source, one.mark)) == [two]


def test_a_write_cut_anywhere_leaves_the_loads_before_it() -> None:
    lines = text_of(1, 2)
    whole, before = b"".join(lines), b"".join(lines[:3])
    for end in range(len(before), len(whole)):
        assert [load.mark.end for load in read(whole[:end])] == [len(before)]


def test_blocks_that_never_reached_the_disk_are_a_cut_write() -> None:
    lines = text_of(1, 2)
    assert len(read(b"".join(lines[:3]) + b"\0" * 700)) == 1
    assert len(read(b"".join(lines[:4]) + b"\0" * 90 + b"\n")) == 1


def test_zeros_before_a_seal_are_damage() -> None:
    lines = text_of(1, 2)
    with pytest.raises(Damaged) as caught:
        read(b"".join(lines[:3]) + b"\0" * 90 + b"\n" + lines[-1])
    assert caught.value.line == 4


def test_every_flipped_bit_is_noticed_and_its_line_named() -> None:
    lines = text_of(1, 1)
    data = bytearray(b"".join(lines))
    starts = [sum(map(len, lines[:index])) for index in range(len(lines) + 1)]
    for at in range(starts[1], len(data)):
        number = sum(start <= at for start in starts)
        data[at] ^= 1 << at % 8
        if b"\n" in (data[at : at + 1], b"".join(lines)[at : at + 1]):
            # A line break made or lost moves the lines; what is left must not be read as before.
            with suppress(Damaged):
                assert len(read(bytes(data))) < 2
        else:
            with pytest.raises(Damaged) as caught:
                read(bytes(data))
            assert caught.value.line == number
        data[at] ^= 1 << at % 8
    assert len(read(bytes(data))) == 2


def swapped(lines: list[bytes]) -> list[bytes]:
    return [*lines[:2], lines[3], lines[2], *lines[4:]]


def rewritten(lines: list[bytes], line: int, **changes: Any) -> list[bytes]:
    """The lines with one changed and its own hash made good, as a forger would."""
    value = json.loads(lines[line])
    value["event"].update(changes)
    body, leaf = chain.entry(value["event"], value["position"], value["recorded_at"], SALT)
    raw = journal.event_line(value["position"], value["recorded_at"], leaf, SALT, body)
    return [*lines[:line], raw.encode(), *lines[line + 1 :]]


TAMPERINGS: dict[str, tuple[Callable[[list[bytes]], list[bytes]], int]] = {
    "edited": (lambda lines: rewritten(lines, 2, lot="other"), 5),
    "left out": (lambda lines: lines[:3] + lines[4:], 4),
    "swapped": (swapped, 3),
    "repeated": (lambda lines: lines[:3] + lines[2:], 4),
    "a seal left out": (lambda lines: lines[:4] + lines[5:], 5),
    "a seal twice": (lambda lines: [*lines[:5], *lines[4:]], 6),
    "a seal of nothing": (lambda lines: [lines[0], lines[4]], 2),
    "a line of words": (lambda lines: [*lines[:2], b"hello\n", *lines[2:]], 3),
    "a list": (lambda lines: [*lines[:2], b"[]\n", *lines[2:]], 3),
    "an empty line": (lambda lines: [*lines[:2], b"\n", *lines[2:]], 3),
    "a key too many": (lambda lines: [*lines[:2], lines[2].replace(b"}\n", b',"x":1}\n')], 3),
    "a space": (lambda lines: [*lines[:2], lines[2].replace(b":", b": ", 1), *lines[3:]], 3),
    "another salt": (lambda lines: [*lines[:2], lines[2].replace(b"00", b"0g", 1)], 3),
    "a number with a point": (lambda lines: [*lines[:2], b'{"position":1.0}\n'], 3),
    "no number": (lambda lines: [*lines[:2], b'{"position":NaN}\n'], 3),
    "not UTF-8": (lambda lines: [*lines[:2], b"\xff\n"], 3),
    "too deep": (lambda lines: [*lines[:2], b"[" * 100_000 + b"]" * 100_000 + b"\n"], 3),
}


@pytest.mark.parametrize("how", TAMPERINGS)
def test_what_was_changed_is_noticed_and_its_line_named(how: str) -> None:
    change, line = TAMPERINGS[how]
    with pytest.raises(Damaged) as caught:
        read(b"".join(change(text_of(3, 1))))
    assert caught.value.line == line


def test_time_of_recording_never_goes_back() -> None:
    early = text_of(1, 1, at="2026-02-01T08:00:00.000000Z")
    late = text_of(1, 1)
    peaks = chain.Peaks()
    for raw in (late[1], early[3]):
        peaks.add(json.loads(raw)["hash"])
    seal = journal.seal_line(journal.Head(2, peaks.root()))
    with pytest.raises(Damaged, match="before the load that precedes"):
        read(b"".join([*late[:3], early[3], seal]))
    with pytest.raises(Damaged, match="another instant than its load"):
        read(b"".join([*late[:2], early[3], seal]))


def respelled(lines: list[bytes]) -> bytes:
    """The same log as another JSON writer puts it."""
    return "\r\n".join(
        json.dumps(json.loads(raw), sort_keys=True, indent=None) for raw in lines
    ).encode()


def test_a_log_that_went_through_other_hands_is_read_as_foreign() -> None:
    lines = text_of(2, 1)
    own, foreign = read(b"".join(lines)), read(respelled(lines), foreign=True)
    assert [load.lines for load in foreign] == [load.lines for load in own]
    with pytest.raises(Damaged):
        read(respelled(lines))


def test_a_foreign_log_must_end_in_a_seal() -> None:
    lines = text_of(2, 1)
    for stop, line in ((1, 1), (5, 5), (3, 3)):
        with pytest.raises(Damaged, match="does not end in a seal") as caught:
            read(b"".join(lines[:stop]), foreign=True)
        assert caught.value.line == line
    with pytest.raises(Damaged, match="not JSON") as caught:
        read(b"".join(lines)[:-5], foreign=True)
    assert caught.value.line == 6


def test_a_key_given_twice_is_no_log() -> None:
    raw = b"".join(text_of(1)).replace(b'{"position":1,', b'{"position":1,"position":1,', 1)
    with pytest.raises(Damaged, match="twice"):
        read(raw, foreign=True)


@pytest.mark.parametrize("first", [b"", b"\n", b"{}\n", b'{"format":0,"ledger":"x"}\n', b"\xff\n"])
def test_another_first_line_is_no_log(first: bytes) -> None:
    with pytest.raises(Damaged) as caught:
        read(first)
    assert caught.value.line == 1


def test_a_newer_format_is_said_so() -> None:
    with pytest.raises(Unopenable, match="format 2; this program reads up to 1"):
        read(b'{"format":2,"ledger":"x","and":"more"}\n')


# --- writing --------------------------------------------------------------------------------


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "cellar.journal.jsonl"
    path.write_bytes(b"".join(text_of(1)))
    return path


def test_a_load_is_written_after_the_last_seal(log: Path) -> None:
    before, lines = log.read_bytes(), text_of(1, 1)
    durable.write(log, len(before), b"".join(lines[3:]))
    assert log.read_bytes() == b"".join(lines)


def test_a_write_in_pieces_is_whole(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, real = log.read_bytes(), os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda number, data, at: real(number, data[:7], at))
    durable.write(log, len(before), b"a line of its own\n")
    assert log.read_bytes() == before + b"a line of its own\n"


def failing(call: str, after: int = 0) -> Iterator[Callable[..., Any]]:
    """A stand-in for a system call that fails once, after working ``after`` times."""
    real: Callable[..., Any] = getattr(os, call)
    calls = iter(range(after + 1))

    def stand_in(*given: Any) -> Any:
        if next(calls, None) == after:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*given)

    yield stand_in


@pytest.mark.parametrize("call", ["pwrite", "fsync"])
def test_a_failed_write_is_cut_back_and_nothing_happened(
    log: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    before = log.read_bytes()
    monkeypatch.setattr(os, call, next(failing(call)))
    with pytest.raises(Refused, match="No space left on device; nothing was recorded"):
        durable.write(log, len(before), b"a line\n")
    assert log.read_bytes() == before
    durable.write(log, len(before), b"a line\n")
    assert log.read_bytes() == before + b"a line\n"


def test_half_a_write_is_cut_back(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, stand_in = log.read_bytes(), next(failing("pwrite", after=1))
    monkeypatch.setattr(os, "pwrite", lambda number, data, at: stand_in(number, data[:3], at))
    with pytest.raises(Refused):
        durable.write(log, len(before), b"a line\n")
    assert log.read_bytes() == before


def test_an_interrupted_write_is_cut_back(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = log.read_bytes()
    real = os.fsync

    def interrupted(_: int) -> None:
        monkeypatch.setattr(os, "fsync", real)
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        durable.write(log, len(before), b"a line\n")
    assert log.read_bytes() == before


def test_a_write_that_cannot_be_cut_back_is_not_called_either(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = log.read_bytes()
    monkeypatch.setattr(os, "fsync", next(failing("fsync")))
    monkeypatch.setattr(os, "ftruncate", next(failing("ftruncate")))
    with pytest.raises(Unopenable, match="neither written nor cut back"):
        durable.write(log, len(before), b"a line\n")


def test_a_journal_that_grew_meanwhile_is_not_written_to(log: Path) -> None:
    end = log.stat().st_size
    log.write_bytes(log.read_bytes() + b"someone else\n")
    with pytest.raises(Unopenable, match="changed while it was open"):
        durable.write(log, end, b"a line\n")
    assert log.read_bytes().endswith(b"someone else\n")


def test_what_was_never_sealed_is_set_aside_under_a_free_name(tmp_path: Path) -> None:
    path = tmp_path / "cellar.duckdb"
    files, whole = Files(path), b"".join(text_of(1))
    (tmp_path / "cellar.unsealed-after-1-1.jsonl").write_bytes(b"of last time")
    files.journal.write_bytes(whole + b"half a li")
    _, start = journal.opening(io.BytesIO(whole))
    mark = Mark(read(whole)[0].mark.head, end=len(whole))
    aside = journal.set_aside(files, mark)
    assert start.line == 1
    assert aside.name == "cellar.unsealed-after-1-2.jsonl"
    assert aside.read_bytes() == b"half a li"
    assert files.journal.read_bytes() == whole


def test_two_names_of_one_ledger_share_one_lock(tmp_path: Path) -> None:
    real = tmp_path / "a" / "cellar.duckdb"
    real.parent.mkdir()
    real.touch()
    (tmp_path / "link.duckdb").symlink_to(real)
    assert Files(tmp_path / "link.duckdb").lock == Files(real).lock


def test_seals_beyond_a_position_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "j"
    path.write_bytes(b"".join(text_of(2, 1, 1)))
    assert [journal.seals_beyond(path, position) for position in (0, 1, 2, 3, 4)] == [3, 3, 2, 1, 0]


# --- the lock -------------------------------------------------------------------------------


def refused(path: Path, *, exclusive: bool, wait: float = 0) -> str:
    """What someone who asks for the lock is told."""
    with pytest.raises(Unopenable) as caught, lock.held(path, exclusive=exclusive, wait=wait):
        pass
    return caught.value.says


def test_readers_share_and_a_writer_is_alone(tmp_path: Path) -> None:
    path = tmp_path / "cellar.lock"
    with lock.held(path, exclusive=False, wait=0), lock.held(path, exclusive=False, wait=0):
        says = refused(path, exclusive=True)
        assert f"busy: process {os.getpid()} of " in says
        assert ", which reads since 20" in says
    with lock.held(path, exclusive=True, wait=0):
        assert "which writes since" in refused(path, exclusive=True, wait=0.05)
        assert "which writes since" in refused(path, exclusive=False)
    with lock.held(path, exclusive=True, wait=0):
        pass


@pytest.mark.parametrize("note", [b"", b"{", b'{"pid":99999999,"user":"x","does":"y"}', b"[]"])
def test_a_holder_that_did_not_sign_is_not_made_up(tmp_path: Path, note: bytes) -> None:
    path = tmp_path / "cellar.lock"
    with lock.held(path, exclusive=True, wait=0):
        path.write_bytes(note)
        assert "busy: another process has it" in refused(path, exclusive=True)


def test_a_flipped_bit_in_a_real_journal_is_found(tmp_path: Path) -> None:
    path = tmp_path / "cellar.duckdb"
    made(path, 3)
    flipped(journal_of(path), 700)
    with journal_of(path).open("rb") as source, pytest.raises(Damaged):
        list(journal.loads(source, journal.opening(source)[1]))
