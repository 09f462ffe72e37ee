"""Events from spreadsheets: every problem at once, each with its sheet, row and column.

An event of a table without an `id` gets one from what it says and its count among equal events of
the load: the same file loaded again is known, row by row.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

from msgspec import Struct, field
from msgspec.structs import replace

from ampelog import lines, moments, rows, sheets
from ampelog.assembly import Line, Made, made
from ampelog.cells import Habits, has_decimal_comma, shown
from ampelog.columns import UNITS, plain
from ampelog.errors import Finding, Refused
from ampelog.events import KINDS
from ampelog.headings import Heading, headings, is_figure
from ampelog.history import zone_of
from ampelog.ledger import Ledger
from ampelog.lines import Entry, NotJson, Read
from ampelog.mapping import Mapping, unknown_fields
from ampelog.sheets import Sheet

QUESTIONS = frozenset({"ambiguous date", "ambiguous number", "ambiguous unit"})
"""Rules that one answer mends for a whole column: told once a column."""
_US_UNITS = frozenset({"lb", "gal", "ton"})


class Asked(Struct, frozen=True):
    """How whoever loads tables says that they are written."""

    kind: str | None = None
    mapping: Mapping = field(default_factory=Mapping)
    dates: str | None = None
    decimal: str | None = None

    @property
    def has_kind(self) -> bool:
        """Whether a table need not say itself of what kind its rows are."""
        return (self.kind or self.mapping.kind) is not None


Seen = dict[str, list[Made]]
"""By what they say: the rows without an `id` that the tables of one load have so far."""


def read(content: bytes, name: str, asked: Asked, ledger: Ledger, now: int, seen: Seen) -> Read:
    """The events of a spreadsheet's bytes. ``now`` is the instant of recording; ``seen`` is what
    other tables of the load said, and is added to.

    ``Refused`` where the file is no table at all, or the mapping names fields that are none.
    """
    found = Read([], [], [])
    zone = zone_of(ledger)
    whole = put_together(sheets.read(content, name), asked, found, moments.day(now, zone).year + 1)
    for one in whole:
        found.problems += one.wrong
        _enter(one, ledger, zone, now, found, seen)
    found.problems = _grouped(_in_order(found.problems))
    found.odd += _tonnes(whole)
    if not whole and not found.problems:
        hint = "a heading, and a row for each event below it"
        found.odd.append(Finding("empty", name, "holds no rows", hint))
    return found


def put_together(tables: Sequence[Sheet], asked: Asked, found: Read, latest: int) -> list[Made]:
    """The events that tables say, not yet checked; what cannot be read goes to ``found``.
    ``latest`` is the last year that two digits mean (``Habits``): who plans says the next one too.
    """
    _check_mapping(tables, asked)
    whole: list[Made] = []
    for sheet in tables:
        found.odd += sheet.odd
        found.problems += sheet.wrong
        if sheet.heading.cells:
            whole += made(_lines(sheet, asked, found, latest))
    return whole


# Kinds


def kind_of(sheet: Sheet, asked: Asked) -> str | None:
    """The kind that a sheet is of, None where nothing says so."""
    title = (sheet.title or "").strip().casefold()
    told = asked.mapping.sheets.get(title)
    if told is not None:
        return told
    name = plain(title).replace(".", "_")
    for one in (name, name.removesuffix("s"), name.removesuffix("es")):
        if one in KINDS:
            return one
    return asked.kind or asked.mapping.kind


def _check_mapping(tables: Sequence[Sheet], asked: Asked) -> None:
    kinds = {kind for sheet in tables if (kind := kind_of(sheet, asked))}
    for sheet in tables:
        column = _kind_column(sheet, asked.mapping)
        if column is not None:
            said = {shown(row.cells[column]) for row in sheet.rows if column in row.cells}
            kinds |= said & KINDS.keys()
    wrong = unknown_fields(asked.mapping, kinds) if kinds else []
    if wrong:
        raise Refused("the mapping was not understood", wrong)


def _kind_column(sheet: Sheet, mapping: Mapping) -> int | None:
    for index, cell in sheet.heading.cells.items():
        if plain(mapping.columns.get(plain(shown(cell)), shown(cell))) == "kind":
            return index
    return None


def _unknown_kind(where: str, seen: str, odd: str) -> Finding:
    from difflib import get_close_matches

    near = get_close_matches(seen.casefold(), KINDS, n=1)
    hint = f"did you mean `{near[0]}`?" if near else f"kinds: {', '.join(KINDS)}"
    return Finding("kind", where, odd, hint)


# Rows


def _lines(sheet: Sheet, asked: Asked, found: Read, latest: int) -> Iterator[Line]:
    """The rows of a sheet, read; what is wrong with them goes to ``found``."""
    column, whole = _kind_column(sheet, asked.mapping), kind_of(sheet, asked)
    if column is None and whole is None:
        says = "nothing says what kind of event its rows are"
        hint = "say --kind pick (or another kind), name the sheet so, or give it a column `kind`"
        where = sheet.name
        if sheet.title is not None:
            says = f"the sheet is named for no kind of event, `{sheet.title}`"
            found.problems.append(_unknown_kind(where, sheet.title, f"{says}; {hint}"))
        else:
            found.problems.append(Finding("kind", where, says, hint))
        return
    kinds = _kinds(sheet, column, whole, found)
    heads: dict[str, list[Heading]] = {}
    alone = [whole] if not sheet.rows else []  # a heading is looked at though nothing is under it
    for kind in dict.fromkeys(one for one in (*kinds, *alone) if one):
        others = set(KINDS) if None in kinds else {one for one in kinds if one and one != kind}
        heads[kind], wrong = headings(sheet, kind, others, asked.mapping)
        found.problems += wrong if len(heads) == 1 else []
    habits = _habits(sheet, asked, heads, latest)
    for row, said in zip(sheet.rows, kinds, strict=True):
        if said is not None:
            yield rows.line(sheet, row, said, heads[said], habits, asked.mapping, found.problems)


def _kinds(sheet: Sheet, column: int | None, whole: str | None, found: Read) -> list[str | None]:
    """The kind of each row, None where it has none that is known."""
    kinds: list[str | None] = []
    for row in sheet.rows:
        said = shown(row.cells[column]).casefold() if column in row.cells else whole or ""
        if said in KINDS:
            kinds.append(said)
            continue
        kinds.append(None)
        where = sheet.place(row.number, column, "kind")
        says = f"there is no kind `{said}`" if said else "the row does not say its kind"
        found.problems.append(_unknown_kind(where, said, says))
    return kinds


def _habits(sheet: Sheet, asked: Asked, heads: dict[str, list[Heading]], latest: int) -> Habits:
    figures = {one.index for all_ in heads.values() for one in all_ if is_figure(one)}
    commas = sheet.has_semicolons or any(
        has_decimal_comma(cell)
        for row in sheet.rows
        for index, cell in row.cells.items()
        if index in figures
    )
    return Habits(
        asked.dates or asked.mapping.dates,
        asked.decimal or asked.mapping.decimal,
        commas,
        latest,
    )


# Events


def _enter(one: Made, ledger: Ledger, zone: ZoneInfo, now: int, found: Read, seen: Seen) -> None:
    """Add an event's entry, or what is wrong with its form."""
    try:
        event = lines.normal(one.event)
    except NotJson as problem:
        found.problems.append(Finding("form", one.where, str(problem), "write it without that"))
        return
    is_row = "id" not in event
    if is_row:
        content = json.dumps(event, sort_keys=True, ensure_ascii=False)
        alike = seen.setdefault(content, [])
        alike.append(one)
        found.odd += _twice(one, alike[0])
        row = json.dumps([ledger.ledger_id, content, len(alike)])
        event["id"] = str(uuid5(NAMESPACE_URL, f"ampelog:row:{row}"))
    entry = lines.entry(event, one.where, zone, now, one.spot)
    if not isinstance(entry, Entry):
        found.problems += [problem for problem in entry if problem.where]
    elif not one.missed:
        found.entries.append(replace(entry, is_row=is_row))


def _in_order(problems: Iterable[Finding]) -> list[Finding]:
    """Problems as they stand in the file, row after row; of a row, from left to right."""
    sheet_order: dict[str, int] = {}

    def key(one: Finding) -> tuple[int, int, int, str]:
        sheet, _, place = one.where.rpartition(", row")
        row = re.match(r"s? ([0-9]+)(?:.*, column ([A-Z]+))?", place)
        name = sheet if row else one.where
        rank = sheet_order.setdefault(name, len(sheet_order))
        column = (row[2] or "") if row else ""
        return rank, int(row[1]) if row else 0, len(column), column

    return sorted(problems, key=key)


def _grouped(problems: Sequence[Finding]) -> list[Finding]:
    """Problems, a question that one answer mends told once a column, with how often it came up."""
    counts: Counter[tuple[str, str]] = Counter()
    kept: list[tuple[Finding, tuple[str, str] | None]] = []
    for one in problems:
        key = None
        if one.rule in QUESTIONS:
            sheet, _, cell = one.where.rpartition(", row ")
            key = (one.rule, f"{sheet}, {cell.partition(', ')[2]}")
            counts[key] += 1
            if counts[key] > 1:
                continue
        kept.append((one, key))
    return [
        one if key is None or counts[key] == 1 else _often(one, counts[key] - 1)
        for one, key in kept
    ]


def _often(one: Finding, more: int) -> Finding:
    cells_ = "one more cell" if more == 1 else f"{more} more cells"
    return Finding(one.rule, one.where, f"{one.says} The column asks so in {cells_}", one.hint)


def _twice(one: Made, before: Made) -> list[Finding]:
    """A row that says the same as one before it: it may be pasted twice, or stand in two files."""
    if before is one or one.missed:
        return []
    is_here = before.lines[0].sheet is one.lines[0].sheet
    there = f"row {sheets.listed(before.rows)}" if is_here else before.where
    says = f"says the same as {there}; both are recorded"
    hint = "if it happened once, take one out and load the file again before it is recorded"
    return [Finding("equal rows", one.where, says, hint)]


def _tonnes(whole: Sequence[Made]) -> list[Finding]:
    """Masses in `t` among pounds, gallons and short tons: was the short ton meant?"""
    units: dict[str, list[tuple[Line, Heading, str]]] = {}
    for line in (line for one in whole for line in one.lines):
        for heading, told in line.filled:
            if heading.column is not None and heading.column.form in UNITS:
                units.setdefault(str(told).rpartition(" ")[2], []).append((line, heading, told))
    if "t" not in units or not _US_UNITS & units.keys():
        return []
    line, heading, told = units["t"][0]
    more = len(units["t"]) - 1
    said = ", and so in " + ("one more row" if more == 1 else f"{more} more rows") if more else ""
    return [
        Finding(
            "ton or tonne",
            line.sheet.place(line.number, heading.index, heading.title),
            f"`{told}` is read as tonnes of 1000 kg, beside "
            f"{' and '.join(sorted(_US_UNITS & units.keys()))}{said}",
            "write `ton` for the short ton of 907.18474 kg (2,000 lb)",
        )
    ]
