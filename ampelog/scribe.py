"""Writes a load out: canonical texts, leaves, the journal's bytes, and the new head.

A large load is written out by a process of its own while it is checked: hashing and the forms
need none of what the check finds out, and a cellar's computer has more than one core.
"""

from __future__ import annotations

import errno
import gc
import marshal
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from msgspec import Struct

from ampelog import chain, journal
from ampelog.errors import Refused
from ampelog.journal import Head

if TYPE_CHECKING:
    from subprocess import Popen

MANY = 5_000
"""Events from which on a process of its own is worth its start."""
BATCH = 20_000
"""Events in one insert: some 15 MB."""


def _nothing() -> None:
    pass


class Coming(Struct, frozen=True):
    """A load as it will be recorded: its first position, how many events, and when.

    A check calls ``ahead`` once it asks of the projection and of events up to the head alone: those
    of the load may then appear in the database while it goes on, from another thread, in the same
    transaction.
    """

    first: int
    count: int
    recorded_at: str
    ahead: Callable[[], None] = _nothing

    def __len__(self) -> int:
        return self.count

    @property
    def last(self) -> int:
        """The position of its last event."""
        return self.first + self.count - 1


class Draft(Struct, frozen=True, gc=False):
    """An event about to be recorded; ``event`` has ``id`` and ``by`` filled.

    ``instant`` is its ``at`` in UTC microseconds since 1970, negative before; ``line`` what it was
    read from, where that is still to be checked: then ``id`` and ``by`` are all that is asked of
    ``event``.
    """

    event: dict[str, Any]
    instant: int
    line: bytes = b""


Form = Callable[[dict[str, Any], bytes], dict[str, Any]]
"""The whole event, of what was filled in and the line that says the rest, or of all of it and no
line; raises where it is not of the form of its kind, or its line not what every reader reads
alike."""


class Written(NamedTuple):
    """A load written out.

    ``batches`` are what the database takes in (``facts``); ``data`` the journal's bytes, seal
    included; ``head`` and ``peaks`` those of the tree after it.
    """

    batches: list[tuple[str, str]]
    data: bytes
    head: Head
    peaks: tuple[str, ...]


def facts(position: int, recorded_at: str, leaf: str, salt: str, instant: int) -> str:
    """What the database keeps of an event beside its body, on one line."""
    return f"{position} {recorded_at} {leaf} {salt} {instant}"


def write_out(
    drafts: Sequence[Draft],
    after: int,
    peaks: Sequence[str],
    recorded_at: str,
    form: Form | None = None,
) -> Written:
    """Write a load out after a position, each event with a fresh salt; ``Refused`` where an
    event has no canonical text, and what ``form`` raises of one."""
    size = chain.SALT_BYTES * 2
    salts = os.urandom(chain.SALT_BYTES * len(drafts)).hex()
    tree = chain.Peaks(after, peaks)
    batches: list[tuple[str, str]] = []
    lines: list[str] = []
    for start in range(0, len(drafts), BATCH):
        known, bodies = [], []
        for index, draft in enumerate(drafts[start : start + BATCH], start=start):
            event = draft.event if form is None else form(draft.event, draft.line)
            position, salt = after + index + 1, salts[index * size : (index + 1) * size]
            try:
                body, leaf = chain.entry(event, position, recorded_at, salt)
            except chain.NotCanonical as fault:
                named = event.get("id")
                raise Refused(f"the event {named} cannot be written: {fault}") from None
            tree.add(leaf)
            lines.append(journal.event_line(position, recorded_at, leaf, salt, body))
            known.append(facts(position, recorded_at, leaf, salt, draft.instant))
            bodies.append(body)
        batches.append(("\n".join(known), "\n".join(bodies)))
    head = Head(tree.size, tree.root())
    data = "".join(lines).encode() + journal.seal_line(head)
    return Written(batches, data, head, tuple(tree.hashes()))


class Scribe:
    """Writes a load out at once, or, where there is much of it, in a process of its own."""

    def __init__(
        self,
        drafts: Sequence[Draft],
        after: int,
        peaks: Sequence[str],
        recorded_at: str,
        form: Form | None = None,
    ) -> None:
        self._drafts, self._said, self._form = drafts, (after, peaks, recorded_at), form
        self._process: Popen[bytes] | None = None
        self.dropped = False
        if len(drafts) >= MANY and (os.cpu_count() or 1) > 1:
            with suppress(OSError):  # no room, or no process: it is written out here
                self._begin()

    def _begin(self) -> None:
        """Hand everything to a fresh process. A fork would share this one's memory, and every page
        that the replay touches would be copied."""
        import pickle
        from subprocess import DEVNULL, Popen

        form = pickle.dumps(self._form)  # its name
        asked: Any = (sys.path, _packed(self._drafts), *self._said, form)
        self._written = _unnamed()
        try:
            with _unnamed() as given:
                _put(given, marshal.dumps(asked))
                given.seek(0)
                words = (sys.executable, "-c", _FRESH)
                self._process = Popen(words, stdin=given, stdout=self._written, stderr=DEVNULL)
        except OSError:
            self._written.close()
            raise

    @property
    def is_apart(self) -> bool:
        """Whether a process of its own writes it out."""
        return self._process is not None

    def result(self) -> Written:
        """What was written out; raises what writing it out raises, and where it was dropped."""
        if self._process is not None:
            with self._written:
                if self._process.wait() == 0:
                    self._written.seek(0)
                    batches, data, head, peaks = marshal.loads(self._written.read())
                    return Written(batches, data, Head(*head), peaks)
        if self.dropped:
            raise Refused("the load was dropped")
        return write_out(self._drafts, *self._said, self._form)

    def drop(self) -> None:
        """Nobody wants it any more, nor a thread that waits for it: the load was refused."""
        self.dropped = True
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._written.close()


def _unnamed() -> IO[bytes]:
    """A file without a name: in memory where the system has such, which is written sooner."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("ampelog"), "w+b")
    from tempfile import TemporaryFile

    return TemporaryFile()


def _put(target: IO[bytes], data: bytes) -> None:
    """Write all of it, or raise ``OSError``: not every system says that a limit cut a file."""
    target.write(data)
    target.flush()
    if os.fstat(target.fileno()).st_size != len(data):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


_FRESH = """
import marshal, sys
path, *asked = marshal.loads(sys.stdin.buffer.read())
sys.path[:] = path
from ampelog import scribe
scribe.alone(*asked)
"""


def _packed(drafts: Sequence[Draft]) -> list[list[Any]]:
    """Drafts for another process, a list a field: a line says its event again, but for what was
    filled in."""
    events = [_filled_in(one.event) if one.line else one.event for one in drafts]
    return [events, [one.instant for one in drafts], [one.line for one in drafts]]


def _filled_in(event: dict[str, Any]) -> dict[str, Any]:
    return {"id": event["id"], "by": event["by"]}


def alone(
    packed: list[list[Any]],
    after: int,
    peaks: Sequence[str],
    recorded_at: str,
    form: bytes,
) -> None:
    """The work of the process of its own: its answer goes to standard output. A fault ends it, and
    whoever began it sees to that."""
    import pickle

    gc.disable()
    drafts, checked = list(map(Draft, *packed)), pickle.loads(form)
    done = write_out(drafts, after, peaks, recorded_at, checked)
    head = (done.head.position, done.head.root)
    _put(sys.stdout.buffer, marshal.dumps((done.batches, done.data, head, done.peaks)))
    os._exit(0)  # without freeing it piece by piece
