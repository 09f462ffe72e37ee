"""A label before the rule packs: what it states of a lot, in every fill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import cached_property
from typing import Any

from msgspec import Struct

from ampelog import moments
from ampelog.claims import Verdict, judge, verdict
from ampelog.composing import fills_of
from ampelog.errors import Refused
from ampelog.evidence import Evidence, wanted
from ampelog.law import Pack
from ampelog.places import Places
from ampelog.questions import View
from ampelog.rules import known, pack
from ampelog.rules import markets as packs_of
from ampelog.scope import Label
from ampelog.shares import Fill, Judgement, worst
from ampelog.state import Lot

HOME_MARKET = "us"
_PRODUCTS = {"sparkling": "sparkling", "fortified": "fortified"}
"""The class of product that a label's style says; all else is still wine."""


class Market(Struct, frozen=True):
    """The packs that a label is put before, and the markets that there is no pack for."""

    packs: tuple[Pack, ...]
    missing: tuple[str, ...] = ()

    @classmethod
    def of(cls, names: Sequence[str]) -> Market:
        """The packs of these markets, with their home law."""
        packs, missing = packs_of(names)
        return cls(packs, missing)


class Labelled:
    """A lot under a label: the statements, the packs, and the verdicts on them."""

    def __init__(
        self, view: View, lot: Lot, label: str | None = None, markets: Sequence[str] = ()
    ) -> None:
        self.view, self.lot = view, lot
        self.instant = view.claimed(lot)
        self.label = label or view.cellar.label_of(lot, self.instant)
        if self.label is None:
            raise Refused(
                f"`{lot.name}` bears no label and none is planned for it",
                hint="name one with --label, or register it: a `lot` event with `label`",
            )
        registers = view.cellar.registers
        if not registers.knows("label", self.label):
            known = ", ".join(f"`{name}`" for name in registers.names("label"))
            raise Refused(f"there is no label `{self.label}`", hint=f"labels: {known or 'none'}")
        self.register = registers.at("label", self.label, self.instant)
        self.markets = list(markets) or self.register.get("market") or [HOME_MARKET]

    @property
    def on(self) -> date:
        """The day of the claim."""
        return moments.day(self.instant, self.view.zone)

    @cached_property
    def market(self) -> Market:
        """The packs that the label is put before."""
        return Market.of(self.markets)

    def about(self, adding: Fill | None = None, *, proof: bool = True) -> Label:
        """What is known of the label beside its statements."""
        style = str(self.register.get("style"))
        approvals = [str(each["authority"]) for each in self.register.get("approvals") or ()]
        ids = tuple(pack.id for pack in self.market.packs)
        product = _PRODUCTS.get(style, "still")
        return Label(product, ids, tuple(approvals), self.market.missing, adding, proof=proof)

    def rows(self, adding: Fill | None = None) -> list[Verdict]:
        """Every verdict; a statement must hold in every fill."""
        places = Places(self.view.cellar.registers, self.instant)
        about = self.about(adding)
        found: list[Verdict] = []
        for stated, fills in self.stated:
            found += judge(stated, fills, self.market.packs, places, self.on, about)
        return list(dict.fromkeys(found))

    @cached_property
    def stated(self) -> list[tuple[dict[str, Any], list[Fill]]]:
        """The fills grouped by what their label states: a bottling may state its own vintage."""
        base = self.register.get("statements") or {}
        each = stated_by_fill(self.view, self.lot, base)
        asked = wanted(self.market.packs, list(each.values()))
        fills = Evidence(self.view, self.lot, asked).fills()
        groups: list[tuple[dict[str, Any], list[Fill]]] = []
        for fill in fills:
            mine = each[fill.event]
            for other, members in groups:
                if other == mine:
                    members.append(fill)
                    break
            else:
                groups.append((mine, [fill]))
        return groups


def stated_by_fill(
    view: View, lot: Lot, base: Mapping[str, Any]
) -> dict[str | None, dict[str, Any]]:
    """What the label states of each fill, by its event; of a bulk lot under None."""
    fills = fills_of(lot)
    if not fills:
        return {None: dict(base)}
    positions = view.positions(fills)
    events = view.events(positions.values())
    found: dict[str | None, dict[str, Any]] = {}
    for node in fills:
        event = events[positions[node]]
        found[event["id"]] = {**base, **(event.get("statements") or {})}
    return found


def claims(
    view: View, name: str, label: str | None = None, markets: Sequence[str] = ()
) -> dict[str, Any]:
    """Whether a label's statements may be printed of a lot."""
    labelled = Labelled(view, view.lot(name), label, markets)
    rows = labelled.rows()
    return {
        "lot": name,
        "label": labelled.label,
        "verdict": verdict(rows),
        "claims": [row.proved() for row in rows],
    }


def layers(rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, Judgement]]:
    """The verdict of each pack that judged one of these rows (as JSON): its title, and the worst of
    what it says. A statement must stand before every one of them."""
    found: dict[str, list[Judgement]] = {}
    for row in rows:
        names = [name for name in known() if str(row["rule"]).startswith(f"{name}-")]
        if names:
            found.setdefault(max(names, key=len), []).append(row["verdict"])
    return [(pack(name).title, worst(judged)) for name, judged in found.items()]
