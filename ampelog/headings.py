"""The heading of a table: which column holds which field, unit or hour."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from msgspec import Struct

from ampelog.cells import Slip, shown, unit_of
from ampelog.columns import UNITS, Column, Form, find, header, plain
from ampelog.errors import Finding
from ampelog.mapping import Mapping
from ampelog.sheets import Sheet

_IN_BRACKETS = re.compile(r"(.+?)\s*[(\[]([^()\[\]]{1,20})[)\]]")


class Heading(Struct, frozen=True):
    """A column of a table: what its heading says, and what it holds.

    ``what`` is ``field``, ``unit`` (of the field), ``hour`` (of a moment), ``event``, ``kind``, or
    ``other``: a field of another kind that stands in the same table.
    """

    index: int
    title: str
    what: str
    column: Column | None = None
    slot: int = 1
    unit: str = ""


def headings(
    sheet: Sheet, kind: str, others: Iterable[str], mapping: Mapping
) -> tuple[list[Heading], list[Finding]]:
    """The headings of a table as a kind reads them, and what is wrong with them.

    ``others`` are the kinds that stand in the same table.
    """
    found: list[Heading] = []
    wrong: list[Finding] = []
    for index, cell in sorted(sheet.heading.cells.items()):
        title = shown(cell)
        bare = plain(title)
        if bare in mapping.ignore:
            continue
        one = _heading(index, title, mapping.columns.get(bare, title), kind)
        if one is None and any(_heading(index, title, title, other) for other in others):
            one = Heading(index, title, "other")
        if one is None:
            where = sheet.place(sheet.heading.number, index, title)
            wrong.append(_unknown(where, kind, mapping.columns.get(bare, title)))
            continue
        units = _units(one, bare, plain(mapping.columns.get(bare, title)), mapping)
        if len(units) > 1:
            says = f"the column is in {' and in '.join(units)}, by its heading and the mapping"
            where = sheet.place(sheet.heading.number, index, title)
            wrong.append(Finding("column", where, says, "say one unit"))
        unit = next(iter(units), "")
        found.append(Heading(index, title, one.what, one.column, one.slot, unit))
    wrong += unnamed(sheet)
    return found, [*wrong, *_twice(sheet, found)]


def _units(one: Heading, title: str, name: str, mapping: Mapping) -> list[str]:
    """The units that a column has by its heading and by the mapping, which may name the heading
    or the field."""
    if one.what != "field" or one.column is None:
        return []
    named = dict.fromkeys((title, name, plain(one.column.name)))
    said = [one.unit, *(mapping.units.get(each, "") for each in named)]
    return list(dict.fromkeys(unit for unit in said if unit))


def _heading(index: int, title: str, name: str, kind: str) -> Heading | None:
    bare = plain(name)
    if bare in ("kind", "event"):
        return Heading(index, title, bare)
    if bare in ("at.time", "until.time"):
        moment = find(kind, bare.removesuffix(".time"))
        assert moment is not None, "every event has them"
        return Heading(index, title, "hour", moment[0])
    known = find(kind, name)
    if known is not None:
        return Heading(index, title, "field", *known)
    if bare.endswith(".unit"):
        of = find(kind, bare.removesuffix(".unit"))
        if of is not None and of[0].form in UNITS:
            return Heading(index, title, "unit", *of)
    return _with_unit(index, title, name, kind)


def _with_unit(index: int, title: str, name: str, kind: str) -> Heading | None:
    """A heading that says its unit in brackets, as `mass (lb)`."""
    bracketed = _IN_BRACKETS.fullmatch(name.strip())
    of = find(kind, bracketed[1]) if bracketed is not None else None
    if bracketed is None or of is None or of[0].form not in UNITS:
        return None
    try:
        return Heading(index, title, "field", *of, unit_of(bracketed[2]))
    except Slip:
        return None


def _unknown(where: str, kind: str, name: str) -> Finding:
    from difflib import get_close_matches

    names = {plain(one): one for one in header(kind)}
    near = get_close_matches(plain(name), names, n=1)
    hint = (
        f"did you mean `{names[near[0]]}`?"
        if near
        else f"`ampelog template {kind}` prints the columns; --columns FILE maps your own names"
    )
    return Finding("column", where, f"`{kind}` has no column `{name}`", hint)


def unnamed(sheet: Sheet) -> list[Finding]:
    """Columns without a heading that hold something."""
    seen: dict[int, int] = {}
    for row in sheet.rows:
        for index in row.cells:
            if index not in sheet.heading.cells:
                seen.setdefault(index, row.number)
    return [
        Finding(
            "column",
            sheet.place(number, index),
            f"`{shown(next(r for r in sheet.rows if r.number == number).cells[index])[:60]}` "
            "stands under no heading",
            "give the column a heading, or empty it",
        )
        for index, number in sorted(seen.items())
    ]


def _twice(sheet: Sheet, found: Sequence[Heading]) -> list[Finding]:
    first: dict[tuple[str, str, int], Heading] = {}
    wrong = []
    for one in found:
        if one.what == "other":
            continue
        key = (one.what, one.column.name if one.column else "", one.slot)
        before = first.setdefault(key, one)
        if before is not one:
            where = sheet.place(sheet.heading.number, one.index, one.title)
            says = f"the heading stands twice: column {_letter(before)} has it too"
            wrong.append(Finding("column", where, says, "keep one of them"))
    return wrong


def _letter(heading: Heading) -> str:
    from ampelog.sheets import letter

    return f"{letter(heading.index)} ({heading.title})"


def is_figure(heading: Heading) -> bool:
    """Whether a column holds numbers, in which a decimal mark may stand."""
    figures = {*UNITS, Form.DECIMAL, Form.FOUND, Form.SHARE, Form.WHOLE, Form.HOURS}
    return heading.what == "field" and heading.column is not None and heading.column.form in figures
