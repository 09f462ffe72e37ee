"""The evidence for a label: a lot's fills with their sources, analyses and whereabouts.

Only what the packs and statements at hand ask about is looked up, and of a source no more is kept
than that: a wine may come from thousands of picks, and to a label most of them are one and the
same. Sources that then look alike are one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from fractions import Fraction
from functools import cached_property, partial
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import moments
from ampelog.analysed import Analysed, of_fills, of_wines
from ampelog.cellar_work import done, went_in
from ampelog.composing import FIELDS, SEVERAL, fills_of
from ampelog.composition import Composition, Pooled
from ampelog.estate import Picking, controlled
from ampelog.expander import Expander
from ampelog.genealogy import Kinds, Mark
from ampelog.graph import Ferment
from ampelog.law import STATEMENT, Pack, Rule
from ampelog.likeness import Alike
from ampelog.particulars import mentioned
from ampelog.places import Places
from ampelog.premises import Premises, made_elsewhere, stays
from ampelog.questions import View
from ampelog.registers import Registers
from ampelog.shares import Fill, Stay, Used, every, some
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, MASS, Lot
from ampelog.waymarks import Waymarks


class Seen(Alike, frozen=True, eq=False):
    """A source, or several that look alike. ``named`` are the places that it names, ``spans``
    those that its block crosses. ``made_at``: the places of each premises where it may have been
    fermented; empty where none is known."""

    variety: str | None = None
    vintage: int | None = None
    stated: int | None = None
    picked_on: date | None = None
    material: str | None = None
    role: str | None = None
    own: bool | None = None
    made_here: bool | None = None
    named: tuple[str, ...] = ()
    spans: tuple[str, ...] = ()
    made_at: tuple[tuple[str, ...], ...] = ()
    facts: tuple[tuple[str, Any], ...] = ()
    places: Places | None = None

    def grown_in(self, place: str, /) -> bool | None:
        """Whether it was grown in a place; None where that is not known."""
        if self.material is not None:
            return False
        if self.places is None:
            return None
        found = self.places.inside(place, self.named)
        return None if found is False and place in self.spans else found

    def made_in(self, place: str, /) -> bool | None:
        """Whether it was fermented in a place, whichever of the premises it was."""
        if self.material is not None:
            return False
        if self.places is None or not self.made_at:
            return None
        answers = [self.places.inside(place, named) for named in self.made_at]
        found = every(answers)
        return None if found is False and some(answers) is not False else found

    def fact(self, name: str, /) -> Any:
        """Anything else that is recorded of it, where a statement asks for it."""
        return dict(self.facts).get(name)


class Asked(Struct, frozen=True):
    """What the rules and statements at hand ask. ``days``: whether the day of picking matters;
    ``own``: the years of lease that make land the winery's own, None where that is not asked;
    ``made``: where wine was fermented; ``here``: whether that was where it is bottled;
    ``weights``: the grapes behind it; ``values``: what was
    analysed; ``done``: what was done to it; ``materials``: what was added."""

    days: Callable[[date], bool] | None = None
    facts: tuple[str, ...] = ()
    own: int | None = None
    made: bool = False
    here: bool = False
    weights: bool = False
    values: bool = False
    done: bool = False
    materials: bool = False


def seen(leaf: Leaf, asked: Asked, extra: Seen, facts: tuple[tuple[str, Any], ...] = ()) -> Seen:
    """A source as far as it is asked about; ``extra`` has what only the cellar's records tell."""
    day = leaf.picked_on
    keep = day is not None and asked.days is not None and asked.days(day)
    return Seen(
        leaf.variety,
        leaf.vintage,
        leaf.stated if keep else None,
        day if keep else None,
        leaf.material,
        leaf.role,
        extra.own,
        extra.made_here,
        leaf.named,
        leaf.spans,
        extra.made_at,
        facts,
        leaf.places,
    )


def wanted(packs: Sequence[Pack], statements: Iterable[Mapping[str, Any]]) -> Asked:
    """What packs and statements ask of sources."""
    stated = list(statements)
    rules = [rule for pack in packs for rule in pack.rule]
    texts = [each for one in stated for each in one.get("text") or ()]
    shifts = [shift for pack in packs for shift in pack.year_shift]
    by_harvest = any(rule.valid_by == "harvest" for rule in rules)
    facts = {name for each in texts for name in each.get("where") or {} if name in FIELDS}

    own = [rule.own_years for rule in rules if rule.own]

    def days(day: date) -> bool:
        return by_harvest or any(s.since <= f"{day:%m-%d}" <= s.until for s in shifts)

    return Asked(
        days=days,
        facts=tuple(sorted(facts - {"place"})),
        own=max(own, default=0) if any(one.get("estate_bottled") for one in stated) else None,
        made=any(rule.made_in for rule in rules) or any(one.get("bottler") for one in stated),
        here=any(one.get("bottler") in ("produced", "made") for one in stated),
        weights=any(rule.basis == "grapes" for rule in rules),
        done=any(one.get("bottler") not in (None, "produced", "made") for one in stated),
        materials=any(
            _about(rule, one) for rule in rules if rule.allergens or rule.unadded for one in stated
        ),
        values=any(one.get("alcohol") for one in stated) or bool(texts),
    )


def _about(rule: Rule, statements: Mapping[str, Any]) -> bool:
    """Whether a rule is about any of these statements, by its words where it has some."""
    said = statements.get(STATEMENT[rule.dimension]) or ()
    if rule.dimension != "text":
        return bool(said)
    return any(any(mentioned(rule, str(each.get("says", "")))) for each in said)


class _Map(Places):
    """Places that remember what they were asked: most sources name the same."""

    def __init__(self, registers: Registers, instant: int) -> None:
        super().__init__(registers, instant)
        self._known: dict[tuple[str, tuple[str, ...]], bool | None] = {}

    def inside(self, place: str, named: Sequence[str]) -> bool | None:
        """As for all places, each asked once."""
        key = (place, tuple(named))
        if key not in self._known:
            self._known[key] = super().inside(place, named)
        return self._known[key]


class Evidence:
    """A lot, looked at for what is asked."""

    def __init__(self, view: View, lot: Lot, asked: Asked, instant: int | None = None) -> None:
        self.view, self.lot, self.asked = view, lot, asked
        claimed = view.claimed(lot)
        self.instant = claimed if instant is None else instant
        self._by_fill = self.instant == claimed
        self._map = _Map(view.cellar.registers, self.instant)
        self._maps: dict[int, Places] = {}
        self.estate = False
        """Whether all of it is of fruit that is said to be the estate's."""
        self.premises = Premises(view, self.instant)
        self._events: dict[int, dict[str, Any]] = {}
        self._stays: dict[int | None, Stay] | None = None
        self._here: dict[int, bool] = {}

    def fills(self, content: Sequence[tuple[int, int]] | None = None) -> list[Fill]:
        """The fills of a bottled lot, else the lot as one; a given content as one."""
        fills = fills_of(self.lot) if content is None else {}
        whole = list(content or self.view.content(self.lot))
        parts = [[(node, 1)] for node in fills] or [whole]
        bodies = self._compositions(parts)
        if not fills:
            amount = sum(amount for _, amount in whole)
            return [self._known(Fill(None, self._pooled(bodies[0]), max(amount, 1)), None, None)]
        positions = self.view.positions(fills)
        events = self.view.events(positions.values())
        return [
            self._known(
                Fill(events[positions[node]]["id"], self._pooled(body, node), amount),
                positions[node],
                node,
            )
            for (node, amount), body in zip(fills.items(), bodies, strict=True)
        ]

    def _known(self, fill: Fill, position: int | None, node: int | None) -> Fill:
        """The fill with what else is asked and known of it."""
        found = self._analysed(node)
        return replace(
            fill,
            placed=self.premises.placed,
            stay=self._stay(position),
            measured=found.values,
            unmeasured=found.why,
            analyses=found.events,
            format=self.lot.format or None if fill.event is not None else None,
            done=self._done,
            materials=self._went_in[0],
            untold=self._went_in[1],
        )

    def _analysed(self, node: int | None) -> Analysed:
        if not self.asked.values:
            return Analysed()
        if node is None or self.lot.sort != BOTTLES:
            return self._wine
        return self._bottles.get(node, Analysed())

    @cached_property
    def _wine(self) -> Analysed:
        return of_wines(self.view, [self.lot]).get(self.lot.name, Analysed())

    @cached_property
    def _bottles(self) -> dict[int, Analysed]:
        return of_fills(self.view, [self.lot])[self.lot.name]

    @cached_property
    def _done(self) -> frozenset[str]:
        return done(self.view, self.lot, self.instant) if self.asked.done else frozenset()

    @cached_property
    def _went_in(self) -> tuple[dict[str, Used], tuple[str, ...]]:
        return went_in(self.view, self.lot, self.instant) if self.asked.materials else ({}, ())

    def _stay(self, position: int | None) -> Stay | None:
        if self.asked.own is None:
            return None
        if self._stays is None:
            self._stays = stays(self.view, self.lot, self.instant)
        return self._stays.get(position)

    # Sources

    def _compositions(self, parts: list[list[tuple[int, int]]]) -> list[Composition]:
        """The compositions, with the marks that are asked for on their leaves."""
        made = self.asked.here or (self.asked.made and not self.premises.alone)
        weights = self.asked.weights and self.lot.sort != MASS
        worked = bool({"organism", "regime"} & set(self.asked.facts))
        kinds = Kinds(True, "fraction" in self.asked.facts, made or weights or worked)
        if made or weights:
            bodies = self._marked(parts, kinds, ferments=made or worked)
        else:
            bodies = self.view.compositions(self.lot, parts, kinds=kinds, instant=self.instant)
        leaves = {leaf for body in bodies for leaf in body.leaves}
        self.estate = all(leaf.estate is True for leaf in leaves)
        owned = self.asked.own is not None
        needed = {leaf.position for leaf in leaves if leaf.kind == "receive" or owned}
        self._events = self.view.events(needed) if self.asked.made or owned else {}
        return bodies

    def _marked(
        self, parts: list[list[tuple[int, int]]], kinds: Kinds, *, ferments: bool
    ) -> list[Composition]:
        """Compositions whose leaves know their fermentation, and the weight of the grapes behind
        them."""
        everything = [part for content in parts for part in content]
        genealogy = self.view.genealogy(everything)
        top = max((node for node, _ in everything), default=0)
        pools = self.view.pools(top) if self.asked.weights else []
        ways = Waymarks(genealogy, pools, ferments=ferments)
        marked = ways.marked()
        expand = Expander(self.view, genealogy, everything, self.instant, ferments)

        def passed(node: int, mark: Mark) -> list[tuple[Leaf, Fraction]]:
            way = ways.passed(mark[2])
            found = expand(node, (mark[0], mark[1], way.ferment))
            return [
                (replace(leaf, ferment=way.ferment, weight=way.weight), share)
                for leaf, share in found
            ]

        seed = f"{self.view.head.root}/{self.lot.name}"
        return [Composition(marked, content, passed, seed, kinds) for content in parts]

    def _pooled(self, body: Composition, fill: int | None = None) -> Pooled[Seen]:
        """The sources as they are seen, by the places of the day on which a fill was bottled, with
        the weight of the grapes behind them if that is asked."""
        places = self._map if fill is None else self._map_of(fill)
        here = self.premises.filled(self.lot, fill) if self.asked.here else None
        see = partial(self._see, places=places, here=here)
        return body.pooled(see, _weight if self.asked.weights else None)

    def _map_of(self, fill: int) -> Places:
        bottled = self.lot.fills[fill].ended if fill in self.lot.fills else None
        if bottled is None or not self._by_fill:
            return self._map
        if bottled not in self._maps:
            self._maps[bottled] = _Map(self.view.cellar.registers, bottled)
        return self._maps[bottled]

    def _see(self, leaf: Leaf, places: Places, here: str | None) -> Seen:
        """A source as far as it is asked about."""
        facts = tuple((n, SEVERAL.get(n, FIELDS[n])(leaf)) for n in self.asked.facts)
        extra = Seen()
        if leaf.material is None:
            extra = Seen(
                own=self._own(leaf),
                made_here=self._made_here(leaf, here),
                made_at=self._made_at(leaf),
            )
        return seen(replace(leaf, places=places), self.asked, extra, facts)

    def _own(self, leaf: Leaf) -> bool | None:
        years = self.asked.own
        if years is None or leaf.block is None:
            return None
        event, zone = self._events[leaf.position], self.view.zone
        instant = moments.instant(event["at"], zone)
        if event["kind"] == "receive" and leaf.picked_on is not None:
            instant = moments.instant(leaf.picked_on.isoformat(), zone)
        picked = Picking(instant, moments.day(instant, zone))
        return controlled(self.view.cellar.registers, leaf.block, picked, leaf.estate, years)

    def _made_here(self, leaf: Leaf, here: str | None) -> bool | None:
        """Whether the bottler fermented it at the premises where it is bottled (``here``). Of
        wine whose fermentation is not recorded nobody knows, nor of must that may yet ferment."""
        if not self.asked.here:
            return None
        event = self._events.get(leaf.position, {"kind": leaf.kind})
        if made_elsewhere(event):
            return False if event.get("supplier") else None
        if leaf.ferment is None or not self._stayed(leaf.ferment):
            return None
        found = self._fermented(leaf)
        return found == (here,) if here is not None and len(found) == 1 else None

    def _stayed(self, ferment: int) -> bool:
        if ferment not in self._here:
            self._here[ferment] = self.premises.stayed(self._ferments[ferment])
        return self._here[ferment]

    @cached_property
    def _ferments(self) -> dict[int, Ferment]:
        return self.view.ferments()

    def _made_at(self, leaf: Leaf) -> tuple[tuple[str, ...], ...]:
        """The places where it may have been fermented, those of each premises together."""
        if not self.asked.made or not self.premises.placed:
            return ()
        event = self._events.get(leaf.position, {"kind": leaf.kind})
        if made_elsewhere(event):
            named = tuple(event.get("fermented_at") or ())
            return (named,) if named else ()
        found = [self.premises.places(name) for name in self._fermented(leaf)]
        return tuple(dict.fromkeys(found)) if all(found) else ()

    def _fermented(self, leaf: Leaf) -> tuple[str, ...]:
        number = None if self.premises.alone else leaf.ferment
        ferment = self._ferments.get(number) if number is not None else None
        return self.premises.fermented(ferment)


def _weight(leaf: Leaf) -> Fraction | None:
    return leaf.weight if leaf.material is None else Fraction(0)
