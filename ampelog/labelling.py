"""A label before the rule packs: what it states of a lot, in every fill."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from ampelog import moments
from ampelog.claims import Verdict, judge, verdict
from ampelog.composing import fills_of
from ampelog.errors import Refused
from ampelog.places import Places
from ampelog.questions import View
from ampelog.rules import markets as packs_of
from ampelog.shares import Fill
from ampelog.state import Lot

HOME_MARKET = "us"


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

    def rows(self) -> list[Verdict]:
        """Every verdict; a statement must hold in every fill."""
        packs, missing = packs_of(self.markets)
        places = Places(self.view.cellar.registers, self.instant)
        found: list[Verdict] = []
        for statements, fills in self._stated():
            found += judge(statements, fills, packs, places, self.on, missing=missing)
        return list(dict.fromkeys(found))

    def _stated(self) -> list[tuple[dict[str, Any], list[Fill]]]:
        """The fills grouped by what their label states: a bottling may state its own vintage."""
        view, lot = self.view, self.lot
        base = self.register.get("statements") or {}
        fills = fills_of(lot)
        if not fills:
            return [(base, [Fill(None, view.composition(lot))])]
        compositions = view.compositions(lot, [[(node, 1)] for node in fills])
        positions = view.positions(fills)
        events = view.events(positions.values())
        groups: list[tuple[dict[str, Any], list[Fill]]] = []
        for node, composition in zip(fills, compositions, strict=True):
            event = events[positions[node]]
            stated = {**base, **(event.get("statements") or {})}
            fill = Fill(event["id"], composition)
            for known, members in groups:
                if known == stated:
                    members.append(fill)
                    break
            else:
                groups.append((stated, [fill]))
        return groups


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
        "claims": [row.as_json() for row in rows],
    }
