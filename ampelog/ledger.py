"""The ledger: the journal, and a database that holds it for asking. The only writer.

A load is checked in an open transaction, then appended to the journal and synced, which is the
moment of recording, then committed. A failure before that moment leaves nothing; after it the
database is behind and catches up, here or at the next opening. The database is never trusted
with the log: it can be lost and is built again from the journal.

The ledger knows no wine: what may be recorded is decided by the check it is handed.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from itertools import permutations
from pathlib import Path
from typing import Any, TypeVar

from msgspec.structs import replace

from ampelog import chain, durable, moments, outlet
from ampelog.beside import Beside
from ampelog.database import REPAIR, Database, shape
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.journal import Damaged, Files, Head, Line, Load, Mark, Record
from ampelog.keeping import Finish, agrees, catch_up, copied, damaged, establish
from ampelog.lock import held
from ampelog.scribe import Coming, Draft, Form, Scribe

__all__ = [
    "Coming",
    "Draft",
    "Head",
    "Ledger",
    "Record",
    "create",
    "export",
    "opened",
    "repair",
    "restore",
    "verify",
]

T = TypeVar("T")
_ATTEMPTS = 3  # to find journal and database level, while others may write in between


# --- making and opening ---------------------------------------------------------------------


def create(path: Path, first: Draft, recorded_at: str, ledger_id: str | None = None) -> Head:
    """Make a ledger with its first event; refuses to overwrite a database or a journal.

    ``recorded_at`` is UTC text (``2026-11-25T09:10:00Z``).
    """
    from uuid import uuid4

    stamp = _stamp(recorded_at)
    salt = os.urandom(chain.SALT_BYTES).hex()
    body, leaf = chain.entry(first.event, 1, stamp, salt)
    peaks = chain.Peaks()
    peaks.add(leaf)
    mark = Mark(Head(1, peaks.root()), peaks.hashes(), stamp)
    line = Line(1, stamp, leaf, salt, body, first.event)
    return establish(Files(path), ledger_id or str(uuid4()), [Load([line], mark)])


@contextmanager
def opened(path: Path, *, write: bool = False, wait: float = 10.0) -> Iterator[Ledger]:
    """Open a ledger, for reading with others or for writing alone, waiting up to ``wait`` seconds.

    Raises ``Unopenable``: missing, busy (and who has it), damaged, or of a newer format. Where
    the journal is ahead of the database by whole sealed loads, or holds lines that were never
    sealed, that is mended first and told in ``Ledger.notices``.
    """
    files = Files(path)
    notices: list[Finding] = []
    if not files.database.exists() and not files.journal.exists():
        raise Unopenable(
            f"there is no ledger {files.database}", "make one with `ampelog init`, or name it"
        )
    for _ in range(_ATTEMPTS):
        with held(files.lock, exclusive=write, wait=wait):
            _present(files)
            ledger = Ledger(files, write, wait)
            try:
                if ledger.is_level():
                    ledger.notices = notices
                    yield ledger
                    return
            finally:
                ledger.close()
        with held(files.lock, exclusive=True, wait=wait):
            notices += catch_up(files)
    raise Unopenable(f"the ledger {files.database.name} does not come to rest", "try again")


def _present(files: Files) -> None:
    for missing, there in permutations((files.database, files.journal)):
        if not missing.exists():
            raise Unopenable(f"{missing.name} is missing beside {there.name}", REPAIR)


def _stamp(recorded_at: str) -> str:
    """A recording time in the one form that sorts as text; ``Refused`` where it is none."""
    try:
        return moments.to_stamp(moments.from_stamp(recorded_at))
    except (ValueError, TypeError, OverflowError):
        raise Refused(
            f"`{recorded_at}` is no instant; wanted one like `2026-11-25T09:10:00Z`"
        ) from None


# --- the open ledger ------------------------------------------------------------------------


class Ledger:
    """An open ledger; made by ``opened``."""

    within: frozenset[str] | None = None
    """The lots whose story an excerpt of a log tells; None where all of it is here."""

    def __init__(self, files: Files, write: bool, wait: float) -> None:
        self.path = files.database
        self.writable = write
        self.notices: list[Finding] = []
        self._files = files
        self._behind = False
        self._database = Database(files.database, read_only=not write, wait=wait)
        try:
            self._take_state()
        except BaseException:
            self.close()
            raise

    def _take_state(self) -> None:
        state = self._database.state()
        self._length = agrees(self._files, state)
        self._shape = state.shape
        self._mark = state.mark
        self.ledger_id = state.ledger_id

    @property
    def head(self) -> Head:
        """Size and root of the whole log."""
        return self._mark.head

    def is_level(self) -> bool:
        """Whether the database holds the whole journal and nothing stands after its last seal."""
        return self._length == self._mark.end and self._shape == shape()

    def close(self) -> None:
        """Close the database; the lock is held by ``opened``."""
        self._database.close()

    def _settle(self) -> None:
        """After a load that was recorded and not committed: bring the database level again."""
        if not self._behind:
            return
        self._database.close()
        self.notices += catch_up(self._files)
        self._database = Database(self._files.database, read_only=False)
        self._take_state()
        self._behind = False

    def rows(self, query: str, /, **parameters: Any) -> list[tuple[Any, ...]]:
        """The rows of ``queries/QUERY.sql`` with its ``$named`` parameters."""
        self._settle()
        return self._database.rows(query, **parameters)

    def put(self, query: str, **columns: Sequence[Any]) -> None:
        """Run ``queries/QUERY.sql``, which inserts from ``given``: these columns, of one length.

        Whole numbers that do not fit 64 bits arrive as texts; the query casts.
        """
        self._settle()
        self._database.put(query, columns)

    def records(self, first: int = 1, last: int | None = None) -> list[Record]:
        """The events from position ``first`` to ``last`` (the head when None), both included."""
        self._settle()
        return self._database.records(first, self.head.position if last is None else last)

    @cached_property
    def home(self) -> dict[str, Any]:
        """The first event: the home premises, whose name and zone stay."""
        return self.records(1, 1)[0].event

    def known(self, ids: Iterable[str]) -> dict[str, Record]:
        """Which of these ids are recorded: by the id in small letters, each with its record."""
        asked = "\n".join({one.lower() for one in ids if "\n" not in one})
        found = self.rows("ledger_known", ids=asked) if asked else []
        return {one: Record(*rest) for one, *rest in found}

    def sealed(self, position: int | None = None, recorded_by: str | None = None) -> Head:
        """The last head at or before a position, and recorded at or before a UTC instant.

        A position inside a load means the load before. ``Refused`` where nothing was recorded by
        then.
        """
        found = self.rows(
            "ledger_sealed",
            position=self.head.position if position is None else position,
            recorded_by="9999" if recorded_by is None else _stamp(recorded_by),
        )
        if not found:
            raise Refused("nothing was recorded by then; the first event is position 1")
        return Head(*found[0])

    def together(self, work: Callable[[], T]) -> T:
        """Do ``work``, which writes with ``rows``, in one transaction: all of it or nothing."""
        assert self.writable, "a ledger open for reading is not written to"
        self._settle()
        with self._database.together():
            answer = work()
            self._database.state()  # raises where an error that was passed over ended it
        return answer

    def append(
        self,
        drafts: Sequence[Draft],
        recorded_at: str,
        check: Callable[[Coming], T],
        form: Form | None = None,
        look: Callable[[T], None] | None = None,
    ) -> T:
        """Record a load, or nothing; returns what ``check`` returned.

        ``check`` is told what positions the drafts will have and may write with ``rows`` in the
        same transaction; what it raises refuses the load, and so does what ``form`` raises of an
        event, where that is still to be checked. ``look`` is told what ``check`` returned when the
        ledger stands as it will with the load, and may still refuse it. ``recorded_at`` is UTC text
        and becomes that of the load before where it would go back. Once the journal's seal is
        synced the load is recorded, whatever happens after.
        """
        self._settle()
        coming = self._coming(drafts, recorded_at)
        if not drafts:
            return self.together(lambda: check(coming))
        assert self.writable, "a ledger open for reading is not written to"
        stamp = coming.recorded_at
        scribe = Scribe(drafts, self.head.position, self._mark.peaks, stamp, form)
        insertion = Beside(lambda: self._insert(scribe, stamp))
        if scribe.is_apart:
            coming = replace(coming, ahead=insertion.begin)
        try:
            self._database.begin()
            answer = check(coming)
            mark, data = insertion.result()
            if look is not None:
                with self._standing_at(mark):
                    look(answer)
            durable.write(self._files.journal, self._mark.end, data)
        except BaseException as fault:
            first = insertion.fault  # what then failed in the check failed because of it
            try:
                scribe.drop()
                insertion.end()
            finally:
                self._database.rollback()
                # An interruption may have come after the journal had the load, or half of it.
                self._behind = self._files.journal.stat().st_size != self._mark.end
            if first is not None and isinstance(fault, Exception):
                raise first from fault
            raise
        self._recorded(mark)
        return answer

    @contextmanager
    def _standing_at(self, mark: Mark) -> Iterator[None]:
        before, self._mark = self._mark, mark
        try:
            yield
        finally:
            self._mark = before

    def _coming(self, drafts: Sequence[Draft], recorded_at: str) -> Coming:
        stamp = max(_stamp(recorded_at), self._mark.recorded_at)
        return Coming(self.head.position + 1, len(drafts), stamp)

    def _insert(self, scribe: Scribe, stamp: str) -> tuple[Mark, bytes]:
        """Put a load into the database, in the open transaction; its mark, and the journal's
        bytes."""
        written = scribe.result()
        mark = Mark(written.head, written.peaks, stamp, self._mark.end + len(written.data))
        for known, bodies in written.batches:
            if scribe.dropped:  # the load was refused: spare the work
                raise Refused("the load was dropped")
            self._database.insert(known, bodies)
        self._database.seal([mark])
        return mark, written.data

    @contextmanager
    def supposing(
        self, drafts: Sequence[Draft], recorded_at: str, check: Callable[[Coming], T]
    ) -> Iterator[T]:
        """The ledger as if a load had been recorded, for as long as the ``with`` lasts.

        ``check`` as for ``append``; what it returned is yielded. All of it stands in a transaction
        of the database alone, which is never committed: nothing reaches the journal.
        """
        assert self.writable, "what is supposed stands in a transaction, which needs a writer"
        self._settle()
        coming = self._coming(drafts, recorded_at)
        scribe = Scribe(drafts, self.head.position, self._mark.peaks, coming.recorded_at)
        try:
            self._database.begin()
            answer = check(coming)
            mark = self._insert(scribe, coming.recorded_at)[0] if drafts else self._mark
            with self._standing_at(mark):
                yield answer
        finally:
            scribe.drop()
            self._database.rollback()

    def _recorded(self, mark: Mark) -> None:
        """Commit what the journal has. A failure here is no failure of the load."""
        self._mark = mark
        self._behind = True
        try:
            self._database.commit()
            self._behind = self._database.state().mark.head != mark.head
            says = "the commit stored nothing"
        except Exception as fault:  # noqa: BLE001 - whatever it is, the load is recorded
            self._database.rollback()
            says = str(fault)
        if self._behind:
            self.notices.append(
                Finding(
                    "recorded, the database will catch up",
                    self._files.database.name,
                    f"the journal has position {mark.head.position}: {says}",
                    "nothing to do: the next opening takes it in",
                )
            )


# --- verifying and handing out --------------------------------------------------------------


def verify(ledger: Ledger) -> list[Finding]:
    """The log against its tree and the journal against the log: every leaf, every seal.

    Empty where all is well.
    """
    from ampelog.checking import check

    ledger._settle()
    return check(ledger._database, ledger._files)


def restore(source: Path, path: Path, finish: Finish | None = None) -> tuple[int, Head]:
    """A new ledger from an export (``keeping.restore``)."""
    from ampelog import keeping

    return keeping.restore(source, path, finish)


def repair(path: Path, wait: float = 10.0, finish: Finish | None = None) -> tuple[Head, list[Path]]:
    """Mend one half of a ledger from the other (``repairing.repair``); the head, and what of the
    old files was kept."""
    from ampelog import repairing

    return repairing.repair(path, wait, finish)


def export(ledger: Ledger, out: Path) -> tuple[int, Head]:
    """Write the whole log to a file, in the journal's form and bytes; the number of events, the
    head.

    Every leaf and seal is verified on the way: ``Unopenable`` where one fails, and ``out`` is as
    it was before. A file that is there is replaced in one step, unless it is a ledger's own
    (``Refused``, as where it cannot be written).
    """
    files = ledger._files
    with outlet.written(out) as target:
        try:
            with files.journal.open("rb") as source:
                head = copied(source, target)
        except Damaged as fault:
            raise damaged(files.journal, fault) from None
    if out.is_file():
        durable.sync_folder(out.resolve())
    return head.position, head
