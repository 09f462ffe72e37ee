"""The projection: the cellar as the whole log left it, kept in the ledger's database.

It saves replaying everything for a question about today, and lets one event be recorded into a
large ledger by reading only what it touches. It holds nothing that a replay would not give;
``verify`` compares the two.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from itertools import chain, repeat
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ampelog import history
from ampelog.cellar import Cellar, Shelf
from ampelog.graph import Ferment, Graph, Node
from ampelog.ledger import Ledger
from ampelog.registers import KINDS, Entry, Registers, fields_of
from ampelog.state import Lot
from ampelog.steps import Step

BEGINNING = (-(2**62), 0)
"""Before every order of a step."""

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
    from ampelog.replay import fresh

    steps = history.steps_of(ledger)
    with history.still():
        cellar, refusals = fresh(steps, history.zone_of(ledger))
        assert not refusals, f"a recorded event cannot have happened: {refusals[0]}"
        ledger.together(lambda: write(ledger, cellar, steps, ledger.head.position))
    return cellar


class Kept(NamedTuple):
    """What of a projection that stands is as it will be: the nodes and stretches of fermentation
    below a number, and the lots that are not ``changed``."""

    nodes: int
    ferments: int
    changed: frozenset[str]


def write(
    ledger: Ledger,
    cellar: Cellar,
    steps: Sequence[Step],
    position: int,
    kept: Kept | None = None,
) -> None:
    """Write a whole projection, or what of it is not ``kept``, in the ledger's open transaction."""
    anew = ("projected", "vessel_state", "register")
    for table in anew if kept else (*anew, "lot_state"):
        ledger.rows(f"projection_empty_{table}")
    nodes, ferments, changed = kept or (0, 0, cellar.lots.keys())
    ledger.rows("projection_drop_nodes", first=nodes)
    ledger.rows("projection_drop_edges", first=nodes)
    ledger.rows("projection_drop_ferments", first=ferments)
    if kept:
        ledger.rows("projection_drop_lots", lot="\n".join(changed))
    lots = [lot for name in changed if (lot := cellar.lots.get(name)) is not None]
    _add_registers(ledger, steps)
    _add(ledger, cellar, lots, nodes, ferments)
    _state(ledger, cellar, order_of(steps), position)


def extend(
    ledger: Ledger,
    cellar: Cellar,
    steps: Sequence[Step],
    position: int,
    last: tuple[int, int],
) -> None:
    """Write what these steps added to a standing cellar, in the ledger's open transaction."""
    ledger.rows("projection_empty_projected")
    _add_registers(ledger, steps)
    changed = "\n".join(cellar.changed)
    if changed:
        ledger.rows("projection_drop_lots", lot=changed)
    vessels = "\n".join(cellar.vessels)
    if vessels:
        ledger.rows("projection_drop_vessels", vessel=vessels)
    graph = cellar.graph
    _add(ledger, cellar, list(cellar.changed.values()), graph.first, graph.first_ferment)
    _state(ledger, cellar, max(last, order_of(steps)), position)


def _json(value: Any) -> str | None:
    """A record or free text as JSON, None as null."""
    return None if value is None else json.dumps(value)


def _insert(ledger: Ledger, query: str, **columns: Sequence[Any]) -> None:
    if len(next(iter(columns.values()))):
        ledger.put(query, **columns)


def _add(
    ledger: Ledger, cellar: Cellar, lots: Sequence[Lot], first: int, first_ferment: int
) -> None:
    """Add nodes and stretches of fermentation from a number on, some lots, and all vessels."""
    graph = cellar.graph
    nodes = graph.nodes[first - graph.first :]
    numbers = range(first, first + len(nodes))
    columns = dict(zip(Node._fields, zip(*nodes, strict=True), strict=False))
    parents = columns.pop("parents", ())
    _insert(ledger, "projection_add_nodes", node=numbers, **columns)
    edges = chain.from_iterable(parents)
    columns = dict(zip(("parent", "amount"), zip(*edges, strict=True), strict=False))
    times = map(repeat, numbers, map(len, parents))
    _insert(ledger, "projection_add_edges", node=list(chain.from_iterable(times)), **columns)
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
    _insert(
        ledger,
        "projection_add_lots",
        lot=[lot.name for lot in lots],
        held=[bool(lot.holdings) for lot in lots],
        sort=[lot.sort for lot in lots],
        body=[lot.dump() for lot in lots],
    )
    held = list(cellar.vessels.items())
    held = [(vessel, lot) for vessel, lot in held if lot]
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


def _state(ledger: Ledger, cellar: Cellar, last: tuple[int, int], position: int) -> None:
    holds = cellar.holds
    body = {
        "active": {key: sorted(ids) for key, ids in holds.active.items() if ids},
        "key_of": holds.key_of,
        "watched": sorted(holds.watched),
    }
    ledger.rows(
        "projection_set_state",
        position=position,
        last_instant=last[0],
        last_position=last[1],
        body=json.dumps(body),
    )


# Reading


def is_current(ledger: Ledger) -> bool:
    """Whether the projection stands for the whole log."""
    found = ledger.rows("projection_state")
    return bool(found) and found[0][0] == ledger.head.position


def last_order(ledger: Ledger) -> tuple[int, int]:
    """The order of the last event that moved something."""
    found = ledger.rows("projection_state")
    return (int(found[0][1]), int(found[0][2]))


def said_later(ledger: Ledger, steps: Iterable[Step]) -> bool:
    """Whether something is recorded, later in time, of a lot or vessel that one of these steps
    moves: it may be so no longer."""
    moving = [step for step in steps if depends(step)]
    if not moving or ledger.head.position == 1:
        return False
    names = {name for step in moving for name in named(step.event)}
    first = min(step.instant for step in moving)
    for (body,) in ledger.rows("events_said_later", instant=first):
        event = json.loads(body)
        said = event["replacement"] if event["kind"] == "correct" else event
        if said and said["kind"] in SAID and not names.isdisjoint(named(said)):
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
    body = json.loads(ledger.rows("projection_state")[0][3])
    cellar.holds.active = {key: set(ids) for key, ids in body["active"].items()}
    cellar.holds.key_of = body["key_of"]
    cellar.holds.watched = set(body["watched"])
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


def _read(text: str | None) -> Any:
    return None if text is None else json.loads(text)
