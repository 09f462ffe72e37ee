"""What a late entry or a correction changes in earlier answers, before it is recorded.

The questions are asked of the ledger as it stands, and of the ledger as if the load were recorded
already; what differs is told. Only lots are asked about that the load can reach: those that its
events name, and all that took in any of their wine since.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import date
from typing import Any

from ampelog import moments, projection
from ampelog.biography import biographies
from ampelog.composing import FIELDS
from ampelog.errors import Refused
from ampelog.gates import table
from ampelog.labelling import claims
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.readiness import at_bottling, judged, row
from ampelog.recording import formed, supposed
from ampelog.resting import rest_of
from ampelog.sameness import MIXING, Grounds
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, UNITS, VOLUME, Lot
from ampelog.steps import Step
from ampelog.stock import on_hold, state

Answers = dict[tuple[str, str], str | None]
"""By lot and question."""
_SHOWN = ("variety", "vintage")
_DIGITS = 26
"""Signs of a share that are compared: what differs after 24 decimals is rounding."""
_RANK = {"refused": 0, "undetermined": 1}


def changes(
    ledger: Ledger, entries: Sequence[Entry], *, by: str, now: int, today: date
) -> list[dict[str, Any]]:
    """The answers that a load changes: ``lot``, ``what``, ``before``, ``after`` (None where there
    is none), and how many bottles of the lot have ``shipped``; the gravest first.

    ``Refused`` as for recording it. Nothing is recorded.
    """
    entries, wrong = formed(ledger, entries, now)
    if wrong:
        raise Refused("what is no event changes nothing", wrong)
    before = View(ledger)
    about = list(_about(ledger, entries))
    lots = _reached(before, about)
    grounds, named = _grounds(ledger, entries, about)
    stood = {} if grounds is None else grounds.of(before, before.lots_named(lots))
    with supposed(ledger, entries, by=by, now=now):
        after = View(ledger)
        lots |= _reached(after, about)
        stands = {} if grounds is None else grounds.of(after, after.lots_named(lots))
        same = {name for name, ground in stands.items() if stood.get(name) == ground} - named
        then = answers(after, lots, today, same)
        shipped = {name: _shipped(after, name) for name in lots}
    was = answers(before, lots, today, same)
    rows = [
        {
            "lot": lot,
            "what": what,
            "before": was.get((lot, what)),
            "after": then.get((lot, what)),
            "shipped": shipped[lot],
        }
        for lot, what in {**was, **then}
        if was.get((lot, what)) != then.get((lot, what))
    ]
    return sorted(rows, key=_gravity)


def _grounds(
    ledger: Ledger, entries: Sequence[Entry], about: Sequence[dict[str, Any]]
) -> tuple[Grounds | None, set[str]]:
    """What finds the lots that stand as they stood, and the names of those of which more may
    change; None where the load does more than move wine."""
    if any(event["kind"] not in MIXING for event in about):
        return None, set()
    corrected = [one.event["corrects"] for one in entries if one.event["kind"] == "correct"]
    anew = {record.position for record in ledger.known(corrected).values()}
    return Grounds(anew), {name for event in about for name in projection.named(event)}


def _gravity(change: dict[str, Any]) -> tuple[int, str, str]:
    after = str(change["after"]).split(",", maxsplit=1)[0]
    return (_RANK.get(after, 2), change["lot"], change["what"])


# ---- what a load can reach


def _about(ledger: Ledger, entries: Iterable[Entry]) -> Iterator[dict[str, Any]]:
    """The events of a load, with those that it corrects as they were and as they read now."""
    from ampelog.history import corrected

    for one in entries:
        event = one.event
        if event["kind"] != "correct":
            yield event
            continue
        original = ledger.known([event["corrects"]]).get(event["corrects"].lower())
        if original is not None:
            yield original.event
            in_force = corrected(ledger, ledger.head.position).get(event["corrects"].lower())
            if in_force is not None and in_force.replacement is not None:
                yield in_force.replacement
        if event["replacement"] is not None:
            yield event["replacement"]


def _reached(view: View, events: Iterable[dict[str, Any]]) -> set[str]:
    """The lots that events name, and all that took in any of their wine."""
    found: set[str] = set()
    for event in events:
        found |= _named(view, event)
    for step in view.steps:
        found |= _onward(step, found)
    return found


def _named(view: View, event: dict[str, Any]) -> set[str]:
    """The lots that an event is about; of a register those that bear what it registers."""
    kind, name = event["kind"], event.get("name")
    if kind == "block":
        return {one.event["lot"] for one in view.steps if _comes_from(one.event, name)}
    if kind in ("place", "premises"):
        return {lot.name for lot in view.all_lots()}
    if kind == "label":
        lots = view.all_lots()
        return {lot.name for lot in lots if view.cellar.label_of(lot, view.today) == name}
    if event.get("block") is not None and event.get("lot") is None:
        return _named(view, {"kind": "block", "name": event["block"]})
    if kind == "clear":
        held = view.ledger.known([event["hold"]]).get(event["hold"].lower())
        return set() if held is None else _named(view, held.event)
    return projection.named(event)


def _comes_from(event: dict[str, Any], block: str | None) -> bool:
    parts = [event, *(event.get("composition") or ())]
    return "lot" in event and any(part.get("block") == block for part in parts)


def _onward(step: Step, found: Collection[str]) -> set[str]:
    model = step.model
    drawn = {end.lot for end in (*(model.from_ or ()), *(model.of or ()))}
    if drawn.isdisjoint(found):
        return set()
    if step.event["kind"] == "lot":
        return {step.event["name"]}
    return {end.lot for end in model.to or () if not isinstance(end, str) and end.lot is not None}


# ---- the answers


def answers(
    view: View, lots: Collection[str], today: date, same: Collection[str] = frozenset()
) -> Answers:
    """What the ledger says of these lots: what is held and lost, of what it is made, what its label
    may say, when it may leave, what holds it, and how its gates stand. Of those that stand as they
    stood, ``same``, only what a book may say otherwise."""
    found: Answers = {}
    there = view.lots_named(lots)
    view.foresee(there)
    for lot in there:
        told = _booked(view, lot) if lot.name in same else _of(view, lot)
        for what, says in told:
            found[lot.name, what] = says
    asked = [lot for lot in there if lot.name not in same]
    found.update(_gates(view, asked, today))
    found.update(_bottled(view, {lot.name for lot in asked}))
    return found


def _of(view: View, lot: Lot) -> Iterator[tuple[str, str | None]]:
    yield from _booked(view, lot)
    yield from _made_of(view, lot)
    if lot.sort == BOTTLES:
        rest = rest_of(view, lot).release_on
        yield "may leave from", None if rest is None else rest.isoformat()
    if view.cellar.label_of(lot, view.claimed(lot)) is not None:
        yield from _statements(view, lot)


def _booked(view: View, lot: Lot) -> Iterator[tuple[str, str | None]]:
    unit = UNITS[lot.sort]
    yield "held", f"{text(lot.amount)} {unit}"
    for sort, tally in lot.tallies.items():
        for reason, amount in tally.lost.items():
            yield f"lost, {reason}", f"{text(amount)} {sort}"
        if tally.gained:
            yield "gained", f"{text(tally.gained)} {sort}"
    holds = on_hold(view, lot)
    if holds:
        at = [one.position for one in view.ledger.known(holds).values()]
        yield "on hold", ", ".join(f"event {position}" for position in sorted(at))


def _made_of(view: View, lot: Lot) -> Iterator[tuple[str, str]]:
    composition = view.composition(lot)
    for field in _SHOWN:

        def key(leaf: Leaf, field: str = field) -> tuple[Any, str | None]:
            return FIELDS[field](leaf), leaf.material

        for (value, material), share in composition.rows(key):
            named = material if material is not None else "not known" if value is None else value
            yield f"{field}: {named}", share[:_DIGITS]


def _statements(view: View, lot: Lot) -> Iterator[tuple[str, str]]:
    try:
        told = claims(view, lot.name)
    except Refused as problem:
        yield "label", f"cannot be judged: {problem.says}"
        return
    seen: dict[str, int] = {}
    for one in told["claims"]:
        what = f"label: {one['statement']} ({one['rule'] or one['claim']})"
        seen[what] = seen.get(what, 0) + 1
        if seen[what] > 1:
            what = f"{what}, fill {seen[what]}"
        actual = "" if one["actual"] is None else f", {one['actual'][:_DIGITS]}"
        yield what, f"{one['verdict']}{actual}"


def _gates(view: View, lots: Sequence[Lot], today: date) -> Answers:
    """The gates of what is wine and in the cellar."""
    wine = [lot for lot in lots if lot.sort == VOLUME and lot.holdings and state(lot) == "wine"]
    if not wine:
        return {}
    told = biographies(view, {lot.name for lot in wine}, table())
    found: Answers = {}
    for lot in wine:
        for gate in row(judged(view, lot, None, table(), (told, today)))["gates"]:
            found[lot.name, f"gate {gate['gate']} {gate['name']}"] = gate["verdict"]
    return found


def _bottled(view: View, lots: Collection[str]) -> Answers:
    """The gates that stood against each bottling of these lots, as they were known just before."""
    found: Answers = {}

    def wanted(step: Step) -> bool:
        return any(end.lot in lots for end in step.model.to)

    for step, judging in at_bottling(view, table(), wanted):
        stops = row(judging)["stops"]
        for name in dict.fromkeys(end.lot for end in step.model.to):
            if name in lots and stops:
                on = moments.day(step.instant, view.zone)
                what = f"gates against bottling {judging.lot.name} on {on}"
                found[name, what] = ", ".join(stops)
    return found


def _shipped(view: View, name: str) -> str:
    """The bottles of a lot that have left by `ship` and not come back."""
    lot = view.cellar.lots.get(name)
    if lot is None or not lot.format:
        return "0"
    gone = sum(part for each in lot.shipped for _, part in each.parts if each.sort == BOTTLES)
    return text(gone * 10**12 // lot.format)
