"""What is in the cellar: the lots that hold something, with where they lie."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from ampelog.composing import count, counts
from ampelog.quantities import floor_text, text
from ampelog.questions import View
from ampelog.state import BOTTLES, MASS, Lot

CASE_L = 9
"""A case is nine litres: twelve bottles of 750 mL (27 CFR 24.300(a)(1): 2.37753 gal)."""


def lots(view: View, bottled: bool = False) -> list[dict[str, Any]]:
    """Every lot that holds something, by name; with ``bottled``, those in bottles, with cases."""
    return [_row(view, lot) for lot in view.held_lots(BOTTLES if bottled else "")]


def state(lot: Lot) -> str:
    """The state of a lot: that of the larger part of its holdings."""
    amounts: dict[str, int] = {}
    for holding in lot.contents().values():
        amounts[holding.state] = amounts.get(holding.state, 0) + holding.amount
    return max(amounts, key=lambda one: amounts[one]) if amounts else "wine"


def on_hold(view: View, lot: Lot) -> list[str]:
    """The holds that bind any of a lot, by id."""
    keys = {key for holding in lot.holdings.values() for key in holding.holds}
    return view.cellar.holds.binding(keys)


def _row(view: View, lot: Lot) -> dict[str, Any]:
    unit = "mass_kg" if lot.sort == MASS else "volume_l"
    amounts = [holding.amount for holding in lot.holdings.values()]
    whole = sum(amounts)
    row: dict[str, Any] = {"lot": lot.name, "state": state(lot), unit: text(whole)}
    holdings: list[dict[str, Any]] = [
        {"vessel": vessel, unit: text(amount)}
        for vessel, amount in zip(lot.holdings, amounts, strict=True)
    ]
    if lot.sort == BOTTLES:
        row["bottles"] = count(lot, whole)
        row["cases"] = floor_text(Fraction(whole, CASE_L * 10**12), 2)
        row["format_l"] = text(lot.format)
        for holding, bottles in zip(holdings, counts(lot, amounts), strict=True):
            holding["bottles"] = bottles
    row["holdings"] = holdings
    holds = on_hold(view, lot)
    if holds:
        row["holds"] = holds
    return row
