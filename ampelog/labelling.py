"""A label before the rule packs: what it states of a lot, in every fill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import moments
from ampelog.claims import Verdict, judge, verdict
from ampelog.composing import fills_of
from ampelog.errors import Refused
from ampelog.evidence import Evidence, wanted
from ampelog.excerpt import ends
from ampelog.fillings import Filling
from ampelog.law import Pack
from ampelog.places import Places
from ampelog.questions import View
from ampelog.rules import markets as packs_of
from ampelog.scope import Label
from ampelog.shares import Fill, worst
from ampelog.state import Lot
from ampelog.told import unfolded

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


def product_of(view: View, lot: Lot, instant: int) -> str:
    """The class of product that a lot is: by its own style, else by that of the label it bears."""
    registers, label = view.cellar.registers, view.cellar.label_of(lot, instant)
    own = registers.at("lot", lot.name, instant).get("style")
    told = registers.at("label", label, instant).get("style") if label else None
    return _PRODUCTS.get(str(own or told), "still")


class Printed(Struct, frozen=True):
    """What a label says: its ``register`` and what it ``stated``, printed at an instant, ``since``,
    and judged by what was in force at another, that of the bottling, or of the question."""

    label: str
    register: dict[str, Any]
    stated: dict[str, Any]
    instant: int
    since: int


class Labelled:
    """A lot under a label: the statements, the packs, and the verdicts on them."""

    def __init__(
        self, view: View, lot: Lot, label: str | None = None, markets: Sequence[str] = ()
    ) -> None:
        self.view, self.lot, self._asked = view, lot, (label, list(markets))
        self.instant = view.claimed(lot)
        borne = label or view.cellar.label_of(lot, self.instant)
        if borne is None:
            raise Refused(
                f"`{lot.name}` bears no label and none is planned for it",
                hint="name one with --label, or register it: a `lot` event with `label`",
            )
        self.label: str = borne
        registers = view.cellar.registers
        if not registers.knows("label", borne):
            known = ", ".join(f"`{name}`" for name in registers.names("label"))
            raise Refused(f"there is no label `{borne}`", hint=f"labels: {known or 'none'}")
        self.register = registers.at("label", self.label, self.instant)

    @cached_property
    def market(self) -> Market:
        """The packs that the label is put before."""
        return self._market(self.register)

    def _about(self, one: Printed, market: Market, adding: Fill | None) -> Label:
        """What is known of a label beside its statements."""
        on = moments.day(one.since, self.view.zone).isoformat()
        approvals = [
            str(each["authority"])
            for each in one.register.get("approvals") or ()
            if each.get("date") is None or each["date"] <= on
        ]
        ids = tuple(pack.id for pack in market.packs)
        told = one.register.get("style")
        own = self.view.cellar.registers.at("lot", self.lot.name, one.instant).get("style")
        style = (told or own) if self._asked[0] else (own or told)
        product = _PRODUCTS.get(str(style), "still")
        return Label(product, ids, tuple(approvals), market.missing, adding)

    def rows(self, adding: Fill | None = None) -> list[Verdict]:
        """Every verdict; a statement must hold in every fill, under the label that the fill bears,
        by what was in force on the day of its bottling."""
        registers, zone = self.view.cellar.registers, self.view.zone
        found: list[Verdict] = []
        for one, fills in self.printed:
            market, places = self._market(one.register), Places(registers, one.instant)
            about = self._about(one, market, adding)
            on = moments.day(one.instant, zone)
            for row in judge(one.stated, fills, market.packs, places, on, about):
                says = row.why if one.label == self.label else f"Under `{one.label}`: {row.why}"
                found.append(replace(row, why=says))
        return list(dict.fromkeys(found))

    def _market(self, register: Mapping[str, Any]) -> Market:
        return Market.of(self._asked[1] or register.get("market") or [HOME_MARKET])

    @property
    def stated(self) -> list[tuple[dict[str, Any], list[Fill]]]:
        """The fills grouped by what their label states."""
        return [(one.stated, fills) for one, fills in self.printed]

    @cached_property
    def printed(self) -> list[tuple[Printed, list[Fill]]]:
        """The fills grouped by what is printed on them, and since when it is judged."""
        each = self._prints()
        packs = {pack.id: pack for one in each for pack in self._market(one.register).packs}
        asked = wanted(list(packs.values()), [one.stated for one in each])
        fills = Evidence(self.view, self.lot, asked).fills()
        groups: list[tuple[Printed, list[Fill]]] = []
        for mine, fill in zip(each, fills, strict=True):
            for other, members in groups:
                if other == mine:
                    members.append(fill)
                    break
            else:
                groups.append((mine, [fill]))
        return groups

    def _prints(self) -> list[Printed]:
        """What is printed on each fill, in their order; on a bulk lot what is to be printed."""
        nodes = fills_of(self.lot)
        if not nodes:
            says = dict(self.register.get("statements") or {})
            return [Printed(self.label, self.register, says, self.instant, self.instant)]
        positions = self.view.positions(nodes)
        events = self.view.events(positions.values())
        return [self._print(self.lot.fills[node], events[positions[node]]) for node in nodes]

    def _print(self, fill: Filling, event: dict[str, Any]) -> Printed:
        """What is printed on a fill: of the label that it bears, as that was when it was put on;
        of another that is asked about, as it is now. What a bottling states over its label goes
        with the first label alone."""
        registers = self.view.cellar.registers
        began = moments.instant(event["at"], self.view.zone) if fill.ended is None else fill.ended
        planned = registers.at("lot", self.lot.name, began).get("label")
        label, since = self.label, self.instant
        if self._asked[0] in (None, fill.label or planned):
            label, since = fill.label or planned or label, fill.since or began
        register = registers.at("label", label, since)
        says = dict(register.get("statements") or {})
        if event["kind"] == "bottle":
            first = {
                end.get("label") or registers.at("lot", end["lot"], began).get("label")
                for end in ends(unfolded(event), "to")
            }
            says |= event.get("statements") or {} if first & {label, None} else {}
        return Printed(label, register, says, began, since)


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
        "layers": layers(labelled.market.packs, rows),
        "claims": [row.proved() for row in rows],
    }


def layers(packs: Sequence[Pack], rows: Sequence[Verdict]) -> list[dict[str, str]]:
    """The verdict of each pack that has a word on a label (``pack``, ``title``, ``verdict``): the
    worst of what it says. A statement must stand before every one of them; what no rule of any
    judges is left open by all."""
    unjudged = [row.verdict for row in rows if row.pack is None]
    found = []
    for pack in packs:
        judged = [row.verdict for row in rows if row.pack == pack.id]
        if judged or unjudged:
            told = worst([*judged, *unjudged])
            found.append({"pack": pack.id, "title": pack.title, "verdict": told})
    return found
