"""Bottles followed apart from the others of their fill, where a recall asks for it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from msgspec.structs import replace

from ampelog.graph import Node
from ampelog.state import Lot

if TYPE_CHECKING:
    from ampelog.cellar import Cellar
    from ampelog.movement import Draw
    from ampelog.steps import Step


def told_apart(
    cellar: Cellar, step: Step, lot: Lot, vessel: str | None, parts: Iterable[tuple[int, int]]
) -> tuple[tuple[int, int], ...]:
    """Some bottles of fills as nodes of their own, so that they can be followed apart from the
    others of their fill."""
    found = []
    for node, amount in parts:
        mark = Node(((node, 1),), step.position, lot.name, vessel)
        found.append((cellar.graph.add(mark), amount))
        if node in lot.fills:
            lot.fills[found[-1][0]] = lot.fills[node]
    return tuple(found)


def drawn(
    cellar: Cellar, step: Step, draw: Draw, parts: Sequence[tuple[int, int]]
) -> Sequence[tuple[int, int]]:
    """What a draw on bottles took, told apart where a recall asks for it."""
    if step.position not in cellar.apart:
        return parts
    return told_apart(cellar, step, draw.lot, draw.vessel, parts)


def part(cellar: Cellar, step: Step, lot: Lot, vessel: str | None) -> None:
    """All bottles of a holding as nodes of their own, fill by fill."""
    holding = lot.holdings[vessel]
    parts = told_apart(cellar, step, lot, vessel, holding.parts)
    lot.holdings[vessel] = replace(holding, parts=parts)
