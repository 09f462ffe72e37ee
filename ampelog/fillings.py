"""What is known of bottles: how each fill came to be as it is, what left, what came in so."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

Parts = tuple[tuple[int, int], ...]
"""Bodies as (node, amount)."""


class Filling(Struct, frozen=True, gc=False):
    """How bottles of a fill came to be as they are: the instant at which their bottling ended
    (None: elsewhere), the label that was put on them, and the instant at which it was (None: no
    label was named)."""

    ended: int | None = None
    label: str | None = None
    since: int | None = None

    def under(self, label: str, since: int) -> Filling:
        """The same bottles under another label from an instant on."""
        return Filling(self.ended, label, since)


class Took(Struct, frozen=True, gc=False):
    """Bottles that a lot took in as they were, by pack, return or a new name: the event's position
    and what came."""

    position: int
    parts: Parts


class Shipped(Struct):
    """What one event shipped. ``parts`` are what has not come back yet, ``left`` what left;
    ``fills`` is what is known of its fills."""

    document: str | None
    sort: str
    format: int
    state: str
    holds: frozenset[str]
    parts: list[tuple[int, int]]
    fills: dict[int, Filling]
    position: int
    left: Parts

    def dump(self) -> list[Any]:
        """As JSON."""
        return [
            self.document,
            self.sort,
            self.format,
            self.state,
            sorted(self.holds),
            self.parts,
            fills_dumped(self.fills),
            self.position,
            None if tuple(self.parts) == self.left else self.left,
        ]

    @classmethod
    def load(cls, body: list[Any]) -> Shipped:
        """From JSON."""
        document, sort, format_, state, holds, parts, fills, position, left = body
        there = parts_of(parts)
        known, whole = fills_loaded(fills), there if left is None else parts_of(left)
        held = frozenset(holds)
        return cls(document, sort, format_, state, held, list(there), known, position, whole)


def fills_dumped(fills: dict[int, Filling]) -> list[Any]:
    """What is known of fills, as JSON."""
    return [(node, fill.ended, fill.label, fill.since) for node, fill in fills.items()]


def fills_loaded(body: list[Any]) -> dict[int, Filling]:
    """What is known of fills, from JSON."""
    return {node: Filling(*known) for node, *known in body}


def parts_of(body: list[Any]) -> Parts:
    """Bodies from JSON."""
    return tuple([(node, amount) for node, amount in body])
