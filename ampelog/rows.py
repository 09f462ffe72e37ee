"""Reads the rows of a table: each cell by its column, with the unit, the hour and the constant that
belong to it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import time
from typing import Any

from ampelog import days, shorthand
from ampelog.assembly import CONSTANT, Line
from ampelog.cells import Cell, Habits, Slip, shown, unit_of, value
from ampelog.columns import find
from ampelog.errors import Finding, Refused
from ampelog.headings import Heading
from ampelog.mapping import Mapping
from ampelog.numerals import Broken
from ampelog.sheets import Row, Sheet


def line(
    sheet: Sheet,
    row: Row,
    kind: str,
    heads: Sequence[Heading],
    habits: Habits,
    mapping: Mapping,
    problems: list[Finding],
) -> Line:
    """What a row fills in; what is wrong with it goes to ``problems``."""
    said = Line(kind, sheet, row.number, "", heads)
    reader = _Reader(kind, row, heads, habits)
    for heading in heads:
        cell = row.cells.get(heading.index)
        if cell is None:
            continue
        if heading.what == "event":
            said.label = shown(cell)
        try:
            if heading.what == "field":
                told = reader.field(heading, cell)
                if told is not None:
                    said.filled.append((heading, told))
            elif heading.what == "other":
                raise Slip(f"`{shown(cell)}` stands where `{kind}` has no field", "empty the cell")
            elif heading.what in ("kind", "event") and isinstance(cell, Broken):
                raise Slip(cell.says, cell.hint)
        except Slip as slip:
            _missed(said, heading, slip, problems)
    _constants(said, mapping, reader, problems)
    _hours_alone(said, row, problems)
    return said


def _missed(line: Line, heading: Heading, slip: Slip, problems: list[Finding]) -> None:
    """Note a cell that could not be read, and that what the event lacks by it is told."""
    where = line.sheet.place(line.number, heading.index, heading.title)
    problems.append(Finding(slip.rule, where, slip.says, slip.hint))
    line.missed.append(heading.column.name if heading.column else "")


def _hours_alone(line: Line, row: Row, problems: list[Finding]) -> None:
    """An hour is of a day: without one it would be lost."""
    days_ = {heading.column.name for heading, _ in line.filled if heading.column is not None}
    for heading in line.headings:
        if heading.what == "hour" and heading.index in row.cells and heading.column is not None:
            name = heading.column.name
            if name not in days_ and name not in line.missed:
                says = f"`{shown(row.cells[heading.index])}` has no day: `{name}` is empty"
                hint = f"write the day into `{name}`, or empty the cell"
                _missed(line, heading, Slip(says, hint), problems)


class _Reader:
    """Reads the cells of one row: a quantity with its unit, a day with its hour."""

    def __init__(self, kind: str, row: Row, heads: Iterable[Heading], habits: Habits) -> None:
        self.kind = kind
        self.habits = habits
        self.beside = {
            (one.what, one.column.name, one.slot): row.cells[one.index]
            for one in heads
            if one.what in ("unit", "hour") and one.column and one.index in row.cells
        }

    def field(self, heading: Heading, cell: Cell) -> Any:
        """What a cell says; raises ``Slip``."""
        column = heading.column
        assert column is not None, "a field has its column"
        unit = self.beside.get(("unit", column.name, heading.slot))
        if isinstance(unit, Broken):
            raise Slip(unit.says, unit.hint)
        beside = shown(unit) if unit is not None else heading.unit
        if heading.unit and unit_of(beside) != heading.unit:
            says = f"`{beside}` stands beside it, and the column is in {heading.unit}"
            raise Slip(f"`{shown(cell)}`: {says}", "say one unit")
        told = value(cell, column, self.habits, beside)
        try:
            shorthand.check_one_vessel(self.kind, column.name, told)
        except Refused as problem:
            raise Slip(problem.says, problem.hint) from None
        hour = self.beside.get(("hour", column.name, 1))
        return told if hour is None else _with_hour(str(told), hour)


def _with_hour(day: str, hour: Cell) -> str:
    if "T" in day:
        raise Slip(f"`{day}` has a time, and `{shown(hour)}` stands beside it", "say one")
    if isinstance(hour, time):
        return f"{day}T{hour.isoformat('auto' if hour.second else 'minutes')}"
    try:
        return f"{day}T{days.time_of_day(shown(hour))}"
    except days.Unclear as problem:
        raise Slip(str(problem), problem.hint, problem.rule) from None


def _constants(line: Line, mapping: Mapping, reader: _Reader, problems: list[Finding]) -> None:
    """What the mapping says of every row, where the row does not say it itself."""
    there = {(h.column.name, h.slot) for h, _ in line.filled if h.column is not None}
    for name, text in mapping.constants.items():
        known = find(line.kind, name)
        if known is None or (known[0].name, known[1]) in there:
            continue
        heading = Heading(CONSTANT, name, "field", *known)
        try:
            told = reader.field(heading, text)
        except Slip as slip:
            where = f'{mapping.name}, constants, "{name}"'
            problem = Finding("mapping", where, slip.says, slip.hint)
            if problem not in problems:
                problems.append(problem)
            line.missed.append(known[0].name)
            continue
        line.filled.append((heading, told))
