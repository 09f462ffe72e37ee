"""The cellar, replayed: what every lot and vessel holds, event by event.

A ``Cellar`` is the state that the events have led to. It can start empty and replay everything,
or stand on a projection and read only the lots that an event touches (``Shelf``): the arithmetic
is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from copy import copy
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from ampelog import moments
from ampelog.endpoints import CannotHave, place, said
from ampelog.errors import Finding
from ampelog.graph import Ferment, Graph
from ampelog.movement import Pool, close, filled_with, reduce
from ampelog.registers import Registers
from ampelog.state import BOTTLES, MASS, NO_HOLDS, VOLUME, Holding, Lot, state_after
from ampelog.steps import Step

T = TypeVar("T")
MOST_LOOKED = 20
NOBODY: frozenset[str | None] = frozenset((None,))
"""The owners of a lot of the winery's own."""


class Shelf(dict[str, T]):
    """A dictionary that is filled as it is asked: ``fetch`` brings what is not in it yet."""

    def __init__(self, fetch: Callable[[str], T | None]) -> None:
        super().__init__()
        self._fetch = fetch
        self._asked: set[str] = set()

    def read(self, names: Iterable[str], found: dict[str, T]) -> None:
        """Put in what was found of these names: there is nothing of the others."""
        self.update(found)
        self._asked.update(names)

    def get(self, name: str, default: Any = None) -> Any:
        """The thing of that name, or the default."""
        found = super().get(name)
        if found is None and name not in self._asked:
            self._asked.add(name)
            found = self._fetch(name)
            if found is not None:
                self[name] = found
        return default if found is None else found

    def __missing__(self, name: str) -> T:
        found = self.get(name)
        if found is None:
            raise KeyError(name)
        return found  # type: ignore[no-any-return]


class Holds:
    """The holds in force. A key is a hold's id, ``block:NAME`` or ``material:LOT``.

    Contents carry the keys of what could hold them; whether a key binds is asked here. Keys of
    blocks and material lots are carried only where some event ever holds them (``watched``).
    """

    def __init__(self) -> None:
        self.active: dict[str, set[str]] = {}
        self.key_of: dict[str, str] = {}
        self.watched: set[str] = set()

    def dump(self) -> dict[str, Any]:
        """What is in force, for JSON."""
        active = {key: sorted(ids) for key, ids in self.active.items() if ids}
        return {"active": active, "key_of": dict(self.key_of)}

    def load(self, body: dict[str, Any]) -> None:
        """Take up what was in force."""
        self.active = {key: set(ids) for key, ids in body["active"].items()}
        self.key_of = body["key_of"]

    def begin(self, hold: str, key: str) -> None:
        """A hold comes into force."""
        self.active.setdefault(key, set()).add(hold)
        self.key_of[hold] = key

    def end(self, hold: str) -> bool:
        """A hold is cleared; False where there is none of that id."""
        key = self.key_of.get(hold.lower())
        if key is None:
            return False
        self.active.get(key, set()).discard(hold.lower())
        return True

    def binding(self, keys: Iterable[str]) -> list[str]:
        """The holds that bind contents with these keys, by id."""
        return sorted(hold for key in keys for hold in self.active.get(key, ()))


class Cellar:
    """What the events have led to so far."""

    def __init__(self, zone: ZoneInfo, registers: Registers | None = None) -> None:
        self.zone = zone
        self.registers = registers or Registers()
        self.lots: dict[str, Lot] = {}
        self.vessels: dict[str, str] = {}
        """The lot of juice, must, wine or spirit that each vessel holds."""
        self.graph = Graph()
        self.holds = Holds()
        self.findings: list[Finding] = []
        self.changed: dict[str, Lot] = {}
        """The lots touched since the last store."""
        self.resolved: dict[int, tuple[tuple[str | None, int], ...]] = {}
        """By position: the quantities that were not stated but read off the cellar."""
        self.apart: frozenset[int] = frozenset()
        """Positions of events whose bottles or must a recall follows apart from the rest of their
        fill or tank; none in the cellar that is kept."""
        self._looked = 0
        self.others: Callable[[], list[str]] = list
        """The names of lots that are not here yet."""
        self.older_ferment: Callable[[int], Ferment] = _no_ferment

    def twin(self) -> Cellar:
        """The same cellar, from here on to be told otherwise."""
        twin = copy(self)
        twin.lots = {name: lot.twin() for name, lot in self.lots.items()}
        twin.vessels, twin.graph, twin.holds = dict(self.vessels), self.graph.twin(), Holds()
        twin.holds.load(self.holds.dump())
        twin.holds.watched = set(self.holds.watched)
        twin.findings, twin.resolved = list(self.findings), dict(self.resolved)
        twin.changed = {name: twin.lots[name] for name in self.changed}
        return twin

    # What a movement asks of its cellar

    def touched(self, lot: Lot) -> None:
        """The lot changes in this event."""
        self.changed[lot.name] = lot

    def near(self, name: str, other: str = "a lot begins by `pick` or `receive`") -> str:
        """A hint that names the nearest known lot, or another hint. Looked for a few times only:
        a file of a thousand wrong names is told so once each, and quickly."""
        from difflib import get_close_matches

        self._looked += 1
        names = [*self.lots, *self.others()] if self._looked <= MOST_LOOKED else ()
        near = get_close_matches(name, names, n=1)
        return f"did you mean `{near[0]}`?" if near else other

    def note_resolved(self, step: Step, found: Iterable[tuple[str | None, int]]) -> None:
        """Remember vessels and amounts that the event did not state; a late entry may change
        them."""
        self.resolved[step.position] = self.resolved.get(step.position, ()) + tuple(found)

    def live_holds(self, keys: frozenset[str]) -> frozenset[str]:
        """The keys that can still bind: a cleared hold of one wine never binds again."""
        if not keys:
            return NO_HOLDS
        active, watched = self.holds.active, self.holds.watched
        return frozenset(key for key in keys if active.get(key) or key in watched)

    def owners(self, lot: Lot, instant: int) -> frozenset[str | None]:
        """Whose a lot is: as registered, else of those whose lots alone filled it."""
        known = self.registers.all_names("lot")
        if known is None or lot.name in known:
            registered = self.registers.at("lot", lot.name, instant).get("owner")
            if registered:
                return frozenset((registered,))
        return lot.owners or NOBODY

    def owner(self, lot: Lot, instant: int) -> str | None:
        """The one owner of a lot, or None (the winery's own, or mixed)."""
        owners = self.owners(lot, instant)
        return next(iter(owners)) if len(owners) == 1 else None

    def enter(self, lot: Lot, vessel: str | None) -> None:
        """A lot comes into a vessel; of liquids it is the only one there."""
        if vessel is not None and lot.sort not in (MASS, BOTTLES):
            self.vessels[vessel] = lot.name

    def leave(self, lot: Lot, vessel: str | None) -> None:
        """A lot has left a vessel."""
        if vessel is not None and self.vessels.get(vessel) == lot.name:
            self.vessels[vessel] = ""

    def capacity(self, vessel: str, instant: int) -> int | None:
        """The registered capacity of a vessel (10^-12 L), or None."""
        text = self.registers.at("vessel", vessel, instant).get("capacity")
        return None if text is None else _volume(text)

    def check_capacities(self, step: Step, lot: Lot, vessels: Sequence[str | None]) -> None:
        """A holding over its vessel's capacity is a finding, never a refusal."""
        known = self.registers.all_names("vessel")
        if known is not None and known.isdisjoint(vessels):
            return
        for vessel in vessels:
            if vessel is not None:
                self.check_capacity(step, lot, vessel)

    def check_capacity(self, step: Step, lot: Lot, vessel: str) -> None:
        """As ``check_capacities``, for one vessel."""
        if lot.sort in (MASS, BOTTLES):
            return
        capacity = self.capacity(vessel, step.instant)
        held = lot.holdings[vessel].amount
        if capacity is not None and held > capacity:
            self.find(
                step,
                "over capacity",
                f"`{vessel}` holds {said(held, lot.sort)} of `{lot.name}`; its registered capacity "
                f"is {said(capacity, lot.sort)}",
                lot.name,
            )

    def check_full(self, step: Step, lot: str, vessel: str | None, amount: int) -> None:
        """Topping full needs a vessel of registered capacity that holds the fill."""
        capacity = None if vessel is None else self.capacity(vessel, step.instant)
        if capacity is None:
            raise CannotHave(
                "no capacity",
                f"`full` needs the capacity of {place(vessel)}, and none is registered",
                "register the vessel with its `capacity`, or leave out `full`",
                lot,
            )
        if amount > capacity:
            raise CannotHave(
                "more than the vessel",
                f"{said(amount, VOLUME)} filled into {place(vessel)}, which holds "
                f"{said(capacity, VOLUME)}",
                "check the quantity and the vessel",
                lot,
            )

    def fill_up(self, step: Step, lot: Lot, vessel: str | None, pool: Pool, amount: int) -> None:
        """Top a vessel full: what exceeds its capacity evaporated before the fill."""
        capacity = None if vessel is None else self.capacity(vessel, step.instant)
        assert capacity is not None, "checked before anything moved"
        state = state_after(pool.state, lot.sort)
        gone = lot.holdings[vessel].amount + amount - capacity
        if gone > 0:
            if lot.holdings[vessel].amount:
                close(self, step, lot, vessel)
                reduce(lot, vessel, gone)
            lot.tally(lot.sort).lose("evaporation", gone)
        before = lot.holdings[vessel]
        if not before.amount:
            before = Holding(0, (), state, ferment=pool.ferment, since=step.order)
        lot.holdings[vessel] = filled_with(before, pool, pool.node, amount, state)
        if gone < 0:
            mixed = close(self, step, lot, vessel)
            lot.holdings[vessel] = replace(
                lot.holdings[vessel], amount=capacity, parts=((mixed, capacity),)
            )
            lot.tally(lot.sort).gained -= gone
            self.find(
                step,
                "gain",
                f"{place(vessel)} was topped full, yet book and fill fall "
                f"{said(-gone, lot.sort)} short of its capacity",
                lot.name,
            )
        self.note_resolved(step, ((vessel, gone),))

    # What is odd, and what should not have happened

    def find(self, step: Step, rule: str, says: str, lot: str | None = None) -> None:
        """Note a finding about a step."""
        self.findings.append(Finding(rule, step.where, says, "", step.id, lot))

    def should_not(self, step: Step, rule: str, says: str, lot: str) -> None:
        """What should not have happened: refused in the load at hand unless it says `despite`;
        a finding for good otherwise."""
        if step.model.despite is not None:
            self.find(step, rule, f"{says}; despite: {step.model.despite}", lot)
        elif step.new:
            raise CannotHave(
                rule,
                says,
                'if it happened all the same, say why with `"despite": "..."`',
                lot,
            )
        else:
            self.find(step, rule, says, lot)

    def day(self, instant: int) -> str:
        """The calendar day of an instant at the premises."""
        return moments.day(instant, self.zone).isoformat()

    def ended(self, step: Step) -> int:
        """The instant at which a step ended: `until`, else `at`."""
        until = step.model.until
        return step.instant if until is None else moments.instant(until, self.zone)

    def label_of(self, lot: Lot, instant: int) -> str | None:
        """The label that a lot bears: as bottled or packed, else as registered for it."""
        registered = self.registers.at("lot", lot.name, instant).get("label")
        return lot.label if lot.label is not None else registered

    def rest_ends(self, lot: Lot, rest: str) -> str | None:
        """The day on which a label's rest is over, counted from the lot's latest bottling."""
        ended = lot.bottled()
        bottled = None if ended is None else moments.day(ended, self.zone)
        return moments.rest_over(rest, bottled)

    def ferment(self, number: int | None) -> Ferment | None:
        """A stretch of fermentation by its number."""
        if number is None:
            return None
        here = number - self.graph.first_ferment
        return self.graph.ferments[here] if here >= 0 else self.older_ferment(number)


def _no_ferment(number: int) -> Ferment:
    raise KeyError(number)


def _volume(text: str) -> int:
    from ampelog.quantities import parse

    return parse(text).amount
