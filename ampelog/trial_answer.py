"""The answer to a trial's file: its candidates side by side, and the blend that targets ask for.

The keys at the top are those of the blend that is answered with: the solver's where there are
targets, else the first candidate.
"""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from ampelog.blend_search import Search
from ampelog.errors import Refused
from ampelog.shares import SUPPORTED
from ampelog.trial import Trial, Tried

NOTHING: dict[str, Any] = {
    **dict.fromkeys(("name", "lot", "volume_l", "label", "verdict", "cost", "event")),
    **{key: [] for key in ("components", "composition", "analysis", "claims", "findings")},
}
"""Where no blend meets the targets."""


class Answered(Struct, frozen=True):
    """The answer as JSON, whether it is yes, and all that was tried, the solver's blend last."""

    told: dict[str, Any]
    yes: bool
    tried: tuple[Tried, ...]

    def event(self, name: str | None) -> dict[str, Any]:
        """The `blend` event to be recorded: of the candidate that is named, else of the one that
        answers the targets, else of the only one. ``Refused`` where that is none."""
        told = {one.candidate.name: one.answer["event"] for one in self.tried}
        if name is None and "target" in self.told:
            name = self.told["name"]
        elif name is None and len(told) == 1:
            name = next(iter(told))
        if name is None and "target" in self.told:
            raise Refused("nothing was recorded: no blend meets the targets")
        if name not in told:
            says = f"there is no candidate `{name}`" if name else "several candidates were tried"
            raise Refused(says, hint=f"name one with --candidate: {', '.join(told)}")
        event: dict[str, Any] = told[name]
        return event


def answer(trial: Trial) -> Answered:
    """Try every candidate, and look for what the targets ask for."""
    tried = [trial.tried(candidate) for candidate in trial.recipe.candidates]
    told = [one.answer for one in tried]
    if trial.recipe.target is None:
        verdicts = {one["verdict"] for one in told}
        yes = bool(verdicts & {None, SUPPORTED})
        return Answered({**told[0], "candidates": told}, yes, tuple(tried))
    search = Search(trial)
    best, found = search.found()
    target = {
        "aim": search.target.aim,
        "met": best is not None,
        "proved": found.proved,
        "step": search.quantity(1),
        "collide": list(found.collide),
        "finer_steps_would_do": found.grid,
        "left_out": search.left_out,
    }
    every = [*tried, best] if best is not None else tried
    top = best.answer if best is not None else NOTHING
    candidates = [one.answer for one in every]
    whole = {**top, "candidates": candidates, "target": target}
    return Answered(whole, best is not None, tuple(every))
