"""Invented wines for the tests of label statements: sources with exact shares, no ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ampelog.rules import Example, Part


@dataclass(frozen=True)
class Source:
    """A source of a wine. ``places`` None: nobody knows where it grew."""

    share: Fraction
    event: str
    variety: str | None = None
    vintage: int | None = None
    places: tuple[str, ...] | None = None
    material: str | None = None

    def grown_in(self, place: str, /) -> bool | None:
        return None if self.places is None else place in self.places


@dataclass(frozen=True)
class Measured:
    low: Fraction
    high: Fraction
    meets: bool


@dataclass(frozen=True)
class Wine:
    """A composition whose enclosure of a share is as wide as ``blur`` on either side."""

    leaves: tuple[Source, ...]
    blur: Fraction = Fraction(0)

    def measure(
        self, weigh: Callable[[Source], int | Fraction], threshold: Fraction, /
    ) -> Measured:
        share = sum((weigh(leaf) * leaf.share for leaf in self.leaves), Fraction(0))
        return Measured(share - self.blur, share + self.blur, share >= threshold)


@dataclass(frozen=True)
class Filled:
    event: str | None
    composition: Wine


@dataclass(frozen=True)
class Registered:
    types: Mapping[str, str]

    def type_of(self, name: str, /) -> str | None:
        return self.types.get(name)


def wine(*parts: Mapping[str, object], blur: Fraction = Fraction(0)) -> Wine:
    """A wine from parts as a rule pack's examples write them; the shares sum to 1."""
    return of(Example.model_validate({"label": {}, "verdict": "refused", "wine": parts}).wine, blur)


def of(parts: Sequence[Part], blur: Fraction = Fraction(0)) -> Wine:
    """The wine of an example."""
    leaves = tuple(
        Source(
            part.share,
            f"event-{number}",
            part.variety,
            part.vintage,
            part.places,
            part.material,
        )
        for number, part in enumerate(parts, 1)
    )
    return Wine(leaves, blur)


def bulk(of_wine: Wine) -> tuple[Filled, ...]:
    """A bulk lot: one fill without an event."""
    return (Filled(None, of_wine),)
