"""Whether a load may change earlier answers: asked of every one, before anything else is."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

from ampelog import moments, projection
from ampelog.history import zone_of
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.questions import ALWAYS
from ampelog.registers import KINDS as REGISTERS

_USING = "\n".join(("treat", "ferment", "bottle", "pack"))
_APART = REGISTERS | {"correct"}
"""Kinds by which nothing happens, for the most part."""


def reaches_back(ledger: Ledger, entries: Sequence[Entry]) -> bool:
    """Whether a load is late, corrects what is recorded, or registers anew what is registered
    already: then earlier answers may change. Forms need not be checked yet. Of the home premises
    alone nothing was ever answered."""
    return ledger.head.position > 1 and _reaches_back(ledger, entries)


def _reaches_back(ledger: Ledger, entries: Sequence[Entry]) -> bool:
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    last = projection.last_order(ledger)[0]
    apart = [one for one in entries if one.event.get("kind") in _APART]
    corrections = [one.event for one in apart if one.event["kind"] == "correct"]
    if corrections and _mended_before(ledger, corrections, last):
        return True
    if any(one.instant < last and _takes_place(one.event) for one in entries):
        return True
    said = [one for one in apart if one.event["kind"] != "correct"]
    # From a second premises on nobody knows where a vessel stands that names none.
    if any(one.event["kind"] == "premises" and one.instant <= last for one in said):
        return True
    saying = [one.event for one in said]
    names = {(event["kind"], str(event["name"])) for event in saying if event.get("name")}
    if not names:
        return False
    if _first_said_of(ledger, saying):
        return True
    asked = "\n".join({name for _, name in names})
    return any((kind, name) in names for kind, name, *_ in ledger.rows("registrations", name=asked))


def _first_said_of(ledger: Ledger, saying: Sequence[Mapping[str, Any]]) -> bool:
    """Whether lots that are there get a label, a style or an owner, vessels that were used a place,
    or materials what they are made of: what is registered first holds from the beginning."""
    lots = _named(saying, "lot", "label", "style", "owner")
    if lots and ledger.rows("lot_states", lot="\n".join(lots)):
        return True
    vessels = _named(saying, "vessel", "premises")
    used = ("vessel_names", "vessels_used") if vessels else ()
    if any(name in vessels for query in used for (name,) in ledger.rows(query)):
        return True
    span = {"upto": ledger.head.position, "since": -ALWAYS, "until": ALWAYS}
    texts = [json.dumps(one, ensure_ascii=False) for one in _named(saying, "material", "is")]
    return any(ledger.rows("events_saying", kinds=_USING, text=one, **span) for one in texts)


def _named(saying: Sequence[Mapping[str, Any]], kind: str, *fields: str) -> set[str]:
    """The names of a kind of which one of these fields is said."""
    said = [event for event in saying if event["kind"] == kind]
    return {str(event.get("name")) for event in said if not event.keys().isdisjoint(fields)}


def _takes_place(event: Mapping[str, Any]) -> bool:
    """Whether something happens by an event: a register only says what is so, but for the new name
    of a lot."""
    return event.get("kind") not in REGISTERS or bool(event.get("of"))


def _mended_before(ledger: Ledger, corrections: Sequence[Mapping[str, Any]], last: int) -> bool:
    """Whether one of these corrections is of a recorded event, or says that one of the load's own
    happened before the last that is recorded. One that cannot be read might be either."""
    with suppress(Exception):
        zone = zone_of(ledger)
        said = [one["replacement"] for one in corrections if one["replacement"] is not None]
        late = any(moments.instant(one["at"], zone) < last for one in said)
        return late or bool(ledger.known([one["corrects"] for one in corrections]))
    return True
