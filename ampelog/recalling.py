"""A recall: from an origin to every lot of bottles that it reached, what of it is here and where it
was shipped; and to the wine in bulk that holds any of it, or was shipped as such.

A lot is touched where any amount, however small, of what it held or shipped came from the origin.
A shipment is read as it left: what reached its lot later is not in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

from msgspec import Struct, field

from ampelog import history, moments, recall_path
from ampelog.composing import BOTTLE_DECIMALS
from ampelog.fillings import Shipped
from ampelog.quantities import ONE, SCALE, SHARE_DECIMALS, text
from ampelog.questions import View
from ampelog.recall_origins import WHOLE, Found, Origin, filled_by, found, outputs
from ampelog.recall_reach import Ways, reached
from ampelog.state import BOTTLES, MASS, Lot
from ampelog.tracing import printed
from ampelog.words import words

Row = dict[str, Any]
Parts = Iterable[tuple[int, int]]
LEAST = f"0.{1:0{SHARE_DECIMALS}d}"


class Filled(Struct, frozen=True):
    """A fill of bottles as it was made: by a bottling, or as it was received."""

    node: int
    position: int
    lot: str
    bottles: int
    code: str | None


class Reach(Struct):
    """How far an origin reached: ``share`` of each touched body (of ``WHOLE``) and the ways there;
    ``whole``, ``there``, ``origins`` and ``begun`` (the positions of its events) are those of
    ``Found``; ``fills`` are the touched ones, by lot."""

    view: View
    share: dict[int, int]
    ways: Ways
    whole: frozenset[str]
    there: dict[str, int]
    origins: dict[int, int]
    begun: frozenset[int]
    fills: dict[str, list[Filled]] = field(default_factory=dict)

    def touched(self, lot: Lot, parts: Parts) -> list[tuple[int, int]]:
        """Those parts that any of the origin came to."""
        if lot.name in self.whole:
            return list(parts)
        return [(node, amount) for node, amount in parts if node in self.share]

    def part(self, lot: Lot, parts: Sequence[tuple[int, int]]) -> str:
        """The share of some parts that came from the origin: 30 decimals, rounded down, and never
        nothing where they are touched."""
        total = sum(amount for _, amount in parts)
        if lot.name in self.whole:
            return printed(WHOLE)
        came = sum(self.share.get(node, 0) * amount for node, amount in parts)
        share = printed(came // total) if total else printed(0)
        some = any(node in self.share for node, _ in parts)
        return LEAST if some and int(share.replace(".", "")) == 0 else share


def recall(view: View, origin: Origin) -> Row:
    """Everything that an origin reached: ``origin``, ``lots``, ``bulk``, ``parties``, ``found``."""
    with history.still():  # many small things are made, and all of them stay to the end
        return _recall(view, origin)


def _recall(view: View, origin: Origin) -> Row:
    begun = found(view, origin)
    reach = _reach(begun)
    lots: list[Row] = []
    bulk: list[Row] = []
    for lot in reach.view.all_lots():
        lots += _bottled(reach, lot)
        bulk += _in_bulk(reach, lot)
    lots.sort(key=_largest_first)
    bulk.sort(key=_largest_first)
    _with_events(reach, [*lots, *bulk])
    recall_path.put(reach, [*lots, *bulk])
    parties = _parties(view, [*lots, *bulk])
    return {
        "origin": _origin(origin, begun),
        "as_of": view.day.isoformat(),
        "found": _summed(lots, bulk, parties),
        "lots": lots,
        "bulk": bulk,
        "parties": parties,
    }


def _largest_first(row: Row) -> tuple[int, str]:
    return (-int(row["share"].replace(".", "")), row["lot"])


def _reach(begun: Found) -> Reach:
    view = begun.view
    genealogy = view.genealogy([(view.cellar.graph.count - 1, 1)], labels=True)
    share, ways = reached(genealogy, begun.weights)
    events = frozenset(begun.events)
    reach = Reach(view, share, ways, begun.lots, begun.there, begun.weights, events)
    said = view.said(("bottle", "receive"), '"bottles":')
    said = {position: event for position, event in said.items() if _fills(event)}
    nodes = view.nodes_at(said)
    labels = {node: (position, lot) for node, position, lot, _ in nodes}
    count: dict[int, int] = {}
    apart = begun.weights if begun.watched else frozenset()
    for node in filled_by(said, nodes, apart):
        position, name = labels[node]
        event, index = said[position], count.get(position, 0)
        count[position] = index + 1
        end = outputs(event)[index] if event["kind"] == "bottle" else event
        if node in share or name in reach.whole:
            fill = Filled(node, position, end["lot"], end["bottles"], end.get("code"))
            reach.fills.setdefault(end["lot"], []).append(fill)
    return reach


def _fills(event: Row) -> bool:
    return event["kind"] == "bottle" or "bottles" in event


# Bottles


def _bottled(reach: Reach, lot: Lot) -> list[Row]:
    """The row of a lot's bottles, where any of them is touched."""
    fills = reach.fills.get(lot.name, [])
    if lot.sort != BOTTLES and not (fills or lot.shipped or lot.took or lot.name in reach.there):
        return []  # most lots of a long log never were bottles
    held = _held(reach, lot) if lot.sort == BOTTLES else {}
    shipped = [one for one in lot.shipped if one.sort == BOTTLES and reach.touched(lot, one.left)]
    took = _took(reach, lot)
    there = reach.there.get(lot.name, 0)
    hit = bool(fills or held or shipped or took or there)
    if lot.sort != BOTTLES and not hit:
        return []
    last = [part for one in lot.contents().values() for part in one.parts]
    was = lot.sort == BOTTLES and bool(reach.touched(lot, last))
    if not (hit or was):
        return []
    size = next((one.format for one in shipped), lot.format) or lot.format
    made = sum(one.bottles for one in fills)
    in_stock = sum(amount for parts in held.values() for _, amount in parts)
    rows = [_shipment(reach, lot, one) for one in shipped]
    all_parts = last if was else [part for one in shipped for part in one.left]
    all_parts = all_parts or [(one.node, one.bottles) for one in fills]
    return [
        {
            "lot": lot.name,
            "share": reach.part(lot, all_parts or took),
            "bottles": bottles(made * size + sum(amount for _, amount in took) + there, size),
            "filled": str(made),
            "in_stock": bottles(in_stock, size),
            "where": [
                {"vessel": vessel, "bottles": bottles(sum(a for _, a in parts), size)}
                for vessel, parts in held.items()
            ],
            "format_l": text(size),
            "codes": list(dict.fromkeys(one.code for one in fills if one.code is not None)),
            "mixed": len(reach.touched(lot, last)) < len(last),
            "shipped": rows,
            "_nodes": [node for node, _ in all_parts] + [one.node for one in fills],
        }
    ]


def _held(reach: Reach, lot: Lot) -> dict[str | None, list[tuple[int, int]]]:
    """What of a lot's holdings is touched, by vessel."""
    there = {vessel: reach.touched(lot, one.parts) for vessel, one in lot.holdings.items()}
    return {vessel: parts for vessel, parts in there.items() if parts}


def _took(reach: Reach, lot: Lot) -> list[tuple[int, int]]:
    """Touched bottles that came from another lot; those packed within the lot where they were
    touched by being packed."""
    if not lot.took:
        return []
    events = reach.view.events(one.position for one in lot.took)
    found: list[tuple[int, int]] = []
    for one in lot.took:
        event = events[one.position]
        ends = event.get("of", event.get("from", ()))
        ends = ends if isinstance(ends, list) else [ends]
        if event["kind"] == "return":
            continue
        parts = reach.touched(lot, one.parts)
        if any(end.get("lot") == lot.name for end in ends):
            parts = [(node, amount) for node, amount in parts if node in reach.origins]
        found += parts
    return found


def bottles(amount: int, size: int) -> str:
    """Bottles of a size as a plain decimal: whole, or a part after shared draws."""
    if not size:
        return "0"
    return text(amount * 10**BOTTLE_DECIMALS // size * 10 ** (SCALE - BOTTLE_DECIMALS))


def _shipment(reach: Reach, lot: Lot, one: Shipped) -> Row:
    """A shipment as it left, and what of it came back."""
    left = sum(amount for _, amount in one.left)
    touched = sum(amount for _, amount in reach.touched(lot, one.left))
    out = sum(amount for _, amount in reach.touched(lot, one.parts))
    row: Row = {"to": None}
    if one.sort == BOTTLES:
        row |= {"bottles": bottles(left, one.format), "touched": bottles(touched, one.format)}
        row["returned"] = bottles(touched - out, one.format)
    else:
        unit = "mass_kg" if one.sort == MASS else "volume_l"
        row |= {unit: text(left), "returned": text(touched - out)}
    row |= {"share": reach.part(lot, one.left), "position": one.position}
    return row


# Wine in bulk


def _in_bulk(reach: Reach, lot: Lot) -> list[Row]:
    """The row of what is no bottles: held or shipped as fruit, juice, must or wine."""
    held = _held(reach, lot) if lot.sort != BOTTLES else {}
    shipped = [one for one in lot.shipped if one.sort != BOTTLES and reach.touched(lot, one.left)]
    if not held and not shipped:
        return []
    sort = lot.sort if held else shipped[0].sort
    unit = "mass_kg" if sort == MASS else "volume_l"
    parts = [part for one in lot.holdings.values() for part in one.parts] if held else []
    parts = parts or [part for one in shipped for part in one.left]
    amounts = {vessel: sum(amount for _, amount in there) for vessel, there in held.items()}
    amounts = {vessel: lot.holdings[vessel].amount for vessel in amounts}
    return [
        {
            "lot": lot.name,
            "share": reach.part(lot, parts),
            unit: text(sum(amounts.values())),
            "where": [{"vessel": vessel, unit: text(held)} for vessel, held in amounts.items()],
            "shipped": [_shipment(reach, lot, one) for one in shipped],
            "_nodes": [node for node, _ in parts],
        }
    ]


# What the events say


def _with_events(reach: Reach, rows: Sequence[Row]) -> None:
    """What the shipments' events say of them: to whom, when, on which document."""
    shipments = [one for row in rows for one in row["shipped"]]
    events = reach.view.events(one["position"] for one in shipments)
    for one in shipments:
        event = events[one["position"]]
        one["event"], one["at"] = event["id"], event["at"]
        one["on"] = moments.day(
            moments.instant(event["at"], reach.view.zone), reach.view.zone
        ).isoformat()
        for name in ("to", "document", "removal", "carrier", "code"):
            one[name] = event.get(name)
    for row in rows:
        if len(row.get("codes", ())) == 1:  # all its bottles bear the one mark
            for one in row["shipped"]:
                one["code"] = one["code"] or row["codes"][0]
        row["shipped"].sort(key=lambda one: (one["on"], one["at"], one["position"]))


def _origin(origin: Origin, begun: Found) -> Row:
    ordered = sorted(begun.events.items(), key=lambda one: (one[1]["at"], one[0]))
    return {
        "kind": origin.kind,
        "name": ", ".join(origin.names) or None,
        "names": list(origin.names),
        "since": origin.since,
        "until": origin.until,
        "materials": sorted(_materials(origin, begun)),
        "events": [
            {
                "event": event["id"],
                "position": position,
                "at": event["at"],
                "kind": event["kind"],
                "lot": event.get("lot"),
                "says": words(event),
            }
            for position, event in ordered
        ],
    }


def _materials(origin: Origin, begun: Found) -> set[str]:
    """What the recalled lots of material are."""
    if origin.kind != "material_lot":
        return set()
    found = set()
    for event in begun.events.values():
        if event.get("material_lot") in origin.names:
            found.add(event.get("material") or event["treatment"])
        uses = event.get("materials") or ()
        found |= {use["material"] for use in uses if use.get("lot") in origin.names}
    return found


def _parties(view: View, rows: Sequence[Row]) -> list[Row]:
    """Who got any of it, with address and telephone as registered by the day of the question."""
    parties: dict[str | None, Row] = {}
    for row in rows:
        for one in row["shipped"]:
            name = one["to"]
            if name not in parties:
                known = view.cellar.registers.at("party", name, view.today) if name else {}
                parties[name] = {
                    "party": name,
                    **{key: known.get(key) for key in ("address", "phone", "permit")},
                    "shipments": [],
                }
            parties[name]["shipments"].append({"lot": row["lot"], **one})
    found = sorted(parties.values(), key=lambda one: (one["party"] is None, one["party"] or ""))
    for one in found:
        one["shipments"].sort(key=lambda each: (each["on"], each["position"]))
        one["bottles"] = _sum(each.get("bottles") for each in one["shipments"])
    return found


def _summed(lots: Sequence[Row], bulk: Sequence[Row], parties: Sequence[Row]) -> Row:
    return {
        "lots": len(lots),
        "bottles": _sum(row["filled"] for row in lots),
        "in_stock": _sum(row["in_stock"] for row in lots),
        "shipped": _sum(one["bottles"] for row in lots for one in row["shipped"]),
        "returned": _sum(one["returned"] for row in lots for one in row["shipped"]),
        "bulk": len(bulk),
        "parties": sum(one["party"] is not None for one in parties),
    }


def _sum(numbers: Iterable[str | None]) -> str:
    found = [int(one) if one.isdigit() else Fraction(one) for one in numbers if one is not None]
    return text(int(sum(found) * ONE))
