"""Density of ethanol and water: alcohol by mass and volume, and volumes at 20 C and 60 F.

OIML R 22 (1975; the annex of Directive 76/766/EEC) gives the density by mass fraction of ethanol
and temperature, from -20 to 40 C. It is one of ethanol and water: the extract of a dry wine hardly
changes how it expands, the sugar of a sweet one shifts it slightly, and a wine's own density it
does not give. What is computed here is for comparing: the book keeps each volume as measured.

Alcohol is % vol at 20 C unless said otherwise. On the 60 F basis of the United States the same wine
has about 0.05 % vol less.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache, lru_cache

from msgspec import Struct

from ampelog.published import EXACT, OutsideTable
from ampelog.resources import folder

CELSIUS_20 = Decimal(20)
LEAST_CELSIUS, MOST_CELSIUS = Decimal(-20), Decimal(40)
CELSIUS_60F = EXACT.divide(Decimal(140), Decimal(9))
"""60 F, at which the United States gauge."""
_CLOSE = Decimal("1e-30")


class _Coefficients(Struct, frozen=True):
    of_mass: tuple[Decimal, ...]
    of_warmth: tuple[Decimal, ...]
    of_both: tuple[tuple[Decimal, ...], ...]


def celsius(fahrenheit: Decimal) -> Decimal:
    """Degrees Celsius of degrees Fahrenheit, to 50 digits."""
    return EXACT.divide(
        EXACT.multiply(EXACT.subtract(fahrenheit, Decimal(32)), Decimal(5)), Decimal(9)
    )


def density(mass_fraction: Decimal, degrees: Decimal) -> Decimal:
    """Density in kg/m3 of a mass fraction (0 to 1) of ethanol in water at degrees Celsius.

    ``OutsideTable`` outside 0 to 1 and -20 to 40 C.
    """
    if not 0 <= mass_fraction <= 1:
        raise OutsideTable(f"a mass fraction of {mass_fraction} is outside 0 to 1")
    if not LEAST_CELSIUS <= degrees <= MOST_CELSIUS:
        raise OutsideTable(
            f"{degrees} C is outside {LEAST_CELSIUS} to {MOST_CELSIUS} C, "
            "for which densities of alcohol are published"
        )
    known = _coefficients()
    warmer = EXACT.subtract(degrees, CELSIUS_20)
    total = _power_series(known.of_mass, mass_fraction)
    by_warmth = [_power_series(each, mass_fraction) for each in known.of_both]
    pure = EXACT.multiply(warmer, _power_series(known.of_warmth, warmer))
    mixed = EXACT.multiply(EXACT.multiply(mass_fraction, warmer), _power_series(by_warmth, warmer))
    return EXACT.add(total, EXACT.add(pure, mixed))


def alcohol(mass_fraction: Decimal, degrees: Decimal = CELSIUS_20) -> Decimal:
    """% vol of a mass fraction of ethanol, both volumes taken at degrees Celsius."""
    ethanol = EXACT.multiply(mass_fraction, density(mass_fraction, degrees))
    return EXACT.divide(EXACT.multiply(ethanol, Decimal(100)), density(Decimal(1), degrees))


@lru_cache(maxsize=4096)
def mass_fraction(percent: Decimal, degrees: Decimal = CELSIUS_20) -> Decimal:
    """The mass fraction of ethanol (0 to 1, within 10^-30) of % vol at degrees Celsius.

    ``OutsideTable`` outside 0 to 100 % vol.
    """
    if not 0 <= percent <= 100:
        raise OutsideTable(f"{percent} % vol is outside 0 to 100")
    return _where(lambda part: alcohol(part, degrees) >= percent)


def at_20c(volume: int, percent: Decimal, degrees: Decimal) -> int:
    """What a volume gauged at degrees Celsius is at 20 C, in the units given (10^-12 L), rounded
    half to even. ``percent``: its alcohol, % vol at 20 C."""
    return _gauged(volume, percent, degrees, CELSIUS_20)


def at_60f(volume: int, percent: Decimal, degrees: Decimal) -> int:
    """What a volume gauged at degrees Celsius is at 60 F, in the units given (10^-12 L), rounded
    half to even. ``percent``: its alcohol, % vol at 20 C."""
    return _gauged(volume, percent, degrees, CELSIUS_60F)


def factor(percent: Decimal, degrees: Decimal, reference: Decimal = CELSIUS_20) -> Decimal:
    """What a volume at degrees Celsius is multiplied by for the volume at ``reference``."""
    part = mass_fraction(percent)
    return EXACT.divide(density(part, degrees), density(part, reference))


def on_60f(percent: Decimal) -> Decimal:
    """% vol on the 60 F basis of a strength in % vol at 20 C."""
    return alcohol(mass_fraction(percent), CELSIUS_60F)


def on_20c(percent_60f: Decimal) -> Decimal:
    """% vol at 20 C of a strength in % vol on the 60 F basis."""
    return alcohol(mass_fraction(percent_60f, CELSIUS_60F))


def gravity(percent: Decimal) -> Decimal:
    """Specific gravity 20/20 of ethanol and water of that % vol: a distillate's, never a wine's."""
    part = mass_fraction(percent)
    return EXACT.divide(density(part, CELSIUS_20), density(Decimal(0), CELSIUS_20))


def _gauged(volume: int, percent: Decimal, degrees: Decimal, reference: Decimal) -> int:
    exact = EXACT.multiply(Decimal(volume), factor(percent, degrees, reference))
    return int(exact.to_integral_value(ROUND_HALF_EVEN, EXACT))


def _where(reached: Callable[[Decimal], bool]) -> Decimal:
    """The mass fraction from which on something that rises with it is reached."""
    low, high = Decimal(0), Decimal(1)
    if reached(low):
        return low
    while EXACT.subtract(high, low) > _CLOSE:
        middle = EXACT.divide(EXACT.add(low, high), 2)
        if reached(middle):
            high = middle
        else:
            low = middle
    return high


def _power_series(coefficients: Sequence[Decimal], value: Decimal) -> Decimal:
    """``c0 + c1 x + c2 x^2 + ...``"""
    total = Decimal(0)
    for coefficient in reversed(coefficients):
        total = EXACT.fma(total, value, coefficient)
    return total


@cache
def _coefficients() -> _Coefficients:
    path = folder("cellar_facts") / "alcohol_density.json"
    told = json.loads(path.read_text(encoding="utf-8"), parse_float=Decimal, parse_int=Decimal)
    return _Coefficients(
        tuple(told["A"]), tuple(told["B"]), tuple(tuple(each) for each in told["C"])
    )
