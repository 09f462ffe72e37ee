"""The events that a wine rests on: those that carried wine into it, and what was done to it.

Found by one walk backward in time over the events as they take effect, lot by lot: an event that
filled a lot whose wine went on to this one belongs to it, and so do the lots that it drew from,
up to that moment. What those lots gave to other wines does not. The originals of corrected events
and the corrections stand beside what took effect.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ampelog import moments
from ampelog.facts import Entry, Paper, Summed
from ampelog.phrases import several
from ampelog.quantities import SHARE_DECIMALS, floor_text
from ampelog.questions import View
from ampelog.words import words

MANY = 500
"""Above so many events the trail leaves out those of lots that are hardly in the wine."""
LEAST = Fraction(1, 1000)
FOREVER = 2**62
Register = tuple[str, str]
"""Kind and name of what is registered."""

_FILLING = ("crush", "press", "rack", "barrel_down", "top", "blend", "bottle", "pack")


@dataclass(frozen=True)
class Logged:
    """One record: ``instant`` orders it, ``event`` is as recorded."""

    position: int
    recorded_at: str
    instant: int
    event: dict[str, Any]


@dataclass(frozen=True)
class Trail:
    """The trail as printed, what it sums, and when each lot first took anything in (a date)."""

    entries: tuple[Entry, ...]
    summed: tuple[Summed, ...]
    since: Mapping[str, str]


def trail(
    view: View, own: str, shares: Mapping[str, Fraction], registers: Collection[Register]
) -> Trail:
    """The trail of the lot ``own``; ``shares`` are those of all lots that its wine went through.

    ``registers`` are the (kind, name) of what its statements rest on: label, blocks, places.

    Where more than ``MANY`` events belong to it, those of lots below a share of ``LEAST`` are
    counted by lot.
    """
    logged = _logged(view, {own, *shares, *(name for _, name in registers)})
    corrections = _corrections(logged)
    lots_of = _registered(logged, corrections, registers, own)
    lots_of |= _resting(logged, corrections, own, {own, *shares}, view)
    many = len(lots_of) > MANY
    shown, left_out = [], dict[str, int]()
    for position, lots in lots_of.items():
        share = max(Fraction(1) if lot == own else shares.get(lot, Fraction(0)) for lot in lots)
        if many and share < LEAST:
            left_out[lots[0]] = left_out.get(lots[0], 0) + 1
        else:
            shown.append(position)
    by_position = {one.position: one for one in logged}
    ordered = sorted(
        (by_position[one] for one in shown), key=lambda one: (one.instant, one.position)
    )
    called = _called(logged)
    entries = tuple(_entry(view, one, corrections, called) for one in ordered)
    summed = tuple(
        Summed(lot, count, floor_text(shares.get(lot, Fraction(0)), SHARE_DECIMALS))
        for lot, count in sorted(left_out.items(), key=lambda item: (-shares[item[0]], item[0]))
    )
    return Trail(entries, summed, _since(logged, corrections, lots_of, view))


def _registered(
    logged: Sequence[Logged],
    corrections: Mapping[str, list[Logged]],
    registers: Collection[Register],
    own: str,
) -> dict[int, list[str]]:
    """The positions of what was registered of these names, and of corrections to it."""
    found: dict[int, list[str]] = {}
    for one in logged:
        if (one.event["kind"], str(one.event.get("name"))) in registers:
            for record in (one, *corrections.get(str(one.event["id"]).lower(), ())):
                found[record.position] = [own]
    return found


def _logged(view: View, lots: Collection[str]) -> list[Logged]:
    """All records that name one of the lots, and all corrections."""
    rows = view.ledger.rows(
        "events_of_lots",
        lots="\n".join(json.dumps(lot, ensure_ascii=False) for lot in sorted(lots)),
        upto=view.head.position,
        until=FOREVER if view.until is None else view.until,
    )
    return [
        Logged(position, recorded_at, int(instant), json.loads(body))
        for position, recorded_at, _, instant, body in rows
    ]


def _corrections(logged: Iterable[Logged]) -> dict[str, list[Logged]]:
    """The corrections of each event, by its id, in the order in which they were recorded."""
    found: dict[str, list[Logged]] = {}
    for one in logged:
        if one.event["kind"] == "correct":
            found.setdefault(one.event["corrects"].lower(), []).append(one)
    return found


@dataclass(frozen=True)
class _Effect:
    """An event as it takes effect, and all the records that tell of it."""

    instant: int
    position: int
    event: Mapping[str, Any]
    records: tuple[Logged, ...]
    struck: bool = False


def _effects(
    logged: Iterable[Logged], corrections: Mapping[str, list[Logged]], view: View
) -> Iterator[_Effect]:
    for one in logged:
        kind = one.event["kind"]
        if kind in ("correct", "clear"):
            continue
        mended = corrections.get(one.event["id"].lower(), [])
        new = mended[-1].event["replacement"] if mended else None
        if new is None:
            yield _Effect(one.instant, one.position, one.event, (one, *mended), bool(mended))
        else:
            instant = moments.instant(new["at"], view.zone)
            yield _Effect(instant, one.position, new, (one, *mended))


def _resting(
    logged: Sequence[Logged],
    corrections: Mapping[str, list[Logged]],
    own: str,
    lots: Collection[str],
    view: View,
) -> dict[int, list[str]]:
    """The positions that the wine rests on, each with the lots it is told of."""
    effects = sorted(
        _effects(logged, corrections, view),
        key=lambda one: (one.instant, one.position),
        reverse=True,
    )
    within = {own}
    found: dict[int, list[str]] = {}
    holds: dict[str, list[str]] = {}
    for one in effects:
        changed, drawn = _lots(one.event)
        names = [lot for lot in changed if lot in within]
        names += [own] if own in drawn and own not in names else []
        if not names:
            continue
        if not one.struck and any(lot in within for lot in changed):
            within.update(lot for lot in drawn if lot in lots)
        if one.event["kind"] == "hold":
            holds[str(one.event["id"]).lower()] = names
        for record in one.records:
            found[record.position] = names
    for record in logged:
        hold = str(record.event.get("hold")).lower()
        if record.event["kind"] == "clear" and hold in holds:
            found[record.position] = holds[hold]
    return found


def _lots(event: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """The lots that an event fills or is about, and those that it draws from."""
    drawn = _names(several(event.get("from")))
    if event["kind"] == "lot":
        return [event["name"]], _names(several(event.get("of")))
    if event["kind"] in _FILLING:
        return _names(several(event.get("to")) or (event,)), drawn
    if event["kind"] == "ship":
        return drawn or _names((event,)), []
    return _names((event,)), []


def _names(ends: Iterable[Mapping[str, Any]]) -> list[str]:
    return list(dict.fromkeys(end["lot"] for end in ends if isinstance(end.get("lot"), str)))


def _since(
    logged: Sequence[Logged],
    corrections: Mapping[str, list[Logged]],
    lots_of: Mapping[int, list[str]],
    view: View,
) -> dict[str, str]:
    """The day on which each lot first took something in, as far as the wine rests on it."""
    first: dict[str, int] = {}
    for one in _effects(logged, corrections, view):
        if one.struck or one.position not in lots_of:
            continue
        if one.event["kind"] not in (*_FILLING, "pick", "receive", "lot", "return"):
            continue
        for lot in _lots(one.event)[0]:
            first[lot] = min(first.get(lot, one.instant), one.instant)
    return {lot: moments.day(instant, view.zone).isoformat() for lot, instant in first.items()}


def _called(logged: Iterable[Logged]) -> Mapping[str, str]:
    return {str(one.event["id"]).lower(): f"{one.position}" for one in logged}


def _entry(
    view: View, one: Logged, corrections: Mapping[str, list[Logged]], called: Mapping[str, str]
) -> Entry:
    event = one.event
    mended = corrections.get(str(event["id"]).lower(), [])
    by = mended[-1].position if mended else None
    corrects = None
    if event["kind"] == "correct":
        later = corrections[event["corrects"].lower()][-1].position
        by = later if later != one.position else None
        original = called.get(event["corrects"].lower())
        corrects = int(original) if original else None
    recorded = moments.day(moments.from_stamp(one.recorded_at), view.zone)
    return Entry(
        position=one.position,
        at=event["at"],
        recorded_on=recorded.isoformat(),
        kind=event["kind"],
        says=words(event, lambda name: called.get(name.lower(), name)),
        by=event.get("by"),
        ref=event.get("ref"),
        papers=tuple(
            Paper(paper["title"], paper.get("sha256")) for paper in event.get("papers") or ()
        ),
        corrected_by=by,
        corrects=corrects,
    )
