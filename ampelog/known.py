"""Which events of a load are recorded already, and which clash with a recorded one."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from typing import Any

from msgspec.structs import replace

from ampelog.errors import Finding
from ampelog.history import corrected
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
    if ledger.head.position > 1:
        problems += _repeats(ledger, [one for one in entries if _is_bare(one, recorded)])
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


def _is_bare(one: Entry, recorded: dict[str, Record]) -> bool:
    """Whether nobody gave an entry its `id`, and it is not known by the one that a row gets."""
    if "id" not in one.event:
        return True
    return one.is_row and one.event["id"].lower() not in recorded


def _repeats(ledger: Ledger, bare: Sequence[Entry]) -> list[Finding]:
    """Events without `id` that equal in everything else a recorded one, or what a correction put
    in the place of one."""
    if not bare:
        return []
    said = _said(ledger, bare)
    found = []
    for one in bare:
        # Who did it was filled in where it was not said: then it tells nothing apart.
        before = said.get(_without(one.event, "id"))
        if before is not None:
            hint = "if it happened twice, tell them apart by time, paper or note, "
            hint += "or give each its `id`"
            if one.is_row:
                hint = f"leave the row out; {hint}"
            says = f"equals {before} in everything"
            found.append(Finding("likely repeat", one.where, says, hint))
    return found


def _said(ledger: Ledger, bare: Sequence[Entry]) -> dict[str, str]:
    """What is recorded of the moments of entries, and what corrections say now: by all that it
    says but its `id`, with and without who did it, how it is named to people."""
    found: dict[str, str] = {}
    moments_asked = "\n".join(sorted({str(one.instant) for one in bare}))
    told = [
        (json.loads(body), f"event {position}")
        for position, body in ledger.rows("events_at", instant=moments_asked)
    ]
    told += [
        (one.replacement, f"the replacement in event {one.position}")
        for one in corrected(ledger, ledger.head.position).values()
        if one.replacement is not None
    ]
    for event, named in told:
        for form in (_without(event, "id"), _without(event, "id", "by")):
            found.setdefault(form, named)
    return found


def _without(event: dict[str, Any], *fields: str) -> str:
    return json.dumps({k: v for k, v in event.items() if k not in fields}, sort_keys=True)
