"""Which events of a load are recorded already, and which clash with a recorded one."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from typing import Any

from msgspec.structs import replace

from ampelog.errors import Finding
from ampelog.ledger import Ledger, Record
from ampelog.lines import Entry

VARIANT = 0b10
"""The variant bits of a UUID (RFC 9562, 4.1)."""


def unknown(
    ledger: Ledger, entries: Sequence[Entry], by: str
) -> tuple[list[Entry], int, list[Finding]]:
    """The entries that are not recorded yet, with `id` and `by`; how many are; what clashes."""
    ids = [one.event["id"].lower() for one in entries if "id" in one.event]
    recorded = ledger.known(ids) if ids else {}
    new: list[Entry] = []
    here: dict[str, dict[str, Any]] = {}
    problems: list[Finding] = []
    known = 0
    fresh_ids = _fresh_ids()
    for one in entries:
        event = one.event
        if "id" in event:
            key = event["id"].lower()
            before = here.get(key) or (recorded[key].event if key in recorded else None)
            if before is not None:
                if _same(event, before):
                    known += 1
                else:
                    problems.append(_other_content(one, key, recorded))
                continue
            here[key] = event
        else:
            event = {"by": by, **event, "id": next(fresh_ids)}
        if "by" not in event:
            event = {**event, "by": by}
        new.append(one if event is one.event else replace(one, event=event))
    problems += _repeats(ledger, entries)
    return new, known, problems


def _fresh_ids() -> Iterator[str]:
    """UUIDs of version 7. Some thousands are counted up from one that is drawn, by random steps
    (RFC 9562, 6.2, method 2: monotonic random); then another is drawn."""
    from uuid6 import uuid7

    while True:
        drawn = str(uuid7())
        front, last = drawn[:24], int(drawn[24:], 16)
        for step in memoryview(os.urandom(8192)).cast("H"):
            if last >> 48:
                break  # the twelve last digits are used up
            yield f"{front}{last:012x}"
            last += 1 + step


def _same(event: dict[str, Any], before: dict[str, Any]) -> bool:
    if "by" not in event:
        before = {key: value for key, value in before.items() if key != "by"}
    return {**event, "id": ""} == {**before, "id": ""}


def _other_content(one: Entry, key: str, recorded: dict[str, Record]) -> Finding:
    place = f"at position {recorded[key].position}" if key in recorded else "earlier in this load"
    return Finding(
        "same id, other content",
        one.where,
        f"the id {key} stands {place} with other content",
        "a recorded event is never changed: record a `correct` event, or give this one its own id",
        key,
    )


def _repeats(ledger: Ledger, entries: Sequence[Entry]) -> list[Finding]:
    """Events without `id` that equal a recorded one in everything else."""
    bare = [one for one in entries if "id" not in one.event]
    if not bare or ledger.head.position == 1:
        return []
    moments_asked = "\n".join(sorted({str(one.instant) for one in bare}))
    recorded: dict[str, int] = {}
    for position, body in ledger.rows("events_at", instant=moments_asked):
        event = json.loads(body)
        for form in (_without(event, "id"), _without(event, "id", "by")):
            recorded.setdefault(form, position)
    found = []
    for one in bare:
        # Who did it was filled in where it was not said: then it tells nothing apart.
        position = recorded.get(_without(one.event, "id"))
        if position is not None:
            found.append(
                Finding(
                    "likely repeat",
                    one.where,
                    f"equals event {position} in everything",
                    "if it happened twice, tell them apart by time, paper or note, "
                    "or give each its `id`",
                )
            )
    return found


def _without(event: dict[str, Any], *fields: str) -> str:
    return json.dumps({k: v for k, v in event.items() if k not in fields}, sort_keys=True)
