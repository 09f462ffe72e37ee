"""Places the bodies of a flow drawing in columns, so that ribbons between them cross little.

A layered layout of our own: columns from the order in time, long ribbons led through every column
between, crossings lowered by sweeps of weighted means, heights settled by isotonic regression.
Whole numbers only (hundredths of a point) and no sets, so the same input gives the same drawing.
"""

from __future__ import annotations

import heapq
import itertools
from bisect import bisect_right, insort
from collections.abc import Iterable, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

SWEEPS = 24
SETTLINGS = 12
BETWEEN = 300
"""The least gap between two things in a column: three points."""


class Link(Struct, frozen=True):
    """What flows from one body to another: keys, volume, and how its edge is drawn."""

    source: str
    target: str
    volume: int
    edge: str = ""


class Spot(Struct, frozen=True):
    """Where a bar stands: its column, and top and height in hundredths of a point."""

    column: int
    top: int
    height: int


class Grid(Struct):
    """The drawing while it is placed: bodies and the waypoints of long ribbons, by number.

    ``columns`` holds the numbers in order from top to bottom; ``before`` and ``after`` are the
    neighbours one column away, with the volume between; ``head`` is the room for a name above
    the bar, ``bar`` the bar's height, ``top`` where the bar begins.
    """

    columns: list[list[int]]
    before: list[list[tuple[int, int]]]
    after: list[list[tuple[int, int]]]
    head: list[int]
    bar: list[int]
    foot: list[int]
    top: list[int] = field(default_factory=list)

    def slot(self, index: int) -> int:
        """The height that a thing takes in its column, with the gap below it."""
        return self.head[index] + self.bar[index] + self.foot[index] + BETWEEN


def columns(keys: Sequence[str], links: Iterable[Link], last: str) -> dict[str, int]:
    """The column of each body: just before the first of those that it flows into.

    ``keys`` are in order of time; where bodies flow into each other in a ring, the earliest counts
    as first and what comes back to it counts for nothing here. ``last`` stands furthest right, and
    the longest way to it begins in column 0.
    """
    into: dict[str, dict[str, None]] = {key: {} for key in keys}
    out: dict[str, dict[str, None]] = {key: {} for key in keys}
    for link in links:
        into[link.target][link.source] = None
        out[link.source][link.target] = None
    turn = _in_turn(keys, into, out)
    rank = {key: index for index, key in enumerate(turn)}
    distance: dict[str, int] = {last: 0}
    for key in reversed(turn):
        later = [distance[one] for one in out[key] if rank[one] > rank[key]]
        distance[key] = 0 if key == last else 1 + max(later, default=0)
    furthest = max(distance.values())
    return {key: furthest - distance[key] for key in keys}


def _in_turn(
    keys: Sequence[str], into: dict[str, dict[str, None]], out: dict[str, dict[str, None]]
) -> list[str]:
    """Bodies after all that flows into them, by time where that leaves a choice."""
    rank = {key: index for index, key in enumerate(keys)}
    waiting = {key: len(into[key]) for key in keys}
    ready = [rank[key] for key in keys if not waiting[key]]
    heapq.heapify(ready)
    placed: dict[str, None] = {}
    while len(placed) < len(keys):
        if not ready:  # a ring: the earliest body goes first
            ready.append(next(rank[key] for key in keys if key not in placed))
        key = keys[heapq.heappop(ready)]
        if key in placed:
            continue
        placed[key] = None
        for following in out[key]:
            waiting[following] -= 1
            if waiting[following] == 0 and following not in placed:
                heapq.heappush(ready, rank[following])
    return list(placed)


def grid(
    column: dict[str, int],
    links: Sequence[Link],
    room: dict[str, tuple[int, int, int]],
    thickness: Sequence[int],
) -> tuple[Grid, list[list[int]]]:
    """Bodies and waypoints in columns, ordered; and the numbers each link leads through.

    ``room`` gives head, bar and foot of each body, ``thickness`` the height of each link. Links
    that do not lead to a later column have no route (an empty list).
    """
    numbers = {key: index for index, key in enumerate(column)}
    count = max(column.values()) + 1
    made = Grid([[] for _ in range(count)], [], [], [], [], [])
    for key, place in column.items():
        head, bar, foot = room[key]
        _add(made, place, (head, bar, foot))
        assert numbers[key] == len(made.bar) - 1
    routes: list[list[int]] = []
    for link, height in zip(links, thickness, strict=True):
        start, end = column[link.source], column[link.target]
        if end <= start:
            routes.append([])
            continue
        route = [numbers[link.source]]
        for place in range(start + 1, end):
            route.append(_add(made, place, (0, height, 0)))
        route.append(numbers[link.target])
        for left, right in itertools.pairwise(route):
            made.after[left].append((right, link.volume))
            made.before[right].append((left, link.volume))
        routes.append(route)
    _order(made)
    return made, routes


def _add(made: Grid, place: int, size: tuple[int, int, int]) -> int:
    index = len(made.bar)
    made.columns[place].append(index)
    made.before.append([])
    made.after.append([])
    made.head.append(size[0])
    made.bar.append(size[1])
    made.foot.append(size[2])
    return index


def _order(made: Grid) -> None:
    """Sort each column to lower the number of crossings; the best of all sweeps is kept."""
    best, fewest = [list(column) for column in made.columns], _crossings(made)
    for sweep in range(SWEEPS):
        forward = sweep % 2 == 0
        neighbours = made.before if forward else made.after
        for column in made.columns if forward else reversed(made.columns):
            position = _positions(made)
            column.sort(key=lambda index: (_mean(index, neighbours, position), position[index]))
        crossings = _crossings(made)
        if crossings < fewest:
            best, fewest = [list(column) for column in made.columns], crossings
    made.columns = best


def _positions(made: Grid) -> dict[int, int]:
    """Where each thing stands in its column, so that columns of unlike length compare."""
    return {
        index: (2 * place + 1) * 10_000 // (2 * len(column))
        for column in made.columns
        for place, index in enumerate(column)
    }


def _mean(
    index: int, neighbours: Sequence[Sequence[tuple[int, int]]], position: dict[int, int]
) -> int:
    near = neighbours[index]
    weight = sum(volume + 1 for _, volume in near)
    if not weight:
        return position[index]
    return sum(position[one] * (volume + 1) for one, volume in near) // weight


def _crossings(made: Grid) -> int:
    position = {index: place for column in made.columns for place, index in enumerate(column)}
    crossings = 0
    for column in made.columns:
        ends: list[int] = []
        for index in column:
            targets = sorted(position[one] for one, _ in made.after[index])
            crossings += sum(len(ends) - bisect_right(ends, target) for target in targets)
            for target in targets:
                insort(ends, target)
    return crossings


def settle(made: Grid, height: int) -> None:
    """Give each bar its top, near the bars it is joined to, within ``height``."""
    made.top = [0] * len(made.bar)
    for column in made.columns:
        free = height - sum(made.slot(index) for index in column)
        _place(made, column, [max(0, free // 2)] * len(column), height)
    for settling in range(SETTLINGS):
        forward = settling % 2 == 0
        for column in made.columns if forward else reversed(made.columns):
            wanted, offset = [], 0
            for index in column:
                near = made.before[index] if forward else made.after[index]
                near = near or made.before[index] + made.after[index]
                here = made.top[index] + made.bar[index] // 2
                weight = sum(volume + 1 for _, volume in near)
                if weight:
                    middle = sum(
                        (made.top[one] + made.bar[one] // 2) * (volume + 1) for one, volume in near
                    )
                    here = middle // weight
                wanted.append(here - made.bar[index] // 2 - made.head[index] - offset)
                offset += made.slot(index)
            _place(made, column, wanted, height)


def _place(made: Grid, column: Sequence[int], wanted: Sequence[int], height: int) -> None:
    """Isotonic regression: the tops nearest to those wanted that keep the order and the gaps.

    ``wanted`` is what each thing wants as the top of its slot, less the slots above it.
    """
    blocks: list[tuple[int, int]] = []  # sum of what is wanted, and of how many
    for one in wanted:
        blocks.append((one, 1))
        while len(blocks) > 1 and blocks[-2][0] * blocks[-1][1] > blocks[-1][0] * blocks[-2][1]:
            total, many = blocks.pop()
            blocks[-1] = (blocks[-1][0] + total, blocks[-1][1] + many)
    free = max(0, height - sum(made.slot(index) for index in column))
    placed = [total // many for total, many in blocks for _ in range(many)]
    above = 0
    for index, place in zip(column, placed, strict=True):
        made.top[index] = min(max(place, 0), free) + above + made.head[index]
        above += made.slot(index)


def grouped(
    sizes: dict[str, int], column: dict[str, int], most: int, most_columns: int
) -> dict[str, str]:
    """Which bodies to draw as one, as a map from each key to the key it is drawn under.

    Above ``most`` bodies, the largest of each column stay and the rest of the column becomes one
    body ``rest N``. Of more than ``most_columns`` columns the latest stay and all that is earlier
    becomes ``rest 0``. A rest of one body stays that body.
    """
    cut = max(column.values()) + 1 - most_columns
    under = {key: "rest 0" if column[key] <= cut and cut > 0 else key for key in sizes}
    by_column: dict[int, list[str]] = {}
    for key in sizes:
        if under[key] == key:
            by_column.setdefault(column[key], []).append(key)
    each = max((len(keys) for keys in by_column.values()), default=0)
    while each > 2 and sum(min(len(keys), each) for keys in by_column.values()) > most:
        each -= 1
    for place, keys in by_column.items():
        largest = sorted(keys, key=lambda key: -sizes[key])
        for key in largest[each - 1 :] if len(keys) > each else ():
            under[key] = f"rest {max(place - max(cut, 0), 0)}"
    merged: dict[str, list[str]] = {}
    for key, name in under.items():
        merged.setdefault(name, []).append(key)
    return {key: key if len(merged[name]) == 1 else name for key, name in under.items()}


def joined(links: Iterable[Link], under: dict[str, str]) -> list[Link]:
    """Links between bodies as drawn: those of the same ends and edge as one, none to itself."""
    sums: dict[tuple[str, str, str], Link] = {}
    for link in links:
        source, target = under[link.source], under[link.target]
        if source == target:
            continue
        ends = (source, target, link.edge)
        if ends in sums:
            sums[ends] = replace(sums[ends], volume=sums[ends].volume + link.volume)
        else:
            sums[ends] = Link(source, target, link.volume, link.edge)
    return list(sums.values())
