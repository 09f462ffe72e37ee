"""The journal: the log itself, one text file beside the database, and the lock that guards both.

Its first line names the format and the ledger; then a line an event, and after each load a seal
with the head of the tree. A load is one write and one fsync; *the synced seal is the moment of
recording*. Lines after the last seal were never recorded.

Everything here works on bytes and files and checks what it reads against the chain. It knows no
database: what the database holds is compared with this, never the other way round.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, TypeVar

import msgspec
from msgspec import Struct

from ampelog import chain, durable
from ampelog.errors import Unopenable

T = TypeVar("T", bound="Line | Head")

FORMAT = 1
_EVENT_KEYS = {"position", "recorded_at", "hash", "salt", "event"}
_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", re.ASCII)
_HEX = re.compile(r"(?:[0-9a-f]{2})*", re.ASCII)


class Head(Struct, frozen=True):
    """The tree's size and root: what a ledger said at one moment."""

    position: int
    root: str


class Record(NamedTuple):
    """One recorded event. ``body`` is the canonical JSON text of the whole event, ``instant`` its
    ``at`` in UTC microseconds since 1970. (A named tuple: ten vintages are 169,000 of them.)"""

    position: int
    recorded_at: str
    hash: str
    salt: str
    instant: int
    body: str

    @property
    def event(self) -> dict[str, Any]:
        """The event, read anew from its text at each call."""
        event: dict[str, Any] = json.loads(self.body)
        return event


class Line(NamedTuple):
    """An event's line as read and verified."""

    position: int
    recorded_at: str
    hash: str
    salt: str
    body: str
    event: dict[str, Any]


class Mark(Struct):
    """How far a journal has been read and verified: after a seal, or after the first line.

    ``end`` is the byte after it, ``line`` its line number, ``recorded_at`` the load's instant.
    """

    head: Head = Head(0, chain.EMPTY_ROOT)
    peaks: tuple[str, ...] = ()
    recorded_at: str = ""
    end: int = 0
    line: int = 0


class Load(NamedTuple):
    """One whole sealed load, and the mark after its seal."""

    lines: list[Line]
    mark: Mark


class Damaged(Exception):
    """A journal or export that does not verify: the line (from 1) and what is wrong there."""

    def __init__(self, line: int, says: str) -> None:
        super().__init__(says)
        self.line = line
        self.says = says


class Files:
    """The files of one ledger, all beside its database and named after it."""

    def __init__(self, database: Path) -> None:
        # Links are followed first: two names of one ledger must meet at one lock.
        self.database = database.resolve()
        self.journal = self.database.with_name(f"{self.database.stem}.journal.jsonl")
        self.lock = self.database.with_name(f"{self.database.stem}.lock")

    def beside(self, mark: str, suffix: str) -> Path:
        """The first free name ``STEM.MARK-N.SUFFIX`` beside the ledger."""
        number = 1
        while (
            path := self.database.with_name(f"{self.database.stem}.{mark}-{number}{suffix}")
        ).exists():
            number += 1
        return path


# --- the lines ------------------------------------------------------------------------------


def first_line(ledger_id: str) -> bytes:
    """The line a journal begins with."""
    return f'{{"format":{FORMAT},"ledger":{json.dumps(ledger_id)}}}\n'.encode()


def event_line(position: int, recorded_at: str, leaf: str, salt: str, body: str) -> str:
    """An event's line, with its newline."""
    return (
        f'{{"position":{position},"recorded_at":"{recorded_at}","hash":"{leaf}",'
        f'"salt":"{salt}","event":{body}}}\n'
    )


def seal_line(head: Head) -> bytes:
    """The line that seals a load."""
    return f'{{"head":{{"position":{head.position},"root":"{head.root}"}}}}\n'.encode()


def _no_number(text: str) -> None:
    raise ValueError(f"the number {text} is no integer")


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is given twice")
    return found


_decode = json.JSONDecoder(parse_float=_no_number, parse_constant=_no_number).decode
_decode_foreign = json.JSONDecoder(
    parse_float=_no_number, parse_constant=_no_number, object_pairs_hook=_no_repeats
).decode


def _parsed(raw: bytes, foreign: bool) -> dict[str, Any]:
    """One line as an object; raises ``ValueError`` with what is wrong."""
    try:
        value = (_decode_foreign if foreign else _decode)(raw.decode())
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8") from None
    except json.JSONDecodeError as fault:
        raise ValueError(f"it is not JSON ({fault.msg} at column {fault.colno})") from None
    if not isinstance(value, dict):
        raise ValueError("it is no JSON object")
    return value


def _event(value: dict[str, Any], position: int) -> Line:
    """A parsed line as an event at ``position``, its hash recomputed; raises ``ValueError``."""
    if value.keys() != _EVENT_KEYS:
        raise ValueError("it is neither an event nor a seal")
    recorded_at, leaf, salt = value["recorded_at"], value["hash"], value["salt"]
    texts = isinstance(recorded_at, str) and isinstance(leaf, str) and isinstance(salt, str)
    if not texts or not isinstance(value["event"], dict):
        raise ValueError("a field of it has the wrong type")
    if value["position"] != position or isinstance(value["position"], bool):
        raise ValueError(f"its position is {value['position']}; wanted {position}")
    if not _STAMP.fullmatch(recorded_at):
        raise ValueError("its time of recording is not in UTC with microseconds")
    if len(salt) != 2 * chain.SALT_BYTES or not _HEX.fullmatch(salt):
        raise ValueError("its salt is not 16 bytes of hex")
    try:
        body, wanted = chain.entry(value["event"], position, recorded_at, salt)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    if leaf != wanted:
        raise ValueError("its content does not match its hash")
    return Line(position, recorded_at, leaf, salt, body, value["event"])


def read_event(raw: bytes, position: int) -> Line:
    """One line as the event at ``position``; raises ``ValueError`` with what is wrong."""
    line = _as_written(raw, lambda value: _event(value, position))
    if line is None:
        line = _event(_parsed(raw, foreign=False), position)
        _unchanged(raw, _written(line))
    return line


def _unchanged(raw: bytes, written: bytes) -> None:
    if raw != written:
        raise ValueError("it is not in the form it was written in")


def read_first(raw: bytes) -> str:
    """The ledger id of a first line; raises ``Damaged``, or ``Unopenable`` for a newer format."""
    try:
        value = _parsed(raw, foreign=True)
    except ValueError as fault:
        raise Damaged(1, f"the first line should name format and ledger; {fault}") from None
    if isinstance(value.get("format"), int) and value["format"] > FORMAT:
        raise Unopenable(
            f"the log has format {value['format']}; this program reads up to {FORMAT}",
            "use a newer ampelog",
        )
    if value.get("format") != FORMAT or not isinstance(value.get("ledger"), str):
        raise Damaged(1, "the first line should name format and ledger")
    return str(value["ledger"])


# --- reading and verifying ------------------------------------------------------------------


def loads(source: BinaryIO, mark: Mark, *, foreign: bool = False) -> Iterator[Load]:
    """The whole sealed loads after ``mark``, every leaf and every seal recomputed.

    ``source`` stands at the byte ``mark.end``. Ends before what was never sealed and looks like a
    write that was cut short: whole good lines, then perhaps a torn one. Raises ``Damaged`` for
    anything else. With ``foreign`` the lines may be written in another JSON form, as a file that
    went through other hands is, but must end in a seal.
    """
    peaks = chain.Peaks(mark.head.position, mark.peaks)
    end, number, last_at = mark.end, mark.line, mark.recorded_at
    lines: list[Line] = []
    sealed = False
    for raw in source:
        end += len(raw)
        number += 1
        try:
            tell = partial(_told, peaks=peaks, lines=lines, last_at=last_at)
            told = _as_written(raw, tell)
            if told is None:
                told = tell(_parsed(raw, foreign))
                if not foreign:
                    _unchanged(raw, _written(told))
        except ValueError as fault:
            if not foreign and _torn(raw, source):
                return
            raise Damaged(number, str(fault)) from None
        if isinstance(told, Line):
            peaks.add(told.hash)
            lines.append(told)
        else:
            sealed, last_at = True, lines[-1].recorded_at
            yield Load(lines, Mark(told, peaks.hashes(), last_at, end, number))
            lines = []
    if foreign and (lines or not sealed):
        raise Damaged(number, "the file does not end in a seal; its end is missing")


def _as_written(raw: bytes, tell: Callable[[dict[str, Any]], T]) -> T | None:
    """What a line tells, where it is in the form it was written in: the fastest reader passes over
    much, and whatever it passed over is written otherwise."""
    try:
        told = tell(msgspec.json.decode(raw))
    except Exception:  # noqa: BLE001 - whatever is wrong with it, the strict reader says it
        return None
    return told if _written(told) == raw else None


def _told(
    value: dict[str, Any], peaks: chain.Peaks, lines: list[Line], last_at: str
) -> Line | Head:
    """The event or seal that a parsed line is, after those before it; raises ``ValueError``."""
    if "head" in value:
        return _seal(value, peaks, lines)
    line = _event(value, peaks.size + 1)
    _follows(line, lines, last_at)
    return line


def _written(told: Line | Head) -> bytes:
    return event_line(*told[:5]).encode() if isinstance(told, Line) else seal_line(told)


def _seal(value: dict[str, Any], peaks: chain.Peaks, lines: list[Line]) -> Head:
    head = Head(peaks.size, peaks.root())
    if not lines:
        raise ValueError("it seals no event")
    if value != {"head": {"position": head.position, "root": head.root}}:
        raise ValueError("its head is not that of the events before it")
    return head


def _follows(line: Line, lines: list[Line], last_at: str) -> None:
    if lines and lines[0].recorded_at != line.recorded_at:
        raise ValueError("it was recorded at another instant than its load")
    if line.recorded_at < last_at:
        raise ValueError("it was recorded before the load that precedes it")


def _torn(raw: bytes, source: BinaryIO) -> bool:
    """Whether a line that does not verify, and the rest after it, is a write cut short.

    The last line may lack its end, and blocks that never reached the disk read as zeros; a whole
    wrong line, or any seal after it, means that something recorded was changed.
    """
    if raw.endswith(b"\n") and b"\0" not in raw:
        return False
    return not any(later.startswith(b'{"head":') for later in source)


def opening(source: BinaryIO) -> tuple[str, Mark]:
    """The ledger id of a journal or export, and the mark after its first line."""
    raw = source.readline()
    return read_first(raw), Mark(end=len(raw), line=1)


def seals_beyond(path: Path, position: int) -> int:
    """How many lines look like seals of a head past ``position``, verified or not."""
    wanted = re.compile(rb'\{"head":\{"position":([0-9]{1,18})\b')
    with path.open("rb") as source:
        found = (wanted.match(raw) for raw in source)
        return sum(1 for seal in found if seal and int(seal.group(1)) > position)


def holds_seal(path: Path, end: int, head: Head) -> bool:
    """Whether the seal of ``head`` ends at the byte ``end``: constant time, however long."""
    seal = seal_line(head)
    with path.open("rb") as source:
        source.seek(max(0, end - len(seal)))
        return source.read(len(seal)) == seal


# --- setting aside -----------------------------------------------------------------------------


def set_aside(files: Files, mark: Mark) -> Path:
    """Move what stands after the last seal to a file of its own; returns its path."""
    aside = files.beside(f"unsealed-after-{mark.head.position}", ".jsonl")
    with files.journal.open("r+b") as journal:
        journal.seek(mark.end)
        durable.write_new(aside, [journal.read()])
        journal.truncate(mark.end)
        os.fsync(journal.fileno())
    return aside
