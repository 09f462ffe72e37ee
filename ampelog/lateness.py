"""Whether a load may change earlier answers: asked of every one, before anything else is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

from ampelog import moments, projection
from ampelog.history import zone_of
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.questions import View
from ampelog.registers import KINDS as REGISTERS


def reaches_back(ledger: Ledger, entries: Sequence[Entry]) -> bool:
    """Whether a load is late, corrects what is recorded, or registers anew what is registered
    already: then earlier answers may change. Forms need not be checked yet."""
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    last = projection.last_order(ledger)[0]
    registered = {(one.event.get("kind"), one.event.get("name")) for one in entries}
    corrections = [one.event for one in entries if one.event.get("kind") == "correct"]
    if corrections and _mended_before(ledger, corrections, last):
        return True
    if any(one.instant < last for one in entries if _takes_place(one.event)):
        return True
    names = [(kind, name) for kind, name in registered if kind in REGISTERS and name]
    if not names:
        return False
    if _first_said_of(ledger, entries):
        return True
    registers = View(ledger).cellar.registers
    return any(registers.knows(str(kind), str(name)) for kind, name in names)


def _first_said_of(ledger: Ledger, entries: Sequence[Entry]) -> bool:
    """Whether lots that are there get a label or an owner: what is registered first holds from the
    beginning."""
    said = [one.event for one in entries if one.event.get("kind") == "lot"]
    names = {str(event.get("name")) for event in said if not {"label", "owner"}.isdisjoint(event)}
    return bool(names) and bool(ledger.rows("lot_states", lot="\n".join(names)))


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
