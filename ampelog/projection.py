"""The projection: the cellar as the whole log left it, kept in the ledger's database.

It saves replaying everything for a question about today, and lets one event be recorded into a
large ledger by reading only what it touches. It holds nothing that a replay would not give;
``verify`` compares the two.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain, repeat
from operator import attrgetter
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ampelog import history, moments
from ampelog.cellar import Cellar, Shelf
from ampelog.errors import Refused
from ampelog.graph import Ferment, Graph, Node
from ampelog.ledger import Ledger
from ampelog.registers import KINDS, Entry, Registers, fields_of
from ampelog.stands import Bodies, Spans, Stand
from ampelog.state import Lot
from ampelog.steps import Step

BEGINNING, LAST = (-(2**62), 0), (2**62, 0)
"""Before every order of a step, and after."""

_ASIDE = frozenset({"place", "block", "premises", "party", "material", "label"})
SAID = frozenset({"note", "analysis", "release"})
"""Kinds that move nothing, yet are about a lot that must have been there."""


def order_of(steps: Iterable[Step]) -> tuple[int, int]:
    """The order of the last step that moved something: what comes before it is late."""
    moved = (step.order for step in steps if depends(step) and step.event["kind"] not in SAID)
    return max(moved, default=BEGINNING)


def depends(step: Step) -> bool:
    """Whether a step's place in time matters: to what the cellar holds, or to itself."""
    kind = step.event["kind"]
    if kind == "lot":
        return bool(step.event.get("of") or "owner" in step.event)
    return kind not in _ASIDE


# Writing


def rebuild(ledger: Ledger) -> Cellar:
    """Replay everything and write the projection anew, in a transaction of its own."""
    from ampelog.replay import begun

    steps, spans = history.steps_of(ledger), Spans()
    with history.still():
        cellar = begun(steps, history.zone_of(ledger))
        if refusals := spans.tell(cellar, steps):
            raise Refused(f"{len(refusals)} recorded events cannot have happened", refusals)
        ledger.together(lambda: write(ledger, cellar, steps, ledger.head.position, (spans, NONE)))
    return cellar


class Kept(NamedTuple):
    """What of a projection that stands is as it will be: the nodes and stretches of fermentation
    below a number, the spans up to one, and the lots that are not ``changed`` after it."""

    nodes: int = 0
    ferments: int = 0
    span: int = 0
    changed: frozenset[str] = frozenset()


NONE = Kept()  # nothing of it


def write(
    ledger: Ledger,
    cellar: Cellar,
    steps: Sequence[Step],
    position: int,
    told: tuple[Spans, Kept],
) -> None:
    """Write what of a projection is not kept, in the ledger's open transaction; the spans are those
    told since."""
    spans, kept = told
    if ledger.rows("projection_state"):
        _drop(ledger, kept)
    bodies = spans.bodies(cellar)
    if kept.span:
        _make_room(ledger, {kept.span + 1: kept.changed})
    again = kept.changed.difference(*bodies.values()) & cellar.lots.keys()
    bodies[spans.going_on].update({name: cellar.lots[name].dump() for name in again})
    _add_registers(ledger, steps)
    _add_lots(ledger, cellar, bodies)
    _add(ledger, cellar, kept.nodes, kept.ferments)
    _state(ledger, cellar, (order_of(steps), position), spans)


def _drop(ledger: Ledger, kept: Kept) -> None:
    """Drop what is not kept."""
    lots = () if kept.span else ("lot_state",)
    for table in ("projected", "vessel_state", "register", *lots):
        ledger.rows(f"projection_empty_{table}")
    ledger.rows("projection_drop_nodes", first=kept.nodes)
    ledger.rows("projection_drop_edges", first=kept.nodes)
    ledger.rows("projection_drop_ferments", first=kept.ferments)
    ledger.rows("projection_drop_stands", first=kept.span + 1)
    ledger.rows("projection_drop_lots_before", first=kept.span + 1)


def extend(
    ledger: Ledger,
    cellar: Cellar,
    steps: Sequence[Step],
    position: int,
    spans: Spans,
) -> None:
    """Write what these steps added to a standing cellar, in the ledger's open transaction."""
    last = max(last_order(ledger), order_of(steps))
    ledger.rows("projection_empty_projected")
    _add_registers(ledger, steps)
    bodies = spans.bodies(cellar)
    _make_room(ledger, bodies)
    vessels = "\n".join(cellar.vessels)
    if vessels:
        ledger.rows("projection_drop_vessels", vessel=vessels)
    _add_lots(ledger, cellar, bodies)
    _add(ledger, cellar, cellar.graph.first, cellar.graph.first_ferment)
    _state(ledger, cellar, (last, position), spans)


def _make_room(ledger: Ledger, changed: Mapping[int, Iterable[str]]) -> None:
    """Drop the lots that changed, by span; what one was in an earlier span is kept as that."""
    for span, names in changed.items():
        asked = "\n".join(names)
        if asked and span > 1:
            ledger.rows("projection_keep_lots", lot=asked, span=span)
        if asked:
            ledger.rows("projection_drop_lots", lot=asked)


def _json(value: Any) -> str | None:
    """A record or free text as JSON, None as null."""
    return None if value is None else json.dumps(value)


def _insert(ledger: Ledger, query: str, **columns: Sequence[Any]) -> None:
    if len(next(iter(columns.values()))):
        ledger.put(query, **columns)


def _add_lots(ledger: Ledger, cellar: Cellar, bodies: Bodies) -> None:
    """Add lots as they are, and as they were in spans before."""
    now: dict[str, tuple[int, str]] = {}
    before: list[tuple[str, int, str]] = []
    for span, found in bodies.items():
        before += [(name, *now[name]) for name in found if name in now]
        now.update({name: (span, body) for name, body in found.items()})
    lots = [cellar.lots[name] for name in now]
    _insert(
        ledger,
        "projection_add_lots",
        lot=list(now),
        held=[bool(lot.holdings) for lot in lots],
        sort=[lot.sort for lot in lots],
        span=[span for span, _ in now.values()],
        body=[body for _, body in now.values()],
    )
    names, spans, texts = zip(*before, strict=True) if before else ((), (), ())
    _insert(ledger, "projection_add_lots_before", lot=names, span=spans, body=texts)


def _add(ledger: Ledger, cellar: Cellar, first: int, first_ferment: int) -> None:
    """Add nodes and stretches of fermentation from a number on, and all vessels."""
    graph = cellar.graph
    nodes = graph.nodes[first - graph.first :]
    numbers = range(first, first + len(nodes))
    columns = {name: list(map(attrgetter(name), nodes)) for name in Node.__struct_fields__}
    parents = columns.pop("parents")
    _insert(ledger, "projection_add_nodes", node=numbers, **columns)
    edges = list(chain.from_iterable(parents))
    _insert(
        ledger,
        "projection_add_edges",
        node=list(chain.from_iterable(map(repeat, numbers, map(len, parents)))),
        parent=[parent for parent, _ in edges],
        amount=[amount for _, amount in edges],
    )
    ferments = graph.ferments[first_ferment - graph.first_ferment :]
    _insert(
        ledger,
        "projection_add_ferments",
        ferment=list(range(first_ferment, first_ferment + len(ferments))),
        position=[one.position for one in ferments],
        lot=[one.lot for one in ferments],
        vessel=[one.vessel for one in ferments],
        organism=[_json(one.organism) for one in ferments],
        regime=[_json(one.regime) for one in ferments],
    )
    held = [(vessel, lot) for vessel, lot in list(cellar.vessels.items()) if lot]
    _insert(
        ledger,
        "projection_add_vessels",
        vessel=[vessel for vessel, _ in held],
        lot=[lot for _, lot in held],
    )


def _add_registers(ledger: Ledger, steps: Iterable[Step]) -> None:
    found = [step for step in steps if step.event["kind"] in KINDS]
    _insert(
        ledger,
        "projection_add_registers",
        kind=[step.event["kind"] for step in found],
        name=[step.event["name"] for step in found],
        instant=[step.instant for step in found],
        position=[step.position for step in found],
        fields=[json.dumps(fields_of(step.event)) for step in found],
    )


def _state(ledger: Ledger, cellar: Cellar, upto: tuple[tuple[int, int], int], spans: Spans) -> None:
    last, position = upto
    body = {
        **cellar.holds.dump(),
        "watched": sorted(cellar.holds.watched),
        "span": (spans.going_on, spans.told),
    }
    ledger.rows(
        "projection_set_state",
        position=position,
        last_instant=last[0],
        last_position=last[1],
        body=json.dumps(body),
    )
    if spans.stands:
        columns = dict(zip(Stand._fields, zip(*spans.stands, strict=True), strict=True))
        ledger.put("projection_add_stands", **columns)


# Reading


def is_current(ledger: Ledger) -> bool:
    """Whether the projection stands for the whole log."""
    found = ledger.rows("projection_state")
    return bool(found) and found[0][0] == ledger.head.position


def last_order(ledger: Ledger) -> tuple[int, int]:
    """The order of the last event that moved something."""
    found = ledger.rows("projection_state")
    return (int(found[0][1]), int(found[0][2]))


def state_of(ledger: Ledger) -> dict[str, Any]:
    """What else the projection keeps: holds in force, what some hold names, the span going on."""
    found: dict[str, Any] = json.loads(ledger.rows("projection_state")[0][3])
    return found


def said_later(ledger: Ledger, steps: Iterable[Step], zone: ZoneInfo) -> bool:
    """Whether something is recorded, later in time, of a lot or vessel that one of these steps
    moves: it may be so no longer. What is recorded of the same moment comes before them."""
    moving = [step for step in steps if depends(step)]
    if not moving or ledger.head.position == 1:
        return False
    names = {name for step in moving for name in named(step.event)}
    first = min(step.instant for step in moving)
    for (body,) in ledger.rows("events_said_later", instant=first):
        event = json.loads(body)
        if event["kind"] != "correct":
            said = event
        elif event["replacement"] and moments.instant(event["replacement"]["at"], zone) > first:
            said = event["replacement"]
        else:
            continue
        if said["kind"] in SAID and not names.isdisjoint(named(said)):
            return True
    return False


def named(event: dict[str, Any]) -> set[str]:
    """Every name of a lot or vessel that an event mentions."""
    found: set[str] = set()
    ahead: list[Any] = [event]
    while ahead:
        thing = ahead.pop()
        if isinstance(thing, list):
            ahead += thing
        elif isinstance(thing, dict):
            for key, value in thing.items():
                if key in ("lot", "vessel", "name") and isinstance(value, str):
                    found.add(value)
                elif key == "vessels" and isinstance(value, list):
                    found.update(value)
                elif key in ("from", "to", "of"):
                    ahead.append(value)
    return found


def standing(ledger: Ledger, zone: ZoneInfo, names: Iterable[str] = ()) -> Cellar:
    """The cellar as the whole log left it, read as it is asked; ``names`` are read at once."""
    cellar = Cellar(zone)
    wanted = "\n".join(sorted(set(names)))
    cellar.registers = _registers(ledger, wanted)
    lots = Shelf(lambda name: _lots(ledger, name).get(name))
    vessels = Shelf(lambda name: _vessels(ledger, name).get(name))
    cellar.lots, cellar.vessels = lots, vessels
    if wanted:
        asked = wanted.split("\n")
        lots.read(asked, _lots(ledger, wanted))
        vessels.read(asked, _vessels(ledger, wanted))
    nodes, ferments = ledger.rows("projection_counts")[0]
    cellar.graph = Graph(nodes, ferments)
    cellar.older_ferment = lambda number: stretches(ledger, number)[number]
    state = state_of(ledger)
    cellar.holds.load(state)
    cellar.holds.watched = set(state["watched"])
    return cellar


def read_lots(ledger: Ledger, cellar: Cellar, names: Sequence[str]) -> None:
    """Put these lots into a standing cellar at once, as far as there are any."""
    if isinstance(cellar.lots, Shelf) and names:
        found = _lots(ledger, "\n".join(names))
        cellar.lots.read(names, {**found, **cellar.lots})


def _vessels(ledger: Ledger, names: str) -> dict[str, str]:
    return dict(ledger.rows("vessel_states", vessel=names))


def _lots(ledger: Ledger, names: str) -> dict[str, Lot]:
    return {name: Lot.load(name, body) for name, body in ledger.rows("lot_states", lot=names)}


def held_lots(ledger: Ledger, sort: str = "") -> list[Lot]:
    """The lots that hold something, by name; those of one sort where it is named."""
    return [Lot.load(name, body) for name, body in ledger.rows("lot_states_held", sort=sort)]


def lots_in_vessels(ledger: Ledger) -> list[Lot]:
    """The lots of which something lies in a vessel, by name."""
    return [Lot.load(name, body) for name, body in ledger.rows("lot_states_in_vessels")]


def _registers(ledger: Ledger, names: str) -> Registers:
    def fetch(kind: str, name: str) -> list[Entry]:
        rows = ledger.rows("registrations", name=name)
        return [
            (int(instant), position, json.loads(fields))
            for of, _, instant, position, fields in rows
            if of == kind
        ]

    registers = Registers(fetch)
    known: dict[tuple[str, str], list[Entry]] = {}
    rows = ledger.rows("registrations_of_places")
    if names:
        rows += [
            row
            for row in ledger.rows("registrations", name=names)
            if row[0] in ("vessel", "lot", "material")
        ]
    for kind, name, instant, position, fields in rows:
        entry = (int(instant), position, json.loads(fields))
        known.setdefault((kind, name), []).append(entry)
    registers.give(known)
    kinds = ("place", "block", "premises", "party", "label")
    registers.give_nothing_else(kinds)
    for name in names.split("\n") if names else ():
        for kind in ("vessel", "lot", "material"):
            registers.give({(kind, name): known.get((kind, name), [])})
    return registers


def stretches(ledger: Ledger, first: int = 0) -> dict[int, Ferment]:
    """Stretches of fermentation by number, from one on."""
    return {
        number: Ferment(position, lot, vessel, _read(organism), _read(regime))
        for number, position, lot, vessel, organism, regime in ledger.rows("ferments", first=first)
    }


def parents_of(ledger: Ledger, top: int) -> list[Sequence[tuple[int, int]]]:
    """The parents of every node up to one, each with the amount that came."""
    parents: list[Any] = [()] * (top + 1)
    current = -1
    for node, parent, amount in ledger.rows("edges", node=top):
        if node != current:
            parents[node], current = [], node
        parents[node].append((parent, int(amount)))
    return parents


def _read(text: str | None) -> Any:
    return None if text is None else json.loads(text)
