"""Whether a load may change earlier answers: asked of every one, before anything else is."""

from __future__ import annotations

from collections.abc import Sequence

from ampelog import projection
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.questions import View
from ampelog.registers import KINDS as REGISTERS


def reaches_back(ledger: Ledger, entries: Sequence[Entry]) -> bool:
    """Whether a load is late, corrects, or registers anew what is registered already: then earlier
    answers may change. Forms need not be checked yet."""
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    last = projection.last_order(ledger)[0]
    registered = {(one.event.get("kind"), one.event.get("name")) for one in entries}
    if any(kind == "correct" for kind, _ in registered):
        return True
    if any(one.instant < last for one in entries if one.event.get("kind") not in REGISTERS):
        return True
    names = [(kind, name) for kind, name in registered if kind in REGISTERS and name]
    registers = View(ledger).cellar.registers if names else None
    return registers is not None and any(registers.knows(str(k), str(n)) for k, n in names)
