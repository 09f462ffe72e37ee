"""Writes a load out: canonical texts, leaves, the journal's bytes, and the new head.

A large load is written out by a child process while its parent checks it: hashing and the forms
need none of what the check finds out, and a cellar's computer has more than one core.
"""

from __future__ import annotations

import marshal
import os
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from ampelog import chain, journal
from ampelog.errors import Refused
from ampelog.journal import Head

MANY = 20_000
"""Events from which on a child process is worth its start."""
BATCH = 20_000
"""Events in one insert: some 15 MB."""


class Draft(NamedTuple):
    """An event about to be recorded; ``event`` has ``id`` and ``by`` filled.

    ``instant`` is its ``at`` in UTC microseconds since 1970, negative before; ``line`` what it was
    read from, where that is still to be checked.
    """

    event: dict[str, Any]
    instant: int
    line: bytes = b""


Form = Callable[[dict[str, Any], bytes], object]
"""Raises where an event is not of the form of its kind, or its line not what every reader reads
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
            if form is not None:
                form(draft.event, draft.line)
            position, salt = after + index + 1, salts[index * size : (index + 1) * size]
            try:
                body, leaf = chain.entry(draft.event, position, recorded_at, salt)
            except chain.NotCanonical as fault:
                event = str(draft.event.get("id"))
                raise Refused(f"the event {event} cannot be written: {fault}") from None
            tree.add(leaf)
            lines.append(journal.event_line(position, recorded_at, leaf, salt, body))
            known.append(facts(position, recorded_at, leaf, salt, draft.instant))
            bodies.append(body)
        batches.append(("\n".join(known), "\n".join(bodies)))
    head = Head(tree.size, tree.root())
    data = "".join(lines).encode() + journal.seal_line(head)
    return Written(batches, data, head, tuple(tree.hashes()))


class Scribe:
    """Writes a load out at once, or, where there is much of it, in a child process."""

    def __init__(
        self,
        drafts: Sequence[Draft],
        after: int,
        peaks: Sequence[str],
        recorded_at: str,
        form: Form | None = None,
    ) -> None:
        self._asked = (drafts, after, peaks, recorded_at, form)
        self._child = 0
        if len(drafts) >= MANY and hasattr(os, "fork") and (os.cpu_count() or 1) > 1:
            from tempfile import TemporaryFile

            self._file = TemporaryFile()  # noqa: SIM115  read by the parent, then closed
            self._child = os.fork()
            if self._child == 0:
                self._in_child()

    def _in_child(self) -> None:
        """Write the answer to the file and end, whatever happens; touch nothing else."""
        code = 1
        try:
            done = write_out(*self._asked)
            head = (done.head.position, done.head.root)
            marshal.dump((done.batches, done.data, head, done.peaks), self._file)
            self._file.flush()
            code = 0
        finally:
            os._exit(code)

    def result(self) -> Written:
        """What was written out; raises what writing it out raises."""
        if self._child:
            _, status = os.waitpid(self._child, 0)
            self._child = 0
            with self._file:
                if status == 0:
                    self._file.seek(0)
                    batches, data, head, peaks = marshal.load(self._file)
                    return Written(batches, data, Head(*head), peaks)
        return write_out(*self._asked)

    def drop(self) -> None:
        """Nobody wants it any more: the load was refused."""
        if self._child:
            os.kill(self._child, 9)
            os.waitpid(self._child, 0)
            self._child = 0
            self._file.close()
