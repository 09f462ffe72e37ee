"""Keeping journal and database together: catching up, building anew, restoring, repairing.

The journal is the log. Everything here decides which of the two files is right and never changes
either before that is certain: a new file is finished under another name first, and an old one
that held something is kept beside.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from ampelog import chain, journal
from ampelog.database import REPAIR, Database, State, build, discard, shape, wal
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.journal import Damaged, Files, Head, Line, Load, Mark, Record
from ampelog.lock import held

_BLOCK = 20_000  # events read at a time


def first(files: Files) -> tuple[str, Mark]:
    """The ledger id in the journal's first line, and the mark after it."""
    with files.journal.open("rb") as source:
        return opening(source, files.journal)


def opening(source: BinaryIO, path: Path) -> tuple[str, Mark]:
    try:
        return journal.opening(source)
    except Damaged as fault:
        raise damaged(path, fault) from None


def damaged(path: Path, fault: Damaged) -> Unopenable:
    return Unopenable(f"{path.name}, line {fault.line}: {fault.says}", REPAIR)


def agrees(files: Files, state: State) -> int:
    """The journal's length in bytes, where it has all that the database holds.

    Looks at its first line, its length and one seal, however long it is; raises ``Unopenable``.
    """
    ledger_id, _ = first(files)
    if ledger_id != state.ledger_id:
        raise Unopenable(
            f"{files.journal.name} is the journal of another ledger than {files.database.name}",
            "put the two files of one ledger side by side",
        )
    length = files.journal.stat().st_size
    mark = state.mark
    if length < mark.end or not journal.holds_seal(files.journal, mark.end, mark.head):
        raise Unopenable(
            f"{files.journal.name} lacks what {files.database.name} holds: it should have the seal "
            f"of position {mark.head.position} at byte {mark.end} and has {length} bytes",
            REPAIR,
        )
    return length


def catch_up(files: Files) -> list[Finding]:
    """Bring the database level with the journal, under the exclusive lock; what was done.

    Whole loads that the database lacks are taken in; lines after the last seal are set aside; a
    database of another shape is built anew. Raises ``Unopenable``, nothing touched, for the rest.
    """
    notices = []
    database = Database(files.database, read_only=False)
    try:
        state = database.state()
        length = agrees(files, state)
        mark = state.mark
        if state.shape == shape():
            with files.journal.open("rb") as source:
                source.seek(mark.end)
                mark = database.fill(journal.loads(source, mark), database.zone()) or mark
    except Damaged as fault:
        raise damaged(files.journal, fault) from None
    except Refused as fault:
        raise Unopenable(f"{files.journal.name}: {fault.says}", REPAIR) from None
    finally:
        database.close()
    if state.shape != shape():
        mark = rebuild(files)
        says = f"built again from the journal up to position {mark.head.position}"
        notices.append(Finding("database of another shape", files.database.name, says))
    elif mark.head != state.mark.head:
        says = f"took in positions {state.mark.head.position + 1} to {mark.head.position}"
        notices.append(Finding("database behind the journal", files.database.name, says))
    if length > mark.end:
        notices.append(aside(files, mark))
    return notices


def aside(files: Files, mark: Mark) -> Finding:
    path = journal.set_aside(files, mark)
    return Finding(
        "never sealed",
        files.journal.name,
        f"what stood after the seal of position {mark.head.position} was never recorded; "
        f"it is now in {path.name}",
        "load it again if it is wanted",
    )


def rebuild(files: Files) -> Mark:
    """Build the database anew from the journal and put it in the old one's place."""
    fresh = files.database.with_name(f"{files.database.name}.new")
    try:
        with files.journal.open("rb") as source:
            ledger_id, mark = opening(source, files.journal)
            mark = build(fresh, ledger_id, journal.loads(source, mark))
        wal(files.database).unlink(missing_ok=True)
        fresh.replace(files.database)
    except Damaged as fault:
        raise damaged(files.journal, fault) from None
    finally:
        discard(fresh)
    journal.sync_folder(files.database)
    return mark


def establish(files: Files, ledger_id: str, loads: Iterable[Load]) -> Head:
    """Write a new ledger under other names, then give both files theirs."""
    folder = files.database.parent
    if not folder.is_dir():
        raise Refused(f"there is no folder {folder}")
    with held(files.lock, exclusive=True, wait=0):
        for path in (files.database, files.journal, wal(files.database)):
            if path.exists():
                raise Refused(
                    f"{path.name} is there already; nothing was written",
                    hint="choose another name: a ledger is never overwritten",
                )
        fresh = files.database.with_name(f"{files.database.name}.new")
        log = files.journal.with_name(f"{files.journal.name}.new")
        try:
            with log.open("wb") as target:
                mark = build(fresh, ledger_id, _written(target, ledger_id, loads))
                target.flush()
                os.fsync(target.fileno())
            log.replace(files.journal)
            fresh.replace(files.database)
        finally:
            discard(fresh)
            log.unlink(missing_ok=True)
        journal.sync_folder(files.journal)
    return mark.head


def _written(target: BinaryIO, ledger_id: str, loads: Iterable[Load]) -> Iterator[Load]:
    """Write a log as it is taken in; each load's mark then says where it ends in the new file."""
    end = target.write(journal.first_line(ledger_id))
    for lines, mark in loads:
        end += target.write("".join([journal.event_line(*line[:5]) for line in lines]).encode())
        end += target.write(journal.seal_line(mark.head))
        yield Load(lines, Mark(mark.head, mark.peaks, mark.recorded_at, end))


def copied(source: BinaryIO, target: BinaryIO) -> Head:
    """Write a verified copy of a journal, synced; its head. Raises ``Damaged``."""
    ledger_id, mark = journal.opening(source)
    for load in _written(target, ledger_id, journal.loads(source, mark)):
        mark = load.mark
    target.flush()
    os.fsync(target.fileno())
    return mark.head


# --- restoring and repairing ----------------------------------------------------------------


def restore(source: Path, path: Path) -> tuple[int, Head]:
    """Make a ledger from an export; returns the number of events and the head, the same as there.

    Every leaf and every seal is verified. ``Refused`` where a line does not verify or the file
    does not end in a seal, naming the line, and where a ledger is there already.
    """
    try:
        with source.open("rb") as lines:
            ledger_id, mark = journal.opening(lines)
            loads = journal.loads(lines, mark, foreign=True)
            head = establish(Files(path), ledger_id, loads)
    except Damaged as fault:
        found = Finding("damaged export", f"{source.name}, line {fault.line}", fault.says)
        raise Refused(
            f"{source.name} is damaged in line {fault.line}: {fault.says}; nothing was restored",
            [found],
            "use another copy of the export",
        ) from None
    except OSError as fault:
        raise Refused(
            f"{fault.filename or source}: {fault.strerror}; nothing was restored"
        ) from None
    return head.position, head


class Evidence(NamedTuple):
    """What one of the two files proves by itself: every leaf and seal up to ``mark`` recomputed.

    ``roots`` has the root at each sealed position, ``says`` what is wrong beyond the mark.
    """

    ledger_id: str
    mark: Mark
    roots: dict[int, str]
    says: str = ""


def repair(path: Path, wait: float = 10.0) -> tuple[Head, list[Path]]:
    """Build the database from the journal, or the journal from the database, whichever verifies.

    Returns the head and the old files, which are kept beside. Where both verify, the one that
    holds more is right, as long as the other tells the same up to where it ends. ``Refused``, and
    nothing touched, where neither verifies, where they tell two histories, or where sealed loads
    that cannot be verified would be left behind.
    """
    files = Files(path)
    if not files.journal.exists() and not files.database.exists():
        raise Unopenable(f"there is no ledger {files.database}", "restore it from an export")
    with held(files.lock, exclusive=True, wait=wait):
        log, log_says = _journal_evidence(files)
        base, base_says = _database_evidence(files)
        if log is None and base is None:
            raise _no_repair(files, [log_says, base_says])
        if log is not None and base is not None:
            _same_history(files, log, base)
        if log is not None and (base is None or log.mark.head.position >= base.mark.head.position):
            return log.mark.head, _database_from_journal(files, log)
        assert base is not None
        return base.mark.head, _journal_from_database(files, base)


def _no_repair(files: Files, reasons: Iterable[str]) -> Refused:
    return Refused(
        f"{files.database.stem} cannot be repaired: {'; '.join(reasons)}; nothing was changed",
        hint="restore it from an export: `ampelog restore FILE`",
    )


def _journal_evidence(files: Files) -> tuple[Evidence | None, str]:
    if not files.journal.exists():
        return None, f"{files.journal.name} is missing"
    says, roots = "", {}
    try:
        with files.journal.open("rb") as source:
            ledger_id, mark = journal.opening(source)
            try:
                for load in journal.loads(source, mark):
                    mark = load.mark
                    roots[mark.head.position] = mark.head.root
            except Damaged as fault:
                says = f"{files.journal.name}, line {fault.line}: {fault.says}"
    except Damaged as fault:
        return None, f"{files.journal.name}, line {fault.line}: {fault.says}"
    if not roots:
        return None, says or f"{files.journal.name} holds no sealed event"
    return Evidence(ledger_id, mark, roots, says), says


def _database_evidence(files: Files) -> tuple[Evidence | None, str]:
    if not files.database.exists():
        return None, f"{files.database.name} is missing"
    try:
        database = Database(files.database, read_only=True)
    except Unopenable as fault:
        return None, fault.says
    try:
        state = database.state()
        roots = {load.mark.head.position: load.mark.head.root for load in stored(database)}
    except Damaged as fault:
        return None, f"{files.database.name}, position {fault.line}: {fault.says}"
    except Unopenable as fault:
        return None, fault.says
    finally:
        database.close()
    return Evidence(state.ledger_id, state.mark, roots), ""


def stored(database: Database) -> Iterator[Load]:
    """The loads as the database has them, every leaf and seal recomputed.

    Raises ``Damaged``, its line a position.
    """
    peaks, lines = chain.Peaks(), []
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
        event = record.event
        wanted = chain.entry(event, record.position, record.recorded_at, record.salt)
    except ValueError:
        wanted = ("", "")
    if wanted != (record.body, record.hash):
        raise Damaged(record.position, "its content does not match its hash")
    return Line(*record[:4], record.body, event)


def _load(lines: list[Line], peaks: chain.Peaks, seal: tuple[Any, ...]) -> Load:
    position, recorded_at, root, stored_peaks, end = seal
    if root != peaks.root() or stored_peaks != ",".join(peaks.hashes()):
        raise Damaged(position, "its seal is not the head of the events up to it")
    return Load(lines, Mark(Head(position, root), peaks.hashes(), recorded_at, end))


def _same_history(files: Files, log: Evidence, base: Evidence) -> None:
    shorter, longer = sorted((log, base), key=lambda one: one.mark.head.position)
    head = shorter.mark.head
    if log.ledger_id != base.ledger_id or longer.roots.get(head.position) != head.root:
        raise _no_repair(
            files, [f"{files.journal.name} and {files.database.name} tell two different histories"]
        )


def _database_from_journal(files: Files, log: Evidence) -> list[Path]:
    """The database anew; what the journal has beyond its last good seal goes to a file of its own.

    One seal may stand there: a last load that a power cut tore, sealed and never synced. More
    than one is a loss that no repair should hide.
    """
    mark = log.mark
    if log.says and journal.seals_beyond(files.journal, mark.head.position) > 1:
        raise _no_repair(files, [log.says, f"and {files.database.name} does not hold what follows"])
    fresh = files.database.with_name(f"{files.database.name}.new")
    try:
        with files.journal.open("rb") as source:
            ledger_id, start = journal.opening(source)
            build(fresh, ledger_id, _up_to(mark, journal.loads(source, start)))
        kept = []
        if files.journal.stat().st_size > mark.end:
            kept.append(journal.set_aside(files, mark))
        kept += _keep_database(files)
        fresh.replace(files.database)
    finally:
        discard(fresh)
    journal.sync_folder(files.database)
    return kept


def _up_to(mark: Mark, loads: Iterable[Load]) -> Iterator[Load]:
    for load in loads:
        yield load
        if load.mark.end == mark.end:
            return


def _keep_database(files: Files) -> list[Path]:
    kept = []
    beside = files.beside("kept", ".duckdb")
    for old, new in ((wal(files.database), wal(beside)), (files.database, beside)):
        if old.exists():
            old.rename(new)
            kept.append(new)
    return kept


def _journal_from_database(files: Files, base: Evidence) -> list[Path]:
    """The journal anew; the old one is kept whole."""
    if files.journal.exists() and journal.seals_beyond(files.journal, base.mark.head.position):
        raise _no_repair(
            files,
            [
                f"{files.journal.name} is damaged, and {files.database.name} ends at position "
                f"{base.mark.head.position}, before loads that were sealed later"
            ],
        )
    fresh = files.journal.with_name(f"{files.journal.name}.new")
    database = Database(files.database, read_only=True)
    try:
        with fresh.open("wb") as target:
            for _ in _written(target, base.ledger_id, stored(database)):
                pass
            target.flush()
            os.fsync(target.fileno())
    finally:
        database.close()
    kept = []
    if files.journal.exists():
        kept.append(files.beside("kept", ".journal.jsonl"))
        files.journal.rename(kept[0])
    fresh.replace(files.journal)
    journal.sync_folder(files.journal)
    return kept
