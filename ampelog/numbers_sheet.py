"""Numbers for people: a lot's latest values, and the morning sheet of the fermentations."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from itertools import groupby
from typing import Any

from ampelog import cautions, say

Row = dict[str, Any]
NAMES = {
    "brix": "sugar",
    "specific_gravity": "specific gravity",
    "ph": "pH",
    "ta": "total acidity",
    "va": "volatile acidity",
    "free_so2": "free SO2",
    "total_so2": "total SO2",
    "molecular_so2": "molecular SO2",
    "glucose_fructose": "glucose + fructose",
    "co2": "carbon dioxide",
}
STATES = {
    "stuck": "✗ stuck",
    "slow": "○ slow",
    "fermenting": "· fermenting",
    "finished": "✓ over",
}
BARS = "▁▂▃▄▅▆▇█"
WIDE = 100


def sheet(rows: Sequence[Row], today: date) -> None:
    """The latest values, a table a lot."""
    if not rows:
        say.line(f"Nothing was read or analysed of what is in the cellar on {today}.")
        return
    say.line(f"Latest readings and analyses on {today}", "bold")
    for lot, found in groupby(rows, key=lambda row: row["lot"]):
        say.line("")
        say.table(
            [_cells(row) for row in found],
            ("", "vessel", "value", "measured", "days old", "a day"),
            right=(2, 4, 5),
            title=lot,
        )
    doses = [row for row in rows if row.get("needed_free")]
    if doses:
        _doses(doses)


def _cells(row: Row) -> Sequence[str]:
    quantity = row["quantity"]
    unit = f" {row['unit']}" if row.get("unit") else ""
    name = NAMES.get(quantity, quantity.replace("_", " "))
    if row.get("potential_alcohol"):
        name += f" (may give {row['potential_alcohol']} % vol by {row['instrument']})"
    return (
        name,
        row["vessel"] or "",
        "not computable" if row["value"] is None else f"{row['value']}{unit}",
        row["measured_on"],
        str(row["age_days"]),
        signed(row["per_day"]),
    )


def signed(rate: str | None) -> str:
    """A change a day with its sign; empty where there is none."""
    return "" if rate is None else rate if rate.startswith("-") or rate == "0" else f"+{rate}"


def _doses(rows: Sequence[Row]) -> None:
    """What the targets ask for, in powder."""
    say.line("")
    say.table(
        [
            (
                row["lot"],
                row["vessel"] or "",
                f"{row['value']} of {row['target']}",
                f"{row['free_so2']} of {row['needed_free']}",
                "✓ enough" if Decimal(row["add_so2_g"]) == 0 else f"{row['add_metabisulfite_g']} g",
            )
            for row in rows
        ],
        ("lot", "vessel", "molecular, mg/L", "free, mg/L", "metabisulfite to add"),
        right=(2, 3, 4),
        title="Sulfur dioxide, at pKa 1.81 (targets 0.5 red, 0.8 white)",
    )
    own = [row for row in rows if row["of_the_wine"]]
    if own:
        shown = "; ".join(
            f"{row['lot']}{' ' + row['vessel'] if row['vessel'] else ''} "
            f"{row['of_the_wine']['value']} at pKa {row['of_the_wine']['pka']}"
            for row in own
        )
        say.text(f"By the pKa of the wine itself, to which the targets do not belong: {shown}.")
    say.text(
        "Potassium metabisulfite for all that is held there, if nothing of it bound: part of it "
        "binds, so measure again."
    )
    if any(Decimal(row["add_so2_g"]) for row in rows):
        for text in cautions.lines([cautions.SULFUR_DIOXIDE]):
            say.text(text)


def morning(rows: Sequence[Row], today: date) -> None:
    """The morning sheet: a line a fermentation, the stuck ones first and by what rule."""
    sugars = [row for row in rows if row["quantity"] == "brix"]
    if not sugars:
        say.line(f"Nothing ferments on {today}.")
        return
    warmth = {(row["lot"], row["vessel"]): row for row in rows if row["quantity"] == "temperature"}
    stuck = [row for row in sugars if row["state"] == "stuck"]
    told = f"{len(sugars)} fermentations on {today}" if len(sugars) > 1 else f"One ferments {today}"
    say.line(f"{told}; {len(stuck)} stuck." if stuck else f"{told}; none is stuck.", "bold")
    wide = say.width(sys.stdout) >= WIDE
    heads = ["vessel", "lot", "day", "Brix", "a day", "temp.", "state", "cap"]
    say.table(
        [_ferment(row, warmth.get((row["lot"], row["vessel"])), wide) for row in sugars],
        [*heads, "curve"] if wide else heads,
        right=(2, 3, 4, 5),
    )
    for row in sugars:
        where = row["vessel"] or row["lot"]
        if row["state"] in ("stuck", "slow", "finished"):
            say.text(f"{where}: {STATES[row['state']][2:]}: {row['rule']}.")
        for note in row["notes"]:
            say.text(f"{where}: {note}.")
    say.line("")
    say.text("The limits of slow and stuck are proposals: common practice, no source.")
    for text in cautions.lines([cautions.CARBON_DIOXIDE]):
        say.text(text)


def _ferment(row: Row, warmth: Row | None, wide: bool) -> Sequence[str]:
    cells = [
        row["vessel"] or "",
        row["lot"],
        "" if row["day"] is None else str(row["day"]),
        row["value"] or "",
        signed(row["per_day"]),
        "" if warmth is None else str(warmth["value"]),
        STATES[row["state"]],
        row["regime"] or "",
    ]
    return [*cells, sparkline([Decimal(brix) for _, brix in row["curve"]])] if wide else cells


def sparkline(values: Sequence[Decimal], most: int = 14) -> str:
    """The last values as bars, from nothing to the highest."""
    shown = list(values)[-most:]
    top = max((*shown, Decimal(1)))
    steps = len(BARS) - 1
    return "".join(BARS[max(0, min(steps, int(value * steps / top)))] for value in shown)
