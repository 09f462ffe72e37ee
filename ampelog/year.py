"""The facts of a vintage report: one frozen object, from which every page of it is set.

Masses are kilograms, volumes litres, as decimal strings; dates ISO 8601.
"""

from __future__ import annotations

from msgspec import Struct

from ampelog.facts import Head

ADVICE = (
    "Decision support, not legal advice: the records were read as they stand. The regulator and "
    "licensed counsel decide what a label may say."
)
MEANING = (
    "The vintage is the fruit picked in that year, with what was bought in as wholly of it, "
    "followed to the day of this report. The cellar's year is the calendar year: stock at its end, "
    "and corrections made in it."
)


class Harvested(Struct, frozen=True):
    """What a block gave: its pickings of one variety."""

    block: str
    grower: str | None
    variety: str
    mass_kg: str
    pickings: int
    first_on: str
    last_on: str
    brix: str | None
    tons_per_acre: str | None


class Yielded(Struct, frozen=True):
    """What fruit gave, beside the published band."""

    lot: str
    day: str
    says: str
    verdict: str


class Fate(Struct, frozen=True):
    """Where part of the vintage's volume is, or went; ``share`` of all that came in."""

    what: str
    volume_l: str
    share: str


class Lost(Struct, frozen=True):
    """What was lost at a stage, and why."""

    reason: str
    volume_l: str


class Stage(Struct, frozen=True):
    """A stage of the vintage's way. What came from outside (``came_l``), from the stage before
    (``passed_l``) and was measured more than the book said (``gained_l``) is what went on to the
    next, left, is there, and was lost."""

    name: str
    came_l: str
    passed_l: str
    gained_l: str
    on_l: str
    left_l: str
    there_l: str
    lost: tuple[Lost, ...]


class Found(Struct, frozen=True):
    """Something odd in the records of the year, as the audit tells it; ``count`` of its sort."""

    finding: str
    count: int
    says: tuple[str, ...]


class Fermented(Struct, frozen=True):
    """One fermentation: where, by what, how the cap was worked, and from what sugar to what."""

    lot: str
    vessel: str | None
    started_on: str
    organism: str | None
    regime: str | None
    first_brix: str | None
    last_brix: str | None


class Oak(Struct, frozen=True):
    """Barrels that were filled with the vintage's wine, of one cooper and age."""

    cooper: str
    wood: str
    age: str
    barrels: int


class Bottled(Struct, frozen=True):
    """A wine that was bottled, of which the vintage is the largest part."""

    lot: str
    label: str | None
    bottled_on: str | None
    cases: str
    varieties: tuple[tuple[str, str], ...]
    vintage_share: str
    verdict: str | None
    refused: tuple[str, ...]
    release_on: str | None
    state: str


class Stocked(Struct, frozen=True):
    """What a lot held at the end of the calendar year."""

    lot: str
    state: str
    volume_l: str | None
    mass_kg: str | None
    cases: str | None


class Mended(Struct, frozen=True):
    """A correction made in the calendar year."""

    position: int
    day: str
    of: int
    says: str
    reason: str


class Year(Struct, frozen=True):
    """The whole report."""

    year: int
    premises: str
    as_of: str
    head: Head
    mass_kg: str
    entered_l: str
    harvest: tuple[Harvested, ...]
    yields: tuple[Yielded, ...]
    fates: tuple[Fate, ...]
    stages: tuple[Stage, ...]
    ferments: tuple[Fermented, ...]
    oak: tuple[Oak, ...]
    bottlings: tuple[Bottled, ...]
    stock_on: str
    stock: tuple[Stocked, ...]
    corrections: tuple[Mended, ...]
    holds: tuple[str, ...]
    findings: tuple[Found, ...]
