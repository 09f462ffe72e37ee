"""Gathers the facts of a dossier from the answers to questions; nothing is worked out on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from ampelog import accounts, composing, moments, readiness, releases, stock, tracing
from ampelog.ageing import ageing
from ampelog.bodies import genealogy
from ampelog.cellar_work import made_by
from ampelog.checklist import Records, record
from ampelog.claims import NOTICE, verdict
from ampelog.composition import Composition
from ampelog.curves import curves
from ampelog.facts import (
    Claim,
    Dossier,
    Ferment,
    Fill,
    Head,
    Held,
    Row,
    Source,
    Table,
    Through,
    Wine,
)
from ampelog.gates import Table as Gates
from ampelog.gates import table as gates_of_now
from ampelog.genealogy import Passage
from ampelog.labelling import Labelled
from ampelog.phrases import regime, several
from ampelog.quantities import ONE, text
from ampelog.questions import View
from ampelog.sources import Leaf
from ampelog.state import BOTTLES, MASS, VOLUME, Lot
from ampelog.story import Ready, Rest
from ampelog.trail import Register, trail

TABLES = (
    ("By variety", ("variety",)),
    ("By vintage", ("vintage",)),
    ("By vineyard", ("vineyard",)),
    ("By place", ("place",)),
    ("By variety, vintage and block", ("variety", "vintage", "block")),
)


def dossier(
    view: View,
    name: str,
    label: str | None = None,
    markets: Sequence[str] = (),
    gates: Gates | None = None,
) -> Dossier:
    """The facts of a lot's dossier; ``Refused`` where there never was such a lot.

    Statements are judged where the lot bears a label, is meant for one, or ``label`` names one.
    ``gates`` are those that a wine is put before; None: those of this version.
    """
    lot = view.lot(name)
    content = view.content(lot)
    composition = view.composition(lot, content)
    labelled = _labelled(view, lot, label, markets)
    judged = labelled.rows() if labelled else []
    passages = tracing.passed(view, lot, content)
    through = _through(view, lot, passages)
    shares = {one.lot: Fraction(one.share) for one in through}
    found = trail(view, name, shares, _registers(composition, labelled))
    wine = _wine(view, lot, labelled)
    made = Dossier(
        title=wine.label or name,
        premises=str(view.ledger.home["name"]),
        head=Head(view.ledger.ledger_id, view.head.position, view.head.root),
        as_of=view.day.isoformat(),
        wine=wine,
        advice=NOTICE,
        verdict=verdict(judged) if judged else None,
        claims=tuple(Claim(**row.as_json()) for row in judged),  # type: ignore[arg-type]  # same keys
        origins=_origins(composition),
        composition=tuple(_table(composition, title, by) for title, by in TABLES),
        genealogy=genealogy(view, lot, content, composition, found.since),
        through=through,
        sources=_sources(view, composition),
        trail=found.entries,
        summed=found.summed,
        fills_differ=_fills_differ(view, lot),
        ready=_ready(view, lot, label, gates),
        rest=_rest(view, lot),
        curves=curves(view, passages.values(), found.effects),
        ageing=ageing(view, lot, found.effects),
        additions=accounts.additions(found.effects, shares, name, made_by(view, content)),
        analyses=accounts.analyses(found.effects, accounts.bottled_from(found.effects, name)),
        fillings=accounts.fillings(found.effects, name),
        shipments=accounts.shipments(lot, found.effects),
    )
    looked_at = Records(
        view,
        made,
        tuple(composition.leaves),
        found.effects,
        _markets(labelled),
        _approvals(labelled),
    )
    return replace(made, record=record(looked_at))


def _markets(labelled: Labelled | None) -> frozenset[str]:
    """The markets of a label, a State's as its country's."""
    packs = labelled.market.packs if labelled else ()
    return frozenset(pack.id.split("-")[0] for pack in packs)


def _approvals(labelled: Labelled | None) -> int:
    """How many approvals are registered of the label."""
    return len(labelled.register.get("approvals") or ()) if labelled else 0


def _ready(view: View, lot: Lot, label: str | None, gates: Gates | None) -> Ready | None:
    """Whether a wine may be bottled; None of what is no wine, or no more."""
    if lot.sort != VOLUME or not lot.holdings or stock.state(lot) != "wine":
        return None
    table = gates or gates_of_now()
    row = readiness.readiness(view, view.day, table, lot.name, label)[0]
    stops = {gate["gate"]: gate["name"] for gate in row["gates"]}
    why = (*row["why"], *(stops[one] for one in row["stops"]))
    return Ready(row["ready"], why, table.own or "those of the program")


def _rest(view: View, lot: Lot) -> Rest | None:
    """The rest of bottles; None of wine."""
    if lot.sort != BOTTLES:
        return None
    rest, state, why = releases.state_of(view, lot, view.day)
    ends = None if rest.release_on is None else rest.release_on.isoformat()
    return Rest(rest.stated, rest.basis, rest.anchor, ends, state, why)


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
        on_hold=any(view.cellar.holds.binding(held.holds) for held in lot.holdings.values()),
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
        ended = lot.fills[node].ended if node in lot.fills else None
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


def _through(view: View, lot: Lot, passages: Mapping[str, Passage]) -> tuple[Through, ...]:
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
        for row in tracing.rows(view, lot, passages)
    )
