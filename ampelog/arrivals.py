"""What comes in: fruit picked, anything received, what was shipped and returns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog import quantities
from ampelog.bottles import begin_bottles, settle, two_labels
from ampelog.cellar import NOBODY, Cellar
from ampelog.endpoints import CannotHave, evenly, lot_of, said, vessels_of
from ampelog.fillings import Filling
from ampelog.graph import Node
from ampelog.movement import Fill, Pool, arrive, fills
from ampelog.room import may_arrive
from ampelog.state import BOTTLES, MASS, NO_HOLDS, VOLUME, Lot, sort_of
from ampelog.steps import Step
from ampelog.transfers import book_in


def pick(cellar: Cellar, step: Step) -> None:
    """Fruit comes in from a block: a source."""
    model: Any = step.model
    holds = _watched(cellar, f"block:{model.block}")
    _bring(cellar, step, [Fill(model.lot, MASS, [model.vessel], [model.mass])], "grapes", holds)


def receive(cellar: Cellar, step: Step) -> None:
    """Whatever enters otherwise: a source, of known or unknown composition."""
    model: Any = step.model
    if model.material is not None:
        return
    if model.bottles is not None:
        begin_bottles(cellar, step, model.lot)
        found = [in_bottles(model, model.format)]
    else:
        found = fills([model])
    state = model.state or {MASS: "grapes", VOLUME: "wine", BOTTLES: "bottled"}[found[0].sort]
    if sort_of(state) != found[0].sort:
        raise CannotHave(
            "wrong sort",
            f"`{state}` is received by {sort_of(state)}, not by {found[0].sort}",
            f"give the quantity by {sort_of(state)}, or the `state` that it came in",
            model.lot,
        )
    holds = NO_HOLDS
    for part in model.composition or ():
        if part.block is not None:
            holds |= _watched(cellar, f"block:{part.block}")
    lot = _bring(cellar, step, found, state, holds)
    if found[0].sort == BOTTLES:
        lot.label = model.label or lot.label


def in_bottles(model: Any, format_: int) -> Fill:
    """Bottles that come in, over one or several vessels."""
    vessels: Sequence[str | None] = vessels_of(model) or [None]
    vessels, counts = evenly(model.bottles, list(vessels))
    amounts = [count * format_ for count in counts]
    return Fill(model.lot, BOTTLES, vessels, amounts, format=format_)


def _bring(cellar: Cellar, step: Step, found: list[Fill], state: str, holds: frozenset[str]) -> Lot:
    """A source enters the cellar."""
    name, sort = found[0].lot, found[0].sort
    node = cellar.graph.add(Node((), step.position, name, found[0].vessels[0]))
    amount = sum(fill.amount for fill in found)
    may_arrive(cellar, step, (), found)
    book_in(cellar, found)
    arrive(cellar, step, Pool(node, amount, sort, state, holds, NOBODY), found)
    lot = cellar.lots[name]
    if sort == BOTTLES:
        named = getattr(step.model, "label", None)
        lot.fills[node] = Filling() if named is None else Filling(None, named, step.instant)
    return lot


def _watched(cellar: Cellar, key: str) -> frozenset[str]:
    return frozenset((key,)) if key in cellar.holds.watched else NO_HOLDS


def return_(cellar: Cellar, step: Step) -> None:
    """What was shipped comes back: the composition and fills that left."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    gone_out = [one for one in lot.shipped if one.parts]
    out = [s for s in gone_out if model.document is None or s.document == model.document]
    like = [s for s in out if (s.sort == BOTTLES) == (model.bottles is not None)]
    if like:  # of all that was shipped, only the like can come back
        formats = [one.format for one in like]
        wanted = lot.format if lot.format in formats else formats[0]
        out = [s for s in like if s.format == wanted]
    elif model.document is None:
        out = []
    gone = sum(amount for record in out for _, amount in record.parts)
    if not out:
        on = f" on `{model.document}`" if model.document else ""
        raise CannotHave(
            "not shipped",
            f"nothing of `{lot.name}` was shipped{on}",
            "check the document",
            lot.name,
        )
    first = out[0]
    sort = first.sort
    if sort == BOTTLES:
        if model.bottles is None:
            raise CannotHave(
                "wrong sort", f"`{lot.name}` left as `bottles`", "give `bottles`", lot.name
            )
        found = [in_bottles(model, first.format)]
    else:
        found = fills([model])
        if found[0].sort != sort:
            raise CannotHave(
                "wrong sort", f"`{lot.name}` left by {sort}", f"give its `{sort}`", lot.name
            )
    amount = sum(fill.amount for fill in found)
    if amount > gone:
        raise CannotHave(
            "more back than shipped",
            f"{said(amount, sort)} of `{lot.name}` came back; {said(gone, sort)} are out",
            "check the quantity and the document; what never left from here is a `receive`",
            lot.name,
        )
    may_arrive(cellar, step, (), found)
    known = {node: fill for record in out for node, fill in record.fills.items()}
    pool = _take_back(cellar, step, lot, out, amount)
    for label in dict.fromkeys(known[node].label for node, _ in pool.parts if node in known):
        two_labels(cellar, step, lot, label)
    book_in(cellar, found)
    settle(cellar, step, pool, found, known)


def _take_back(cellar: Cellar, step: Step, lot: Lot, out: list[Any], amount: int) -> Pool:
    slots = [(record, index) for record in out for index in range(len(record.parts))]
    weights = [record.parts[index][1] for record, index in slots]
    parts: dict[int, int] = {}
    for (record, index), back in zip(slots, quantities.split(amount, weights), strict=True):
        node, left = record.parts[index]
        record.parts[index] = (node, left - back)
        if back:
            parts[node] = parts.get(node, 0) + back
    for record in out:
        record.parts = [(node, left) for node, left in record.parts if left]
    first = out[0]
    node = next(iter(parts))
    if len(parts) > 1 and first.sort != BOTTLES:
        node = cellar.graph.add(Node(tuple(parts.items()), step.position))
    holds = frozenset(key for record in out for key in record.holds)
    return Pool(
        node,
        amount,
        first.sort,
        first.state,
        cellar.live_holds(holds),
        cellar.owners(lot, step.instant),
        parts=list(parts.items()),
    )
