"""What a dossier tells of the wine on its way, as facts: how it fermented, where it lay, what was
added, analysed, filled and shipped, and what the records hold of it.

The same forms of numbers and dates as in ``facts``.
"""

from __future__ import annotations

from msgspec import Struct


class Lain(Struct, frozen=True):
    """Where wine lay before it was bottled: in what ``kind`` of vessel and ``wood``, and whether on
    its first fill (``new``; None where that is not known, or it is no cooperage). ``share`` is what
    of the wine ever lay there, ``months`` how long that part did, in the mean."""

    kind: str
    wood: str | None
    new: bool | None
    share: str
    months: str


class Point(Struct, frozen=True):
    """A reading: how many days after the fermentation began, and the value."""

    days: str
    value: str


class Worked(Struct, frozen=True):
    """How the cap was worked from a day of the fermentation on."""

    days: str
    says: str


class Curve(Struct, frozen=True):
    """A fermentation on the way, as it was read: degrees Brix and Celsius over days."""

    lot: str
    vessel: str | None
    share: str
    started_on: str
    organism: str | None
    worked: tuple[Worked, ...]
    brix: tuple[Point, ...]
    celsius: tuple[Point, ...]


class Used(Struct, frozen=True):
    """A material, and of which lot of it how much."""

    material: str
    lot: str | None = None
    amount: str | None = None


class Addition(Struct, frozen=True):
    """Something added to a lot on the way, or done to it; ``share`` is what of the wine went
    through the lot."""

    position: int
    on: str
    lot: str
    vessel: str | None
    what: str
    used: tuple[Used, ...]
    share: str


class Analysis(Struct, frozen=True):
    """What a laboratory found, each quantity with its value as recorded."""

    position: int
    on: str
    lot: str
    vessel: str | None
    lab: str | None
    values: tuple[tuple[str, str], ...]
    ref: str | None


class Drawn(Struct, frozen=True):
    """Where bottles were filled from."""

    lot: str
    vessel: str | None


class Filling(Struct, frozen=True):
    """Bottles filled, or packed over from others, for the lot: from which lots, and with what."""

    position: int
    kind: str
    lot: str
    on: str
    of: tuple[Drawn, ...]
    bottles: str
    format: str | None
    code: str | None
    used: tuple[Used, ...]


class Shipment(Struct, frozen=True):
    """What left, or came back; of bottles also what was packed over, lost or counted (then
    ``removal`` says so). ``amount`` counts bottles, else it is in litres or kilograms; ``despite``:
    it left in spite of a rest or a hold."""

    position: int
    on: str
    back: bool
    party: str | None
    document: str | None
    removal: str | None
    amount: str
    despite: bool = False


class Rest(Struct, frozen=True):
    """The rest of bottles on the day of the dossier, as the calendar tells it."""

    stated: str | None
    basis: str | None
    source: str | None
    release_on: str | None
    state: str
    why: str


class Ready(Struct, frozen=True):
    """Whether a wine may be bottled, by the gates; ``stops`` names those that stop it."""

    ready: bool
    stops: tuple[str, ...]
    gates: str


class Kept(Struct, frozen=True):
    """A line of the label information record: what the records of a market must hold, what they do
    hold, and whether that is all of it (``held``, ``partly``, ``missing``, ``none``: nothing of the
    kind happened)."""

    item: str
    market: str
    state: str
    says: str
    citation: str
