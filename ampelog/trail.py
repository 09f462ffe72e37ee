"""The events that a wine rests on: those that carried wine into it, and what was done to it.

Found by one walk backward in time over the events as they take effect, lot by lot: an event that
filled a lot whose wine went on to this one belongs to it, and so do the lots that it drew from,
up to that moment. What those lots gave to other wines does not. The originals of corrected events
and the corrections stand beside what took effect.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec import Struct

from ampelog import moments
from ampelog.cellar_work import naming
from ampelog.facts import Entry, Paper, Summed
from ampelog.phrases import several
from ampelog.quantities import SHARE_DECIMALS, floor_text
from ampelog.questions import View
from ampelog.words import words

MANY, MOST = 500, 1000
"""Above so many events the trail leaves out those of lots that are hardly in the wine; and above so
many of the rest, the largest groups of one lot and kind."""
LEAST = Fraction(1, 1000)
Register = tuple[str, str]
"""Kind and name of what is registered."""

_FILLING = ("crush", "press", "rack", "barrel_down", "top", "blend", "bottle", "pack")


class Logged(Struct, frozen=True):
    """One record: ``instant`` orders it, ``event`` is as recorded."""

    position: int
    recorded_at: str
    instant: int
    event: dict[str, Any]


class Effect(Struct, frozen=True):
    """An event as it takes effect, and all the records that tell of it."""

    instant: int
    position: int
    event: Mapping[str, Any]
    records: tuple[Logged, ...]
    struck: bool = False


class Trail(Struct, frozen=True):
    """The trail as printed, what it sums, when each lot first took anything in (a date), and all
    that took effect, in order of time."""

    entries: tuple[Entry, ...]
    summed: tuple[Summed, ...]
    since: Mapping[str, str]
    effects: tuple[Effect, ...]


def trail(
    view: View, own: str, shares: Mapping[str, Fraction], registers: Collection[Register]
) -> Trail:
    """The trail of the lot ``own``; ``shares`` are those of all lots that its wine went through.

    ``registers`` are the (kind, name) of what its statements rest on: label, blocks, places.

    Where more than ``MANY`` events belong to it, those of lots below a share of ``LEAST`` are
    counted by lot, and of more than ``MOST`` the largest groups by lot and kind.
    """
    logged = _logged(view, {own, *shares, *(name for _, name in registers)})
    corrections = _corrections(logged)
    effects = list(_effects(logged, corrections, view))
    lots_of = _registered(logged, corrections, registers, own)
    lots_of |= _resting(logged, effects, own, {own, *shares})
    by_position = {one.position: one for one in logged}
    left_out = _left_out(lots_of, by_position, shares, own)
    ordered = sorted(
        (by_position[one] for one in lots_of if one not in left_out),
        key=lambda one: (one.instant, one.position),
    )
    called = _called(logged)
    entries = tuple(_entry(view, one, corrections, called) for one in ordered)
    happened = sorted(
        (one for one in effects if one.position in lots_of and not one.struck),
        key=lambda one: (one.instant, one.position),
    )
    return Trail(
        entries,
        _summed(left_out, by_position, shares, view),
        _since(happened, view),
        tuple(happened),
    )


Group = tuple[str, str | None]
"""The events of a lot, of one kind or of all."""


def _left_out(
    lots_of: Mapping[int, list[str]],
    by_position: Mapping[int, Logged],
    shares: Mapping[str, Fraction],
    own: str,
) -> dict[int, Group]:
    """The positions that are counted and not printed, each with the group that counts it: those of
    lots that are hardly in the wine, then of the largest groups of one lot and kind, readings and
    toppings most often."""
    if len(lots_of) <= MANY:
        return {}
    found: dict[int, Group] = {}
    groups: dict[Group, list[int]] = {}
    for position, lots in lots_of.items():
        share = max(Fraction(1) if lot == own else shares.get(lot, Fraction(0)) for lot in lots)
        if share < LEAST:
            found[position] = (lots[0], None)
        else:
            group = (lots[0], str(by_position[position].event["kind"]))
            groups.setdefault(group, []).append(position)
    printed = sum(map(len, groups.values()))
    for large, positions in sorted(groups.items(), key=lambda one: (-len(one[1]), one[0])):
        if printed <= MOST:
            break
        found |= dict.fromkeys(positions, large)
        printed -= len(positions)
    return found


def _summed(
    left_out: Mapping[int, Group],
    by_position: Mapping[int, Logged],
    shares: Mapping[str, Fraction],
    view: View,
) -> tuple[Summed, ...]:
    """What is counted, by lot and kind, the most of the wine first."""
    groups: dict[Group, list[int]] = {}
    for position, group in left_out.items():
        groups.setdefault(group, []).append(by_position[position].instant)
    rows = [
        Summed(
            lot,
            kind,
            len(instants),
            moments.day(min(instants), view.zone).isoformat(),
            moments.day(max(instants), view.zone).isoformat(),
            floor_text(shares.get(lot, Fraction(0)), SHARE_DECIMALS),
        )
        for (lot, kind), instants in groups.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-Fraction(row.share), row.lot, row.kind or "")))


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
    rows = naming(view, lots)
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


def _effects(
    logged: Iterable[Logged], corrections: Mapping[str, list[Logged]], view: View
) -> Iterator[Effect]:
    for one in logged:
        kind = one.event["kind"]
        if kind in ("correct", "clear"):
            continue
        mended = corrections.get(one.event["id"].lower(), [])
        new = mended[-1].event["replacement"] if mended else None
        if new is None:
            yield Effect(one.instant, one.position, one.event, (one, *mended), bool(mended))
        else:
            instant = moments.instant(new["at"], view.zone)
            yield Effect(instant, one.position, new, (one, *mended))


def _resting(
    logged: Sequence[Logged], effects: Iterable[Effect], own: str, lots: Collection[str]
) -> dict[int, list[str]]:
    """The positions that the wine rests on, each with the lots it is told of."""
    latest = sorted(effects, key=lambda one: (one.instant, one.position), reverse=True)
    within = {own}
    found: dict[int, list[str]] = {}
    holds: dict[str, list[str]] = {}
    for one in latest:
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


def _since(happened: Iterable[Effect], view: View) -> dict[str, str]:
    """The day on which each lot first took something in, as far as the wine rests on it."""
    first: dict[str, int] = {}
    for one in happened:
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
