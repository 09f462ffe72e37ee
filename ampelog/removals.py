"""What leaves, and what must not leave yet: removals, rest, release, holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave, lot_of, no_role
from ampelog.fillings import Shipped
from ampelog.movement import Draw, Pool, draws, take
from ampelog.state import BOTTLES, Lot
from ampelog.steps import Step


def ship(cellar: Cellar, step: Step) -> None:
    """Something leaves; what must not leave is refused or, with `despite`, found."""
    model: Any = step.model
    no_role(model)
    out = draws(cellar, model.from_, step)
    lot = out[0].lot
    _check_removal(step, out)
    if model.removal in ("taxpaid", "export"):
        _check_release(cellar, step, lot)
        held = {hold for draw in out for hold in cellar.holds.binding(draw.holding.holds)}
        if held:
            cellar.should_not(
                step,
                "left on hold",
                f"`{lot.name}` left {model.removal} while on hold ({', '.join(sorted(held))})",
                lot.name,
            )
    for draw in out:
        lot.tally(lot.sort).out += draw.amount
    pool = take(cellar, step, out)
    lot.shipped.append(_shipped(step, lot, pool))


def _shipped(step: Step, lot: Lot, pool: Pool) -> Shipped:
    """What left on a document and may come back."""
    fills = {node: lot.fills[node] for node, _ in pool.parts if node in lot.fills}
    document, left = step.model.document, tuple(pool.parts)
    kept = (pool.holds, pool.parts, fills, step.position, left)
    return Shipped(document, lot.sort, lot.format, pool.state, *kept)


def _check_removal(step: Step, out: Sequence[Draw]) -> None:
    model: Any = step.model
    lot = out[0].lot
    states = {draw.holding.state for draw in out}
    needs = lot.sort == BOTTLES or states & {"wine", "spirit"}
    if needs and model.removal is None:
        raise CannotHave(
            "no removal",
            f"`{lot.name}` is {', '.join(sorted(states))}; `ship` needs its `removal`",
            "taxpaid, in bond, export, tasting, testing, family, distilling, vinegar or destroyed",
            lot.name,
        )
    if not needs and model.removal is not None and states <= {"grapes", "juice", "pomace"}:
        raise CannotHave(
            "removal of fruit",
            f"`{lot.name}` is {', '.join(sorted(states))}; it bears no `removal`",
            "leave out `removal`: it is for wine, spirit and bottles",
            lot.name,
        )
    if model.to is None and model.removal not in ("tasting", "family", "destroyed"):
        raise CannotHave(
            "no consignee",
            f"`{lot.name}` left, and nobody is named in `to`",
            "name the party; only tasting, family and destroyed need none",
            lot.name,
        )


def _check_release(cellar: Cellar, step: Step, lot: Lot) -> None:
    """Bottles whose label states a rest may leave once it is over and they are released."""
    label = cellar.label_of(lot, step.instant)
    if lot.sort != BOTTLES or label is None:
        return
    rest = cellar.registers.at("label", label, step.instant).get("rest")
    if rest is None:
        return
    free = cellar.rest_ends(lot, rest)
    today = cellar.day(step.instant)
    if not lot.may_leave(step.instant):
        says = f"`{lot.name}` left on {today}; its label `{label}` asks a rest ({rest}"
        says += f", over on {free}) and no `release` is in force"
    elif free is not None and today < free:
        says = f"`{lot.name}` left on {today}; the rest that its label `{label}` asks ({rest}) "
        says += f"is over on {free}"
    else:
        return
    cellar.should_not(step, "left before its release", says, lot.name)


def release(cellar: Cellar, step: Step) -> None:
    """A lot's bottles may leave from now on."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    if lot.sort != BOTTLES:
        # A later entry may find wine where a recorded release looked ahead: then it is only odd.
        if step.new:
            raise CannotHave(
                "wrong sort",
                f"`{lot.name}` is no bottled lot",
                "name the lot that holds the bottles",
                lot.name,
            )
        cellar.find(step, "release of no bottles", f"`{lot.name}` is no bottled lot", lot.name)
    lot.releases.append(step.order)
    cellar.touched(lot)
