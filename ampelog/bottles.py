"""Bottles: each output of a bottling is a fill, and stays one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog import quantities
from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave, no_role
from ampelog.fillings import Filling, Took
from ampelog.graph import Node
from ampelog.movement import Draw, Fill, Pool, arrive, draws, into, take
from ampelog.room import may_arrive
from ampelog.state import BOTTLES, MASS, Holding, Lot
from ampelog.steps import Step
from ampelog.transfers import book, shortfall


def bottle(cellar: Cellar, step: Step) -> None:
    """Wine becomes bottles. Each output is a fill, and keeps its own composition."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    if out[0].lot.sort == MASS:
        raise CannotHave(
            "wrong sort",
            "fruit cannot be bottled",
            "`crush` or `press` it first, or name the lot of wine",
            out[0].lot.name,
        )
    found = _outputs(cellar, model)
    keys = material_keys(cellar, model)
    for draw in out:
        held = cellar.holds.binding(draw.holding.holds | keys)
        if held:
            cellar.should_not(
                step,
                "bottled on hold",
                f"`{draw.lot.name}` was bottled while on hold ({', '.join(held)})",
                draw.lot.name,
            )
    missing = shortfall(cellar, step, out, found)
    may_arrive(cellar, step, out, found)
    pool = take(cellar, step, out)
    pool.holds |= keys
    book(cellar, out, found, missing, "bottle")
    ended = cellar.ended(step)
    for fill in found:
        begin_bottles(cellar, step, fill.lot)
        label = fill.label or cellar.lots[fill.lot].label
        _keep_label(cellar, step, fill, fill.label)
        lot = _enter_bottles(cellar, step, fill, pool)
        node = cellar.graph.add(
            Node(((pool.node, pool.amount),), step.position, fill.lot, fill.vessels[0])
        )
        lot.fills[node] = Filling(ended) if label is None else Filling(ended, label, ended)
        _add_fill(step, lot, fill, pool, [(node, fill.amount)])


def _outputs(cellar: Cellar, model: Any, format_: int = 0) -> list[Fill]:
    found = []
    labels: dict[str, str] = {}
    for output in model.to:
        first = labels.setdefault(output.lot, output.label) if output.label else None
        if output.label not in (None, first):
            raise CannotHave(
                "two labels",
                f"`{output.lot}` is filled under `{first}` and under `{output.label}`",
                "give the bottles of each label a lot of their own",
                output.lot,
            )
        lot = cellar.lots.get(output.lot)
        known = lot.format if lot is not None and lot.sort == BOTTLES else 0
        size = output.format or format_ or known
        if not size:
            raise CannotHave(
                "no format",
                f"`{output.lot}` is filled with bottles of no stated `format`",
                'give it, as in "750 mL"',
                output.lot,
            )
        found.append(
            Fill(
                output.lot,
                BOTTLES,
                [output.vessel],
                [output.bottles * size],
                format=size,
                label=output.label,
            )
        )
    return found


def _enter_bottles(cellar: Cellar, step: Step, fill: Fill, pool: Pool) -> Lot:
    lot = into(cellar, fill, pool, step.order)
    lot.label = fill.label or lot.label
    return lot


def begin_bottles(cellar: Cellar, step: Step, name: str) -> None:
    """Bottles that come into an empty lot start afresh: its old fills and release are over."""
    lot = cellar.lots.get(name)
    if lot is None:
        lot = cellar.lots[name] = Lot(name)
    if lot.empty:
        lot.fills, lot.label, lot.began = {}, None, step.order


def _add_fill(
    step: Step, lot: Lot, fill: Fill, pool: Pool, parts: Sequence[tuple[int, int]]
) -> None:
    """Put fills into the holdings of a lot: each holding takes its share of each."""
    left = list(parts)
    for vessel, amount in zip(fill.vessels, fill.amounts, strict=True):
        holding = lot.holdings.get(vessel) or Holding(0, (), "bottled", since=step.order)
        here = quantities.split(amount, [part for _, part in left])
        for (node, _), part in zip(left, here, strict=True):
            if part:
                holding = holding.filled(node, part)
        lot.holdings[vessel] = holding.held(pool.holds)
        left = [(node, part - q) for (node, part), q in zip(left, here, strict=True) if part > q]


def pack(cellar: Cellar, step: Step) -> None:
    """Bottles to bottles, the wine untouched: each fill stays a fill."""
    model: Any = step.model
    no_role(model)
    out = draws(cellar, model.from_, step)
    if any(draw.lot.sort != BOTTLES for draw in out):
        raise CannotHave(
            "wrong sort",
            "`pack` takes bottles to bottles; wine is filled by `bottle`",
            f"name a bottled lot, or record a `bottle` of `{out[0].lot.name}`",
            out[0].lot.name,
        )
    formats = {draw.lot.format for draw in out}
    if len(formats) > 1:
        raise CannotHave(
            "two formats",
            "`pack` keeps the format; `from` has two",
            "record an event for each format",
            out[0].lot.name,
        )
    found = _outputs(cellar, model, out[0].lot.format)
    if {fill.format for fill in found} != formats:
        raise CannotHave(
            "two formats",
            "`pack` keeps the format of the bottles",
            "leave out `format`, or pack into a lot of the same",
            found[0].lot,
        )
    missing = shortfall(cellar, step, out, found)
    may_arrive(cellar, step, out, found)
    label = _one_label(out)
    drawn = {draw.lot.name for draw in out}
    pool = take(cellar, step, out)
    known = {node: known for draw in out for node, known in draw.lot.fills.items()}
    pool.holds |= material_keys(cellar, model)
    book(cellar, out, found, missing, "pack")
    for fill in found:
        if fill.lot not in drawn:  # within its lot a bottle keeps its label and its release
            begin_bottles(cellar, step, fill.lot)
        fill.under = fill.label
        _keep_label(cellar, step, fill, fill.label or label)
    settle(cellar, step, pool, found, known)


def _keep_label(cellar: Cellar, step: Step, fill: Fill, label: str | None) -> None:
    """Bottles that come to bottles under another label bear that from now on, which is odd."""
    there = cellar.lots[fill.lot]
    if there.empty or there.label is None:
        fill.label = label
    else:
        two_labels(cellar, step, there, label)
        fill.label = None


def two_labels(cellar: Cellar, step: Step, lot: Lot, label: str | None) -> None:
    """Note bottles under another label that come to those of a lot."""
    if label not in (None, lot.label):
        says = f"`{lot.name}` bears `{lot.label}`; bottles under `{label}` came in"
        cellar.find(step, "two labels", says, lot.name)


def _one_label(out: Sequence[Draw]) -> str | None:
    """The label of the bottles drawn, where it is one: they go on bearing it."""
    labels = {draw.lot.label for draw in out}
    return labels.pop() if len(labels) == 1 else None


def settle(
    cellar: Cellar,
    step: Step,
    pool: Pool,
    found: Sequence[Fill],
    known: dict[int, Filling],
) -> None:
    """What was drawn arrives: as one body, or, of bottles, each fill in proportion.

    ``known`` is what is known of the fills, by node.
    """
    if found[0].sort != BOTTLES:
        arrive(cellar, step, pool, found)
        return
    left = list(pool.parts)
    filled = sum(fill.amount for fill in found)
    if filled > pool.amount:  # a gain is of what was drawn, in proportion
        amounts = quantities.split(filled, [amount for _, amount in left])
        left = [(node, more) for (node, _), more in zip(left, amounts, strict=True)]
    for fill in found:
        lot = _enter_bottles(cellar, step, fill, pool)
        parts = quantities.split(fill.amount, [amount for _, amount in left])
        here = [(node, part) for (node, _), part in zip(left, parts, strict=True) if part]
        for node, _ in here:
            one = known.get(node, Filling())
            worn = one if fill.under is None else one.under(fill.under, cellar.ended(step))
            lot.fills.setdefault(node, worn)
        lot.took.append(Took(step.position, tuple(here)))
        _add_fill(step, lot, fill, pool, here)
        left = [(n, a - p) for (n, a), p in zip(left, parts, strict=True) if a > p]


def material_keys(cellar: Cellar, model: Any) -> frozenset[str]:
    lots = [use.lot for use in getattr(model, "materials", None) or () if use.lot is not None]
    if getattr(model, "material_lot", None) is not None:
        lots.append(model.material_lot)
    return frozenset(f"material:{lot}" for lot in lots) & cellar.holds.watched
