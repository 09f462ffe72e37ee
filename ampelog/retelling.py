"""A log told as it stands, and told with a load that is late or corrects: what came before the load
happens once for both.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import zip_longest
from operator import attrgetter
from typing import NamedTuple
from zoneinfo import ZoneInfo

from msgspec import Struct

from ampelog import projection
from ampelog.cellar import Cellar
from ampelog.endpoints import place, said
from ampelog.errors import Finding
from ampelog.ledger import Ledger
from ampelog.projection import LAST, Kept
from ampelog.registers import KINDS
from ampelog.replay import apply, registered, watched
from ampelog.stands import Spans
from ampelog.state import MASS, VOLUME
from ampelog.steps import Step
from ampelog.stood import last_before, stood


class Told(NamedTuple):
    """Steps in order of time, and the cellar that they lead to."""

    steps: list[Step]
    cellar: Cellar


class Retold(Struct, frozen=True):
    """The log without a load and with it; ``refusals`` are what of the latter cannot have happened.

    The first ``alike`` steps are those of both and led to as many ``nodes``. ``kept`` is what of
    the projection stays, and ``spans`` what was told of the latter since.
    """

    before: Told
    after: Told
    refusals: list[Finding]
    alike: int
    nodes: int
    kept: Kept
    spans: Spans


def retell(
    ledger: Ledger,
    before: list[Step],
    after: list[Step],
    zone: ZoneInfo,
    tick: Callable[[int], None] | None = None,
) -> Retold:
    """Both logs told, from the last stand before they part on; ``tick`` is told how far."""
    alike = _alike(before, after)
    stand = last_before(ledger, _parting(before, after, alike))
    cellar = Cellar(zone) if stand is None else stood(ledger, stand, zone)
    cellar.registers, cellar.holds.watched = registered(before), watched(before)
    spans = Spans() if stand is None else Spans(stand.span + 1)
    first = 0 if stand is None else bisect_right(before, stand.order, key=attrgetter("order"))
    refusals = spans.tell(cellar, before[first:alike], _further(tick, first))
    assert not refusals, f"a recorded event cannot have happened: {refusals[0]}"
    other = cellar.twin()
    nodes, ferments = other.graph.count, len(other.graph.ferments)
    if not alike:
        other.registers, other.holds.watched = registered(after), watched(after)
    refusals = spans.tell(other, after[alike:], _further(tick, alike))
    apply(cellar, before[alike:])
    changed = spans.changed(cellar) | spans.changed(other)
    kept = Kept(nodes, ferments, spans.first - 1, frozenset(changed))
    told = Told(before, cellar), Told(after, other)
    return Retold(*told, refusals, alike, nodes, kept, spans)


def _parting(before: Sequence[Step], after: Sequence[Step], alike: int) -> tuple[int, int]:
    """The order of the first step that is not alike."""
    return min(
        (steps[alike].order for steps in (before, after) if alike < len(steps)), default=LAST
    )


def _further(tick: Callable[[int], None] | None, by: int) -> Callable[[int], None] | None:
    return None if tick is None else lambda done: tick(by + done)


def _alike(before: Sequence[Step], after: Sequence[Step]) -> int:
    """How many steps lead to the same in both; none where it is registered otherwise, for a first
    registration holds from the beginning, and what some hold ever names is followed from there."""
    if _from_the_beginning(before) != _from_the_beginning(after):
        return 0
    pairs = enumerate(zip_longest(before, after))
    differs = (n for n, (one, other) in pairs if one is not other and one != other)
    return next(differs, len(before))


def _from_the_beginning(steps: Sequence[Step]) -> tuple[list[Step], set[str]]:
    return [step for step in steps if step.event["kind"] in KINDS], watched(steps)


def odd(before: Cellar, after: Cellar) -> tuple[Finding, ...]:
    """The findings that the load brings."""
    known = set(before.findings)
    return tuple(finding for finding in after.findings if finding not in known)


def _resolved(found: tuple[str | None, int] | None, sort: str) -> str:
    if found is None:
        return "nothing"
    vessel, amount = found
    return f"{said(amount, sort)} in {place(vessel)}"


def _sort(cellar: Cellar, step: Step) -> str:
    """In what an event's unstated quantities are: fruit is weighed."""
    lots = (cellar.lots.get(name) for name in projection.named(step.event))
    return MASS if any(lot is not None and lot.sort == MASS for lot in lots) else VOLUME


def resolved_anew(before: Cellar, after: Cellar, steps: Sequence[Step]) -> list[Finding]:
    """Older events whose quantities were read off the cellar, and are now other ones."""
    found = []
    for step in steps:
        if step.new or step.position not in before.resolved:
            continue
        was, now = before.resolved[step.position], after.resolved.get(step.position, ())
        if was != now:
            pairs = [(w, n) for w, n in zip_longest(was, now) if w != n]
            sort = _sort(after, step)
            shown = ", ".join(
                f"{_resolved(w, sort)} is now {_resolved(n, sort)}" for w, n in pairs[:3]
            )
            found.append(
                Finding(
                    "resolved anew",
                    step.where,
                    f"quantities that it did not state have changed: {shown}"
                    + (f", and {len(pairs) - 3} more" if len(pairs) > 3 else ""),
                    "see that it still says what happened",
                    step.id,
                )
            )
    return found
