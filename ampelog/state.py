"""What the cellar holds: lots, their holdings, and what is in them.

Amounts are integers of 10^-12 L or kg; bottles are counted by their volume. Everything here can
be written as JSON and read again, so that one event can be recorded into a large ledger by
reading only the lots that it touches.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from operator import add
from typing import Any

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from ampelog.fillings import Filling, Shipped, Took, fills_dumped, fills_loaded, parts_of

MASS = "mass"
VOLUME = "volume"
BOTTLES = "bottles"
SORT_OF_STATE = {"grapes": MASS, "pomace": MASS, "bottled": BOTTLES}
"""Every other state is a liquid, held by volume."""

UNITS = {MASS: "kg", VOLUME: "L", BOTTLES: "L"}
NO_HOLDS: frozenset[str] = frozenset()


class Holding(Struct, frozen=True, gc=False):
    """One lot in one vessel, or a lot without a vessel; a value, shared freely between vessels
    that were filled alike.

    ``parts`` are (node, amount): what was filled in since it was last drawn on. ``closed`` says
    that it is one node labelled with this lot and vessel, which draws share until the next fill.
    Of bottles each part is a fill and stays one. ``since`` is the order of the event that filled
    it when it was empty.
    """

    amount: int
    parts: tuple[tuple[int, int], ...]
    state: str
    closed: bool = False
    holds: frozenset[str] = NO_HOLDS
    ferment: int | None = None
    since: tuple[int, int] = (0, 0)

    def filled(self, node: int, amount: int) -> Holding:
        """With an amount of a node added; equal nodes are one part."""
        parts = self.parts
        for index, (there, part) in enumerate(parts):
            if there == node:
                parts = (*parts[:index], (node, part + amount), *parts[index + 1 :])
                break
        else:
            parts = (*parts, (node, amount))
        total, state = self.amount + amount, self.state
        return Holding(total, parts, state, False, self.holds, self.ferment, self.since)

    def held(self, holds: frozenset[str]) -> Holding:
        """With further holds."""
        return self if holds <= self.holds else replace(self, holds=self.holds | holds)

    def dump(self) -> list[Any]:
        """As JSON."""
        holds = sorted(self.holds) if self.holds else ()
        return [self.amount, self.parts, self.closed, self.state, holds, self.ferment, self.since]

    @classmethod
    def load(cls, body: list[Any]) -> Holding:
        """From JSON."""
        amount, parts, closed, state, holds, ferment, (instant, position) = body
        content = tuple([(node, part) for node, part in parts])
        since = (instant, position)
        return cls(amount, content, state, closed, frozenset(holds), ferment, since)


class Together:
    """Vessels of one lot that are filled together, and what came into each since it was looked at.

    Twenty barrels are topped together, month after month: what they take is kept beside them,
    and is written to each only when one of them is looked at. Toppings are most of a cellar's
    movements. ``least`` is what the emptiest of them held: a fill of more could change its state.
    """

    __slots__ = ("added", "before", "least", "vessels")

    def __init__(self, vessels: Sequence[str | None], before: Sequence[Holding]) -> None:
        self.vessels, self.before = vessels, before
        self.added: dict[int, Sequence[int]] = {}
        self.least = min([holding.amount for holding in before])

    def add(self, node: int, amounts: Sequence[int]) -> None:
        """Each takes its amount of a node."""
        there = self.added.get(node)
        if there is not None:
            amounts = list(map(add, there, amounts))
        self.added[node] = amounts

    def after(self) -> Iterator[tuple[str | None, Holding]]:
        """What each holds now. What held alike and took alike is one value still."""
        seen: dict[tuple[int, ...], Holding] = {}
        took = list(zip(*self.added.values(), strict=True))
        for vessel, before, amounts in zip(self.vessels, self.before, took, strict=True):
            key = (id(before), *amounts)
            holding = seen.get(key)
            if holding is None:
                holding = before
                for node, amount in zip(self.added, amounts, strict=True):
                    holding = holding.filled(node, amount)
                seen[key] = holding
            yield vessel, holding


class Tally:
    """What came into a lot, left it, was lost and gained, in one unit."""

    __slots__ = ("gained", "into", "lost", "out", "pomace")

    def __init__(self) -> None:
        self.into = self.out = self.gained = self.pomace = 0
        self.lost: dict[str, int] = {}

    def lose(self, reason: str, amount: int) -> None:
        """Book a loss under its reason."""
        if amount:
            self.lost[reason] = self.lost.get(reason, 0) + amount

    def held(self) -> int:
        """What the book says must be there."""
        return self.into + self.gained - self.out - sum(self.lost.values())

    def copy(self) -> Tally:
        """The same figures, free to change."""
        twin = Tally()
        twin.into, twin.out, twin.gained, twin.pomace = (
            self.into,
            self.out,
            self.gained,
            self.pomace,
        )
        twin.lost = dict(self.lost)
        return twin


class Lot:
    """A body of grapes, juice, must, wine, spirit, pomace or bottles with one identity."""

    __slots__ = (
        "_holdings",
        "_last",
        "_together",
        "_unread",
        "began",
        "fills",
        "format",
        "label",
        "name",
        "owners",
        "releases",
        "shipped",
        "since",
        "sort",
        "tallies",
        "took",
    )

    def __init__(self, name: str) -> None:
        self.name = name
        self.sort = VOLUME
        self.format = 0
        self.label: str | None = None
        self._holdings: dict[str | None, Holding] = {}
        self._together: Together | None = None
        self._last: dict[str | None, Holding] = {}
        self._unread: list[Any] = []
        self.owners: frozenset[str | None] = frozenset()
        self.fills: dict[int, Filling] = {}
        """Of bottles: what is known of each fill, by its node."""
        self.since: tuple[int, int] = (0, 0)
        """The order of the event since which it holds something, or did until it was emptied."""
        self.began: tuple[int, int] = (0, 0)
        """The order of the event that began the bottles it holds."""
        self.releases: list[tuple[int, int]] = []
        """The orders of its `release` events, whenever they were told."""
        self.shipped: list[Shipped] = []
        self.took: list[Took] = []
        self.tallies: dict[str, Tally] = {}

    @property
    def holdings(self) -> dict[str | None, Holding]:
        """What it holds, by vessel."""
        together = self._together
        if together is not None:
            self._together = None
            if together.added:
                self._holdings.update(together.after())
        return self._holdings

    @property
    def last(self) -> dict[str | None, Holding]:
        """The holdings just before the event that emptied the lot; read when asked for first."""
        if self._unread:
            self._last, self._unread = _loaded(self._unread), []
        return self._last

    @last.setter
    def last(self, holdings: dict[str | None, Holding]) -> None:
        self._last, self._unread = holdings, []

    @property
    def empty(self) -> bool:
        """Whether it holds nothing."""
        return not self._holdings

    def together(self, vessels: Sequence[str | None]) -> Together | None:
        """These vessels, where they were filled together before and not looked at since."""
        found = self._together
        return found if found is not None and found.vessels == vessels else None

    def filled_together(self, vessels: Sequence[str | None]) -> None:
        """These vessels of the lot were filled together, and may be again."""
        self._together = Together(vessels, [self._holdings[vessel] for vessel in vessels])

    @property
    def amount(self) -> int:
        """All that is held."""
        return sum(holding.amount for holding in self.holdings.values())

    def shared_by(self, owners: frozenset[str | None]) -> None:
        """What is of these owners came into it."""
        if not owners <= self.owners:
            self.owners |= owners

    def tally(self, sort: str) -> Tally:
        """The figures in the unit of a sort: kg of fruit, L of wine and bottles."""
        unit = UNITS[sort]
        if unit not in self.tallies:
            self.tallies[unit] = Tally()
        return self.tallies[unit]

    def bottled(self) -> int | None:
        """The instant at which the latest bottling of what it holds, or last held, ended; None
        where none is known (wine, or bottles received)."""
        ended = [
            when
            for holding in self.contents().values()
            for node, _ in holding.parts
            if (fill := self.fills.get(node)) is not None and (when := fill.ended) is not None
        ]
        return max(ended, default=None)

    def may_leave(self, instant: int) -> bool:
        """Whether a `release` of the bottles it holds is in force."""
        return any(self.began <= order and order[0] <= instant for order in self.releases)

    def contents(self) -> dict[str | None, Holding]:
        """What it holds; of an empty lot what it last held, just before it was emptied."""
        return self.holdings or self.last

    def twin(self) -> Lot:
        """The same lot, to which other things may happen."""
        twin = Lot(self.name)
        twin.sort, twin.format, twin.label = self.sort, self.format, self.label
        twin._holdings, twin._last = dict(self.holdings), dict(self._last)
        twin._unread, twin.since = self._unread, self.since
        twin.owners, twin.fills, twin.began = self.owners, dict(self.fills), self.began
        twin.releases, twin.took = list(self.releases), list(self.took)
        twin.shipped = [
            replace(one, parts=list(one.parts), fills=dict(one.fills)) for one in self.shipped
        ]
        twin.tallies = {unit: tally.copy() for unit, tally in self.tallies.items()}
        return twin

    def dump(self) -> str:
        """As JSON text. Whole numbers past 64 bits, nine million litres and more, are for the
        slower writer."""
        body = self._body()
        try:
            return msgspec.json.encode(body).decode()
        except OverflowError:
            return json.dumps(body, separators=(",", ":"), ensure_ascii=False)

    def _body(self) -> list[Any]:
        return [
            self.sort,
            self.format,
            self.label,
            _dumped(self.holdings),
            _dumped(self.last),
            sorted(self.owners, key=str),
            fills_dumped(self.fills),
            self.began,
            self.releases,
            [one.dump() for one in self.shipped],
            [[unit, t.into, t.out, t.gained, t.pomace, t.lost] for unit, t in self.tallies.items()],
            [(one.position, one.parts) for one in self.took],
            self.since,
        ]

    @classmethod
    def load(cls, name: str, text: str) -> Lot:
        """From JSON text."""
        lot = cls(name)
        body = msgspec.json.decode(text)
        sort, format_, label, holdings, last, owners, fills, began, releases = body[:9]
        shipped, tallies, took, since = body[9:]
        lot.sort, lot.format, lot.label = sort, format_, label
        lot.began, lot.since = (began[0], began[1]), (since[0], since[1])
        lot.releases = [(instant, position) for instant, position in releases]
        lot._holdings = _loaded(holdings)
        lot._unread = last
        lot.owners = frozenset(owners)
        lot.fills = fills_loaded(fills)
        lot.shipped = [Shipped.load(one) for one in shipped]
        lot.took = [Took(position, parts_of(parts)) for position, parts in took]
        for unit, into, out, gained, pomace, lost in tallies:
            tally = lot.tallies[unit] = Tally()
            tally.into, tally.out, tally.gained, tally.pomace = into, out, gained, pomace
            tally.lost = lost
        return lot


def _dumped(holdings: dict[str | None, Holding]) -> list[Any]:
    """Holdings as JSON. Of twenty barrels that hold alike the holding stands once."""
    found: list[Any] = []
    alike: list[str | None] = []
    last = None
    for vessel, held in holdings.items():
        if held is last or held == last:
            alike.append(vessel)
        else:
            last, alike = held, [vessel]
            found.append((alike, held.dump()))
    return found


def _loaded(body: list[Any]) -> dict[str | None, Holding]:
    found: dict[str | None, Holding] = {}
    for vessels, dumped in body:
        found.update(dict.fromkeys(vessels, Holding.load(dumped)))
    return found


def sort_of(state: str) -> str:
    """How a state is measured: mass, volume or bottles."""
    return SORT_OF_STATE.get(state, VOLUME)


def state_after(state: str, sort: str) -> str:
    """What a body becomes by being put where it is measured so."""
    if sort == BOTTLES:
        return "bottled"
    if sort == MASS:
        return state if sort_of(state) == MASS else "pomace"
    if state == "bottled":
        return "wine"
    return "must" if sort_of(state) == MASS else state
