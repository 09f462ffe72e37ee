"""The recorded events as steps: read from the ledger, corrected, in order of time."""

from __future__ import annotations

import gc
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from msgspec.json import decode

from ampelog import moments
from ampelog.excerpt import trimmed
from ampelog.ledger import Ledger
from ampelog.steps import Correction, Step, in_order
from ampelog.told import Unread, told


@contextmanager
def still() -> Iterator[None]:
    """No collecting of garbage while millions of small things that stay are made."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.freeze()  # what stays is not looked through again
            gc.enable()


def where(position: int, event: dict[str, Any]) -> str:
    """How a recorded event is named to people."""
    return f"event {position} ({event['kind']} of {event['at']})"


def zone_of(ledger: Ledger) -> ZoneInfo:
    """The zone of the home premises, the first event of every ledger."""
    return moments.zone_of(ledger.home["timezone"])


def recorded(ledger: Ledger, upto: int | None = None) -> tuple[list[Step], list[Correction]]:
    """The steps and corrections recorded up to a position (the head when None)."""
    rows = ledger.rows("event_bodies", upto=ledger.head.position if upto is None else upto)
    return read(rows, zone_of(ledger))


def read(
    rows: Sequence[tuple[int, int, str]], zone: ZoneInfo
) -> tuple[list[Step], list[Correction]]:
    """The steps and corrections of recorded events: position, instant (us UTC), canonical JSON."""
    steps: list[Step] = []
    corrections: list[Correction] = []
    for position, instant, body in rows:
        event = decode(body)
        place = where(position, event)
        step = Step(
            instant, position, position, event["id"].lower(), event, Unread(event), False, place
        )
        steps.append(step)
        if event["kind"] == "correct":
            corrections.append(correction(step, zone))
    return steps, corrections


class InForce(NamedTuple):
    """A correction that holds until another of the same event: its position, and what the event
    reads now (None: struck)."""

    position: int
    replacement: dict[str, Any] | None


def corrected(ledger: Ledger, upto: int) -> dict[str, InForce]:
    """By id (in lower case) of each event corrected up to a position: the correction in force."""
    found = {}
    for position, body in ledger.rows("corrections"):
        if position <= upto:
            event = json.loads(body)
            found[event["corrects"].lower()] = InForce(position, event["replacement"])
    return found


def correction(step: Step, zone: ZoneInfo) -> Correction:
    """What a `correct` event puts in the place of its original."""
    event = step.event["replacement"]
    corrects = step.event["corrects"].lower()
    if event is None:
        return Correction(corrects, step.position, None, None, 0, step.new, step.where)
    return Correction(
        corrects,
        step.position,
        event,
        told(event),
        moments.instant(event["at"], zone),
        step.new,
        step.where,
    )


def steps_of(ledger: Ledger, upto: int | None = None) -> list[Step]:
    """All steps as known at a position, in order of time; of an excerpt of a log, as they happened
    to the lots that it is about."""
    with still():
        steps = in_order(*recorded(ledger, upto))
        return steps if ledger.within is None else trimmed(steps, ledger.within)
