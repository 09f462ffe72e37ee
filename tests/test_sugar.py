"""Brix, gravity and potential alcohol: against the official tables, and there and back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog.published import OutsideTable
from ampelog.sugar import (
    APPARENT,
    HYDROMETER,
    REFRACTOMETER,
    alcohol_says,
    apparent,
    brix,
    gravity,
    is_drawn_on,
    must,
    potential,
    potential_of_gravity,
)
from tests.tables import table

D = Decimal
MUST = table("must_refractometer_oiv")
SUCROSE = table("brix_sg_sucrose")

ANCHORS = [
    ("0.10", "1.00039"),
    ("3.80", "1.01490"),
    ("4.00", "1.01569"),
    ("7.60", "1.03017"),
    ("7.90", "1.03139"),
]
"""Printed conversion chart of Brix to specific gravity 20/20."""
POUNDS = [("1", "8.354"), ("2", "8.387"), ("3", "8.419"), ("4", "8.452"), ("5", "8.486")]
"""National Bureau of Standards Circular C440: pounds in a US gallon in air at 20 C, as printed by
the University of Florida (1992); water is 8.322."""


@pytest.mark.parametrize(("degrees", "printed"), ANCHORS)
def test_printed_gravities_come_out(degrees: str, printed: str) -> None:
    assert abs(gravity(D(degrees)) - D(printed)) < D("0.00002")


@pytest.mark.parametrize(("degrees", "pounds"), POUNDS)
def test_pounds_in_a_gallon_of_circular_440_come_out(degrees: str, pounds: str) -> None:
    assert abs(gravity(D(degrees)) * D("8.322") - D(pounds)) < D("0.0011")


@pytest.mark.parametrize("row", SUCROSE, ids=lambda row: row["brix"])
def test_the_table_of_sucrose_comes_out(row: dict[str, str]) -> None:
    found = gravity(D(row["brix"]))
    assert abs(found - D(row["sg20_20_nbs_c440_fit"])) <= D("0.0000051")
    for other in ("sg20_20_asbc_fit", "sg20_20_rational", "sg20_20_cubic"):
        assert abs(found - D(row[other])) < D("0.00015"), other


@given(st.decimals("-3.9", "40", places=4))
def test_brix_to_gravity_and_back(degrees: Decimal) -> None:
    assert abs(brix(gravity(degrees)) - degrees) < D("1e-25")


@given(st.decimals("0.985", "1.1787", places=6))
def test_gravity_to_brix_and_back(specific_gravity: Decimal) -> None:
    assert abs(gravity(brix(specific_gravity)) - specific_gravity) < D("1e-25")


@pytest.mark.parametrize("specific_gravity", ["0.9849", "1.1789"])
def test_a_gravity_beyond_the_fit_is_refused(specific_gravity: str) -> None:
    with pytest.raises(OutsideTable):
        brix(D(specific_gravity))


@pytest.mark.parametrize("degrees", ["-4", "40.01"])
def test_a_brix_beyond_the_fit_is_refused(degrees: str) -> None:
    with pytest.raises(OutsideTable):
        gravity(D(degrees))


def test_wine_reads_below_zero_by_a_fit_that_is_drawn_on() -> None:
    assert is_drawn_on(brix(D("0.995")))
    assert not is_drawn_on(brix(D("1.010")))


@pytest.mark.parametrize("row", MUST, ids=lambda row: row["refractometer_brix"])
def test_the_official_must_table_comes_out(row: dict[str, str]) -> None:
    found = potential(D(row["refractometer_brix"]), REFRACTOMETER)
    assert found.sugar_g_l == D(row["sugar_g_per_L"])
    assert found.density_kg_l == D(row["must_density_kg_per_L"])
    assert abs(found.alcohol - D(row["potential_abv_16_83"])) <= D("0.01")


@pytest.mark.parametrize("row", MUST, ids=lambda row: row["refractometer_brix"])
def test_a_hydrometer_in_the_same_must_reads_by_its_density(row: dict[str, str]) -> None:
    """Independently of the column: density over water's 0.9982 g/mL, by the sucrose fit."""
    read = D(row["hydrometer_brix_of_same_must"])
    assert abs(brix(D(row["must_density_kg_per_L"]) / D("0.9982")) - read) < D("0.02")
    assert potential(read, HYDROMETER).sugar_g_l == D(row["sugar_g_per_L"])
    assert D("0.13") < read - D(row["refractometer_brix"]) < D("0.34")


def test_between_half_degrees_it_goes_in_proportion() -> None:
    assert must(D("24.25"), REFRACTOMETER).sugar_g_l == (D("237.8") + D("243.6")) / 2
    assert potential(D("20.17"), HYDROMETER).alcohol == D("11.40")
    assert potential(D("20.17"), REFRACTOMETER).alcohol > D("11.40")


def test_a_gravity_is_a_hydrometers_reading() -> None:
    """OIV Table II, 20.0: density 1.0818, specific gravity 1.08375, potential 11.40 % vol."""
    assert abs(potential_of_gravity(D("1.08375")).alcohol - D("11.40")) <= D("0.01")


@pytest.mark.parametrize(
    ("degrees", "instrument"),
    [
        ("9.9", REFRACTOMETER),
        ("30.1", REFRACTOMETER),
        ("10.22", HYDROMETER),
        ("30.34", HYDROMETER),
        ("22", "nose"),
    ],
)
def test_beyond_the_must_table_nothing_is_said(degrees: str, instrument: str) -> None:
    with pytest.raises(OutsideTable):
        potential(D(degrees), instrument)


def test_a_refractometer_is_apparent_only_after_the_start() -> None:
    assert apparent(REFRACTOMETER, started=True) == APPARENT
    assert apparent(REFRACTOMETER, started=False) is None
    assert apparent(HYDROMETER, started=True) is None
    assert apparent(None, started=True) is None


@pytest.mark.parametrize(
    ("alcohol", "odd"),
    [("12.00", False), ("15.84", False), ("11.99", True), ("15.85", True)],
)
def test_alcohol_goes_with_the_sugar_of_the_harvest(alcohol: str, odd: bool) -> None:
    """0.50 to 0.66 % vol a degree, a proposal: at 24 Brix 12.00 to 15.84."""
    found = alcohol_says(D(alcohol), D(24), "lot W", "W")
    assert (found is not None) is odd
    if found is not None:
        assert (found.lot, found.rule) == ("W", "alcohol against sugar")
        assert "24 Brix" in found.says
