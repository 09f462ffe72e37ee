"""Molecular sulfur dioxide: what of the free protects the wine, and what must be added for it.

Of free sulfur dioxide only the part that has not dissociated protects:
``molecular = free / (1 + 10^(pH - pKa))``. The pKa is a convention. The targets of the trade (0.5
mg/L for red, 0.8 for white: *Understanding Wine Chemistry*, chapter 17) belong to 1.81, water at
20 C; with the pKa of the wine itself the same wine shows a third more, and the targets do not hold.
So a value keeps its pKa beside it, and is never judged by a target of another.

In red wine part of what is measured as free is bound to color: the value overstates protection
(common knowledge of the field; no correction is published that could be applied here).
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Context, Decimal

from msgspec import Struct

from ampelog.published import DIGITS, EXACT, along, between

PKA = Decimal("1.81")
"""The convention that the targets are stated in: water at 20 C."""
RED, WHITE = Decimal("0.5"), Decimal("0.8")
"""Targets in mg/L molecular, on the convention of ``PKA``."""
NOSE = Decimal("2")
"""mg/L molecular from which it can be smelled (*Understanding Wine Chemistry*, chapter 17)."""
IONIC = Decimal("-0.08")
"""What the salts of a wine (ionic strength 0.038) do to the thermodynamic pKa. An estimate by the
Debye-Hueckel law, not a published figure: the method's own table for it was not at hand."""
STRENGTH = EXACT.divide(Decimal("128.132"), Decimal("222.32"))
"""Of potassium metabisulfite (K2S2O5, 222.32 g/mol) two parts of sulfur dioxide (64.066 g/mol) by
weight, 57.6 %. The molar masses are from memory."""
BINDS = (
    "Part of an addition binds and does not stay free: measure again before the wine is bottled, "
    "and expect to add more."
)
OLD_POWDER = "Metabisulfite loses strength once opened (common practice: replace it every year)."

_MOST_DIGITS = 1600
_MOST_PH = 14
_GRAM = Decimal("0.001")

# OIV-MA-AS323-04C, table of the thermodynamic pKa by alcohol (% vol) and temperature (C).
_ALCOHOLS = (Decimal(0), Decimal(5), Decimal(10), Decimal(15))
_CELSIUS = (Decimal(20), Decimal(25), Decimal(30), Decimal(35), Decimal(40))
_THERMODYNAMIC = (
    ("1.798", "1.897", "1.997", "2.099"),
    ("2.000", "2.098", "2.198", "2.301"),
    ("2.219", "2.299", "2.394", "2.503"),
    ("2.334", "2.397", "2.488", "2.607"),
    ("2.493", "2.527", "2.606", "2.728"),
)


class OtherConvention(ValueError):
    """A value was about to be judged by a target of another pKa."""


class Basis(Struct, frozen=True):
    """A pKa and where it comes from, in words."""

    pka: Decimal
    convention: str


CONVENTIONAL = Basis(PKA, "pKa 1.81 (water at 20 C), the convention of the targets")


class Molecular(Struct, frozen=True):
    """Molecular sulfur dioxide in mg/L, with what it was computed from and on which basis."""

    value: Decimal
    free: Decimal
    ph: Decimal
    basis: Basis

    def meets(self, target: Decimal, basis: Basis = CONVENTIONAL) -> bool:
        """Whether it is at least a target in mg/L, exactly; ``OtherConvention`` where the target
        belongs to another pKa."""
        if basis.pka != self.basis.pka:
            raise OtherConvention(
                f"computed with pKa {self.basis.pka}, the target belongs to {basis.pka}; "
                "compute it anew on the target's basis"
            )
        return meets(self.free, self.ph, target, self.basis.pka)


class Needed(Struct, frozen=True):
    """The free sulfur dioxide in mg/L that a molecular target asks for at a pH."""

    value: Decimal
    target: Decimal
    ph: Decimal
    basis: Basis


class Addition(Struct, frozen=True):
    """What to add, in grams to 0.001 (half to even), and what to know about it."""

    so2_g: Decimal
    metabisulfite_g: Decimal
    says: tuple[str, ...] = (BINDS, OLD_POWDER)


def reckons(free: Decimal, ph: Decimal) -> bool:
    """Whether a molecular part can be reckoned from ``free`` mg/L at a pH: neither is below zero,
    and a pH ends at 14."""
    return free >= 0 and 0 <= ph <= _MOST_PH


def molecular(free: Decimal, ph: Decimal, pka: Decimal = PKA) -> Decimal:
    """The molecular part of free sulfur dioxide, both mg/L, to 50 digits."""
    return EXACT.divide(_not_below_zero(free), _factor(ph, pka))


def free_needed(target: Decimal, ph: Decimal, pka: Decimal = PKA) -> Decimal:
    """The free sulfur dioxide that a molecular target needs, both mg/L, to 50 digits."""
    return EXACT.multiply(_not_below_zero(target), _factor(ph, pka))


def computed(free: Decimal, ph: Decimal, basis: Basis = CONVENTIONAL) -> Molecular:
    """The molecular part of ``free`` mg/L, with its basis kept beside it."""
    return Molecular(molecular(free, ph, basis.pka), free, ph, basis)


def needed(target: Decimal, ph: Decimal, basis: Basis = CONVENTIONAL) -> Needed:
    """The free sulfur dioxide for ``target`` mg/L molecular, with its basis kept beside it."""
    return Needed(free_needed(target, ph, basis.pka), target, ph, basis)


def meets(
    free: Decimal, ph: Decimal, target: Decimal, pka: Decimal = PKA, digits: int = DIGITS
) -> bool:
    """Whether ``free`` is at least what ``target`` needs (mg/L), decided and never rounded.

    A power of ten with a whole exponent is exact; any other is irrational, so that more digits
    always part the two in the end. Digits are doubled from ``digits`` until they do.
    """
    _not_below_zero(free)
    if target == 0:
        return True
    while digits <= _MOST_DIGITS:
        context = _context(digits)
        wanted = context.multiply(target, _factor(ph, pka, digits))
        over = context.subtract(free, wanted)
        if context.abs(over) > context.scaleb(wanted, 5 - digits):
            return over > 0
        if context.remainder(context.subtract(ph, pka), Decimal(1)) == 0:
            return over >= 0
        digits *= 2
    raise AssertionError("two different numbers agree in more digits than any measurement has")


def pka_at(alcohol: Decimal, celsius: Decimal) -> Decimal:
    """The thermodynamic pKa at an alcohol (% vol, 0 to 15) and temperature (C, 20 to 40).

    OIV-MA-AS323-04C, between its rows and columns in proportion. The salts of the wine are not in
    it: ``of_the_wine`` corrects for them by an estimate. ``OutsideTable`` where it does not reach.
    """
    row, up = between(celsius, _CELSIUS, "C")
    column, part = between(alcohol, _ALCOHOLS, "% vol")
    ends = [
        along(part, Decimal(line[column]), Decimal(line[column + 1]))
        for line in _THERMODYNAMIC[row : row + 2]
    ]
    return along(up, *ends)


def thermodynamic(alcohol: Decimal, celsius: Decimal) -> Basis:
    """The basis of the published table alone: alcohol and temperature, no salts."""
    return Basis(
        pka_at(alcohol, celsius),
        f"thermodynamic pKa at {alcohol} % vol and {celsius} C (OIV-MA-AS323-04C, interpolated); "
        "the salts of the wine are not in it, and the usual targets do not belong to it",
    )


def of_the_wine(alcohol: Decimal, celsius: Decimal) -> Basis:
    """The basis nearest to the wine: the published table, less 0.08 estimated for its salts."""
    return Basis(
        EXACT.add(pka_at(alcohol, celsius), IONIC),
        f"pKa at {alcohol} % vol and {celsius} C (OIV-MA-AS323-04C, interpolated), with {IONIC} "
        "estimated for the salts of the wine; the usual targets do not belong to it",
    )


def addition(volume_l: Decimal, free: Decimal, target_free: Decimal) -> Addition:
    """What brings ``volume_l`` litres from ``free`` to ``target_free`` mg/L, if nothing bound.

    Zero where there is enough already.
    """
    lacking = max(EXACT.subtract(_not_below_zero(target_free), _not_below_zero(free)), Decimal(0))
    so2 = EXACT.divide(EXACT.multiply(lacking, _not_below_zero(volume_l)), Decimal(1000))
    powder = EXACT.divide(so2, STRENGTH)
    return Addition(_rounded(so2), _rounded(powder))


def _factor(ph: Decimal, pka: Decimal, digits: int = DIGITS) -> Decimal:
    """``1 + 10^(pH - pKa)``."""
    if not 0 <= ph <= _MOST_PH:
        raise ValueError(f"pH {ph} is none: wanted a number from 0 to 14")
    context = _context(digits)
    return context.add(1, context.power(10, context.subtract(ph, pka)))


def _not_below_zero(value: Decimal) -> Decimal:
    if not value >= 0:
        raise ValueError(f"{value} is below zero")
    return value


def _rounded(grams: Decimal) -> Decimal:
    return grams.quantize(_GRAM, rounding=ROUND_HALF_EVEN, context=EXACT)


def _context(digits: int = DIGITS) -> Context:
    return Context(prec=digits, rounding=ROUND_HALF_EVEN)
