"""Replays steps in order of time: what cannot have happened is collected, all of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from ampelog import moments
from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave
from ampelog.errors import Finding
from ampelog.kinds import APPLY
from ampelog.registers import KINDS, Registers, fields_of
from ampelog.steps import Step
from ampelog.told import Unread, told

LOCAL_DATE = 10
"""The length of an `at` that gives no time of day."""


def watched(steps: Iterable[Step]) -> set[str]:
    """The blocks and material lots that some hold ever names: their keys travel with the wine."""
    keys = set()
    for step in steps:
        if step.event["kind"] == "hold":
            if "block" in step.event:
                keys.add(f"block:{step.event['block']}")
            elif "material_lot" in step.event:
                keys.add(f"material:{step.event['material_lot']}")
    return keys


def registered(steps: Iterable[Step], registers: Registers | None = None) -> Registers:
    """The registers of these steps, added to those given."""
    registers = registers or Registers()
    for step in steps:
        if step.event["kind"] in KINDS:
            entry = (step.instant, step.position, fields_of(step.event))
            registers.add(step.event["kind"], step.event["name"], entry)
    return registers


def begun(steps: Sequence[Step], zone: ZoneInfo, registers: Registers | None = None) -> Cellar:
    """An empty cellar in which these steps may happen; ``registers`` where more is registered than
    they say."""
    cellar = Cellar(zone, registers or registered(steps))
    cellar.holds.watched = watched(steps)
    return cellar


def fresh(
    steps: Sequence[Step],
    zone: ZoneInfo,
    tick: Callable[[int], None] | None = None,
    registers: Registers | None = None,
) -> tuple[Cellar, list[Finding]]:
    """An empty cellar, and all steps applied to it; ``registers`` as for ``begun``."""
    cellar = begun(steps, zone, registers)
    return cellar, apply(cellar, steps, tick)


def apply(
    cellar: Cellar,
    steps: Sequence[Step],
    tick: Callable[[int], None] | None = None,
    part: range | None = None,
) -> list[Finding]:
    """Apply steps, or a part of them, in order; returns what cannot have happened. A refused step
    may leave traces: a cellar with refusals is thrown away."""
    refusals: list[Finding] = []
    for index in range(len(steps)) if part is None else part:
        step = steps[index]
        if type(step.model) is Unread:  # asked here alone, mostly: not kept for each
            step = replace(step, model=told(step.event))
        try:
            APPLY[step.event["kind"]](cellar, step)
        except CannotHave as problem:
            hint = problem.hint
            if _same_day_mends(steps, index, problem.lot, cellar.zone):
                day = moments.day(step.instant, cellar.zone).isoformat()
                hint = (
                    f"other events of {day} touch `{problem.lot}`; a bare date sorts at the start "
                    f"of its day: give times of day. Else {hint or 'check the order'}"
                )
            refusals.append(
                Finding(problem.rule, step.where, problem.says, hint, step.id, problem.lot)
            )
        if tick is not None and index % 4096 == 0:
            tick(index)
    return refusals


def _same_day_mends(steps: Sequence[Step], index: int, lot: str | None, zone: ZoneInfo) -> bool:
    """Whether a time of day could put another event on this lot before the refused one."""
    if lot is None:
        return False
    today = moments.day(steps[index].instant, zone)
    bare = len(steps[index].model.at) == LOCAL_DATE
    for step in steps[index + 1 :]:
        if moments.day(step.instant, zone) != today:
            return False
        if (bare or len(step.model.at) == LOCAL_DATE) and lot in _lots(step):
            return True
    return False


def _lots(step: Step) -> set[str]:
    found = {step.event.get("lot")}
    for side in ("from", "to"):
        ends = step.event.get(side)
        for end in ends if isinstance(ends, list) else [ends]:
            if isinstance(end, dict):
                found.add(end.get("lot"))
    return {lot for lot in found if isinstance(lot, str)}
