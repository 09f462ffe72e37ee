"""A count of the cellar: the sheet that is walked round with, and the filled sheet read back.

A row of the sheet is a holding of the book. What is typed into `counted` becomes a gauge with the
reason `inventory`; an empty cell is not counted, zero is empty. Ids come from the sheet and the
holding, so that a sheet that is read again is known, and one that says otherwise is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from msgspec import Struct

from ampelog import quantities
from ampelog.cells import Cell, Slip, number, shown
from ampelog.composing import count
from ampelog.errors import Finding, Refused
from ampelog.numerals import Broken, Numeral
from ampelog.phrases import quantity
from ampelog.published import EXACT
from ampelog.quantities import NotAQuantity
from ampelog.questions import View
from ampelog.standing import Standing
from ampelog.state import BOTTLES, MASS, VOLUME, Holding, Lot
from ampelog.walk import Walk, Walked

UNITS = {"us": {VOLUME: "gal", MASS: "lb"}, "metric": {VOLUME: "L", MASS: "kg"}}
_TENTHS = Decimal("0.01")
_NAME = re.compile(r"count ([0-9]{4}-[0-9]{2}-[0-9]{2}) ([1-9][0-9]{0,8})(?: .*)?")
"""The name of a sheet: the day and the ledger's position that it was printed from."""
_UNMARKED = "write thousands without a mark, and four decimals for three: 1234, or 1.2340"
LARGE = Fraction(1, 100)
"""A difference of more than this part of the book is looked at again first (a proposal)."""


class Count(Struct, frozen=True):
    """A row of a filled sheet: the holding, the book and the count in 10^-12 L or kg."""

    where: str
    event: dict[str, Any]
    lot: str
    vessel: str | None
    sort: str
    book: int
    counted: int
    format: int = 0

    @property
    def difference(self) -> int:
        """What was counted above the book; below it, less than zero."""
        return self.counted - self.book

    def row(self) -> dict[str, Any]:
        """The row of a list: decimal strings, L or kg; bottles beside them."""
        unit = "kg" if self.sort == MASS else "l"
        part = Fraction(self.difference * 100, self.book)
        row: dict[str, Any] = {
            "vessel": self.vessel,
            "lot": self.lot,
            f"book_{unit}": quantities.text(self.book),
            f"counted_{unit}": quantities.text(self.counted),
            f"difference_{unit}": quantities.text(self.difference),
            "percent": quantities.floor_text(part, 2),
            "large": abs(Fraction(self.difference, self.book)) > LARGE,
        }
        if self.format:
            row["bottles"] = self.counted // self.format
            row["book_bottles"] = _bottles(self.book, self.format)
            row["difference_bottles"] = _bottles(self.difference, self.format)
        return row


def _bottles(amount: int, size: int) -> str:
    """A number of bottles, with two decimals where it is not whole."""
    whole, rest = divmod(amount, size)
    return str(whole) if not rest else quantities.floor_text(Fraction(amount, size), 2)


class Filled(Struct, frozen=True):
    """A filled sheet: its name, the rows that count, how many were left empty or known, and what
    is odd about it and refuses nothing."""

    name: str
    counts: list[Count]
    blank: int
    known: int
    odd: tuple[Finding, ...] = ()


# ---- the sheet to fill in


def sheet(view: View, units: str, today: date, premises: str | None = None) -> list[dict[str, Any]]:
    """The rows of a count sheet, by vessel; what lies in none comes last.

    ``Refused`` where no premises of that name is registered.
    """
    standing = Standing(view.cellar.registers)
    names = view.cellar.registers.names("premises")
    if premises is not None and premises not in names:
        raise Refused(f"there is no premises `{premises}`", hint=f"premises: {', '.join(names)}")
    name = f"count {today} {view.head.position}{f' {premises}' if premises else ''}"
    found = []
    for lot in view.held_lots():
        for vessel, holding in lot.holdings.items():
            there = standing.premises(vessel, view.today, view.today)
            if premises is None or there == premises:
                found.append(_row(name, lot, vessel, holding, units))
    return sorted(found, key=lambda row: (row["vessel"] == "", row["vessel"], row["lot"]))


def _row(name: str, lot: Lot, vessel: str | None, holding: Holding, units: str) -> dict[str, Any]:
    unit = "bottles" if lot.sort == BOTTLES else UNITS[units][lot.sort]
    book = _book(lot, holding, unit)
    return {
        "sheet": name,
        "vessel": vessel or "",
        "lot": lot.name,
        "unit": unit,
        "book": book,
        "counted": "",
        "remark": "",
    }


def _book(lot: Lot, holding: Holding, unit: str) -> str:
    """What the book says of a holding, as a sheet prints it."""
    if lot.sort == BOTTLES:
        return count(lot, holding.amount)
    size = quantities.parse(f"1 {unit}").amount
    amount = EXACT.divide(Decimal(holding.amount), Decimal(size))
    return f"{amount.quantize(_TENTHS, ROUND_HALF_UP, EXACT):f}"


# ---- the filled sheet


def filled(
    view: View, walked: Walk, at: str, known: Mapping[str, dict[str, Any]], *, dated: bool = False
) -> Filled:
    """What a filled sheet says, against the book of ``view``; ``known`` are the recorded events by
    id. Where nobody said when it was counted (``dated``), it was now, and the book must still be
    the one that the sheet was printed from.

    ``Refused`` with every row that cannot be read, or is not of the book any more.
    """
    counts, problems, blank, again = list[Count](), list[Finding](), 0, 0
    title, books = "", _Books(view)
    for row in walked.rows:
        title = row.texts.get("sheet") or title
        if row.counted is None:
            blank += bool(row.texts["lot"])
            continue
        try:
            event, amount = _event(view, row, at)
            before = known.get(event["id"])
            if before is None:
                counts.append(_count(view, event, row.where, amount))
                if not dated:
                    _check_unmoved(view, event, row, books)
            elif _same(before, event):
                again += 1
            else:
                problems.append(_otherwise(event, row.where, before))
        except Slip as slip:
            # a count sheet is written with points: it has no option to say otherwise
            hint = _UNMARKED if "--decimal" in slip.hint else slip.hint
            where, lot = row.where, row.texts["lot"]
            problems.append(Finding(slip.rule, where, slip.says, hint, None, lot))
    problems += [*_twice(counts), *walked.wrong]
    if problems:
        raise Refused("nothing was recorded: the count sheet must be mended first", problems)
    counts.sort(key=lambda one: (-abs(Fraction(one.difference, one.book)), one.lot))
    return Filled(title, counts, blank, again, tuple(walked.odd))


def ids(view: View, walked: Walk) -> list[str]:
    """The ids that the rows of a sheet have."""
    return [
        _id(view, *(row.texts.get(head, "") for head in ("sheet", "vessel", "lot")))
        for row in walked.rows
    ]


def _id(view: View, name: str, vessel: str, lot: str) -> str:
    return str(uuid5(NAMESPACE_URL, f"ampelog:count:{view.ledger.ledger_id}/{name}/{vessel}/{lot}"))


def _event(view: View, row: Walked, at: str) -> tuple[dict[str, Any], int]:
    """The gauge that a row asks for, and its quantity in 10^-12 L or kg."""
    texts = row.texts
    lot, vessel = view.cellar.lots.get(texts["lot"]), texts["vessel"]
    if lot is None:
        raise Slip(f"there is no lot `{texts['lot']}`", view.cellar.near(texts["lot"], ""))
    event: dict[str, Any] = {
        "kind": "gauge",
        "at": at,
        "id": _id(view, texts.get("sheet", ""), vessel, lot.name),
        "lot": lot.name,
        "reason": "inventory",
    }
    more = {"vessel": vessel, "ref": texts.get("sheet"), "note": texts.get("remark")}
    event |= {key: text for key, text in more.items() if text}
    said, amount = _measured(lot, row)
    return event | said, amount


def _count(view: View, event: dict[str, Any], where: str, amount: int) -> Count:
    """The row beside the book; ``Slip`` where the book has nothing there any more."""
    lot, vessel = view.cellar.lots[event["lot"]], event.get("vessel")
    holding = lot.holdings.get(vessel)
    if holding is None:
        place = f"in `{vessel}`" if vessel else "without a vessel"
        raise Slip(
            f"`{lot.name}` does not lie {place} any more",
            "it was moved after the sheet was printed: leave this row empty, and count it anew",
            "moved since",
        )
    bottle = lot.format if lot.sort == BOTTLES else 0
    return Count(where, event, lot.name, vessel, lot.sort, holding.amount, amount, bottle)


class _Books:
    """The cellar as it stood when a sheet was printed, by the day and position in its name."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.found: dict[str, View | None] = {}

    def of(self, sheet: str) -> View | None:
        """None where the name tells neither."""
        if sheet not in self.found:
            named = _NAME.match(sheet)
            self.found[sheet] = None
            if named is not None and int(named[2]) <= self.view.head.position:
                self.found[sheet] = View(self.view.ledger, named[1], named[2])
        return self.found[sheet]


def _check_unmoved(view: View, event: Mapping[str, Any], row: Walked, books: _Books) -> None:
    """``Slip`` where the book of a holding is another than the sheet was printed from. A blind
    sheet, on which it does not stand, has it from the log."""
    lot, unit = view.cellar.lots[event["lot"]], row.texts["unit"]
    now = _book(lot, lot.holdings[event.get("vessel")], unit)
    hint = "it was moved since: say with --at when it was counted, or print a new sheet"
    if row.book is not None:
        printed = _figure(row.book, row)
    else:
        then = books.of(row.texts.get("sheet", ""))
        if then is None:
            says = "nothing says what the book was when the sheet was printed"
            raise Slip(says, "say with --at when it was counted, or print a new sheet")
        before = then.cellar.lots.get(lot.name)
        holding = None if before is None else before.holdings.get(event.get("vessel"))
        printed = "0" if before is None or holding is None else _book(before, holding, unit)
    if Decimal(printed) != Decimal(now):
        says = f"the book said {printed} {unit} when the sheet was printed, and says {now} now"
        raise Slip(says, hint, "moved since")


def _figure(cell: Cell, row: Walked) -> str:
    """The number of a cell, as a plain decimal of the row's unit; raises ``Slip``."""
    habits, unit = row.habits, row.texts["unit"]
    if isinstance(cell, Broken):
        raise Slip(cell.says, cell.hint)
    if isinstance(cell, Numeral) and cell.unit not in ("", unit):
        says = f"`{shown(cell)}` is shown with `{cell.unit}`, and the row counts in {unit}"
        raise Slip(says, f"write it in {unit}, without a unit")
    if isinstance(cell, Numeral) and not cell.is_percent:
        return cell.text
    return number(shown(cell), habits)


def _measured(lot: Lot, row: Walked) -> tuple[dict[str, Any], int]:
    """The quantity as a gauge says it, and in 10^-12 L or kg."""
    assert row.counted is not None, "a row without a count is none"
    figure = "0" if shown(row.counted).lower() == "empty" else _figure(row.counted, row)
    if figure.startswith("-"):
        raise Slip(f"`{shown(row.counted)}` is less than nothing", "write what was counted")
    if not Decimal(figure):
        return {"empty": True}, 0
    unit = row.texts["unit"]
    if lot.sort == BOTTLES:
        if unit != "bottles" or "." in figure:
            raise Slip(f"`{figure} {unit}`: bottles are counted whole", "write the bottles")
        return {"bottles": int(figure)}, int(figure) * lot.format
    try:
        measured = quantities.parse(f"{figure} {unit}")
    except NotAQuantity as problem:
        raise Slip(str(problem)) from None
    wanted = MASS if lot.sort == MASS else VOLUME
    if measured.dimension != wanted:
        raise Slip(
            f"`{figure} {unit}`: `{lot.name}` is held by {wanted}", "leave the unit as it is"
        )
    return {wanted: f"{figure} {unit}"}, measured.amount


_SAID = ("volume", "mass", "bottles", "empty")


def _same(before: Mapping[str, Any], event: Mapping[str, Any]) -> bool:
    return all(before.get(key) == event.get(key) for key in _SAID)


def _otherwise(event: Mapping[str, Any], where: str, before: Mapping[str, Any]) -> Finding:
    said, now = quantity(before) or "empty", quantity(event) or "empty"
    return Finding(
        "counted otherwise",
        where,
        f"this row is recorded as {said}, and says {now} now",
        f"correct the event {event['id']}, or leave the row as it was",
        event["id"],
        event["lot"],
    )


def _twice(counts: Sequence[Count]) -> Iterator[Finding]:
    seen: dict[str, str] = {}
    for one in counts:
        first = seen.setdefault(one.event["id"], one.where)
        if first != one.where:
            says = f"the same holding is counted in {first}"
            yield Finding("counted twice", one.where, says, "keep one of the rows", None, one.lot)
