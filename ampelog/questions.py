"""What is asked of a cellar: a view of it at a date and a state of knowledge.

A view of today reads the projection; one of the past, or of what was known then, replays in
memory. The answers do not know which.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy
from datetime import date
from fractions import Fraction
from functools import cached_property
from typing import Any

from msgspec.json import decode

from ampelog import history, moments, projection
from ampelog.cellar import Cellar
from ampelog.composition import Composition
from ampelog.errors import Finding, Refused
from ampelog.expander import Expander
from ampelog.genealogy import ROLES, Genealogy, Kinds, Mark
from ampelog.graph import Ferment
from ampelog.ledger import Head, Ledger
from ampelog.moments import NotATime
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, Lot
from ampelog.steps import Step

ALWAYS = 2**62
NO_LOT = "`ampelog lots` lists what is in the cellar"


class View:
    """The cellar as it stood at the end of a day, as known at a position of the ledger."""

    def __init__(
        self, ledger: Ledger, as_of: str | None = None, known_on: str | None = None
    ) -> None:
        self.ledger = ledger
        self.zone = history.zone_of(ledger)
        self.head = _known(ledger, known_on, self.zone)
        self.as_of = as_of
        self.until: int | None = _end(as_of, self.zone)
        if self.until is None:
            self._look_ahead()
        past = self.until is not None or self.head.position != ledger.head.position
        self._steps: list[Step] | None = None
        self._graph: tuple[int, Genealogy] | None = None
        self._leaves: dict[int, dict[int, list[tuple[Leaf, Fraction]]]] = {}
        self.refusals: list[Finding] = []
        if past or not projection.is_current(ledger):
            self._replay()
        else:
            self.cellar = projection.standing(ledger, self.zone)

    def _look_ahead(self) -> None:
        """What is dated ahead (a new name, say) has not happened yet."""
        ahead = self.today + moments.DAY
        if not projection.is_current(self.ledger) or projection.last_order(self.ledger)[0] > ahead:
            self.until = ahead

    @property
    def ends(self) -> int:
        """The last instant that it sees (us UTC)."""
        return ALWAYS if self.until is None else self.until

    def _replay(self) -> None:
        from ampelog.replay import fresh, registered

        self._steps = self.known
        if self.until is not None:
            self._steps = [step for step in self.known if step.instant <= self.until]
        with history.still():
            # A first registration holds from the beginning, so all of them count on any day.
            self.cellar, refusals = fresh(self._steps, self.zone, registers=registered(self.known))
        self.refusals = refusals
        # An excerpt comes from outside: whoever asks looks whether it is whole.
        whole = self.ledger.within is None
        assert not (whole and refusals), f"a recorded event cannot have happened: {refusals[0]}"

    @cached_property
    def today(self) -> int:
        """The instant that a question about now is asked of: the end of `as-of`, or the head's."""
        if self.as_of is not None:
            assert self.until is not None, "the end of that day"
            return self.until
        recorded = self.ledger.records(self.head.position, self.head.position)[0].recorded_at
        return moments.from_stamp(recorded)

    @property
    def day(self) -> date:
        """The day of a document: `as-of`, else that of the head."""
        return moments.day(self.today, self.zone)

    @cached_property
    def known(self) -> list[Step]:
        """All the events in force, in order of time, those after the question's day too: what they
        register first holds from the beginning."""
        return history.steps_of(self.ledger, self.head.position)

    @property
    def steps(self) -> list[Step]:
        """All the events in force that have happened, in order of time."""
        return self.known if self._steps is None else self._steps

    def beginning(self) -> Cellar:
        """An empty cellar, in which the steps may happen once more and be watched."""
        from ampelog.replay import begun

        # Those of a standing cellar are read name by name; here all of them will be asked for.
        registers = None if self._steps is None else self.cellar.registers
        return begun(self.steps, self.zone, registers)

    def during(self, cellar: Cellar, steps: list[Step], instant: int) -> View:
        """The view in the middle of things: a cellar in which these steps have happened, and a
        question of that instant. It holds until the cellar goes on."""
        self._by_position  # noqa: B018  all of them once, not anew for each of many moments
        found = copy(self)
        found.__dict__.pop("today", None)
        found.cellar, found._steps, found._graph = cellar, steps, None
        found.until, found.as_of = instant, moments.day(instant, self.zone).isoformat()
        return found

    # Lots

    def lot(self, name: str) -> Lot:
        """The lot of that name; ``Refused`` where there never was one."""
        lot = self.cellar.lots.get(name)
        if lot is None:
            if self._steps is None:
                self.cellar.others = lambda: [row[0] for row in self.ledger.rows("lot_names")]
            when = f" by {self.as_of}" if self.as_of else ""
            raise Refused(f"there is no lot `{name}`{when}", hint=self.cellar.near(name, NO_LOT))
        return lot

    def lots_named(self, names: Iterable[str]) -> list[Lot]:
        """Those of these lots that there ever were, by name; read at once."""
        asked = sorted(names)
        projection.read_lots(self.ledger, self.cellar, asked)
        return [lot for name in asked if (lot := self.cellar.lots.get(name)) is not None]

    def held_lots(self, sort: str = "") -> list[Lot]:
        """The lots that hold something, by name; those of one sort where it is named."""
        if self._steps is None:
            return projection.held_lots(self.ledger, sort)
        lots = self.cellar.lots.values()
        held = [lot for lot in lots if (not sort or lot.sort == sort) and lot.holdings]
        return sorted(held, key=lambda lot: lot.name)

    def lots_in_vessels(self) -> list[Lot]:
        """The lots of which something lies in a vessel, by name."""
        if self._steps is None:
            return projection.lots_in_vessels(self.ledger)
        return [lot for lot in self.held_lots() if any(v is not None for v in lot.holdings)]

    def all_lots(self) -> list[Lot]:
        """Every lot that ever was, by name."""
        if self._steps is None:
            rows = self.ledger.rows("lot_states_all")
            found = [Lot.load(name, body) for name, body in rows]
        else:
            found = list(self.cellar.lots.values())
        return sorted(found, key=lambda lot: lot.name)

    def content(self, lot: Lot, vessel: str | None = None) -> list[tuple[int, int]]:
        """The parts of what a lot holds, or last held; of one vessel where it is named."""
        contents = lot.contents()
        if vessel is not None:
            if vessel not in contents:
                places = ", ".join(f"`{place}`" for place in contents if place is not None)
                raise Refused(
                    f"`{lot.name}` is not in `{vessel}`", hint=f"it lies in {places or 'no vessel'}"
                )
            return list(contents[vessel].parts)
        parts: dict[int, int] = {}
        for holding in contents.values():
            for node, amount in holding.parts:
                parts[node] = parts.get(node, 0) + amount
        return list(parts.items())

    # The graph

    def genealogy(self, content: Iterable[tuple[int, int]], *, labels: bool = False) -> Genealogy:
        """The graph up to the highest node of a content, or beyond, with its marks."""
        top = max((node for node, _ in content), default=0)
        known = self._graph
        if known is None or known[0] < top or (labels and not known[1].labels):
            labels = labels or (known is not None and bool(known[1].labels))
            graph = self._stored_graph if self._steps is None else self._replayed_graph
            known = (top, graph(top, labels))
            self._graph = known
        return known[1]

    def foresee(self, lots: Iterable[Lot]) -> None:
        """Read the graph of many lots at once: each of them will be asked about."""
        self.genealogy([part for lot in lots for part in self.content(lot)])

    def _replayed_graph(self, top: int, labels: bool) -> Genealogy:
        parents, marks, begins = self.cellar.graph.drawn()
        if not labels:
            return Genealogy(parents, marks, (), begins)
        nodes = self.cellar.graph.nodes[: top + 1]
        within = {node: mark for node, mark in marks.items() if node <= top}
        named = [(node.lot, node.vessel) for node in nodes]
        return Genealogy(parents[: top + 1], within, named, begins)

    def _stored_graph(self, top: int, labels: bool) -> Genealogy:
        parents: list[Any] = projection.parents_of(self.ledger, top)
        rows = self.ledger.rows("marks", node=top)
        marks: dict[int, Mark] = {row[0]: (row[1], row[2], row[3]) for row in rows}
        begins = {row[0] for row in rows if row[4]}
        named: list[tuple[str | None, str | None]] = []
        if labels:
            named = [(row[2], row[3]) for row in self.ledger.rows("nodes", node=top)]
        return Genealogy(parents, marks, named, begins)

    def pools(self, top: int) -> list[tuple[int, int, int]]:
        """The crushes and presses up to a node: node, mass of fruit and volume (10^-12 kg, L)."""
        if self._steps is None:
            return self.ledger.rows("pools", node=top)
        nodes = self.cellar.graph.nodes[: top + 1]
        return [(n, one.mass, one.volume) for n, one in enumerate(nodes) if one.volume]

    def positions(self, nodes: Iterable[int]) -> dict[int, int]:
        """The position of the event behind each node."""
        if self._steps is None:
            asked = "\n".join(str(node) for node in nodes)
            return dict(self.ledger.rows("sources", node=asked)) if asked else {}
        return {node: self.cellar.graph.nodes[node].position for node in nodes}

    def events(self, positions: Iterable[int]) -> dict[int, dict[str, Any]]:
        """The events at these positions as they take effect: corrected, with the original's id."""
        wanted = set(positions)
        if self._steps is not None or "known" in self.__dict__:  # all of them are here
            told = [self._by_position[one] for one in wanted if one in self._by_position]
            happened = [step for step in told if step.order <= self.steps[-1].order]
            happened.sort(key=lambda step: step.order)
            return {step.position: {**step.event, "id": step.id} for step in happened}
        asked = "\n".join(str(position) for position in sorted(wanted))
        found: dict[int, dict[str, Any]] = {}
        if asked:
            rows = self.ledger.rows("events_by_position", position=asked)
            found = {position: decode(body) for position, body in rows}
        by_id = {event["id"].lower(): position for position, event in found.items()}
        corrected = self._corrected
        for key in corrected.keys() & by_id.keys():
            original = found.pop(by_id[key])
            now = corrected[key].replacement
            if now is not None:
                found[by_id[key]] = {**now, "id": original["id"]}
        return found

    @cached_property
    def _by_position(self) -> dict[int, Step]:
        return {step.position: step for step in self.steps}

    @cached_property
    def _corrected(self) -> dict[str, history.InForce]:
        return history.corrected(self.ledger, self.head.position)

    def leaves(self, when: int) -> dict[int, list[tuple[Leaf, Fraction]]]:
        """The leaves of source nodes as places stood at an instant, to be filled by who reads them:
        lots that are claimed of the same moment share them."""
        if when not in self._leaves:
            self._leaves.clear()
        return self._leaves.setdefault(when, {})

    def instants(self) -> dict[int, int]:
        """When every event took effect (us UTC), by position; corrected ones as they read now."""
        if self._steps is not None:
            return {step.position: step.instant for step in self._steps}
        found = dict(self.ledger.rows("instants", upto=self.head.position))
        corrected = self._corrected
        for id_, record in self.ledger.known(corrected).items():
            now = corrected[id_.lower()].replacement
            if now is not None:
                found[record.position] = moments.instant(now["at"], self.zone)
        return found

    def said(
        self, kinds: Sequence[str], text: str = "", since: int = -ALWAYS, until: int = ALWAYS
    ) -> dict[int, dict[str, Any]]:
        """The events of some kinds, by position, as they take effect, between two instants.

        Only those whose JSON holds a text need be among them: who asks looks again.
        """
        if self._steps is None:
            asked = {"kinds": "\n".join(kinds), "text": text, "since": since, "until": until}
            rows = self.ledger.rows("events_saying", upto=self.head.position, **asked)
            mended = self.ledger.known({corrects for _, corrects in rows if corrects is not None})
            positions = {position for position, corrects in rows if corrects is None}
            found = self.events(positions | {one.position for one in mended.values()})
        else:
            found = {one.position: {**one.event, "id": one.id} for one in self._steps}
        return {
            position: event
            for position, event in found.items()
            if event["kind"] in kinds and since <= moments.instant(event["at"], self.zone) <= until
        }

    def nodes_at(self, positions: Iterable[int]) -> list[tuple[int, int, str | None, str | None]]:
        """The nodes that the events at some positions made: node, position, lot, vessel."""
        wanted = set(positions)
        if self._steps is None:
            asked = "\n".join(str(position) for position in sorted(wanted))
            return self.ledger.rows("nodes_of_positions", position=asked) if asked else []
        return [
            (number, node.position, node.lot, node.vessel)
            for number, node in enumerate(self.cellar.graph.nodes)
            if node.position in wanted
        ]

    def again(self, steps: list[Step], cellar: Cellar) -> View:
        """The same view on a cellar in which these steps, all of its own, happened once more."""
        twin = copy(self)
        twin.__dict__.pop("_by_position", None)
        twin._steps, twin._graph, twin._leaves, twin.cellar = steps, None, {}, cellar
        return twin

    def told(self, steps: list[Step], cellar: Cellar) -> View:
        """The same view, where all of its steps have been replayed already."""
        return self.again(steps, cellar) if self._steps is None else self

    def ferments(self) -> dict[int, Ferment]:
        """Every stretch of alcoholic fermentation, by number."""
        if self._steps is None:
            return projection.stretches(self.ledger)
        return dict(enumerate(self.cellar.graph.ferments))

    # Composition

    def composition(
        self,
        lot: Lot,
        content: list[tuple[int, int]] | None = None,
        *,
        kinds: Kinds = ROLES,
        instant: int | None = None,
    ) -> Composition:
        """The exact composition of a lot, or of some content of it.

        ``instant`` is that of the claim, for the places in force; ``kinds`` the marks that the
        question asks for.
        """
        content = self.content(lot) if content is None else content
        return self.compositions(lot, [content], kinds=kinds, instant=instant)[0]

    def compositions(
        self,
        lot: Lot,
        contents: list[list[tuple[int, int]]],
        *,
        kinds: Kinds = ROLES,
        instant: int | None = None,
    ) -> list[Composition]:
        """Several compositions over one reading of the graph."""
        everything = [part for content in contents for part in content]
        genealogy = self.genealogy(everything)
        when = self.claimed(lot) if instant is None else instant
        expand = Expander(self, genealogy, everything, when, kinds.ferment)
        seed = f"{self.head.root}/{lot.name}"
        return [Composition(genealogy, content, expand, seed, kinds) for content in contents]

    def claimed(self, lot: Lot) -> int:
        """The instant whose places decide a claim: the bottling's, or that of the question."""
        ended = lot.bottled() if lot.sort == BOTTLES else None
        return self.today if ended is None else ended


def end_of(ledger: Ledger, day: str | None) -> int | None:
    """The last instant of the day that a question is asked of; None where it names none."""
    return _end(day, history.zone_of(ledger))


def _end(day: str | None, zone: Any, option: str = "--as-of") -> int | None:
    if day is None:
        return None
    try:
        return moments.end_of_day(day, zone)
    except NotATime as problem:
        raise Refused(f"{option}: {problem}") from None


def _known(ledger: Ledger, known_on: str | None, zone: Any) -> Head:
    if known_on is None:
        return ledger.head
    if known_on.isascii() and known_on.isdigit():
        return ledger.sealed(position=int(known_on))
    end = _end(known_on, zone, "--known-on")
    assert end is not None, "a date was given"
    return ledger.sealed(recorded_by=moments.to_stamp(end))
