"""What an event would do: what its lots hold before and after, tried in a transaction that is
never committed. Whatever would refuse it is raised as for a load."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from ampelog import history, projection
from ampelog.errors import Finding
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.quantities import text
from ampelog.recording import Tick, supposed
from ampelog.roster import names_of
from ampelog.state import BOTTLES, MASS, VOLUME, Lot


class Effect(Struct, frozen=True):
    """The holdings that change, and what is odd about it."""

    rows: list[dict[str, Any]]
    findings: tuple[Finding, ...]


def effect(ledger: Ledger, entry: Entry, *, by: str, now: int, tick: Tick | None = None) -> Effect:
    """What one event would do to the lots that it names; ``Refused`` where it cannot be recorded.

    Of a late event the holdings of today are compared.
    """
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    names = projection.named(entry.event)
    before = _held(ledger, names)
    with supposed(ledger, [entry], by=by, now=now, tick=tick) as findings:
        after = _held(ledger, names)
    rows = []
    for key in dict.fromkeys((*before, *after)):
        sort, was = before.get(key, (after.get(key, (VOLUME, 0))[0], 0))
        _, then = after.get(key, (sort, 0))
        if was != then:
            unit = "kg" if sort == MASS else "l"
            rows.append(
                {
                    "lot": key[0],
                    "vessel": key[1],
                    f"before_{unit}": text(was),
                    f"after_{unit}": text(then),
                }
            )
    return Effect(rows, findings)


def offers(ledger: Ledger) -> dict[str, list[str]]:
    """What the ledger holds, for whoever is asked: names, and the holdings as endpoints begin
    (``holding`` of liquids, ``fruit`` of what is weighed, ``bottles``), and the vessels of each
    lot under ``in LOT``."""
    found = names_of(ledger)
    for lot in projection.held_lots(ledger):
        kind = {MASS: "fruit", BOTTLES: "bottles"}.get(lot.sort, "holding")
        for vessel in lot.holdings:
            place = lot.name if vessel is None else f"{lot.name}@{vessel}"
            found.setdefault(kind, []).append(place)
            if vessel is not None:
                found.setdefault(f"in {lot.name}", []).append(vessel)
    return found


def _held(ledger: Ledger, names: set[str]) -> dict[tuple[str, str | None], tuple[str, int]]:
    cellar = projection.standing(ledger, history.zone_of(ledger), names)
    found: dict[tuple[str, str | None], tuple[str, int]] = {}
    for name in sorted(names):
        lot: Lot | None = cellar.lots.get(name)
        if lot is not None:
            found |= {(name, v): (lot.sort, held.amount) for v, held in lot.holdings.items()}
    return found
