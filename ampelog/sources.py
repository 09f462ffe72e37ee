"""What is known of a source: the leaves of a composition.

A source event is one leaf, or several where a block is planted mixed or a receipt states parts.
Plantings, grower, estate, certifications and tags are those of the day of picking; places those
in force on the day of the claim.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from ampelog import moments
from ampelog.genealogy import Mark
from ampelog.likeness import Alike
from ampelog.places import Places
from ampelog.quantities import MASS, parse
from ampelog.quantities import share as fraction
from ampelog.registers import Registers


class Leaf(Alike, frozen=True, eq=False):
    """One source, or one part of a source. None is unknown; of a non-grape source, none.

    ``named`` are the places that it names itself, ``spans`` those that its block lies only partly
    in; ``part`` tells the parts of one event apart; ``stated`` is a vintage written down beside the
    day of picking; ``ferment`` is the number of its fermentation and ``weight`` the kilograms of
    grapes behind a litre, where a question asks.
    """

    event: str
    position: int
    part: int
    kind: str
    lot: str | None
    block: str | None = None
    variety: str | None = None
    clone: str | None = None
    vintage: int | None = None
    picked_on: date | None = None
    picking: str | None = None
    grower: str | None = None
    estate: bool | None = None
    certifications: tuple[str, ...] | None = None
    tags: tuple[str, ...] = ()
    material: str | None = None
    role: str | None = None
    fraction: str | None = None
    organism: str | None = None
    regime: str | None = None
    stated: int | None = None
    ferment: int | None = None
    weight: Fraction | None = None
    named: tuple[str, ...] = ()
    spans: tuple[str, ...] = ()
    places: Places | None = None

    def grown_in(self, place: str) -> bool | None:
        """Whether it was grown in a place; None where that is not known."""
        if self.material is not None:
            return False
        if self.places is None:
            return None
        inside = self.places.inside(place, self.named)
        return None if inside is False and place in self.spans else inside

    def around(self) -> frozenset[str]:
        """All places it is known to be of."""
        return self.places.around(self.named) if self.places is not None else frozenset()

    @property
    def vineyard(self) -> str | None:
        """The vineyard among its places."""
        if self.places is None:
            return None
        return next((p for p in self.around() if self.places.type_of(p) == "vineyard"), None)


def leaves(
    event: dict[str, Any],
    position: int,
    instant: int,
    registers: Registers,
    places: Places,
    zone: ZoneInfo,
) -> list[tuple[Leaf, Fraction]]:
    """The leaves of a source event, each with its share of the source."""
    kind = event["kind"]
    leaf = Leaf(event["id"], position, 0, kind, event.get("lot"), places=places)
    if kind == "pick":
        return _picked(leaf, event, instant, registers, zone)
    if kind == "receive":
        return _received(leaf, event, instant, registers, zone)
    return [(replace(leaf, material=event.get("material") or event.get("treatment")), Fraction(1))]


def came_as(event: Mapping[str, Any]) -> str:
    """The state in which a receipt came in: said, or that of what is received by such a quantity
    (grapes by mass, wine by volume, bottles)."""
    if event.get("state") is not None:
        return str(event["state"])
    if "bottles" in event:
        return "bottled"
    each = event.get("each")
    by_mass = "mass" in event or (each is not None and parse(each).dimension == MASS)
    return "grapes" if by_mass else "wine"


def _planted(leaf: Leaf, plantings: list[dict[str, Any]] | None) -> list[tuple[Leaf, Fraction]]:
    if not plantings:
        return [(leaf, Fraction(1))]
    return [
        (
            replace(leaf, part=index, variety=one["variety"], clone=one.get("clone")),
            fraction(one["share"]) if one.get("share") is not None else Fraction(1),
        )
        for index, one in enumerate(plantings)
        if one.get("share") is None or fraction(one["share"])
    ]


def _of_block(leaf: Leaf, name: str, block: dict[str, Any]) -> Leaf:
    certifications = block.get("certifications")
    return replace(
        leaf,
        block=name,
        grower=block.get("grower"),
        estate=block.get("estate"),
        certifications=None if certifications is None else tuple(certifications),
        tags=tuple(block.get("tags") or ()),
        named=_named(leaf.places, name, "within"),
        spans=_named(leaf.places, name, "spans"),
    )


def _named(places: Places | None, block: str, field_: str) -> tuple[str, ...]:
    """The places that a block names on the day of the claim: they too may be amended."""
    return () if places is None else tuple(places.of_block(block).get(field_) or ())


def _picked(
    leaf: Leaf, event: dict[str, Any], instant: int, registers: Registers, zone: ZoneInfo
) -> list[tuple[Leaf, Fraction]]:
    name = event["block"]
    block = registers.at("block", name, instant)
    picked = moments.day(instant, zone)
    leaf = _of_block(leaf, name, block)
    leaf = replace(
        leaf,
        picked_on=picked,
        vintage=picked.year,
        stated=event.get("vintage"),
        picking=event.get("picking"),
        tags=tuple(sorted({*leaf.tags, *(event.get("tags") or ())})),
    )
    return _planted(leaf, event.get("plantings") or block.get("plantings"))


def _received(
    leaf: Leaf, event: dict[str, Any], instant: int, registers: Registers, zone: ZoneInfo
) -> list[tuple[Leaf, Fraction]]:
    parts = event.get("composition")
    if not parts:
        return [(leaf, Fraction(1))]
    found: list[tuple[Leaf, Fraction]] = []
    for part in parts:
        share = fraction(part["share"]) if part.get("share") is not None else Fraction(1)
        one = leaf
        plantings = None
        if part.get("block") is not None:
            harvested = part.get("harvested")
            grown = moments.instant(harvested, zone) if harvested else instant
            block = registers.at("block", part["block"], grown)
            one = _of_block(one, part["block"], block)
            plantings = block.get("plantings")
        picked = date.fromisoformat(part["harvested"]) if part.get("harvested") else None
        year = part.get("vintage")
        one = replace(
            one,
            picked_on=picked,
            vintage=year if year is not None else (picked.year if picked else None),
            named=(*one.named, *(part.get("within") or ())),
            tags=tuple(sorted({*one.tags, *(part.get("tags") or ())})),
        )
        if part.get("certifications") is not None:
            one = replace(one, certifications=tuple(part["certifications"]))
        if part.get("variety") is not None:
            pieces = [(replace(one, variety=part["variety"]), Fraction(1))]
        else:
            pieces = _planted(one, plantings)
        found += [
            (replace(piece, part=len(found) + index), share * of)
            for index, (piece, of) in enumerate(pieces)
        ]
    return found


def marked(leaf: Leaf, mark: Mark, organism: str | None, regime: str | None) -> Leaf:
    """The leaf with what its wine took on its way."""
    role, press, _ = mark
    if role is None and press is None and organism is None and regime is None:
        return leaf
    return replace(leaf, role=role, fraction=press, organism=organism, regime=regime)
