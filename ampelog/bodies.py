"""The bodies that a wine came through and what flowed between them, for the drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from ampelog import tracing
from ampelog.composition import Composition
from ampelog.facts import Body, Flow, Genealogy
from ampelog.genealogy import flows
from ampelog.phrases import listed
from ampelog.quantities import SHARE_DECIMALS, floor_text
from ampelog.questions import View
from ampelog.sources import Leaf
from ampelog.state import VOLUME, Lot


def genealogy(
    view: View,
    lot: Lot,
    content: list[tuple[int, int]],
    composition: Composition,
    since: Mapping[str, str],
) -> Genealogy:
    """Sources and lots in order of time, and what flowed between them."""
    crossed: dict[tuple[str, str, str | None, str | None], int] = {}
    for flow in flows(view.genealogy(content, labels=True), lot.name, content):
        key = (flow.source, flow.into, flow.mark[1], flow.mark[0])
        crossed[key] = crossed.get(key, 0) + flow.amount
    drawn = [
        Flow(_lot_key(source), _lot_key(into), tracing.printed(amount), fraction, role)
        for (source, into, fraction, role), amount in crossed.items()
    ]
    out: dict[str, Fraction] = {}
    for one in drawn:
        out[one.source] = out.get(one.source, Fraction(0)) + Fraction(one.share)
    names = list(dict.fromkeys(end for key in crossed for end in key[:2] if end != lot.name))
    bodies = [_lot_body(view, name, out.get(_lot_key(name), Fraction(0)), since) for name in names]
    fruit, entering = _entering(view, composition)
    own = Body(_lot_key(lot.name), "wine", lot.name, "1", since=since.get(lot.name))
    known = {body.key for body in (*fruit, *bodies)}
    entering = [one if one.target in known else replace(one, target=own.key) for one in entering]
    ordered = sorted([*fruit, *bodies], key=lambda body: (body.since or "", body.key))
    return Genealogy((*ordered, own), (*drawn, *entering))


def _lot_key(name: str) -> str:
    return f"lot {name}"


def _lot_body(view: View, name: str, share: Fraction, since: Mapping[str, str]) -> Body:
    """A lot on the drawing, and what it lost in proportion to what went on to the wine."""
    lot = view.lot(name)
    tally = lot.tally(VOLUME)
    lost = sum(tally.lost.values())
    kept = tally.into + tally.gained - lost
    part = share * Fraction(lost, kept) if kept > 0 else Fraction(0)
    return Body(
        _lot_key(name),
        "lot",
        name,
        floor_text(share, SHARE_DECIMALS),
        since=since.get(name),
        lost=floor_text(part, SHARE_DECIMALS),
        reasons=tuple(sorted(tally.lost)),
    )


def _body_of(leaf: Leaf) -> tuple[str, str]:
    """Which body on the drawing a source belongs to, as (kind, key): a block's fruit of one
    vintage, one receipt, or one material in one role."""
    if leaf.kind == "pick":
        return "fruit", f"fruit {leaf.vintage} {leaf.block}"
    if leaf.kind == "receive":
        return "received", f"received {leaf.position}"
    return "addition", f"addition {leaf.role} {leaf.material}"


def _entering(view: View, composition: Composition) -> tuple[list[Body], list[Flow]]:
    """The sources as bodies, and their flows into the lots that they entered."""
    leaves: dict[str, list[Leaf]] = {}
    for leaf in composition.leaves:
        leaves.setdefault(_body_of(leaf)[1], []).append(leaf)
    events = view.events({leaf.position for leaf in composition.leaves})
    bodies: dict[str, Body] = {}
    entering = []
    for (kind, key, lot), share in composition.rows(lambda leaf: (*_body_of(leaf), leaf.lot)):
        known = bodies.get(key)
        if known is None:
            dates = [events[leaf.position]["at"][:10] for leaf in leaves[key]]
            name, says = _two_lines(leaves[key], events[leaves[key][0].position])
            known = Body(key, kind, name, "0", says, min(dates))
        total = floor_text(Fraction(known.share) + Fraction(share), SHARE_DECIMALS)
        bodies[key] = replace(known, share=total)
        entering.append(Flow(key, _lot_key(str(lot)), share))
    return list(bodies.values()), entering


def _two_lines(leaves: Sequence[Leaf], event: Mapping[str, Any]) -> tuple[str, str]:
    """The two lines of a source on the drawing: where it is from, and what it is."""
    first = leaves[0]
    if first.material is not None:
        return first.material, first.role or ""
    varieties = listed(dict.fromkeys(leaf.variety or "unknown" for leaf in leaves))
    vintages = listed(dict.fromkeys(str(leaf.vintage) for leaf in leaves if leaf.vintage))
    if first.kind == "pick":
        return str(first.block), f"{varieties} {vintages}"
    what = "nothing stated" if varieties == "unknown" and not vintages else varieties
    return event.get("supplier") or "on hand before", f"{what} {vintages}".strip()
