"""The lock of a ledger: many readers, or one writer, over all processes of a machine.

It is a ``flock`` on a small file of its own. DuckDB's own lock is not enough: it is a POSIX record
lock, which the system drops as soon as its process closes any other handle on the database file,
and then two writers lose each other's events without an error.

The file says who took the lock last, and its modification time says since when; that is only for
the message to whoever waits.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from ampelog.errors import Unopenable

_PAUSE = 0.02  # seconds between two tries


@contextmanager
def held(path: Path, *, exclusive: bool, wait: float) -> Iterator[None]:
    """Hold the lock, shared or exclusive; ``Unopenable`` names the holder after ``wait`` seconds.

    On a medium that cannot be written to nobody writes, and reading needs no lock.
    """
    number = _opened(path, exclusive)
    if number is None:
        yield
        return
    try:
        _take(number, path, exclusive, wait)
        _sign(number, exclusive)
        yield
    finally:
        os.close(number)  # which also lets go of the lock


def _opened(path: Path, exclusive: bool) -> int | None:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as fault:
        if exclusive or fault.errno not in (errno.EROFS, errno.EACCES, errno.EPERM):
            raise Unopenable(f"the lock {path.name} cannot be opened: {fault.strerror}") from fault
    try:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as fault:
        if fault.errno == errno.ENOENT and not os.access(path.parent, os.W_OK):
            return None
        raise Unopenable(f"the lock {path.name} cannot be opened: {fault.strerror}") from fault


def _take(number: int, path: Path, exclusive: bool, wait: float) -> None:
    wanted = (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB
    until = time.monotonic() + wait  # a stopwatch, not the time of day
    while True:
        try:
            fcntl.flock(number, wanted)
        except BlockingIOError:
            if time.monotonic() >= until:
                raise Unopenable(
                    f"the ledger is busy: {_holder(number)} has it ({path.name})",
                    "try again when that has finished, or wait longer with --wait",
                ) from None
            time.sleep(_PAUSE)
        else:
            return


def _sign(number: int, exclusive: bool) -> None:
    import pwd

    try:
        user = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        user = str(os.getuid())
    note = json.dumps(
        {"pid": os.getpid(), "user": user, "does": "writes" if exclusive else "reads"}
    )
    try:
        os.pwrite(number, note.ljust(_NOTE).encode(), 0)
    except OSError:
        return  # read-only, or a full disk: the lock holds all the same


_NOTE = 200  # bytes; one fixed length, so that a shorter note covers a longer one


def _holder(number: int) -> str:
    """Who has the lock, as far as the file tells truly: the last to sign may have left."""
    try:
        note = json.loads(os.pread(number, 2 * _NOTE, 0))
        pid, user, does = int(note["pid"]), str(note["user"]), str(note["does"])
        os.kill(pid, 0)
    except ProcessLookupError:
        return "another process"
    except PermissionError:
        pass  # it lives, under another user
    except (ValueError, KeyError, TypeError):
        return "another process"
    since = datetime.fromtimestamp(os.fstat(number).st_mtime_ns // 10**9, UTC)
    return f"process {pid} of {user}, which {does} since {since:%Y-%m-%d %H:%M:%S} UTC,"
