"""What is odd in the events themselves: what the replay noticed, what was entered late, corrected,
received without a paper, and what is on hold.

Whether an entry is late is counted in business days, Monday to Friday; holidays are not known
here, so that an entry after one may be told though it was in time.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from msgspec import Struct, field

from ampelog import history, moments
from ampelog.errors import Finding
from ampelog.phrases import listed
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.stock import on_hold
from ampelog.words import words

BUSINESS_DAYS = 3
LATE_SOURCE = "27 CFR 24.300: secondary books are entered within three business days"
"""As read in a consolidated text of 24.300(a)-(c)."""
_WEEKEND = 5
NOT_WORK = frozenset(
    {"place", "block", "party", "premises", "material", "vessel", "lot", "label", "correct"}
)
"""Registers, and corrections, which are of the day on which they are decided."""


class Odd(Struct, frozen=True):
    """One odd thing: ``finding`` its short name, ``on`` the day it is about, ``position`` that of
    its event, ``more`` further keys for JSON."""

    finding: str
    event: str | None
    lot: str | None
    says: str
    on: date | None = None
    position: int | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


class Told(Struct, frozen=True):
    """An event as recorded: its position, when, and what it said."""

    position: int
    recorded_at: str
    event: dict[str, Any]


class Log:
    """The events as recorded, and when they happened."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.told = [
            Told(one.position, one.recorded_at, json.loads(one.body))
            for one in view.ledger.records(1, view.head.position)
        ]
        self.by_id = {one.event["id"].lower(): one for one in self.told}
        self.corrected = history.corrected(view.ledger, view.head.position)

    @cached_property
    def whole(self) -> View:
        """The view with all that has happened in memory: of every bottled lot much is asked."""
        cellar, steps = self.view.beginning(), self.view.steps
        with history.still():
            apply(cellar, steps)
        return self.view.again(steps, cellar)

    @cached_property
    def seals(self) -> list[int]:
        """The last positions of all loads, in order."""
        return sorted(position for position, *_ in self.view.ledger.rows("ledger_seals"))

    def day(self, event: Mapping[str, Any], at: str = "at") -> date:
        """The day of an event at the premises."""
        return moments.day(moments.instant(event.get(at) or event["at"], self.view.zone), self.zone)

    @property
    def zone(self) -> Any:
        """The premises' zone."""
        return self.view.zone

    def reads(self, id_: str) -> dict[str, Any] | None:
        """An event as it reads now; None where it is struck, or unknown."""
        mended = self.corrected.get(id_.lower())
        if mended is not None:
            return mended.replacement
        told = self.by_id.get(id_.lower())
        return None if told is None else told.event

    def within(self, event: Mapping[str, Any]) -> bool:
        """Whether an event had happened by the day of the question."""
        until = self.view.until
        return until is None or moments.instant(event["at"], self.zone) <= until


def of_replay(log: Log) -> Iterator[Odd]:
    """What the cellar noticed while the events happened."""
    for one in log.whole.cellar.findings:
        yield _about(log, one)


def _about(log: Log, one: Finding) -> Odd:
    event = log.reads(one.event) if one.event else None
    told = log.by_id.get(one.event.lower()) if one.event else None
    return Odd(
        one.rule,
        one.event,
        one.lot,
        one.says,
        log.day(event) if event else None,
        told.position if told else None,
    )


def explained(log: Log) -> Iterator[Odd]:
    """Shortfalls that say why, in the writer's words. Gains are told by the replay."""
    for step in log.view.steps:
        if step.event["kind"] != "loss" and step.event.get("loss"):
            on = moments.day(step.instant, log.zone)
            lot = lot_of(step.event)
            yield Odd("shortfall explained", step.id, lot, words(step.event), on, step.position)


def lot_of(event: Mapping[str, Any]) -> str | None:
    """The lot that an event is first about: its own, else the first it fills, else draws."""
    for side in (event, event.get("to"), event.get("from")):
        ends = side if isinstance(side, list) else [side]
        for end in ends:
            if isinstance(end, Mapping) and end.get("lot"):
                return str(end["lot"])
    return str(event["name"]) if event["kind"] == "lot" else None


def late(log: Log) -> Iterator[Odd]:
    """What was entered more than three business days after the day on which it ended."""
    for told in log.told[1:]:
        event = told.event
        if event["kind"] in NOT_WORK or not log.within(event):
            continue
        done = log.day(event, "until")
        entered = moments.day(moments.from_stamp(told.recorded_at), log.zone)
        days = business_days(done, entered)
        if days > BUSINESS_DAYS:
            says = (
                f"{event['kind'].replace('_', ' ')} of {done}, entered {entered}: {days} business "
                f"days after"
            )
            yield Odd(
                "entered late",
                event["id"],
                lot_of(event),
                says,
                done,
                told.position,
                {"entered_on": entered.isoformat(), "business_days": days},
            )


def business_days(first: date, last: date) -> int:
    """The days from Monday to Friday after the first day, up to the last one.

    On Friday for Friday's work it is 0, on Monday 1. Holidays count as any day.
    """
    if last <= first:
        return 0
    weeks, rest = divmod((last - first).days, 7)
    extra = sum((first + timedelta(days=n)).weekday() < _WEEKEND for n in range(1, rest + 1))
    return weeks * _WEEKEND + extra


def corrections(log: Log) -> Iterator[Odd]:
    """Each correction in force: what was said before, and what is said now."""
    for key, standing in log.corrected.items():
        told, by = log.by_id.get(key), log.told[standing.position - 1]
        if told is None or not log.within(told.event):
            continue
        before = words(told.event)
        after = words(standing.replacement) if standing.replacement else "struck out"
        decided = log.day(by.event)
        moved = ""
        if standing.replacement and standing.replacement["at"] != told.event["at"]:
            moved = f" It is of {standing.replacement['at']} now, not of {told.event['at']}."
        yield Odd(
            "correction",
            told.event["id"],
            lot_of(standing.replacement or told.event),
            f"Event {told.position} said: {before} Now: {after}{moved} ({by.event['reason']})",
            decided,
            told.position,
            {"before": before, "after": after + moved, "reason": by.event["reason"]},
        )


def without_papers(log: Log) -> Iterator[Odd]:
    """What came in and names no paper: neither `ref`, nor `document`, nor a scanned file."""
    for step in log.view.steps:
        event = step.event
        if event["kind"] == "receive" and not any(
            event.get(key) for key in ("ref", "document", "papers")
        ):
            on = moments.day(step.instant, log.zone)
            says = f"{words(event)} No paper is named."
            yield Odd("receipt without papers", step.id, lot_of(event), says, on, step.position)


def holds(log: Log) -> Iterator[Odd]:
    """The holds in force, with the lots that they bind now."""
    view = log.view
    active = {hold for ids in view.cellar.holds.active.values() for hold in ids}
    held = {lot.name: on_hold(view, lot) for lot in view.held_lots()}
    for hold in sorted(active):
        event, told = log.reads(hold), log.by_id.get(hold)
        if event is None or told is None:
            continue
        lots = [name for name, ids in held.items() if hold in ids]
        binds = f"it binds {listed(lots)}" if lots else "nothing that is held has any of it"
        on = log.day(event)
        about = lot_of(event) or (lots[0] if lots else None)
        says = f"{words(event)} In force since {on}: {binds}."
        yield Odd("hold in force", hold, about, says, on, told.position, {"holds": lots})
