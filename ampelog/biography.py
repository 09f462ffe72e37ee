"""What was measured in the wine of each holding, and what was done to it: it follows the wine.

A measurement binds the wine that was there then (EVENTS.md, Target). Wine racked whole keeps what
was measured in it, and so does wine that bears another name; where wines mix, a measurement holds
on for the part of the mixture that it was made on. Barrels of one lot measured together stay
measured when they are drawn together. So the events happen once more, and each holding has a
``Body`` that is handed on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from copy import copy
from fractions import Fraction
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from ampelog import history
from ampelog.endpoints import vessels_of
from ampelog.excerpt import alone, filled
from ampelog.gates import Table
from ampelog.measurements import told
from ampelog.movement import Draw, draws, fills
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.state import VOLUME, Holding
from ampelog.steps import Step

Key = tuple[str, str | None]
"""A holding: lot and vessel."""

BLEND, MOVEMENT = "blend", "movement"
REFERMENTATION, MALOLACTIC = "refermentation", "malolactic"
_MOVING = frozenset({"crush", "press", "rack", "barrel_down", "top", "blend"})
ADDS_NOTHING = frozenset({"so2", "filtration", "cold", "gas"})
"""Treatments that void what names them alone; every other addition voids whatever was measured."""
_EXPLAINED = frozenset({"produced", "contraction"})
_WHOLE = Fraction(1)


class Change(Struct, frozen=True):
    """Something that was done to a wine. ``kind`` as in the table of gates; ``voids`` where it
    makes every measurement void."""

    kind: str
    instant: int
    position: int
    event: str
    says: str
    voids: bool = False

    @property
    def order(self) -> tuple[int, int]:
        """When it took effect, among all events."""
        return (self.instant, self.position)


class Measured(Struct, frozen=True):
    """A value of one quantity, as recorded. ``kept`` is the part of the wine that it was made on;
    ``void`` what made it void, None while it holds; ``mixed`` the kinds of events by which other
    wine came in since."""

    quantity: str
    value: str
    instant: int
    position: int
    event: str
    at: str
    kept: Fraction = _WHOLE
    void: Change | None = None
    mixed: tuple[str, ...] = ()

    @property
    def order(self) -> tuple[int, int]:
        """When it was made, among all events."""
        return (self.instant, self.position)


class Body(Struct):
    """The wine of one holding: its latest measurements by quantity, and what was done to it."""

    measured: dict[str, Measured] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()

    def copy(self) -> Body:
        """The same, free to change."""
        return Body(dict(self.measured), self.changes)

    def since(self, measured: Measured, kinds: Collection[str]) -> Change | None:
        """The first change of these kinds after a measurement, or what made it void."""
        later = [
            change
            for change in self.changes
            if change.order > measured.order and (change.voids or change.kind in kinds)
        ]
        if measured.void is not None:
            later.append(measured.void)
        return min(later, key=lambda change: change.order, default=None)


def note_of(gate: str) -> str:
    """The quantity under which the notes of a gate are kept."""
    return f"note {gate}"


class Biographies(Struct, frozen=True):
    """The body of every holding; and by lot, in 10^-12 L, what measuring found more or less there
    and nobody explained."""

    bodies: dict[Key, Body]
    unexplained: dict[str, int]


def biographies(view: View, lots: Collection[str], table: Table) -> Biographies:
    """What is known of the wine of these lots, as the view sees them."""
    story = alone(view.steps, lots)
    telling = Telling(view, table, story.names)
    with history.still():
        telling.happen(story.steps)
    known = telling.known
    bodies = {key: body for key, body in known.bodies.items() if key[0] in lots}
    return Biographies(bodies, known.unexplained)


def _together(each: Sequence[tuple[Change, ...]]) -> tuple[Change, ...]:
    """What was done to any part of a mixture, in order. That it was blended stands on what was
    measured in it, and not here: a wine is topped a hundred times."""
    first = each[0]
    if all(other is first or not other or other == first for other in each):
        return first
    changes = {(one.event, one.kind): one for found in each for one in found}
    return tuple(sorted(changes.values(), key=lambda one: one.order))


def _mixed_since(one: Measured, bodies: Sequence[tuple[Body, int]], kind: str) -> tuple[str, ...]:
    """The kinds of events by which wine that it was not made on came in since, this one included
    where it mixes any in."""
    there = [body.measured.get(one.quantity) for body, _ in bodies]
    own = [each for each in there if each is not None and each.event == one.event]
    kinds = dict.fromkeys(name for each in own for name in each.mixed)
    return tuple(kinds if len(own) == len(there) else {**kinds, kind: None})


def _with_the_last(changes: tuple[Change, ...], moved: Change) -> tuple[Change, ...]:
    """What was done to a wine that was moved just now; of its movements the last is enough."""
    return (*(one for one in changes if one.kind != MOVEMENT), moved)


class Telling:
    """The events once more, with the bodies of the lots that matter, ``names``, handed on."""

    def __init__(self, view: View, table: Table, names: set[str]) -> None:
        self.cellar, self.table, self._names = view.beginning(), table, names
        self._steps: list[Step] = []
        self._limit = Fraction(table.topping_percent) / 100
        self._merged: dict[tuple[int, ...], tuple[object, tuple[Change, ...]]] = {}
        self._bodies: dict[Key, Body] = {}
        self._unexplained: dict[str, int] = {}

    def twin(self) -> Telling:
        """The same so far, to be told on otherwise."""
        twin = copy(self)
        twin.cellar, twin._steps = self.cellar.twin(), list(self._steps)
        twin._merged, twin._unexplained = dict(self._merged), dict(self._unexplained)
        twin._bodies = {key: body.copy() for key, body in self._bodies.items()}
        return twin

    @property
    def known(self) -> Biographies:
        """What is known by now; it holds until the story goes on."""
        return Biographies(self._bodies, self._unexplained)

    def view(self, view: View, instant: int) -> View:
        """The view of the cellar as it stands by now, and a question of that instant."""
        return view.during(self.cellar, self._steps, instant)

    def happen(self, steps: Iterable[Step]) -> None:
        """Apply steps, and hand on what is known of the wine."""
        for step in steps:
            self._happens(step)
            self._steps.append(step)

    def _happens(self, step: Step) -> None:
        kind, event = step.event["kind"], step.event
        if kind in _MOVING and not self._names.isdisjoint(filled(step)):
            self._moves(step)
        elif kind == "lot" and event.get("of") and event["name"] in self._names:
            self._renames(step)
        elif kind == "gauge" and event["lot"] in self._names:
            self._gauges(step)
        elif event.get("lot") in self._names and kind in _IN_PLACE:
            _IN_PLACE[kind](self, step)
            apply(self.cellar, [step])
        else:
            apply(self.cellar, [step])
            if kind in ("receive", "return") and event.get("lot") in self._names:
                self._enters(step)

    def _body(self, key: Key) -> Body:
        """The body of a holding; nothing is known of one that began empty."""
        return self._bodies.setdefault(key, Body())

    def _moves(self, step: Step) -> None:
        """What is drawn is one body; each fill mixes it with what is there."""
        cellar, model = self.cellar, step.model
        drawn = [draw for draw in draws(cellar, model.from_, step) if draw.lot.sort == VOLUME]
        pool = self.pool(drawn, step)
        there = {
            (name, vessel)
            for name in filled(step)
            if (lot := cellar.lots.get(name)) is not None
            for vessel in lot.holdings
        }
        emptied = {(one.lot.name, one.vessel) for one in drawn if one.amount == one.holding.amount}
        apply(cellar, [step])
        moved = Change(MOVEMENT, *self._told(step, "it was moved"))
        changes = _with_the_last(pool.changes, moved)
        for key, amount in self._filled(model):
            if key in there - emptied and (held := self._held(key)) is not None:
                stayed = held.amount - amount
                kept = [(self._body(key), stayed), (pool, amount)]
                self._bodies[key] = self._mixed(kept, step, f"{step.event['kind']} with other wine")
            else:
                self._bodies[key] = pool.copy()
                self._bodies[key].changes = changes

    def pool(self, drawn: Sequence[Draw], step: Step) -> Body:
        """What is known of what a step is about to draw, as one body."""
        parts = [(self._body((draw.lot.name, draw.vessel)), draw.amount) for draw in drawn]
        return self._mixed(parts, step, "it was mixed") if parts else Body()

    def _filled(self, model: Any) -> Iterable[tuple[Key, int]]:
        """The holdings filled, each with what came into it."""
        found: dict[Key, int] = {}
        for fill in fills(end for end in model.to if end.lot is not None):
            if fill.sort == VOLUME and fill.lot in self._names:
                for vessel, amount in zip(fill.vessels, fill.amounts, strict=True):
                    key = (fill.lot, vessel)
                    found[key] = found.get(key, 0) + amount
        return found.items()

    def _held(self, key: Key) -> Holding | None:
        lot = self.cellar.lots.get(key[0])
        return None if lot is None else lot.holdings.get(key[1])

    def _mixed(self, parts: Sequence[tuple[Body, int]], step: Step, says: str) -> Body:
        """Bodies mixed: a measurement holds for the part of the mixture that it was made on."""
        bodies = [(body, amount) for body, amount in parts if amount > 0]
        if not bodies:
            return Body()
        if len({id(body) for body, _ in bodies}) == 1:
            return bodies[0][0].copy()
        whole = sum(amount for _, amount in bodies)
        blended = Change(BLEND, *self._told(step, says))
        made = Body()
        for quantity in {name: None for body, _ in bodies for name in body.measured}:
            one = self._kept(quantity, bodies, whole, blended)
            mixed = _mixed_since(one, bodies, step.event["kind"])
            made.measured[quantity] = replace(one, mixed=mixed) if mixed else one
        made.changes = self._together([body.changes for body, _ in bodies])
        return made

    def _together(self, each: Sequence[tuple[Change, ...]]) -> tuple[Change, ...]:
        """As ``_together``. Twenty barrels that had alike and take alike are put together once;
        what is known by where it lies is kept, so that it lies there still."""
        key = tuple(map(id, each))
        if key not in self._merged:
            self._merged[key] = (each, _together(each))
        return self._merged[key][1]

    def _kept(
        self, quantity: str, bodies: Sequence[tuple[Body, int]], whole: int, blended: Change
    ) -> Measured:
        """The measurement that speaks for most of the mixture, void where that is too little."""
        holding: dict[str, Fraction | int] = {}
        of: dict[str, Fraction | int] = {}
        found: dict[str, Measured] = {}
        for body, amount in bodies:
            one = body.measured.get(quantity)
            if one is None:
                continue
            found[one.event] = one if one.void is None else found.get(one.event, one)
            part = one.kept * amount
            of[one.event] = of.get(one.event, 0) + part
            holding[one.event] = holding.get(one.event, 0) + (part if one.void is None else 0)
        best = max(found.values(), key=lambda one: (of[one.event], one.order))
        if best.void is None and 1 - Fraction(holding[best.event], whole) <= self._limit:
            return replace(best, kept=Fraction(holding[best.event], whole))
        return replace(best, kept=Fraction(of[best.event], whole), void=best.void or blended)

    def _told(self, step: Step, says: str) -> tuple[int, int, str, str]:
        return step.instant, step.position, step.id, says

    def _renames(self, step: Step) -> None:
        """Another name: nothing moves, and what is known stays."""
        name = step.event["name"]
        before = {
            (end.lot, vessel)
            for end in step.model.of
            if (lot := self.cellar.lots.get(end.lot)) is not None
            for vessel in vessels_of(end) or lot.holdings
        }
        held = {key: holding.amount for key in before if (holding := self._held(key))}
        there = self.cellar.lots.get(name)
        was = {} if there is None else {v: one.amount for v, one in there.holdings.items()}
        apply(self.cellar, [step])
        for key in sorted(held, key=str):
            new = (name, key[1])
            body = self._bodies.pop(key, Body())
            if key[1] in was:
                kept = [(self._body(new), was[key[1]]), (body, held[key])]
                self._bodies[new] = self._mixed(kept, step, "it was joined with other wine")
            else:
                self._bodies[new] = body
            was[key[1]] = was.get(key[1], 0) + held[key]

    def _enters(self, step: Step) -> None:
        """What came in is not known; what was there before is mixed with it."""
        key = (step.event["lot"], step.event.get("vessel"))
        held = self._held(key)
        if held is None:
            return
        parts = [amount for _, amount in held.parts]
        before = sum(parts[:-1]) if key in self._bodies else 0
        kept = [(self._body(key), before), (Body(), held.amount - before)]
        self._bodies[key] = self._mixed(kept, step, f"{step.event['kind']} of other wine")

    def _gauges(self, step: Step) -> None:
        """What a dip or a count found otherwise than the book, and nobody explained."""
        name = step.event["lot"]
        lot = self.cellar.lots.get(name)
        before = 0 if lot is None else lot.amount
        apply(self.cellar, [step])
        if lot is not None and step.event.get("reason") not in _EXPLAINED:
            found = abs(lot.amount - before)
            self._unexplained[name] = self._unexplained.get(name, 0) + found

    # In place

    def _target(self, step: Step) -> list[Key]:
        """The holdings that an event in place is about."""
        lot = self.cellar.lots.get(step.event["lot"])
        if lot is None or lot.sort != VOLUME:
            return []
        vessels: Iterable[str | None] = vessels_of(step.model) or lot.holdings
        return [(lot.name, vessel) for vessel in vessels]

    def _measures(self, step: Step) -> None:
        """A reading, an analysis or the note of a gate."""
        values = dict(quantities(step.event))
        for key in self._target(step):
            body = self._body(key)
            for quantity, value in values.items():
                body.measured[quantity] = Measured(
                    quantity, value, step.instant, step.position, step.id, step.event["at"]
                )

    def _treats(self, step: Step) -> None:
        event = step.event
        used = [one["material"] for one in event.get("materials") or ()]
        used = [name for name in (event.get("material"), *used) if name]
        adds = event.get("adds") is not None or event.get("role") is not None
        says = f"treated: {', '.join(dict.fromkeys([event['treatment'], *used]))}"
        for kind in self.table.kinds(event, used):
            self._changes(step, kind, says, voids=adds or kind not in ADDS_NOTHING)

    def _ferments(self, step: Step) -> None:
        event = step.event
        if event["culture"] == "malolactic":
            self._changes(step, MALOLACTIC, f"malolactic fermentation: {event['stage']}")
        elif event["stage"] != "end":
            self._changes(step, REFERMENTATION, f"alcoholic fermentation: {event['stage']}")

    def _changes(self, step: Step, kind: str, says: str, *, voids: bool = False) -> None:
        change = Change(kind, *self._told(step, says), voids)
        for key in self._target(step):
            self._body(key).changes += (change,)


_IN_PLACE = {
    "reading": Telling._measures,
    "analysis": Telling._measures,
    "note": Telling._measures,
    "treat": Telling._treats,
    "ferment": Telling._ferments,
}


def quantities(event: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """What an event measured: each quantity with its value as recorded."""
    if event["kind"] != "note":
        for name, value in told(event):
            yield name.lower().replace(" ", "_"), value
    elif event.get("gate") and event.get("result"):
        yield note_of(str(event["gate"])), str(event["result"])
