"""Records that are compared by what tells them apart, and carry more than that."""

from __future__ import annotations

from typing import Any, ClassVar

from msgspec import Struct
from msgspec.structs import astuple


class Alike(Struct, frozen=True, eq=False):
    """A record that equals another where all but their last fields do: ``carried`` of them."""

    carried: ClassVar[int] = 1

    def _apart(self) -> tuple[Any, ...]:
        return astuple(self)[: -self.carried]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, type(self)) and self._apart() == other._apart()

    def __hash__(self) -> int:
        return hash(self._apart())
