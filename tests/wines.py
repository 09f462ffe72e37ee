"""Invented wines for the tests of label statements: sources with exact shares, no ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

from ampelog import rules
from ampelog.claims import Verdict, judge
from ampelog.rules import Example, Part
from ampelog.shares import Fill

Row = Mapping[str, object]


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


def bulk(of_wine: Wine) -> tuple[Fill, ...]:
    """A bulk lot: one fill without an event."""
    return (Fill(None, of_wine),)


US = rules.pack("us")
TODAY = date(2026, 11, 25)
PLACES = Registered(
    {
        "Quail Bench": "ava",
        "Heron Flat": "ava",
        "Yarrow County": "county",
        "Alder County": "county",
        "Birch County": "county",
        "Cedar County": "county",
        "Larchland": "state",
        "Firland": "state",
        "American": "country",
        "Lapwing Slope": "vineyard",
    }
)
QB, HF = "Quail Bench", "Heron Flat"
MERLOT = {"variety": ["Merlot"], "appellation": QB}
TWO = {"variety": ["Cabernet Sauvignon", "Merlot"], "appellation": QB}
CS, ME = "Cabernet Sauvignon", "Merlot"


def part(share: str, variety: str | None = None, *places: str, vintage: int | None = None) -> Row:
    """A part of a wine; it grew in the places named and in no other."""
    found = {"share": share, "variety": variety, "vintage": vintage, "places": list(places)}
    return {key: value for key, value in found.items() if value is not None}


def years(*shares: tuple[str, int], at: Sequence[str] = (QB,)) -> tuple[Row, ...]:
    """Parts by their vintage, all grown in the same places."""
    return tuple(part(share, None, *at, vintage=year) for share, year in shares)


def rows_of(
    label: Mapping[str, Any], *parts: Row, on: date = TODAY, blur: Fraction = Fraction(0)
) -> list[Verdict]:
    """The rows of a bulk wine before the federal pack."""
    return judge(label, bulk(wine(*parts, blur=blur)), [US], PLACES, on)


def by(rows: Sequence[Verdict], rule: str) -> Verdict:
    """The one row of a rule."""
    found = [row for row in rows if row.rule == rule]
    assert len(found) == 1, rows
    return found[0]
