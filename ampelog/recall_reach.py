"""How far something reached: forward over the genealogy, with shares and the nearest way.

A body is touched where any of it, however little, came from the origin. Its share is rounded down
at 2^-256 a step and may come out as nothing; that it is touched is never lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from ampelog.genealogy import Genealogy

Label = tuple[str | None, str | None]
"""The lot and the vessel of a body."""


class Way(NamedTuple):
    """The nearest way to a body from an origin: the fewest moves from one lot or vessel to
    another, of equals that by which most came, then the oldest. ``less`` is the amount, negative.
    """

    moves: int
    less: int
    before: int
    place: Label


def reached(
    genealogy: Genealogy, weights: Mapping[int, int]
) -> tuple[dict[int, int], dict[int, Way]]:
    """The share of every touched body, of ``2**BITS``, and the nearest way to it.

    ``weights`` are the origins with what of them counts. Needs ``labels``. ``before`` of an origin
    is -1.
    """
    share: dict[int, int] = {}
    ways: dict[int, Way] = {}
    parents, labels = genealogy.parents, genealogy.labels
    for node in range(min(weights, default=len(parents)), len(parents)):
        weight = weights.get(node)
        if weight is not None:
            share[node], ways[node] = weight, Way(0, -weight, -1, labels[node])
            continue
        parts = parents[node]
        came = [(parent, amount) for parent, amount in parts if parent in share and amount]
        if not came:
            continue
        total = sum([amount for _, amount in parts])
        share[node] = sum([share[parent] * amount for parent, amount in came]) // total
        ways[node] = _nearest(came, total, labels[node], ways)
    return share, ways


def _nearest(came: list[tuple[int, int]], total: int, label: Label, ways: Mapping[int, Way]) -> Way:
    if len(came) == 1:
        return _through(came[0], total, label, ways)
    return min([_through(one, total, label, ways) for one in came])


def _through(part: tuple[int, int], total: int, label: Label, ways: Mapping[int, Way]) -> Way:
    parent, amount = part
    moves, less, _, place = ways[parent]
    here = place if label[0] is None else label
    moved = moves + (here != place)
    return Way(moved, less if amount == total else less * amount // total, parent, here)


def way_to(node: int, ways: Mapping[int, Way]) -> list[int]:
    """The bodies of the nearest way to one, from the origin on."""
    found = [node]
    while (before := ways[found[-1]].before) >= 0:
        found.append(before)
    return found[::-1]
