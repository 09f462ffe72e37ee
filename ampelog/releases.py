"""The calendar: which bottles rest, which are due, which may leave, and which are held.

A lot is *held* while a hold binds any of it, or while cells are still counted on a plate; *resting*
until the day that its rest comes to; *due* once the rest that its label states is over and nobody
released it; *released* otherwise. Waiting for a plate binds nothing without a hold (EVENTS.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from typing import Any

from ampelog import history, moments, stock
from ampelog.composing import count
from ampelog.errors import Finding
from ampelog.gates import table
from ampelog.phrases import several
from ampelog.quantities import floor_text
from ampelog.questions import View
from ampelog.resting import Rest, rest_of, style_of
from ampelog.state import BOTTLES, Lot
from ampelog.told import unfolded

RESTING, DUE, RELEASED, HELD = "resting", "due", "released", "held"
EARLY = frozenset({"left before its release", "left on hold"})
"""What a replay finds of bottles that left too soon."""
PLATE, PLATE_DAYS, FORGOTTEN_DAYS = "B18", (5, 7), 30
"""The gate whose result comes after the filling, when it comes (from memory), and when nobody
waits for it any more (a proposal)."""


def calendar(view: View, today: date, *, emptied: bool = False) -> list[dict[str, Any]]:
    """Every lot of bottles that holds some, or of ``emptied`` ones too, by day of release."""
    if emptied:
        lots = [lot for lot in view.all_lots() if lot.sort == BOTTLES and lot.contents()]
    else:
        lots = view.held_lots(BOTTLES)
    happened = _Happened(view)
    rows = [_row(view, lot, today, happened) for lot in lots]
    return sorted(rows, key=lambda row: (row["release_on"] or "", row["lot"]))


class _Happened:
    """What the events say of all bottles: counts of cells, where bottles were packed from, and what
    left too soon."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._counts: dict[str, list[tuple[int, str]]] = {}
        self._packed: dict[str, set[str]] = {}
        for event in view.said(("note",), f'"{PLATE}"').values():
            if event.get("gate") == PLATE and event.get("result"):
                told = (moments.instant(event["at"], view.zone), str(event["result"]))
                self._counts.setdefault(event.get("lot", ""), []).append(told)
        for event in map(unfolded, view.said(("pack",)).values()):
            drawn = {end["lot"] for end in several(event["from"])}
            for end in several(event["to"]):
                self._packed.setdefault(end["lot"], set()).update(drawn)

    @cached_property
    def early(self) -> dict[str, list[Finding]]:
        """What left too soon, by lot: told by a replay."""
        from ampelog.replay import apply

        found: dict[str, list[Finding]] = {}
        cellar = self._view.beginning()
        with history.still():
            apply(cellar, self._view.steps)
        for one in cellar.findings:
            if one.rule in EARLY and one.lot is not None:
                found.setdefault(one.lot, []).append(one)
        return found

    def counts(self, lot: str) -> list[tuple[int, str]]:
        """The counts of cells of a lot and of those that its bottles were packed from: instant and
        result, in order of time."""
        names, ahead = {lot}, [lot]
        while ahead:
            new = self._packed.get(ahead.pop(), set()) - names
            names |= new
            ahead += sorted(new)
        return sorted(count for name in names for count in self._counts.get(name, ()))


def state_of(view: View, lot: Lot, today: date) -> tuple[Rest, str, str]:
    """The rest of one lot of bottles, its state, and why."""
    rest, state, why, _ = _told(view, lot, today, _Happened(view))
    return rest, state, why


def states(view: View, lots: Sequence[Lot], today: date) -> Iterator[tuple[Lot, Rest, str]]:
    """The rest and the state of each of these lots of bottles."""
    happened = _Happened(view)
    for lot in lots:
        rest, state, *_ = _told(view, lot, today, happened)
        yield lot, rest, state


def released_on(view: View, lot: Lot) -> date | None:
    """The day of the first `release` of what a lot holds, or last held; None without one."""
    orders = [order for order in lot.releases if order >= lot.began]
    return moments.day(min(orders)[0], view.zone) if orders else None


def awaiting(view: View, today: date) -> list[dict[str, Any]]:
    """The lots of bottles whose rest is over and not released, or whose cells are still counted on
    a plate: ``lot``, ``state``, ``why``, ``bottled_on``, ``release_on``. Those on hold are not
    among them."""
    found = []
    happened = _Happened(view)
    for lot in view.held_lots(BOTTLES):
        rest, state, why, holds = _told(view, lot, today, happened)
        if state in (DUE, HELD) and not holds:
            days = {"bottled_on": _day(rest.bottled_on), "release_on": _day(rest.release_on)}
            found.append({"lot": lot.name, "state": state, "why": why, **days})
    return sorted(found, key=lambda row: (row["state"] == DUE, row["release_on"] or "", row["lot"]))


def _told(
    view: View, lot: Lot, today: date, happened: _Happened
) -> tuple[Rest, str, str, list[str]]:
    rest = rest_of(view, lot)
    holds = stock.on_hold(view, lot)
    awaited = _plate(view, lot, rest, today, happened.counts(lot.name))
    return (rest, *_state(view, lot, rest, today, (holds, awaited)), holds)


def _row(view: View, lot: Lot, today: date, happened: _Happened) -> dict[str, Any]:
    rest, state, why, holds = _told(view, lot, today, happened)
    return {
        "lot": lot.name,
        "bottled_on": _day(rest.bottled_on),
        "rest_days": rest.days,
        "release_on": _day(rest.release_on),
        "state": state,
        "label": view.cellar.label_of(lot, view.today),
        "bottles": count(lot, lot.amount),
        "cases": floor_text(Fraction(lot.amount, stock.CASE_L * 10**12), 2),
        "rest": rest.stated,
        "basis": rest.basis,
        "source": rest.anchor,
        "binds": rest.binds or bool(holds),
        "holds": holds,
        "why": why,
        "early": [
            {"event": one.event, "says": one.says} for one in happened.early.get(lot.name, ())
        ],
    }


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _state(
    view: View, lot: Lot, rest: Rest, today: date, stops: tuple[list[str], str | None]
) -> tuple[str, str]:
    """The state of a lot, and why."""
    holds, awaited = stops
    if holds:
        found = view.ledger.known(holds)
        reasons = [
            f"{str(one.event['reason']).rstrip('.')} (since {one.event['at'][:10]})"
            for one in found.values()
        ]
        return HELD, f"on hold: {'; '.join(reasons) or ', '.join(holds)}"
    if awaited is not None:
        return HELD, awaited
    if rest.release_on is not None and today < rest.release_on:
        kind = "its label states" if rest.binds else "usual for its style, and binding nothing"
        return RESTING, f"{rest.stated}, {kind}"
    if not rest.binds:
        return RELEASED, "no rest is stated, and nothing holds it"
    asked = moments.end_of_day(today.isoformat(), view.zone)
    if lot.may_leave(asked):
        return RELEASED, "its rest is over and its release recorded"
    return DUE, "its rest is over; no `release` is recorded"


def _plate(
    view: View, lot: Lot, rest: Rest, today: date, counts: Sequence[tuple[int, str]]
) -> str | None:
    """What is still awaited of a count of cells, None where nothing is. A count that failed holds
    until a later one passes."""
    bottled = rest.bottled_on
    if bottled is None:
        return None
    after = [result for instant, result in counts if moments.day(instant, view.zone) >= bottled]
    if after:
        failed = after[-1] == "fail"
        return "cells were counted after the filler, and the count failed" if failed else None
    gate = table().gate(PLATE)
    awaited = gate is not None and style_of(view, lot) in gate.awaited_for
    if not awaited or (today - bottled).days > FORGOTTEN_DAYS:
        return None
    first, last = (bottled + timedelta(days=days) for days in PLATE_DAYS)
    return f"cells are counted on a plate: the result is expected from {first} to {last}"


def quarters(view: View, rows: Sequence[dict[str, Any]], vintage: int | None) -> list[Any]:
    """What comes up for release quarter by quarter, in bottles and cases; of one vintage, where it
    is named: lots of which that year is the largest part."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row["release_on"] is None or (vintage is not None and not _is_of(view, row, vintage)):
            continue
        year, month = row["release_on"][:4], int(row["release_on"][5:7])
        found.setdefault(f"{year} Q{(month + 2) // 3}", []).append(row)
    return [
        {
            "quarter": quarter,
            "lots": [row["lot"] for row in lots],
            "bottles": _sum(lots, "bottles"),
            "cases": _sum(lots, "cases"),
            "held": [row["lot"] for row in lots if row["state"] == HELD],
        }
        for quarter, lots in sorted(found.items())
    ]


def _is_of(view: View, row: dict[str, Any], vintage: int) -> bool:
    shares = view.composition(view.lot(row["lot"])).rows(lambda leaf: (leaf.vintage,))
    return bool(shares) and shares[0][0] == (vintage,)


def _sum(rows: Sequence[dict[str, Any]], key: str) -> str:
    total = sum((Fraction(row[key]) for row in rows), Fraction(0))
    return floor_text(total, 2).removesuffix(".00")
