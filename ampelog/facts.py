"""The facts of a dossier: one frozen object that reads and writes as JSON.

Nothing stands on a page that is not in here. Quantities and shares are plain decimal strings
(litres, kilograms, parts of one), dates ISO 8601, exact as the questions answered them; how they
are rounded and in which units they are read is decided where pages are made.
"""

from __future__ import annotations

from typing import Any

from msgspec import Struct, to_builtins

from ampelog.story import (
    Addition,
    Analysis,
    Curve,
    Filling,
    Kept,
    Lain,
    Ready,
    Rest,
    Shipment,
)

PROVES = (
    "Every figure in this dossier is computed from the events of the ledger, by exact arithmetic, "
    "and by one rule for every movement: what leaves a vessel has the composition of what was in "
    "it, and what enters mixes with it in proportion to volume.",
    "A percentage is compared with a limit exactly. What is printed is rounded down, so that no "
    "figure is rounded up to meet a rule.",
    "What the records do not say about fruit or wine is counted as unknown and counts against "
    "every statement.",
    "The events stand in a ledger to which lines can only be added. Its head, a position and the "
    "root of a hash tree over all events up to it, is printed at the foot of every page: whoever "
    "holds this page can tell later whether any of those events was changed or removed.",
)
PROVES_NOT = (
    "It does not show that every event was written down, nor that what was written is true: that "
    "takes the papers and the cellar.",
    "It does not show that a statement meets a rule that is not named here.",
    "What was written down after the head is not in it.",
)


class Head(Struct, frozen=True):
    """Where the ledger stood: its id, the last position, and the root of its hash tree."""

    ledger: str
    position: int
    root: str


class Held(Struct, frozen=True):
    """One vessel, or none, and what it holds of the lot."""

    vessel: str | None
    amount: str


class Fill(Struct, frozen=True):
    """Bottles filled by one event, as many as are left of them (a decimal after shared draws)."""

    event: str
    position: int
    filled_on: str
    bottles: str
    code: str | None = None


class Wine(Struct, frozen=True):
    """What the wine is, or the fruit.

    ``amount`` is what the lot holds on the day of the dossier, in ``unit``: ``L``, or ``kg`` of
    fruit. Of a lot that holds nothing any more it is zero, and ``told_of`` is what it last held,
    of which the dossier tells; else the two are equal. ``bottles`` are those that are left;
    ``filled`` counts those that were bottled or received under the lot's name since it was last
    empty, not those packed over from other lots (``None`` where all were).
    """

    lot: str
    state: str
    unit: str
    amount: str
    told_of: str
    label: str | None = None
    style: str | None = None
    owner: str | None = None
    bottles: str | None = None
    filled: str | None = None
    format: str | None = None
    holdings: tuple[Held, ...] = ()
    fills: tuple[Fill, ...] = ()
    rest: str | None = None
    rest_ends_on: str | None = None
    released_on: str | None = None
    on_hold: bool = False


class Claim(Struct, frozen=True):
    """One judged statement; the meaning of each field is that of the command ``claims``."""

    claim: str
    statement: str
    rule: str | None
    citation: str | None
    required: str | None
    actual: str | None
    margin: str | None
    verdict: str
    fill: str | None
    why: str


class Row(Struct, frozen=True):
    """One part of the wine: what it is (``None`` where unknown) and its share of the whole."""

    names: tuple[str | None, ...]
    share: str


class Table(Struct, frozen=True):
    """The wine parted by one or more fields. ``overlap``: the shares need not sum to one."""

    title: str
    fields: tuple[str, ...]
    rows: tuple[Row, ...]
    overlap: bool = False


class Body(Struct, frozen=True):
    """Something the wine passed through or came from, on the drawing.

    ``kind`` is ``fruit``, ``received``, ``addition``, ``lot`` or ``wine``; ``share`` is the part
    of the wine that went through it, ``lost`` what was lost there, as a part of the wine's volume
    in proportion to what went on to it, ``reasons`` why.
    """

    key: str
    kind: str
    name: str
    share: str
    says: str = ""
    since: str | None = None
    lost: str = "0"
    reasons: tuple[str, ...] = ()


class Flow(Struct, frozen=True):
    """What went from one body to another and is in the wine, as a share of it."""

    source: str
    target: str
    share: str
    fraction: str | None = None
    role: str | None = None


class Genealogy(Struct, frozen=True):
    """The drawing's facts: bodies in order of time, the wine last, and the flows between them."""

    bodies: tuple[Body, ...]
    flows: tuple[Flow, ...]


class Ferment(Struct, frozen=True):
    """A stretch of fermentation on the way: where, with which yeast, how the cap was worked."""

    vessel: str | None
    organism: str | None
    regime: str | None
    share: str


class Through(Struct, frozen=True):
    """A lot passed through, with what crossed from it into another lot on the way here."""

    lot: str
    share: str
    ferments: tuple[Ferment, ...] = ()


class Source(Struct, frozen=True):
    """Fruit picked, wine received or something added, and its share of the wine."""

    position: int
    kind: str
    on: str
    lot: str | None
    name: str
    variety: str | None
    vintage: int | None
    share: str
    role: str | None = None
    ref: str | None = None


class Paper(Struct, frozen=True):
    title: str
    sha256: str | None


class Entry(Struct, frozen=True):
    """One event of the trail. ``corrected_by`` marks an event that no longer takes effect."""

    position: int
    at: str
    recorded_on: str
    kind: str
    says: str
    by: str | None = None
    ref: str | None = None
    papers: tuple[Paper, ...] = ()
    corrected_by: int | None = None
    corrects: int | None = None


class Summed(Struct, frozen=True):
    """Events of a lot that the printed trail leaves out, of one ``kind`` or of all (None), with
    the days of the first and the last, and the lot's share of the wine."""

    lot: str
    kind: str | None
    events: int
    first_on: str
    last_on: str
    share: str


class Dossier(Struct, frozen=True):
    """A lot dossier. ``verdict`` is the worst of ``claims``, or ``None`` where none is judged.

    ``reader`` is whom it is for, ``withheld`` says what is not printed for them (``audience``).
    """

    title: str
    premises: str
    head: Head
    as_of: str
    wine: Wine
    advice: str
    verdict: str | None
    claims: tuple[Claim, ...]
    origins: Table
    composition: tuple[Table, ...]
    genealogy: Genealogy
    through: tuple[Through, ...]
    sources: tuple[Source, ...]
    trail: tuple[Entry, ...]
    summed: tuple[Summed, ...] = ()
    fills_differ: bool = False
    ready: Ready | None = None
    rest: Rest | None = None
    curves: tuple[Curve, ...] = ()
    ageing: tuple[Lain, ...] = ()
    additions: tuple[Addition, ...] = ()
    analyses: tuple[Analysis, ...] = ()
    fillings: tuple[Filling, ...] = ()
    shipments: tuple[Shipment, ...] = ()
    record: tuple[Kept, ...] = ()
    reader: str | None = None
    withheld: tuple[str, ...] = ()
    proves: tuple[str, ...] = PROVES
    proves_not: tuple[str, ...] = PROVES_NOT


def document(dossier: Dossier) -> dict[str, Any]:
    """The dossier's facts as one JSON document."""
    return {"form": "ampelog dossier 1", **to_builtins(dossier)}
