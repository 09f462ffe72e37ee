"""Appellations: the places of a label, how they lie to each other, and what grew in them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

from msgspec import Struct

from ampelog.grapes import fold
from ampelog.shares import Leaf, every, some


class Places(Protocol):
    """The places in force on the day of the claim."""

    def type_of(self, name: str, /) -> str | None:
        """The type of a place; None where it is not registered."""
        ...

    def up(self, name: str, /) -> frozenset[str]:
        """A place and all that contain it wholly."""
        ...

    def spans(self, name: str, /) -> Sequence[str]:
        """The places that it lies only partly in."""
        ...


class Area(Struct, frozen=True):
    """An appellation of the label: one place, or places of one type that are named together."""

    names: tuple[str, ...]
    type: str | None
    overlap: bool = False

    def grown(self, leaf: Leaf) -> bool | None:
        """Whether a source grew there: in any of the places, or in all where they overlap."""
        if self.type is None:
            return None
        answers = (leaf.grown_in(name) for name in self.names)
        return every(answers) if self.overlap else some(answers)

    @property
    def words(self) -> str:
        """The places in a sentence."""
        return listing(self.names, "and" if self.overlap else "or")


def areas(stated: Mapping[str, Any], places: Places, overlapping: frozenset[str]) -> list[Area]:
    """The appellations of a label. Places of one type are named together as one, unless one lies
    in another: those are each their own. ``overlapping`` are the types of which several count
    where they overlap."""
    names = names_of(stated, "appellation")
    types = {name: places.type_of(name) for name in names}
    found: list[Area] = []
    for name, type_ in types.items():
        alike = tuple(each for each, other in types.items() if other == type_)
        nested = any(
            one != other and one in places.up(other) for one in alike for other in alike
        )  # fmt: skip
        if type_ is None or len(alike) == 1 or nested:
            found.append(Area((name,), type_))
        elif name == alike[0]:
            found.append(Area(alike, type_, type_ in overlapping))
    return found


def inside(places: Places, name: str, outer: str) -> bool | None:
    """Whether a place is another or lies wholly in it; None where its nesting is not registered."""
    wanted = fold(outer)
    if any(fold(each) == wanted for each in places.up(name)):
        return True
    if any(fold(each) == wanted for each in places.spans(name)):
        return False
    known = places.type_of(name) in ("country", "state") or states(places, name)
    return False if known else None


def across(places: Places, name: str, outer: str) -> bool:
    """Whether a place lies only partly in another."""
    return any(fold(each) == fold(outer) for each in places.spans(name))


def states(places: Places, name: str) -> tuple[str, ...]:
    """The States that a place lies in, wholly or partly; none where they are not registered."""
    around = [*sorted(places.up(name)), *places.spans(name)]
    return tuple(dict.fromkeys(each for each in around if places.type_of(each) == "state"))


def touching(
    pairs: Mapping[str, Sequence[str]], corners: Mapping[str, Sequence[str]], one: str, other: str
) -> bool | None:
    """Whether two States have a border in common, by a pack's tables; None where the tables do not
    know one of them, or where they meet at a corner only."""
    known = {fold(name): {fold(each) for each in names} for name, names in pairs.items()}
    for names in pairs.values():
        for each in names:
            known.setdefault(fold(each), set())
    near = {fold(name): {fold(each) for each in names} for name, names in corners.items()}
    a, b = fold(one), fold(other)
    if a not in known or b not in known:
        return None
    if b in known[a] or a in known[b]:
        return True
    return None if b in near.get(a, ()) or a in near.get(b, ()) else False


def neighbours(pairs: Mapping[str, Sequence[str]], state: str) -> Iterator[str]:
    """The States that have a border in common with one, by a pack's table."""
    for name, others in pairs.items():
        if fold(name) == fold(state):
            yield from others
        elif any(fold(other) == fold(state) for other in others):
            yield name


def names_of(stated: Mapping[str, Any], key: str) -> tuple[str, ...]:
    """A statement as names, each once: a text, a year or a list."""
    value = stated.get(key, ())
    several = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(dict.fromkeys(str(each) for each in several))


def unregistered(area: Area) -> str:
    """Why nothing can be said of a place."""
    return (
        f"`{area.names[0]}` is not registered as a place; register it with its type and with what "
        "it lies within."
    )


def unnested(name: str) -> str:
    """Why nothing can be said of what contains a place."""
    return (
        f"Which State `{name}` lies in is not registered; register its `within`, or its `spans` "
        "where it crosses a line."
    )


def listing(names: Sequence[str], joined: str = "and") -> str:
    """``a, b and c``; nothing of none."""
    return f" {joined} ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))
