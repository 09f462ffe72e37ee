"""Making a ledger, and proving that it is whole: the log, the projection, the balances."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ampelog import history, moments, projection
from ampelog import ledger as ledgers
from ampelog.cellar import Cellar
from ampelog.database import Database
from ampelog.errors import Finding, Refused
from ampelog.graph import Ferment
from ampelog.journal import Mark
from ampelog.ledger import Draft, Head, Ledger
from ampelog.moments import NotATime
from ampelog.replay import begun
from ampelog.state import UNITS
from ampelog.stood import told_again

HOME_AT = "1900-01-01"


def init(path: Path, premises: str, timezone: str, by: str, now: int) -> Head:
    """Make a ledger whose first event is its home premises; refuses to overwrite one. The first
    load projects it."""
    from uuid6 import uuid7

    from ampelog.lines import Entry, entry

    try:
        zone = moments.zone_of(timezone)
    except NotATime as problem:
        raise Refused(str(problem)) from None
    event = {
        "kind": "premises",
        "at": HOME_AT,
        "name": premises,
        "timezone": timezone,
        "id": str(uuid7()),
        "by": by,
    }
    found = entry(event, "init", zone, now)
    if not isinstance(found, Entry):
        raise Refused("no ledger was made", found)
    return ledgers.create(path, Draft(event, found.instant), moments.to_stamp(now))


class _Built(Ledger):
    """A ledger whose files have not their names yet."""

    def __init__(self, database: Database, ledger_id: str, mark: Mark) -> None:
        self.path, self.writable, self.notices = database.path, True, []
        self._behind, self._database, self._mark = False, database, mark
        self.ledger_id = ledger_id


def restore(source: Path, path: Path) -> tuple[int, Head]:
    """A new ledger from an export, projected (``keeping.restore``)."""
    return ledgers.restore(source, path, lambda *built: project(_Built(*built)))


def repair(path: Path, wait: float = 10) -> tuple[Head, list[Path]]:
    """Mend one half of a ledger from the other (``repairing.repair``), and project it."""
    built: list[Ledger] = []

    def finish(*made: Any) -> None:
        built.append(_Built(*made))
        project(built[0])

    done = ledgers.repair(path, wait, finish)
    if not built:  # the database is the one that was there
        with ledgers.opened(path, write=True, wait=wait) as ledger:
            project(ledger)
    return done


def project(ledger: Ledger) -> None:
    """Write the projection of a ledger where it does not stand for the whole log."""
    if not projection.is_current(ledger):
        projection.rebuild(ledger)


def verify(ledger: Ledger) -> dict[str, Any]:
    """The log against its tree, the journal against the log, the projection against a fresh
    one, the balances."""
    findings = list(ledgers.verify(ledger))
    checked = {"log": ledger.head.position, "journal": ledger.head.position}
    if not findings:
        steps = history.steps_of(ledger)
        cellar = begun(steps, history.zone_of(ledger))
        # One that does not stand for the whole log is used by nothing until the next load.
        current = projection.is_current(ledger)
        with history.still():
            refusals, stands = told_again(ledger, cellar, steps)
        findings += refusals
        findings += _projection(ledger, cellar, stands) if current else []
        checked["projection"] = len(cellar.graph.nodes) if current else 0
        checked["balances"] = 0
        for lot in cellar.lots.values():
            for unit, tally in lot.tallies.items():
                checked["balances"] += 1
                held = lot.amount if UNITS[lot.sort] == unit else 0
                if tally.held() != held:
                    says = f"the book of `{lot.name}` says {tally.held()}, it holds {held} (10^-12)"
                    findings.append(Finding("balance", lot.name, says, "", None, lot.name))
    return {
        "ok": not findings,
        "checked": checked,
        "findings": [finding.row() for finding in findings],
    }


def _projection(ledger: Ledger, cellar: Cellar, stands: list[str]) -> list[Finding]:
    differs = [*stands]
    names = "\n".join(row[0] for row in ledger.rows("lot_names"))
    stored = dict(ledger.rows("lot_states", lot=names)) if names else {}
    replayed = {lot.name: lot.dump() for lot in cellar.lots.values()}
    differs += [
        f"the lot `{name}`"
        for name in sorted(stored.keys() | replayed.keys())
        if stored.get(name) != replayed.get(name)
    ]
    edges = [
        (number, parent, amount)
        for number, node in enumerate(cellar.graph.nodes)
        for parent, amount in node.parents
    ]
    if sorted(edges) != sorted(tuple(map(int, row)) for row in ledger.rows("edges", node=2**62)):
        differs.append("the genealogy's edges")
    nodes = [
        (number, n.position, n.lot, n.vessel, n.role, n.fraction, n.ferment)
        for number, n in enumerate(cellar.graph.nodes)
    ]
    if nodes != ledger.rows("nodes", node=2**62):
        differs.append("the genealogy's nodes")
    ferments: dict[int, Ferment] = dict(enumerate(cellar.graph.ferments))
    if ferments != projection.stretches(ledger):
        differs.append("the fermentations")
    vessels = {vessel: lot for vessel, lot in cellar.vessels.items() if lot}
    asked = "\n".join(vessels)
    if asked and dict(ledger.rows("vessel_states", vessel=asked)) != vessels:
        differs.append("what the vessels hold")
    return [
        Finding(
            "projection",
            ledger.path.name,
            f"{what} differs from a fresh replay",
            "`ampelog repair` builds it anew from the journal",
        )
        for what in differs
    ]
