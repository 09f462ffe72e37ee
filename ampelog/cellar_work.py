"""What was done to a wine: the events that name its lots, and the bodies that it went through.

Read without a replay, from the ledger's look-up by lot and by node: for questions about analyses,
treatments and materials, which move nothing.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from msgspec import Struct

from ampelog import moments
from ampelog.excerpt import lots_of
from ampelog.genealogy import Genealogy
from ampelog.questions import View
from ampelog.shares import Used
from ampelog.sources import came_as
from ampelog.state import BOTTLES, Lot

FOREVER = 2**62
NOTHING = r"[^\x00-\x{10FFFF}]"
"""A regular expression (RE2) that matches nothing."""


class Dealing(Struct, frozen=True):
    """An event as it takes effect."""

    instant: int
    position: int
    event: dict[str, Any]


def naming(view: View, names: Collection[str], until: int | None = None) -> list[tuple[Any, ...]]:
    """The records that name one of these lots or labels anywhere, up to an instant (the view's
    where None), and every correction and cleared hold: position, recorded_at, leaf hash, instant
    and body."""
    texts = [re.escape(json.dumps(name, ensure_ascii=False)) for name in sorted(names)]
    pattern = f'"(?:lot|name)":(?:{"|".join(texts) or NOTHING})'
    end = view.ends if until is None else until
    return view.ledger.rows("events_of_lots", pattern=pattern, upto=view.head.position, until=end)


def dealings(view: View, lots: Collection[str], until: int | None = None) -> list[Dealing]:
    """The events that name one of the lots anywhere, up to an instant, with corrections applied."""
    rows = naming(view, lots)
    told = {position: (int(instant), json.loads(body)) for position, _, _, instant, body in rows}
    mended: dict[str, tuple[int, dict[str, Any] | None]] = {}
    for position, (_, event) in told.items():
        if event["kind"] == "correct":
            mended[event["corrects"].lower()] = (position, event["replacement"])
    found = []
    for position, (instant, event) in told.items():
        if event["kind"] in ("correct", "clear"):
            continue
        correction = mended.pop(event["id"].lower(), None)
        if correction is None:
            found.append(Dealing(instant, position, event))
        elif correction[1] is not None:
            found.append(_replaced(view, position, event["id"], correction[1]))
    # What was first told of other lots, and is of these by its correction.
    for id_, (position, event) in mended.items():
        if event is not None and not lots_of(event).all.isdisjoint(lots):
            found.append(_replaced(view, position, id_, event))
    last = view.ends if until is None else min(until, view.ends)
    within = [one for one in found if one.instant <= last]
    return sorted(within, key=lambda one: (one.instant, one.position))


def _replaced(view: View, position: int, id_: str, event: dict[str, Any]) -> Dealing:
    instant = moments.instant(event["at"], view.zone)
    return Dealing(instant, position, {**event, "id": id_})


def done(view: View, lot: Lot, instant: int) -> frozenset[str]:
    """Whether the records of a lot, and of the wine that its bottles were filled from, show that it
    was ``treated`` or ``blended``. What was done before any of it was there was done to other
    wine."""
    own = dealings(view, [lot.name], instant)
    lots = {lot.name} | _filled_from(own, lot.name)
    there = [moments.instant(one["at"], view.zone) for one in passed(view, lot, view.content(lot))]
    found = set()
    for one in dealings(view, lots, instant):
        event = one.event
        if one.instant < min(there, default=one.instant):
            continue
        filled = _names(event, "to") & lots if "from" in event else set()
        drawn = _names(event, "from")
        if event["kind"] in _TREATING and (filled or event.get("lot") in lots):
            found.add("treated")
        if event["kind"] in ("blend", "rack", "top") and filled and drawn - filled:
            found.add("blended")
    return frozenset(found)


_TREATING = ("treat", "rack", "barrel_down", "top", "blend")


def _filled_from(found: list[Dealing], bottles: str) -> set[str]:
    """The lots that a lot of bottles was filled from."""
    return {
        str(end.get("lot"))
        for one in found
        if one.event["kind"] == "bottle" and bottles in _names(one.event, "to")
        for end in _ends(one.event, "from")
    }


def _names(event: dict[str, Any], side: str) -> set[str]:
    return {str(end.get("lot")) for end in _ends(event, side)}


def _ends(event: dict[str, Any], side: str) -> list[dict[str, Any]]:
    there = event.get(side, event if side == "to" else ())
    return there if isinstance(there, list) else [there] if isinstance(there, dict) else []


def passed(view: View, lot: Lot, content: list[tuple[int, int]]) -> list[dict[str, Any]]:
    """The events that made the bodies which a wine passed through, in order of the ledger, and the
    fermentations of bottles, which make none."""
    positions = made_by(view, content)
    events = view.events(positions)
    if lot.sort == BOTTLES:
        fermented = (one for one in dealings(view, [lot.name]) if one.event["kind"] == "ferment")
        events |= {one.position: one.event for one in fermented}
    return [events[position] for position in sorted(events)]


def made_by(view: View, content: list[tuple[int, int]]) -> set[int]:
    """The positions of the events that made the bodies which a wine passed through."""
    nodes = _behind(view.genealogy(content), content)
    return set(view.positions(sorted(nodes)).values())


def _behind(genealogy: Genealogy, content: list[tuple[int, int]]) -> set[int]:
    seen = {node for node, _ in content}
    ahead = list(seen)
    while ahead:
        for parent, _ in genealogy.parents[ahead.pop()]:
            if parent not in seen:
                seen.add(parent)
                ahead.append(parent)
    return seen


def materials(event: Mapping[str, Any]) -> Iterator[str]:
    """The materials that an event used."""
    if event["kind"] != "receive" and event.get("material") is not None:
        yield event["material"]
    for use in event.get("materials") or ():
        yield use["material"]


def untold(event: Mapping[str, Any]) -> str | None:
    """A sentence on what an event leaves open of what went into the wine."""
    if event["kind"] == "receive" and came_as(event) != "grapes":
        return f"What went into `{event['lot']}` before it came in is not recorded."
    if event["kind"] == "treat" and not list(materials(event)) and not _by_itself(event):
        return f"With what `{event['lot']}` was treated ({event['treatment']}) is not recorded."
    return None


_BY_THEMSELVES = ("filtration", "cold", "heat", "racking", "centrifug", "flotation", "settling")


def _by_itself(event: Mapping[str, Any]) -> bool:
    """Whether a treatment needs no material."""
    return any(word in event["treatment"].casefold() for word in _BY_THEMSELVES)


def went_in(view: View, lot: Lot, instant: int) -> tuple[dict[str, Used], tuple[str, ...]]:
    """The materials that went into a wine, and what the records do not tell of that."""
    registers = view.cellar.registers
    uses: dict[str, list[dict[str, Any]]] = {}
    open_: dict[str, None] = {}
    for event in passed(view, lot, list(view.content(lot))):
        says = untold(event)
        if says is not None:
            open_[says] = None
        named = list(materials(event))
        if event["kind"] == "treat" and not named:
            named = [event["treatment"]]  # that is all that is known of what went in
        for name in named:
            uses.setdefault(name, []).append(event)
    found = {}
    for name, events in uses.items():
        made = registers.at("material", name, instant).get("is")
        treatments = tuple(event["treatment"] for event in events if event["kind"] == "treat")
        known = tuple(map(str, made)) if made else (name,) if name in treatments else None
        found[name] = Used(known, tuple(str(event["id"]) for event in events), treatments)
    return found, tuple(open_)
