"""Published tables: where a value lies between their steps, and that nothing lies beyond them.

All arithmetic is decimal, to 50 digits, half to even, whatever context a caller has set.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal

DIGITS = 50
EXACT = Context(prec=DIGITS, rounding=ROUND_HALF_EVEN)


class OutsideTable(ValueError):
    """A value lies outside what a published table or fit covers; the message says its reach."""


def between(value: Decimal, steps: Sequence[Decimal], unit: str) -> tuple[int, Decimal]:
    """The interval of rising steps that a value lies in, and how far along it, from 0 to 1.

    ``OutsideTable`` below the first step and above the last.
    """
    if not steps[0] <= value <= steps[-1]:
        raise OutsideTable(
            f"{value} {unit} is outside the published table, "
            f"which reaches from {steps[0]} to {steps[-1]} {unit}"
        )
    index = max(i for i, step in enumerate(steps[:-1]) if step <= value)
    low, high = steps[index], steps[index + 1]
    return index, EXACT.divide(EXACT.subtract(value, low), EXACT.subtract(high, low))


def along(part: Decimal, low: Decimal, high: Decimal) -> Decimal:
    """What lies that part of the way from ``low`` to ``high``."""
    return EXACT.fma(part, EXACT.subtract(high, low), low)
