"""What a recall begins at: the bodies of the genealogy that are of a block, a grower, a picking, a
lot, a lot of material, a vessel or a time, each with how much of it is.

What a wine was treated, bottled or packed with counts by the wine that took it in: a body that got
any of a material lot counts whole. A receipt of which a part came from a block counts by that part.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Container, Iterable, Iterator
from difflib import get_close_matches
from typing import Any

from msgspec import Struct, field

from ampelog import moments
from ampelog.errors import Refused
from ampelog.excerpt import vessels
from ampelog.genealogy import BITS
from ampelog.moments import NotATime
from ampelog.places import Places
from ampelog.questions import ALWAYS, View
from ampelog.recall_replay import Place, apart, watching
from ampelog.sources import Leaf, leaves
from ampelog.state import BOTTLES, Lot
from ampelog.told import unfolded

Event = dict[str, Any]
WHOLE = 1 << BITS
USING = ("treat", "ferment", "bottle", "pack")
"""Kinds that use materials."""
NOUNS = {
    "block": "block",
    "grower": "grower",
    "pick": "picking",
    "lot": "lot",
    "material_lot": "lot of material",
    "vessel": "vessel",
    "dates": "time",
}


class Origin(Struct, frozen=True):
    """What is recalled: a kind (``NOUNS``), names of that kind, and a time within which it counts
    (dates or times as on the command line; both ends belong to it)."""

    kind: str
    names: tuple[str, ...] = ()
    since: str | None = None
    until: str | None = None


class Found(Struct):
    """The bodies that a recall begins at.

    ``view`` is the one whose genealogy the nodes are of; ``weights`` how much of each node is of
    the origin, of ``WHOLE``; ``events`` the positions of what brought them; ``lots`` the lots that
    are recalled whole; ``there`` the bottles (10^-12 L, by lot) that lay there in the time.
    ``watched``: the nodes are bodies that a replay told apart.
    """

    view: View
    weights: dict[int, int] = field(default_factory=dict)
    events: dict[int, Event] = field(default_factory=dict)
    lots: frozenset[str] = frozenset()
    there: dict[str, int] = field(default_factory=dict)
    watched: bool = False


def found(view: View, origin: Origin) -> Found:
    """The bodies that an origin names; ``Refused`` where the ledger knows nothing by its name."""
    since, until = period(view, origin)
    return _FINDERS[origin.kind](view, origin, since, until)


def period(view: View, origin: Origin) -> tuple[int, int]:
    """The first and the last instant of an origin's time."""
    try:
        first = -ALWAYS if origin.since is None else moments.instant(origin.since, view.zone)
    except NotATime as problem:
        raise Refused(f"--since: {problem}") from None
    try:
        last = ALWAYS if origin.until is None else _last(origin.until, view)
    except NotATime as problem:
        raise Refused(f"--until: {problem}") from None
    if last < first:
        raise Refused("--until is before --since", hint="give the earlier day in --since")
    return first, last


def _last(until: str, view: View) -> int:
    """The last instant of a day; of a time of day, that."""
    if "T" in until:
        return moments.instant(until, view.zone)
    return moments.end_of_day(until, view.zone)


def near(name: str, names: Iterable[str], other: str) -> str:
    """A hint that names the nearest known name."""
    close = get_close_matches(name, list(names), n=1)
    return f"did you mean `{close[0]}`?" if close else other


# Fruit and what else came in


def _blocks(view: View, origin: Origin, since: int, until: int) -> Found:
    registers = view.cellar.registers
    for name in origin.names:
        if not registers.knows("block", name):
            hint = near(name, registers.names("block"), "`ampelog log --kind block` lists them")
            raise Refused(f"there is no block `{name}`", hint=hint)
    asked = frozenset(origin.names)
    said = _said(view, ("pick", "receive"), origin.names, since, until)
    return _came(view, said, lambda leaf: leaf.block in asked)


def _growers(view: View, origin: Origin, since: int, until: int) -> Found:
    """What a party grew, by the block's grower on the day; and what it supplied that is no
    material: who delivered is called as well as who grew."""
    registers = view.cellar.registers
    for name in origin.names:
        if not registers.knows("party", name):
            hint = near(name, registers.names("party"), "`ampelog log --kind party` lists them")
            raise Refused(f"there is no party `{name}`", hint=hint)
    asked = frozenset(origin.names)
    blocks = [
        block
        for block in registers.names("block")
        if any(
            registers.at("block", block, when).get("grower") in asked
            for when in registers.changes("block", block)
        )
    ]
    said = _said(view, ("pick", "receive"), [*origin.names, *blocks], since, until)
    supplied = {position for position, event in said.items() if event.get("supplier") in asked}
    return _came(view, said, lambda leaf: leaf.grower in asked, supplied)


def _came(
    view: View,
    said: dict[int, Event],
    wanted: Callable[[Leaf], bool],
    whole: Iterable[int] = (),
) -> Found:
    """The sources of which some leaf is wanted, by that share; ``whole`` those that count whole."""
    registers, found = view.cellar.registers, Found(view)
    shares: dict[int, int] = dict.fromkeys(whole, WHOLE)
    for position, event in said.items():
        if event.get("material") is not None:
            shares.pop(position, None)
            continue
        if position in shares:
            continue
        instant = moments.instant(event["at"], view.zone)
        parts = leaves(event, position, instant, registers, Places(registers, instant), view.zone)
        share = sum(part for leaf, part in parts if wanted(leaf))
        if share:
            shares[position] = min(WHOLE, int(share * WHOLE) or 1)
    found.events = {position: said[position] for position in shares}
    found.weights = {node: shares[position] for node, position, _, _ in view.nodes_at(shares)}
    return found


def _pickings(view: View, origin: Origin, since: int, until: int) -> Found:
    """One picking or receipt: by its `id`, its position in the log, or ``LOT@DATE``."""
    events: dict[int, Event] = {}
    for name in origin.names:
        there = _picking(view, name)
        events |= {
            position: event
            for position, event in there.items()
            if since <= moments.instant(event["at"], view.zone) <= until
        }
    return _came(view, events, lambda _: True, events)


def _picking(view: View, name: str) -> dict[int, Event]:
    lot, at, day = name.rpartition("@")
    if at:
        said = _said(view, ("pick", "receive"), [lot], -ALWAYS, ALWAYS)
        there = {
            position: event
            for position, event in said.items()
            if event.get("lot") == lot and event["at"].startswith(day)
        }
    elif name.isascii() and name.isdigit():
        there = view.events([int(name)])
    else:
        record = view.ledger.known([name.lower()]).get(name.lower())
        there = {} if record is None else view.events([record.position])
    there = {position: event for position, event in there.items() if _entered(event)}
    if not there:
        raise Refused(
            f"`{name}` is no picking or receipt that this view knows",
            hint="give its `id`, its position in the log, or its lot and day: 24-SY@2024-09-20",
        )
    return there


def _entered(event: Event) -> bool:
    return event["kind"] in ("pick", "receive") and event.get("material") is None


def _dates(view: View, origin: Origin, since: int, until: int) -> Found:
    """What was picked, received or bottled in a time."""
    del origin
    said = view.said(("pick", "receive", "bottle"), "", since, until)
    found = Found(view)
    found.events = {
        position: event
        for position, event in said.items()
        if event["kind"] == "bottle" or _entered(event)
    }
    found.weights = dict.fromkeys(filled_by(found.events, view.nodes_at(found.events)), WHOLE)
    return found


# Materials


def _materials(view: View, origin: Origin, since: int, until: int) -> Found:
    asked = frozenset(origin.names)
    said = _said(view, USING, origin.names, since, until)
    uses = {p: event for p, event in said.items() if not asked.isdisjoint(lots_used(event))}
    _check_materials(view, origin, uses)
    # What no body of its own came of where it was recorded is told apart in a replay.
    unmarked = {
        position
        for position, event in uses.items()
        if event["kind"] == "pack" or (event["kind"] == "ferment" and not _closes(view, event))
    }
    seen = apart(view, unmarked) if unmarked else view
    nodes = filled_by(uses, seen.nodes_at(uses))
    return Found(seen, dict.fromkeys(nodes, WHOLE), uses)


def _closes(view: View, event: Event) -> bool:
    """Whether a fermentation made bodies of their own of what its materials went into: in bottle
    each fill stays one."""
    lot = view.cellar.lots.get(event["lot"])
    return not (lot is None or lot.sort == BOTTLES or lot.took or lot.fills)


def lots_used(event: Event) -> Iterator[str]:
    """The lots of material that an event used."""
    if event["kind"] != "receive" and event.get("material_lot") is not None:
        yield event["material_lot"]
    for use in event.get("materials") or ():
        if use.get("lot") is not None:
            yield use["lot"]


def _check_materials(view: View, origin: Origin, uses: dict[int, Event]) -> None:
    """``Refused`` where a lot of material was neither used nor received."""
    used = {lot for event in uses.values() for lot in lots_used(event)}
    for name in origin.names:
        if name in used:
            continue
        there = view.said((*USING, "receive", "hold"), '"lot":') | view.said(
            (*USING, "receive", "hold"), '"material_lot":'
        )
        known = {lot for event in there.values() for lot in lots_used(event)}
        known |= {event["material_lot"] for event in there.values() if event.get("material_lot")}
        if name not in known:
            hint = near(name, known, "materials are named with their `lot` where they are used")
            raise Refused(f"there is no lot of material `{name}`", hint=hint)


def filled_by(
    events: dict[int, Event],
    bodies: Iterable[tuple[int, int, str | None, str | None]],
    without: Container[int] = frozenset(),
) -> list[int]:
    """The bodies that events made; of a bottling the fills alone, not the wine they came from.

    ``bodies`` as of ``View.nodes_at``, ``without`` those that a replay told apart besides.
    """
    made: dict[int, list[int]] = {}
    for node, position, _, _ in bodies:
        if node not in without:
            made.setdefault(position, []).append(node)
    found: list[int] = []
    for position, nodes in made.items():
        event = events[position]
        if event["kind"] == "bottle":
            found += nodes[-len(outputs(event)) :]
        else:
            found += nodes
    return found


def outputs(event: Event) -> list[Event]:
    """The outputs of a `bottle` or `pack`, whatever its form."""
    to = unfolded(event)["to"]
    return list(to) if isinstance(to, list) else [to]


# Lots and vessels


def _lots(view: View, origin: Origin, since: int, until: int) -> Found:
    lots = [view.lot(name) for name in origin.names]
    if (since, until) != (-ALWAYS, ALWAYS):
        return _lay(view, Place(lots=frozenset(origin.names)), since, until)
    handed = _handed_on(view, lots)
    seen = apart(view, handed) if handed else view
    asked = frozenset(origin.names)
    labels = seen.genealogy([(seen.cellar.graph.count - 1, 1)], labels=True).labels
    nodes = [node for node, label in enumerate(labels) if label[0] in asked]
    return Found(seen, dict.fromkeys(nodes, WHOLE), lots=asked)


def _handed_on(view: View, lots: Iterable[Lot]) -> set[int]:
    """The events by which bottles of these lots went under another name: of what was packed
    nothing but the fill, which others share, tells where it came from."""
    names = [lot.name for lot in lots if lot.sort == BOTTLES or lot.fills or lot.took]
    said = _said(view, ("pack", "lot"), names, -ALWAYS, ALWAYS) if names else {}
    found = set()
    for position, event in said.items():
        ends = event.get("from") if event["kind"] == "pack" else event.get("of")
        ends = ends if isinstance(ends, list) else [ends or {}]
        if any(end.get("lot") in names for end in ends):
            found.add(position)
    return found


def _vessels(view: View, origin: Origin, since: int, until: int) -> Found:
    found = _lay(view, Place(vessels=frozenset(origin.names)), since, until)
    registers = view.cellar.registers
    for name in origin.names:
        if registers.knows("vessel", name):
            continue
        said = view.said(_ANY, _quoted(name)).values()
        if not any(name in vessels(event) for event in said):
            known = {row[0] for row in view.ledger.rows("vessel_names")} - {name}
            hint = near(name, known, "`ampelog log --kind vessel` lists the registered ones")
            when = f" by {view.as_of}" if view.as_of else ""
            raise Refused(f"there is no vessel `{name}`{when}", hint=hint)
    return found


_ANY = (
    "pick",
    "receive",
    "crush",
    "press",
    "rack",
    "barrel_down",
    "top",
    "blend",
    "bottle",
    "pack",
    "return",
)


def _lay(view: View, place: Place, since: int, until: int) -> Found:
    """What lay in a place in a time, or came to it."""
    seen, nodes, there = watching(view, place, since, until)
    return Found(seen, dict.fromkeys(nodes, WHOLE), there=there, watched=True)


_FINDERS: dict[str, Callable[[View, Origin, int, int], Found]] = {
    "block": _blocks,
    "grower": _growers,
    "pick": _pickings,
    "lot": _lots,
    "material_lot": _materials,
    "vessel": _vessels,
    "dates": _dates,
}


def _said(
    view: View, kinds: tuple[str, ...], names: Iterable[str], since: int, until: int
) -> dict[int, Event]:
    found: dict[int, Event] = {}
    for name in dict.fromkeys(names):
        found |= view.said(kinds, _quoted(name), since, until)
    return found


def _quoted(name: str) -> str:
    return json.dumps(name, ensure_ascii=False)
