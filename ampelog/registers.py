"""Registers over time: what was registered of a place, block, party, label and so on, on a day.

The first registration of a name holds from the beginning; a later one changes the fields that it
names from its time on, and ``null`` clears one (EVENTS.md).
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Iterable
from typing import Any

Entry = tuple[int, int, dict[str, Any]]
"""(instant, position, fields named)."""

KINDS = frozenset({"place", "block", "premises", "party", "material", "vessel", "lot", "label"})
"""The kinds of register events."""

_COMMON = frozenset(
    {"kind", "at", "until", "id", "by", "ref", "papers", "note", "estimated", "despite", "name"}
)


def fields_of(event: dict[str, Any]) -> dict[str, Any]:
    """The fields that a register event names."""
    return {key: value for key, value in event.items() if key not in _COMMON}


class Registers:
    """Look-ups by kind and name. ``fetch`` brings the entries of a name that is not here yet."""

    def __init__(self, fetch: Callable[[str, str], Iterable[Entry]] | None = None) -> None:
        self._entries: dict[tuple[str, str], list[Entry]] = {}
        self._fetch = fetch
        self._names: dict[str, set[str]] = {}
        self._whole: frozenset[str] = frozenset()

    def give(self, entries: dict[tuple[str, str], list[Entry]]) -> None:
        """Put in entries that were read elsewhere; each is all there is of its name."""
        for key, found in entries.items():
            self._entries[key] = sorted(found, key=_order)
            if found:
                self._names.setdefault(key[0], set()).add(key[1])

    def give_nothing_else(self, kinds: Iterable[str]) -> None:
        """Of these kinds everything has been put in: what is not here is not registered."""
        self._whole = frozenset(kinds)

    def _of(self, kind: str, name: str) -> list[Entry]:
        key = (kind, name)
        found = self._entries.get(key)
        if found is None:
            ask = self._fetch is not None and kind not in self._whole
            found = sorted(self._fetch(kind, name), key=_order) if ask and self._fetch else []
            self._entries[key] = found
        return found

    def add(self, kind: str, name: str, entry: Entry) -> None:
        """Register; the order of calls does not matter."""
        self._names.setdefault(kind, set()).add(name)
        insort(self._of(kind, name), entry, key=_order)

    def knows(self, kind: str, name: str) -> bool:
        """Whether the name is registered at any time."""
        return bool(self._of(kind, name))

    def all_names(self, kind: str) -> set[str] | None:
        """All the names of a kind, where all of them are here; None where some may not be."""
        if self._fetch is not None and kind not in self._whole:
            return None
        return self._names.setdefault(kind, set())

    def names(self, kind: str) -> list[str]:
        """The names registered so far, in order of entry (without those not fetched)."""
        return [name for (of, name), found in self._entries.items() if of == kind and found]

    def changes(self, kind: str, name: str) -> list[int]:
        """The instants at which a name was registered."""
        return [entry[0] for entry in self._of(kind, name)]

    def at(self, kind: str, name: str, instant: int) -> dict[str, Any]:
        """What is registered of a name at an instant; empty if it never was."""
        entries = self._of(kind, name)
        if len(entries) < 2:
            return entries[0][2] if entries else {}
        folded = dict(entries[0][2])
        for moment, _, fields in entries[1:]:
            if moment > instant:
                break
            folded.update(fields)
        return folded


def _order(entry: Entry) -> tuple[int, int]:
    return entry[:2]
