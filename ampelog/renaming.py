"""A lot's new name: its holdings bear it from then on; nothing moves."""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from ampelog.apart import part
from ampelog.bottles import two_labels
from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave
from ampelog.fillings import Took
from ampelog.inplace import target
from ampelog.movement import Draw, Fill, Pool, close, into
from ampelog.room import may_arrive
from ampelog.state import BOTTLES, NO_HOLDS, Holding, Lot
from ampelog.steps import Step


def register(cellar: Cellar, step: Step) -> None:
    """Registers were entered before the replay; a lot's new name takes effect here."""
    if step.model.of:
        _rename(cellar, step)


def _rename(cellar: Cellar, step: Step) -> None:
    """Holdings bear another lot's name from now on: nothing moves, nothing mixes in vessels."""
    model: Any = step.model
    for endpoint in model.of:
        lot, holdings = target(cellar, endpoint)
        if lot.name == model.name:
            raise CannotHave(
                "same name",
                f"`{lot.name}` already bears that name",
                "give the name that it bears from now on in `name`",
                lot.name,
            )
        vessels = [vessel for vessel, _ in holdings]
        amounts = [holding.amount for _, holding in holdings]
        fill = Fill(model.name, lot.sort, vessels, amounts, format=lot.format)
        out = [Draw(lot, vessel, holding, holding.amount) for vessel, holding in holdings]
        may_arrive(cellar, step, out, [fill])
        _hand_over(cellar, step, lot, holdings, fill)


def _hand_over(
    cellar: Cellar,
    step: Step,
    lot: Lot,
    holdings: list[tuple[str | None, Holding]],
    fill: Fill,
) -> None:
    """Take the holdings out of one lot's name and into another's."""
    if len(holdings) == len(lot.holdings):
        lot.last = dict(lot.holdings)
    pool = Pool(0, fill.amount, lot.sort, "", NO_HOLDS, cellar.owners(lot, step.instant))
    new = into(cellar, fill, pool, lot.since)
    if lot.sort == BOTTLES:
        if new.empty:
            new.fills, new.began, new.label = {}, lot.began, lot.label
            new.releases = list(lot.releases)
        elif new.label is not None:
            two_labels(cellar, step, new, lot.label)
        new.fills.update(lot.fills)
    lot.tally(lot.sort).out += fill.amount
    new.tally(lot.sort).into += fill.amount
    cellar.touched(lot)
    for vessel, _ in holdings:
        if lot.sort != BOTTLES:
            close(cellar, step, lot, vessel, force=True)
        elif step.position in cellar.apart:
            part(cellar, step, lot, vessel)
        holding = lot.holdings.pop(vessel)
        cellar.leave(lot, vessel)
        cellar.enter(new, vessel)
        if lot.sort == BOTTLES:
            new.took.append(Took(step.position, holding.parts))
        there = new.holdings.get(vessel)
        if there is None:
            new.holdings[vessel] = replace(holding, closed=False)
            continue
        for node, amount in holding.parts:
            there = there.filled(node, amount)
        new.holdings[vessel] = there.held(holding.holds)
