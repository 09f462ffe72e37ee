"""Checking the ledger against itself: every leaf and every seal, by two independent paths.

The database is read by its rows, and the journal by its lines; each path recomputes everything
from the events' own text and goes on after what it finds, so that all damage is named at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ampelog import chain, journal
from ampelog.database import REPAIR, Database, collector_paused, instant_of
from ampelog.errors import Finding, Refused
from ampelog.journal import Damaged, Files, Head, Line, Load, Mark, Record

_BLOCK = 20_000  # events read at a time
_NAMED = 20  # findings of one sort before the rest is only counted


class _Found:
    """Findings of one file; the first of each sort are named, the rest counted."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.findings: list[Finding] = []
        self._counts: dict[str, int] = {}

    def add(self, rule: str, at: str, says: str, event: str | None = None) -> None:
        """Note one more."""
        self._counts[rule] = self._counts.get(rule, 0) + 1
        if self._counts[rule] <= _NAMED:
            where = f"{self.file}, {at}" if at else self.file
            self.findings.append(Finding(rule, where, says, REPAIR, event=event))

    def all(self) -> list[Finding]:
        """What was noted."""
        more = [
            Finding(rule, self.file, f"and {count - _NAMED} more of this sort", REPAIR)
            for rule, count in self._counts.items()
            if count > _NAMED
        ]
        return self.findings + more


class _Rows(NamedTuple):
    """What the database's own text comes to: leaves by position, and where loads end."""

    leaves: list[str]
    ends: set[int]


def check(database: Database, files: Files) -> list[Finding]:
    """What is wrong in a ledger's two files; empty where all is well."""
    in_rows, in_lines = _Found(files.database.name), _Found(files.journal.name)
    with collector_paused():
        rows = _check_rows(database, in_rows)
        _check_lines(files, database.state().ledger_id, rows, in_lines)
    return in_rows.all() + in_lines.all()


def _check_rows(database: Database, found: _Found) -> _Rows:
    zone = database.zone()
    seals = {
        position: (root, peaks) for position, _, root, peaks, _ in database.rows("ledger_seals")
    }
    head, ends = max(seals), set(seals)
    peaks = chain.Peaks()
    leaves: list[str] = []
    for first in range(1, head + 1, _BLOCK):
        for record in database.records(first, first + _BLOCK - 1):
            at = f"position {record.position}"
            if record.position != len(leaves) + 1:
                found.add("position out of order", at, f"wanted position {len(leaves) + 1}")
            leaf, instant = _checked_row(record, at, zone, found)
            leaves.append(leaf)
            peaks.add(leaf)
            seal = seals.pop(record.position, None)
            if seal and seal != (peaks.root(), ",".join(peaks.hashes())):
                found.add("seal broken", at, "the seal is not the head of the events up to it")
            if instant != record.instant:
                found.add("look-up changed", at, "the instant is not that of the event's `at`")
    if seals or len(leaves) != head:
        found.add("events missing", "", f"it holds {len(leaves)} events and is sealed up to {head}")
    for position, event, kind in database.rows("ledger_lifted_wrong"):
        says = f"id, kind or name of this {kind} is not what its text says"
        found.add("look-up changed", f"position {position}", says, event)
    return _Rows(leaves, ends)


def _checked_row(record: Record, at: str, zone: ZoneInfo, found: _Found) -> tuple[str, int | None]:
    """The leaf hash and the instant as the row's text gives them; where it gives none, a hash
    that is no event's."""
    try:
        event, body, leaf = _recomputed(record)
        instant: int | None = instant_of(event, zone)
    except (ValueError, Refused):
        body, leaf, instant = "", chain.EMPTY_ROOT, None
    if (body, leaf) != (record.body, record.hash):
        found.add("content changed", at, "the content does not match its hash")
    return leaf, instant


def _recomputed(record: Record) -> tuple[dict[str, Any], str, str]:
    """A row's event, canonical text and leaf hash, all from its text; raises ``ValueError``."""
    event = record.event
    if not isinstance(event, dict):
        raise ValueError("it is no event")
    body, leaf = chain.entry(event, record.position, record.recorded_at, record.salt)
    return event, body, leaf


def _check_lines(files: Files, ledger_id: str, rows: _Rows, found: _Found) -> None:
    """The journal line by line; what each should be follows from where the loads end."""
    peaks = chain.Peaks()
    leaves: list[str] = []
    with files.journal.open("rb") as source:
        try:
            if journal.opening(source)[0] != ledger_id:
                found.add("another ledger", "line 1", f"it should name the ledger {ledger_id}")
        except Damaged as fault:
            found.add("line changed", "line 1", fault.says)
        number = 1
        for position, is_seal in _wanted(rows):
            raw, number = source.readline(), number + 1
            own_seal = raw[:8] == b'{"head":' and raw == _seal_of(peaks)
            if is_seal:
                if not own_seal:
                    says = "it is not the seal of the events before it"
                    found.add("seal broken", f"line {number}", says)
                continue
            if own_seal and leaves:
                says = f"the database has no seal of position {peaks.size}"
                found.add("seal missing", f"line {number}", says)
                raw, number = source.readline(), number + 1
            leaf = rows.leaves[position - 1]
            leaves.append(_checked_line(raw, position, leaf, f"line {number}", found))
            peaks.add(leaves[-1])
        if source.readline():
            found.add("lines beyond", f"line {number + 1}", "the database knows nothing of it")
    if chain.Tree(leaves).root() != peaks.root():
        found.add("tree broken", "", "two ways to compute the root do not agree")


def _seal_of(peaks: chain.Peaks) -> bytes:
    return journal.seal_line(Head(peaks.size, peaks.root()))


def _wanted(rows: _Rows) -> Iterator[tuple[int, bool]]:
    """For each line after the first its position, and whether it is a seal."""
    for position in range(1, len(rows.leaves) + 1):
        yield position, False
        if position in rows.ends:
            yield position, True


def _checked_line(raw: bytes, position: int, leaf: str, at: str, found: _Found) -> str:
    """The leaf hash as the line's text gives it, or the database's where it gives none."""
    try:
        line = journal.read_event(raw, position)
    except ValueError as fault:
        found.add("line changed", at, f"position {position}: {fault}")
        return leaf
    if line.hash != leaf:
        found.add("files differ", at, f"position {position} is another event in the database")
    return line.hash


# --- the database as evidence ---------------------------------------------------------------


def stored(database: Database) -> Iterator[Load]:
    """The loads as the database has them, every leaf and seal recomputed.

    Raises ``Damaged``, its line a position.
    """
    peaks = chain.Peaks()
    lines: list[Line] = []
    seals = iter(database.rows("ledger_seals"))
    seal = next(seals, None)
    first = 1
    while block := database.records(first, first + _BLOCK - 1):
        for record in block:
            if seal is None or record.position != peaks.size + 1:
                raise Damaged(record.position, "it has no seal, or a position is left out")
            lines.append(_line(record))
            peaks.add(record.hash)
            if peaks.size == seal[0]:
                yield _load(lines, peaks, seal)
                lines, seal = [], next(seals, None)
        first += _BLOCK
    if seal is not None or lines:
        raise Damaged(peaks.size, "the events end before the last seal, or after it")


def _line(record: Record) -> Line:
    try:
        event, *wanted = _recomputed(record)
    except ValueError:
        raise Damaged(record.position, "it is no event") from None
    if wanted != [record.body, record.hash]:
        raise Damaged(record.position, "its content does not match its hash")
    return Line(*record[:4], record.body, event)


def _load(lines: list[Line], peaks: chain.Peaks, seal: tuple[Any, ...]) -> Load:
    position, recorded_at, root, stored_peaks, end = seal
    if root != peaks.root() or stored_peaks != ",".join(peaks.hashes()):
        raise Damaged(position, "its seal is not the head of the events up to it")
    return Load(lines, Mark(Head(position, root), peaks.hashes(), recorded_at, end))
