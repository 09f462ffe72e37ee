"""The database: a DuckDB file that holds the log for asking, and whatever is projected from it.

It is never the log. It is built from the journal's loads, in one transaction, and can be thrown
away. Nothing else in the program opens or imports DuckDB.
"""

from __future__ import annotations

import gc
import os
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from threading import RLock
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from ampelog import moments, scribe
from ampelog.errors import Refused, Unopenable
from ampelog.journal import FORMAT, Head, Line, Load, Mark, Record
from ampelog.resources import folder, query

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

REPAIR = "run `ampelog repair`; it keeps the old files"
_FEW = 50_000
"""Values up to which an insert binds them one by one: 20 ms, and arrays take 50 to load."""
_PAUSE = 0.05  # seconds between two tries
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    # A statement reaches this file and nothing else: no files, no network, no code.
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "allow_persistent_secrets": "false",
    "python_enable_replacements": "false",
    # Choosing how to compress takes longer than writing does; what fills a group of rows is written
    # while the next is filled.
    "force_compression": "uncompressed",
    "write_buffer_row_group_count": "1",
    # The rest bounds what one question may take; what does not fit in memory goes to a folder
    # beside the database.
    "memory_limit": "2GB",
    "max_temp_directory_size": "8GB",
    "max_execution_time": "600000",
    "threads": str(min(4, os.cpu_count() or 1)),
}


class State(NamedTuple):
    """What a database holds: whose log, in which form, and up to which seal."""

    ledger_id: str
    shape: str
    mark: Mark


class Fact(NamedTuple):
    """One event as the database takes it in."""

    line: Line
    instant: int


@contextmanager
def collector_paused() -> Iterator[None]:
    """Keep the collector of reference cycles from looking through a whole log again and again
    while it is read or written: nothing here makes a cycle, and it takes a fifth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@cache
def shape() -> str:
    """A hash of the schema files: a database of another shape is built anew from the journal."""
    texts = [path.read_text(encoding="utf-8") for path in _schema()]
    return sha256("\0".join(texts).encode()).hexdigest()


def _schema() -> list[Path]:
    return sorted((folder("queries") / "schema").glob("*.sql"))


class Database:
    """One open database file."""

    def __init__(self, path: Path, *, read_only: bool, wait: float = 0) -> None:
        """Open or make the file; raises ``Unopenable``, after ``wait`` seconds where a process
        that knows nothing of our lock has it."""
        self.path = path
        self._connection = _connected(path, read_only, wait)
        self._alone = RLock()  # a load may be put in by another thread
        try:
            self.rows("ledger_utc")
            self.rows("ledger_settings_quiet")
            self.rows("ledger_settings_closed")
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file. What fails here is not lost: the journal has it."""
        import duckdb

        with suppress(duckdb.Error):
            self._connection.close()

    def rows(self, name: str, /, **parameters: Any) -> list[tuple[Any, ...]]:
        """The rows of ``queries/NAME.sql``; raises ``Unopenable`` where the file fails."""
        return self._run(query(name), parameters)

    def _run(self, statement: str, parameters: dict[str, Any]) -> list[tuple[Any, ...]]:
        with self._alone, self._told():
            return self._connection.execute(statement, parameters or None).fetchall()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Tell as ``Unopenable`` what is the file's fault, or the disk's, or beyond one question's
        bounds; what is a mistake of ours stays as it is."""
        import duckdb

        try:
            yield
        except (duckdb.OutOfMemoryException, duckdb.InterruptException) as fault:
            raise Unopenable(
                f"the question needs more memory or time than one may take: {_first_line(fault)}"
            ) from fault
        except duckdb.Error as fault:
            if not _of_the_file(fault):
                raise
            raise _unusable(self.path, "used", _first_line(fault)) from fault

    def put(self, query_name: str, columns: Mapping[str, Sequence[Any]]) -> None:
        """Run an insert that selects from ``given``: these columns, as arrays.

        Binding a value at a time, or as text, takes longer than a replay of the whole log; of a
        few values it takes less than arrays take to load.
        """
        if sum(map(len, columns.values())) <= _FEW:
            unnested = ", ".join(f'unnest(${name}) as "{name}"' for name in columns)
            given = f"with given as (select {unnested})\n{query(query_name)}"
            self._run(given, {name: list(values) for name, values in columns.items()})
            return
        arrays = {name: _array(values) for name, values in columns.items()}
        with self._alone:
            self._connection.register("given", arrays)
            try:
                self.rows(query_name)
            finally:
                self._connection.unregister("given")

    def begin(self) -> None:
        """Open a transaction."""
        with self._told():
            self._connection.begin()

    def checkpoint(self) -> None:
        """Write all into the one file."""
        with self._told():
            self._connection.checkpoint()

    def commit(self) -> None:
        """Commit. After an error inside the transaction this returns and stores nothing: whoever
        needs to know looks at ``state`` afterwards. Raises ``Unopenable`` where the disk fails."""
        with self._told():
            self._connection.commit()

    def rollback(self) -> None:
        """Drop the open transaction, if the error that led here has not done so already."""
        import duckdb

        with self._alone, suppress(duckdb.Error):
            self._connection.rollback()

    @contextmanager
    def together(self) -> Iterator[None]:
        """One transaction: all of what is done in it, or nothing."""
        self.begin()
        try:
            yield
        except BaseException:
            self.rollback()
            raise
        self.commit()

    def state(self) -> State:
        """What the file holds; raises ``Unopenable`` where it is no ledger's database."""
        import duckdb

        try:
            row = self.rows("ledger_state")[0]
        except (duckdb.CatalogException, duckdb.BinderException):  # other tables, or none
            raise Unopenable(f"{self.path.name} is no ledger's database", REPAIR) from None
        ledger_id, form, its_shape, position, recorded_at, root, peaks, length, seals = row
        if form is not None and int(form) > FORMAT:
            raise Unopenable(
                f"the ledger {self.path.name} has format {form}; this program reads up to {FORMAT}",
                "use a newer ampelog",
            )
        if ledger_id is None or position is None:
            raise Unopenable(f"the database {self.path.name} holds no ledger", REPAIR)
        mark = Mark(
            head=Head(position, root),
            peaks=tuple(peaks.split(",")),
            recorded_at=recorded_at,
            end=length,
            line=1 + position + seals,
        )
        return State(ledger_id, its_shape or "", mark)

    def records(self, first: int, last: int) -> list[Record]:
        """The events from ``first`` to ``last``, both included."""
        return [Record(*row) for row in self.rows("ledger_records", first=first, last=last)]

    def zone(self) -> ZoneInfo:
        """The zone in which times without one are read."""
        return home_zone(self.records(1, 1)[0].event)

    def add(self, facts: Sequence[Fact]) -> None:
        """Insert events, inside the open transaction; ``Refused`` where an id is there already."""
        for start in range(0, len(facts), scribe.BATCH):
            batch = facts[start : start + scribe.BATCH]
            known = [scribe.facts(*line[:4], instant) for line, instant in batch]
            self.insert("\n".join(known), "\n".join([fact.line.body for fact in batch]))

    def insert(self, facts: str, bodies: str) -> None:
        """Insert events as a scribe writes them out, a line each; as ``add``."""
        import duckdb

        try:
            self.rows("ledger_events_insert", facts=facts, bodies=bodies)
        except duckdb.ConstraintException as fault:
            raise Refused(
                f"an event has the id of another, or has none: {_first_line(fault)}"
            ) from fault

    def seal(self, marks: Iterable[Mark]) -> None:
        """Insert seals, inside the open transaction."""
        lines = [
            f"{mark.head.position} {mark.recorded_at} {mark.head.root} "
            f"{','.join(mark.peaks)} {mark.end}"
            for mark in marks
        ]
        self.rows("ledger_seals_insert", seals="\n".join(lines))

    def fill(self, loads: Iterable[Load], zone: ZoneInfo | None = None) -> Mark | None:
        """Take in whole loads in one transaction; returns the last one's mark, None without any.

        Without a zone the first event is the home premises, and names it.
        """
        last = None
        with self.together():
            for batch in _batches(loads):
                zone = zone or home_zone(batch[0].lines[0].event)
                facts = [
                    Fact(line, instant_of(line.event, zone))
                    for load in batch
                    for line in load.lines
                ]
                self.add(facts)
                self.seal(load.mark for load in batch)
                last = batch[-1].mark
        if last is not None and self.state().mark.head != last.head:
            raise Unopenable(f"the database {self.path.name} did not take in the journal", REPAIR)
        return last

    def begun(self, ledger_id: str) -> None:
        """Lay out an empty database, of a name that is not in use yet: it is checkpointed whole."""
        with self.together():  # one by one, each waits for the disk
            for path in _schema():
                self._run(path.read_text(encoding="utf-8"), {})
            for name, value in (("format", str(FORMAT)), ("ledger", ledger_id), ("shape", shape())):
                self.rows("ledger_meta_insert", name=name, value=value)


def wal(path: Path) -> Path:
    """The write-ahead log of a database file."""
    return path.with_name(path.name + ".wal")


def discard(path: Path) -> None:
    """Remove a database that was never finished."""
    for part in (wal(path), path):
        part.unlink(missing_ok=True)


def home_zone(first: dict[str, Any]) -> ZoneInfo:
    """The zone of the home premises, the first event of every ledger."""
    name = first.get("timezone")
    try:
        return moments.zone_of(name if isinstance(name, str) else "UTC")
    except moments.NotATime as fault:
        raise Refused(f"the first event names no time zone: {fault}") from None


def instant_of(event: dict[str, Any], zone: ZoneInfo) -> int:
    """When an event happened, in UTC microseconds since 1970."""
    try:
        return moments.instant(str(event.get("at")), zone)
    except moments.NotATime as fault:
        raise Refused(f"the event {event.get('id')} has no time: {fault}") from None


def _batches(loads: Iterable[Load]) -> Iterator[list[Load]]:
    batch: list[Load] = []
    size = 0
    for load in loads:
        batch.append(load)
        size += len(load.lines)
        if size >= scribe.BATCH:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _connected(path: Path, read_only: bool, wait: float) -> DuckDBPyConnection:
    import duckdb

    until = time.monotonic() + wait  # a stopwatch, not the time of day
    while True:
        try:
            return duckdb.connect(str(path), read_only=read_only, config=_SETTINGS)
        except duckdb.Error as fault:
            says = _first_line(fault)
            if "Could not set lock" not in says:
                raise _unopenable(path, says) from fault
            if time.monotonic() >= until:
                raise Unopenable(
                    f"the database {path.name} is busy with a program that goes around the "
                    f"ledger's lock: {says}",
                    "end that program and try again",
                ) from fault
            time.sleep(_PAUSE)


def _unopenable(path: Path, says: str) -> Unopenable:
    if "version number" in says:
        return Unopenable(
            f"the database {path.name} was written by a newer DuckDB: {says}",
            "use a newer ampelog, or run `ampelog repair` to build it again from the journal",
        )
    return _unusable(path, "opened", says)


def _unusable(path: Path, does: str, says: str) -> Unopenable:
    full = "No space left" in says or "File too large" in says
    room = "make room on the disk and try again: all that was recorded is in the journal"
    return Unopenable(
        f"the database {path.name} cannot be {does}: {says}", room if full else REPAIR
    )


def _of_the_file(fault: BaseException) -> bool:
    """Whether an error says that the file or its disk, not the question, is at fault.

    A block whose checksum is wrong has no class of its own; a commit that the disk refuses has that
    of a transaction which an error ended, and only its text tells it apart.
    """
    import duckdb

    if isinstance(fault, duckdb.TransactionException):
        return "Failed to commit" in str(fault)
    broken: tuple[type[duckdb.Error], ...] = (duckdb.IOException, duckdb.SerializationException)
    broken += (duckdb.FatalException, duckdb.InternalException)
    return type(fault) is duckdb.Error or isinstance(fault, broken)


def _first_line(fault: BaseException) -> str:
    return str(fault).strip().splitlines()[0] if str(fault).strip() else type(fault).__name__


def _array(values: Sequence[Any]) -> Any:
    """A column for DuckDB: whole numbers as 64 bits where all fit, else as texts; all else as
    objects, None being null."""
    import numpy as np

    if set(map(type, values)) == {int}:
        try:
            return np.array(values, dtype=np.int64)
        except OverflowError:
            return np.array([str(one) for one in values], dtype=object)
    return np.array(values, dtype=object)
