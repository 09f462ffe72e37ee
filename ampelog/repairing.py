"""Repairing a ledger: which of its two files is right, and building the other from it.

Each file proves what it can by itself. Nothing is changed before it is certain which one tells
the whole log, and an old file that is replaced is kept beside.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from msgspec import Struct, field

from ampelog import durable, journal
from ampelog.checking import stored
from ampelog.database import Database, discard, wal
from ampelog.errors import Refused, Unopenable
from ampelog.journal import Damaged, Files, Head, Load, Mark
from ampelog.keeping import Finish, build, new, written
from ampelog.lock import held


class Evidence(Struct):
    """What one of the two files proves by itself: every leaf and seal up to ``mark`` recomputed.

    ``roots`` has the root at each sealed position, ``says`` what is wrong, or wrong beyond the
    mark. Without a sealed load it proves nothing.
    """

    says: str = ""
    ledger_id: str = ""
    mark: Mark = field(default_factory=Mark)
    roots: dict[int, str] = field(default_factory=dict)

    @property
    def position(self) -> int:
        """The last position that is proved; 0 where nothing is."""
        return self.mark.head.position

    def taking(self, loads: Iterable[Load]) -> Iterator[Load]:
        """The loads, each noted as it passes."""
        for load in loads:
            self.mark = load.mark
            self.roots[self.position] = load.mark.head.root
            yield load


def repair(path: Path, wait: float = 10.0, finish: Finish | None = None) -> tuple[Head, list[Path]]:
    """Build the database from the journal, or the journal from the database, whichever verifies.

    Returns the head and the old files, which are kept beside. Where both verify, the one that
    holds more is right, as long as the other tells the same up to where it ends. ``Refused``, and
    nothing changed, where neither verifies, where they tell two histories, or where what may have
    been recorded and cannot be verified would be left behind; ``Unopenable`` where the disk fails.
    ``finish`` is called of a database that is built anew.
    """
    files = Files(path)
    if not files.journal.exists() and not files.database.exists():
        raise Unopenable(f"there is no ledger {files.database}", "restore it from an export")
    with held(files.lock, exclusive=True, wait=wait):
        fresh = new(files.database)
        try:
            base = _database_evidence(files)
            log = _journal_evidence(files, fresh, base, finish)
            if not log.position and not base.position:
                raise _no_repair(files, [log.says, base.says])
            if log.position and base.position:
                _same_history(files, log, base)
            if _tells_more(log, base):
                _nothing_left_behind(files, log, base)
                return log.mark.head, _database_from_journal(files, log, fresh)
            return base.mark.head, _journal_from_database(files, base)
        except OSError as fault:
            raise Unopenable(
                f"{fault.filename or files.database.parent}: {fault.strerror}; "
                "the repair was not done",
                "make room or mend the disk, and repair again",
            ) from None
        finally:
            discard(fresh)


def _no_repair(files: Files, reasons: Iterable[str]) -> Refused:
    return Refused(
        f"{files.database.stem} cannot be repaired: {'; '.join(reasons)}; nothing was changed",
        hint="restore it from an export: `ampelog restore FILE`",
    )


def _tells_more(log: Evidence, base: Evidence) -> bool:
    renamed = base.position and log.ledger_id != base.ledger_id
    return log.position >= base.position and not renamed


def _journal_evidence(files: Files, fresh: Path, base: Evidence, finish: Finish | None) -> Evidence:
    """What the journal proves, and a database of that much under the name ``fresh``, finished where
    it will be used."""
    log = Evidence()

    def finished(*built: Any) -> None:
        if finish is not None and _tells_more(log, base):
            finish(*built)

    if not files.journal.exists():
        log.says = f"{files.journal.name} is missing"
        return log
    try:
        with files.journal.open("rb") as source:
            log.ledger_id, start = journal.opening(source)
            loads = _readable(files, log, journal.loads(source, start))
            build(fresh, log.ledger_id, loads, finished)
    except Damaged as fault:
        log.says = f"{files.journal.name}, line {fault.line}: {fault.says}"
    except Refused as fault:
        return Evidence(log.says or f"{files.journal.name}: {fault.says}")
    return log


def _readable(files: Files, log: Evidence, loads: Iterable[Load]) -> Iterator[Load]:
    """The loads up to where the journal stops verifying, which is noted and no error here."""
    try:
        yield from log.taking(loads)
    except Damaged as fault:
        log.says = f"{files.journal.name}, line {fault.line}: {fault.says}"


def _database_evidence(files: Files) -> Evidence:
    if not files.database.exists():
        return Evidence(f"{files.database.name} is missing")
    base = Evidence()
    try:
        database = Database(files.database, read_only=True)
        try:
            base.ledger_id = database.state().ledger_id
            for _ in base.taking(stored(database)):
                pass
        finally:
            database.close()
    except Damaged as fault:
        return Evidence(f"{files.database.name}, position {fault.line}: {fault.says}")
    except Unopenable as fault:
        return Evidence(fault.says)
    return base


def _same_history(files: Files, log: Evidence, base: Evidence) -> None:
    """Refuse where the two do not tell the same, as far as both go.

    The ledger's id stands outside the tree, and in the journal nothing guards it: where only that
    differs and the database holds as much, the database is right.
    """
    shorter, longer = sorted((log, base), key=lambda one: one.position)
    alike = longer.roots.get(shorter.position) == shorter.mark.head.root
    if not alike or (log.ledger_id != base.ledger_id and shorter is base):
        two = f"{files.journal.name} and {files.database.name} tell two different histories"
        raise _no_repair(files, [two])


def _nothing_left_behind(files: Files, log: Evidence, base: Evidence) -> None:
    """Refuse where what the journal has beyond its last good seal may have been recorded.

    A write that was cut short never was. Of what does not verify only the database can say so,
    which takes in each load as it is recorded: where it ends there too, it is a last load that a
    power cut tore, so that blocks before its seal read as zeros, or nothing of a log at all.
    """
    if not log.says:
        return
    with files.journal.open("rb") as source:
        source.seek(log.mark.end)
        beyond = source.read()
    seals = journal.seals_beyond(files.journal, log.position)
    torn = b"\0" in beyond and seals <= 1
    stray = not seals and b'{"position":' not in beyond
    if base.position != log.position or not (torn or stray):
        says = base.says or f"{files.database.name} does not hold what follows"
        raise _no_repair(files, [log.says, says])


def _database_from_journal(files: Files, log: Evidence, fresh: Path) -> list[Path]:
    """Put the fresh database in place; what the journal has beyond its last good seal goes to a
    file of its own."""
    kept = []
    if files.journal.stat().st_size > log.mark.end:
        kept.append(journal.set_aside(files, log.mark))
    beside = files.beside("kept", ".duckdb")
    for old, other in ((wal(files.database), wal(beside)), (files.database, beside)):
        if old.exists():
            old.rename(other)
            kept.append(other)
    fresh.replace(files.database)
    durable.sync_folder(files.database)
    return kept


def _journal_from_database(files: Files, base: Evidence) -> list[Path]:
    """Write the journal anew; the old one is kept whole."""
    if files.journal.exists() and journal.seals_beyond(files.journal, base.position):
        ends = f"{files.database.name} ends at position {base.position}"
        raise _no_repair(files, [f"{files.journal.name} is damaged", f"{ends}, before its end"])
    fresh = new(files.journal)
    database = Database(files.database, read_only=True)
    try:
        with fresh.open("wb") as target:
            marks = [load.mark for load in written(target, base.ledger_id, stored(database))]
            target.flush()
            os.fsync(target.fileno())
        if marks[-1].end != base.mark.end:
            raise _no_repair(files, [f"{files.database.name} tells another length of the journal"])
        kept = []
        if files.journal.exists():
            kept.append(files.beside("kept", ".journal.jsonl"))
            files.journal.rename(kept[0])
        fresh.replace(files.journal)
    finally:
        database.close()
        fresh.unlink(missing_ok=True)
    durable.sync_folder(files.journal)
    return kept
