"""The wines that a blend may draw on, as a trial's file names them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from ampelog.errors import Refused
from ampelog.questions import View
from ampelog.shorthand import endpoint
from ampelog.state import VOLUME, Lot


class Wine(Struct, frozen=True):
    """A lot that may be used: what it is drawn by, and in 10^-12 L the most that can be taken of it
    and what lies there and in all of the lot."""

    use: str
    source: dict[str, Any]
    vessels: tuple[str | None, ...]
    held: int
    there: int
    whole: int
    spirit: bool

    @property
    def lot(self) -> str:
        """The lot's name."""
        return str(self.source["lot"])

    def drawn(self, amount: str) -> dict[str, Any]:
        """A draw of a quantity, as a `blend` event has it."""
        return {**self.source, "volume": amount}

    def content(self, lot: Lot) -> list[tuple[int, int]]:
        """What is in an even draw on its vessels."""
        holdings = [lot.holdings[vessel] for vessel in self.vessels]
        whole = 1
        for holding in holdings:
            whole *= holding.amount
        parts: dict[int, int] = {}
        for holding in holdings:
            for node, amount in holding.parts:
                parts[node] = parts.get(node, 0) + amount * (whole // holding.amount)
        return list(parts.items())


def usable(view: View, uses: Sequence[str]) -> list[Wine]:
    """The wines of a file's ``use``, each drawn evenly on its vessels. ``Refused`` where one holds
    none, or two are of the same wine."""
    found = [_wine(view, use) for use in uses]
    seen: dict[tuple[str, str | None], str] = {}
    for wine in found:
        for vessel in wine.vessels:
            before = seen.get((wine.lot, vessel))
            if before is not None:
                where = f" in `{vessel}`" if vessel is not None else ""
                says = f"target, use: `{before}` and `{wine.use}` both draw on `{wine.lot}`{where}"
                raise Refused(says, hint="name each vessel once")
            seen[wine.lot, vessel] = wine.use
    return found


def _wine(view: View, use: str) -> Wine:
    source = endpoint(use, quantity=False)
    lot = view.lot(source["lot"])
    if lot.sort != VOLUME or not lot.holdings:
        raise Refused(f"target: `{lot.name}` holds no wine, juice or must to use")
    vessels = source.get("vessels") or ([source["vessel"]] if "vessel" in source else None)
    if vessels is None:
        vessels = list(lot.holdings)
        if vessels != [None]:
            key = "vessel" if len(vessels) == 1 else "vessels"
            source = {**source, key: vessels[0] if len(vessels) == 1 else vessels}
    strange = [vessel for vessel in vessels if vessel not in lot.holdings]
    if strange:
        where = ", ".join(f"`{each}`" for each in lot.holdings if each is not None)
        raise Refused(f"target: `{lot.name}` is not in `{strange[0]}`", hint=f"it lies in {where}")
    # Drawn evenly, so that the vessel that holds least bounds what can be taken.
    each = [lot.holdings[vessel].amount for vessel in vessels]
    spirit = any(lot.holdings[vessel].state == "spirit" for vessel in vessels)
    held = min(each) * len(each)
    return Wine(use, source, tuple(vessels), held, sum(each), lot.amount, spirit)
