"""A part of a log, replayed alone: the whole story of some lots and nothing of the others.

The lots are such that whatever ever filled one of them was drawn from among them. What they gave
to others is kept as a quantity that goes nowhere, and what was drawn beside them as one that comes
from nowhere, so that what they lost on the way is what it was. Whatever happened to none of them
is left as a word about the vessels that it named.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from ampelog.quantities import BOTTLES, parse, text
from ampelog.registers import KINDS
from ampelog.steps import Step
from ampelog.told import told, unfolded

Event = dict[str, Any]
OUTSIDE = "\x1f"
"""Begins the names of the stand-ins: no recorded name holds a control character."""
FILLING = frozenset(("crush", "press", "rack", "barrel_down", "top", "blend", "bottle", "pack"))
"""Kinds that draw from some lots and fill others."""
_WITHOUT_LOT = frozenset(("hold", "note", "analysis"))


class Lots(Struct, frozen=True):
    """The lots that an event names, by what it does to them.

    ``fills`` take something in or are what it is about, ``draws`` give something. ``read`` are
    those whose own story says how much was drawn or filled, as `all` does, and bottles without a
    format.
    """

    fills: frozenset[str]
    draws: frozenset[str]
    read: frozenset[str]

    @property
    def all(self) -> frozenset[str]:
        """Every lot that it names."""
        return self.fills | self.draws


def lots_of(event: Event) -> Lots:
    """The lots that an event names."""
    kind = event["kind"]
    if kind == "lot":
        named = _named(ends(event, "of"))
        return Lots(frozenset({event["name"]} if named else ()), named, frozenset())
    if kind == "ship":
        drawn = _named(ends(unfolded(event), "from"))
        return Lots(frozenset(), drawn, frozenset())
    if kind in FILLING:
        event = unfolded(event)
        out, filled = ends(event, "from"), ends(event, "to")
        read = [end for end in out if _total(end) is None]
        read += [end for end in filled if "bottles" in end and "format" not in end]
        return Lots(_named(filled), _named(out), _named(read))
    lot = event.get("lot")
    return Lots(frozenset({lot} if isinstance(lot, str) else ()), frozenset(), frozenset())


def ends(event: Mapping[str, Any], side: str) -> list[Event]:
    """The endpoints of one side of an event, given alone or in a list."""
    there = event.get(side)
    if isinstance(there, dict):
        return [there]
    return list(there) if isinstance(there, list) else []


def vessels_at(end: Mapping[str, Any]) -> list[str | None]:
    """The vessels that an event or an endpoint names for itself; where it names none, it is of all
    that its lot holds: ``[None]``."""
    return end.get("vessels") or [end.get("vessel")]


def vessels(event: Event) -> Iterator[str]:
    """Every vessel that an event names as its own or at an endpoint."""
    for end in (event, *ends(event, "from"), *ends(event, "to"), *ends(event, "of")):
        one = end.get("vessel")
        yield from [one] if isinstance(one, str) else []
        yield from end.get("vessels") or ()


def trimmed(steps: Iterable[Step], within: Collection[str]) -> list[Step]:
    """The steps as they happened to the lots ``within``, in the same order."""
    found: list[Step] = []
    held: set[str] = set()
    within = frozenset(within)
    for step in steps:
        kind = step.event["kind"]
        if kind in KINDS and kind != "lot":
            found.append(step)
        elif kind == "clear":
            known = str(step.event.get("hold")).lower() in held
            found.append(step if known else _aside(step))
        elif kind == "lot":
            found += _renamed(step, within)
        elif kind in _WITHOUT_LOT and "lot" not in step.event:
            found.append(step)
        else:
            found += _happened(step, within)
        if found[-1].event["kind"] == "hold":
            held.add(step.id)
    return found


def upstream(steps: Sequence[Step], lots: Iterable[str]) -> set[str]:
    """These lots and all whose wine may have come into them."""
    found = set(lots)
    for step in reversed(steps):
        if not found.isdisjoint(filled(step)):
            found |= drawn(step)
    return found


def drawn(step: Step) -> set[str]:
    """The lots that a step draws on; of a renaming those that are renamed."""
    kind = step.event["kind"]
    event = step.event if kind != "ship" else unfolded(step.event)
    return _lots_at(event, "of" if kind == "lot" else "from")


def filled(step: Step) -> set[str]:
    """The lots that a step fills; of a registration the one that is registered."""
    kind = step.event["kind"]
    if kind == "lot":
        return {step.event["name"]}
    return _lots_at(unfolded(step.event) if kind in ("bottle", "pack") else step.event, "to")


def _lots_at(event: Event, side: str) -> set[str]:
    """The lots of the endpoints of one side."""
    return {end["lot"] for end in ends(event, side) if "lot" in end}


class Alone(NamedTuple):
    """The story of some lots: the ``names`` that it rests on, these included, and the ``steps`` as
    they happened to them; of a log that goes on in several ``ways``, each from there."""

    names: set[str]
    steps: list[Step]
    ways: list[list[Step]]


def alone(steps: Sequence[Step], lots: Collection[str], *ways: Sequence[Step]) -> Alone:
    """The story of some lots, with not a word about the vessels of others, in steps that go on in
    these ways.

    What one of them gave to others time after time, with nothing else between, is one quantity that
    is gone: a topping wine is drawn from thousands of times for barrels of others, and what it
    holds matters only when something else happens.
    """
    later = sorted(chain.from_iterable(ways), key=lambda step: step.order)

    def needed(names: Iterable[str]) -> set[str]:
        return upstream(steps, upstream(later, names))

    names = needed(lots)
    while True:
        stretches = [_merged(stretch, frozenset(names)) for stretch in (steps, *ways)]
        read = {name for step in chain(*stretches) for name in lots_of(step.event).read}
        if read <= names:
            break
        names = needed(names | read)
    shared, *ends = stretches
    told = trimmed(shared, names)
    return Alone(names, told, [trimmed([*shared, *end], names)[len(told) :] for end in ends])


def _merged(steps: Iterable[Step], names: frozenset[str]) -> list[Step]:
    found: list[Step] = []
    given: dict[tuple[str, str], tuple[int, Step]] = {}
    for step in steps:
        if not _concerns(step, names):
            continue
        gifts = _gifts(step, names)
        for place, amount in gifts:
            before = given.get(place)
            given[place] = (amount + (before[0] if before else 0), step)
        if not gifts:
            found += _gone(given)
            given.clear()
            found.append(step)
    return [*found, *_gone(given)]


def _gifts(step: Step, names: frozenset[str]) -> list[tuple[tuple[str, str], int]]:
    """What a movement that fills none of these lots drew from each of their vessels (10^-12 L);
    none where it does anything else, or does not say how much."""
    if step.event["kind"] not in FILLING or not names.isdisjoint(filled(step)):
        return []
    given = [end for end in ends(step.event, "from") if end["lot"] in names]
    if any("vessel" not in end or "volume" not in end for end in given):
        return []
    return [((end["lot"], end["vessel"]), parse(end["volume"]).amount) for end in given]


def _gone(given: Mapping[tuple[str, str], tuple[int, Step]]) -> list[Step]:
    event = {"kind": "loss", "reason": "transfer"}
    return [
        _as(step, {**event, "lot": lot, "vessel": vessel, "volume": f"{text(amount)} L"})
        for (lot, vessel), (amount, step) in given.items()
    ]


def _concerns(step: Step, names: frozenset[str]) -> bool:
    """Whether an event names one of these lots, or no lot at all."""
    kind = step.event["kind"]
    if kind in FILLING or kind in ("ship", "lot"):
        return not names.isdisjoint(drawn(step) | filled(step))
    return "lot" not in step.event or step.event["lot"] in names


def _happened(step: Step, within: frozenset[str]) -> list[Step]:
    """Something that happened to lots: as it stands where it is about these alone."""
    lots = lots_of(step.event)
    if lots.all <= within and (lots.all or step.event["kind"] == "receive"):
        return [step]
    if step.event["kind"] not in FILLING or lots.all.isdisjoint(within):
        return [_aside(step)]
    event = unfolded(step.event)
    coming: list[Step] = []
    out: list[Event] = []
    for number, end in enumerate(ends(event, "from")):
        if end["lot"] in within:
            out.append(end)
            continue
        stand_in = f"{OUTSIDE}from {step.position} {number}"
        kept = {_dimension(end): _total(end)}
        coming.append(_as(step, {"kind": "receive", "lot": stand_in, **kept}))
        out.append({"lot": stand_in, **kept})
    filled = [
        end if end.get("lot") in within else _nowhere(end, f"{OUTSIDE}to {step.position} {number}")
        for number, end in enumerate(ends(event, "to"))
    ]
    return [*coming, _as(step, {**event, "from": out, "to": filled})]


def _nowhere(end: Event, name: str) -> Event:
    """What went to a lot outside: as much, in no vessel."""
    if "lot" not in end:
        return end  # pomace that was thrown away
    if "bottles" in end:
        return {"lot": name, "bottles": end["bottles"], "format": end["format"]}
    kept: Event = {"lot": name, _dimension(end): _total(end)}
    return {**kept, "fraction": end["fraction"]} if "fraction" in end else kept


def _renamed(step: Step, within: Collection[str]) -> list[Step]:
    """A lot's registration; what of these lots bears an outside name from now on is gone."""
    event = step.event
    if event["name"] in within:
        return [step]
    of = [end for end in ends(event, "of") if end["lot"] in within]
    if not of:
        return [_aside(step)]
    name = f"{OUTSIDE}lot {step.position}"
    gone = {"kind": "loss", "lot": name, "all": True, "reason": "inventory"}
    return [_as(step, {"kind": "lot", "name": name, "of": of}), _as(step, gone)]


def _dimension(end: Event) -> str:
    """Whether an endpoint is of mass or of volume."""
    if "each" in end:
        return parse(end["each"]).dimension
    return "mass" if "mass" in end else "volume"


def _total(end: Event) -> str | None:
    """The quantity that an endpoint states, over all its vessels; None where the lot's own story
    says it."""
    if "volume" in end or "mass" in end:
        return str(end["mass"] if "mass" in end else end["volume"])
    if isinstance(end.get("each"), str) and ("vessel" in end or "vessels" in end):
        each = parse(end["each"])
        count = len(end.get("vessels") or (end["vessel"],))
        unit = "kg" if each.dimension == "mass" else "L"
        return None if each.dimension == BOTTLES else f"{text(each.amount * count)} {unit}"
    return None


def _aside(step: Step) -> Step:
    """What happened to others, as a word about its vessels: it still says when they were used."""
    named = list(dict.fromkeys(vessels(step.event)))
    word: Event = {"kind": "note", "text": ""}
    return _as(step, {**word, "vessels": named} if named else word)


def _as(step: Step, event: Event) -> Step:
    kept: Event = {key: step.event[key] for key in ("at", "until", "despite") if key in step.event}
    whole = {**kept, **event}
    return replace(step, event=whole, model=told(whole))


def _named(found: Sequence[Event]) -> frozenset[str]:
    return frozenset(end["lot"] for end in found if isinstance(end.get("lot"), str))
