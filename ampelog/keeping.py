"""Keeping journal and database together: making both, catching up, building anew, copying.

The journal is the log and the database follows it. A new file is finished under another name and
synced before it takes its place, so that a crash leaves the old one or the new one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from ampelog import durable, journal
from ampelog.database import REPAIR, Database, State, collector_paused, discard, shape, wal
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.journal import Damaged, Files, Head, Load, Mark
from ampelog.lock import held

Finish = Callable[[Database, str, Mark], None]
"""Told of a database, its ledger's id and its last mark when it holds the whole log."""


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
            f"put the two files of one ledger side by side, or {REPAIR}",
        )
    length = files.journal.stat().st_size
    mark = state.mark
    if not journal.holds_seal(files.journal, mark.end, mark.head):
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


def build(path: Path, ledger_id: str, loads: Iterable[Load], finish: Finish | None = None) -> Mark:
    """Make a database from a log, under a name that is not in use yet; returns the last mark.
    ``Refused`` where it is no ledger's log, ``Unopenable`` where the disk fails."""
    discard(path)
    database = Database(path, read_only=False)
    try:
        database.begun(ledger_id)
        with collector_paused():
            mark = database.fill(loads)
        if mark is None:
            raise Refused("the log holds no sealed event")
        if finish is not None:
            finish(database, ledger_id, mark)
        database.checkpoint()  # so that one file is the whole of it
    finally:
        database.close()
    return mark


def rebuild(files: Files) -> Mark:
    """Build the database anew from the journal and put it in the old one's place."""
    fresh = new(files.database)
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
    durable.sync_folder(files.database)
    return mark


def establish(
    files: Files, ledger_id: str, loads: Iterable[Load], finish: Finish | None = None
) -> Head:
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
        fresh, log = new(files.database), new(files.journal)
        try:
            with log.open("wb") as target:
                mark = build(fresh, ledger_id, written(target, ledger_id, loads), finish)
                target.flush()
                os.fsync(target.fileno())
            log.replace(files.journal)
            fresh.replace(files.database)
        finally:
            discard(fresh)
            log.unlink(missing_ok=True)
        durable.sync_folder(files.journal)
    return mark.head


def new(path: Path) -> Path:
    """The name under which a file is finished before it takes its place."""
    return path.with_name(f"{path.name}.new")


def written(target: BinaryIO, ledger_id: str, loads: Iterable[Load]) -> Iterator[Load]:
    """Write a log as it is taken in; each load's mark then says where it ends in the new file."""
    end = target.write(journal.first_line(ledger_id))
    for lines, mark in loads:
        end += target.write("".join([journal.event_line(*line[:5]) for line in lines]).encode())
        end += target.write(journal.seal_line(mark.head))
        yield Load(lines, Mark(mark.head, mark.peaks, mark.recorded_at, end))


def copied(source: BinaryIO, target: BinaryIO) -> Head:
    """Write a verified copy of a journal; its head. Raises ``Damaged``."""
    ledger_id, mark = journal.opening(source)
    with collector_paused():
        for load in written(target, ledger_id, journal.loads(source, mark)):
            mark = load.mark
    return mark.head


def restore(source: Path, path: Path, finish: Finish | None = None) -> tuple[int, Head]:
    """Make a ledger from an export; returns the number of events and the head, the same as there.

    Every leaf and every seal is verified. ``Refused`` where a line does not verify or the file
    does not end in a seal, naming the line, and where a ledger is there already.
    """
    try:
        with source.open("rb") as lines:
            ledger_id, mark = journal.opening(lines)
            loads = journal.loads(lines, mark, foreign=True)
            head = establish(Files(path), ledger_id, loads, finish)
    except Damaged as fault:
        found = Finding("damaged export", f"{source.name}, line {fault.line}", fault.says)
        raise Refused(
            f"{source.name} is damaged in line {fault.line}: {fault.says}; nothing was restored",
            [found],
            "use another copy of the export",
        ) from None
    except OSError as fault:
        raise Refused(
            f"{fault.filename or path.parent}: {fault.strerror}; nothing was restored"
        ) from None
    return head.position, head
