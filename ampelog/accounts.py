"""What the events say was added to a wine, found in it, filled of it and shipped, as lists."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from ampelog import phrases
from ampelog.fillings import Shipped
from ampelog.measurements import UNITS, told
from ampelog.phrases import several
from ampelog.quantities import SHARE_DECIMALS, floor_text, text
from ampelog.state import BOTTLES, Lot
from ampelog.story import Addition, Analysis, Drawn, Filling, Shipment, Used
from ampelog.told import unfolded
from ampelog.trail import LEAST, MANY, Effect

Event = Mapping[str, Any]
_FILLED = ("bottle", "pack")
_ORDER = {name: place for place, name in enumerate(UNITS)}


def additions(
    effects: Iterable[Effect], shares: Mapping[str, Fraction], own: str, made: Collection[int]
) -> tuple[Addition, ...]:
    """What was added to the wine on its way, or done to it, in order of time.

    ``made`` are the positions of the events that made a body it went through: what was added to
    the rest of a lot, once this wine had left it, is none of it. ``shares`` are those of the lots
    that it went through. Of more than ``MANY`` those of lots below
    ``LEAST`` are left out, as in the trail.
    """
    found = [
        (Fraction(1) if one.event["lot"] == own else shares.get(one.event["lot"], Fraction(0)), one)
        for one in effects
        if _adds(one.event) and (one.event["kind"] != "treat" or one.position in made)
    ]
    if len(found) > MANY:
        found = [(share, one) for share, one in found if share >= LEAST]
    return tuple(_addition(one, share) for share, one in found)


def _adds(event: Event) -> bool:
    kind = event["kind"]
    return kind == "treat" or (
        kind == "ferment" and bool(event.get("organism") or event.get("materials"))
    )


def _addition(one: Effect, share: Fraction) -> Addition:
    event = one.event
    if event["kind"] == "treat":
        what = str(event["treatment"])
    else:
        what = f"{event['culture']} culture, {event['stage']}"
    return Addition(
        position=one.position,
        on=event["at"],
        lot=event["lot"],
        vessel=phrases.vessels(event) or None,
        what=what,
        used=tuple(_used(event)),
        share=floor_text(share, SHARE_DECIMALS),
    )


def _used(event: Event) -> Iterator[Used]:
    """The materials that an event names: its own, its culture, and those that it lists."""
    if event.get("material"):
        amount = event.get("amount") or event.get("rate") or event.get("adds")
        yield Used(str(event["material"]), event.get("material_lot"), amount)
    if event.get("organism"):
        yield Used(str(event["organism"]), event.get("material_lot"))
    for use in event.get("materials") or ():
        yield Used(str(use["material"]), use.get("lot"), use.get("amount"))


def analyses(effects: Iterable[Effect], lots: Iterable[str]) -> tuple[Analysis, ...]:
    """What was analysed in these lots, in order of time."""
    wanted = set(lots)
    return tuple(
        _analysis(one)
        for one in effects
        if one.event["kind"] == "analysis" and one.event.get("lot") in wanted
    )


def _analysis(one: Effect) -> Analysis:
    event = one.event
    found = sorted(told(dict(event)), key=lambda pair: (_ORDER.get(pair[0], len(_ORDER)), pair[0]))
    return Analysis(
        position=one.position,
        on=event["at"],
        lot=event["lot"],
        vessel=phrases.vessels(event) or None,
        lab=event.get("lab"),
        values=tuple(found),
        ref=event.get("ref"),
    )


def fillings(effects: Sequence[Effect], own: str) -> tuple[Filling, ...]:
    """The bottlings and packings that filled a lot, and those of the bottles that were packed over
    for it, in order of time."""
    lots = _behind(effects, own, ("pack",))
    return tuple(
        _filling(one, end, drawn)
        for one in effects
        if one.event["kind"] in _FILLED
        for event in (unfolded(dict(one.event)),)
        for end in several(event.get("to"))
        for drawn in (several(event.get("from")),)
        if end.get("lot") in lots
    )


def _filling(one: Effect, end: Event, drawn: Iterable[Event]) -> Filling:
    event = one.event
    return Filling(
        position=one.position,
        kind=event["kind"],
        lot=end["lot"],
        on=event["at"],
        of=tuple(Drawn(each["lot"], phrases.vessels(each) or None) for each in drawn),
        bottles=str(end["bottles"]),
        format=end.get("format"),
        code=end.get("code"),
        used=tuple(_used(event)),
    )


def bottled_from(effects: Sequence[Effect], own: str) -> set[str]:
    """The lots that a lot of bottles was filled from, and those that these were packed from."""
    return _behind(effects, own, _FILLED)


def _behind(effects: Sequence[Effect], own: str, kinds: Collection[str]) -> set[str]:
    """A lot, and those that events of these kinds filled it from, one before the other."""
    found = {own}
    for one in reversed(effects):
        if one.event["kind"] in kinds:
            event = unfolded(dict(one.event))
            if any(end.get("lot") in found for end in several(event.get("to"))):
                found |= {str(end["lot"]) for end in several(event.get("from"))}
    return found


def shipments(lot: Lot, effects: Iterable[Effect]) -> tuple[Shipment, ...]:
    """What left the lot, and what came back, in order of time."""
    left = {one.position: one for one in lot.shipped}
    found = []
    for one in effects:
        event = one.event
        if event["kind"] == "ship" and one.position in left:
            found.append(_shipment(one, _amount(lot, left[one.position])))
        elif event["kind"] == "return" and event.get("lot") == lot.name:
            found.append(_shipment(one, phrases.quantity(event), back=True))
        elif lot.sort == BOTTLES and (gone := _gone(one, lot.name)):
            found.append(gone)
    return tuple(found)


def _gone(one: Effect, own: str) -> Shipment | None:
    """Bottles that left the lot otherwise: packed over, lost, or counted less."""
    event = unfolded(dict(one.event))
    if event["kind"] == "pack" and any(end["lot"] == own for end in several(event["from"])):
        into = phrases.listed(dict.fromkeys(str(end["lot"]) for end in several(event["to"])))
        amount = phrases.bottles(sum(int(end["bottles"]) for end in several(event["to"])))
        return replace(_shipment(one, amount), removal=f"packed over into {into}")
    if event.get("lot") != own or event["kind"] not in ("loss", "gauge"):
        return None
    what = "lost" if event["kind"] == "loss" else "counted"
    amount = "none" if event.get("empty") else phrases.quantity(event)
    return replace(_shipment(one, amount), removal=f"{what}, {event.get('reason') or 'no reason'}")


def _amount(lot: Lot, shipped: Shipped) -> str:
    amount = sum(part for _, part in shipped.left)
    if shipped.sort == BOTTLES:
        count = Fraction(amount, shipped.format or lot.format)
        return phrases.bottles(int(count) if count.denominator == 1 else floor_text(count, 2))
    return f"{text(amount)} {'kg' if shipped.sort == 'mass' else 'L'}"


def _shipment(one: Effect, amount: str, *, back: bool = False) -> Shipment:
    event = one.event
    party = event.get("from_party") if back else event.get("to")
    return Shipment(
        position=one.position,
        on=event["at"],
        back=back,
        party=party if isinstance(party, str) else None,
        document=event.get("document"),
        removal=event.get("removal"),
        amount=amount,
        despite=bool(event.get("despite")),
    )
