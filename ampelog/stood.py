"""The cellar as it stood at the last stand before something, read from the projection."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Sequence
from operator import attrgetter
from zoneinfo import ZoneInfo

from ampelog.cellar import Cellar
from ampelog.errors import Finding
from ampelog.graph import Graph, Node
from ampelog.ledger import Ledger
from ampelog.projection import parents_of, state_of, stretches
from ampelog.replay import apply
from ampelog.stands import Spans, Stand
from ampelog.state import BOTTLES, MASS, Lot
from ampelog.steps import Step


def spans_of(ledger: Ledger, earliest: tuple[int, int]) -> Spans:
    """The span that goes on, for steps that begin at an order. Stands that have seen something
    later are forgotten, in the ledger's open transaction."""
    going_on, told = state_of(ledger)["span"]
    stands = _stands(ledger) if going_on > 1 else ()
    first = min((stand.span for stand in stands if stand.order >= earliest), default=None)
    if first is None:
        return Spans(going_on, told)
    ledger.rows("projection_drop_stands", first=first)
    ledger.rows("projection_drop_lots_before", first=first)
    ledger.rows("projection_join_spans", span=first)
    return Spans(first)


def last_before(ledger: Ledger, order: tuple[int, int]) -> Stand | None:
    """The last stand that comes before an order, None where there is none."""
    found = [stand for stand in _stands(ledger) if stand.order < order]
    return found[-1] if found else None


def stood(ledger: Ledger, stand: Stand, zone: ZoneInfo) -> Cellar:
    """The cellar as it stood: its lots, vessels, genealogy and holds in force. What is registered,
    and what some hold names, is the caller's to add."""
    cellar = Cellar(zone)
    for name, _, body in ledger.rows("lots_stood", span=stand.span):
        lot = cellar.lots[name] = Lot.load(name, body)
        if lot.sort not in (MASS, BOTTLES):
            cellar.vessels.update({v: name for v in lot.holdings if v is not None})
    cellar.holds.load(json.loads(stand.holds))
    graph = cellar.graph = Graph()
    graph.nodes = _nodes(ledger, stand.nodes)
    every = stretches(ledger)
    graph.ferments = [every[number] for number in range(stand.ferments)]
    return cellar


def told_again(
    ledger: Ledger, cellar: Cellar, steps: Sequence[Step]
) -> tuple[list[Finding], list[str]]:
    """Tell all steps to an empty cellar; what of them cannot have happened, and which stands of the
    projection are not what they led to."""
    refusals: list[Finding] = []
    differs: list[str] = []
    done = 0
    for stand in _stands(ledger):
        upto = bisect_right(steps, stand.order, lo=done, key=attrgetter("order"))
        refusals += apply(cellar, steps, part=range(done, upto))
        done = upto
        if not _stood_so(ledger, stand, cellar):
            differs.append(f"the stand {stand.span}")
        cellar.changed = {}
    return [*refusals, *apply(cellar, steps, part=range(done, len(steps)))], differs


def _stood_so(ledger: Ledger, stand: Stand, cellar: Cellar) -> bool:
    counted = (cellar.graph.count, len(cellar.graph.ferments))
    if (stand.nodes, stand.ferments) != counted or json.loads(stand.holds) != cellar.holds.dump():
        return False
    known = {name: (span, body) for name, span, body in ledger.rows("lots_stood", span=stand.span)}
    anew = cellar.changed.keys() | {name for name, (span, _) in known.items() if span == stand.span}
    return all(
        name in known and name in cellar.lots and known[name][1] == cellar.lots[name].dump()
        for name in anew
    )


def _stands(ledger: Ledger) -> list[Stand]:
    return [Stand(span, int(instant), *rest) for span, instant, *rest in ledger.rows("stands")]


def _nodes(ledger: Ledger, count: int) -> list[Node]:
    rows = zip(parents_of(ledger, count - 1), ledger.rows("nodes_whole", first=count), strict=True)
    return [
        Node(
            tuple(of), position, lot, vessel, role, part, ferment, int(mass or 0), int(litres or 0)
        )
        for of, (position, lot, vessel, role, part, ferment, mass, litres) in rows
    ]
