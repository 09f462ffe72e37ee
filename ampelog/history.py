"""The recorded events as steps: read from the ledger, corrected, in order of time."""

from __future__ import annotations

import gc
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ampelog import moments
from ampelog.excerpt import trimmed
from ampelog.ledger import Ledger, Record
from ampelog.steps import Correction, Step, in_order
from ampelog.told import told


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
    return moments.zone_of(ledger.records(1, 1)[0].event["timezone"])


def read(records: Iterable[Record], zone: ZoneInfo) -> tuple[list[Step], list[Correction]]:
    """The steps and corrections of these records."""
    steps: list[Step] = []
    corrections: list[Correction] = []
    for record in records:
        event = json.loads(record.body)
        place = where(record.position, event)
        model = told(event)
        at = record.position
        step = Step(record.instant, at, at, event["id"].lower(), event, model, False, place)
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
        steps = in_order(*read(ledger.records(1, upto), zone_of(ledger)))
        return steps if ledger.within is None else trimmed(steps, ledger.within)
