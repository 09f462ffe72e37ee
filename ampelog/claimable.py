"""All that a lot may say in a market, by how much, and what would end it.

What could be said is read off the wine: the varieties, years and places that are in it, alone and
together by falling share. Each is put before the packs as a label of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import moments
from ampelog.claims import Verdict, judge
from ampelog.errors import Refused
from ampelog.evidence import Evidence, wanted
from ampelog.headroom import room
from ampelog.labelling import HOME_MARKET, Labelled, Market, product_of
from ampelog.places import Places
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.scope import Label
from ampelog.shares import Fill, Leaf
from ampelog.state import MASS, Lot

MOST = 12
"""Varieties, years and places that are tried alone, the largest first."""
LEAST = Fraction(1, 100)
"""Of what is less in the wine nothing could be said alone."""
TOGETHER = 6
"""How many names are tried together, at most."""


def claimable(
    view: View,
    name: str,
    label: str | None = None,
    markets: Sequence[str] = (),
    adding: str | None = None,
) -> dict[str, Any]:
    """What may be said of a lot, or of it under a label, with the room that each row has."""
    lot = _liquid(view, name)
    if label is not None:
        rows = _of_label(view, lot, label, markets, adding)
    else:
        rows = _Search(view, lot, Market.of(markets or [HOME_MARKET]), adding).rows()
    return {"lot": name, "adding": adding, "claims": rows}


def _liquid(view: View, name: str) -> Lot:
    lot = view.lot(name)
    if lot.sort == MASS:
        raise Refused(f"`{name}` is held by mass", hint="ask of juice, must, wine or bottles")
    return lot


def _of_label(
    view: View, lot: Lot, label: str, markets: Sequence[str], adding: str | None
) -> list[dict[str, Any]]:
    """The statements of one label, taken together."""
    labelled = Labelled(view, lot, label, markets)
    asked = wanted(labelled.market.packs, [stated for stated, _ in labelled.stated])
    other = _added(view, adding, asked, labelled.instant)
    fills = {fill.event: fill for _, members in labelled.stated for fill in members}
    return [_told(row, fills, other, adding) for row in labelled.rows(other)]


def _added(view: View, name: str | None, asked: Any, instant: int) -> Fill | None:
    """The wine to be added, as one body."""
    if name is None:
        return None
    lot = _liquid(view, name)
    return Evidence(view, lot, asked, instant).fills(view.content(lot))[0]


def _told(
    row: Verdict, fills: Mapping[str | None, Fill], adding: Fill | None, name: str | None
) -> dict[str, Any]:
    fill = fills.get(row.fill) or next(iter(fills.values()))
    found = room(row, fill, adding, name)
    told: dict[str, Any] = {**row.as_json(), **found.as_json()}
    if found.figures is not None:  # the rule is in doubt, so that nothing stands to be ended
        told["why"] = f"{row.why} By the figures {text(found.figures)} L could still be added."
    return told


class _Candidate(Struct, frozen=True):
    """A label that could be, and the statements of it that are asked about."""

    stated: dict[str, Any]
    only: frozenset[str]


class _Search:
    """What could be said of a lot, before packs."""

    def __init__(self, view: View, lot: Lot, market: Market, adding: str | None) -> None:
        self.view, self.lot, self.market, self.name = view, lot, market, adding
        any_ = {"bottler": "produced", "appellation": True}
        asked = wanted(market.packs, [any_])
        sight = Evidence(view, lot, asked)
        self.fills = sight.fills()
        self.instant, self.estate = sight.instant, sight.estate
        if self.estate:
            asked = wanted(market.packs, [{**any_, "estate_bottled": True}])
            self.fills = Evidence(view, lot, asked).fills()
        self.places = Places(view.cellar.registers, self.instant)
        self.adding = _added(view, adding, asked, self.instant)

    def rows(self) -> list[dict[str, Any]]:
        """Every row once, what stands first."""
        on = moments.day(self.instant, self.view.zone)
        fills = {fill.event: fill for fill in self.fills}
        ids = tuple(pack.id for pack in self.market.packs)
        product = product_of(self.view, self.lot, self.instant)
        about = Label(product, ids, (), self.market.missing, self.adding, proof=False)
        about = replace(about, known={})
        found: dict[Verdict, None] = {}
        for one in self._candidates():
            label = replace(about, only=one.only)
            rows = judge(one.stated, self.fills, self.market.packs, self.places, on, label)
            found.update(dict.fromkeys(rows))
        return [_told(row, fills, self.adding, self.name) for row in found]

    def _candidates(self) -> Iterator[_Candidate]:
        alone, together = self._areas()
        areas: list[list[str]] = [[name] for name in alone] + together
        for names in areas:
            yield _Candidate(
                {"appellation": names, **self._shares(names, _grown)},
                frozenset({"appellation", "shares"}),
            )
        around: list[list[str] | None] = [*([name] for name in alone), None]
        for area in around:
            place = {"appellation": area} if area else {}
            for year in self._alone(lambda leaf: leaf.vintage):
                yield _Candidate({"vintage": year, **place}, frozenset({"vintage"}))
            for names in self._varieties():
                stated = {"variety": names, **place}
                if len(names) > 1:
                    stated |= self._shares(names, self._of_variety)
                yield _Candidate(stated, frozenset({"variety", "shares"}))
            if area and self.estate and self.places.type_of(area[0]) == "ava":
                yield _Candidate({"estate_bottled": True, **place}, frozenset({"estate_bottled"}))
        for name in self._places(lambda kind: kind == "vineyard"):
            yield _Candidate({"vineyard": name}, frozenset({"vineyard"}))
        yield _Candidate({"bottler": "produced"}, frozenset({"bottler"}))

    # What is in the wine, by falling share

    def _ranked(self, see: Any) -> dict[Any, Fraction]:
        """The values that are seen, by falling share."""
        sums: dict[Any, Fraction] = {}
        for value in dict.fromkeys(see(leaf) for leaf in self._leaves()):
            if value is not None:
                sums[value] = self._share(lambda leaf, value=value: see(leaf) == value)
        return dict(sorted(sums.items(), key=lambda item: (-item[1], str(item[0]))))

    def _alone(self, see: Any) -> list[Any]:
        found = self._ranked(see)
        return [value for value, share in found.items() if share >= LEAST][:MOST]

    def _leaves(self) -> Iterator[Leaf]:
        for fill in self.fills:
            yield from fill.composition.leaves

    def _share(self, counts: Any) -> Fraction:
        """What a share of the fills is, nearly: for ranking."""
        total = sum(fill.amount for fill in self.fills)
        found = Fraction(0)
        for fill in self.fills:
            weigh = [int(bool(counts(leaf))) for leaf in fill.composition.leaves]
            found += fill.composition.enclose(weigh)[0] * fill.amount / total
        return found

    def _varieties(self) -> Iterator[list[str]]:
        """Each grape alone, then the first of them together by falling share."""
        names: list[str] = []
        for name in self._ranked(lambda leaf: leaf.variety):
            if not any(self._same(name, other) for other in names):
                names.append(name)
        alone = set(self._alone(lambda leaf: leaf.variety))
        yield from ([name] for name in names if name in alone)
        yield from (names[:count] for count in range(2, min(len(names), TOGETHER) + 1))

    def _same(self, one: str, other: str) -> bool:
        """Whether two names are one grape, by the list of any of the packs."""
        return one == other or any(
            pack.grapes.same(one, other) is True for pack in self.market.packs
        )

    def _of_variety(self, leaf: Leaf, name: str) -> bool:
        return leaf.variety is not None and self._same(leaf.variety, name)

    def _places(self, wants: Any) -> list[str]:
        around: dict[str, None] = {}
        for leaf in self._leaves():
            for name in sorted(self.places.around(getattr(leaf, "named", ()))):
                if wants(self.places.type_of(name)):
                    around[name] = None
        shares = {name: self._share(lambda leaf, name=name: leaf.grown_in(name)) for name in around}
        ranked = sorted(shares, key=lambda name: (-shares[name], name))
        return [name for name in ranked if shares[name] >= LEAST][:MOST]

    def _areas(self) -> tuple[list[str], list[list[str]]]:
        """The places that could be named, and those of one type that could be named together."""
        alone = self._places(lambda kind: kind not in (None, "vineyard"))
        together = []
        rules = [rule for pack in self.market.packs for rule in pack.rule if rule.together]
        for kind in dict.fromkeys(type_ for rule in rules for type_ in rule.area_types):
            alike = [name for name in alone if self.places.type_of(name) == kind]
            apart: list[str] = []
            for name in alike:
                if not any(self._nested(name, other) for other in apart):
                    apart.append(name)
            together += [apart[:count] for count in range(2, min(len(apart), 3) + 1)]
        return alone, together

    def _nested(self, one: str, other: str) -> bool:
        return one in self.places.up(other) or other in self.places.up(one)

    def _shares(self, names: Sequence[str], counts: Any) -> dict[str, Any]:
        """Whole percents that sum to a hundred, as they would be printed."""
        if len(names) < 2:
            return {}
        exact = {
            name: self._share(lambda leaf, name=name: counts(leaf, name)) * 100 for name in names
        }
        total = sum(exact.values(), Fraction(0))
        if not total:
            return {}
        scaled = {name: share * 100 / total for name, share in exact.items()}
        whole = {name: int(share) for name, share in scaled.items()}
        rest = sorted(names, key=lambda name: whole[name] - scaled[name])
        for name in rest[: 100 - sum(whole.values())]:
            whole[name] += 1
        return {"shares": {name: str(percents) for name, percents in whole.items()}}


def _grown(leaf: Leaf, name: str) -> bool:
    return leaf.grown_in(name) is True
