"""What a load names must be registered, and places must make sense (EVENTS.md, registers).

The ledger as it stands after the load decides, whatever the order of its events.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from ampelog.errors import Finding
from ampelog.places import Places
from ampelog.registers import Registers
from ampelog.steps import Step

_ONE: dict[str, tuple[tuple[str, str], ...]] = {
    "block": (("grower", "party"),),
    "vessel": (("premises", "premises"),),
    "lot": (("label", "label"), ("owner", "party")),
    "pick": (("block", "block"),),
    "receive": (("supplier", "party"), ("label", "label")),
    "ship": (("to", "party"),),
    "return": (("from_party", "party"),),
    "analysis": (("block", "block"),),
    "note": (("block", "block"), ("label", "label"), ("party", "party")),
    "hold": (("block", "block"),),
}
"""By kind: the fields that name one registered thing, and of what kind it is."""

_MANY = {
    "place": ("within", "spans"),
    "block": ("within", "spans"),
    "premises": ("within",),
    "receive": ("fermented_at",),
}
"""By kind: the fields that name places."""


def named(event: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(kind, name) of every registered thing that an event names."""
    kind = event["kind"]
    for field, of in _ONE.get(kind, ()):
        if event.get(field) is not None:
            yield of, event[field]
    for field in _MANY.get(kind, ()):
        for name in event.get(field) or ():
            yield "place", name
    for part in event.get("composition") or ():
        if part.get("block") is not None:
            yield "block", part["block"]
        for name in part.get("within") or ():
            yield "place", name
    if kind in ("bottle", "pack"):
        to = event.get("to", event)
        for output in to if isinstance(to, list) else [to]:
            if output.get("label") is not None:
                yield "label", output["label"]


def check(steps: Sequence[Step], registers: Registers) -> list[Finding]:
    """The refusals of what these steps name."""
    found = []
    for step in steps:
        for kind, name in named(step.event):
            if not registers.knows(kind, name):
                found.append(
                    Finding(
                        "not registered",
                        step.where,
                        f"the {kind} `{name}` is not registered",
                        _near(registers, kind, name),
                        step.id,
                    )
                )
    return found


def _near(registers: Registers, kind: str, name: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(name, registers.names(kind), n=1)
    if near:
        return f"did you mean `{near[0]}`? Else register it with a `{kind}` event in the same load"
    return f"register it with a `{kind}` event, in the same load or before"


def check_places(
    steps: Iterable[Step],
    parts: Iterable[tuple[Step, Sequence[str], str | None]],
    registers: Registers,
) -> list[Finding]:
    """Circles of places, and what reaches two counties, states, countries or vineyards.

    ``steps`` are all registrations of places, blocks and premises; ``parts`` the places that
    parts of receipts name. What a place, block or premises names is checked whenever a register
    of places changes after it, so a later change is charged to the event that made it.
    """
    registrations = sorted(steps, key=lambda step: step.order)
    found: list[Finding] = []
    seen: set[tuple[str, str]] = set()
    moments = sorted({step.instant for step in registrations}) or [0]
    for instant in moments:
        places = Places(registers, instant)
        for step in registrations:
            kind, name = step.event["kind"], step.event["name"]
            if (kind, name) in seen:
                continue
            problem = _wrong_place(places, registers, kind, name, instant)
            if problem is not None:
                seen.add((kind, name))
                says, involved = problem
                charged = _last(registrations, involved, instant) or step
                found.append(Finding("places", charged.where, says, "check `within`", charged.id))
    last = Places(registers, moments[-1])
    for step, named_places, block in parts:
        grown = () if block is None else last.of_block(block).get("within") or ()
        twice = last.twice((*named_places, *grown))
        if twice is not None:
            found.append(
                Finding("places", step.where, _said("a part", *twice), "check `within`", step.id)
            )
    return found


def _last(registrations: Sequence[Step], involved: frozenset[str], instant: int) -> Step | None:
    """The registration, of those that a problem involves, that was written last: it is to mend."""
    known = [s for s in registrations if s.event["name"] in involved and s.instant <= instant]
    return max(known, key=lambda step: step.said_at, default=None)


def _wrong_place(
    places: Places, registers: Registers, kind: str, name: str, instant: int
) -> tuple[str, frozenset[str]] | None:
    within = registers.at(kind, name, instant).get("within") or ()
    if kind == "place":
        circle = places.cycle(name)
        if circle is not None:
            shown = " within ".join(f"`{place}`" for place in circle)
            return f"`{name}` lies within itself: {shown}", frozenset(circle)
        within = (name,)
    twice = places.twice(within)
    if twice is None:
        return None
    return _said(f"`{name}`", *twice), places.around(within) | {name}


def _said(what: str, kind: str, reached: list[str]) -> str:
    shown = " and ".join(f"`{name}`" for name in reached)
    return f"{what} lies in two places of the type {kind}: {shown}; one at most is possible"


def receipt_parts(steps: Iterable[Step]) -> Iterator[tuple[Step, Sequence[str], str | None]]:
    """The places that parts of receipts name, each with the block that the part names."""
    for step in steps:
        if step.event["kind"] == "receive":
            for part in step.event.get("composition") or ():
                if part.get("within"):
                    yield step, part["within"], part.get("block")
