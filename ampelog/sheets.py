"""Reads spreadsheets as rows of cells: CSV in whatever encoding and delimiter, and workbooks.

A row has the number that a spreadsheet shows beside it. What is hidden or empty is left out, and
what was hidden is told. A workbook's numbers become text here: 15 digits, what a spreadsheet keeps.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from unicodedata import normalize

from msgspec import Struct, field

from ampelog.cells import Cell
from ampelog.errors import Finding, Refused
from ampelog.numerals import Broken, numeral
from ampelog.say import undefused

MOST_BYTES = 400_000_000
"""Bytes of a workbook, unpacked, beyond which it is no list of a cellar's events."""
OURS = ("how to", "lists")
"""Sheets of a template that hold no rows."""
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
_WORKED_OUT = "str"
"""The type of a cell whose formula was worked out to a text: an empty one shows nothing."""
_BROKEN = (LookupError, ValueError, TypeError, AttributeError, ArithmeticError, SyntaxError,
           AssertionError, zipfile.BadZipFile, zlib.error, OSError, EOFError)  # fmt: skip
"""What a damaged workbook makes the library raise."""


class Row(Struct, frozen=True):
    """A row: its number, and its cells by column from 0; empty cells are absent."""

    number: int
    cells: dict[int, Cell]


class Sheet(Struct):
    """A table: how it is named to people, its heading and its rows.

    ``title`` is a workbook's name of it; ``odd`` what is told of it and refuses nothing, and
    ``wrong`` what refuses it.
    """

    name: str
    title: str | None
    heading: Row
    rows: list[Row]
    has_semicolons: bool = False
    odd: list[Finding] = field(default_factory=list)
    wrong: list[Finding] = field(default_factory=list)

    def place(self, row: int, column: int | None = None, title: str = "") -> str:
        """How a row, or a cell, is named to people."""
        where = f"{self.name}, row {row}"
        if column is None:
            return where
        if column < 0:  # no cell says it: the mapping's file does, of every row
            return f"{where} (constant {title})"
        return f"{where}, column {letter(column)}" + (f" ({title})" if title else "")


def letter(column: int) -> str:
    """The letters of a column from 0: A, B ... Z, AA."""
    found, rest = "", column + 1
    while rest:
        rest, last = divmod(rest - 1, 26)
        found = chr(ord("A") + last) + found
    return found


def read(content: bytes, name: str) -> list[Sheet]:
    """The tables of a file's bytes; ``Refused`` where it is none that can be read."""
    ending = Path(name).suffix.lower()
    if ending in (".xls", ".ods") or content.startswith(b"\xd0\xcf\x11\xe0"):
        raise Refused(
            f"{name} is not read: an old form of workbook, or one with a password",
            hint="save it as .xlsx without a password, or as .csv",
        )
    if content.startswith(b"PK\x03\x04"):
        return _workbook(content, name)
    if ending in (".xlsx", ".xlsm"):
        raise Refused(f"{name} is no workbook, or a damaged one", hint="save it as .xlsx again")
    return [_csv(content, name)]


# CSV


def _csv(content: bytes, name: str) -> Sheet:
    text, odd = _text(content, name)
    delimiter, text, skipped = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[Row] = []
    try:
        for number, cells in enumerate(reader, start=1 + skipped):
            found: dict[int, Cell] = {
                at: told for at, one in enumerate(cells) if (told := _typed(one))
            }
            if found:
                rows.append(Row(number, found))
    except csv.Error as problem:
        last = rows[-1].number if rows else 0
        raise Refused(
            f"{name}, row {last + 1}: {problem}",
            hint='a text with the delimiter or " in it stands in "quotes", a " in it twice',
        ) from None
    return _sheet(name, None, rows, odd=odd, has_semicolons=delimiter == ";")


def _text(content: bytes, name: str) -> tuple[str, list[Finding]]:
    """The text of a file: UTF-8, UTF-16 by its mark, else Windows-1252, which is told."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif b"\0" in content[:400]:
        encoding = "utf-16-be" if content[:1] == b"\0" else "utf-16-le"
    else:
        encoding = "utf-8-sig"
    try:
        return content.decode(encoding), []
    except UnicodeDecodeError as problem:
        if encoding != "utf-8-sig":
            raise Refused(f"{name} is no text: {problem.reason}") from None
    try:
        text = content.decode("cp1252")
    except UnicodeDecodeError:
        hint = "save it as CSV UTF-8"
        raise Refused(f"{name} is neither UTF-8 nor Windows-1252", hint=hint) from None
    shown = next(line.strip() for line in text.splitlines() if not line.isascii())
    says = f"is not UTF-8; read as Windows-1252, as in `{shown[:60]}`"
    hint = "see that letters with accents are right; `CSV UTF-8` is surer"
    return text, [Finding("encoding", name, says, hint)]


def _delimiter(text: str) -> tuple[str, str, int]:
    """The delimiter that parts the first line most often; a line `sep=;` names it."""
    first, _, rest = text.partition("\n")
    named = re.fullmatch(r"sep=([,;\t])\r?", first.strip('"'))
    if named is not None:
        return named[1], rest, 1
    bare = re.sub(r'"[^"]*"', "", next((one for one in text.splitlines() if one.strip()), ""))
    return max(DELIMITERS, key=bare.count), text, 0


def _typed(text: str) -> str:
    """A text as events have it: composed (NFC; some systems hand names on in pieces), unfringed."""
    return undefused(normalize("NFC", text).strip(" \t\r\n\u00a0\u202f"))


# Workbooks


def _workbook(content: bytes, name: str) -> list[Sheet]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if sum(one.file_size for one in packed.infolist()) > MOST_BYTES:
                raise Refused(f"{name} unpacks to more than {MOST_BYTES} bytes")
            parts = [one for one in packed.namelist() if one.startswith("xl/worksheets/")]
            has_formulas = any(re.search(rb"<f[ >/]", packed.read(one)) for one in parts)
        book = _opened(content, computed=True)
        formulas = _opened(content, computed=False) if has_formulas else None
        return list(_sheets(book, formulas, name))
    except _BROKEN:
        hint = "open it in a spreadsheet program and save it as .xlsx again"
        raise Refused(f"{name} is no workbook, or a damaged one", hint=hint) from None


def _opened(content: bytes, *, computed: bool) -> Any:
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # parts of a workbook that are not about its cells
        return load_workbook(io.BytesIO(content), data_only=computed)


def _sheets(book: Any, formulas: Any, name: str) -> Iterator[Sheet]:
    for page in book.worksheets:
        if page.title.casefold() in OURS or page.sheet_state != "visible":
            continue
        title = f"{name}, sheet {page.title}"
        rows = _rows(page, formulas[page.title] if formulas is not None else None)
        hidden = {number for number, one in page.row_dimensions.items() if one.hidden}
        out = [row.number for row in rows if row.number in hidden]
        kept = [row for row in rows if row.number not in hidden]
        if not rows:
            continue
        sheet = _sheet(title, page.title, kept)
        if out:
            says = f"is hidden, and left out: row {listed(out)}"
            hint = "show all rows (clear the filter) to record them too"
            sheet.odd.append(Finding("hidden rows", title, says, hint))
        sheet.wrong += _merged(page, sheet)
        yield sheet


def listed(numbers: Sequence[int]) -> str:
    """Numbers in order as people list them: 2-5, 9."""
    spans: list[list[int]] = []
    for one in sorted(numbers):
        if spans and one == spans[-1][1] + 1:
            spans[-1][1] = one
        else:
            spans.append([one, one])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)


def _rows(page: Any, written: Any) -> list[Row]:
    """The rows of a sheet. Only cells that the file has are looked at: a sheet may claim a million
    rows because one was coloured."""
    found: dict[int, dict[int, Cell]] = {}
    for (row, column), cell in sorted(page._cells.items()):
        told = _cell(cell, written._cells.get((row, column)) if written is not None else None)
        if told is not None and told != "":
            found.setdefault(row, {})[column - 1] = told
    return [Row(number, cells) for number, cells in found.items()]


def _merged(page: Any, sheet: Sheet) -> list[Finding]:
    """A merged cell belongs to its first row alone: what people see in the others is not there."""
    found = []
    for span in page.merged_cells.ranges:
        first = span.min_col - 1
        if span.max_row > max(span.min_row, sheet.heading.number) and first in sheet.heading.cells:
            says = f"cells {span.coord} are merged: only the first of them holds something"
            hint = "part them, and write it into each row"
            where = sheet.place(span.min_row, first)
            found.append(Finding("merged cells", where, says, hint))
    return found


def _cell(cell: Any, written: Any) -> Cell | None:
    held = cell.value
    if held is None:
        return _formula(written) if cell.data_type != _WORKED_OUT else None
    if cell.data_type == "e":
        return Broken(f"`{held}` is an error of the spreadsheet", "mend the formula")
    if isinstance(held, bool | datetime | date | time):
        return held
    if isinstance(held, str):
        return _typed(held)
    if isinstance(held, timedelta):
        return Broken(f"`{held}` is a length of time", "write when it happened")
    return numeral(held, str(cell.number_format))


def _formula(written: Any) -> Broken | None:
    """A formula that no spreadsheet program has worked out yet."""
    if written is None or written.data_type != "f":
        return None
    formula = str(getattr(written.value, "text", written.value))
    return Broken(
        f"the formula `{formula[:60]}` has no value yet",
        "open the workbook in a spreadsheet program, save it, and load it again",
    )


def _sheet(
    name: str,
    title: str | None,
    rows: list[Row],
    *,
    odd: list[Finding] | None = None,
    has_semicolons: bool = False,
) -> Sheet:
    if not rows:
        return Sheet(name, title, Row(1, {}), [], has_semicolons, odd or [])
    return Sheet(name, title, rows[0], rows[1:], has_semicolons, odd or [])
