"""Movements of wine and fruit: rack, barrel down, top, blend, crush, press; and their book."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

from ampelog import quantities
from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave, said
from ampelog.movement import Draw, Fill, Pool, arrive, close, draws, fills, reduce, take
from ampelog.room import may_arrive
from ampelog.state import MASS, VOLUME, Lot
from ampelog.steps import Step

LARGE = 20
"""A shortfall over a twentieth of what was drawn is a finding (EVENTS.md)."""

SHORTFALL_KINDS = frozenset({"rack", "top", "blend", "barrel_down", "bottle"})


def movement(cellar: Cellar, step: Step) -> None:
    """Rack, barrel down, top, blend: wine moves, and mixes where it arrives."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    found = fills(model.to)
    _one_dimension(out, found, step)
    if not (len(out) == len(found) == 1 and _topped(cellar, step, out[0], found[0])):
        _move(cellar, step, out, found)


def crush(cellar: Cellar, step: Step) -> None:
    """Fruit becomes must: kilograms go in, litres come out, and there is a yield."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    if out[0].lot.sort != MASS:
        raise CannotHave(
            "wrong sort",
            f"`crush` takes fruit or pomace by mass; `{out[0].lot.name}` is "
            f"held by {out[0].lot.sort}",
            "name the lot of fruit, or `press` the must",
            out[0].lot.name,
        )
    found = fills(model.to)
    for fill in found:
        if fill.sort != VOLUME:
            raise CannotHave(
                "two dimensions",
                f"`crush` makes must, by volume; `{fill.lot}` was filled by {fill.sort}",
                "give the volume of the must",
                fill.lot,
            )
    _yield(cellar, step, out, found)


def press(cellar: Cellar, step: Step) -> None:
    """Whole fruit yields juice by mass; must yields juice or wine by volume, and pomace."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    found = fills(end for end in model.to if end.lot is not None)
    for fill in found:
        if (fill.fraction == "pomace") != (fill.sort == MASS):
            raise CannotHave(
                "wrong sort",
                "an output of `press` is a volume, or a mass with the fraction `pomace`",
                "give its `volume`, or say that it is `pomace`",
                fill.lot,
            )
    _yield(cellar, step, out, found)


def _yield(cellar: Cellar, step: Step, out: list[Draw], found: list[Fill]) -> None:
    """A crush or press: what is lost of a volume is pomace; of a mass there is a yield."""
    wine = [fill for fill in found if fill.sort == VOLUME]
    if out[0].lot.sort != MASS:
        _move(cellar, step, out, wine, [fill for fill in found if fill.sort == MASS])
        return
    may_arrive(cellar, step, out, found)
    volume = sum(fill.amount for fill in wine)
    pool = take(cellar, step, out, volume=volume)
    if pool.state == "grapes":
        pool.state = "juice" if step.model.kind == "press" else "must"
    for draw in out:
        draw.lot.tally(MASS).out += draw.amount
    book_in(cellar, wine)
    _arrive(cellar, step, pool, wine, [fill for fill in found if fill.sort == MASS])


def _arrive(cellar: Cellar, step: Step, pool: Pool, wine: list[Fill], pomace: list[Fill]) -> None:
    if wine:
        arrive(cellar, step, pool, wine)
    if pomace:
        state, pool.state = pool.state, "pomace"
        arrive(cellar, step, pool, pomace)
        pool.state = state
        book_in(cellar, pomace)


def _one_dimension(out: Sequence[Draw], found: Sequence[Fill], step: Step) -> None:
    drawn = MASS if out[0].lot.sort == MASS else VOLUME
    for fill in found:
        if fill.sort != drawn:
            raise CannotHave(
                "two dimensions",
                f"`{step.model.kind}` draws {drawn} and fills {fill.sort}; mass becomes volume "
                "only in `crush` and `press`, and volume never becomes mass",
                f"give the quantity by {drawn}",
                fill.lot,
            )


def _move(
    cellar: Cellar,
    step: Step,
    out: list[Draw],
    found: list[Fill],
    pomace: Sequence[Fill] = (),
) -> None:
    """Within one dimension: the shortfall is lost, more out than in is a gain with a reason."""
    missing = shortfall(cellar, step, out, found)
    may_arrive(cellar, step, out, [*found, *pomace])
    pressed = sum(fill.amount for fill in found) if step.model.kind == "press" else 0
    pool = take(cellar, step, out, volume=pressed)
    book(cellar, out, found, missing, step.model.kind)
    _arrive(cellar, step, pool, found, list(pomace))


def _topped(cellar: Cellar, step: Step, draw: Draw, fill: Fill) -> bool:
    """What most toppings are, and so most of a log: one draw without a role or holds, that empties
    nothing, arrives whole in vessels of another lot that were filled together before. It comes to
    what ``_move`` does of it; the vessels themselves are not looked at (``Together``). False, and
    nothing done, in every other case."""
    source, lot, holding = draw.lot, cellar.lots.get(fill.lot), draw.holding
    if lot is None or lot is source or not source.sort == lot.sort == fill.sort == VOLUME:
        return False
    if draw.role or holding.holds or fill.full or fill.fraction:
        return False
    if draw.amount >= holding.amount or draw.amount != fill.amount:
        return False
    together = lot.together(fill.vessels)
    if together is None or max(fill.amounts) > together.least:
        return False
    node = close(cellar, step, source, draw.vessel)
    reduce(source, draw.vessel, draw.amount)
    cellar.touched(source)
    source.tally(VOLUME).out += draw.amount
    book_in(cellar, (fill,))
    lot.shared_by(cellar.owners(source, step.instant))
    cellar.touched(lot)
    together.add(node, fill.amounts)
    cellar.check_capacities(step, lot, fill.vessels)
    return True


def shortfall(cellar: Cellar, step: Step, out: Sequence[Draw], found: Sequence[Fill]) -> int:
    """What of the drawn did not arrive (10^-12 L or kg), below zero where there is more.

    More out than in is refused without a reason and is a finding with one; a large shortfall
    without a reason is a finding.
    """
    drawn = sum([draw.amount for draw in out])
    filled = sum([fill.amount for fill in found])
    missing, model = drawn - filled, step.model
    sort = found[0].sort if found else out[0].lot.sort
    if missing < 0 and model.gain is None:
        raise CannotHave(
            "more out than in",
            f"{said(filled, sort)} filled from {said(drawn, sort)} drawn",
            'check the quantities, or say why there is more with `"gain": "..."`',
            found[0].lot,
        )
    if missing < 0:
        says = f"{said(-missing, sort)} more filled than drawn: {model.gain}"
        cellar.find(step, "gain", says, found[0].lot)
    elif model.kind in SHORTFALL_KINDS and missing * LARGE > drawn and model.loss is None:
        part = quantities.floor_text(Fraction(missing * 100, drawn), 1)
        says = f"{said(missing, sort)} of {said(drawn, sort)} drawn did not arrive ({part} %)"
        cellar.find(step, "large shortfall", says, out[0].lot.name)
    return missing


def book(
    cellar: Cellar, out: Sequence[Draw], found: Sequence[Fill], missing: int, kind: str
) -> None:
    """Book a movement net: wine that stays in its lot is neither out nor in.

    A loss is borne by the lots drawn, a gain by those filled, in proportion.
    """
    sort = MASS if out[0].lot.sort == MASS else VOLUME
    drawn: dict[str, int] = {}
    for draw in out:
        drawn[draw.lot.name] = drawn.get(draw.lot.name, 0) + draw.amount
    filled: dict[str, int] = {}
    for fill in found:
        filled[fill.lot] = filled.get(fill.lot, 0) + fill.amount
    lost = _shared(missing, drawn)
    gained = _shared(-missing, filled)
    for name in drawn | filled:
        left = drawn.get(name, 0) - lost.get(name, 0)
        came = filled.get(name, 0) - gained.get(name, 0)
        lot = cellar.lots.get(name)
        if lot is None:
            lot = cellar.lots[name] = Lot(name)
        tally = lot.tally(sort)
        tally.out += max(left - came, 0)
        tally.into += max(came - left, 0)
        tally.gained += gained.get(name, 0)
        if kind == "press":
            tally.out += lost.get(name, 0)
            tally.pomace += lost.get(name, 0)
        else:
            tally.lose(kind, lost.get(name, 0))


def _shared(amount: int, over: dict[str, int]) -> dict[str, int]:
    """An amount above zero shared over lots in proportion."""
    if amount <= 0 or not over:
        return {}
    return dict(zip(over, quantities.split(amount, list(over.values())), strict=True))


def book_in(cellar: Cellar, found: Iterable[Fill]) -> None:
    for fill in found:
        lot = cellar.lots.get(fill.lot)
        if lot is None:
            lot = cellar.lots[fill.lot] = Lot(fill.lot)
        lot.tally(fill.sort).into += fill.amount
