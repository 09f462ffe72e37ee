"""The genealogy's nodes and edges, as the replay draws them.

A node is a body of wine or fruit of one composition. Its parents are the bodies it was mixed
from, each with the quantity that came (10^-12 L or kg); the quantities of one node are all of one
dimension. A node without parents is a source. Numbers grow in time, so a parent's number is
always below its child's. Litres are not followed through here: only proportions matter.
"""

from __future__ import annotations

from typing import Any, Literal

from msgspec import Struct

Role = Literal["water", "sweetening", "fortifying", "enrichment", "tirage", "dosage", "culture"]
Parents = tuple[tuple[int, int], ...]


class Node(Struct, frozen=True, gc=False):
    """What a node is labelled with; ``position`` is that of the event that made it.

    ``role`` (water, sweetening, ...) is what everything that flows through here counts as, unless
    it takes another role nearer to the bottle; ``fraction`` the press fraction; ``ferment`` the
    number of the fermentation that happens in it. ``volume`` (10^-12 L) stands on the pool of a
    crush or press, what came out of it, beside the ``mass`` of fruit that went in (10^-12 kg): for
    rules on a grape basis.
    """

    parents: Parents
    position: int
    lot: str | None = None
    vessel: str | None = None
    role: str | None = None
    fraction: str | None = None
    ferment: int | None = None
    mass: int = 0
    volume: int = 0


class Ferment(Struct, frozen=True):
    """One stretch of an alcoholic fermentation: in one vessel, one organism, one regime."""

    position: int
    lot: str
    vessel: str | None
    organism: str | None
    regime: dict[str, Any] | None


class Graph:
    """Nodes numbered from ``first``; those below it are kept elsewhere (the projection)."""

    def __init__(self, first: int = 0, first_ferment: int = 0) -> None:
        self.first = first
        self.nodes: list[Node] = []
        self.first_ferment = first_ferment
        self.ferments: list[Ferment] = []
        self._parents: list[Parents] = []
        self._marks: dict[int, tuple[str | None, str | None, int | None]] = {}
        self._begins: set[int] = set()

    @property
    def count(self) -> int:
        """How many nodes there are, kept elsewhere or here."""
        return self.first + len(self.nodes)

    def drawn(
        self,
    ) -> tuple[list[Parents], dict[int, tuple[str | None, str | None, int | None]], set[int]]:
        """The parents of each node here, the role, fraction and fermentation of those that give
        one, and the nodes in which a fermentation begins. Kept, and taken further where nodes were
        added since: a question is asked of a cellar in the middle of things again and again."""
        for number in range(len(self._parents), len(self.nodes)):
            node = self.nodes[number]
            self._parents.append(node.parents)
            if node.role is not None or node.fraction is not None or node.ferment is not None:
                self._marks[number] = (node.role, node.fraction, node.ferment)
            if node.ferment is not None and node.ferment >= self.first_ferment:
                began = self.ferments[node.ferment - self.first_ferment].position
                if began == node.position:
                    self._begins.add(number)
        return self._parents, self._marks, self._begins

    def add(self, node: Node) -> int:
        """Add a node and return its number."""
        self.nodes.append(node)
        return self.first + len(self.nodes) - 1

    def start(self, ferment: Ferment) -> int:
        """Add a stretch of fermentation and return its number."""
        self.ferments.append(ferment)
        return self.first_ferment + len(self.ferments) - 1

    def twin(self) -> Graph:
        """The same graph, to be drawn on apart from this one."""
        twin = Graph(self.first, self.first_ferment)
        twin.nodes, twin.ferments = list(self.nodes), list(self.ferments)
        return twin
