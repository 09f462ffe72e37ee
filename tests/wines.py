"""Invented wines for the tests of label statements: sources with exact shares, no ledger."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any

from ampelog import rules
from ampelog.claims import Verdict, judge
from ampelog.law import Pack, Rule
from ampelog.quantities import ONE, parse
from ampelog.scope import Label
from ampelog.shares import Fill, Stay, Used
from ampelog.terms import Example, Part

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
    stated: int | None = None
    picked_on: date | None = None
    role: str | None = None
    own: bool | None = None
    made_here: bool | None = None
    weight: Fraction | None = None
    made: tuple[str, ...] | None = None
    facts: tuple[tuple[str, Any], ...] = ()

    def grown_in(self, place: str, /) -> bool | None:
        return None if self.places is None else place in self.places

    def made_in(self, place: str, /) -> bool | None:
        return None if self.made is None else place in self.made

    def fact(self, name: str, /) -> Any:
        own = {"variety": self.variety, "vintage": self.vintage, "role": self.role}
        return dict(self.facts).get(name, own.get(name))


@dataclass(frozen=True)
class Wine:
    """A composition whose enclosure of a sum is as wide as ``blur`` on either side, at first."""

    leaves: tuple[Source, ...]
    blur: Fraction = Fraction(0)
    seed: str = "a wine"

    @property
    def grapes(self) -> Wine | None:
        """By the weight of the grapes, where that is known of all of it. Its shares do not sum to
        one: they are kilograms."""
        kept = [leaf.weight if leaf.material is None else Fraction(0) for leaf in self.leaves]
        known = [weight for weight in kept if weight is not None]
        if len(known) < len(kept):
            return None
        pairs = zip(self.leaves, known, strict=True)
        return Wine(tuple(replace(leaf, share=leaf.share * weight) for leaf, weight in pairs))

    def enclose(
        self, weigh: Sequence[int | Fraction], bits: int = 256, /
    ) -> tuple[Fraction, Fraction]:
        pairs = zip(weigh, self.leaves, strict=True)
        share = sum((weight * leaf.share for weight, leaf in pairs), Fraction(0))
        blur = self.blur if bits == 256 else Fraction(0)
        return share - blur, share + blur

    def residue(self, weigh: Sequence[int | Fraction], prime: int, /) -> int:
        total = 0
        for weight, leaf in zip(weigh, self.leaves, strict=True):
            part = weight * leaf.share
            total += part.numerator * pow(part.denominator, -1, prime)
        return total % prime

    def events(self, counts: Sequence[bool], /) -> tuple[str, ...]:
        return tuple(leaf.event for leaf, yes in zip(self.leaves, counts, strict=True) if yes)


@dataclass(frozen=True)
class Registered:
    """Places of these types; what they lie in wholly and partly, where that is said."""

    types: Mapping[str, str]
    within: Mapping[str, Sequence[str]] = field(default_factory=dict)
    across: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def type_of(self, name: str, /) -> str | None:
        return self.types.get(name)

    def up(self, name: str, /) -> frozenset[str]:
        above = [self.up(each) for each in self.within.get(name, ())]
        return frozenset({name}).union(*above)

    def spans(self, name: str, /) -> Sequence[str]:
        return self.across.get(name, ())


def wine(*parts: Mapping[str, object], blur: Fraction = Fraction(0)) -> Wine:
    """A wine from parts as a rule pack's examples write them; the shares sum to 1."""
    return of(rules.of({"label": {}, "verdict": "refused", "wine": parts}, Example).wine, blur)


def of(parts: Sequence[Part], blur: Fraction = Fraction(0)) -> Wine:
    """The wine of an example."""
    leaves = tuple(
        Source(
            part.share,
            f"event-{number}",
            part.variety,
            part.vintage if part.picked is None else part.picked.year,
            part.places,
            part.material,
            part.vintage if part.picked is not None else None,
            part.picked,
            part.role,
            part.own,
            part.made_here,
            part.weight,
            part.made_in,
            (("picking", part.picking),) if part.picking else (),
        )
        for number, part in enumerate(parts, 1)
    )
    return Wine(leaves, blur)


def bulk(of_wine: Wine) -> tuple[Fill, ...]:
    """A bulk lot: one fill without an event."""
    return (Fill(None, of_wine),)


def filled(example: Example) -> tuple[Fill, ...]:
    """The one fill of an example."""
    made = of(example.wine)
    placed = any(leaf.made is not None for leaf in made.leaves)
    stay = None
    if example.premises is not None:
        left = (example.premises.left,) if example.premises.left else ()
        stay = Stay(example.premises.places, left)
    size = None if example.format is None else parse(example.format).amount
    done = frozenset(example.done)
    used = {name: Used(made, (f"use of {name}",)) for name, made in example.materials.items()}
    found = Fill(None, made, ONE, placed, stay, example.measured, size, done, used)
    return (found,)


def judged(pack: Pack, rule: Rule, example: Example) -> list[Verdict]:
    """The rows of an example before its pack, where this rule is the only permission."""
    alone = tuple(each for each in pack.rule if each.id == rule.id or not each.permits)
    pack = pack.but(rule=alone)
    places = Registered(pack.example_places, pack.example_within, pack.example_spans)
    label = Label(example.product, (pack.id, *example.markets), example.approvals)
    on = example.on or pack.example_on
    return judge(example.label, filled(example), [pack], places, on, label)


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
