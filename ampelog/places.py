"""Where fruit is from: places, what contains them, and what is only partly known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal

from ampelog.registers import Registers

PlaceType = Literal["vineyard", "ava", "county", "state", "country", "region"]
EXCLUSIVE = ("county", "state", "country", "vineyard")
"""Types of which a place, block or part lies in one at most."""


class Places:
    """The places in force at an instant."""

    def __init__(self, registers: Registers, instant: int) -> None:
        self._registers = registers
        self._instant = instant
        self._up: dict[str, frozenset[str]] = {}

    def _place(self, name: str) -> dict[str, Any]:
        return self._registers.at("place", name, self._instant)

    def of_block(self, name: str) -> dict[str, Any]:
        """What is registered of a block at that instant."""
        return self._registers.at("block", name, self._instant)

    def type_of(self, name: str) -> str | None:
        """The type of a registered place, or None where it is not registered."""
        if not self._registers.knows("place", name):
            return None
        return self._place(name).get("type") or "region"

    def spans(self, name: str) -> Sequence[str]:
        """The places that a place lies only partly in."""
        return self._place(name).get("spans") or ()

    def up(self, name: str) -> frozenset[str]:
        """A place and all that contain it wholly."""
        found = self._up.get(name)
        if found is None:
            seen = {name}
            ahead = [name]
            while ahead:
                for above in self._place(ahead.pop()).get("within") or ():
                    if above not in seen:
                        seen.add(above)
                        ahead.append(above)
            found = self._up[name] = frozenset(seen)
        return found

    def around(self, named: Iterable[str]) -> frozenset[str]:
        """All the places that contain what is in the named ones."""
        found: frozenset[str] = frozenset()
        for name in named:
            found |= self.up(name)
        return found

    def inside(self, place: str, named: Sequence[str]) -> bool | None:
        """Whether what names these places is of a place; None where that is not known.

        It is of the named ones and of those that contain them; of a place that lies inside a
        named one, or that a named one spans, it is not known; of any other it is not. What lies
        in one county, state, country or vineyard lies in no other.
        """
        if not named:
            return None
        around = self.around(named)
        if place in around:
            return True
        kind = self.type_of(place)
        if kind in EXCLUSIVE and any(self.type_of(other) == kind for other in around):
            return False
        inside_named = self.up(place) & frozenset(named)
        if inside_named or any(place in self.spans(name) for name in named):
            return None
        return False

    def cycle(self, name: str) -> list[str] | None:
        """The places of a circle that contains itself, beginning with this one; or None."""
        path = [name]
        stack = [list(self._place(name).get("within") or ())]
        seen = {name}
        while stack:
            if not stack[-1]:
                stack.pop()
                path.pop()
                continue
            above = stack[-1].pop()
            if above == name:
                return [*path, name]
            if above not in seen:
                seen.add(above)
                path.append(above)
                stack.append(list(self._place(above).get("within") or ()))
        return None

    def twice(self, named: Iterable[str]) -> tuple[str, list[str]] | None:
        """A type of which the named places reach more than one, and those; or None."""
        around = self.around(named)
        for kind in EXCLUSIVE:
            reached = sorted(name for name in around if self.type_of(name) == kind)
            if len(reached) > 1:
                return kind, reached
        return None
