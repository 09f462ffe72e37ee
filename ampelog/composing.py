"""Composition by any fields, as rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from typing import Any

from ampelog.composition import Composition
from ampelog.errors import Refused
from ampelog.genealogy import Kinds
from ampelog.quantities import SCALE, text
from ampelog.questions import View
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, Lot

BOTTLE_DECIMALS = 6
"""Decimals of a number of bottles, where a shared draw left parts of them."""


def _joined(values: Sequence[str] | None) -> str | None:
    return None if values is None else ", ".join(values)


FIELDS: dict[str, Callable[[Leaf], Any]] = {
    "variety": lambda leaf: leaf.variety,
    "vintage": lambda leaf: leaf.vintage,
    "block": lambda leaf: leaf.block,
    "vineyard": lambda leaf: leaf.vineyard,
    "grower": lambda leaf: leaf.grower,
    "estate": lambda leaf: leaf.estate,
    "place": lambda _: None,
    "role": lambda leaf: leaf.role,
    "certification": lambda leaf: _joined(leaf.certifications),
    "picked_on": lambda leaf: leaf.picked_on.isoformat() if leaf.picked_on else None,
    "picking": lambda leaf: leaf.picking,
    "clone": lambda leaf: leaf.clone,
    "tags": lambda leaf: _joined(leaf.tags or None),
    "fraction": lambda leaf: leaf.fraction,
    "organism": lambda leaf: leaf.organism,
    "regime": lambda leaf: leaf.regime,
}


SEVERAL: dict[str, Callable[[Leaf], Any]] = {
    "certification": lambda leaf: leaf.certifications,
    "tags": lambda leaf: leaf.tags or None,
}
"""Fields of which a source may have several at once, one by one: a statement is about any."""


def fields(text_: str) -> list[str]:
    """The fields of a comma list; ``Refused`` names what is not one."""
    names = [name.strip() for name in text_.split(",") if name.strip()]
    unknown = [name for name in names if name not in FIELDS]
    if unknown or not names:
        seen = ", ".join(f"`{name}`" for name in unknown) or "nothing"
        raise Refused(f"--by: {seen} is no field", hint=f"fields: {', '.join(FIELDS)}")
    return names


def rows(composition: Composition, by: Sequence[str]) -> list[dict[str, Any]]:
    """The joint shares by these fields, largest first. A non-grape source has `material`."""

    def values(leaf: Leaf) -> tuple[Any, ...]:
        return (*(FIELDS[name](leaf) for name in by), leaf.material)

    if "place" in by:
        found = composition.overlapping(lambda leaf: _each_place(leaf, by))
    else:
        found = composition.rows(values)
    return [_row(by, key, share) for key, share in found]


def _each_place(leaf: Leaf, by: Sequence[str]) -> list[tuple[Any, ...]]:
    places: list[str | None] = sorted(leaf.around()) or [None]  # type: ignore[assignment]
    choices = [places if name == "place" else [FIELDS[name](leaf)] for name in by]
    return list(product(*choices, [leaf.material]))


def _row(by: Sequence[str], key: tuple[Any, ...], share: str) -> dict[str, Any]:
    row = dict(zip(by, key, strict=False))
    if key[-1] is not None:
        row["material"] = key[-1]
    return {**row, "share": share}


def fills_of(lot: Lot, vessel: str | None = None) -> dict[int, int]:
    """Of bottles: each fill with its amount (10^-12 L), in a vessel or over all holdings."""
    found: dict[int, int] = {}
    if lot.sort == BOTTLES:
        there = lot.contents()
        for holding in there.values() if vessel is None else [there[vessel]]:
            for node, amount in holding.parts:
                found[node] = found.get(node, 0) + amount
    return found


def count(lot: Lot, amount: int) -> str:
    """Bottles of a lot as a plain decimal: whole, or a part after shared draws."""
    return counts(lot, [amount])[0]


def counts(lot: Lot, amounts: Sequence[int]) -> list[str]:
    """Bottles of several parts of a lot, so that they sum to the bottles of all: the largest part
    takes what rounding down left."""
    if not amounts:
        return []
    counted = [amount * 10**BOTTLE_DECIMALS // lot.format for amount in amounts]
    whole = sum(amounts) * 10**BOTTLE_DECIMALS // lot.format
    counted[amounts.index(max(amounts))] += whole - sum(counted)
    return [text(one * 10 ** (SCALE - BOTTLE_DECIMALS)) for one in counted]


def composition(
    view: View, name: str, by: Sequence[str], vessel: str | None = None
) -> dict[str, Any]:
    """What a lot is made of; of bottles, in every fill as well."""
    lot = view.lot(name)
    kinds = Kinds(fraction="fraction" in by, ferment=not {"organism", "regime"}.isdisjoint(by))
    content = view.content(lot, vessel)
    fills = fills_of(lot, vessel)
    whole, *each = view.compositions(lot, [content, *([(node, 1)] for node in fills)], kinds=kinds)
    positions = view.positions(fills)
    events = view.events(positions.values())
    held = sum(amount for _, amount in content) if lot.holdings else 0
    return {
        "lot": lot.name,
        "volume_l" if lot.sort != "mass" else "mass_kg": text(held),
        "fills": [
            {
                "event": events[positions[node]]["id"],
                "bottles": bottles,
                "shares": rows(one, by),
            }
            for node, bottles, one in zip(
                fills, counts(lot, list(fills.values())), each, strict=True
            )
        ],
        "shares": rows(whole, by),
    }
