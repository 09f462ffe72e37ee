"""Puts the cells of rows together to events, and knows which cell a field came from.

A row is an event. Rows that share what stands in their `event` column are one: each adds the
records that it fills in (`from`, `to` ...), and what is said once holds for all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from msgspec import Struct, field

from ampelog import say
from ampelog.cells import Cleared
from ampelog.errors import Finding
from ampelog.headings import Heading
from ampelog.sheets import Sheet, listed

CONSTANT = -1
"""The column of what the mapping says of every row."""
Filled = tuple[Heading, Any]
"""A column, and what a row says in it."""


class Line(Struct):
    """A row that was read: what it fills in, and the places of what could not be read."""

    kind: str
    sheet: Sheet
    number: int
    label: str = ""
    headings: Sequence[Heading] = ()
    filled: list[Filled] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    """The fields whose cells could not be read; what the event lacks by it is not told twice."""


class Made(Struct):
    """An event of one or more rows, where its fields stand, and what its rows contradict."""

    event: dict[str, Any]
    where: str
    rows: tuple[int, ...]
    spots: dict[str, str]
    lines: tuple[Line, ...]
    wrong: list[Finding]

    @property
    def missed(self) -> list[str]:
        """The fields whose cells could not be read."""
        return [path for line in self.lines for path in line.missed]

    def spot(self, path: str) -> str:
        """Where a field stands; empty where what is wrong with it was told already."""
        missed = self.missed
        if missed and (not path or any(f"{one}.".startswith(f"{path}.") for one in missed)):
            return ""
        steps = path.split(".")
        for end in range(len(steps), 0, -1):
            head = ".".join(steps[:end])
            if head in self.spots:
                return self.spots[head]
        return next(
            (at for known, at in self.spots.items() if path and known.startswith(f"{path}.")),
            self.where,
        )


def made(lines: Iterable[Line]) -> list[Made]:
    """The events of a table's rows, in the order of their first rows."""
    groups: dict[tuple[str, str, int], list[Line]] = {}
    for line in lines:
        key = (line.kind, line.label, 0 if line.label else line.number)
        groups.setdefault(key, []).append(line)
    return [_made(_settled(group)) for group in groups.values()]


def _settled(lines: list[Line]) -> list[Line]:
    """Rows of one event, of which a constant is said once: where none of them says it itself, and
    of a list in the records that they fill in; where they fill in none, as one of its own."""
    if len(lines) == 1:
        return lines
    each = [
        {
            (heading.column.inside or heading.column.path, heading.slot)
            for heading, _ in line.filled
            if heading.index != CONSTANT and heading.column is not None
        }
        for line in lines
    ]
    anywhere = set().union(*each)
    for line, there in zip(lines, each, strict=True):
        kept: list[Filled] = []
        for heading, value in line.filled:
            assert heading.column is not None, "what is filled in is a field"
            inside = heading.column.inside
            key = (inside or heading.column.path, heading.slot)
            is_once = line is lines[0] and key not in anywhere
            if heading.index != CONSTANT or is_once or (inside and key in there):
                kept.append((heading, value))
        line.filled = kept
    return lines


def _made(lines: Sequence[Line]) -> Made:
    first = lines[0]
    rows = tuple(line.number for line in lines)
    where = first.sheet.place(first.number)
    if len(rows) > 1:
        where = f"{first.sheet.name}, rows {listed(rows)}"
    whole = Made({"kind": first.kind}, where, rows, _blanks(first), tuple(lines), [])
    lists: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for line in lines:
        _add_records(whole, line, lists)
        for heading, value in line.filled:
            assert heading.column is not None, "what is filled in is a field"
            if not heading.column.inside:
                _add_field(whole, line, heading, value)
    for path, records in lists.items():
        if _put(whole.event, path, records) is not records:
            says = f"`{'.'.join(path)}` stands in a cell as a whole, and in parts beside it"
            whole.wrong.append(Finding("said twice", where, says, "say it in one of them"))
    return whole


def _blanks(line: Line) -> dict[str, str]:
    """Where a field would stand that the row leaves empty."""
    return {
        one.column.name: line.sheet.place(line.number, one.index, one.title)
        for one in line.headings
        if one.what == "field" and one.column is not None
    }


def _add_records(
    whole: Made, line: Line, lists: dict[tuple[str, ...], list[dict[str, Any]]]
) -> None:
    """Add the records of a row's lists: one a list, more where columns are numbered."""
    records: dict[tuple[tuple[str, ...], int], dict[str, Any]] = {}
    places: dict[tuple[tuple[str, ...], int], dict[str, str]] = {}
    for heading, value in line.filled:
        column = heading.column
        if column is None or not column.inside:
            continue
        key = (column.inside, heading.slot)
        leaf = column.path[len(column.inside) :]
        _put(records.setdefault(key, {}), leaf, value)
        place = line.sheet.place(line.number, heading.index, heading.title)
        places.setdefault(key, {})[".".join(leaf)] = place
    for inside, slot in sorted(records, key=lambda key: key[1]):
        there = lists.setdefault(inside, [])
        record, at = records[inside, slot], places[inside, slot]
        if record in there:
            whole.wrong.append(_again(line, ".".join(inside), at))
        there.append(record)
        name = ".".join(inside) + (f".{len(there)}" if len(there) > 1 else "")
        whole.spots |= {f"{name}.{leaf}": place for leaf, place in at.items()}


def _again(line: Line, name: str, at: dict[str, str]) -> Finding:
    return Finding(
        "said twice",
        next(iter(at.values()), line.sheet.place(line.number)),
        f"another row of the event has the same in `{name}`; it would count twice",
        "leave it empty in all rows but one, or write it once with the sum",
    )


def _add_field(whole: Made, line: Line, heading: Heading, value: Any) -> None:
    assert heading.column is not None, "what is filled in is a field"
    path = heading.column.path
    place = line.sheet.place(line.number, heading.index, heading.title)
    plain = None if isinstance(value, Cleared) else value
    before = _put(whole.event, path, plain)
    if before != plain:
        whole.wrong.append(
            Finding(
                "said twice",
                place,
                f"`{heading.column.name}` is {_seen(plain)} here, and {_seen(before)} elsewhere "
                "in the event",
                "say it once, or give the rows events of their own",
            )
        )
    whole.spots[heading.column.name] = place


def _seen(value: Any) -> str:
    return f"`{say.clean(str(value))[:60]}`"


def _put(record: dict[str, Any], path: Sequence[str], value: Any) -> Any:
    """Put a value at a path, if nothing stands there; returns what stands there then."""
    for step in path[:-1]:
        inner = record.setdefault(step, {})
        if not isinstance(inner, dict):  # a whole and its parts
            return inner
        record = inner
    return record.setdefault(path[-1], value)
