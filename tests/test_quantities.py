"""Quantities: exact units, the one form they are written in, sharing, and named roundings.

Units are checked against NIST Handbook 44 (Appendix C, General Tables of Units of Measurement)
and against pint, computing with fractions.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import quantities
from ampelog.endpoints import said
from ampelog.quantities import MASS, ONE, PIECES, VOLUME, NotAQuantity, parse
from tests.tables import table

INCH_CM = Fraction("2.54")
"""Handbook 44, App. C, section 4: 1 inch = 2.54 centimetres exactly."""
GALLON_CUBIC_INCHES = 231
"""Handbook 44, App. C, section 4: 1 gallon = 231 cubic inches = 3.785 411 784 litres exactly."""
POUND_KG = Fraction("0.45359237")
"""Handbook 44, App. C, section 4: 1 avoirdupois pound = 0.453 592 37 kilograms exactly."""
SHORT_TON_POUNDS = 2000
"""Handbook 44, App. C, section 4: 1 net (short) ton = 2000 pounds = 907.184 74 kilograms."""


@pytest.fixture(scope="module")
def registry() -> Any:
    """Pint's units, computing with fractions."""
    return pint.UnitRegistry(non_int_type=Fraction)


def of(text: str) -> Fraction:
    """A quantity in litres, kilograms or pieces."""
    return Fraction(parse(text).amount, ONE)


def test_units_are_those_of_handbook_44() -> None:
    assert of("1 gal") == GALLON_CUBIC_INCHES * INCH_CM**3 / 1000 == Fraction("3.785411784")
    assert of("1 lb") == POUND_KG
    assert of("1 ton") == SHORT_TON_POUNDS * POUND_KG == Fraction("907.18474")
    assert [of("1 L"), of("1 hL"), of("1 mL")] == [Fraction(1), Fraction(100), Fraction(1, 1000)]
    assert [of("1 kg"), of("1 g"), of("1 t")] == [Fraction(1), Fraction(1, 1000), Fraction(1000)]
    assert of("7 pieces") == 7


@pytest.mark.parametrize(
    ("ours", "theirs", "base"),
    [
        ("L", "liter", "liter"),
        ("hL", "hectoliter", "liter"),
        ("mL", "milliliter", "liter"),
        ("gal", "US_liquid_gallon", "liter"),
        ("kg", "kilogram", "kilogram"),
        ("g", "gram", "kilogram"),
        ("t", "metric_ton", "kilogram"),
        ("ton", "US_ton", "kilogram"),
        ("lb", "avoirdupois_pound", "kilogram"),
    ],
)
def test_every_unit_agrees_with_pint(registry: Any, ours: str, theirs: str, base: str) -> None:
    factor = registry.Quantity(Fraction(1), theirs).to(base).magnitude
    assert Fraction(factor) == of(f"1 {ours}")
    assert of(f"12.5 {ours}") == Fraction(25, 2) * factor


def test_the_units_of_fields_have_their_dimension() -> None:
    assert {parse(f"1 {unit}").dimension for unit in ("L", "hL", "mL", "gal")} == {VOLUME}
    assert {parse(f"1 {unit}").dimension for unit in ("kg", "g", "t", "ton", "lb")} == {MASS}
    assert parse("1 pieces").dimension == PIECES


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("60", "no quantity"),
        ("60 gallons", "unknown unit"),
        ("60 GAL", "unknown unit"),
        ("60 l", "unknown unit"),
        ("60gal", "no quantity"),
        ("60  gal", "no quantity"),
        (" 60 gal", "no quantity"),
        ("60 gal ", "no quantity"),
        ("60 gal\n", "no quantity"),
        ("60\tgal", "no quantity"),
        ("+60 gal", "no quantity"),
        ("-60 gal", "no quantity"),
        ("6e1 gal", "no quantity"),
        ("6E1 gal", "no quantity"),
        (".5 L", "no quantity"),
        ("5. L", "no quantity"),
        ("1,000 L", "no quantity"),
        ("1_000 L", "no quantity"),
        ("٦٠ L", "no quantity"),
        ("60\u00a0L", "no quantity"),
        ("NaN L", "no quantity"),
        ("Infinity L", "no quantity"),
        ("1234567890123 L", "no quantity"),
        ("0.1234567890123 L", "no quantity"),
        ("0 L", "zero"),
        ("0.000 gal", "zero"),
        ("0 pieces", "zero"),
        ("1.5 pieces", "whole"),
        ("0.0000000001 mL", "never rounded"),
        ("0.0000000000001 gal", "no quantity"),
        ("0.000000000001 gal", "never rounded"),
        ("0.00000000001 lb", "never rounded"),
        ("", "no quantity"),
        ("gal", "no quantity"),
    ],
)
def test_what_is_no_quantity_is_refused_never_rounded(text: str, says: str) -> None:
    with pytest.raises(NotAQuantity, match=says):
        parse(text)


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("0.000000000001 L", 1),
        ("0.000000001 mL", 1),
        ("0.001 gal", 3_785_411_784),
        ("0.000000000001 t", 1000),
        ("999999999999.999999999999 hL", 99_999_999_999_999_999_999_999_900),
        ("007.50 kg", 7_500_000_000_000),
    ],
)
def test_the_smallest_and_the_greatest_are_exact(text: str, amount: int) -> None:
    assert parse(text).amount == amount


@given(
    whole=st.integers(0, 10**12 - 1),
    decimals=st.text("0123456789", max_size=9),
    unit=st.sampled_from(["L", "hL", "mL", "kg", "g", "t"]),
)
def test_reading_is_exact_and_printing_gives_it_back(whole: int, decimals: str, unit: str) -> None:
    said = f"{whole}.{decimals}" if decimals else str(whole)
    if not Fraction(said):
        return
    amount = parse(f"{said} {unit}").amount
    assert Fraction(amount, ONE) == Fraction(said) * of(f"1 {unit}")
    plain = quantities.text(amount)
    assert Fraction(plain) * ONE == amount
    if len(plain.partition(".")[0]) <= 12:
        assert parse(f"{plain} {'L' if unit[-1] == 'L' else 'kg'}").amount == amount


# --- sharing ---


def test_a_remainder_goes_one_unit_each_to_the_first_named() -> None:
    assert quantities.split(10, [1, 1, 1]) == [4, 3, 3]
    assert quantities.split(11, [1, 1, 1]) == [4, 4, 3]
    assert quantities.split(5, [2, 0, 3]) == [2, 0, 3]
    assert quantities.split(1, [3, 4]) == [1, 0]


@given(
    total=st.integers(0, 10**18),
    weights=st.lists(st.integers(0, 10**18), min_size=1, max_size=8).filter(any),
)
def test_parts_sum_to_the_whole_and_are_at_most_one_unit_off(
    total: int, weights: list[int]
) -> None:
    parts = quantities.split(total, weights)
    assert sum(parts) == total
    for part, weight in zip(parts, weights, strict=True):
        exact = Fraction(total * weight, sum(weights))
        assert 0 <= part - exact.__floor__() <= 1
    extra = [p - total * w // sum(weights) for p, w in zip(parts, weights, strict=True)]
    assert extra == sorted(extra, reverse=True)


# --- printing ---


@given(value=st.fractions(), decimals=st.integers(0, 30))
def test_named_roundings_are_toward_their_side(value: Fraction, decimals: int) -> None:
    low, high = quantities.floor_text(value, decimals), quantities.ceiling_text(value, decimals)
    step = Fraction(1, 10**decimals)
    assert Fraction(low) <= value < Fraction(low) + step
    assert Fraction(high) - step < value <= Fraction(high)
    assert "e" not in low + high


def test_a_percentage_is_never_rounded_up_to_meet_a_rule() -> None:
    assert quantities.percent(Fraction(74999, 100000)) == "74.9"
    assert quantities.percent(Fraction(3, 4)) == "75.0"
    assert quantities.percent("0.999999999999") == "99.9"


# --- figures of the trade: common practice, no source ---


def test_the_figures_of_the_trade_come_out_as_it_rounds_them() -> None:
    """Common practice, no source: a 60 gal barrel is about 25 cases, or 300 bottles."""
    barrel, bottle = of("60 gal"), of("750 mL")
    case = 12 * bottle
    assert case == of("9 L")
    assert int(barrel / case) == 25
    assert int(barrel / bottle / 100) * 100 == 300
    # common practice, no source: a barrel of 225 L is "60 gallons", within a hundredth
    assert abs(of("225 L") / barrel - 1) < Fraction(1, 100)
    # common practice, no source: a short ton of grapes gives about 150 gal, some 60 cases
    assert 60 < of("150 gal") / case < 65
    # common practice, no source: a case of nine litres is about 2.4 gal
    assert quantities.floor_text(case / of("1 gal"), 1) == "2.3"
    assert quantities.ceiling_text(case / of("1 gal"), 1) == "2.4"


EXACT_UNITS = {
    "US gallon (231 in3)": "1 gal",
    "pound avoirdupois": "1 lb",
    "short ton (2000 lb)": "1 ton",
    "tonne": "1 t",
    "hectolitre": "1 hL",
}
"""Names in the reference table, and as we write them."""
PINT_UNITS = {
    "US gallon (231 in3)": ("US_liquid_gallon", "liter"),
    "US fluid ounce": ("US_fluid_ounce", "milliliter"),
    "US quart": ("US_liquid_quart", "liter"),
    "imperial gallon": ("imperial_gallon", "liter"),
    "pound avoirdupois": ("pound", "kilogram"),
    "short ton (2000 lb)": ("US_ton", "kilogram"),
    "long ton (2240 lb)": ("long_ton", "kilogram"),
    "tonne": ("metric_ton", "kilogram"),
    "hectolitre": ("hectoliter", "liter"),
}


@pytest.mark.parametrize("name", PINT_UNITS)
def test_the_table_of_exact_units_agrees_with_pint_and_with_ours(name: str, registry: Any) -> None:
    printed = {row["unit"]: Fraction(row["factor"]) for row in table("units_exact")}[name]
    unit, base = PINT_UNITS[name]
    assert registry.Quantity(Fraction(1), unit).to(base).magnitude == printed
    if name in EXACT_UNITS:
        assert of(EXACT_UNITS[name]) == printed


@given(st.integers(min_value=0, max_value=10**18), st.sampled_from(["gal", "lb", "L", "kg"]))
def test_an_amount_in_a_unit_is_right_to_half_a_hundredth(amount: int, unit: str) -> None:
    shown = quantities.in_unit(amount, unit)
    one = Fraction(parse(f"1 {unit}").amount)
    assert abs(Fraction(shown) * one - amount) * 200 <= one
    assert len(shown.partition(".")[2]) <= 2


@pytest.mark.parametrize(
    ("written", "sort", "words"),
    [
        ("900 gal", VOLUME, "900 gal (3406.8706056 L)"),
        ("75.5 L", VOLUME, "75.5 L"),
        ("8 lb", MASS, "8 lb (3.62873896 kg)"),
        ("2 t", MASS, "2000 kg"),
    ],
)
def test_an_amount_is_told_in_the_unit_that_it_was_written_in(
    written: str, sort: str, words: str
) -> None:
    assert said(parse(written).amount, sort) == words
