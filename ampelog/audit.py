"""What is odd in a cellar's records: the page sent to an auditor before being asked.

Everything is derived anew from the log. Bottlings are put before the gates as the wine stood just
before them; labels before the rule packs as they are known now, and as they were known when the
bottling had been recorded.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from itertools import chain
from typing import Any

from ampelog import moments, plausible
from ampelog.errors import Refused
from ampelog.gates import Table
from ampelog.judging import FAIL, Judging
from ampelog.labelling import Labelled
from ampelog.moments import NotATime
from ampelog.oddities import (
    Log,
    Odd,
    corrections,
    explained,
    holds,
    late,
    lot_of,
    of_replay,
    without_papers,
)
from ampelog.phrases import listed
from ampelog.questions import View
from ampelog.readiness import at_bottling
from ampelog.readiness import row as judged
from ampelog.shares import REFUSED, SUPPORTED
from ampelog.state import BOTTLES, Lot
from ampelog.steps import Step
from ampelog.verdicts import Verdict

SERIOUS, LOOK, NOTED = "serious", "look", "noted"
GROUPS = {
    "statement no longer supported": ("Statements once supported and no longer so", SERIOUS),
    "statement not supported": ("Statements that the records do not support", SERIOUS),
    "left on hold": ("Left while on hold", SERIOUS),
    "bottled on hold": ("Bottled while on hold", SERIOUS),
    "left before its release": ("Left before release", SERIOUS),
    "hold in force": ("Holds in force", SERIOUS),
    "bottled with a gate failing": ("Bottled with a gate failing", SERIOUS),
    "bottled without a record": ("Bottled with a gate not before the records", LOOK),
    "statement undetermined": ("Missing papers, and the statements they would decide", LOOK),
    "gain": ("More than the book", LOOK),
    "large shortfall": ("Large shortfalls without a reason", LOOK),
    "over capacity": ("Over capacity", LOOK),
    "implausible": ("Yields, losses and strengths out of the ordinary", LOOK),
    "receipt without papers": ("Receipts without papers", LOOK),
    "entered late": ("Entered more than three business days late", LOOK),
    "shortfall explained": ("Shortfalls with a reason", NOTED),
    "correction": ("Corrections", NOTED),
}
"""By finding: its heading, and how much it weighs; in the order of the page."""
_OTHER = ("Other findings", LOOK)


def audit(
    view: View, table: Table, since: str | None = None, until: str | None = None
) -> list[dict[str, Any]]:
    """All that is odd, the gravest first; of the days from ``since`` to ``until`` where given.

    What has no day (a figure of a whole book) and what stands in force now is always told.
    """
    first, last = _day("--since", since), _day("--until", until)
    log = Log(view)
    found = chain(
        of_replay(log),
        explained(log),
        late(log),
        corrections(log),
        without_papers(log),
        holds(log),
        _implausible(log),
        _gates(log, table, (first, last)),
        _statements(log, (first, last)),
    )
    order = {finding: number for number, finding in enumerate(GROUPS)}
    wanted = [one for one in found if _within(one, first, last)]
    wanted.sort(
        key=lambda one: (
            order.get(one.finding, len(order)),
            one.on or date.min,
            one.position or 0,
            one.lot or "",
        )
    )
    return [_row(one) for one in wanted]


def group(finding: str) -> tuple[str, str]:
    """The heading of a finding, and how much it weighs."""
    return GROUPS.get(finding, _OTHER)


def _row(one: Odd) -> dict[str, Any]:
    return {
        "finding": one.finding,
        "event": one.event,
        "lot": one.lot,
        "says": one.says,
        "on": None if one.on is None else one.on.isoformat(),
        "severity": group(one.finding)[1],
        "position": one.position,
        **one.more,
    }


def _day(option: str, text: str | None) -> date | None:
    try:
        return None if text is None else moments.date_of(text)
    except NotATime as problem:
        raise Refused(f"{option}: {problem}") from None


_STANDING = frozenset({"hold in force"})


def _within(one: Odd, first: date | None, last: date | None) -> bool:
    return one.on is None or one.finding in _STANDING or _between(one.on, (first, last))


def _between(on: date, days: tuple[date | None, date | None]) -> bool:
    first, last = days
    return (first is None or on >= first) and (last is None or on <= last)


def _implausible(log: Log) -> Iterator[Odd]:
    """Yields, losses and evaporation far from the published bands; alcohol against sugar."""
    view = log.view
    figures = plausible.plausible(view)
    days: dict[tuple[str | None, str | None], date] = {
        (one.lot, one.event): one.day for one in figures if one.event is not None
    }
    for one in (*plausible.findings(figures), *plausible.alcohols(view)):
        told = log.by_id.get(one.event.lower()) if one.event else None
        on = days.get((one.lot, one.event))
        yield Odd("implausible", one.event, one.lot, one.says, on, told.position if told else None)


# ---- bottlings before the gates


def _gates(log: Log, table: Table, days: tuple[date | None, date | None]) -> Iterator[Odd]:
    """Each bottling of wine, judged by what was known of the wine just before it."""
    zone = log.view.zone

    def wanted(step: Step) -> bool:
        return _between(moments.day(step.instant, zone), days)

    for step, judging in at_bottling(log.view, table, wanted):
        yield from _stops(judging, step, moments.day(step.instant, zone))


def _stops(judging: Judging, step: Step, on: date) -> Iterator[Odd]:
    gates = [gate for gate in judged(judging)["gates"] if gate["stops"]]
    failing = [gate for gate in gates if gate["verdict"] == FAIL]
    others = [gate for gate in gates if gate["verdict"] != FAIL]
    into = listed(dict.fromkeys(str(end.lot) for end in step.model.to))
    name, first = judging.lot.name, str(step.model.to[0].lot)
    if failing:
        why = "; ".join(
            f"{gate['gate']} {gate['name']}: {gate['says'].rstrip('.')}" for gate in failing
        )
        says = f"`{name}` was bottled as `{into}`. {why}."
        more = {"gates": [gate["gate"] for gate in failing]}
        yield Odd("bottled with a gate failing", step.id, first, says, on, step.position, more)
    if others:
        why = listed(f"{gate['gate']} {gate['name']} ({gate['verdict']})" for gate in others)
        says = f"`{name}` was bottled as `{into}`; not before the records then: {why}."
        more = {"gates": [gate["gate"] for gate in others]}
        yield Odd("bottled without a record", step.id, first, says, on, step.position, more)


# ---- labels before the rule packs


def _statements(log: Log, days: tuple[date | None, date | None]) -> Iterator[Odd]:
    """The statements of bottled lots that are not supported, or not decided, by the records."""
    view = log.whole
    bottlings = _bottlings(view.steps)
    known: dict[int, View] = {}
    lots = [lot for lot in view.all_lots() if lot.sort == BOTTLES and lot.name in bottlings]
    view.foresee(lots)
    for lot in lots:
        step = bottlings[lot.name]
        on = moments.day(step.instant, view.zone)
        labelled = _labelled(view, lot) if _between(on, days) else None
        if labelled is None:
            continue
        rows = [one for one in labelled.rows() if one.verdict != SUPPORTED]
        failing = [one for one in rows if one.verdict == REFUSED]
        held = _held_before(log, lot, step, failing, known)
        for one in rows:
            finding = "statement undetermined"
            if one.verdict == REFUSED:
                once = (one.claim, one.statement) in held
                finding = "statement no longer supported" if once else "statement not supported"
            more = {"claim": one.claim, "statement": one.statement, "rule": one.rule}
            says = f"{one.statement} ({one.claim.replace('_', ' ')}) on `{labelled.label}`"
            text = f"{says}: {one.why}"
            yield Odd(finding, step.id, lot.name, text, on, step.position, more)


def _labelled(view: View, lot: Lot) -> Labelled | None:
    try:
        return Labelled(view, lot)
    except Refused:  # bears no label
        return None


def _bottlings(steps: Sequence[Step]) -> dict[str, Step]:
    """The first event that filled each lot of bottles."""
    found: dict[str, Step] = {}
    for step in steps:
        if step.event["kind"] in ("bottle", "pack", "receive"):
            for name in _filled(step):
                found.setdefault(name, step)
    return found


def _filled(step: Step) -> Iterable[str]:
    if step.event["kind"] == "receive":
        return [name] if (name := lot_of(step.event)) else []
    return [end.lot for end in step.model.to if end.lot is not None]


def _held_before(
    log: Log, lot: Lot, step: Step, failing: Sequence[Verdict], known: dict[int, View]
) -> set[tuple[str, str]]:
    """Of the statements that fail now: those supported by what was known when the bottling had been
    recorded."""
    view = log.view
    recorded = log.by_id[step.id].position
    later = bisect_left(log.seals, recorded)
    seal = log.seals[later] if later < len(log.seals) else view.head.position
    if not failing or seal >= view.head.position:
        return set()
    if seal not in known:
        then_known = View(view.ledger, view.as_of, str(seal))
        then_known.foresee(lot for lot in then_known.all_lots() if lot.sort == BOTTLES)
        known[seal] = then_known
    then = known[seal].cellar.lots.get(lot.name)
    labelled = _labelled(known[seal], then) if then is not None else None
    if labelled is None:
        return set()
    verdicts: dict[tuple[str, str], list[str]] = {}
    for one in labelled.rows():
        verdicts.setdefault((one.claim, one.statement), []).append(one.verdict)
    asked = {(one.claim, one.statement) for one in failing}
    return {key for key in asked if set(verdicts.get(key, ())) == {SUPPORTED}}
