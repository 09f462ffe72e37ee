"""Writes that are on the disk when they return, or say that they are not."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from ampelog.errors import Refused, Unopenable


def write(path: Path, end: int, data: bytes) -> None:
    """Append one load's lines and seal to a journal, after the byte ``end``, and sync them.

    When it returns, the load is recorded. When it raises ``Refused`` the file is as before; when
    it raises ``Unopenable`` it could not be cut back, and the next opening will tell.
    """
    number = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    try:
        if os.fstat(number).st_size != end:
            raise Unopenable(
                f"the journal {path.name} changed while it was open; nothing was recorded",
                "another program writes to it; open the ledger again",
            )
        try:
            _write_all(number, data, end)
            os.fsync(number)
        except BaseException as fault:
            _cut(number, end, path)
            if isinstance(fault, OSError):
                raise Refused(
                    f"the journal {path.name} could not be written: {fault.strerror}; "
                    "nothing was recorded",
                    hint="make room or mend the disk, and load again",
                ) from fault
            raise
    finally:
        os.close(number)


def _write_all(number: int, data: bytes, at: int) -> None:
    view = memoryview(data)
    while view:
        written = os.pwrite(number, view, at)
        view, at = view[written:], at + written


def _cut(number: int, end: int, path: Path) -> None:
    try:
        os.ftruncate(number, end)
        os.fsync(number)
    except OSError as fault:
        raise Unopenable(
            f"the journal {path.name} could be neither written nor cut back: {fault.strerror}",
            "it is not known whether the load was recorded; open the ledger again to see",
        ) from fault


def write_new(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file that is not there yet, synced, and its name synced in its folder; raises
    ``Unopenable``, and there is none, where the disk fails."""
    try:
        with path.open("xb") as target:
            for chunk in chunks:
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
        sync_folder(path)
    except OSError as fault:
        path.unlink(missing_ok=True)
        raise Unopenable(
            f"{path.name} could not be written: {fault.strerror}",
            "make room or mend the disk, and try again; nothing was set aside",
        ) from fault


def sync_folder(path: Path) -> None:
    """Make the names in a file's folder durable."""
    number = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(number)
    finally:
        os.close(number)
