"""A filled count sheet as rows: every sheet of a workbook, and nothing passed over without a word.

What stands under no heading, or in two columns of one name, might be the figures that were meant:
that refuses the sheet. What is hidden or stands in a column of another name is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from msgspec import Struct

from ampelog.cells import Cell, Habits, has_decimal_comma, shown
from ampelog.errors import Finding, Refused
from ampelog.headings import unnamed
from ampelog.sheets import Sheet, read

COLUMNS = ("sheet", "vessel", "lot", "unit", "book", "counted", "remark")
_PRINT = "print the sheet with `ampelog sheet count -o count.csv`, and fill in `counted`"


class Walked(Struct, frozen=True):
    """A row of a filled sheet: what it says, by column, and the cells that hold its figures."""

    where: str
    texts: dict[str, str]
    habits: Habits
    counted: Cell | None = None
    book: Cell | None = None


class Walk(Struct):
    """What a filled sheet holds: its rows, what is odd about it, and what refuses it."""

    rows: list[Walked]
    odd: list[Finding]
    wrong: list[Finding]


def walk(content: bytes, name: str) -> Walk:
    """The rows of all tables of a filled sheet; ``Refused`` where one is no count sheet."""
    tables = read(content, name)
    found = Walk([], [], [])
    for table in tables:
        found.odd += table.odd
        found.wrong += table.wrong
        if not table.heading.cells:
            continue
        columns = _columns(table)
        found.wrong += unnamed(table)
        found.odd += _not_read(table, columns)
        figures = [columns[head] for head in ("book", "counted") if head in columns]
        commas = table.has_semicolons or any(
            has_decimal_comma(row.cells.get(at)) for row in table.rows for at in figures
        )
        for row in table.rows:
            cells = {head: row.cells.get(column) for head, column in columns.items()}
            texts = {head: "" if cell is None else shown(cell) for head, cell in cells.items()}
            place, habits = table.place(row.number), Habits(commas=commas)
            found.rows.append(Walked(place, texts, habits, cells["counted"], cells.get("book")))
    if not any(table.heading.cells for table in tables):
        raise Refused(f"{name} holds no rows", hint=_PRINT)
    return found


def _columns(table: Sheet) -> dict[str, int]:
    """By heading: the columns of a count sheet; ``Refused`` where one is missing, or is there
    twice."""
    heads = [(shown(cell).lower(), column) for column, cell in table.heading.cells.items()]
    found = {head: column for head, column in heads if head in COLUMNS}
    missing = [head for head in (*COLUMNS[:4], "counted") if head not in found]
    if missing:
        raise Refused(f"{table.name}: no column `{'`, `'.join(missing)}`", hint=_PRINT)
    named = [head for head, _ in heads if head in COLUMNS]
    twice = [head for head in COLUMNS if named.count(head) > 1]
    if twice:
        raise Refused(
            f"{table.name}: the column `{'`, `'.join(twice)}` stands twice",
            hint="keep the one with the figures that are meant",
        )
    return found


def _not_read(table: Sheet, columns: Mapping[str, int]) -> Iterator[Finding]:
    """Columns of another heading that hold something."""
    for column, cell in sorted(table.heading.cells.items()):
        first = next((row.number for row in table.rows if column in row.cells), None)
        if column not in columns.values() and first is not None:
            says = f"a count sheet has no column `{shown(cell)}`: what stands there is not read"
            hint = "a figure belongs into `counted`, anything else into `remark`"
            yield Finding("column", table.place(first, column, shown(cell)), says, hint)
