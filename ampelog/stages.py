"""Where every litre of a vintage went, stage by stage: juice and must, wine, bottles.

The events happen once more, and after each of them what the lots hold of the vintage is compared
with what they held before. What a crush or a receipt adds came in; what a shipment takes left, and
what comes back did not; whatever else is less afterwards was lost in that event, at the stage of
what was there, and under its reason; what is more was gained. Each stage balances: what came to it
is what went on, left, is there, or was lost.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from msgspec import Struct, field

from ampelog import history
from ampelog.fates import received_as
from ampelog.genealogy import BITS
from ampelog.graph import Node
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.replay import apply
from ampelog.state import BOTTLES, MASS, Lot
from ampelog.steps import Step
from ampelog.year import Lost, Stage

MUST, WINE, FILLED = "juice and must", "wine", "bottles"
STAGES = (MUST, WINE, FILLED)
_YOUNG = frozenset({"juice", "must"})
_ENTERING = frozenset({"crush", "receive"})
_REASONS = {"top": "topping and evaporation", "rack": "racking", "barrel_down": "barrel down",
            "blend": "blending", "bottle": "bottling", "press": "pomace and press"}  # fmt: skip
ROUNDING = "rounding"
"""Some 10^-12 L that the stages are apart by, each sum being rounded down."""


class _Account(Struct):
    """Of one stage, in 2^-256 of 10^-12 L: what came from outside, was measured more than the book
    said, left, and was lost."""

    came: int = 0
    gained: int = 0
    left: int = 0
    lost: dict[str, int] = field(default_factory=dict)


def stages(view: View, year: int, lots: Collection[str]) -> tuple[Stage, ...]:
    """The stages of a year's fruit, and of what was received as all of it; ``lots`` are those that
    may hold some of it."""
    telling = _Telling(view, year, frozenset(lots))
    with history.still():
        for step in view.steps:
            telling.happens(step)
    return telling.told()


class _Telling:
    def __init__(self, view: View, year: int, lots: frozenset[str]) -> None:
        self._cellar = view.beginning()
        self._year, self._lots = year, lots
        self._shares: list[int] = []
        self._origins: frozenset[int] = frozenset()
        self._held: dict[str, dict[str, int]] = {}
        self._accounts = {stage: _Account() for stage in STAGES}

    def happens(self, step: Step) -> None:
        """Apply a step, and book what it did to the vintage."""
        self._cellar.changed.clear()
        apply(self._cellar, [step])
        ours = _is_of(step.event, self._year)
        self._grow(self._cellar.graph.nodes, step.position if ours else None)
        changed = [lot for name, lot in self._cellar.changed.items() if name in self._lots]
        if not changed:
            return
        moved = dict.fromkeys(STAGES, 0)
        for lot in changed:
            now = self._of(lot)
            before = self._held.get(lot.name, {})
            for stage in STAGES:
                moved[stage] += now.get(stage, 0) - before.get(stage, 0)
            self._held[lot.name] = now
        self._book(step, moved)

    def _grow(self, nodes: list[Node], origin: int | None) -> None:
        """The vintage's share of every node made since; those without parents that an event of the
        vintage made are all of it."""
        shares = self._shares
        for node in nodes[len(shares) :]:
            if not node.parents:
                shares.append(1 << BITS if node.position == origin and node.role is None else 0)
                continue
            total = sum(amount for _, amount in node.parents)
            shares.append(sum(shares[parent] * amount for parent, amount in node.parents) // total)

    def _of(self, lot: Lot) -> dict[str, int]:
        """What a lot holds of the vintage, by stage; of fruit nothing."""
        found: dict[str, int] = {}
        if lot.sort == MASS:
            return found
        for holding in lot.holdings.values():
            of = sum(self._shares[node] * amount for node, amount in holding.parts)
            if of:
                young = holding.state in _YOUNG
                stage = FILLED if lot.sort == BOTTLES else MUST if young else WINE
                found[stage] = found.get(stage, 0) + of
        return found

    def _book(self, step: Step, moved: dict[str, int]) -> None:
        """Book what a step changed in sum: it came, left, or was lost at a stage."""
        change = sum(moved.values())
        if not change:
            return
        kind = step.event["kind"]
        pressed = kind == "press" and change > 0
        if kind in _ENTERING or pressed:
            account = self._accounts[max(STAGES, key=lambda stage: moved[stage])]
            account.came += change
        elif kind == "ship":
            self._accounts[min(STAGES, key=lambda stage: moved[stage])].left -= change
        elif kind == "return":
            self._accounts[max(STAGES, key=lambda stage: moved[stage])].left -= change
        elif change < 0:
            account = self._accounts[min(STAGES, key=lambda stage: moved[stage])]
            reason = _reason(step.event)
            account.lost[reason] = account.lost.get(reason, 0) - change
        else:
            self._accounts[max(STAGES, key=lambda stage: moved[stage])].gained += change

    def told(self) -> tuple[Stage, ...]:
        """The stages, in 10^-12 L: from the last to the first, so that each sum is exact."""
        found: list[Stage] = []
        on = 0
        for stage in reversed(STAGES):
            account = self._accounts[stage]
            there = sum(held.get(stage, 0) for held in self._held.values()) >> BITS
            lost = {reason: amount >> BITS for reason, amount in account.lost.items()}
            came, gained, left = (
                one >> BITS for one in (account.came, account.gained, account.left)
            )
            passed = on + left + there + sum(lost.values()) - came - gained
            if stage == MUST:  # nothing comes before it
                lost[ROUNDING], passed = -passed, 0
            found.append(_stage(stage, (came, passed, gained, on, left, there), lost))
            on = passed
        return tuple(reversed(found))


def _stage(name: str, sums: Iterable[int], lost: dict[str, int]) -> Stage:
    rows = sorted(lost.items(), key=lambda one: (-one[1], one[0]))
    came, passed, gained, on, left, there = (text(one) for one in sums)
    told = tuple(Lost(why, text(of)) for why, of in rows if of)
    return Stage(name, came, passed, gained, on, left, there, told)


def _reason(event: dict[str, Any]) -> str:
    """Why something is less after an event."""
    if event["kind"] == "loss":
        return str(event["reason"])
    if event["kind"] == "gauge":
        return f"measured less ({event.get('reason') or 'dip'})"
    return _REASONS.get(event["kind"], str(event["kind"]).replace("_", " "))


def _is_of(event: dict[str, Any], year: int) -> bool:
    """Whether what an event brought in is all of the year."""
    if event["kind"] == "pick":
        return int(event["at"][:4]) == year
    return received_as(event, year)
