"""The vintage report as a page, and its tables as CSV: set from the facts, nothing computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from decimal import Decimal
from fractions import Fraction
from html import escape
from pathlib import Path

from ampelog import printing, say, typeset
from ampelog.printing import Covered, Made, Page, ours
from ampelog.quantities import SHORT_TON
from ampelog.svg import STYLE, fitted, pt, text
from ampelog.typeset import Amounts
from ampelog.year import ADVICE, MEANING, Fate, Year

WIDTH = 490
_FILLS = ("#6b1f3a", "#c8a3b0", "#becaab", "#8b99b0", "#ecdce2", "#d2cbce")
TABLES = ("harvest", "yields", "fates", "ferments", "oak", "bottlings", "stock", "corrections")
"""The facts that are lists: each a table of its own as CSV."""


def page(facts: Year, units: str) -> Made:
    """The page, for what its reader can show."""

    def made(covered: Covered) -> Page:
        amounts = Amounts(units, "L")
        values = {
            "y": facts,
            "answer": answer(facts, amounts, units),
            "drawing": ours(_drawing(facts.fates, amounts, covered)),
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


def _drawing(fates: Sequence[Fate], amounts: Amounts, covered: Covered) -> str:
    """A bar of all that came in, parted by what became of it, each part named below it."""
    top, height, line = 200, 2_400, 1_500
    whole = sum(Fraction(one.volume_l) for one in fates if Fraction(one.volume_l) > 0)
    shown = [one for one in fates if Fraction(one.volume_l) > 0]
    parts, left = [], 0
    for number, one in enumerate(shown):
        width = int(WIDTH * 100 * Fraction(one.volume_l) / whole)
        fill = _FILLS[number % len(_FILLS)]
        parts.append(
            f'<rect x="{pt(left)}" y="{pt(top)}" width="{pt(width)}" height="{pt(height)}" '
            f'fill="{fill}" stroke="#ffffff" stroke-width="0.8"/>'
        )
        y = top + height + 1_400 + line * number
        parts.append(
            f'<rect x="0" y="{pt(y - 700)}" width="9" height="9" fill="{fill}"/>'
            + text(1_400, y, "row", fitted(typeset.legible(one.what, covered), 850, 24_000))
            + text(27_000, y, "row", amounts.amount(one.volume_l))
            + text(36_000, y, "row", f"{typeset.part(one.share)} %")
        )
        left += width
    tall = top + height + 1_400 + line * len(shown)
    title = "Where the vintage is and where it went"
    return (
        f'<svg class="drawing" xmlns="http://www.w3.org/2000/svg" role="img" '
        f'aria-label="{escape(title)}" width="{WIDTH}pt" height="{pt(tall)}pt" '
        f'viewBox="0 0 {WIDTH} {pt(tall)}"><title>{escape(title)}</title>{STYLE}'
        + "".join(parts)
        + "</svg>"
    )


def tables(facts: Year, folder: Path) -> list[Path]:
    """Write each table as ``YEAR-NAME.csv`` into a folder, made where it is not there; text cells
    are defused against formulas."""
    folder.mkdir(parents=True, exist_ok=True)
    told = asdict(facts)
    written = []
    for name in TABLES:
        path = folder / f"{facts.year}-{name}.csv"
        printing.keep(say.as_csv(told[name]).encode("utf-8"), path)
        written.append(path)
    return written
