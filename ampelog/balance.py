"""The balance of every lot: what came in, went out, was lost and gained, and that it fits exactly.

The book of the events (tallies kept beside the replay) is set against what the cellar holds; the
difference is zero, or something is wrong with the program.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from typing import Any

from msgspec import Struct, field

from ampelog import history, moments
from ampelog.cellar import Cellar
from ampelog.endpoints import vessels_of
from ampelog.errors import Refused
from ampelog.moments import NotATime
from ampelog.quantities import ONE, text
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.standing import Standing
from ampelog.state import BOTTLES, UNITS, Holding, Lot, Tally
from ampelog.steps import Step

DIMENSIONS = ("premises", "owner")
Where = tuple[str | None, str | None]
"""Premises and owner; None where nobody knows, and for the winery's own."""


def balance(
    view: View,
    name: str | None = None,
    since: str | None = None,
    until: str | None = None,
    by: Sequence[str] = (),
) -> list[dict[str, Any]]:
    """One row a lot and unit (L, kg): opening, in, out, lost by reason, gained, held, difference.

    ``since`` and ``until`` are days, both included, and nothing after the view's own day counts;
    ``by`` parts the rows by premises and owner.
    """
    unknown = [dimension for dimension in by if dimension not in DIMENSIONS]
    if unknown:
        raise Refused(f"--by: `{unknown[0]}` is no dimension", hint="premises, owner")
    if name is not None:
        view.lot(name)
    before, until = _period(view, since, until)
    if by:
        return _parted(view, name, since, until, by)
    closing = view
    if until != view.as_of:
        closing = View(view.ledger, until, str(view.head.position))
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


def _period(view: View, since: str | None, until: str | None) -> tuple[str | None, str | None]:
    """The days whose ends open and close the book, None where it is open there; ``Refused`` where
    they make no period."""
    try:
        first = None if since is None else moments.date_of(since)
        last = None if until is None else moments.date_of(until)
    except NotATime as problem:
        raise Refused(f"--since and --until are days: {problem}") from None
    end = f"--until {until}"
    if view.as_of is not None and (last is None or moments.date_of(view.as_of) < last):
        last, end = moments.date_of(view.as_of), f"--as-of {view.as_of}"
    if first is not None and last is not None and last < first:
        raise Refused(f"--since {since} is after {end}", hint="give the earlier day first")
    closing = None if last is None else last.isoformat()
    if first is None or first == date(moments.EARLIEST_YEAR, 1, 1):
        return None, closing
    return (first - timedelta(days=1)).isoformat(), closing


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


class _Book(Struct):
    """The figures of one lot at one place and owner."""

    opening: int = 0
    held: int = 0
    tally: Tally = field(default_factory=Tally)


class _Parted:
    """Books by (lot, unit), then premises and owner, kept by looking at what each event changed."""

    def __init__(self, cellar: Cellar) -> None:
        self.cellar = cellar
        self.places = Standing(cellar.registers)
        self.books: dict[tuple[str, str], dict[Where, _Book]] = {}
        self.first_used: dict[str, int] = {}
        self.filled_at: dict[int, str | None] = {}
        """By the node of a fill: the premises where its bottles were filled."""
        self.tallies: dict[str, dict[str, Tally]] = {}

    def follow(self, step: Step) -> None:
        """Let a step happen, and book what it changed."""
        self.cellar.changed = {}
        filling = self._filling(step)
        apply(self.cellar, [step])
        looked_at = _looked_at(self.cellar, step)
        for lot in looked_at:
            for node in lot.fills:
                self.filled_at.setdefault(node, filling)
        for lot in looked_at:
            self.see(lot, step.instant)

    def tallied(self) -> dict[tuple[str, str, str | None, str | None], Tally]:
        """The figures so far, free of what comes."""
        return {
            (*of, *where): book.tally.copy()
            for of, books in self.books.items()
            for where, book in books.items()
        }

    def _filling(self, step: Step) -> str | None:
        """Where bottles are filled by a step that is about to happen: where the wine drawn stands,
        where received bottles are put; None where nobody knows, or in two places."""
        model: Any = step.model
        vessels = vessels_of(model)
        if step.event["kind"] == "receive" and vessels:
            return self._place(vessels[0], step.instant)
        if step.event["kind"] != "bottle":
            return self.places.home if self.places.alone(step.instant) else None
        found: set[str | None] = set()
        for endpoint in model.from_:
            lot = self.cellar.lots[endpoint.lot]
            for vessel in vessels_of(endpoint) or lot.holdings:
                standing = self._holding(lot, vessel, lot.holdings[vessel], step.instant)
                found |= {place for place, _ in standing}
        return found.pop() if len(found) == 1 else None

    def _place(self, vessel: str | None, instant: int) -> str | None:
        used = instant if vessel is None else self.first_used.setdefault(vessel, instant)
        return self.places.premises(vessel, used, instant)

    def _holding(
        self, lot: Lot, vessel: str | None, holding: Holding, instant: int
    ) -> Iterator[tuple[str | None, int]]:
        """(premises, amount) of a holding: loose bottles stand where they were filled."""
        if vessel is None and lot.sort == BOTTLES:
            for node, amount in holding.parts:
                yield self.filled_at[node], amount
        else:
            yield self._place(vessel, instant), holding.amount

    def standing(self, lot: Lot, instant: int) -> dict[Where, int]:
        """What a lot holds, by premises and owner."""
        owner = self.cellar.owner(lot, instant)
        found: dict[Where, int] = {}
        for vessel, holding in lot.holdings.items():
            for place, amount in self._holding(lot, vessel, holding, instant):
                found[place, owner] = found.get((place, owner), 0) + amount
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
        now: dict[Where, int],
        lost: dict[str, int],
        gained: int,
    ) -> None:
        books = self.books.setdefault((lot.name, unit), {})
        for key in now if books or now else [(None, None)]:
            books.setdefault(key, _Book())
        moved = {key: now.get(key, 0) - book.held for key, book in books.items()}
        # What was lost is booked where there is less now, what was gained where there is more; the
        # rest of it, which came or went in the same event, where the most is or was.
        most = max(books, key=lambda key: max(books[key].held, now.get(key, 0)))
        for reason, amount in lost.items():
            for key, part in _spread(amount, {key: -by for key, by in moved.items()}, most):
                books[key].tally.lose(reason, part)
                moved[key] += part
        for key, part in _spread(gained, moved, most):
            books[key].tally.gained += part
            moved[key] -= part
        for key, book in books.items():
            book.tally.into += max(moved[key], 0)
            book.tally.out += max(-moved[key], 0)
            book.held = now.get(key, 0)


def _spread(amount: int, room: dict[Where, int], rest: Where) -> list[tuple[Where, int]]:
    """An amount over places, no more to each than it has room for; what is over is the rest's."""
    found = []
    for key, most in room.items():
        part = min(amount, max(most, 0))
        amount -= part
        found.append((key, part))
    return [*found, (rest, amount)]


def _parted(
    view: View, name: str | None, since: str | None, until: str | None, by: Sequence[str]
) -> list[dict[str, Any]]:
    start = None if since is None else moments.instant(since, view.zone)
    end = None if until is None else moments.end_of_day(until, view.zone)
    steps = [step for step in view.steps if end is None or step.instant <= end]
    parted = _Parted(view.beginning())
    opened: dict[Any, Tally] = {}
    started = start is None
    with history.still():
        for step in steps:
            if start is not None and not started and step.instant >= start:
                opened = parted.tallied()
                started = True
            parted.follow(step)
    if not started:
        opened = parted.tallied()
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
    for (lot, unit), books in sorted(parted.books.items()):
        if name is not None and lot != name:
            continue
        for (premises, owner), book in sorted(books.items(), key=lambda item: str(item[0])):
            start = opened.get((lot, unit, premises, owner), Tally())
            row = _row(lot, unit, start, book.tally, book.held)
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
