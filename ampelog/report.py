"""Gathers the facts of a dossier from the answers to questions; nothing is worked out on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from ampelog import composing, moments, stock, tracing
from ampelog.claims import NOTICE, verdict
from ampelog.composition import Composition
from ampelog.facts import (
    Body,
    Claim,
    Dossier,
    Ferment,
    Fill,
    Flow,
    Genealogy,
    Head,
    Held,
    Row,
    Source,
    Table,
    Through,
    Wine,
)
from ampelog.genealogy import flows
from ampelog.labelling import Labelled
from ampelog.phrases import listed, regime, several
from ampelog.quantities import ONE, SHARE_DECIMALS, floor_text, text
from ampelog.questions import View
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, MASS, VOLUME, Lot
from ampelog.trail import Register, trail

TABLES = (
    ("By variety", ("variety",)),
    ("By vintage", ("vintage",)),
    ("By vineyard", ("vineyard",)),
    ("By place", ("place",)),
    ("By variety, vintage and block", ("variety", "vintage", "block")),
)


def dossier(
    view: View, name: str, label: str | None = None, markets: Sequence[str] = ()
) -> Dossier:
    """The facts of a lot's dossier; ``Refused`` where there never was such a lot.

    Statements are judged where the lot bears a label, is meant for one, or ``label`` names one.
    """
    lot = view.lot(name)
    content = view.content(lot)
    composition = view.composition(lot, content)
    labelled = _labelled(view, lot, label, markets)
    judged = labelled.rows() if labelled else []
    through = _through(view, lot, content)
    shares = {one.lot: Fraction(one.share) for one in through}
    found = trail(view, name, shares, _registers(composition, labelled))
    wine = _wine(view, lot, labelled)
    return Dossier(
        title=wine.label or name,
        premises=str(view.ledger.records(1, 1)[0].event["name"]),
        head=Head(view.ledger.ledger_id, view.head.position, view.head.root),
        as_of=view.day.isoformat(),
        wine=wine,
        advice=NOTICE,
        verdict=verdict(judged) if judged else None,
        claims=tuple(Claim(**row.as_json()) for row in judged),  # type: ignore[arg-type]  # same keys
        origins=_origins(composition),
        composition=tuple(_table(composition, title, by) for title, by in TABLES),
        genealogy=_genealogy(view, lot, content, composition, found.since),
        through=through,
        sources=_sources(view, composition),
        trail=found.entries,
        summed=found.summed,
        fills_differ=_fills_differ(view, lot),
    )


# ---- the wine and its label


def _labelled(view: View, lot: Lot, label: str | None, markets: Sequence[str]) -> Labelled | None:
    if label is None and view.cellar.label_of(lot, view.claimed(lot)) is None:
        return None
    return Labelled(view, lot, label, markets)


def _wine(view: View, lot: Lot, labelled: Labelled | None) -> Wine:
    registered = view.cellar.registers.at("lot", lot.name, view.today)
    rest = labelled.register.get("rest") if labelled else None
    style = registered.get("style") or (labelled.register.get("style") if labelled else None)
    contents = lot.contents()
    told_of = sum(holding.amount for holding in contents.values())
    bottled = lot.sort == BOTTLES
    return Wine(
        lot=lot.name,
        state=stock.state(lot),
        unit="kg" if lot.sort == MASS else "L",
        amount=text(lot.amount),
        told_of=text(told_of),
        label=labelled.label if labelled else None,
        style=style,
        owner=", ".join(sorted(owner for owner in lot.owners if owner)) or None,
        bottles=composing.count(lot, lot.amount) if bottled else None,
        filled=_filled(view, lot),
        format=_format(lot.format) if bottled else None,
        holdings=tuple(Held(vessel, text(held.amount)) for vessel, held in lot.holdings.items()),
        fills=_fills(view, lot),
        rest=rest,
        rest_ends_on=view.cellar.rest_ends(lot, rest) if rest else None,
        on_hold=any(view.cellar.holds.binding(held.holds) for held in contents.values()),
        released_on=_released(view, lot),
    )


def _format(amount: int) -> str:
    return f"{text(amount)} L" if amount >= ONE else f"{text(amount * 1000)} mL"


def _released(view: View, lot: Lot) -> str | None:
    """The day from which the bottles it holds may leave, by `release`."""
    orders = [o for o in lot.releases if o >= lot.began and o[0] <= view.today]
    return _day(view, min(orders)[0]) if orders else None


def _day(view: View, instant: int) -> str:
    return moments.day(instant, view.zone).isoformat()


def _fills(view: View, lot: Lot) -> tuple[Fill, ...]:
    found = composing.fills_of(lot)
    positions = view.positions(found)
    events = view.events(positions.values())
    fills = []
    for node, bottles in zip(found, composing.counts(lot, list(found.values())), strict=True):
        event = events[positions[node]]
        ended = lot.fills.get(node)
        fills.append(
            Fill(
                event=event["id"],
                position=positions[node],
                filled_on=event["at"][:10] if ended is None else _day(view, ended),
                bottles=bottles,
                code=_code(event, lot.name),
            )
        )
    return tuple(sorted(fills, key=lambda fill: (fill.filled_on, fill.position)))


def _filled(view: View, lot: Lot) -> str | None:
    """How many bottles were filled for this lot; None where it only took bottles over."""
    events = view.events(view.positions(lot.fills).values()).values()
    outputs = [
        end
        for event in events
        for end in several(event.get("to")) or (event,)
        if event["kind"] in ("bottle", "receive") and end.get("lot") == lot.name
    ]
    return str(sum(end["bottles"] for end in outputs)) if outputs else None


def _code(event: dict[str, Any], lot: str) -> str | None:
    outputs = several(event.get("to")) or (event,)
    codes = [end["code"] for end in outputs if end.get("lot") == lot and end.get("code")]
    return ", ".join(codes) or None


def _fills_differ(view: View, lot: Lot) -> bool:
    """Whether the fills of a bottled lot are not all of one composition."""
    fills = composing.fills_of(lot)
    if len(fills) < 2:
        return False
    each = view.compositions(lot, [[(node, 1)] for node in fills])
    first, *others = ([(leaf, one.share(leaf)) for leaf in one.leaves] for one in each)
    return any(dict(first) != dict(other) for other in others)


# ---- what it is made of


def _table(composition: Composition, title: str, by: Sequence[str]) -> Table:
    rows = []
    for row in composing.rows(composition, by):
        values = [None if row[field] is None else str(row[field]) for field in by]
        if "material" in row:  # no grape: nothing of it is unknown
            values = [str(row["material"]), *("" for _ in by[1:])]
        rows.append(Row(tuple(values), row["share"]))
    return Table(title, tuple(by), tuple(rows), overlap="place" in by)


def _name(leaf: Leaf) -> str:
    """A source in a few words: block, variety and vintage, or what was received or added."""
    if leaf.material is not None:
        return leaf.material
    known = [leaf.variety or "unknown variety", str(leaf.vintage or "unknown vintage")]
    if leaf.block is not None:
        return f"{leaf.block}, {' '.join(known)}"
    if leaf.variety is None and leaf.vintage is None:
        return f"{leaf.lot}, nothing stated"
    where = f", {' and '.join(leaf.named)}" if leaf.named else ""
    return f"{' '.join(known)}{where}"


def _origins(composition: Composition) -> Table:
    rows = composition.rows(lambda leaf: (_name(leaf),))
    return Table(
        "Where it came from", ("source",), tuple(Row(names, share) for names, share in rows)
    )


def _sources(view: View, composition: Composition) -> tuple[Source, ...]:
    rows = composition.rows(
        lambda leaf: (leaf.position, leaf.kind, leaf.lot, _name(leaf), leaf.variety, leaf.vintage,
                      leaf.role)
    )  # fmt: skip
    events = view.events({row[0][0] for row in rows})
    return tuple(
        Source(
            position=position,
            kind=kind,
            on=events[position]["at"],
            lot=lot,
            name=name,
            variety=variety,
            vintage=vintage,
            share=share,
            role=role,
            ref=events[position].get("ref") or events[position].get("document"),
        )
        for (position, kind, lot, name, variety, vintage, role), share in rows
    )


def _registers(composition: Composition, labelled: Labelled | None) -> set[Register]:
    """Label, blocks and places that the statements rest on."""
    found: set[Register] = set()
    if labelled is not None and labelled.label is not None:
        found.add(("label", labelled.label))
    for leaf in composition.leaves:
        if leaf.block is not None:
            found.add(("block", leaf.block))
        found |= {("place", place) for place in leaf.around()}
    return found


# ---- what it went through


def _through(view: View, lot: Lot, content: list[tuple[int, int]]) -> tuple[Through, ...]:
    return tuple(
        Through(
            row["lot"],
            row["share"],
            tuple(
                Ferment(
                    one["vessel"],
                    one["organism"],
                    regime(one["regime"]) if one["regime"] else None,
                    one["share"],
                )
                for one in row["ferment"]
            ),
        )
        for row in tracing.passed(view, lot, content)
    )


def _genealogy(
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
