"""One step back and one step on from a lot of bottles: who supplied what is in it and around it,
and who got it, with what a record of each is asked to hold and does not.

Sources: Regulation (EC) 178/2002 art. 18 (any supplier of a food or of what goes into it, any
business supplied); 21 CFR 1.337(a) (received: firm, address, telephone; description; date; lot or
code where there is one; quantity and packaging; transporter) and 21 CFR 1.345(a) (released: the
same of the next recipient). Who is exempt, the regulator decides.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

from ampelog import cellar_work, moments
from ampelog.phrases import quantity
from ampelog.quantities import SHARE_DECIMALS, floor_text, text
from ampelog.questions import View
from ampelog.recall_origins import USING
from ampelog.recalling import bottles
from ampelog.sources import came_as
from ampelog.state import BOTTLES, MASS, Lot

Row = dict[str, Any]
RECEIVED = ("party", "address", "phone", "what", "on", "quantity", "carrier")
RELEASED = ("party", "address", "phone", "what", "on", "code", "quantity", "carrier")
"""What a record of each is asked to hold; `material_lot` is asked of materials alone."""
NOBODY = frozenset({"tasting", "family", "destroyed", "testing"})
"""Removals by which nobody in business is supplied."""


def back(view: View, name: str) -> Row:
    """The steps around a lot: ``lot``, ``received`` and ``released``, each row with ``missing``."""
    lot = view.lot(name)
    content = view.content(lot)
    received = [*_sources(view, lot, content), *_materials(view, lot, content)]
    return {
        "lot": lot.name,
        "as_of": view.day.isoformat(),
        "received": received,
        "released": _released(view, lot),
    }


# What came in


def _sources(view: View, lot: Lot, content: list[tuple[int, int]]) -> list[Row]:
    composition = view.composition(lot, content)
    shares: dict[int, Fraction] = {}
    growers: dict[int, str | None] = {}
    for leaf in composition.leaves:
        shares[leaf.position] = shares.get(leaf.position, Fraction(0)) + composition.share(leaf)
        growers[leaf.position] = leaf.grower
    events = view.events(shares)
    found = []
    for position, share in sorted(shares.items(), key=lambda one: (-one[1], one[0])):
        event = events[position]
        if event["kind"] not in ("pick", "receive"):
            continue  # an addition: it stands among the materials
        own = event["kind"] == "pick" and _own(view, event)
        party = event.get("supplier") or growers[position]
        what = _fruit(event)
        row = _step(view, position, event, party, what, quantity(event))
        row["share"] = floor_text(share, SHARE_DECIMALS)
        row["own"] = own
        row["missing"] = [] if own else _missing(row, RECEIVED)
        found.append(row)
    return found


def _own(view: View, event: Row) -> bool:
    """Whether fruit was the winery's own: of a block of its estate, or of nobody else's."""
    when = moments.instant(event["at"], view.zone)
    block = view.cellar.registers.at("block", event["block"], when)
    return bool(block.get("estate")) or block.get("grower") is None


def _fruit(event: Row) -> str:
    if event["kind"] == "pick":
        return f"grapes of {event['block']}"
    return f"{came_as(event)}, received as {event['lot']}"


def _materials(view: View, lot: Lot, content: list[tuple[int, int]]) -> list[Row]:
    """Everything used on the way, once for each lot of material, with its receipts."""
    used: dict[tuple[str, str | None], list[str]] = {}
    for event in _using(view, lot, content):
        for material, its_lot in _uses(event):
            used.setdefault((material, its_lot), []).append(event["id"])
    found: list[Row] = []
    for (material, its_lot), events in sorted(used.items(), key=lambda one: str(one[0])):
        receipts = [] if its_lot is None else _receipts(view, material, its_lot)
        rows = [
            _step(view, position, event, event.get("supplier"), material, event.get("amount"))
            for position, event in receipts
        ] or [_step(view, None, {}, None, material, None)]
        for row in rows:
            row |= {"material": material, "material_lot": its_lot, "used_in": events}
            row["missing"] = _missing(row, (*RECEIVED, "material_lot"))
        found += rows
    return found


def _using(view: View, lot: Lot, content: list[tuple[int, int]]) -> list[Row]:
    """The events that used materials on what is in a lot now. What made no body of its own (a
    malolactic culture, labels) counts by the lot that it was recorded of."""
    made = {event["id"]: event for event in cellar_work.passed(view, lot, content)}
    genealogy = view.genealogy(content, labels=True)
    lots = {lot.name}
    ahead = {node for node, _ in content}
    seen = set(ahead)
    while ahead:
        node = ahead.pop()
        lots |= {name for name in [genealogy.labels[node][0]] if name is not None}
        new = {parent for parent, _ in genealogy.parents[node]} - seen
        seen |= new
        ahead |= new
    for one in cellar_work.dealings(view, lots):
        if one.event["kind"] in ("ferment", "pack") and one.event["id"] not in made:
            ends = one.event.get("to", one.event)
            ends = ends if isinstance(ends, list) else [ends]
            if any(end.get("lot") in lots for end in ends):
                made[one.event["id"]] = one.event
    return [event for event in made.values() if event["kind"] in USING]


def _uses(event: Row) -> Iterator[tuple[str, str | None]]:
    if event.get("material") is not None:
        yield event["material"], event.get("material_lot")
    for use in event.get("materials") or ():
        yield use["material"], use.get("lot")


def _receipts(view: View, material: str, its_lot: str) -> list[tuple[int, Row]]:
    said = view.said(("receive",), json.dumps(its_lot, ensure_ascii=False))
    return [
        (position, event)
        for position, event in said.items()
        if event.get("material") == material and event.get("material_lot") == its_lot
    ]


# What went out


def _released(view: View, lot: Lot) -> list[Row]:
    events = view.events(one.position for one in lot.shipped)
    codes = _codes(view, lot)
    found = []
    for one in lot.shipped:
        event = events[one.position]
        amount = sum(part for _, part in one.left)
        if one.sort == BOTTLES:
            how_much = f"{bottles(amount, one.format)} bottles of {text(one.format)} L"
        else:
            how_much = f"{text(amount)} {'kg' if one.sort == MASS else 'L'}"
        what = lot.label or lot.name
        row = _step(view, one.position, event, event.get("to"), what, how_much)
        row["removal"] = event.get("removal")
        row["code"] = event.get("code") or (codes[0] if len(codes) == 1 else None)
        nobody = event.get("to") is None and event.get("removal") in NOBODY
        row["missing"] = [] if nobody else _missing(row, RELEASED)
        found.append(row)
    return sorted(found, key=lambda row: (row["on"], row["position"]))


def _codes(view: View, lot: Lot) -> list[str]:
    """The marks on the bottles of a lot."""
    found: dict[str, None] = {}
    for one in cellar_work.dealings(view, [lot.name]):
        if one.event["kind"] in ("bottle", "pack", "receive"):
            ends = one.event.get("to", one.event)
            for end in ends if isinstance(ends, list) else [ends]:
                if end.get("lot") == lot.name and end.get("code"):
                    found[end["code"]] = None
    return list(found)


def _step(
    view: View,
    position: int | None,
    event: Row,
    party: str | None,
    what: str,
    how_much: str | None,
) -> Row:
    """What the records say of one receipt or release."""
    on = None
    if event:
        on = moments.day(moments.instant(event["at"], view.zone), view.zone).isoformat()
    row: Row = {
        "event": event.get("id"),
        "position": position,
        "kind": event.get("kind"),
        "on": on,
        "party": party,
        **_called(view, party),
        "what": what,
        "quantity": how_much,
        "document": event.get("document") or event.get("ref"),
        "carrier": event.get("carrier"),
    }
    row["carrier_phone"] = _called(view, row["carrier"])["phone"]
    return row


def _called(view: View, party: str | None) -> Row:
    known = view.cellar.registers.at("party", party, view.today) if party else {}
    return {key: known.get(key) for key in ("address", "phone")}


def _missing(row: Row, asked: Iterable[str]) -> list[str]:
    return [name for name in asked if not row.get(name)]
