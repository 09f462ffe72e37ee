"""What flowed into what: passes over the graph of contents, in whole numbers.

Shares are found by one backward pass: a whole of 2^256 flows from a lot's content to its sources,
highest node first. Each step rounds down, so a true share lies between its weight and that plus
all that was lost, and what was lost is known: the pass proves its own error. The same pass modulo
a prime tells an exact tie.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush

Parts = Sequence[tuple[int, int]]
Split = Callable[[int, Parts], list[tuple[int, int]]]
Mark = tuple[str | None, str | None, int | None]
"""(role, press fraction, fermentation) that wine takes on its way, the nearest to the bottle."""

NO_MARK: Mark = (None, None, None)
BITS = 256


@dataclass
class Genealogy:
    """The graph up to some node. ``parents[n]`` are (node, amount); a source has none.

    ``labels[n]`` is (lot, vessel) and only there where a question needs it; ``marks[n]`` is there
    for the nodes that give one.
    """

    parents: list[Parts]
    marks: dict[int, Mark] = field(default_factory=dict)
    labels: Sequence[tuple[str | None, str | None]] = ()


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


def back(
    genealogy: Genealogy, content: Parts, one: int, split: Split, kinds: tuple[bool, bool, bool]
) -> dict[tuple[int, Mark], int]:
    """What of ``one`` comes from each source, by the marks it took on its way.

    ``kinds`` says which marks matter: role, fraction, fermentation.
    """
    parents, marks = genealogy.parents, genealogy.marks
    weight: dict[int, dict[Mark, int]] = {}
    heap: list[int] = []
    sources: dict[tuple[int, Mark], int] = {}

    def give(mark: Mark, amount: int, parts: Parts) -> None:
        for node, part in split(amount, parts):
            there = weight.get(node)
            if there is None:
                weight[node] = {mark: part}
                heappush(heap, -node)
            else:
                there[mark] = there.get(mark, 0) + part

    give(NO_MARK, one, content)
    while heap:
        node = -heappop(heap)
        passed = weight.pop(node)
        taken = marks.get(node)
        for mark, amount in passed.items():
            here = mark if taken is None else _nearest(mark, taken, kinds)
            if parents[node]:
                give(here, amount, parents[node])
            else:
                sources[node, here] = sources.get((node, here), 0) + amount
    return sources


def _nearest(mark: Mark, taken: Mark, kinds: tuple[bool, bool, bool]) -> Mark:
    """The marks after passing a node: those taken nearer to the bottle stay."""
    return (
        mark[0] or (taken[0] if kinds[0] else None),
        mark[1] or (taken[1] if kinds[1] else None),
        mark[2] if mark[2] is not None else (taken[2] if kinds[2] else None),
    )


@dataclass
class Passage:
    """What crossed from a lot into another on the way, of ``2**BITS``."""

    crossed: int = 0
    ferments: dict[int, int] = field(default_factory=dict)


def through(genealogy: Genealogy, lot: str, content: Parts) -> dict[str, Passage]:
    """The lots that a lot's wine passed through, nearest the bottle first.

    Wine that left a lot twice counts twice. Needs ``labels`` and the fermentations' marks.
    """
    parents, labels, marks = genealogy.parents, genealogy.labels, genealogy.marks
    weight: dict[int, dict[str, int]] = {}
    heap: list[int] = []
    passages: dict[str, Passage] = {}

    def give(into: str, amount: int, parts: Parts) -> None:
        for node, part in fixed(amount, parts):
            there = weight.get(node)
            if there is None:
                weight[node] = {into: part}
                heappush(heap, -node)
            else:
                there[into] = there.get(into, 0) + part

    give(lot, 1 << BITS, content)
    while heap:
        node = -heappop(heap)
        here, taken = labels[node][0], marks.get(node)
        for into, amount in weight.pop(node).items():
            if here is not None:
                passage = passages.setdefault(here, Passage())
                if here != into:
                    passage.crossed += amount
                if taken is not None and taken[2] is not None:
                    passage.ferments[taken[2]] = passage.ferments.get(taken[2], 0) + amount
            if parents[node]:
                give(here or into, amount, parents[node])
    return passages


@dataclass(frozen=True)
class Flow:
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
    weight: dict[int, dict[tuple[str, Mark], int]] = {}
    heap: list[int] = []
    crossed: dict[tuple[str, str, Mark], int] = {}

    def give(key: tuple[str, Mark], amount: int, parts: Parts) -> None:
        for node, part in fixed(amount, parts):
            there = weight.get(node)
            if there is None:
                weight[node] = {key: part}
                heappush(heap, -node)
            else:
                there[key] = there.get(key, 0) + part

    give((lot, NO_MARK), 1 << BITS, content)
    while heap:
        node = -heappop(heap)
        here, taken = labels[node][0], marks.get(node)
        for (into, mark), amount in weight.pop(node).items():
            took = mark if taken is None else _nearest(mark, taken, (True, True, False))
            if here is not None and here != into:
                key = (here, into, took)
                crossed[key] = crossed.get(key, 0) + amount
                took = NO_MARK
            elif here is not None:
                took = NO_MARK if taken is None or taken[:2] == (None, None) else took
            if parents[node]:
                give((here or into, took), amount, parents[node])
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
