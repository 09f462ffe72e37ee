"""A count for people: the differences first, the largest at the top."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog import changes_sheet, say
from ampelog.counting import Filled

Row = dict[str, Any]


def sheet(filled: Filled, rows: Sequence[Row], units: str, changes: Sequence[Row] = ()) -> None:
    """What was counted beside the book, and what it changes in earlier answers."""
    parts = [f"{len(rows):,} counted"]
    parts += [f"{filled.blank:,} left empty"] if filled.blank else []
    parts += [f"{filled.known:,} recorded before"] if filled.known else []
    large = sum(row["large"] for row in rows)
    say.line(f"{filled.name or 'The sheet'}: {', '.join(parts)}.", "bold")
    if large:
        say.line(f"{large:,} differ from the book by more than 1 %: look at those again first.")
    if rows:
        say.table(
            [
                (
                    row["vessel"] or "no vessel",
                    row["lot"],
                    _amount(row, "book", units),
                    _amount(row, "counted", units),
                    _signed(row, units),
                    f"{row['percent']} %",
                    "look again" if row["large"] else "",
                )
                for row in rows
            ],
            ("vessel", "lot", "book", "counted", "difference", "", ""),
            right=(2, 3, 4, 5),
        )
    if changes:
        changes_sheet.sheet(changes)


def _amount(row: Row, what: str, units: str) -> str:
    if "bottles" in row:
        return f"{row['bottles'] if what == 'counted' else row['book_bottles']} bottles"
    if f"{what}_kg" in row:
        return say.mass(row[f"{what}_kg"], units)
    return say.volume(row[f"{what}_l"], units)


def _signed(row: Row, units: str) -> str:
    if "bottles" in row:
        return str(row["difference_bottles"])
    unit = "kg" if "difference_kg" in row else "L"
    amount = row[f"difference_{unit.lower()}"]
    sign = "-" if amount.startswith("-") else "+" if amount != "0" else ""
    value, shown = say.measured(amount.removeprefix("-"), unit, units)
    return f"{sign}{value} {shown}"
