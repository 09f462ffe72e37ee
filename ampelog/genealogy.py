"""What flowed into what: passes over the graph of contents, in whole numbers.

Shares are found by one backward pass: a whole of 2^256 flows from a lot's content to its sources,
highest node first. Each step rounds down, so a true share lies between its weight and that plus
all that was lost, and what was lost is known: the pass proves its own error. The same pass modulo
a prime tells an exact tie.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from heapq import heappop, heappush
from typing import Generic, NamedTuple, TypeVar

from msgspec import Struct, field

Way = TypeVar("Way")
"""What a pass keeps of the way that wine took: marks, or the lot it went into."""

Parts = Sequence[tuple[int, int]]
Split = Callable[[int, Parts], list[tuple[int, int]]]
Mark = tuple[str | None, str | None, int | None]
"""(role, press fraction, fermentation) that wine takes on its way, the nearest to the bottle."""

NO_MARK: Mark = (None, None, None)
BITS = 256


class Kinds(NamedTuple):
    """The marks that a question asks for; a pass is quicker without the others."""

    role: bool = True
    fraction: bool = False
    ferment: bool = False


ROLES = Kinds()
"""What most questions ask for."""


class Genealogy(Struct):
    """The graph up to some node. ``parents[n]`` are (node, amount); a source has none.

    ``labels[n]`` is (lot, vessel) and only there where a question needs it; ``marks[n]`` is there
    for the nodes that give one; ``begins`` are the nodes in which a fermentation begins.
    ``took``: what the third mark becomes at a node that gives any, where it is not the fermentation
    (``waymarks``).
    """

    parents: Sequence[Parts]
    marks: dict[int, Mark] = field(default_factory=dict)
    labels: Sequence[tuple[str | None, str | None]] = ()
    begins: Collection[int] = frozenset()
    took: Callable[[int | None, int], int] | None = None


def fixed(amount: int, parts: Parts) -> list[tuple[int, int]]:
    """Share a whole over parts, each rounded down."""
    total = sum([part for _, part in parts])
    return [(node, amount * part // total) for node, part in parts]


def modulo(prime: int) -> Split:
    """Share a whole over parts, modulo a prime. ``ValueError`` where a total has no inverse."""

    def split(amount: int, parts: Parts) -> list[tuple[int, int]]:
        total = pow(sum([part for _, part in parts]), -1, prime) * amount
        return [(node, total * part % prime) for node, part in parts]

    return split


class _Walk(Generic[Way]):
    """A walk from a content to its sources, highest node first, so that all that flows through a
    node is there when it is come to. ``give`` shares an amount that came one way over parts."""

    def __init__(self, split: Split) -> None:
        self._split = split
        self._weight: dict[int, dict[Way, int]] = {}
        self._heap: list[int] = []

    def give(self, way: Way, amount: int, parts: Parts) -> None:
        weight = self._weight
        for node, part in self._split(amount, parts):
            there = weight.get(node)
            if there is None:
                weight[node] = {way: part}
                heappush(self._heap, -node)
            else:
                there[way] = there.get(way, 0) + part

    def __iter__(self) -> Iterator[tuple[int, dict[Way, int]]]:
        """Each node with what flows through it, by way; ``give`` is called between two."""
        while self._heap:
            node = -heappop(self._heap)
            yield node, self._weight.pop(node)


def back(
    genealogy: Genealogy, content: Parts, one: int, split: Split, kinds: tuple[bool, bool, bool]
) -> dict[tuple[int, Mark], int]:
    """What of ``one`` comes from each source, by the marks it took on its way.

    ``kinds`` (``Kinds``) says which marks matter. A role and a press fraction are the last that the
    wine took. Its fermentation is the last that began in it; of wine in which none began, the last
    that it came into.
    """
    parents, marks, begins = genealogy.parents, genealogy.marks, genealogy.begins
    took = genealogy.took
    sources: dict[tuple[int, Mark], int] = {}
    walk: _Walk[Mark] = _Walk(split)
    walk.give(NO_MARK, one, content)
    for node, passed in walk:
        taken = marks.get(node)
        for mark, amount in passed.items():
            here = mark if taken is None else _nearest(mark, taken, kinds, node in begins)
            if taken is not None and took is not None:
                here = (here[0], here[1], took(mark[2], node))
            if parents[node]:
                walk.give(here, amount, parents[node])
                continue
            if here[2] is not None and here[2] < 0:
                here = (here[0], here[1], _joined(here[2]))
            sources[node, here] = sources.get((node, here), 0) + amount
    return sources


def _nearest(mark: Mark, taken: Mark, kinds: tuple[bool, bool, bool], begins: bool = False) -> Mark:
    """The marks after passing a node: those taken nearer to the bottle stay, but for a fermentation
    that the wine came into while it went on, where one deeper ``begins`` in it."""
    stretch = mark[2]
    if kinds[2] and taken[2] is not None and (stretch is None or stretch < 0):
        if begins:
            stretch = taken[2]
        elif stretch is None:
            stretch = _joined(taken[2])
    return (
        mark[0] or (taken[0] if kinds[0] else None),
        mark[1] or (taken[1] if kinds[1] else None),
        stretch,
    )


def _joined(stretch: int) -> int:
    """A fermentation that wine came into, told below zero on the way; and back again."""
    return -1 - stretch


class Passage(Struct):
    """What crossed from a lot into another on the way, of ``2**BITS``."""

    crossed: int = 0
    ferments: dict[int, int] = field(default_factory=dict)


def through(genealogy: Genealogy, lot: str, content: Parts) -> dict[str, Passage]:
    """The lots that a lot's wine passed through, nearest the bottle first.

    Wine that left a lot twice counts twice, and so does wine that left a fermentation twice. Needs
    ``labels`` and the fermentations' marks.
    """
    parents, labels, marks = genealogy.parents, genealogy.labels, genealogy.marks
    passages: dict[str, Passage] = {}
    walk: _Walk[tuple[str, int | None]] = _Walk(fixed)
    walk.give((lot, None), 1 << BITS, content)
    for node, passed in walk:
        here, taken = labels[node][0], marks.get(node)
        stretch = None if taken is None else taken[2]
        for (into, later), amount in passed.items():
            if here is not None:
                passage = passages.setdefault(here, Passage())
                if here != into:
                    passage.crossed += amount
                if stretch is not None and stretch != later:
                    passage.ferments[stretch] = passage.ferments.get(stretch, 0) + amount
            if parents[node]:
                onward = stretch if here is not None else later
                walk.give((here or into, onward), amount, parents[node])
    return passages


class Flow(Struct, frozen=True):
    """What of a lot's wine crossed from one lot into another, of ``2**BITS``."""

    source: str
    into: str
    mark: Mark
    amount: int


def flows(genealogy: Genealogy, lot: str, content: Parts) -> list[Flow]:
    """Every crossing between lots on the way into a lot, for a drawing.

    A press fraction or role that the wine took in crossing stands on the flow.
    """
    parents, labels, marks = genealogy.parents, genealogy.labels, genealogy.marks
    crossed: dict[tuple[str, str, Mark], int] = {}
    walk: _Walk[tuple[str, Mark]] = _Walk(fixed)
    walk.give((lot, NO_MARK), 1 << BITS, content)
    for node, passed in walk:
        here, taken = labels[node][0], marks.get(node)
        for (into, mark), amount in passed.items():
            took = mark if taken is None else _nearest(mark, taken, (True, True, False))
            if here is not None and here != into:
                key = (here, into, took)
                crossed[key] = crossed.get(key, 0) + amount
                took = NO_MARK
            elif here is not None:
                took = NO_MARK if taken is None or taken[:2] == (None, None) else took
            if parents[node]:
                walk.give((here or into, took), amount, parents[node])
    return [Flow(*key, amount) for key, amount in crossed.items()]


def forward(genealogy: Genealogy, origins: Iterable[int]) -> dict[int, int]:
    """What share of every later node came from these nodes, of ``2**BITS``, rounded down."""
    one = 1 << BITS
    share = dict.fromkeys(origins, one)
    if not share:
        return share
    parents = genealogy.parents
    for node in range(min(share) + 1, len(parents)):
        if node in share:
            continue
        total = came = 0
        for parent, amount in parents[node]:
            total += amount
            if parent in share:
                came += share[parent] * amount
        if came:
            share[node] = came // total
    return share
