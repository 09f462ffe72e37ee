"""Sugar of must: degrees Brix, specific gravity and the alcohol that may come of it.

A hydrometer and a refractometer are both graduated for sucrose in water, and must is not that: in
the same must they differ by 0.14 to 0.33 degrees. So a potential alcohol asks for the instrument,
and comes from the official table for must: OIV-MA-AS2-02, Table II, as reproduced in the French
decree of 14 September 2011 (EFII1125161A), Annex IV, which also counts 16.83 g/L sugar for 1 % vol.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache

from msgspec import Struct

from ampelog.errors import Finding
from ampelog.published import EXACT, OutsideTable, along, between
from ampelog.resources import folder

HYDROMETER, REFRACTOMETER = "hydrometer", "refractometer"
SUGAR_PER_PERCENT = Decimal("16.83")
"""g/L of sugar for 1 % vol of alcohol (EFII1125161A, Annex IV)."""
MOST_BRIX = Decimal(40)
"""To where the fit of Circular 440 was made, from 0."""
LEAST_GRAVITY, MOST_GRAVITY = Decimal("0.985"), Decimal("1.1788")
"""Below 1 lies wine: there the fit is only drawn on, and its Brix is a number for a curve."""
LEAST_RATIO, MOST_RATIO = Decimal("0.50"), Decimal("0.66")
"""% vol for a degree Brix at harvest, outside of which one of the two is doubtful (a proposal,
drawn around the official table's 0.49 to 0.61 and the spread of yeasts)."""
APPARENT = (
    "A refractometer reads alcohol as well as sugar: after the start of fermentation its Brix is "
    "apparent only, and no correction is made. Take gravity by hydrometer."
)

# S = apparent specific gravity 20/20: fit to National Bureau of Standards Circular C440 (Bates,
# 1942), RMS 0.0009 degrees, from the highest power down.
_CUBIC = ("182.46007", "-775.68212", "1262.7794", "-669.56218")
_CLOSE = Decimal("1e-30")
_HUNDREDTH = Decimal("0.01")


class Must(Struct, frozen=True):
    """A line of the must table, or one between two: the same must by either instrument."""

    refractometer_brix: Decimal
    density_kg_l: Decimal
    sugar_g_l: Decimal
    hydrometer_brix: Decimal


class Potential(Struct, frozen=True):
    """What a must may become: ``alcohol`` % vol to 0.01, from ``sugar_g_l``, by ``instrument``."""

    alcohol: Decimal
    sugar_g_l: Decimal
    density_kg_l: Decimal
    instrument: str
    brix: Decimal


def brix(specific_gravity: Decimal) -> Decimal:
    """Degrees Brix of a specific gravity 20/20 from 0.985 to 1.1788 (``OutsideTable`` beyond).

    Below 1.00002, that is below 0 degrees, the fit is drawn on beyond its data (``is_drawn_on``).
    """
    if not LEAST_GRAVITY <= specific_gravity <= MOST_GRAVITY:
        raise OutsideTable(
            f"a specific gravity of {specific_gravity} is outside {LEAST_GRAVITY} to {MOST_GRAVITY}"
        )
    return _cubic(specific_gravity)


def gravity(degrees: Decimal) -> Decimal:
    """Specific gravity 20/20 of degrees Brix, to 30 decimals; the inverse of ``brix``.

    The fit rises without a turn over its whole reach, so halving the interval finds the one
    gravity. ``OutsideTable`` beyond ``brix(0.985)`` or 40 degrees.
    """
    if not _cubic(LEAST_GRAVITY) <= degrees <= MOST_BRIX:
        raise OutsideTable(f"{degrees} degrees Brix is outside -3.9 to {MOST_BRIX}")
    low, high = LEAST_GRAVITY, MOST_GRAVITY
    while EXACT.subtract(high, low) > _CLOSE:
        middle = EXACT.divide(EXACT.add(low, high), 2)
        if _cubic(middle) < degrees:
            low = middle
        else:
            high = middle
    return EXACT.divide(EXACT.add(low, high), 2)


def is_drawn_on(degrees: Decimal) -> bool:
    """Whether a Brix lies below 0, where the sucrose tables end and alcohol makes the reading."""
    return degrees < 0


def must(reading: Decimal, instrument: str) -> Must:
    """The must that an instrument reads as so many Brix, between half degrees in proportion.

    ``OutsideTable`` below 10 and above 30 degrees of the refractometer, or for an instrument that
    is neither ``hydrometer`` nor ``refractometer``.
    """
    if instrument not in (HYDROMETER, REFRACTOMETER):
        raise OutsideTable(
            f"`{instrument}` is neither `{HYDROMETER}` nor `{REFRACTOMETER}`; "
            "the two differ by up to a third of a degree, so the instrument has to be recorded"
        )
    rows = _must_table()
    marks = [_mark(row, instrument) for row in rows]
    index, part = between(reading, marks, f"Brix by {instrument}")
    low, high = rows[index], rows[index + 1]
    return Must(*(along(part, a, b) for a, b in zip(_values(low), _values(high), strict=True)))


def potential(reading: Decimal, instrument: str) -> Potential:
    """The potential alcohol of a must by its Brix and instrument (``OutsideTable`` beyond)."""
    found = must(reading, instrument)
    alcohol = EXACT.divide(found.sugar_g_l, SUGAR_PER_PERCENT)
    return Potential(
        alcohol.quantize(_HUNDREDTH, ROUND_HALF_EVEN, EXACT),
        found.sugar_g_l,
        found.density_kg_l,
        instrument,
        reading,
    )


def potential_of_gravity(specific_gravity: Decimal) -> Potential:
    """The potential alcohol of a must by its specific gravity 20/20: a hydrometer's reading."""
    return potential(brix(specific_gravity), HYDROMETER)


def apparent(instrument: str | None, *, started: bool) -> str | None:
    """Why a reading's sugar is apparent only, None where nothing speaks against it.

    ``started``: whether fermentation had started when it was taken.
    """
    return APPARENT if started and instrument == REFRACTOMETER else None


def alcohol_says(alcohol: Decimal, harvest_brix: Decimal, where: str, lot: str) -> Finding | None:
    """A finding where alcohol (% vol) and Brix at harvest do not go together, else None."""
    if harvest_brix <= 0:
        return None
    ratio = EXACT.divide(alcohol, harvest_brix)
    if LEAST_RATIO <= ratio <= MOST_RATIO:
        return None
    shown = ratio.quantize(_HUNDREDTH, ROUND_HALF_EVEN, EXACT)
    return Finding(
        "alcohol against sugar",
        where,
        f"{alcohol} % vol from {harvest_brix} Brix at harvest is {shown} % vol a degree; "
        f"{LEAST_RATIO} to {MOST_RATIO} is usual",
        hint="look at both figures, and whether water, sugar or spirit came in between",
        lot=lot,
    )


def _cubic(value: Decimal) -> Decimal:
    total = Decimal(0)
    for coefficient in _CUBIC:
        total = EXACT.fma(total, value, Decimal(coefficient))
    return total


def _mark(row: Must, instrument: str) -> Decimal:
    return row.refractometer_brix if instrument == REFRACTOMETER else row.hydrometer_brix


def _values(row: Must) -> tuple[Decimal, ...]:
    return row.refractometer_brix, row.density_kg_l, row.sugar_g_l, row.hydrometer_brix


@cache
def _must_table() -> Sequence[Must]:
    path = folder("cellar_facts") / "must.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    return tuple(_musts(line for line in lines if not line.startswith("#")))


def _musts(lines: Iterator[str]) -> Iterator[Must]:
    for row in csv.DictReader(lines):
        yield Must(
            Decimal(row["refractometer_brix"]),
            Decimal(row["must_density_kg_per_L"]),
            Decimal(row["sugar_g_per_L"]),
            Decimal(row["hydrometer_brix_of_same_must"]),
        )
