"""Exact quantities: decimal strings at the edges, integers of 10^-12 litre or kilogram inside.

Unit factors are exact by definition: NIST Handbook 44, Appendix C (US gallon 231 cubic inches,
avoirdupois pound 0.45359237 kg, short ton 2000 lb).
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

from msgspec import Struct

SCALE = 12
ONE = 10**SCALE
"""One litre or one kilogram, in the integers used inside."""

SHARE_DECIMALS = 30
"""Decimals of a share: it is right to the last but one (COMMANDS.md)."""

VOLUME = "volume"
MASS = "mass"
PIECES = "pieces"
BOTTLES = "bottles"

# Handbook 44 App. C, as integers of 10^-12 L or kg: every factor is exact at this scale.
_UNITS: dict[str, tuple[str, int]] = {
    "L": (VOLUME, ONE),
    "hL": (VOLUME, 100 * ONE),
    "mL": (VOLUME, ONE // 1000),
    "gal": (VOLUME, 3_785_411_784_000),
    "kg": (MASS, ONE),
    "g": (MASS, ONE // 1000),
    "t": (MASS, 1000 * ONE),
    "ton": (MASS, 907_184_740_000_000),
    "lb": (MASS, 453_592_370_000),
    "pieces": (PIECES, ONE),
}
_FORM = re.compile(r"([0-9]{1,12})(?:\.([0-9]{1,12}))? ([A-Za-z]+)", re.ASCII)
_UNITS_SAID = "L, hL, mL, gal, kg, g, t, ton, lb"


def units_of(*dimensions: str) -> tuple[str, ...]:
    """The units of these dimensions."""
    return tuple(unit for unit, (dimension, _) in _UNITS.items() if dimension in dimensions)


class NotAQuantity(ValueError):
    """The text is no quantity; the message says what was seen and what was wanted."""


class Quantity(Struct, frozen=True):
    """An exact amount: ``amount`` in units of 10^-12 of a litre, kilogram or piece."""

    dimension: str
    amount: int


_SHARE = re.compile(r"([0-9]{1,12})(?:\.([0-9]{1,30})|/([0-9]{1,12}))?", re.ASCII)


@lru_cache(maxsize=65536)
def share(text: str) -> Fraction:
    """The exact value of a share: ``"0.25"`` or ``"1/3"``. Refused: anything else."""
    match = _SHARE.fullmatch(text)
    if match is None:
        raise NotAQuantity(f"`{text}` is no share; wanted a decimal `0.25` or a fraction `1/3`")
    whole, decimals, below = match.groups()
    if below is not None and int(below) == 0:
        raise NotAQuantity(f"`{text}` divides by zero")
    value = Fraction(int(whole + (decimals or "")), 10 ** len(decimals or ""))
    return value / int(below) if below else value


@lru_cache(maxsize=65536)
def parse(text: str) -> Quantity:
    """Read ``"60 gal"``: digits, one space, a unit. Refused, never rounded (``NotAQuantity``)."""
    match = _FORM.fullmatch(text)
    if match is None:
        raise NotAQuantity(
            f"`{text}` is no quantity; wanted a plain number, one space and a unit, as in `60 gal` "
            f"(units: {_UNITS_SAID})"
        )
    whole, decimals, unit = match.group(1), match.group(2) or "", match.group(3)
    if unit not in _UNITS:
        raise NotAQuantity(f"unknown unit `{unit}` in `{text}`; known are {_UNITS_SAID}")
    dimension, factor = _UNITS[unit]
    scaled, rest = divmod(int(whole + decimals) * factor, 10 ** len(decimals))
    if rest:
        raise NotAQuantity(
            f"`{text}` needs more than twelve decimals of a litre or kilogram; "
            "write it with fewer digits, it is never rounded for you"
        )
    if scaled == 0:
        raise NotAQuantity(f"`{text}` is zero; leave out what did not move")
    if dimension == PIECES and scaled % ONE:
        raise NotAQuantity(f"`{text}`: pieces are whole numbers")
    return Quantity(dimension, scaled)


def text(amount: int) -> str:
    """A plain decimal string of an amount in 10^-12: no exponent, no trailing zeros."""
    sign = "-" if amount < 0 else ""
    whole, decimals = divmod(abs(amount), ONE)
    if not decimals:
        return f"{sign}{whole}"
    return f"{sign}{whole}.{decimals:012d}".rstrip("0")


def in_unit(amount: int, unit: str) -> str:
    """An amount in a unit of its dimension, for reading: to the nearest hundredth."""
    cents, rest = divmod(100 * amount, _UNITS[unit][1])
    cents += 2 * rest >= _UNITS[unit][1]
    return text(cents * (ONE // 100))


def split(total: int, weights: list[int]) -> list[int]:
    """Share ``total`` by ``weights`` in whole units: each rounded down, then the remainder one
    unit each to the first named, so that the parts sum to the whole (EVENTS.md, Endpoint)."""
    whole = sum(weights)
    parts = [total * weight // whole for weight in weights]
    for index in range(total - sum(parts)):
        parts[index % len(parts)] += 1
    return parts


def floor_text(value: Fraction, decimals: int) -> str:
    """A fraction as a plain decimal string, rounded toward minus infinity."""
    return _fixed(value.numerator * 10**decimals // value.denominator, decimals)


def ceiling_text(value: Fraction, decimals: int) -> str:
    """A fraction as a plain decimal string, rounded toward plus infinity."""
    return _fixed(-(-value.numerator * 10**decimals // value.denominator), decimals)


def _fixed(scaled: int, decimals: int) -> str:
    sign = "-" if scaled < 0 else ""
    whole, rest = divmod(abs(scaled), 10**decimals)
    return f"{sign}{whole}.{rest:0{decimals}d}" if decimals else f"{sign}{whole}"


def percent(share: Fraction | str, decimals: int = 1) -> str:
    """A share as percent for people, rounded down: nothing is rounded up to meet a rule."""
    return floor_text(Fraction(share) * 100, decimals)


GALLON = Fraction(_UNITS["gal"][1], ONE)
POUND = Fraction(_UNITS["lb"][1], ONE)
SHORT_TON = Fraction(_UNITS["ton"][1], ONE)
__all__ = [
    "BOTTLES",
    "GALLON",
    "MASS",
    "ONE",
    "PIECES",
    "POUND",
    "SCALE",
    "SHARE_DECIMALS",
    "SHORT_TON",
    "VOLUME",
    "NotAQuantity",
    "Quantity",
    "ceiling_text",
    "floor_text",
    "in_unit",
    "parse",
    "percent",
    "share",
    "split",
    "text",
    "units_of",
]
