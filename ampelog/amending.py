"""A mix-up of two vessels: the corrections that exchange their names.

Wherever the records name the one since a day, it was the other, and the other way round. Quantities
stay; a vessel that was filled by then is named with the lot that lay in it, one that was empty took
the lot that was meant. Nothing is recorded here: the corrections are written down for somebody to
look through, and to load.
"""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import moments
from ampelog.cellar import Cellar
from ampelog.errors import Finding, Refused
from ampelog.excerpt import vessels
from ampelog.moments import NotATime
from ampelog.quantities import parse, text
from ampelog.questions import View
from ampelog.registers import KINDS
from ampelog.replay import apply
from ampelog.steps import Step
from ampelog.told import told

Event = dict[str, Any]


class Amended(Struct, frozen=True):
    """An event that named one of the vessels, as it reads now and as it would read; ``correction``
    is the event that says so."""

    position: int
    before: Event
    after: Event
    correction: Event


class Mixed(Struct, frozen=True):
    """Two vessels that were taken for each other, from the beginning of a day, until the end of
    another (None: to this day), and why that is known."""

    one: str
    other: str
    since: str
    until: str | None = None
    reason: str = ""

    @property
    def says(self) -> str:
        """The reason that every correction bears."""
        return self.reason.strip() or f"{self.one} and {self.other} were taken for each other"


def swap(view: View, mixed: Mixed, at: str) -> list[Amended]:
    """The corrections, in order of the events; ``at`` is when they are decided.

    ``Refused`` where the vessels are the same, one was never used, or a day is none.
    """
    if mixed.one == mixed.other:
        raise Refused(f"`{mixed.one}` is named twice", hint="name the two vessels")
    first, last = _days(view, mixed)
    within = [step for step in view.steps if step.event["kind"] not in KINDS]
    for name in (mixed.one, mixed.other):
        _check_known(view, name, within)
    names = {mixed.one: mixed.other, mixed.other: mixed.one}
    cellar = view.beginning()
    found = []
    for step in view.steps:
        before = {key: value for key, value in step.event.items() if key != "id"}
        after = before
        if first <= step.instant <= last and step.event["kind"] not in KINDS:
            after = _exchanged(step, before, names, cellar)
        _happens(cellar, step, before, after)
        if after != before:
            says = {"kind": "correct", "at": at, "corrects": step.id, "reason": mixed.says}
            found.append(Amended(step.position, before, after, {**says, "replacement": after}))
    return sorted(found, key=lambda one: one.position)


def _happens(cellar: Cellar, step: Step, before: Event, after: Event) -> None:
    """Apply a step as it would read. ``Refused`` where that cannot have happened."""
    if after != before:
        step = replace(step, event={**after, "id": step.id}, model=told(after))
    refusals = apply(cellar, [step])
    if refusals:
        raise impossible(refusals)


def impossible(findings: Sequence[Finding]) -> Refused:
    """What refuses corrections that cannot have happened."""
    says = "exchanged so, the records could not have happened; nothing was written"
    return Refused(says, findings, hint="name the days more closely: --since, --until")


def _days(view: View, mixed: Mixed) -> tuple[int, int]:
    """The first and the last instant of the mix-up."""
    try:
        first = moments.instant(moments.date_of(mixed.since).isoformat(), view.zone)
        last = view.today + 366 * moments.DAY
        if mixed.until is not None:
            last = moments.end_of_day(mixed.until, view.zone)
    except NotATime as problem:
        raise Refused(f"{problem}", hint="--since 2023-11-06") from None
    if last < first:
        raise Refused(f"--until {mixed.until} is before --since {mixed.since}")
    return first, last


def _check_known(view: View, name: str, steps: Sequence[Any]) -> None:
    used = {vessel for step in steps for vessel in vessels(step.event)}
    if name in used:
        return
    near = get_close_matches(name, sorted(used), n=1)
    hint = f"did you mean `{near[0]}`?" if near else "`ampelog vessels` lists them"
    if view.cellar.registers.knows("vessel", name):
        hint = "it is registered, and no event names it: nothing to exchange"
    raise Refused(f"no event names a vessel `{name}`", hint=hint)


def _exchanged(step: Step, event: Event, names: dict[str, str], cellar: Cellar) -> Event:
    """The event with the two names exchanged, its own and those of its endpoints; ``cellar`` is as
    it stood just before."""
    targets = _parted(step, event, names, cellar)
    if len(targets) > 1:
        raise Refused(
            f"{step.where} is about vessels that would hold several lots",
            hint=f"correct it by hand: ampelog correct {step.position} ...",
        )
    made = targets[0]
    for side in ("from", "to", "of"):
        there = made.get(side)
        ends = [there] if isinstance(there, dict) else there
        if not isinstance(ends, list):
            continue
        new = [part for end in ends for part in _parted(step, end, names, cellar)]
        if new != ends:
            made[side] = new[0] if len(new) == 1 and isinstance(there, dict) else new
    return made


def _parted(step: Step, where: Event, names: dict[str, str], cellar: Cellar) -> list[Event]:
    """An endpoint or target with the names exchanged, parted by the lots that lie in its vessels;
    one that names both, alike, says the same either way."""
    several: list[str] = where.get("vessels") or []
    one = where.get("vessel")
    if isinstance(one, str):
        made = {**where, "vessel": names.get(one, one)}
        return [_of_lot(made, _there(cellar, made["vessel"])) if one in names else made]
    if not set(several) & set(names) or set(names) <= set(several):
        return [dict(where)]
    moved = [names[each] for each in several if each in names]
    there = _there(cellar, moved[0])
    if there in ("", where.get("lot")):
        return [{**where, "vessels": [names.get(each, each) for each in several]}]
    rest = [each for each in several if each not in names]
    shared = _each(step, where, len(several))
    kept = {**shared, "vessels": rest} if len(rest) > 1 else {**_alone(shared), "vessel": rest[0]}
    return [kept, _of_lot({**_alone(shared), "vessel": moved[0]}, there)]


def _there(cellar: Cellar, vessel: str) -> str:
    """The lot of wine in a vessel; nothing where it is empty."""
    return cellar.vessels.get(vessel, "")


def _of_lot(where: Event, lot: str) -> Event:
    return {**where, "lot": lot} if lot and "lot" in where else where


def _each(step: Step, where: Event, count: int) -> Event:
    """What an endpoint gives or takes of each of its vessels."""
    if where.get("all") or "each" in where or not {"volume", "mass"} & where.keys():
        return where
    field = "volume" if "volume" in where else "mass"
    number, unit = where[field].split(" ")
    each, rest = divmod(parse(where[field]).amount, count)
    if rest:
        raise Refused(
            f"{step.where} shares {number} {unit} over {count} vessels, which does not part evenly",
            hint=f"correct it by hand: ampelog correct {step.position} ...",
        )
    base = "L" if field == "volume" else "kg"
    return {**{k: v for k, v in where.items() if k != field}, "each": f"{text(each)} {base}"}


def _alone(where: Event) -> Event:
    """The same of one vessel of several."""
    made = {key: value for key, value in where.items() if key not in ("vessels", "each")}
    if "each" in where:
        made |= _amount(where["each"])
    return made


def _amount(each: Any) -> Event:
    if isinstance(each, int):
        return {"bottles": each}
    return {"mass" if parse(each).dimension == "mass" else "volume": each}
