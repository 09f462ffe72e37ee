"""A correction, from the event as it reads now and the fields that read otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog import history, shorthand
from ampelog.errors import Refused
from ampelog.ledger import Ledger

_KEPT_OUT = ("id",)
"""Fields of a recorded event that its replacement does not bear (EVENTS.md, Corrections)."""

_WHOLE = ("from", "to", "of")
"""Fields that a correction gives anew as a whole: endpoints."""


def correction(
    ledger: Ledger, which: str, pairs: Sequence[str], reason: str, *, strike: bool
) -> dict[str, Any]:
    """The ``correct`` event without its time: ``which`` is a position or an id; ``pairs`` are
    ``key=value``, ``null`` or nothing clears a field, dotted keys reach into objects.

    ``Refused`` where there is no such event, nothing is changed, or no reason is given.
    """
    if not reason.strip():
        raise Refused("a correction says why", hint='--reason "the tag was misread"')
    if strike == bool(pairs):
        raise Refused(
            "say what reads otherwise, or --strike where it never happened",
            hint='as in `ampelog correct 517 mass="410 lb" --reason ...`',
        )
    original = _original(ledger, which)
    told: dict[str, Any] = {"kind": "correct", "corrects": original["id"], "reason": reason}
    if strike:
        return {**told, "replacement": None}
    now = reads_now(ledger, original["id"])
    if now is None:
        now = {key: value for key, value in original.items() if key not in _KEPT_OUT}
    given = shorthand.event(now["kind"], [pair for pair in pairs if not _clears(pair)])
    given.pop("kind")
    replacement = _with(now, given)
    for pair in pairs:
        if _clears(pair):
            _clear(replacement, pair.partition("=")[0])
    if replacement == now:
        raise Refused("nothing would read otherwise", hint="name a field and its right value")
    return {**told, "replacement": replacement}


def reads_now(ledger: Ledger, id_: str) -> dict[str, Any] | None:
    """An event as its last correction has it, without its id; None where it is struck."""
    in_force = history.corrected(ledger, ledger.head.position).get(id_.lower())
    event = in_force.replacement if in_force is not None else ledger.known([id_])[id_.lower()].event
    if event is None:
        return None
    return {key: value for key, value in event.items() if key not in _KEPT_OUT}


def _original(ledger: Ledger, which: str) -> dict[str, Any]:
    """The event of a position or id; of a correction, what it corrects."""
    if which.isascii() and which.isdigit():
        if not 1 <= int(which) <= ledger.head.position:
            raise Refused(
                f"there is no position {which}: the ledger ends at {ledger.head.position}",
                hint="`ampelog log` lists the events with their positions",
            )
        event = ledger.records(int(which), int(which))[0].event
    else:
        found = ledger.known([which])
        if not found:
            raise Refused(
                f"no event has the id `{which}`",
                hint="give a position of `ampelog log`, or an id",
            )
        event = next(iter(found.values())).event
    if event["kind"] == "correct":
        return ledger.known([event["corrects"]])[event["corrects"].lower()].event
    return event


def _clears(pair: str) -> bool:
    return pair.partition("=")[2] in ("", "null") and "=" in pair


def _with(now: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """The fields of ``now`` with those given in their place; objects are gone into, endpoints and
    lists replaced whole."""
    made = dict(now)
    for key, value in given.items():
        there: Any = made.get(key)
        inside = isinstance(there, dict) and isinstance(value, dict)
        made[key] = _with(there, value) if inside and key not in _WHOLE else value
    return made


def _clear(made: dict[str, Any], key: str) -> None:
    *path, last = key.split(".")
    there: Any = made
    for step in path:
        there = there.get(step) if isinstance(there, dict) else None
    if not isinstance(there, dict) or last not in there:
        raise Refused(f"`{key}` is not there to be cleared")
    del there[last]
