"""Molecular sulfur dioxide: against published tables, at its limits, and never across conventions."""

from __future__ import annotations

from decimal import Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import sulfur
from ampelog.published import OutsideTable
from ampelog.sulfur import (
    CONVENTIONAL,
    OtherConvention,
    addition,
    computed,
    free_needed,
    meets,
    molecular,
    needed,
    of_the_wine,
    pka_at,
    thermodynamic,
)
from tests.tables import table

D = Decimal
FINE = Context(prec=120)
PH = st.decimals("2.5", "4.5", places=3)
FREE = st.decimals("0.1", "400", places=3)
TARGET = st.sampled_from([D("0.5"), D("0.6"), D("0.8"), D("1.5"), D("2")])
TARGETS = ("0.5", "0.6", "0.8", "0.825", "1.5")


def close(value: Decimal, printed: str, places: str) -> bool:
    """Whether a value is a printed one, to half of its last place and a hair."""
    return abs(value - D(printed)) <= D(places) / 2 + D("1e-9")


@pytest.mark.parametrize("row", table("molecular_so2"), ids=lambda row: row["ph"])
def test_the_table_of_molecular_so2_comes_out(row: dict[str, str]) -> None:
    ph = D(row["ph"])
    assert close(molecular(D(100), ph), row["pct_molecular_pk1.81"], "0.0001")
    for target in TARGETS:
        assert close(free_needed(D(target), ph), row[f"free_for_{target}"], "0.001")
    for pka in ("1.77", "1.92"):
        assert close(free_needed(D("0.8"), ph, D(pka)), row[f"free_for_0.8_pk{pka}"], "0.001")


@pytest.mark.parametrize(
    ("free", "ph", "printed"),
    [("25", "3.30", "0.784"), ("30", "3.50", "0.600"), ("40", "3.80", "0.405")],
)
def test_worked_values_come_out(free: str, ph: str, printed: str) -> None:
    assert close(molecular(D(free), D(ph)), printed, "0.001")


@pytest.mark.parametrize(
    ("free", "target", "there"),
    [
        ("40", "0.8", True),
        ("39.983", "0.8", True),
        ("39.982", "0.8", False),
        ("39.9", "0.8", False),
        ("24.990", "0.5", True),
        ("24.988", "0.5", False),
    ],
)
def test_the_limits_flip_where_they_should_at_ph_3_50(free: str, target: str, there: bool) -> None:
    assert meets(D(free), D("3.50"), D(target)) is there
    assert computed(D(free), D("3.5")).meets(D(target)) is there


def test_at_ph_3_50_the_limits_are_the_published_ones() -> None:
    assert close(free_needed(D("0.8"), D("3.5")), "39.982", "0.001")
    assert close(free_needed(D("0.5"), D("3.5")), "24.989", "0.001")


def test_equality_meets_the_target() -> None:
    """One whole pH above the pKa the factor is 11 = 1 + 10^1 exactly, two above 101."""
    assert meets(D("8.8"), D("2.81"), D("0.8"))
    assert not meets(FINE.subtract(D("8.8"), D("1e-60")), D("2.81"), D("0.8"))
    assert meets(FINE.add(D("8.8"), D("1e-60")), D("2.81"), D("0.8"))
    assert meets(D("80.8"), D("3.81"), D("0.8"))


def test_a_difference_beyond_fifty_digits_is_still_told() -> None:
    near = free_needed(D("0.8"), D("3.5"))  # rounded in the fiftieth digit
    sure = FINE.multiply(D("0.8"), FINE.add(1, FINE.power(10, D("1.69"))))
    assert near != sure
    assert FINE.abs(FINE.subtract(near, sure)) < D("1e-47")
    assert meets(near, D("3.5"), D("0.8")) is (near > sure)
    assert meets(FINE.add(sure, D("1e-90")), D("3.5"), D("0.8"))
    assert not meets(FINE.subtract(sure, D("1e-90")), D("3.5"), D("0.8"))


@given(FREE, PH, TARGET)
def test_a_decision_is_the_same_with_twice_the_digits(
    free: Decimal, ph: Decimal, target: Decimal
) -> None:
    assert meets(free, ph, target) is meets(free, ph, target, digits=100)


@given(PH, TARGET)
def test_what_is_needed_decides(ph: Decimal, target: Decimal) -> None:
    limit = free_needed(target, ph)
    assert meets(FINE.add(limit, D("1e-30")), ph, target)
    assert not meets(FINE.subtract(limit, D("1e-30")), ph, target)


@given(FREE, PH)
def test_molecular_and_needed_are_inverse(free: Decimal, ph: Decimal) -> None:
    assert FINE.abs(FINE.subtract(free_needed(molecular(free, ph), ph), free)) < D("1e-40")


# OIV-MA-AS323-04C, table of pkT: a sample of it, and a point between four of its values.
@pytest.mark.parametrize(
    ("alcohol", "celsius", "printed"),
    [
        ("0", "20", "1.798"),
        ("5", "20", "1.897"),
        ("10", "20", "1.997"),
        ("15", "20", "2.099"),
        ("10", "25", "2.198"),
        ("15", "25", "2.301"),
        ("0", "30", "2.219"),
        ("15", "30", "2.503"),
        ("0", "35", "2.334"),
        ("15", "40", "2.728"),
        ("12.5", "20", "2.048"),
        ("10", "22.5", "2.0975"),
    ],
)
def test_the_oiv_table_of_pka_comes_out(alcohol: str, celsius: str, printed: str) -> None:
    assert pka_at(D(alcohol), D(celsius)) == D(printed)


@pytest.mark.parametrize(
    ("alcohol", "celsius"), [("12", "19.99"), ("12", "40.01"), ("15.1", "20"), ("-0.1", "20")]
)
def test_outside_the_oiv_table_there_is_no_pka(alcohol: str, celsius: str) -> None:
    with pytest.raises(OutsideTable, match="reaches from"):
        pka_at(D(alcohol), D(celsius))


def test_with_the_salts_of_the_wine_29_mg_look_like_0_8() -> None:
    """The reference's own estimate: about 1.96 at 12 % vol, 29 mg/L for 0.8 at pH 3.5."""
    basis = of_the_wine(D(12), D(20))
    assert round(basis.pka, 2) == D("1.96")
    assert round(free_needed(D("0.8"), D("3.5"), basis.pka)) in (28, 29)
    assert "estimated" in basis.convention
    assert "estimated" not in thermodynamic(D(12), D(20)).convention


def test_conventions_never_mix() -> None:
    other = computed(D(29), D("3.5"), of_the_wine(D(12), D(20)))
    with pytest.raises(OtherConvention, match="anew"):
        other.meets(D("0.8"))
    assert other.meets(D("0.79"), other.basis)
    assert needed(D("0.8"), D("3.5")).basis is CONVENTIONAL
    assert computed(D(29), D("3.5")).basis.pka == D("1.81")


def test_an_addition_is_in_grams_and_says_that_part_binds() -> None:
    """Molar masses: SO2 64.066, K2S2O5 222.32 g/mol (from memory): 57.6 % by weight."""
    assert round(sulfur.STRENGTH * 100, 1) == D("57.6")
    found = addition(D(1000), D(20), D(40))
    assert found.so2_g == D("20.000")
    share = Fraction(64066 * 2, 222320)
    assert abs(Fraction(found.metabisulfite_g) - 20 / share) <= Fraction(1, 2000)
    assert any("measure again" in line for line in found.says)
    enough = addition(D(1000), D(40), D(20))
    assert enough.so2_g == enough.metabisulfite_g == 0


@pytest.mark.parametrize(("free", "ph"), [("-1", "3.5"), ("30", "-0.1"), ("30", "14.01")])
def test_what_cannot_be_is_refused(free: str, ph: str) -> None:
    with pytest.raises(ValueError, match=r"below zero|is none"):
        molecular(D(free), D(ph))
