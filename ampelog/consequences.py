"""What a late entry or a correction changes in earlier answers, before it is recorded.

The questions are asked of the log as it stood and as it stands with the load, once all of it can
have happened and before anything is recorded; what differs is told. Only lots are asked about that
the load can reach: those that its events name, and all that took in any of their wine since.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import date
from typing import Any

from msgspec.structs import replace

from ampelog import projection
from ampelog.composing import FIELDS
from ampelog.errors import Refused
from ampelog.excerpt import drawn, filled
from ampelog.gate_answers import Answers, gates
from ampelog.history import where
from ampelog.labelling import claims
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.recording import Tick, formed, record
from ampelog.releases import released_on, states
from ampelog.retelling import Retold
from ampelog.sameness import MIXING, Grounds
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, UNITS, Lot
from ampelog.steps import Step
from ampelog.stock import on_hold
from ampelog.told import told

_SHOWN = ("variety", "vintage")
_ROUNDED = re.compile(r"(?<=\.\d{24})\d+")
"""What of a share is not compared: what differs after 24 decimals is rounding."""
_RANK = {"refused": 0, "undetermined": 1}


def changes(
    ledger: Ledger,
    entries: Sequence[Entry],
    *,
    by: str,
    now: int,
    today: date,
    tick: Tick | None = None,
) -> list[dict[str, Any]]:
    """As ``Consequences``, of a load that is not recorded. ``Refused`` as for recording it."""
    entries, wrong = formed(ledger, entries, now)
    if wrong:
        raise Refused("what is no event changes nothing", wrong)
    asked = Consequences(ledger, entries, today)
    record(ledger, entries, (), by=by, now=now, dry_run=True, tick=tick, ask=asked.ask)
    return asked.rows


class Consequences:
    """The answers that a load changes, asked while it is being recorded (``ask``).

    ``entries`` are the load's, their forms checked. ``rows``: ``lot``, ``what``, ``before``,
    ``after`` (None where there is none), and how many bottles of the lot have ``shipped``; the
    gravest first.
    """

    def __init__(self, ledger: Ledger, entries: Sequence[Entry], today: date) -> None:
        self.rows: list[dict[str, Any]] = []
        self.entries = entries
        self._ledger, self._today = ledger, today
        self._before = View(ledger)
        self._about = [event for event in _about(ledger, entries) if _tells(event)]
        corrected = [one.event["corrects"] for one in entries if one.event["kind"] == "correct"]
        self._anew = {record.position for record in ledger.known(corrected).values()}

    def ask(self, retold: Retold) -> None:
        """Ask before and after, of the lots that the load can reach."""
        before = self._before.told(*retold.before)
        steps = [_as_recorded(step) if step.new else step for step in retold.after.steps]
        after = View(self._ledger).told(steps, retold.after.cellar)
        alike = retold.alike
        lots = _reached(before, self._about, alike) | _reached(after, self._about, alike)
        # Of a lot that the load itself begins there was no earlier answer.
        lots = {lot.name for lot in before.lots_named(lots)}
        if not lots:
            return
        same = self._same(before, after, lots, retold.nodes)
        views = (before, after)
        gated = gates(views, alike, lots - same, self._today)
        was, then = (
            {**_says(view, lots, self._today, same), **more}
            for view, more in zip(views, gated, strict=True)
        )
        rows = [
            {
                "lot": lot,
                "what": what,
                "before": was.get((lot, what)),
                "after": then.get((lot, what)),
                "shipped": _shipped(after, lot),
            }
            for lot, what in {**was, **then}
            if differs(was.get((lot, what)), then.get((lot, what)))
        ]
        self.rows = sorted(rows, key=_gravity)

    def _same(self, before: View, after: View, lots: Collection[str], alike: int) -> set[str]:
        """The lots that stand as they stood, where the first nodes are ``alike``; none where the
        load does more than move wine. On those that it names itself, more may change."""
        if any(event["kind"] not in MIXING for event in self._about):
            return set()
        grounds = Grounds(self._anew, alike)
        stood = grounds.of(before, before.lots_named(lots))
        stands = grounds.of(after, after.lots_named(lots))
        named = {name for event in self._about for name in projection.named(event)}
        return {name for name, ground in stands.items() if stood.get(name) == ground} - named


def differs(before: str | None, after: str | None) -> bool:
    """Whether two answers are told apart by more than rounding."""
    if before is None or after is None:
        return before is not after
    return _ROUNDED.sub("", before) != _ROUNDED.sub("", after)


def _gravity(change: dict[str, Any]) -> tuple[int, str, str]:
    after = str(change["after"]).split(",", maxsplit=1)[0]
    return (_RANK.get(after, 2), change["lot"], change["what"])


# ---- what a load can reach


def _as_recorded(step: Step) -> Step:
    """A step of the load, as whoever reads the ledger will see it."""
    place = where(step.position, step.event)
    return replace(step, model=told(step.event), new=False, where=place)


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


def _tells(event: dict[str, Any]) -> bool:
    """Whether any answer rests on an event: on a note only where it is about a gate."""
    return event["kind"] != "note" or "gate" in event


def _reached(view: View, events: Iterable[dict[str, Any]], alike: int) -> set[str]:
    """The lots that events name, and all that took in any of their wine after the steps that are
    alike with these events and without them."""
    found: set[str] = set()
    for event in events:
        found |= _named(view, event)
    beside: set[str] = set()
    for step in view.steps[alike:]:
        out = drawn(step)
        if not out.isdisjoint(found):
            found |= filled(step)
            beside |= out  # of one movement's loss each lot drawn bears its part
    return found | beside


def _named(view: View, event: dict[str, Any]) -> set[str]:
    """The lots that an event is about; of a register those that bear what it registers."""
    about = _ABOUT.get(event["kind"])
    if about is not None:
        return about(view, event)
    if event.get("block") is not None and event.get("lot") is None:
        return _grown(view, {"name": event["block"]})
    return projection.named(event)


def _grown(view: View, event: dict[str, Any]) -> set[str]:
    return {one.event["lot"] for one in view.steps if _comes_from(one.event, event["name"])}


def _every(view: View, _: dict[str, Any]) -> set[str]:
    return {lot.name for lot in view.all_lots()}


def _labelled(view: View, event: dict[str, Any]) -> set[str]:
    return {
        lot.name
        for lot in view.all_lots()
        if event.get("name")
        in {view.cellar.label_of(lot, view.today), *(one.label for one in lot.fills.values())}
    }


def _lain(view: View, event: dict[str, Any]) -> set[str]:
    """The lots that have lain in a vessel, with those beside them in what moved them."""
    there = [step for step in view.steps if event["name"] in projection.named(step.event)]
    return set[str]().union(*(filled(step) | drawn(step) for step in there))


def _treated(view: View, event: dict[str, Any]) -> set[str]:
    """The lots that took in a material, or were packed with it."""
    found: set[str] = set()
    for step in view.steps:
        uses = [step.event, *(step.event.get("materials") or ())]
        if any(use.get("material") == event["name"] for use in uses):
            found |= projection.named(step.event)
    return found


def _cleared(view: View, event: dict[str, Any]) -> set[str]:
    held = view.ledger.known([event["hold"]]).get(event["hold"].lower())
    return set() if held is None else _named(view, held.event)


def _bound(view: View, event: dict[str, Any]) -> set[str]:
    """The lots that a hold names, and those that it has followed."""
    key = str(event.get("id", "")).lower()
    for what, field in (("block", "block"), ("material", "material_lot")):
        if field in event:
            key = f"{what}:{event[field]}"
    lots = view.all_lots()
    bound = {lot.name for lot in lots if any(key in one.holds for one in lot.contents().values())}
    return projection.named(event) | bound


_ABOUT: dict[str, Callable[[View, dict[str, Any]], set[str]]] = {
    "block": _grown,
    "place": _every,
    "premises": _every,
    "label": _labelled,
    "vessel": _lain,
    "material": _treated,
    "clear": _cleared,
    "hold": _bound,
}


def _comes_from(event: dict[str, Any], block: str | None) -> bool:
    parts = [event, *(event.get("composition") or ())]
    return "lot" in event and any(part.get("block") == block for part in parts)


# ---- the answers


def answers(view: View, lots: Collection[str], today: date) -> Answers:
    """What the ledger says of these lots: what is held and lost, of what it is made, what its label
    may say, when it may leave, what holds it, and how its gates stand."""
    return {**_says(view, lots, today), **gates([view], 0, lots, today)[0]}


def _says(
    view: View, lots: Collection[str], today: date, same: Collection[str] = frozenset()
) -> Answers:
    """The answers but for gates. Of lots that stand as they stood, ``same``, only what a book may
    say otherwise."""
    found: Answers = {}
    there = view.lots_named(lots)
    view.foresee(there)
    for lot in there:
        for what, says in _booked(view, lot) if lot.name in same else _of(view, lot):
            found[lot.name, what] = says
    bottles = [lot for lot in there if lot.sort == BOTTLES and lot.name not in same]
    for lot, rest, state in states(view, bottles, today):
        told = (rest.release_on, released_on(view, lot))
        leaves, released = (None if day is None else day.isoformat() for day in told)
        found[lot.name, "may leave from"] = leaves
        found[lot.name, "released on"] = released
        found[lot.name, "calendar"] = state
    return found


def _of(view: View, lot: Lot) -> Iterator[tuple[str, str | None]]:
    yield from _booked(view, lot)
    yield from _made_of(view, lot)
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
            yield f"{field}: {named}", share


def _statements(view: View, lot: Lot) -> Iterator[tuple[str, str]]:
    try:
        judged_so = claims(view, lot.name)
    except Refused as problem:
        yield "label", f"cannot be judged: {problem.says}"
        return
    seen: dict[str, int] = {}
    for one in judged_so["claims"]:
        what = f"label: {one['statement']} ({one['rule'] or one['claim']})"
        seen[what] = seen.get(what, 0) + 1
        if seen[what] > 1:
            what = f"{what}, fill {seen[what]}"
        actual = "" if one["actual"] is None else f", {one['actual']}"
        yield what, f"{one['verdict']}{actual}"


def _shipped(view: View, name: str) -> str:
    """The bottles of a lot that have left by `ship` and not come back."""
    lot = view.cellar.lots.get(name)
    if lot is None or not lot.format:
        return "0"
    gone = sum(part for each in lot.shipped for _, part in each.parts if each.sort == BOTTLES)
    return text(gone * 10**12 // lot.format)
