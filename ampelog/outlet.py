"""Files that somebody asked for: whole or not at all, and never over a ledger's own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from ampelog.errors import Refused

_DATABASE = b"DUCK"
"""What a DuckDB file has after its first checksum of eight bytes."""
_JOURNAL = b'{"format":'
"""How the journal of a ledger begins, and an export; see ``journal.first_line``."""


def keep(content: bytes, path: Path) -> None:
    """Write a file whole or not at all; ``Refused`` where it cannot be written."""
    with written(path) as target:
        target.write(content)


@contextmanager
def written(path: Path) -> Iterator[BinaryIO]:
    """What is to be written, which takes its place when all of it is there. A link is followed; a
    pipe or a device is written to as it is.

    ``Refused`` where it cannot be written, or where a ledger's own file stands there.
    """
    real = path.resolve()
    try:
        if belongs(real):
            raise Refused(f"{path} belongs to a ledger", hint="name another file")
        if path.exists() and not path.is_file():
            with path.open("wb") as target:
                yield target
            return
        beside = real.with_name(f"{real.name}.part")
        try:
            with beside.open("wb") as target:
                yield target
                target.flush()
                os.fsync(target.fileno())
            beside.replace(real)
        finally:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
    except OSError as problem:
        raise Refused(f"`{path}` cannot be written: {problem.strerror}") from None


def belongs(path: Path) -> bool:
    """Whether a file is one that a ledger is made of: the database, its write-ahead log, the
    journal beside it, or the lock."""
    if path.name.endswith(".journal.jsonl"):
        return _begins(path, _JOURNAL)
    if path.suffix == ".wal":
        return belongs(path.with_suffix(""))
    if path.suffix == ".lock":
        return belongs(path.with_name(f"{path.stem}.journal.jsonl"))
    return _begins(path, _DATABASE, after=8)


def _begins(path: Path, sign: bytes, after: int = 0) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(after + len(sign))[after:] == sign
