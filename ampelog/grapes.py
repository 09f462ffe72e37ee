"""Grape variety names: which are on an authority's list, and which are one grape.

Names are compared without case, diacritics, hyphens, spaces and other marks. Synonyms that the
list states are one grape; names that it lists separately are not, whatever a botanist says.
Where the list cannot tell, the answer is None.
"""

from __future__ import annotations

import csv
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import date
from functools import lru_cache
from pathlib import Path

from msgspec import Struct, field

APPROVED = "approved"
ADMINISTRATIVE = "administrative"
TYPE_DESIGNATION = "type designation"
EXPIRED = "expired"
_STATUSES = (APPROVED, ADMINISTRATIVE, TYPE_DESIGNATION, EXPIRED)
"""From the strongest: a name that is listed twice has the first of its statuses."""

COLUMNS = ["name", "status", "same_as", "bottled_before", "source"]


class NotAListError(ValueError):
    """The list of names cannot be read; the message says what was seen and what was wanted."""


@lru_cache(maxsize=4096)
def fold(name: str) -> str:
    """A name without case, diacritics and marks: ``Cabernet-Doré`` is ``cabernetdore``."""
    return "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if c.isalnum())


class GrapeName(Struct, frozen=True):
    """A row of the list. ``bottled_before``: an expired name may stand only on earlier wine."""

    name: str
    status: str
    source: str
    bottled_before: date | None = None


class Grapes(Struct, frozen=True):
    """A list of names. Without rows nothing is listed and names that differ are two grapes."""

    rows: Mapping[str, GrapeName] = field(default_factory=dict)
    pools: Mapping[str, str] = field(default_factory=dict)
    apart: frozenset[frozenset[str]] = frozenset()

    @classmethod
    def read(
        cls, path: Path, spellings: Mapping[str, str], apart: Iterable[tuple[str, str]]
    ) -> Grapes:
        """Read the list, a CSV file of ``COLUMNS`` where a line that begins with ``#`` is a
        comment. ``spellings`` and ``apart`` are those of the pack. ``NotAListError`` for another
        column or status, a date that is none, and a synonym that is no name of the list.
        """
        with path.open(encoding="utf-8", newline="") as lines:
            reader = csv.DictReader(line for line in lines if not line.startswith("#"))
            if reader.fieldnames != COLUMNS:
                raise NotAListError(f"the columns are {reader.fieldnames}, wanted {COLUMNS}")
            table = list(reader)
        rows: dict[str, GrapeName] = {}
        for line in sorted(table, key=lambda line: _rank(line["status"])):
            rows.setdefault(fold(line["name"]), _row(line))
        for spelling, name in spellings.items():
            rows.setdefault(fold(spelling), rows[_listed(rows, name)])
        stated = [
            (line["name"], other)
            for line in table
            for other in line["same_as"].split(";")
            if other.strip()
        ]
        pairs = [(_listed(rows, a), _listed(rows, b)) for a, b in [*stated, *spellings.items()]]
        doubtful = frozenset(frozenset((_listed(rows, a), _listed(rows, b))) for a, b in apart)
        return cls(rows, _pools(rows, pairs), doubtful)

    def listed(self, name: str) -> GrapeName | None:
        """The row of a name, None where it is not on the list."""
        return self.rows.get(fold(name))

    def same(self, one: str, other: str) -> bool | None:
        """Whether two names are one grape; None where the list cannot tell."""
        a, b = fold(one), fold(other)
        if a == b:
            return True
        if not self.rows:
            return False
        if a in self.rows and b in self.rows:
            if self.pools[a] == self.pools[b]:
                return True
            return None if frozenset((a, b)) in self.apart else False
        if a not in self.rows and b not in self.rows:
            return None
        return None if _one_slip(a, b) else False

    def nearest(self, name: str) -> str | None:
        """The listed name that is one slip of the pen away, where there is one."""
        folded = fold(name)
        close = sorted(row.name for key, row in self.rows.items() if _one_slip(folded, key))
        return close[0] if close else None


def _rank(status: str) -> int:
    if status not in _STATUSES:
        raise NotAListError(f"the status `{status}` is none of {', '.join(_STATUSES)}")
    return _STATUSES.index(status)


def _row(line: Mapping[str, str]) -> GrapeName:
    before = line["bottled_before"]
    try:
        ends = date.fromisoformat(before) if before else None
    except ValueError:
        raise NotAListError(f"`{before}` is no date, in the row of `{line['name']}`") from None
    return GrapeName(line["name"], line["status"], line["source"], ends)


def _listed(rows: Mapping[str, GrapeName], name: str) -> str:
    if fold(name) not in rows:
        raise NotAListError(f"`{name.strip()}` is called a synonym and is not on the list")
    return fold(name)


def _pools(rows: Iterable[str], pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """One name for each group of names that are linked by pairs, directly or not."""
    pool = {row: row for row in rows}

    def root(row: str) -> str:
        while pool[row] != row:
            row = pool[row]
        return row

    for a, b in pairs:
        pool[root(a)] = root(b)
    return {row: root(row) for row in pool}


def _one_slip(one: str, other: str) -> bool:
    """Whether one letter more, less, other, or two neighbours swapped part two folded names.

    Names under five letters are never near: there too many differ by a letter and are two grapes.
    """
    short, long = sorted((one, other), key=len)
    if len(short) < 5 or len(long) - len(short) > 1:
        return False
    head = 0
    while head < len(short) and short[head] == long[head]:
        head += 1
    rest, other_rest = short[head:], long[head:]
    if len(short) < len(long):
        return rest == other_rest[1:]
    swapped = rest[:2] == other_rest[1::-1] and rest[2:] == other_rest[2:]
    return rest[1:] == other_rest[1:] or swapped
