"""Writes a workbook to fill in: a sheet a kind, with drop-downs of what the ledger holds.

A sheet has a column for each field, a column of units beside each quantity, cells of dates for
days and cells of text for names, so that nothing is turned into something else while it is typed.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from ampelog.columns import UNITS, Column, Form, lists, of
from ampelog.sheets import letter

MOST_ROWS = 1_048_576
"""Rows of a sheet of a workbook (Excel's specifications and limits)."""
_NAMES = {
    "lot": "lot",
    "vessel": "vessel",
    "vessels": "vessel",
    "block": "block",
    "label": "label",
    "material": "material",
    "premises": "premises",
    "party": "party",
    "grower": "party",
    "owner": "party",
    "supplier": "party",
    "from_party": "party",
}
"""By a field's last name: what kind of name the ledger holds for it."""
_DAYS = (Form.DAY, Form.TIME, Form.DAY_OR_TRUTH)
_FIGURES = (*UNITS, Form.DECIMAL, Form.WHOLE, Form.HOURS, Form.SHARE, *_DAYS)
_HOW = (
    "A row is an event. A heading in bold must be filled in; leave empty what you do not know.",
    "Rows with the same number in `event` are one event: say what is common once, and one vessel, "
    "lot or part more in each further row.",
    "A quantity is a number, and its unit in the column beside it; or both in one cell, as 60 gal.",
    "`t` is 1000 kg. `ton` is the short ton of 2,000 lb.",
    "Days are cells of dates, or as in 2024-10-03, 4 Oct 2024, 2024-10-03 14:20.",
    "Several names in one cell have ; between them. Vessels may be a range: B-101..B-120.",
    "A drop-down shows what the ledger held when this workbook was made; other names may be typed.",
    "ampelog load FILE.xlsx --dry-run checks, ampelog load FILE.xlsx records. Loading it twice "
    "changes nothing. A recorded row is mended by ampelog correct, not here.",
)
"""The sheet `how to`."""


def template(kinds: Sequence[str], names: Mapping[str, Sequence[str]]) -> bytes:
    """A workbook with a sheet for each kind; ``names`` are those of drop-downs, by kind."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    pages = [book.create_sheet(kind) for kind in kinds]
    choices = _Lists(book, names)
    for kind, page in zip(kinds, pages, strict=True):
        _fill(page, kind, choices)
    _how_to(book, kinds)
    choices.close()
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


class _Lists:
    """The sheet `lists`: a column for each drop-down, written once."""

    def __init__(self, book: Any, names: Mapping[str, Sequence[str]]) -> None:
        self.page = book.create_sheet("lists")
        self.names = names
        self.spans: dict[tuple[str, ...], str] = {}

    def span(self, title: str, items: Sequence[str]) -> str:
        """Where the items of a drop-down stand, as a formula has it."""
        key = (title, *items)
        if key not in self.spans:
            column = len(self.spans)
            shown = items[: MOST_ROWS - 1]
            for row, item in enumerate([title, *shown], start=1):
                _text(self.page.cell(row, column + 1), item)
            at = letter(column)
            self.spans[key] = f"lists!${at}$2:${at}${len(shown) + 1}"
        return self.spans[key]

    def close(self) -> None:
        """The sheet is not for people to fill in."""
        self.page.sheet_state = "hidden" if self.spans else "visible"


def _text(cell: Any, text: str) -> None:
    """A cell of text, whatever it looks like: a name may begin like a formula."""
    cell.value = text
    cell.data_type = "s"
    cell.number_format = "@"


def _fill(page: Any, kind: str, choices: _Lists) -> None:
    """The headings of a sheet, with what each column takes."""
    for index, (title, column) in enumerate(_headings(kind)):
        _head(page, index, title, column)
        items, is_closed = _items(title, kind, column, choices.names)
        if items:
            name = title if is_closed or column is None else _named(column, kind)
            _drop_down(page, index, choices.span(name, items), is_closed)
    page.freeze_panes = "A2"


def _headings(kind: str) -> list[tuple[str, Column | None]]:
    """Each heading of a sheet with its column; a column of units, and `event`, have none."""
    found: list[tuple[str, Column | None]] = []
    if any(name not in ("papers", "materials") for name in lists(kind)):
        found.append(("event", None))
    for column in of(kind):
        if not column.free:
            found.append((column.name, column))
            if column.form in UNITS:
                found.append((f"{column.name} unit", None))
    return found


def _head(page: Any, index: int, title: str, column: Column | None) -> None:
    from openpyxl.styles import Alignment, Border, Font, Side

    cell = page.cell(1, index + 1)
    _text(cell, title)
    is_needed = column is not None and column.needed
    cell.font = Font(bold=is_needed, color="FF000000" if is_needed else "FF595959")
    cell.border = Border(bottom=Side(style="thin", color="FF999999"))
    cell.alignment = Alignment(wrap_text=False)
    width = page.column_dimensions[letter(index)]
    width.width = max(8, len(title) + 3)
    form = column.form if column is not None else None
    if form in _DAYS:
        width.number_format = "yyyy-mm-dd hh:mm" if form is Form.TIME else "yyyy-mm-dd"
        width.width = max(width.width, 17)
    elif form not in _FIGURES:
        width.number_format = "@"


def _items(
    title: str, kind: str, column: Column | None, names: Mapping[str, Sequence[str]]
) -> tuple[Sequence[str], bool]:
    """What a drop-down offers, and whether nothing else may stand there."""
    if title.endswith(" unit"):
        of_what = next(one for one in of(kind) if one.name == title.removesuffix(" unit"))
        return UNITS[of_what.form], True
    if column is None:
        return (), False
    if column.form is Form.TRUTH:
        return ("yes", "no"), True
    words = ("yes",) if column.form is Form.TRUE else column.choices
    return (words, True) if words else (names.get(_named(column, kind), ()), False)


def _named(column: Column, kind: str) -> str:
    """What kind of name a column holds; empty where it holds none that the ledger knows."""
    if column.name == "name":
        return kind
    if column.name == "to" or column.inside == ("materials",):
        return {"to": "party", "materials.material": "material"}.get(column.name, "")
    return _NAMES.get(column.path[-1], "")


def _drop_down(page: Any, index: int, span: str, is_closed: bool) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(type="list", formula1=span, allow_blank=True)
    rule.showErrorMessage = is_closed
    rule.errorTitle, rule.error = "not one of the words", "Choose one of the list."
    page.add_data_validation(rule)
    rule.add(f"{letter(index)}2:{letter(index)}{MOST_ROWS}")


def _how_to(book: Any, kinds: Sequence[str]) -> None:
    """The sheet `how to`: the rules in a few lines, then what each column takes."""
    from openpyxl.styles import Alignment, Font

    page = book.create_sheet("how to")
    for row, line in enumerate(_HOW, start=1):
        _text(page.cell(row, 1), line)
        page.merge_cells(start_row=row, start_column=1, end_row=row, end_column=4)
        page.cell(row, 1).alignment = Alignment(wrap_text=True, vertical="top")
        page.row_dimensions[row].height = 15 * (1 + len(line) // 105)
    row = len(_HOW) + 2
    for at, head in enumerate(("sheet", "column", "takes", "")):
        _text(page.cell(row, at + 1), head)
        page.cell(row, at + 1).font = Font(bold=True)
    for kind in kinds:
        for column in of(kind):
            row += 1
            takes = ", ".join(column.choices) or str(column.form)
            name = column.name.replace("*", "…") if column.free else column.name
            for at, said in enumerate((kind, name, takes, "needed" if column.needed else "")):
                _text(page.cell(row, at + 1), said)
    for name, wide in zip("ABCD", (14, 30, 52, 10), strict=True):
        page.column_dimensions[name].width = wide
