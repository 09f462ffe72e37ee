"""The log as a list: all events, the corrected and their corrections marked."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from msgspec import Struct

from ampelog import history, moments
from ampelog.endpoints import vessels_of
from ampelog.errors import Refused
from ampelog.moments import NotATime
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.steps import Step

ALWAYS = 2**62


class Wanted(Struct, frozen=True):
    """What to list; None is any."""

    lot: str | None = None
    kind: str | None = None
    vessel: str | None = None
    block: str | None = None
    party: str | None = None
    material: str | None = None
    ref: str | None = None
    by: str | None = None
    since: str | None = None
    until: str | None = None


_NAMES = {
    "lot": frozenset({"lot", "name"}),
    "vessel": frozenset({"vessel", "vessels", "name"}),
    "block": frozenset({"block", "name"}),
    "party": frozenset({"to", "from_party", "supplier", "grower", "owner", "party", "name"}),
    "material": frozenset({"material", "material_lot", "name"}),
}
"""The fields that may name each; `name` only in a register of that kind."""

_IN_PLACE = frozenset({"ferment", "reading", "analysis", "treat", "gauge", "loss", "hold", "note"})
"""Kinds that are about a lot in the vessels that they name, or in all that it lies in."""


def log(view: View, wanted: Wanted) -> list[dict[str, Any]]:
    """The events as recorded, by position; `corrected_by` and `corrects` give positions."""
    if wanted.kind is not None:
        _check_kind(wanted.kind)
    rows = view.ledger.rows(
        "log",
        upto=view.head.position,
        since=_start(view, wanted.since),
        until=_end(view, wanted.until),
        kind=wanted.kind or "",
        text=_longest(wanted),
    )
    reaching = frozenset[int]() if wanted.vessel is None else _reaching(view, wanted.vessel)
    corrections = _corrections(view)
    by_corrected = {corrected: position for position, corrected in corrections.items()}
    found = []
    for position, recorded_at, leaf, _, body in rows:
        reaches = position in reaching
        if wanted.vessel is not None and not reaches and _quoted(wanted.vessel) not in body:
            continue
        event = json.loads(body)
        if not _matches(event, wanted, reaches):
            continue
        row = {"position": position, "recorded_at": recorded_at, "hash": leaf, **event}
        if position in by_corrected:
            row["corrected_by"] = by_corrected[position]
        if position in corrections:
            row["corrects_position"] = corrections[position]
        found.append(row)
    _add_strikes(view, wanted, corrections, found)
    return found


def _add_strikes(
    view: View, wanted: Wanted, corrections: Mapping[int, int], found: list[dict[str, Any]]
) -> None:
    """What corrects a listed event is listed too, though it names something else or nothing."""
    there = {row["position"] for row in found}
    missing = {at for at, corrected in corrections.items() if corrected in there} - there
    if not missing:
        return
    every = {"upto": view.head.position, "since": -ALWAYS, "until": ALWAYS}
    for position, recorded_at, leaf, _, body in view.ledger.rows(
        "log", kind="correct", text="", **every
    ):
        event = json.loads(body)
        said = wanted.by in (None, event["by"]) and wanted.ref in (None, event.get("ref"))
        if position in missing and said:
            place = {"position": position, "recorded_at": recorded_at, "hash": leaf}
            found.append({**place, **event, "corrects_position": corrections[position]})
    found.sort(key=lambda row: int(row["position"]))


def _check_kind(kind: str) -> None:
    from ampelog.events import KINDS

    if kind not in KINDS:
        raise Refused(f"there is no kind `{kind}`", hint=", ".join(KINDS))


def _longest(wanted: Wanted) -> str:
    """The longest text that must stand in a body: a quick first sieve. A vessel need not."""
    names = [wanted.lot, wanted.block, wanted.party, wanted.material, wanted.ref, wanted.by]
    return max((_quoted(name) for name in names if name), key=len, default="")


def _quoted(name: str) -> str:
    return json.dumps(name, ensure_ascii=False)


def _reaching(view: View, vessel: str) -> frozenset[int]:
    """The positions of what happened to a vessel without naming it.

    What draws from a lot or is about it and names no vessel reaches all that the lot lies in just
    before. Where a correction says so, its position and that of the original are both given.
    """
    cellar = view.beginning()
    found: set[int] = set()
    with history.still():
        for step in view.steps:
            for end in _without_vessel(step):
                lot = cellar.lots.get(end.lot)
                if lot is not None and vessel in lot.holdings:
                    found |= {step.position, step.said_at}
            apply(cellar, [step])
    return frozenset(found)


def _without_vessel(step: Step) -> list[Any]:
    """What a step draws from or is about, as far as it names a lot and no vessel."""
    model: Any = step.model
    about = [model] if step.event["kind"] in _IN_PLACE else []
    ends = [*about, *(model.from_ or ()), *(model.of or ())]
    return [end for end in ends if end.lot is not None and vessels_of(end) is None]


def _start(view: View, since: str | None) -> int:
    try:
        return -ALWAYS if since is None else moments.instant(since, view.zone)
    except NotATime as problem:
        raise Refused(f"--since: {problem}") from None


def _end(view: View, until: str | None) -> int:
    try:
        end = ALWAYS if until is None else moments.end_of_day(until, view.zone)
    except NotATime as problem:
        raise Refused(f"--until: {problem}") from None
    return min(end, view.ends)


def _corrections(view: View) -> dict[int, int]:
    """By position of the correction in force: the position of what it corrects."""
    corrected = history.corrected(view.ledger, view.head.position)
    known = view.ledger.known(corrected) if corrected else {}
    originals = {key.lower(): record.position for key, record in known.items()}
    return {now.position: originals[key] for key, now in corrected.items() if key in originals}


def _matches(event: Mapping[str, Any], wanted: Wanted, reaches: bool) -> bool:
    """Whether an event is wanted; ``reaches`` the vessel, though it may not name it."""
    if wanted.kind is not None and wanted.kind != event["kind"]:
        replacement = event.get("replacement") or {}
        if event["kind"] != "correct" or replacement.get("kind") != wanted.kind:
            return False
    for what, fields in _NAMES.items():
        name = getattr(wanted, what)
        if what == "vessel" and reaches:
            continue
        if name is not None and name not in _named(event, what, fields):
            return False
    if wanted.ref is not None and wanted.ref != event.get("ref"):
        return False
    return wanted.by is None or wanted.by == event.get("by")


def _named(event: Mapping[str, Any], what: str, fields: frozenset[str]) -> set[str]:
    found: set[str] = set()
    for thing in _objects(event):
        for field in fields & thing.keys():
            value = thing[field]
            if field == "name" and thing.get("kind") != what:
                continue
            if isinstance(value, str):
                found.add(value)
            elif isinstance(value, list):
                found.update(item for item in value if isinstance(item, str))
    return found


def _objects(thing: Any) -> Iterator[Mapping[str, Any]]:
    if isinstance(thing, Mapping):
        yield thing
        for value in thing.values():
            yield from _objects(value)
    elif isinstance(thing, list):
        for item in thing:
            yield from _objects(item)
