"""Small ledgers for tests of the log: events that say little, and a ledger of some loads."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ampelog import ledger, moments
from ampelog.ledger import Draft, Head

ZONE = ZoneInfo("Europe/Lisbon")
LEDGER_ID = "7f0c5a52-3f1e-4a53-9a3c-0d1f8f8c2b11"


def recorded(load: int) -> str:
    """The recording time of the load of that number."""
    return f"2026-03-01T08:00:{load:02d}Z"


def event(number: int, **more: Any) -> dict[str, Any]:
    """An event of its own id, number and words, with private text."""
    return {
        "kind": "note",
        "at": f"2025-10-{number % 28 + 1:02d}T14:20",
        "id": f"00000000-0000-7000-8000-{number:012d}",
        "by": "Inês",
        "lot": f"25-{number}",
        "text": f"looked at it, {number}",
        "to": [{"lot": "x", "vessel": f"T-{number}"}],
        **more,
    }


def draft(number: int, **more: Any) -> Draft:
    """That event, with its instant."""
    made = event(number, **more)
    return Draft(made, moments.instant(made["at"], ZONE))


def drafts(first: int, last: int) -> list[Draft]:
    """Events ``first`` to ``last``, both included."""
    return [draft(number) for number in range(first, last + 1)]


def home() -> Draft:
    """The first event of a ledger: its home premises."""
    made = event(0, kind="premises", at="1900-01-01", name="Home", timezone=ZONE.key)
    return Draft(made, moments.instant(made["at"], ZONE))


def made(path: Path, *sizes: int) -> list[Head]:
    """A ledger with its home and a load of each size; the head after each."""
    heads = [ledger.create(path, home(), recorded(0), LEDGER_ID)]
    for load, size in enumerate(sizes, start=1):
        with ledger.opened(path, write=True) as book:
            first = book.head.position
            book.append(drafts(first, first + size - 1), recorded(load), len)
            heads.append(book.head)
    return heads


def journal_of(path: Path) -> Path:
    """The journal beside a database."""
    return path.with_name(f"{path.stem}.journal.jsonl")


def lines_of(path: Path) -> list[Any]:
    """The parsed lines of the journal beside a database."""
    return [json.loads(line) for line in journal_of(path).read_text("utf-8").splitlines()]


def flipped(path: Path, at: int, bit: int = 0) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(data)
