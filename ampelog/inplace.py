"""What happens in place: treatments, measurements, losses, fermentation, notes and holds."""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from ampelog import quantities
from ampelog.apart import part
from ampelog.bottles import material_keys
from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave, emptied, held_in, lot_of, place, said, shared, vessels_of
from ampelog.graph import Ferment, Node
from ampelog.movement import close
from ampelog.state import BOTTLES, VOLUME, Holding, Lot
from ampelog.steps import Step


def target(cellar: Cellar, model: Any) -> tuple[Lot, list[tuple[str | None, Holding]]]:
    """The holdings that an event in place is about; a refusal where nothing is held."""
    lot = lot_of(cellar, model.lot)
    vessels = vessels_of(model)
    if vessels is not None:
        return lot, [(vessel, held_in(lot, vessel)) for vessel in vessels]
    if not lot.holdings:
        raise emptied(lot)
    return lot, list(lot.holdings.items())


def treat(cellar: Cellar, step: Step) -> None:
    """An addition or treatment makes a new body of every holding; `adds` is a source of its own."""
    model: Any = step.model
    lot, holdings = target(cellar, model)
    if lot.sort != VOLUME:
        raise CannotHave(
            "wrong sort",
            f"`treat` is for juice, must, wine and spirit; `{lot.name}` is held by {lot.sort}",
            "name the lot of juice, must, wine or spirit that was treated",
            lot.name,
        )
    cellar.touched(lot)
    keys = material_keys(cellar, model)
    added = [0] * len(holdings)
    source = None
    if model.adds is not None or _adds_each(model):
        source = cellar.graph.add(Node((), step.position, role=model.role))
        added = (
            [model.each.amount] * len(holdings)
            if model.adds is None
            else quantities.split(model.adds, [holding.amount for _, holding in holdings])
        )
        lot.tally(VOLUME).into += sum(added)
        if vessels_of(model) is None:
            vessels = [vessel for vessel, _ in holdings]
            cellar.note_resolved(step, zip(vessels, added, strict=True))
    for (vessel, _), more in zip(holdings, added, strict=True):
        if source is not None and more:
            close(cellar, step, lot, vessel)
            lot.holdings[vessel] = lot.holdings[vessel].filled(source, more)
            if vessel is not None:
                cellar.check_capacity(step, lot, vessel)
        close(cellar, step, lot, vessel, force=True)
        lot.holdings[vessel] = lot.holdings[vessel].held(keys)


def _adds_each(model: Any) -> bool:
    """Whether `each` is a volume that every vessel gets: it has a role then, as `adds` has."""
    return model.each is not None and model.each.dimension == VOLUME and model.role is not None


def gauge(cellar: Cellar, step: Step) -> None:
    """The book becomes the measurement; the composition does not change."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    found = shared(lot, model, whole=bool(model.empty), by_content=True)
    cellar.touched(lot)
    cellar.note_resolved(step, [(vessel, holding.amount) for vessel, holding, _ in found])
    before = dict(lot.holdings)
    above = [] if model.empty else [one for one in found if one[2] > one[1].amount]
    if above:
        book = sum(holding.amount for _, holding, _ in above)
        measured = sum(amount for _, _, amount in above)
        where = "" if len(above) == len(found) else f" in {place(above[0][0])}"
        if model.reason is None:
            book, measured = (above[0][1].amount, above[0][2]) if where else (book, measured)
            raise CannotHave(
                "above the book",
                f"{said(measured, lot.sort)} of `{lot.name}` measured{where}; the book says "
                f"{said(book, lot.sort)}",
                "give the `reason` (dip, inventory, produced, contraction), or record what came in",
                lot.name,
            )
        if model.reason != "produced":
            cellar.find(
                step,
                "gain",
                f"`{lot.name}`{where} measured {said(measured - book, lot.sort)} above the "
                f"book ({model.reason})",
                lot.name,
            )
    tally = lot.tally(lot.sort)
    for vessel, holding, amount in found:
        now = 0 if model.empty else amount
        if now < holding.amount:
            tally.lose(model.reason or "gauge", holding.amount - now)
        else:
            tally.gained += now - holding.amount
        _set(cellar, step, lot, vessel, now)
        if now and model.reason == "produced":
            _ended(cellar, step, lot, vessel)
        if now and vessel is not None:
            cellar.check_capacity(step, lot, vessel)
    if not lot.holdings:
        lot.last = before


def _set(cellar: Cellar, step: Step, lot: Lot, vessel: str | None, now: int) -> None:
    """A holding's amount becomes ``now``, its composition unchanged."""
    if now == 0:
        del lot.holdings[vessel]
        cellar.leave(lot, vessel)
        return
    if lot.sort != BOTTLES:
        close(cellar, step, lot, vessel)
    holding = lot.holdings[vessel]
    amounts = quantities.split(now, [amount for _, amount in holding.parts])
    parts = [(node, part) for (node, _), part in zip(holding.parts, amounts, strict=True) if part]
    lot.holdings[vessel] = replace(holding, amount=now, parts=tuple(parts))


def loss(cellar: Cellar, step: Step) -> None:
    """Something of a target is gone."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    found = shared(lot, model, whole=bool(model.all), by_content=True)
    if model.all or vessels_of(model) is None:
        cellar.note_resolved(step, [(vessel, amount) for vessel, _, amount in found])
    for vessel, holding, amount in found:
        if amount > holding.amount:
            raise CannotHave(
                "more lost than held",
                f"`{lot.name}` in {place(vessel)} holds {said(holding.amount, lot.sort)} then; "
                f"{said(amount, lot.sort)} lost",
                "check the quantity and the vessel",
                lot.name,
            )
    cellar.touched(lot)
    before = dict(lot.holdings)
    for vessel, holding, amount in found:
        if amount:
            lot.tally(lot.sort).lose(model.reason, amount)
            _set(cellar, step, lot, vessel, holding.amount - amount)
    if not lot.holdings:
        lot.last = before


def ferment(cellar: Cellar, step: Step) -> None:
    """Alcoholic fermentation marks the bodies it happens in; its end makes must wine."""
    model: Any = step.model
    lot, holdings = target(cellar, model)
    cellar.touched(lot)
    keys = material_keys(cellar, model)
    begins = model.culture == "alcoholic" and model.stage != "end"
    for vessel, before in holdings:
        holding = lot.holdings[vessel] = before.held(keys)
        if step.position in cellar.apart:
            holding = _apart(cellar, step, lot, vessel)
        elif model.materials and not begins and lot.sort != BOTTLES:
            close(cellar, step, lot, vessel, force=True)  # what went in is of this body alone
            holding = lot.holdings[vessel]
        if model.culture != "alcoholic" or lot.sort == BOTTLES:
            continue  # in bottle each fill ferments for itself, and stays a fill
        if model.stage == "end":
            if holding.ferment is not None:
                close(cellar, step, lot, vessel)
            _ended(cellar, step, lot, vessel)
            lot.holdings[vessel] = replace(lot.holdings[vessel], ferment=None)
            continue
        stretch = _stretch(cellar, step, lot, vessel, holding)
        lot.holdings[vessel] = replace(holding, ferment=stretch)
        close(cellar, step, lot, vessel, force=True)


def _ended(cellar: Cellar, step: Step, lot: Lot, vessel: str | None) -> None:
    """Juice or must is wine from here on. Of a fermentation whose beginning nobody recorded, its
    end is all that tells of it."""
    holding = lot.holdings[vessel]
    if holding.state not in ("juice", "must"):
        return
    if holding.ferment is None:
        stretch = cellar.graph.start(Ferment(step.position, lot.name, vessel, None, None))
        lot.holdings[vessel] = replace(holding, ferment=stretch)
        close(cellar, step, lot, vessel, force=True)
        lot.holdings[vessel] = replace(lot.holdings[vessel], ferment=None)
    lot.holdings[vessel] = replace(lot.holdings[vessel], state="wine")


def _apart(cellar: Cellar, step: Step, lot: Lot, vessel: str | None) -> Holding:
    """What a fermentation begins in as bodies of their own, where a recall asks for them."""
    if lot.sort == BOTTLES:
        part(cellar, step, lot, vessel)
    else:
        close(cellar, step, lot, vessel, force=True)
    return lot.holdings[vessel]


def _stretch(cellar: Cellar, step: Step, lot: Lot, vessel: str | None, holding: Holding) -> int:
    """A new stretch of fermentation; what a change does not name goes on as before."""
    model: Any = step.model
    before = cellar.ferment(holding.ferment) if model.stage == "change" else None
    organism = model.organism or ("native" if model.native else None)
    regime = step.event.get("regime")
    if before is not None:
        organism = organism or before.organism
        regime = regime if regime is not None else before.regime
    return cellar.graph.start(Ferment(step.position, lot.name, vessel, organism, regime))


def reading(cellar: Cellar, step: Step) -> None:
    """A measurement in the cellar: of what is there."""
    target(cellar, step.model)


def about(cellar: Cellar, step: Step) -> None:
    """An analysis or note: of a lot that is or was, or of what is registered."""
    model: Any = step.model
    if model.lot is not None:
        lot = lot_of(cellar, model.lot)
        for vessel in vessels_of(model) or ():
            held_in(lot, vessel)


def hold(cellar: Cellar, step: Step) -> None:
    """A hold follows the wine: its key goes wherever any of the wine goes."""
    model: Any = step.model
    if model.block is not None:
        cellar.holds.begin(step.id, f"block:{model.block}")
    elif model.material_lot is not None:
        cellar.holds.begin(step.id, f"material:{model.material_lot}")
    else:
        lot, holdings = target(cellar, model)
        cellar.touched(lot)
        cellar.holds.begin(step.id, step.id)
        for vessel, holding in holdings:
            lot.holdings[vessel] = holding.held(frozenset((step.id,)))


def clear(cellar: Cellar, step: Step) -> None:
    """A hold ends at its origin, and with it wherever the wine went."""
    model: Any = step.model
    if not cellar.holds.end(model.hold):
        raise CannotHave(
            "no such hold",
            f"no hold has the id {model.hold} then",
            "give the `id` of the `hold` event",
        )
