"""The balance of every lot: what came in, went out, was lost and gained, and that it fits exactly.

The book of the events (tallies kept beside the replay) is set against what the cellar holds; the
difference is zero, or something is wrong with the program.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from ampelog import history, moments
from ampelog.cellar import Cellar
from ampelog.errors import Refused
from ampelog.moments import NotATime
from ampelog.quantities import ONE, text
from ampelog.questions import View
from ampelog.replay import apply, watched
from ampelog.standing import premises_of
from ampelog.state import UNITS, Lot, Tally
from ampelog.steps import Step

DIMENSIONS = ("premises", "owner")


def balance(
    view: View,
    name: str | None = None,
    since: str | None = None,
    until: str | None = None,
    by: Sequence[str] = (),
) -> list[dict[str, Any]]:
    """One row a lot and unit (L, kg): opening, in, out, lost by reason, gained, held, difference.

    ``since`` and ``until`` are days, both included; ``by`` parts the rows by premises and owner.
    """
    unknown = [dimension for dimension in by if dimension not in DIMENSIONS]
    if unknown:
        raise Refused(f"--by: `{unknown[0]}` is no dimension", hint="premises, owner")
    if name is not None:
        view.lot(name)
    before = _day_before(since, until)
    if by:
        return _parted(view, name, since, until, by)
    closing = view if until is None else View(view.ledger, until, str(view.head.position))
    opening = None
    if before is not None:
        opening = View(view.ledger, before, str(view.head.position))
    lots = closing.all_lots() if name is None else [closing.lot(name)]
    rows = []
    for lot in lots:
        before_lot = opening.cellar.lots.get(lot.name) if opening is not None else None
        for unit, tally in lot.tallies.items():
            start = before_lot.tallies.get(unit) if before_lot is not None else None
            rows.append(_row(lot.name, unit, start or Tally(), tally, _held(lot, unit)))
    return rows


def _day_before(since: str | None, until: str | None) -> str | None:
    """The day whose end opens the book; ``Refused`` where the two days make no period."""
    try:
        first = None if since is None else moments.date_of(since)
        last = None if until is None else moments.date_of(until)
    except NotATime as problem:
        raise Refused(f"--since and --until are days: {problem}") from None
    if first is None or first == date(moments.EARLIEST_YEAR, 1, 1):
        return None
    if last is not None and last < first:
        raise Refused(
            f"--since {since} is after --until {until}", hint="give the earlier day first"
        )
    return (first - timedelta(days=1)).isoformat()


def _held(lot: Lot, unit: str) -> int:
    return lot.amount if UNITS[lot.sort] == unit else 0


def _row(name: str, unit: str, start: Tally, end: Tally, held: int) -> dict[str, Any]:
    lost = {
        reason: amount - start.lost.get(reason, 0)
        for reason, amount in sorted(end.lost.items())
        if amount - start.lost.get(reason, 0)
    }
    opening = start.held()
    into, out = end.into - start.into, end.out - start.out
    gained, pomace = end.gained - start.gained, end.pomace - start.pomace
    difference = opening + into + gained - out - sum(lost.values()) - held
    row = {
        "lot": name,
        "unit": unit,
        "opening": text(opening),
        "in": text(into),
        "out": text(out),
        "lost": text(sum(lost.values())),
        "lost_by": {reason: text(amount) for reason, amount in lost.items()},
        "gained": text(gained),
        "held": text(held),
        "difference": text(difference),
    }
    if pomace:
        row["out_as_pomace"] = text(pomace)
    return row


# By premises and owner: what stands where is followed event by event


@dataclass
class _Book:
    """The figures of one lot at one place and owner."""

    opening: int = 0
    held: int = 0
    tally: Tally = field(default_factory=Tally)


class _Parted:
    """Books by (lot, unit, premises, owner), kept by looking at what each event changed."""

    def __init__(self, cellar: Cellar) -> None:
        self.cellar = cellar
        self.books: dict[tuple[str, str, str | None, str | None], _Book] = {}
        self.first_used: dict[str, int] = {}
        self.tallies: dict[str, dict[str, Tally]] = {}

    def standing(self, lot: Lot, instant: int) -> dict[tuple[str | None, str | None], int]:
        """What a lot holds, by premises and owner."""
        owner = self.cellar.owner(lot, instant)
        found: dict[tuple[str | None, str | None], int] = {}
        for vessel, holding in lot.holdings.items():
            if vessel is not None:
                self.first_used.setdefault(vessel, instant)
            used = self.first_used.get(vessel, instant) if vessel is not None else instant
            key = (premises_of(self.cellar.registers, vessel, used, instant), owner)
            found[key] = found.get(key, 0) + holding.amount
        return found

    def see(self, lot: Lot, instant: int) -> None:
        """Book what changed of a lot since it was last seen."""
        unit = UNITS[lot.sort]
        now = self.standing(lot, instant)
        before = self.tallies.get(lot.name, {})
        for of, tally in lot.tallies.items():
            was = before.get(of, Tally())
            lost = {r: a - was.lost.get(r, 0) for r, a in tally.lost.items()}
            self._book(lot, of, now if of == unit else {}, lost, tally.gained - was.gained)
        self.tallies[lot.name] = {of: tally.copy() for of, tally in lot.tallies.items()}

    def _book(
        self,
        lot: Lot,
        unit: str,
        now: dict[tuple[str | None, str | None], int],
        lost: dict[str, int],
        gained: int,
    ) -> None:
        mine = {key[2:]: book for key, book in self.books.items() if key[:2] == (lot.name, unit)}
        keys = list(dict.fromkeys([*mine, *now]))
        if not keys:
            keys = [(None, None)]
        books = [self.books.setdefault((lot.name, unit, *key), _Book()) for key in keys]
        # A loss or gain is booked where the most is or was: events in place touch one place.
        most = max(range(len(keys)), key=lambda i: max(books[i].held, now.get(keys[i], 0)))
        for index, (key, book) in enumerate(zip(keys, books, strict=True)):
            gone = sum(lost.values()) if index == most else 0
            more = gained if index == most else 0
            moved = now.get(key, 0) - book.held + gone - more
            book.tally.into += max(moved, 0)
            book.tally.out += max(-moved, 0)
            book.tally.gained += more
            if index == most:
                for reason, amount in lost.items():
                    book.tally.lose(reason, amount)
            book.held = now.get(key, 0)


def _parted(
    view: View, name: str | None, since: str | None, until: str | None, by: Sequence[str]
) -> list[dict[str, Any]]:
    start = None if since is None else moments.instant(since, view.zone)
    end = None if until is None else moments.end_of_day(until, view.zone)
    steps = [step for step in view.steps if end is None or step.instant <= end]
    cellar = Cellar(view.zone, view.cellar.registers)
    cellar.holds.watched = watched(steps)
    parted = _Parted(cellar)
    opened: dict[Any, Tally] = {}
    started = start is None
    with history.still():
        for step in steps:
            if start is not None and not started and step.instant >= start:
                opened = {key: book.tally.copy() for key, book in parted.books.items()}
                started = True
            cellar.changed = {}
            apply(cellar, [step])
            for lot in _looked_at(cellar, step):
                parted.see(lot, step.instant)
    if not started:
        opened = {key: book.tally.copy() for key, book in parted.books.items()}
    return _sum_rows(parted, opened, name, by)


def _looked_at(cellar: Cellar, step: Step) -> Iterable[Lot]:
    """The lots whose place, owner or amount a step may change."""
    event = step.event
    if event["kind"] in ("vessel", "premises"):
        return [lot for lot in cellar.lots.values() if lot.holdings]
    found = dict(cellar.changed)
    if event["kind"] == "lot":
        lot = cellar.lots.get(event["name"])
        if lot is not None:
            found[lot.name] = lot
    return list(found.values())


def _sum_rows(
    parted: _Parted, opened: dict[Any, Tally], name: str | None, by: Sequence[str]
) -> list[dict[str, Any]]:
    rows = []
    for key, book in sorted(parted.books.items(), key=lambda item: tuple(map(str, item[0]))):
        lot, unit, premises, owner = key
        if name is not None and lot != name:
            continue
        row = _row(lot, unit, opened.get(key, Tally()), book.tally, book.held)
        row["premises"], row["owner"] = premises, owner
        rows.append(row)
    return rows if len(by) == len(DIMENSIONS) else _merged(rows, by)


def _merged(rows: list[dict[str, Any]], by: Sequence[str]) -> list[dict[str, Any]]:
    """Rows of one dimension: the other is summed over, moves between its members included."""

    def amount(row: dict[str, Any], key: str) -> int:
        whole, _, decimals = str(row[key]).partition(".")
        return int(whole) * int(ONE) + int((decimals + "0" * 12)[:12])

    merged: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        key = (row["lot"], row["unit"], *(row[dimension] for dimension in by))
        kept = {k: v for k, v in row.items() if k not in DIMENSIONS or k in by}
        there = merged.setdefault(key, kept)
        if there is kept:
            continue
        for figure in ("opening", "in", "out", "lost", "gained", "held", "difference"):
            there[figure] = text(amount(there, figure) + amount(row, figure))
        for reason, lost in row["lost_by"].items():
            so_far = amount(there["lost_by"], reason) if reason in there["lost_by"] else 0
            there["lost_by"][reason] = text(so_far + amount({reason: lost}, reason))
    return list(merged.values())
