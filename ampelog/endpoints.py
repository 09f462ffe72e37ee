"""Endpoints and targets, read against the cellar: which holdings, and how much of each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from ampelog import quantities
from ampelog.quantities import in_unit, text
from ampelog.state import BOTTLES, MASS, UNITS, VOLUME, Holding, Lot

if TYPE_CHECKING:
    from ampelog.cellar import Cellar

T = TypeVar("T")
_WRITTEN = quantities.ONE // 10_000
"""Nobody writes more than four decimals of a litre or a kilogram."""


class CannotHave(Exception):
    """What an event says cannot have happened in this cellar; it is refused."""

    def __init__(self, rule: str, says: str, hint: str = "", lot: str | None = None) -> None:
        super().__init__(says)
        self.rule, self.says, self.hint, self.lot = rule, says, hint, lot


def place(vessel: str | None) -> str:
    """A holding's place in words."""
    return f"`{vessel}`" if vessel is not None else "no vessel"


def said(amount: int, sort: str) -> str:
    """An amount in words; one of many decimals was written in gallons or pounds, and is read so."""
    exact = f"{text(amount)} {UNITS[sort]}"
    if amount % _WRITTEN == 0:
        return exact
    unit = "lb" if sort == MASS else "gal"
    return f"{in_unit(amount, unit)} {unit} ({exact})"


def lot_of(cellar: Cellar, name: str) -> Lot:
    """The lot of that name, or a refusal that names the nearest."""
    lot = cellar.lots.get(name)
    if lot is None:
        raise CannotHave("unknown lot", f"there is no lot `{name}` then", cellar.near(name), name)
    return lot


def _stated(lot: Lot, endpoint: Any) -> int | None:
    """The one quantity of an endpoint or target for a lot, or None when it is `all`, `each`."""
    if endpoint.bottles is not None:
        if lot.sort != BOTTLES:
            raise CannotHave(
                "wrong sort",
                f"`{lot.name}` is no bottled lot; `bottles` were named",
                f"give its `{lot.sort}`, or name the bottled lot",
                lot.name,
            )
        return int(endpoint.bottles) * lot.format
    amount = endpoint.volume if endpoint.volume is not None else endpoint.mass
    if amount is not None:
        _same_sort(lot, VOLUME if endpoint.volume is not None else MASS)
    return amount  # type: ignore[no-any-return]  # endpoints of several models


def _each(lot: Lot, endpoint: Any) -> int:
    dimension, amount = endpoint.each.dimension, endpoint.each.amount
    if dimension == BOTTLES:
        _same_sort(lot, BOTTLES)
        return int(amount) * lot.format
    _same_sort(lot, dimension)
    return int(amount)


def _same_sort(lot: Lot, sort: str) -> None:
    if lot.sort != sort:
        raise CannotHave(
            "wrong sort",
            f"`{lot.name}` is held by {lot.sort}; a quantity by {sort} was named",
            f"give its `{lot.sort}`",
            lot.name,
        )


def held_in(lot: Lot, vessel: str | None) -> Holding:
    """The holding of a lot in a vessel, or a refusal that says where the lot is."""
    holding = lot.holdings.get(vessel)
    if holding is None:
        raise CannotHave(
            "nothing there",
            f"`{lot.name}` is not in {place(vessel)} then; {where_it_is(lot)}",
            "name the vessel that holds it, or record how it came there",
            lot.name,
        )
    return holding


def emptied(lot: Lot) -> CannotHave:
    """The refusal of what was drawn from, or happened to, a lot that holds nothing."""
    return CannotHave(
        "nothing there",
        f"`{lot.name}` holds nothing then",
        "check the time and the lot's name, or record what came into it",
        lot.name,
    )


def where_it_is(lot: Lot) -> str:
    """Where a lot lies, in words."""
    if not lot.holdings:
        return "it holds nothing"
    places = list(lot.holdings)
    shown = ", ".join(place(vessel) for vessel in places[:6])
    more = f" and {len(places) - 6} more" if len(places) > 6 else ""
    return f"it lies in {shown}{more}"


def vessels_of(endpoint: Any) -> list[str] | None:
    """The vessels that an endpoint or target names, or None."""
    if endpoint.vessels is not None:
        return endpoint.vessels  # type: ignore[no-any-return]
    return [endpoint.vessel] if endpoint.vessel is not None else None


def no_role(model: Any) -> None:
    """Refuse a role where nothing is mixed: bottles would lose what is known of their fills."""
    for endpoint in model.from_:
        if endpoint.role is not None:
            raise CannotHave(
                "a role",
                f"`{model.kind}` mixes nothing; `{endpoint.lot}` was drawn as `{endpoint.role}`",
                "leave out `role`: it is for what is mixed into a wine",
                endpoint.lot,
            )


def evenly(total: int, among: list[T]) -> tuple[list[T], list[int]]:
    """Share a quantity evenly; what is too little for all goes to the first named."""
    among = among[:total]
    part, rest = divmod(total, len(among))
    return among, [part + 1] * rest + [part] * (len(among) - rest)


def shared(
    lot: Lot, endpoint: Any, *, whole: bool, by_content: bool
) -> list[tuple[str | None, Holding, int]]:
    """The holdings of an endpoint or target, each with its amount; ``whole`` is all of each.

    One quantity over several vessels is shared evenly by an endpoint, by content by a target.
    """
    named = vessels_of(endpoint)
    holdings: list[tuple[str | None, Holding]]
    if named is None:
        if not lot.holdings:
            raise emptied(lot)
        holdings = list(lot.holdings.items())
    else:
        held = lot.holdings
        holdings = [(vessel, held.get(vessel) or held_in(lot, vessel)) for vessel in named]
    if whole:
        return [(vessel, holding, holding.amount) for vessel, holding in holdings]
    if endpoint.each is not None:
        each = _each(lot, endpoint)
        return [(vessel, holding, each) for vessel, holding in holdings]
    total = _stated(lot, endpoint)
    assert total is not None, "the model wants a quantity"
    if len(holdings) == 1:
        return [(*holdings[0], total)]
    if named is None and not by_content:
        raise CannotHave(
            "which vessel",
            f"`{lot.name}` lies in {len(holdings)} holdings; {where_it_is(lot)}",
            "name the vessel that the quantity was drawn from",
            lot.name,
        )
    if by_content:
        parts = quantities.split(total, [holding.amount for _, holding in holdings])
    else:
        holdings, parts = evenly(total, holdings)
    return [(v, holding, part) for (v, holding), part in zip(holdings, parts, strict=True)]
