"""The one rule for every movement (EVENTS.md, "One rule for every movement").

Draws are read against the cellar just before the event and leave together; the pool is their
mean by quantity; all fills arrive together, each with the pool's composition. A kind only says
what it draws and what it fills.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field
from msgspec.structs import replace

from ampelog import apart, quantities
from ampelog.endpoints import CannotHave, evenly, lot_of, place, said, shared, vessels_of
from ampelog.graph import Node
from ampelog.state import BOTTLES, MASS, NO_HOLDS, VOLUME, Holding, Lot, state_after

if TYPE_CHECKING:
    from ampelog.cellar import Cellar
    from ampelog.steps import Step

_NO_VESSEL: Sequence[None] = (None,)


class Draw(Struct):
    """A quantity that leaves one holding."""

    lot: Lot
    vessel: str | None
    holding: Holding
    amount: int
    role: str | None = None


class Fill(Struct):
    """A quantity that arrives in one lot, in one or several vessels, an amount each, ``full`` to
    each one's capacity; ``format``, ``label`` and ``under`` (which is put on) are those of bottles.
    """

    lot: str
    sort: str
    vessels: Sequence[str | None]
    amounts: Sequence[int]
    full: bool = False
    fraction: str | None = None
    format: int = 0
    label: str | None = None
    under: str | None = None

    @property
    def amount(self) -> int:
        """All that arrives."""
        return sum(self.amounts)


class Pool(Struct):
    """What was drawn of ``lots`` as one body: its node, or its fills where bottles stay bottles."""

    node: int
    amount: int
    sort: str
    state: str
    holds: frozenset[str]
    owners: frozenset[str | None]
    ferment: int | None = None
    parts: list[tuple[int, int]] = field(default_factory=list)
    lots: frozenset[str] = frozenset()


def draws(cellar: Cellar, endpoints: Sequence[Any], step: Step) -> list[Draw]:
    """What leaves, read against the cellar just before the event; each covered by what is held."""
    found: list[Draw] = []
    sums: dict[tuple[str, str | None], tuple[int, bool, Draw]] = {}
    for endpoint in endpoints:
        lot, role, whole = lot_of(cellar, endpoint.lot), endpoint.role, bool(endpoint.all)
        leaving = shared(lot, endpoint, whole=whole, by_content=False)
        drawn = [Draw(lot, vessel, holding, amount, role) for vessel, holding, amount in leaving]
        found += drawn
        if whole or (endpoint.vessel is None and endpoint.vessels is None):
            cellar.note_resolved(step, [(draw.vessel, draw.amount) for draw in drawn])
        if len(endpoints) > 1:
            _add_up(sums, drawn, whole)
    if len(endpoints) == 1:  # names no holding twice
        for draw in found:
            _check_covered(draw, draw.amount)
        return found
    for amount, _, draw in sums.values():
        _check_covered(draw, amount)
    if len({draw.lot.sort == MASS for draw in found}) > 1:
        raise CannotHave(
            "two dimensions",
            "`from` mixes mass and volume; wanted one of them",
            "record two events",
            found[0].lot.name,
        )
    return found


def _add_up(
    sums: dict[tuple[str, str | None], tuple[int, bool, Draw]], drawn: Iterable[Draw], whole: bool
) -> None:
    """One holding named twice adds up, not together with `all`."""
    for draw in drawn:
        key = (draw.lot.name, draw.vessel)
        amount, was_whole, _ = sums.get(key, (0, False, draw))
        if key in sums and (was_whole or whole):
            raise CannotHave(
                "all and more",
                f"`{draw.lot.name}` in {place(draw.vessel)} is drawn twice, once with `all`",
                "draw it once",
                draw.lot.name,
            )
        sums[key] = (amount + draw.amount, whole, draw)


def _check_covered(draw: Draw, amount: int) -> None:
    if amount > draw.holding.amount:
        raise CannotHave(
            "more drawn than held",
            f"`{draw.lot.name}` in {place(draw.vessel)} holds "
            f"{said(draw.holding.amount, draw.lot.sort)} then; "
            f"{said(amount, draw.lot.sort)} drawn",
            "check the quantity and the vessel, or record what is missing before it",
            draw.lot.name,
        )


def close(cellar: Cellar, step: Step, lot: Lot, vessel: str | None, *, force: bool = False) -> int:
    """Make a holding's contents one node, labelled with its lot and vessel; return the node."""
    holdings = lot.holdings
    holding = holdings[vessel]
    if holding.closed and not force:
        return holding.parts[0][0]
    node = cellar.graph.add(
        Node(holding.parts, step.position, lot.name, vessel, ferment=holding.ferment)
    )
    holdings[vessel] = replace(holding, parts=((node, holding.amount),), closed=True)
    return node


def take(cellar: Cellar, step: Step, found: Sequence[Draw], volume: int = 0) -> Pool:
    """All draws leave together; returns what was drawn as one body.

    ``volume`` is what a crush or press yielded: it stands on the pool's node, beside its mass where
    fruit was drawn.
    """
    first = found[0]
    sort = MASS if first.lot.sort == MASS else VOLUME
    before = _emptied(found)
    parts: dict[int, int] = {}
    amount, holds = 0, NO_HOLDS
    owners: frozenset[str | None] = frozenset()
    lot = None
    for draw in found:
        if draw.lot is not lot:
            lot = draw.lot
            owners |= cellar.owners(lot, step.instant)
        if draw.holding.holds:
            holds |= draw.holding.holds
        amount += draw.amount
        for node, part in _drawn(cellar, step, draw):
            parts[node] = parts.get(node, 0) + part
    _forget(cellar, found, before)
    node = next(iter(parts))
    if len(parts) > 1 or volume:
        mass = amount if sort == MASS else 0
        node = cellar.graph.add(Node(tuple(parts.items()), step.position, mass=mass, volume=volume))
    largest = max(found, key=_weight)
    state = first.holding.state if len(found) == 1 else _state(found)
    return Pool(
        node,
        amount,
        sort,
        state,
        cellar.live_holds(holds),
        owners,
        largest.holding.ferment,
        list(parts.items()),
        frozenset([draw.lot.name for draw in found]),
    )


def _weight(draw: Draw) -> tuple[bool, int, bool, int]:
    """Whose fermentation goes on in a mixture: that of the most, of equals that begun first."""
    stretch = draw.holding.ferment
    return (draw.role is None, draw.amount, stretch is not None, -(stretch or 0))


def _emptied(found: Sequence[Draw]) -> dict[str, dict[str | None, Holding]]:
    """The holdings, as they were, of the lots that these draws empty."""
    if len(found) == 1 and found[0].amount < found[0].holding.amount:
        return {}
    totals: dict[str, int] = {}
    lots = {draw.lot.name: draw.lot for draw in found}
    for draw in found:
        totals[draw.lot.name] = totals.get(draw.lot.name, 0) + draw.amount
    return {name: dict(lot.holdings) for name, lot in lots.items() if totals[name] == lot.amount}


def _drawn(cellar: Cellar, step: Step, draw: Draw) -> Sequence[tuple[int, int]]:
    """Take one draw from its holding; returns what left, as (node, amount)."""
    lot, vessel = draw.lot, draw.vessel
    out: Sequence[tuple[int, int]]
    if lot.sort == BOTTLES:
        out = apart.drawn(cellar, step, draw, reduce(lot, vessel, draw.amount))
    else:
        out = ((close(cellar, step, lot, vessel), draw.amount),)
        reduce(lot, vessel, draw.amount)
    if draw.role is not None or (lot.sort == BOTTLES and step.model.kind not in _KEEPS_FILLS):
        label = Node(tuple(out), step.position, lot.name, vessel, role=draw.role)
        out = ((cellar.graph.add(label), draw.amount),)
    return out


def reduce(lot: Lot, vessel: str | None, amount: int) -> list[tuple[int, int]]:
    """Take an amount out of a holding, from each part in proportion; returns what left.

    A holding of zero stays until the event is over (``_forget``).
    """
    holdings = lot.holdings
    holding = holdings[vessel]
    parts, left = holding.parts, holding.amount - amount
    rest: tuple[tuple[int, int], ...]
    if len(parts) == 1:
        node = parts[0][0]
        gone, rest = [(node, amount)], ((node, left),)
    else:
        shares = quantities.split(amount, [part for _, part in parts])
        pairs = list(zip(parts, shares, strict=True))
        gone = [(node, share) for (node, _), share in pairs if share]
        rest = tuple([(node, part - share) for (node, part), share in pairs if part > share])
    holdings[vessel] = replace(holding, amount=left, parts=rest if left else ())
    return gone


def _forget(
    cellar: Cellar, found: Sequence[Draw], before: dict[str, dict[str | None, Holding]]
) -> None:
    """An emptied holding forgets; an emptied lot remembers what it last held."""
    for draw in found:
        lot, vessel = draw.lot, draw.vessel
        cellar.touched(lot)
        holdings = lot.holdings
        held = holdings.get(vessel)
        if held is not None and held.amount == 0:
            del holdings[vessel]
            cellar.leave(lot, vessel)
            if not holdings:
                lot.last = before[lot.name]


_KEEPS_FILLS = frozenset({"pack", "ship", "return"})
"""Kinds in which bottles stay bottles; in any other what is drawn passes through its lot."""
_FINISHED = ("wine", "spirit", "bottled")


def _state(found: Sequence[Draw]) -> str:
    """The state of a pool: that of the larger part of what was drawn without a role; of equal
    parts that of the more finished."""
    amounts: dict[str, int] = {}
    for draw in found:
        if draw.role is None or len(found) == 1:
            state = draw.holding.state
            amounts[state] = amounts.get(state, 0) + draw.amount
    if not amounts:
        return found[0].holding.state
    return max(amounts, key=lambda state: (amounts[state], state in _FINISHED, state))


def fills(endpoints: Iterable[Any]) -> list[Fill]:
    """What arrives, as stated; several vessels with one quantity share it evenly.

    Endpoints that say the same but for vessels and amounts are one fill.
    """
    found: list[Fill] = []
    said_last: tuple[object, ...] = ()
    for endpoint in endpoints:
        sort, total = _filled(endpoint)
        vessels: Sequence[str | None] = vessels_of(endpoint) or _NO_VESSEL
        if len(vessels) == 1:
            amounts = [total]
        elif endpoint.each is not None:
            amounts = [total] * len(vessels)
        else:
            vessels, amounts = evenly(total, list(vessels))
        full = getattr(endpoint, "full", None) is True  # only outputs of `top` know it
        fraction = getattr(endpoint, "fraction", None)  # only those of `press`
        saying = (endpoint.lot, sort, full, fraction)
        if saying == said_last and set(vessels).isdisjoint(found[-1].vessels):
            last = found[-1]
            last.vessels, last.amounts = [*last.vessels, *vessels], [*last.amounts, *amounts]
        else:
            found.append(Fill(endpoint.lot, sort, vessels, amounts, full, fraction))
            said_last = saying
    return found


def _filled(endpoint: Any) -> tuple[str, int]:
    if endpoint.each is not None:
        sort, amount = endpoint.each.dimension, endpoint.each.amount
    elif endpoint.volume is not None:
        sort, amount = VOLUME, endpoint.volume
    elif endpoint.mass is not None:
        sort, amount = MASS, endpoint.mass
    else:
        sort, amount = BOTTLES, endpoint.bottles
    if sort not in (VOLUME, MASS):
        raise CannotHave(
            "wrong sort",
            "bottles cannot be filled here",
            "bottles are filled by `bottle`, and moved or labelled by `pack`",
            endpoint.lot,
        )
    return sort, amount


def arrive(cellar: Cellar, step: Step, pool: Pool, found: Sequence[Fill]) -> None:
    """All fills arrive together, each with the pool's composition (after ``may_arrive``)."""
    for fill in found:
        lot = into(cellar, fill, pool, step.order)
        state = state_after(pool.state, fill.sort)
        node = pool.node
        if fill.fraction is not None:
            node = cellar.graph.add(Node(((node, 1),), step.position, fraction=fill.fraction))
        together = None if fill.full or pool.holds else lot.together(fill.vessels)
        if together is not None and max(fill.amounts) <= together.least:
            together.add(node, fill.amounts)
            cellar.check_capacities(step, lot, fill.vessels)
            continue
        empty = Holding(0, (), state, ferment=pool.ferment, since=step.order)
        befores = [lot.holdings.get(vessel, empty) for vessel in fill.vessels]
        if empty in befores:
            _enter(cellar, lot, fill, befores)
        if fill.full:
            for vessel, before, amount in zip(fill.vessels, befores, fill.amounts, strict=True):
                lot.holdings[vessel] = before
                cellar.fill_up(step, lot, vessel, pool, amount)
            continue
        _fill_each(lot, fill, befores, (pool, node, state))
        cellar.check_capacities(step, lot, fill.vessels)


def _fill_each(
    lot: Lot, fill: Fill, befores: Sequence[Holding], body: tuple[Pool, int, str]
) -> None:
    """Fill vessel by vessel. Those that held alike and are filled alike hold alike: one sum
    serves them all."""
    pool, node, state = body
    seen: dict[tuple[int, int], Holding] = {}
    holdings = lot.holdings
    for vessel, before, amount in zip(fill.vessels, befores, fill.amounts, strict=True):
        key = (id(before), amount)
        after = seen.get(key)
        if after is None:
            after = seen[key] = filled_with(before, pool, node, amount, state)
        holdings[vessel] = after
    if len(fill.vessels) > 1:
        lot.filled_together(fill.vessels)


def _enter(cellar: Cellar, lot: Lot, fill: Fill, befores: Sequence[Holding]) -> None:
    for vessel, before in zip(fill.vessels, befores, strict=True):
        if not before.parts:
            cellar.enter(lot, vessel)


def filled_with(before: Holding, pool: Pool, node: int, amount: int, state: str) -> Holding:
    """A holding after a fill. Wine that takes in a little must stays wine: the larger part
    decides."""
    after = before.filled(node, amount)
    if after.state != state and before.amount < amount:
        after = replace(after, state=state)
    return after.held(pool.holds) if pool.holds else after


def into(cellar: Cellar, fill: Fill, pool: Pool, order: tuple[int, int]) -> Lot:
    """The lot that a fill enters; one that held nothing begins then, unless it was drawn for it."""
    lot = cellar.lots.get(fill.lot)
    if lot is None:
        lot = cellar.lots[fill.lot] = Lot(fill.lot)
        lot.sort, lot.format, lot.since = fill.sort, fill.format, order
    elif lot.empty:
        lot.sort, lot.format = fill.sort, fill.format or lot.format
        lot.owners = frozenset()
        lot.since = lot.since if lot.name in pool.lots else order
    lot.shared_by(pool.owners)
    cellar.touched(lot)
    return lot
