"""The vintage report as a page, and its tables as CSV: set from the facts, nothing computed."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from ampelog import outlet, say, typeset, year_drawing
from ampelog.errors import Refused
from ampelog.printing import Covered, Made, Page, ours
from ampelog.quantities import SHORT_TON
from ampelog.typeset import Amounts
from ampelog.year import ADVICE, MEANING, Year

TABLES = (
    *("harvest", "yields", "fates", "stages", "losses", "ferments", "oak", "bottlings", "stock"),
    *("corrections", "findings"),
)
"""The facts that are lists: each a table of its own as CSV."""
MILLILITRE = Fraction(1, 1000)
"""What is lost of less is rounding, and stands in the tables alone."""


def page(facts: Year, units: str) -> Made:
    """The page, for what its reader can show."""

    def made(covered: Covered) -> Page:
        amounts = Amounts(units, "L")
        values = {
            "y": facts,
            "answer": answer(facts, amounts, units),
            "drawing": ours(_drawing(facts, amounts, units, covered)),
            "unit": amounts.unit,
            "weight": "tons" if units == "us" else "t",
            "advice": ADVICE,
            "meaning": MEANING,
            "cases": _cases(facts),
        }
        filters = {
            "amount": amounts.amount,
            "plain": amounts.plain,
            "mass": lambda kilograms: mass(kilograms, units),
            "entered": lambda stage: Fraction(stage.came_l) + Fraction(stage.gained_l),
            "lost": lambda stage: sum((Fraction(one.volume_l) for one in stage.lost), Fraction(0)),
            "losses": lambda stage: [
                one for one in stage.lost if Fraction(one.volume_l) > MILLILITRE
            ],
            "share": typeset.part,
            "verdict": lambda found: "" if found is None else typeset.verdict(found),
        }
        return Page("vintage.html", facts.as_of, values, filters)

    return made


def mass(kilograms: str, units: str) -> str:
    """A mass in short tons or tonnes, to the hundredth."""
    one = SHORT_TON if units == "us" else Fraction(1000)
    return typeset.rounded(Fraction(kilograms) / one, 2)


def answer(facts: Year, amounts: Amounts, units: str) -> str:
    """The year in two sentences."""
    weight = "tons" if units == "us" else "t"
    blocks = len({one.block for one in facts.harvest})
    fruit = "No fruit of its own"
    if blocks:
        from_ = f"{typeset.counted(blocks)} block{'' if blocks == 1 else 's'}"
        fruit = f"{mass(facts.mass_kg, units)} {weight} of fruit from {from_}"
    wines = len(facts.bottlings)
    bottled = f"{typeset.counted(wines).capitalize()} wine{' was' if wines == 1 else 's were'}"
    refused = sum(bool(one.refused) for one in facts.bottlings)
    claims = "no statement was refused by the records"
    if refused:
        has = "label has a statement" if refused == 1 else "labels have statements"
        claims = f"{typeset.counted(refused)} {has} that the records do not support"
    entered = f"{amounts.amount(facts.entered_l)} of juice, must and wine"
    return f"{fruit} gave {entered}. {bottled} bottled, {_cases(facts)} cases; {claims}."


def _cases(facts: Year) -> str:
    total = sum((Decimal(one.cases) for one in facts.bottlings), Decimal(0))
    return typeset.rounded(Fraction(total), 0)


def _drawing(facts: Year, amounts: Amounts, units: str, covered: Covered) -> str:
    """The vintage from fruit to bottles."""
    weight = "tons" if units == "us" else "t"
    fruit = f"{mass(facts.mass_kg, units)} {weight}"

    def shown(words: str) -> str:
        return typeset.legible(words, covered)

    return year_drawing.drawing(facts.stages, fruit, amounts.amount, shown)


def tables(facts: Year, folder: Path) -> list[Path]:
    """Write each table as ``YEAR-NAME.csv`` into a folder, made where it is not there; text cells
    are defused against formulas."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise Refused(f"`{folder}` cannot be made: {problem.strerror}") from None
    told = to_builtins(facts)
    told["losses"] = [
        {"stage": stage["name"], **one} for stage in told["stages"] for one in stage.pop("lost")
    ]
    written = []
    for name in TABLES:
        path = folder / f"{facts.year}-{name}.csv"
        outlet.keep(say.as_csv([_flat(row) for row in told[name]]).encode("utf-8"), path)
        written.append(path)
    return written


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    """A row whose lists are one cell each."""
    return {
        name: _cell(value) if isinstance(value, tuple) else value for name, value in row.items()
    }


def _cell(value: tuple[Any, ...]) -> str:
    return "; ".join(" ".join(one) if isinstance(one, tuple) else str(one) for one in value)
