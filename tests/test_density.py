"""Density of ethanol and water: against OIML R 22, the gauging tables of 27 CFR part 30, and back."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog.density import (
    CELSIUS_20,
    CELSIUS_60F,
    alcohol,
    at_20c,
    at_60f,
    celsius,
    density,
    factor,
    gravity,
    mass_fraction,
    on_20c,
    on_60f,
)
from ampelog.published import OutsideTable
from ampelog.quantities import ONE
from tests.tables import table

D = Decimal
TABLE = table("r22_density_abv")
GALLON_M3 = D("0.003785411784")
POUND_KG = D("0.45359237")
AIR, BRASS = D("1.2185"), D(8400)
"""kg/m3: moist air at 60 F and one atmosphere (from memory), in which pounds are weighed."""


def gallons_a_pound(part: Decimal) -> Decimal:
    """Wine gallons at 60 F of a pound weighed in air against brass."""
    heavy = density(part, CELSIUS_60F)
    return POUND_KG * (1 - AIR / BRASS) / ((heavy - AIR) * GALLON_M3)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["abv20"])
def test_the_table_of_r22_comes_out(row: dict[str, str]) -> None:
    percent = D(row["abv20"])
    part = mass_fraction(percent)
    assert abs(part * 100 - D(row["mass_pct"])) <= D("0.000051")
    assert abs(density(part, CELSIUS_20) - D(row["rho_kg_m3_20C"])) <= D("0.00051")
    assert abs(gravity(percent) - D(row["sg20_20"])) <= D("0.0000051")
    assert abs(on_60f(percent) - D(row["abv_at_60F"])) <= D("0.00051")
    for name, printed in row.items():
        if name.startswith("vcf20_at_"):
            found = factor(percent, D(name.removeprefix("vcf20_at_").removesuffix("C")))
        elif name.startswith("vcf60F_at_"):
            warm = celsius(D(name.removeprefix("vcf60F_at_").removesuffix("F")))
            found = factor(percent, warm, CELSIUS_60F)
        else:
            continue
        assert abs(found - D(printed)) <= D("0.0000051"), name


def test_water_and_ethanol_are_those_of_the_recommendation() -> None:
    """OIML R 22: 998.20123 and 789.2391 kg/m3 at 20 C."""
    assert density(D(0), CELSIUS_20) == D("998.20123")
    assert abs(density(D(1), CELSIUS_20) - D("789.2391")) < D("0.00005")


def test_a_pound_of_water_is_0_120074_gallon() -> None:
    """27 CFR part 30, subpart G (gauging tables): wine gallons of a pound of water."""
    assert abs(gallons_a_pound(D(0)) - D("0.120074")) < D("0.000001")


def test_a_pound_of_190_proof_is_0_14718_gallon() -> None:
    """27 CFR part 30, subpart G: printed 0.14718."""
    part = mass_fraction(D(95), CELSIUS_60F)
    assert abs(gallons_a_pound(part) - D("0.14718")) < D("0.000015")


@pytest.mark.parametrize(
    ("proof", "fahrenheit", "printed"), [("86.8", "72", "0.995"), ("115", "68", "0.996")]
)
def test_table_7_comes_out(proof: str, fahrenheit: str, printed: str) -> None:
    """27 CFR part 30, subpart G, Table 7: what brings a volume to 60 F, by apparent proof."""
    found = factor(on_20c(D(proof) / 2), celsius(D(fahrenheit)), CELSIUS_60F)
    assert round(found, 3) == D(printed)


def test_the_example_of_a_gauged_tank_comes_out() -> None:
    """27 CFR 30.51: 48.96 gal an inch, 88 inches, factor 0.995: 4,286.94 wine gallons at 60 F."""
    read = D("48.96") * 88
    assert round(read * D("0.995"), 2) == D("4286.94")
    gallon = 3_785_411_784_000
    amount = int(read * gallon)
    gauged = at_60f(amount, on_20c(D("86.8") / 2), celsius(D(72)))
    assert abs(Fraction(gauged, gallon) - Fraction("4286.94")) < 1


def test_ten_thousand_litres_gauged_at_freezing_are_33_more_at_20_c() -> None:
    """OIML R 22: 10,000 L of 14 % vol gauged at 0 C are 10,033.5 L at 20 C."""
    assert round(Fraction(at_20c(10_000 * ONE, D(14), D(0)), ONE), 1) == Fraction("10033.5")


def test_a_volume_at_its_reference_stays_as_it_is() -> None:
    assert at_20c(123_456_789, D("13.5"), CELSIUS_20) == 123_456_789
    assert at_60f(123_456_789, D("13.5"), CELSIUS_60F) == 123_456_789


def test_fourteen_percent_at_20_c_is_less_on_the_60_f_basis() -> None:
    assert round(on_60f(D(14)), 2) == D("13.95")
    assert celsius(D(60)) == CELSIUS_60F


@given(st.decimals("0", "100", places=3))
def test_strength_to_mass_and_back(percent: Decimal) -> None:
    assert abs(alcohol(mass_fraction(percent)) - percent) < D("1e-25")
    assert abs(on_20c(on_60f(percent)) - percent) < D("1e-20")


@given(st.decimals("0", "20", places=2), st.decimals("5", "35", places=1))
def test_warmer_wine_is_less_at_the_reference(percent: Decimal, degrees: Decimal) -> None:
    gauged = at_20c(10**15, percent, degrees)
    assert (gauged > 10**15) is (degrees < 20)
    assert (gauged < 10**15) is (degrees > 20)


@pytest.mark.parametrize(("part", "degrees"), [("0.1", "-20.1"), ("0.1", "40.1")])
def test_beyond_the_formula_there_is_no_density(part: str, degrees: str) -> None:
    with pytest.raises(OutsideTable):
        density(D(part), D(degrees))


@pytest.mark.parametrize("percent", ["-0.1", "100.1"])
def test_a_strength_that_cannot_be_is_refused(percent: str) -> None:
    with pytest.raises(OutsideTable):
        mass_fraction(D(percent))
    with pytest.raises(OutsideTable):
        density(D(percent), CELSIUS_20)
