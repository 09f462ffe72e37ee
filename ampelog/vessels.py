"""The vessels: what each holds, how much room is left, and what reached it last.

``last`` counts what names the vessel, and what names its lot and no vessel while the lot lay in it.
Since when it lay there is read from the log without a replay: from the first event that names both,
after the last that names the vessel and not the lot (toppings aside). What a lot went through under
an older name, without its vessel being named, is not counted.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date
from difflib import get_close_matches
from typing import Any

from msgspec import Struct, field

from ampelog import history, moments
from ampelog.composing import count
from ampelog.errors import Refused
from ampelog.phrases import several
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.registers import Entry
from ampelog.standing import Standing
from ampelog.state import BOTTLES, MASS, VOLUME, Holding, Lot

FOREVER = 2**62
NEVER = -FOREVER
MOST_EVENTS = 8


class Reached(Struct):
    """What reached a vessel: the last instant by kind, and the first of all."""

    last: dict[str, int] = field(default_factory=dict)
    first: int | None = None

    def add(self, kind: str, instant: int) -> None:
        """One more event."""
        self.last[kind] = max(instant, self.last.get(kind, instant))
        self.first = instant if self.first is None else min(self.first, instant)


def vessels(view: View, name: str | None = None) -> list[dict[str, Any]]:
    """A row a vessel and lot in it, by name; empty ones that are registered and not retired too.

    With ``name`` that vessel alone, registered or not; ``Refused`` where nothing names it.
    """
    lying = contents(view)
    known = registered(view, lying)
    now = view.cellar.registers
    names = sorted({*lying, *(one for one in known if not _retired(view, one))})
    names = names if name is None else [name]
    reached = _reached(view, names, lying)
    if name is not None and name not in known and not (reached[name].last or name in lying):
        raise Refused(f"there is no vessel `{name}`", hint=_near(name, {*lying, *known}))
    standing = Standing(now)
    found = []
    for vessel in names:
        body = {
            **now.at("vessel", vessel, view.today),
            "premises": standing.premises(
                vessel, _default(reached[vessel].first, view.today), view.today
            ),
        }
        holdings: list[tuple[Lot, Holding] | None] = [*lying.get(vessel, ())] or [None]
        found += [_row(view, vessel, each, body, reached[vessel]) for each in holdings]
    return found


def _default(value: int | None, other: int) -> int:
    return other if value is None else value


def contents(view: View) -> dict[str, list[tuple[Lot, Holding]]]:
    """What lies in each vessel: the liquid first, then fruit, pomace and bottles."""
    found: dict[str, list[tuple[Lot, Holding]]] = {}
    for lot in sorted(view.lots_in_vessels(), key=lambda one: (one.sort != VOLUME, one.name)):
        for vessel, holding in lot.holdings.items():
            if vessel is not None:
                found.setdefault(vessel, []).append((lot, holding))
    return found


def registered(view: View, lying: Collection[str]) -> list[str]:
    """The names of registered vessels. What is registered of them, and of those in which something
    lies, is read at once where it is not here."""
    registers = view.cellar.registers
    known = registers.all_names("vessel")
    if known is not None:
        return sorted(known)
    names = [name for kind, name in view.ledger.rows("register_names") if kind == "vessel"]
    entries: dict[tuple[str, str], list[Entry]] = {}
    entries |= {("vessel", name): [] for name in (*names, *lying)}
    for kind, name, instant, position, fields in view.ledger.rows(
        "registrations", name="\n".join(names)
    ):
        if kind == "vessel":
            entries["vessel", name].append((int(instant), position, json.loads(fields)))
    registers.give(entries)
    return names


def _retired(view: View, vessel: str) -> bool:
    """Whether a vessel is out of use on the day of the question."""
    said = view.cellar.registers.at("vessel", vessel, view.today).get("retired")
    return bool(said) and (said is True or date.fromisoformat(str(said)) <= view.day)


def _near(name: str, names: set[str]) -> str:
    near = get_close_matches(name, sorted(names), n=1)
    return f"did you mean `{near[0]}`?" if near else "`ampelog vessels` lists them"


def _row(
    view: View,
    vessel: str,
    lying: tuple[Lot, Holding] | None,
    body: Mapping[str, Any],
    reached: Reached,
) -> dict[str, Any]:
    capacity = view.cellar.capacity(vessel, view.today)
    row: dict[str, Any] = {"vessel": vessel, "lot": None, "volume_l": "0", "ullage_l": None}
    if lying is None:
        row["ullage_l"] = None if capacity is None else text(capacity)
    else:
        lot, holding = lying
        row["lot"], row["state"] = lot.name, holding.state
        row["volume_l"] = None if lot.sort == MASS else text(holding.amount)
        if lot.sort == MASS:
            row["mass_kg"] = text(holding.amount)
        elif lot.sort == BOTTLES:
            row["bottles"] = count(lot, holding.amount)
        elif capacity is not None:
            row["ullage_l"] = text(capacity - holding.amount)
        if view.cellar.holds.binding(holding.holds):
            row["hold"] = True
    row["capacity_l"] = None if capacity is None else text(capacity)
    row["type"], row["premises"] = body.get("type"), body["premises"]
    row["last"] = {
        kind: moments.day(instant, view.zone).isoformat()
        for kind, instant in sorted(reached.last.items(), key=lambda one: (-one[1], one[0]))
    }
    return row


def events(view: View, name: str, most: int = MOST_EVENTS) -> list[dict[str, Any]]:
    """The latest events that name a vessel, as they read now, the last first."""
    mended = history.corrected(view.ledger, view.head.position)
    until = view.ends
    rows = view.ledger.rows(
        "log",
        upto=view.head.position,
        since=NEVER,
        until=FOREVER,
        kind="",
        text=json.dumps(name, ensure_ascii=False),
    )
    said = [(position, json.loads(body)) for position, _, _, _, body in rows]
    told = []
    for position, event in said:
        correction = mended.get(event["id"].lower())
        now = event if correction is None else None
        if event["kind"] == "correct":
            standing = mended.get(event["corrects"].lower())
            now = event["replacement"] if standing and standing.position == position else None
        if now is not None and _names(now, name):
            instant = moments.instant(now["at"], view.zone)
            if instant <= until:
                told.append((instant, position, now))
    told.sort(key=lambda one: one[:2], reverse=True)
    return [{"position": position, **event} for _, position, event in told[:most]]


def _names(event: Mapping[str, Any], vessel: str) -> bool:
    if event["kind"] == "vessel":
        return bool(event["name"] == vessel)
    return any(
        end.get("vessel") == vessel or vessel in (end.get("vessels") or ()) for end in _ends(event)
    )


# ---- what reached them


def _reached(
    view: View, names: Sequence[str], lying: Mapping[str, Sequence[tuple[Lot, Holding]]]
) -> dict[str, Reached]:
    found = {name: Reached() for name in names}
    mended = history.corrected(view.ledger, view.head.position)
    came = {
        (name, lot.name): holding.since[0] for name in names for lot, holding in lying.get(name, ())
    }
    rows = view.ledger.rows(
        "reached_last",
        vessels="\n".join(names),
        lots="\n".join({lot for _, lot in came}),
        upto=view.head.position,
        until=view.ends,
        mended="\n".join(mended),
        instead="\n".join(_instead(view, one) for one in mended.values() if one.replacement),
    )
    bare: dict[str, list[tuple[str, int]]] = {}
    for name, lot, kind, first, last in rows:
        if name is None:
            bare.setdefault(lot, []).append((kind, last))
        else:
            found[name].add(kind, first)
            found[name].add(kind, last)
    for (name, lot), since in came.items():
        for kind, last in bare.get(lot, ()):
            if last >= since:
                found[name].add(kind, last)
    return found


def _instead(view: View, correction: history.InForce) -> str:
    """What a correction puts in the place of an event, as the query reads it."""
    event = correction.replacement
    assert event is not None, "a struck event reaches nothing"
    said = {
        "instant": moments.instant(event["at"], view.zone),
        "event": event,
    }
    return json.dumps(said, ensure_ascii=False, separators=(",", ":"))


def _ends(event: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """An event and its endpoints."""
    yield event
    for side in ("from", "to", "of"):
        yield from several(event.get(side))
