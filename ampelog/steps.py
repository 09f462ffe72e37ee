"""The events as they take effect: corrected, and in the order in which things happened."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from msgspec import Struct
from msgspec.structs import replace


class Step(Struct, frozen=True, gc=False):
    """One event as it takes effect.

    ``position`` is that of the original, which keeps its place among events of one moment;
    ``said_at`` the position of the record that says what happened (the correction's, if corrected).
    ``new`` marks what the load at hand brings or corrects.
    """

    instant: int
    position: int
    said_at: int
    id: str
    event: dict[str, Any]
    model: Any
    new: bool
    where: str

    @property
    def order(self) -> tuple[int, int]:
        """Sorts steps into the order in which they take effect."""
        return (self.instant, self.position)


class Correction(Struct, frozen=True):
    """What a `correct` event puts in the place of its original: a step's content, or nothing."""

    corrects: str
    position: int
    event: dict[str, Any] | None
    model: Any
    instant: int
    new: bool
    where: str


def in_order(steps: Iterable[Step], corrections: Iterable[Correction]) -> list[Step]:
    """The steps that take effect, with the latest correction of each, in order of time."""
    latest: dict[str, Correction] = {}
    for correction in sorted(corrections, key=lambda one: one.position):
        latest[correction.corrects] = correction
    effective = []
    for step in steps:
        if step.event["kind"] == "correct":
            continue
        mended = latest.get(step.id) if latest else None
        if mended is None:
            effective.append(step)
        elif mended.model is not None and mended.event is not None:
            effective.append(
                replace(
                    step,
                    instant=mended.instant,
                    said_at=mended.position,
                    event=mended.event,
                    model=mended.model,
                    new=mended.new,
                    where=mended.where,
                )
            )
    effective.sort(key=lambda step: (step.instant, step.position))
    return effective
