"""Events as the rows of a table: written by these tests, to be read by the program."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from openpyxl import Workbook

from ampelog import tables
from ampelog.assembly import Made
from ampelog.lines import Read
from ampelog.sheets import read
from ampelog.tables import Asked

Row = dict[str, Any]
WHOLE = ("replacement", "where")
"""Objects that stand in one cell, as JSON."""


def rows_of(event: Mapping[str, Any], label: str = "") -> list[Row]:
    """The rows of an event: what is said once in the first, a record of each list in each."""
    rows: list[Row] = [{}]
    for key, value in event.items():
        if key != "kind":
            _spread(rows, key, value)
    if len(rows) > 1:
        for row in rows:
            row["event"] = label or "1"
    return rows


def _spread(rows: list[Row], name: str, value: Any) -> None:
    if name.rpartition(".")[2] in WHOLE and isinstance(value, dict):
        rows[0][name] = json.dumps(value)
    elif isinstance(value, dict):
        for key, inner in value.items():
            _spread(rows, f"{name}.{key}", inner)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for at, record in enumerate(value):
            while len(rows) <= at:
                rows.append({})
            for key, inner in record.items():
                one: list[Row] = [{}]
                _spread(one, f"{name}.{key}", inner)
                rows[at].update(one[0])
    elif isinstance(value, list):
        rows[0][name] = "; ".join(value) or ";"
    elif isinstance(value, bool):
        rows[0][name] = "yes" if value else "no"
    else:
        rows[0][name] = "null" if value is None else value


def heads_of(rows: Sequence[Row]) -> list[str]:
    """The headings of rows."""
    return list(dict.fromkeys(key for row in rows for key in row))


def as_csv(rows: Sequence[Row], delimiter: str = ",") -> bytes:
    """Rows as CSV, written by the standard library."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter)
    heads = heads_of(rows)
    writer.writerow(heads)
    writer.writerows([[row.get(head, "") for head in heads] for row in rows])
    return out.getvalue().encode()


class Formula(str):
    """A cell that is a formula; any other text stands as it is."""

    __slots__ = ()


def as_workbook(sheets: Mapping[str, Sequence[Row]]) -> bytes:
    """Rows as a workbook, a sheet a name."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for title, rows in sheets.items():
        page = book.create_sheet(title)
        heads = heads_of(rows)
        table: list[list[Any]] = [list(heads), *([row.get(head) for head in heads] for row in rows)]
        for at, cells in enumerate(table, 1):
            for column, value in enumerate(cells, 1):
                cell = page.cell(at, column)
                cell.value = value
                if isinstance(value, str) and not isinstance(value, Formula):
                    cell.data_type = "s"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def told(content: bytes, name: str = "rows.csv", **asked: Any) -> tuple[list[Made], Read]:
    """The events that a file's tables say, and what is wrong with them, without a ledger."""
    found = Read([], [], [])
    made = tables.put_together(read(content, name), Asked(**asked), found, 2027)
    return made, found


def says(content: bytes, name: str = "rows.csv", **asked: Any) -> list[dict[str, Any]]:
    """The events of a file in which nothing is wrong."""
    made, found = told(content, name, **asked)
    assert found.problems == []
    assert [problem for one in made for problem in one.wrong] == []
    return [one.event for one in made]
