"""What each kind of event does to the cellar: one function a kind.

Movements say what they draw and what they fill; the arithmetic is that of ``movement``. What
cannot have happened raises ``CannotHave``; what only looks odd is noted as a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from ampelog import quantities
from ampelog.cellar import Cellar
from ampelog.graph import Ferment, Node
from ampelog.movement import (
    CannotHave,
    Draw,
    Fill,
    Pool,
    arrive,
    close,
    draws,
    fills,
    held_in,
    into,
    lot_of,
    place,
    said,
    shared,
    shipped,
    take,
    vessels_of,
    where_it_is,
)
from ampelog.state import BOTTLES, MASS, NO_HOLDS, VOLUME, Holding, Lot, sort_of

if TYPE_CHECKING:
    from ampelog.steps import Step

LARGE = 20
"""A shortfall over a twentieth of what was drawn is a finding (EVENTS.md)."""

SHORTFALL_KINDS = frozenset({"rack", "top", "blend", "barrel_down", "bottle"})


# Movements


def movement(cellar: Cellar, step: Step) -> None:
    """Rack, barrel down, top, blend: wine moves, and mixes where it arrives."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    found = fills(cellar, model.to)
    _one_dimension(out, found, step)
    _move(cellar, step, out, found)


def crush(cellar: Cellar, step: Step) -> None:
    """Fruit becomes must: kilograms go in, litres come out, and there is a yield."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    if out[0].lot.sort != MASS:
        raise CannotHave(
            "wrong sort", f"`crush` takes fruit or pomace by mass; `{out[0].lot.name}` is "
            f"held by {out[0].lot.sort}", "", out[0].lot.name,
        )
    _yield(cellar, step, out, fills(cellar, model.to))


def press(cellar: Cellar, step: Step) -> None:
    """Whole fruit yields juice by mass; must yields juice or wine by volume, and pomace."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    found = fills(cellar, model.to)
    for fill in found:
        if (fill.fraction == "pomace") != (fill.sort == MASS):
            raise CannotHave(
                "wrong sort", "an output of `press` is a volume, or a mass with the fraction "
                "`pomace`", "", fill.lot,
            )
    _yield(cellar, step, out, found)


def _yield(cellar: Cellar, step: Step, out: list[Draw], found: list[Fill]) -> None:
    """A crush or press: what is lost of a volume is pomace; of a mass there is a yield."""
    wine = [fill for fill in found if fill.sort == VOLUME]
    if out[0].lot.sort != MASS:
        _move(cellar, step, out, wine, [fill for fill in found if fill.sort == MASS])
        return
    volume = sum(fill.amount for fill in wine)
    pool = take(cellar, step, out, volume=volume)
    if pool.state == "grapes":
        pool.state = "juice" if step.model.kind == "press" else "must"
    for draw in out:
        draw.lot.tally(MASS).out += draw.amount
    _book_in(cellar, wine)
    _arrive(cellar, step, pool, wine, [fill for fill in found if fill.sort == MASS])


def _arrive(
    cellar: Cellar, step: Step, pool: Pool, wine: list[Fill], pomace: list[Fill]
) -> None:
    if wine:
        arrive(cellar, step, pool, wine)
    if pomace:
        state, pool.state = pool.state, "pomace"
        arrive(cellar, step, pool, pomace)
        pool.state = state
        _book_in(cellar, pomace)


def _one_dimension(out: Sequence[Draw], found: Sequence[Fill], step: Step) -> None:
    drawn = MASS if out[0].lot.sort == MASS else VOLUME
    for fill in found:
        if fill.sort != drawn:
            raise CannotHave(
                "two dimensions",
                f"`{step.model.kind}` draws {drawn} and fills {fill.sort}; mass becomes volume "
                "only in `crush` and `press`, and volume never becomes mass",
                "",
                fill.lot,
            )


def _move(
    cellar: Cellar, step: Step, out: list[Draw], found: list[Fill],
    pomace: Sequence[Fill] = (),
) -> None:
    """Within one dimension: the shortfall is lost, more out than in is a gain with a reason."""
    drawn, filled = sum(d.amount for d in out), sum(fill.amount for fill in found)
    missing = drawn - filled
    model: Any = step.model
    if missing < 0 and model.gain is None:
        raise CannotHave(
            "more out than in",
            f"{quantities.text(filled)} filled from {quantities.text(drawn)} drawn",
            'check the quantities, or say why there is more with `"gain": "..."`',
            found[0].lot,
        )
    if missing < 0:
        cellar.find(
            step, "gain", f"{quantities.text(-missing)} more filled than drawn: {model.gain}",
            found[0].lot,
        )
    elif model.kind in SHORTFALL_KINDS and missing * LARGE > drawn and model.loss is None:
        cellar.find(
            step,
            "large shortfall",
            f"{quantities.text(missing)} of {quantities.text(drawn)} drawn did not arrive "
            f"({quantities.floor_text(_ratio(missing, drawn), 1)} %)",
            out[0].lot.name,
        )
    pool = take(cellar, step, out)
    _book(cellar, out, found, missing, model.kind)
    _arrive(cellar, step, pool, found, list(pomace))


def _ratio(part: int, whole: int) -> Any:
    from fractions import Fraction  # noqa: PLC0415  only for a finding's words

    return Fraction(part * 100, whole)


def _book(
    cellar: Cellar, out: Sequence[Draw], found: Sequence[Fill], missing: int, kind: str
) -> None:
    """Book a movement net: wine that stays in its lot is neither out nor in.

    A loss is borne by the lots drawn, a gain by those filled, in proportion.
    """
    drawn = _sums((draw.lot.name, draw.amount) for draw in out)
    filled = _sums((fill.lot, fill.amount) for fill in found)
    lost = dict(zip(drawn, quantities.split(max(missing, 0), list(drawn.values())), strict=True))
    more = quantities.split(max(-missing, 0), list(filled.values())) if filled else []
    gained = dict(zip(filled, more, strict=True))
    sort = MASS if out[0].lot.sort == MASS else VOLUME
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


def _sums(pairs: Iterable[tuple[str, int]]) -> dict[str, int]:
    sums: dict[str, int] = {}
    for name, amount in pairs:
        sums[name] = sums.get(name, 0) + amount
    return sums


def _book_in(cellar: Cellar, found: Iterable[Fill]) -> None:
    for fill in found:
        lot = cellar.lots.get(fill.lot)
        if lot is None:
            lot = cellar.lots[fill.lot] = Lot(fill.lot)
        lot.tally(fill.sort).into += fill.amount


# What comes in and goes out


def pick(cellar: Cellar, step: Step) -> None:
    """Fruit comes in from a block: a source."""
    model: Any = step.model
    holds = _watched(cellar, f"block:{model.block}")
    _bring(cellar, step, [Fill(model.lot, model.vessel, MASS, model.mass)], "grapes", holds)


def receive(cellar: Cellar, step: Step) -> None:
    """Whatever enters otherwise: a source, of known or unknown composition."""
    model: Any = step.model
    if model.material is not None:
        return
    if model.bottles is not None:
        _same_format(cellar, model.lot, model.format)
        _begin_bottles(cellar, model.lot)
        found = [
            Fill(model.lot, vessel, BOTTLES, amount * model.format, format=model.format)
            for vessel, amount in _over(model, model.bottles)
        ]
    else:
        found = fills(cellar, [model])
    state = model.state or {MASS: "grapes", VOLUME: "wine", BOTTLES: "bottled"}[found[0].sort]
    if sort_of(state) != found[0].sort:
        raise CannotHave(
            "wrong sort", f"`{state}` is received by {sort_of(state)}, not by {found[0].sort}",
            "", model.lot,
        )
    holds = NO_HOLDS
    for part in model.composition or ():
        if part.block is not None:
            holds |= _watched(cellar, f"block:{part.block}")
    lot = _bring(cellar, step, found, state, holds)
    if found[0].sort == BOTTLES:
        lot.label = model.label or lot.label


def _over(model: Any, bottles: int) -> list[tuple[str | None, int]]:
    vessels: Sequence[str | None] = vessels_of(model) or [None]
    return list(zip(vessels, quantities.split(bottles, [1] * len(vessels)), strict=True))


def _bring(
    cellar: Cellar, step: Step, found: list[Fill], state: str, holds: frozenset[str]
) -> Lot:
    """A source enters the cellar."""
    name, sort = found[0].lot, found[0].sort
    node = cellar.graph.add(Node((), step.position, name, found[0].vessel))
    amount = sum(fill.amount for fill in found)
    owners = frozenset((None,))
    _book_in(cellar, found)
    arrive(cellar, step, Pool(node, amount, sort, state, holds, owners), found)
    lot = cellar.lots[name]
    if sort == BOTTLES:
        lot.fills[node] = None
    return lot


def _watched(cellar: Cellar, key: str) -> frozenset[str]:
    return frozenset((key,)) if key in cellar.holds.watched else NO_HOLDS


def ship(cellar: Cellar, step: Step) -> None:
    """Something leaves; what must not leave is refused or, with `despite`, found."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    lot = out[0].lot
    _check_removal(step, out)
    if model.removal in ("taxpaid", "export"):
        _check_release(cellar, step, lot)
        held = {hold for draw in out for hold in cellar.holds.binding(draw.holding.holds)}
        if held:
            cellar.should_not(
                step, "left on hold",
                f"`{lot.name}` left {model.removal} while on hold ({', '.join(sorted(held))})",
                lot.name,
            )
    states = {draw.holding.state for draw in out}
    for draw in out:
        lot.tally(lot.sort).out += draw.amount
    pool = take(cellar, step, out)
    lot.shipped.append(shipped(model.document, out[0], pool, states.pop()))


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
            "no consignee", f"`{lot.name}` left, and nobody is named in `to`",
            "name the party; only tasting, family and destroyed need none", lot.name,
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
    if lot.released is None or step.instant < lot.released:
        says = f"`{lot.name}` left on {today}; its label `{label}` asks a rest ({rest}"
        says += f", over on {free}) and no `release` is in force"
    elif free is not None and today < free:
        says = f"`{lot.name}` left on {today}; the rest that its label `{label}` asks ({rest}) "
        says += f"is over on {free}"
    else:
        return
    cellar.should_not(step, "left before its release", says, lot.name)


def return_(cellar: Cellar, step: Step) -> None:
    """What was shipped comes back: the composition and fills that left."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    out = [s for s in lot.shipped if model.document is None or s.document == model.document]
    gone = sum(amount for record in out for _, amount in record.parts)
    if not out:
        on = f" on `{model.document}`" if model.document else ""
        raise CannotHave(
            "not shipped", f"nothing of `{lot.name}` was shipped{on}", "check the document",
            lot.name,
        )
    first = out[0]
    sort = first.sort
    if sort == BOTTLES:
        if model.bottles is None:
            raise CannotHave("wrong sort", f"`{lot.name}` left as `bottles`", "", lot.name)
        _same_format(cellar, lot.name, first.format)
        found = [
            Fill(lot.name, vessel, BOTTLES, count * first.format, format=first.format)
            for vessel, count in _over(model, model.bottles)
        ]
    else:
        found = fills(cellar, [model])
        if found[0].sort != sort:
            raise CannotHave("wrong sort", f"`{lot.name}` left by {sort}", "", lot.name)
    amount = sum(fill.amount for fill in found)
    if amount > gone:
        raise CannotHave(
            "more back than shipped",
            f"{said(amount, sort)} of `{lot.name}` came back; {said(gone, sort)} are out", "",
            lot.name,
        )
    pool = _take_back(cellar, step, lot, out, amount)
    _book_in(cellar, found)
    _settle(cellar, step, pool, found)


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
    lot.shipped = [record for record in lot.shipped if record.parts]
    first = out[0]
    node = next(iter(parts))
    if len(parts) > 1 and first.sort != BOTTLES:
        node = cellar.graph.add(Node(tuple(parts.items()), step.position))
    holds = frozenset(key for record in out for key in record.holds)
    return Pool(
        node, amount, first.sort, first.state, cellar.live_holds(holds),
        cellar.owners(lot, step.instant), parts=list(parts.items()),
    )


# Bottles


def bottle(cellar: Cellar, step: Step) -> None:
    """Wine becomes bottles. Each output is a fill, and keeps its own composition."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    if out[0].lot.sort == MASS:
        raise CannotHave("wrong sort", "fruit cannot be bottled", "", out[0].lot.name)
    found = _outputs(cellar, model)
    keys = _material_keys(cellar, model)
    for draw in out:
        held = cellar.holds.binding(draw.holding.holds | keys)
        if held:
            cellar.should_not(
                step, "bottled on hold",
                f"`{draw.lot.name}` was bottled while on hold ({', '.join(held)})", draw.lot.name,
            )
    missing = sum(d.amount for d in out) - sum(f.amount for f in found)
    _check_shortfall(cellar, step, out, found, missing)
    pool = take(cellar, step, out)
    pool.holds |= keys
    _book(cellar, out, found, missing, "bottle")
    ended = cellar.ended(step)
    for fill in found:
        _begin_bottles(cellar, fill.lot)
        lot = _enter_bottles(cellar, fill, pool)
        node = cellar.graph.add(
            Node(((pool.node, pool.amount),), step.position, fill.lot, fill.vessel)
        )
        lot.fills[node] = ended
        _add_fill(lot, fill, pool, [(node, fill.amount)])


def _check_shortfall(
    cellar: Cellar, step: Step, out: list[Draw], found: list[Fill], missing: int
) -> None:
    model: Any = step.model
    drawn = sum(draw.amount for draw in out)
    if missing < 0 and model.gain is None:
        raise CannotHave(
            "more out than in",
            f"{quantities.text(drawn - missing)} L in bottles from {quantities.text(drawn)} L",
            'check bottles and format, or say why there is more with `"gain": "..."`',
            found[0].lot,
        )
    if missing < 0:
        cellar.find(
            step, "gain", f"{quantities.text(-missing)} L more bottled than drawn: {model.gain}",
            found[0].lot,
        )
    elif model.kind == "bottle" and missing * LARGE > drawn and model.loss is None:
        cellar.find(
            step, "large shortfall",
            f"{quantities.text(missing)} L of {quantities.text(drawn)} L drawn were not bottled",
            out[0].lot.name,
        )


def _outputs(cellar: Cellar, model: Any, format_: int = 0) -> list[Fill]:
    found = []
    for output in model.to:
        lot = cellar.lots.get(output.lot)
        known = lot.format if lot is not None and lot.sort == BOTTLES else 0
        size = output.format or format_ or known
        if not size:
            raise CannotHave(
                "no format", f"`{output.lot}` is filled with bottles of no stated `format`",
                'give it, as in "750 mL"', output.lot,
            )
        _same_format(cellar, output.lot, size)
        found.append(
            Fill(
                output.lot, output.vessel, BOTTLES, output.bottles * size, format=size,
                label=output.label,
            )
        )
    return found


def _same_format(cellar: Cellar, name: str, size: int) -> None:
    lot = cellar.lots.get(name)
    if lot is not None and lot.holdings and lot.sort == BOTTLES and lot.format != size:
        raise CannotHave(
            "two formats",
            f"`{name}` holds bottles of {quantities.text(lot.format)} L; "
            f"{quantities.text(size)} L were filled",
            "a lot has bottles of one format: give these a lot of their own",
            name,
        )


def _enter_bottles(cellar: Cellar, fill: Fill, pool: Pool) -> Lot:
    lot = into(cellar, fill, pool)
    lot.label = fill.label or lot.label
    return lot


def _begin_bottles(cellar: Cellar, name: str) -> None:
    """Bottles that come into an empty lot start afresh: its old fills and release are over."""
    lot = cellar.lots.get(name)
    if lot is not None and not lot.holdings:
        lot.fills, lot.released, lot.label = {}, None, None


def _add_fill(lot: Lot, fill: Fill, pool: Pool, parts: Iterable[tuple[int, int]]) -> None:
    holding = lot.holdings.get(fill.vessel)
    if holding is None:
        holding = lot.holdings[fill.vessel] = Holding("bottled")
    holding.holds |= pool.holds
    for node, amount in parts:
        if amount:
            holding.fill(node, amount)


def pack(cellar: Cellar, step: Step) -> None:
    """Bottles to bottles, the wine untouched: each fill stays a fill."""
    model: Any = step.model
    out = draws(cellar, model.from_, step)
    if any(draw.lot.sort != BOTTLES for draw in out):
        raise CannotHave(
            "wrong sort", "`pack` takes bottles to bottles; wine is filled by `bottle`", "",
            out[0].lot.name,
        )
    formats = {draw.lot.format for draw in out}
    if len(formats) > 1:
        raise CannotHave("two formats", "`pack` keeps the format; `from` has two", "",
                         out[0].lot.name)
    found = _outputs(cellar, model, formats.copy().pop())
    if {fill.format for fill in found} != formats:
        raise CannotHave("two formats", "`pack` keeps the format of the bottles", "",
                         found[0].lot)
    missing = sum(d.amount for d in out) - sum(f.amount for f in found)
    _check_shortfall(cellar, step, out, found, missing)
    pool = take(cellar, step, out)
    pool.holds |= _material_keys(cellar, model)
    ended = {node: when for draw in out for node, when in draw.lot.fills.items()}
    _book(cellar, out, found, missing, "pack")
    _settle(cellar, step, pool, found, ended)


def _settle(
    cellar: Cellar, step: Step, pool: Pool, found: Sequence[Fill],
    ended: dict[int, int | None] | None = None,
) -> None:
    """What was drawn arrives: as one body, or, of bottles, each fill in proportion."""
    if found[0].sort != BOTTLES:
        arrive(cellar, step, pool, found)
        return
    left = list(pool.parts)
    for fill in found:
        if ended is not None:
            _begin_bottles(cellar, fill.lot)
        lot = _enter_bottles(cellar, fill, pool)
        parts = quantities.split(fill.amount, [amount for _, amount in left])
        for node, _ in left:
            if ended is not None:
                lot.fills[node] = ended[node]
        _add_fill(
            lot, fill, pool, [(node, part) for (node, _), part in zip(left, parts, strict=True)]
        )
        if ended is not None:
            left = [(n, a - p) for (n, a), p in zip(left, parts, strict=True) if a > p] or left


def _material_keys(cellar: Cellar, model: Any) -> frozenset[str]:
    lots = [use.lot for use in getattr(model, "materials", None) or () if use.lot is not None]
    if getattr(model, "material_lot", None) is not None:
        lots.append(model.material_lot)
    return frozenset(f"material:{lot}" for lot in lots) & cellar.holds.watched


# In place


def target(cellar: Cellar, model: Any) -> tuple[Lot, list[tuple[str | None, Holding]]]:
    """The holdings that an event in place is about; a refusal where nothing is held."""
    lot = lot_of(cellar, model.lot)
    vessels = vessels_of(model)
    if vessels is not None:
        return lot, [(vessel, held_in(lot, vessel)) for vessel in vessels]
    if not lot.holdings:
        raise CannotHave("nothing there", f"`{lot.name}` holds nothing then", "", lot.name)
    return lot, list(lot.holdings.items())


def treat(cellar: Cellar, step: Step) -> None:
    """An addition or treatment makes a new body of every holding; `adds` is a source of its own."""
    model: Any = step.model
    lot, holdings = target(cellar, model)
    if lot.sort != VOLUME:
        raise CannotHave(
            "wrong sort", f"`treat` is for juice, must, wine and spirit; `{lot.name}` is held by "
            f"{lot.sort}", "", lot.name,
        )
    cellar.touched(lot)
    keys = _material_keys(cellar, model)
    added = [0] * len(holdings)
    source = None
    if model.adds is not None:
        source = cellar.graph.add(Node((), step.position, role=model.role))
        added = quantities.split(model.adds, [holding.amount for _, holding in holdings])
        lot.tally(VOLUME).into += model.adds
    for (vessel, holding), more in zip(holdings, added, strict=True):
        if source is not None and more:
            close(cellar, step, (lot, vessel, holding))
            holding.fill(source, more)
            if vessel is not None:
                cellar.check_capacity(step, lot, vessel)
        close(cellar, step, (lot, vessel, holding), force=True)
        holding.holds |= keys


def gauge(cellar: Cellar, step: Step) -> None:
    """The book becomes the measurement; the composition does not change."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    found = shared(lot, model, by_content=True)
    cellar.touched(lot)
    cellar.note_resolved(step, [holding.amount for _, holding, _ in found])
    before = {vessel: holding.copy() for vessel, holding in lot.holdings.items()}
    book = sum(holding.amount for _, holding, _ in found)
    measured = 0 if model.empty else sum(amount for _, _, amount in found)
    if measured > book:
        if model.reason is None:
            raise CannotHave(
                "above the book",
                f"{said(measured, lot.sort)} of `{lot.name}` measured; the book says "
                f"{said(book, lot.sort)}",
                "give the `reason` (dip, inventory, produced, contraction), or record what came in",
                lot.name,
            )
        if model.reason != "produced":
            cellar.find(
                step, "gain", f"`{lot.name}` measured {said(measured - book, lot.sort)} above the "
                f"book ({model.reason})", lot.name,
            )
    tally = lot.tally(lot.sort)
    for vessel, holding, amount in found:
        now = 0 if model.empty else amount
        if now < holding.amount:
            tally.lose(model.reason or "gauge", holding.amount - now)
        else:
            tally.gained += now - holding.amount
        _set(cellar, step, lot, vessel, holding, now)
        if model.reason == "produced" and holding.state in ("juice", "must"):
            holding.state = "wine"
        if now and vessel is not None:
            cellar.check_capacity(step, lot, vessel)
    if not lot.holdings:
        lot.last = before


def _set(  # noqa: PLR0913  one holding and its new amount
    cellar: Cellar, step: Step, lot: Lot, vessel: str | None, holding: Holding, now: int
) -> None:
    """A holding's amount becomes ``now``, its composition unchanged."""
    if now == 0:
        del lot.holdings[vessel]
        cellar.leave(lot, vessel)
        return
    if lot.sort == BOTTLES:
        parts = quantities.split(now, [amount for _, amount in holding.parts])
        holding.parts = [
            (node, part) for (node, _), part in zip(holding.parts, parts, strict=True) if part
        ]
    else:
        node = close(cellar, step, (lot, vessel, holding))
        holding.parts = [(node, now)]
    holding.amount = now


def loss(cellar: Cellar, step: Step) -> None:
    """Something of a target is gone."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    found = shared(lot, model, by_content=True)
    if model.all:
        cellar.note_resolved(step, [amount for _, _, amount in found])
    for vessel, holding, amount in found:
        if amount > holding.amount:
            raise CannotHave(
                "more lost than held",
                f"`{lot.name}` in {place(vessel)} holds {said(holding.amount, lot.sort)} then; "
                f"{said(amount, lot.sort)} lost",
                "check the quantity and the vessel", lot.name,
            )
    cellar.touched(lot)
    before = {vessel: holding.copy() for vessel, holding in lot.holdings.items()}
    for vessel, holding, amount in found:
        if amount:
            lot.tally(lot.sort).lose(model.reason, amount)
            _set(cellar, step, lot, vessel, holding, holding.amount - amount)
    if not lot.holdings:
        lot.last = before


def ferment(cellar: Cellar, step: Step) -> None:
    """Alcoholic fermentation marks the bodies it happens in; its end makes must wine."""
    model: Any = step.model
    lot, holdings = target(cellar, model)
    cellar.touched(lot)
    keys = _material_keys(cellar, model)
    for vessel, holding in holdings:
        holding.holds |= keys
        if model.culture != "alcoholic":
            continue
        if model.stage == "end":
            if holding.ferment is not None:
                close(cellar, step, (lot, vessel, holding))
            holding.ferment = None
            if holding.state in ("juice", "must"):
                holding.state = "wine"
            continue
        holding.ferment = _stretch(cellar, step, lot, vessel, holding)
        close(cellar, step, (lot, vessel, holding), force=True)


def _stretch(
    cellar: Cellar, step: Step, lot: Lot, vessel: str | None, holding: Holding
) -> int:
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
        for _, holding in holdings:
            holding.holds |= {step.id}


def clear(cellar: Cellar, step: Step) -> None:
    """A hold ends at its origin, and with it wherever the wine went."""
    model: Any = step.model
    if not cellar.holds.end(model.hold):
        raise CannotHave(
            "no such hold", f"no hold has the id {model.hold} then",
            "give the `id` of the `hold` event",
        )


def release(cellar: Cellar, step: Step) -> None:
    """A lot's bottles may leave from now on."""
    model: Any = step.model
    lot = lot_of(cellar, model.lot)
    if lot.sort != BOTTLES:
        raise CannotHave("wrong sort", f"`{lot.name}` is no bottled lot", "", lot.name)
    if lot.released is None or step.instant < lot.released:
        lot.released = step.instant
    cellar.touched(lot)


# Registers


def register(cellar: Cellar, step: Step) -> None:
    """Registers were entered before the replay; a lot's new name takes effect here."""
    model: Any = step.model
    if model.kind == "lot" and model.of:
        _rename(cellar, step)


def _rename(cellar: Cellar, step: Step) -> None:
    """Holdings bear another lot's name from now on: nothing moves, nothing mixes in vessels."""
    model: Any = step.model
    for endpoint in model.of:
        lot, holdings = target(cellar, endpoint)
        if lot.name == model.name:
            raise CannotHave("same name", f"`{lot.name}` already bears that name", "", lot.name)
        amount = sum(holding.amount for _, holding in holdings)
        pool = Pool(0, amount, lot.sort, "", NO_HOLDS, cellar.owners(lot, step.instant))
        last = {vessel: holding.copy() for vessel, holding in lot.holdings.items()}
        if len(holdings) == len(lot.holdings):
            lot.last = last
        for vessel, holding in holdings:
            if lot.sort != BOTTLES:
                close(cellar, step, (lot, vessel, holding), force=True)
            _hand_over(cellar, lot, vessel, holding, Fill(model.name, vessel, lot.sort,
                       holding.amount, format=lot.format), pool)
        cellar.touched(lot)


def _hand_over(  # noqa: PLR0913  a holding, and both of its names
    cellar: Cellar, lot: Lot, vessel: str | None, holding: Holding, fill: Fill, pool: Pool
) -> None:
    new = into(cellar, fill, pool)
    if lot.sort == BOTTLES:
        if not new.holdings:
            new.fills, new.released, new.label = {}, lot.released, lot.label
        new.fills.update(lot.fills)
    lot.tally(lot.sort).out += holding.amount
    new.tally(lot.sort).into += holding.amount
    del lot.holdings[vessel]
    cellar.leave(lot, vessel)
    cellar.enter(new, vessel, lot.sort)
    there = new.holdings.get(vessel)
    if there is None:
        new.holdings[vessel] = holding
        holding.closed = False
        return
    for node, amount in holding.parts:
        there.fill(node, amount)
    there.holds |= holding.holds


def nothing(cellar: Cellar, step: Step) -> None:
    """A kind that does nothing to the cellar."""
    del cellar, step


APPLY: dict[str, Callable[[Cellar, Step], None]] = {
    **dict.fromkeys(("rack", "barrel_down", "top", "blend"), movement),
    **dict.fromkeys(("place", "block", "premises", "party", "material", "vessel", "label"), nothing),
    **dict.fromkeys(("analysis", "note"), about),
    "lot": register,
    "pick": pick,
    "receive": receive,
    "crush": crush,
    "press": press,
    "treat": treat,
    "gauge": gauge,
    "loss": loss,
    "bottle": bottle,
    "pack": pack,
    "ship": ship,
    "return": return_,
    "ferment": ferment,
    "reading": reading,
    "hold": hold,
    "clear": clear,
    "release": release,
}
__all__ = ["APPLY", "where_it_is"]
