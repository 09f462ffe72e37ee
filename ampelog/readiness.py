"""May a wine be bottled? Every gate of the table, judged by what the records hold.

A gate is judged in each holding of the lot, and the lot is as ready as the worst of them. What is
not before the records is missing; what was measured before the wine changed, or too long ago, is
stale. The program says what the records show: thresholds without a published basis are proposals,
and where law decides, the regulator and licensed counsel decide.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from datetime import date
from typing import Any

from msgspec.structs import replace

from ampelog import history, moments
from ampelog.biography import Biographies, Body, Measured, Telling, biographies, note_of
from ampelog.errors import Refused
from ampelog.excerpt import alone, filled
from ampelog.gate_rules import RULES, Rule
from ampelog.gates import Gate, Table
from ampelog.judging import (
    ADVICE,
    FAIL,
    MISSING,
    PASS,
    STALE,
    WAIVED,
    Found,
    Judging,
    plan_of,
)
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.state import VOLUME, Lot
from ampelog.steps import Step
from ampelog.stock import on_hold, state

ORDER = (FAIL, STALE, MISSING, ADVICE, WAIVED, PASS)
"""From the worst."""
STOPS = frozenset({FAIL, STALE, MISSING})
"""Verdicts that stop a bottling where the gate does; a gate that only advises says ``advice``."""


def readiness(
    view: View, today: date, table: Table, name: str | None = None, label: str | None = None
) -> list[dict[str, Any]]:
    """Each lot of wine, or the one named, with its gates and whether it may be bottled.

    ``Refused`` where the one named holds no wine to be bottled.
    """
    return [row(judging) for judging in judgings(view, today, table, name, label)]


def judgings(
    view: View, today: date, table: Table, name: str | None = None, label: str | None = None
) -> list[Judging]:
    """Each lot of wine, or the one named, before the gates of a day."""
    if name is not None:
        lots = [view.lot(name)]
        _check(lots[0])
    else:
        lots = [lot for lot in view.held_lots(VOLUME) if state(lot) == "wine"]
    told = biographies(view, {lot.name for lot in lots}, table)
    return [judged(view, lot, label, table, (told, today)) for lot in lots]


def judged(
    view: View, lot: Lot, label: str | None, table: Table, on: tuple[Biographies, date]
) -> Judging:
    """One lot before the gates of a day, by what was told of its wine."""
    told, today = on
    judging = Judging(view, lot, plan_of(view, lot, label), table, today)
    judging.bodies = {
        vessel: told.bodies.get((lot.name, vessel), Body()) for vessel in lot.holdings
    }
    judging.unexplained = told.unexplained.get(lot.name, 0)
    return judging


def at_bottling(
    view: View, table: Table, wanted: Callable[[Step], bool]
) -> Iterator[tuple[Step, Judging]]:
    """Each bottling of wine that is wanted, with the wine as it was known just before it, lot by
    lot. Each judging holds until the next is asked for."""
    steps = [step for step in view.steps if bottles(step) and wanted(step)]
    story = alone(view.steps, set().union(*(filled(step) for step in steps)))
    telling = Telling(view, table, story.names)
    return bottlings(view, telling, story.steps, {step.position for step in steps})


def bottles(step: Step) -> bool:
    """Whether a step is a bottling."""
    return bool(step.event["kind"] == "bottle")


def bottlings(
    view: View, telling: Telling, steps: Sequence[Step], wanted: Collection[int]
) -> Iterator[tuple[Step, Judging]]:
    """The story goes on by these steps: each bottling at the positions that are wanted, as
    ``at_bottling``."""
    with history.still():
        for step in steps:
            if step.position in wanted and bottles(step):
                yield from _judged_before(view, telling, step)
            telling.happen([step])


def _judged_before(view: View, telling: Telling, step: Step) -> Iterator[tuple[Step, Judging]]:
    then = telling.view(view, step.instant)
    label = next((end.label for end in step.model.to if end.label is not None), None)
    on = moments.day(step.instant, view.zone)
    names = dict.fromkeys(end.lot for end in step.model.from_)
    for name in names:
        lot = then.cellar.lots.get(name)
        if lot is not None and lot.sort == VOLUME and lot.holdings:
            yield step, judged(then, lot, label, telling.table, (telling.known, on))


def _check(lot: Lot) -> None:
    if lot.sort != VOLUME or state(lot) == "bottled":
        raise Refused(
            f"`{lot.name}` holds no wine to be bottled: it is {state(lot)}",
            hint="`ampelog lots` lists what is in the cellar; --as-of asks of an earlier day",
        )
    if not lot.holdings:
        raise Refused(
            f"`{lot.name}` holds nothing any more",
            hint="--as-of asks of a day on which it did",
        )


def row(judging: Judging) -> dict[str, Any]:
    """A lot and its gates, for JSON."""
    lot, plan = judging.lot, judging.plan
    gates = [_gate_row(judging, gate) for gate in judging.gates]
    stops = [one["gate"] for one in gates if one["stops"]]
    holds = on_hold(judging.view, lot)
    now = state(lot)
    reasons = []
    if now != "wine":
        reasons.append(f"it is {now}: no wine yet")
    reasons += [_held(judging, hold) for hold in holds]
    return {
        "lot": lot.name,
        "ready": not stops and not reasons,
        "on": judging.today.isoformat(),
        "label": plan.label,
        "style": plan.style,
        "volume_l": text(lot.amount),
        "stops": stops,
        "holds": holds,
        "why": reasons,
        "gates": gates,
    }


def _held(judging: Judging, hold: str) -> str:
    """A hold in force, in words: since when, and why."""
    found = judging.view.ledger.known([hold]).get(hold)
    if found is None:
        return f"it is on hold ({hold})"
    event = found.event
    day = judging.day(moments.instant(event["at"], judging.view.zone))
    return f"it is on hold since {day}: {event['reason']}"


def _gate_row(judging: Judging, gate: Gate) -> dict[str, Any]:
    vessel, found = judge(judging, gate)
    severity = judging.severity(gate)
    verdict = found.verdict
    weighs = (found.severity or severity) == "blocking" or found.legal
    if verdict in STOPS and not weighs:
        verdict = ADVICE
    one = found.measured
    on = judging.day(one.instant) if one is not None else None
    return {
        "gate": gate.id,
        "name": gate.name,
        "verdict": verdict,
        "value": found.value,
        "unit": gate.unit or None,
        "limit": found.limit,
        "measured_on": on.isoformat() if on is not None else None,
        "age_days": (judging.today - on).days if on is not None else None,
        "max_age_days": gate.max_age_days if gate.asks != "computed" else None,
        "severity": "blocking" if weighs else "advisory",
        "stops": verdict in STOPS,
        "vessel": vessel,
        "event": one.event if one is not None else None,
        "source": found.source or gate.source,
        "basis": found.basis,
        "legal": found.legal,
        "says": found.says,
        **({"changed": list(gate.changed)} if gate.changed else {}),
        **(found.more or {}),
    }


def judge(judging: Judging, gate: Gate) -> tuple[str | None, Found]:
    """The worst verdict over the holdings, with the vessel where it is not that of all."""
    rule = RULES.get(gate.id) or RULES[gate.asks]
    found = [(vessel, _noted(judging, gate, body, rule)) for vessel, body in judging.unlike]
    if not found:
        return None, Found(MISSING, "the lot holds nothing")
    worst = min(found, key=lambda one: ORDER.index(one[1].verdict))
    alike = len({(one.verdict, one.value) for _, one in found}) == 1
    return (None if alike else worst[0]), worst[1]


def _noted(judging: Judging, gate: Gate, body: Body, rule: Rule) -> Found:
    """A gate by its rule, unless a later note waives it or says how it went."""
    found = rule(judging, gate, body)
    note = body.measured.get(note_of(gate.id))
    if note is None or gate.asks == "sign-off" or body.since(note, gate.void_by) is not None:
        return found
    if found.measured is not None and found.measured.order > note.order:
        return found
    if note.value == "fail":
        return Found(FAIL, f"noted as failed on {judging.day(note.instant)}", measured=note)
    if note.value == "waived" and found.verdict != PASS:
        return _waived(judging, gate, found, note)
    if note.value == "pass" and found.verdict in (MISSING, STALE):
        passed = Found(PASS, "noted as passed", "pass", found.limit, note, gate.source)
        return judging.timely(gate, body, note) or passed
    return found


def _waived(judging: Judging, gate: Gate, found: Found, note: Measured) -> Found:
    """A gate that somebody waived: the law's are nobody's to waive."""
    law = next((limit for limit in judging.limits(gate) if limit.legal), None)
    if law is not None:
        says = f"{found.says}; noted as waived, and the law waives nothing ({law.source})"
        return replace(found, says=says)
    says = f"waived on {judging.day(note.instant)}: {found.says}"
    return replace(found, verdict=WAIVED, says=says, measured=note)
