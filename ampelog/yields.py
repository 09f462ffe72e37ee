"""Is a yield, a loss or an evaporation plausible? Records against published bands.

A band says what is usual and never what is right: what lies outside is worth a look at the scale
ticket and the dip stick. The bands stand in ``cellar_facts/yields.toml``, each with its source, how
sure it is, and whether it is only a proposal.
"""

from __future__ import annotations

import tomllib
from fractions import Fraction
from functools import cache
from typing import Any

from msgspec import Struct

from ampelog.quantities import GALLON, SHORT_TON, floor_text
from ampelog.resources import folder

WINE, MUST, LEES, FILTER = "wine", "must", "lees", "filter"
BOTTLING, EVAPORATION = "bottling", "evaporation"
USUAL, UNUSUAL, DOUBTFUL = "usual", "unusual", "doubtful"
_TONNE = 1000
_SLIP = 2
_WHAT = {
    WINE: "wine from fruit",
    MUST: "must from fruit",
    LEES: "lost with the lees",
    FILTER: "lost at filtration",
    BOTTLING: "lost at bottling",
    EVAPORATION: "topped for evaporation",
}


class Band(Struct, frozen=True):
    """What is usual of a quantity, from ``low`` to ``high``, both included, in ``unit``."""

    id: str
    quantity: str
    low: Fraction
    high: Fraction
    unit: str
    source: str
    confidence: str
    proposal: bool
    styles: tuple[str, ...] = ()

    def holds(self, value: Fraction) -> bool:
        """Whether a value lies in it."""
        return self.low <= value <= self.high


class Judged(Struct, frozen=True):
    """A value beside its band: ``usual`` inside it, else ``unusual``; ``doubtful`` outside of all
    that is published of the quantity (of what is only proposed: by more than a factor of two)."""

    quantity: str
    value: Fraction
    band: Band
    verdict: str

    @property
    def shown(self) -> str:
        """The value and its unit: a yield with one decimal, a percentage with two, rounded down."""
        return f"{floor_text(self.value, 1 if self._is_yield else 2)} {self.band.unit}"

    @property
    def litres_per_tonne(self) -> str | None:
        """A yield in L/t, with one decimal, rounded down; None of what is no yield."""
        if not self._is_yield:
            return None
        return floor_text(self.value * GALLON / SHORT_TON * _TONNE, 1)

    @property
    def _is_yield(self) -> bool:
        return self.band.unit == "gal/ton"

    @property
    def says(self) -> str:
        """What was found and what is usual, in one sentence."""
        band = self.band
        metric = f" ({self.litres_per_tonne} L/t)" if self.litres_per_tonne else ""
        usual = f"{_short(band.low)} to {_short(band.high)} {band.unit} is usual"
        mark = " (a proposal)" if band.proposal else ""
        return f"{_WHAT[self.quantity]}: {self.shown}{metric}; {usual}{mark}"


@cache
def bands() -> tuple[Band, ...]:
    """All bands, as they stand in the file."""
    path = folder("cellar_facts") / "yields.toml"
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    return tuple(_band(row) for row in told["band"])


def judge(quantity: str, value: Fraction, style: str | None = None) -> Judged:
    """A value of a quantity beside the band of its style, or of all styles where there is none.

    ``style`` is a label's: ``dry red``, ``sparkling``... ``KeyError`` for an unknown quantity.
    """
    known = [band for band in bands() if band.quantity == quantity]
    if not known:
        raise KeyError(f"no band for `{quantity}`")
    general = [band for band in known if not band.styles]
    own = next((band for band in known if style in band.styles), general[0])
    if own.holds(value):
        return Judged(quantity, value, own, USUAL)
    return Judged(quantity, value, own, UNUSUAL if _may_be(value, general) else DOUBTFUL)


def _may_be(value: Fraction, general: list[Band]) -> bool:
    """Whether a band of every style still has room for a value. A proposal has room for twice as
    much: a slip of the unit, lb for kg or gal for L, is more."""
    published = [band for band in general if not band.proposal]
    if published:
        return any(band.holds(value) for band in published)
    low, high = min(band.low for band in general), max(band.high for band in general)
    return low / _SLIP <= value <= high * _SLIP


def yield_says(volume: int, mass: int, style: str | None = None, quantity: str = WINE) -> Judged:
    """What a mass of fruit gave (10^-12 L of 10^-12 kg), in US gallons a short ton.

    ``quantity``: ``wine`` (or juice), or ``must`` with its skins.
    """
    assert mass > 0, "nothing was pressed"
    return judge(quantity, Fraction(volume, mass) / GALLON * SHORT_TON, style)


def loss_says(quantity: str, lost: int, of: int) -> Judged:
    """What was lost of a volume (both 10^-12 L), in percent: ``lees``, ``filter``, ``bottling``."""
    assert of > 0, "nothing was there to lose"
    return judge(quantity, Fraction(lost * 100, of))


def evaporation_says(topped: int, capacity: int, days: int) -> Judged:
    """What a barrel took in topping (10^-12 L of its capacity), over some days, in percent a year.

    What is topped stands for what evaporated; a wooden barrel's first months take more.
    """
    assert capacity > 0, "a barrel holds something"
    assert days > 0, "topping takes time"
    return judge(EVAPORATION, Fraction(topped * 100 * 365, capacity * days))


def _band(row: dict[str, Any]) -> Band:
    return Band(
        row["id"],
        row["quantity"],
        Fraction(row["low"]),
        Fraction(row["high"]),
        row["unit"],
        row["source"],
        row["confidence"],
        row["proposal"],
        tuple(row.get("styles", ())),
    )


def _short(value: Fraction) -> str:
    return floor_text(value, 0 if value.denominator == 1 else 1)
