"""The events that a lot's figures rest on: enough to work all of them out again, and little more.

Lots are taken in until whatever ever filled one of them was drawn from among them, renaming
included; where a draw or a filling can only be read off another lot's story, that lot is taken in
too. To the events that name these lots come their corrections, holds and clears, what is
registered of whatever they name, the places and premises, the first use of each vessel where
several premises stand, and the last event of the log, which says when it ended.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from zoneinfo import ZoneInfo

from msgspec import Struct

from ampelog import moments
from ampelog.excerpt import Event, ends, lots_of, vessels
from ampelog.ledger import Record
from ampelog.questions import View
from ampelog.registers import KINDS

ALWAYS = frozenset(("place", "premises"))
"""What a place is not within is said by all places; so they all belong to it."""
_SINGLE = {"block": "block", "label": "label", "material": "material", "premises": "premises"}
_PARTIES = ("supplier", "grower", "from_party", "owner", "party", "to")


class Ancestry(Struct, frozen=True):
    """The lots that the figures rest on, and the records, in order of position.

    ``leaves`` are the leaf hashes of the whole log up to the view's head.
    """

    lots: frozenset[str]
    records: tuple[Record, ...]
    leaves: tuple[str, ...]


class Told(Struct, frozen=True):
    """A record, and every form in which it ever stood: as recorded and as corrected.

    ``first`` is the earliest instant of any form (us UTC), ``corrections`` are positions.
    """

    record: Record
    event: Event
    forms: tuple[Event, ...]
    first: int
    corrections: tuple[int, ...] = ()


def ancestry(view: View, lot: str, label: str | None = None, *, parties: bool) -> Ancestry:
    """What the figures of a lot rest on, as known at the view's head.

    ``label`` is the one that it is judged under, where it is not its own. No figure needs what is
    registered of ``parties``.
    """
    records = view.ledger.records(1, view.head.position)
    told = told_of(records, view.zone)
    lots = closure(told.values(), lot, view.until)
    happened = (at for at, one in told.items() if _until(one, view.until) or _registers(one))
    found = {at for at in happened if _about(told[at], lots)}
    names = _Names(told, found, label)
    while names.grows():
        pass
    found = names.found | {1, view.head.position}
    found |= _first_uses(view, [told[at].event for at in sorted(found) if at in told])
    if not parties:
        found = {at for at in found if at not in told or told[at].event["kind"] != "party"}
        found.add(view.head.position)
    found |= {by for at in found if at in told for by in told[at].corrections}
    kept = tuple(one for one in records if one.position in found)
    return Ancestry(frozenset(lots), kept, tuple(one.hash for one in records))


def told_of(records: Iterable[Record], zone: ZoneInfo) -> dict[int, Told]:
    """By position, every record but corrections, with its forms."""
    read = [(one, json.loads(one.body)) for one in records]
    mended: dict[str, list[tuple[int, Event | None]]] = {}
    for record, event in read:
        if event["kind"] == "correct":
            known = mended.setdefault(event["corrects"].lower(), [])
            known.append((record.position, event["replacement"]))
    found = {}
    for record, event in read:
        if event["kind"] == "correct":
            continue
        corrections = mended.get(event["id"].lower(), ())
        later = [form for _, form in corrections if form is not None]
        first = min([record.instant, *(moments.instant(one["at"], zone) for one in later)])
        found[record.position] = Told(
            record, event, (event, *later), first, tuple(by for by, _ in corrections)
        )
    return found


def _registers(one: Told) -> bool:
    """Whether it registers something: the first registration holds from the beginning."""
    return one.event["kind"] in KINDS


def _until(one: Told, until: int | None) -> bool:
    return until is None or one.first <= until


def closure(told: Iterable[Told], lot: str, until: int | None) -> set[str]:
    """The lots whose story the lot's own rests on, of what happened up to an instant."""
    needs: dict[str, set[str]] = {}
    for one in told:
        if not _until(one, until):
            continue
        for form in one.forms:
            named = lots_of(form)
            for filled in named.fills:
                needs.setdefault(filled, set()).update(named.draws)
            for drawn in named.draws:
                needs.setdefault(drawn, set()).update(named.read)
            for filled in named.fills:
                needs[filled].update(named.read)
    within, ahead = {lot}, [lot]
    while ahead:
        new = needs.get(ahead.pop(), set()) - within
        within |= new
        ahead += new
    return within


def _about(one: Told, lots: set[str]) -> bool:
    """Whether any form of an event names one of the lots."""
    for form in one.forms:
        if form["kind"] == "lot" and form["name"] in lots:
            return True
        if not lots_of(form).all.isdisjoint(lots):
            return True
    return False


class _Names:
    """What is named by the events found so far, and the events that are about it."""

    def __init__(self, told: dict[int, Told], found: set[int], label: str | None) -> None:
        self.found = set(found)
        self._named: set[tuple[str, str]] = {("label", label)} if label is not None else set()
        self._looked: set[int] = set()
        self._told = told
        self._of: dict[tuple[str, str], list[int]] = {}
        for at, one in told.items():
            for key in _subjects(one):
                self._of.setdefault(key, []).append(at)
        self.found |= {at for at, one in told.items() if one.event["kind"] in ALWAYS}

    def grows(self) -> bool:
        """Take in what is about anything that is named; whether there was more."""
        for at in self.found - self._looked:
            for form in self._told[at].forms:
                self._named |= set(_names(form))
        self._looked |= self.found
        for key in self._named:
            self.found |= set(self._of.get(key, ()))
        return self.found != self._looked


def _subjects(one: Told) -> set[tuple[str, str]]:
    """What an event is about, where it is about no lot."""
    found: set[tuple[str, str]] = set()
    for form in one.forms:
        kind = form["kind"]
        if kind in KINDS and kind != "lot":
            found.add((kind, form["name"]))
        elif kind == "clear":
            found.add(("hold", form["hold"].lower()))
        elif kind in ("hold", "note", "analysis") and "lot" not in form:
            found |= {(of, form[field]) for field, of in _SINGLE.items() if field in form}
            if "material_lot" in form:
                found.add(("material lot", form["material_lot"]))
        elif kind == "receive" and "lot" not in form and "material_lot" in form:
            found.add(("material lot", form["material_lot"]))
    return found


def _names(event: Event) -> Iterator[tuple[str, str]]:
    """Everything that an event names and that something may be registered or said of."""
    kind = event["kind"]
    if kind == "hold" and "id" in event:
        yield "hold", event["id"].lower()
    if kind in KINDS:
        yield kind, event["name"]
    for field, of in _SINGLE.items():
        if isinstance(event.get(field), str):
            yield of, event[field]
    yield from (("party", event[one]) for one in _PARTIES if isinstance(event.get(one), str))
    for one in vessels(event):
        yield "vessel", one
    if isinstance(event.get("material_lot"), str):
        yield "material lot", event["material_lot"]
    for use in event.get("materials") or ():
        yield "material", use["material"]
        if use.get("lot") is not None:
            yield "material lot", use["lot"]
    for end in ends(event, "to"):
        if end.get("label") is not None:
            yield "label", end["label"]
    for part in event.get("composition") or ():
        if part.get("block") is not None:
            yield "block", part["block"]


def _first_uses(view: View, events: Iterable[Event]) -> set[int]:
    """The positions of the first use of each vessel named: where it stands follows from it, once
    a second premises is registered."""
    if len(view.cellar.registers.names("premises")) < 2:
        return set()
    wanted = {vessel for event in events for vessel in vessels(event)}
    found = set()
    for step in view.steps:
        if step.event["kind"] not in KINDS:
            for vessel in wanted.intersection(vessels(step.event)):
                wanted.discard(vessel)
                found.add(step.position)
    return found
