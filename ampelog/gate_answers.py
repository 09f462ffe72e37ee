"""How the gates of some lots stand, and what stood against their bottlings, in logs that part: what
is known of the wine is told once up to there.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date

from ampelog import moments
from ampelog.biography import Biographies, Telling
from ampelog.excerpt import alone, filled
from ampelog.gates import table
from ampelog.history import still
from ampelog.questions import View
from ampelog.readiness import bottles, bottlings, judged, row
from ampelog.state import VOLUME
from ampelog.steps import Step
from ampelog.stock import state

Answers = dict[tuple[str, str], str | None]
"""By lot and question."""


def gates(views: Sequence[View], alike: int, lots: Collection[str], today: date) -> list[Answers]:
    """By view, the gates of these lots and of their bottlings. The first ``alike`` steps are those
    of every view, and what was bottled by them is left out: it stands as it stood."""
    ways = [view.steps[alike:] for view in views]
    into = set(lots).union(*(filled(step) for way in ways for step in way if _of(step, lots)))
    with still():
        story = alone(views[0].steps[:alike], into, *ways)
        told = Telling(views[0], table(), story.names)
        told.happen(story.steps)
    found = []
    for view, way in zip(views, story.ways, strict=True):
        telling = told.twin() if alike else Telling(view, table(), story.names)
        own = view.again([*story.steps, *way], view.cellar)
        found.append(_bottled(own, telling, way, lots) | _now(view, telling.known, lots, today))
    return found


def _of(step: Step, lots: Collection[str]) -> bool:
    """Whether a step bottles one of these lots."""
    return bottles(step) and not filled(step).isdisjoint(lots)


def _bottled(view: View, telling: Telling, way: Sequence[Step], lots: Collection[str]) -> Answers:
    """The gates that stood against each bottling of these lots, as they were known just before."""
    wanted = {step.position for step in way if _of(step, lots)}
    found: Answers = {}
    for step, judging in bottlings(view, telling, way, wanted):
        stops = row(judging)["stops"]
        for name in dict.fromkeys(end.lot for end in step.model.to):
            if name in lots and stops:
                on = moments.day(step.instant, view.zone)
                what = f"gates against bottling {judging.lot.name} on {on}"
                found[name, what] = ", ".join(stops)
    return found


def _now(view: View, known: Biographies, lots: Collection[str], today: date) -> Answers:
    """The gates of what of these lots is wine and in the cellar."""
    found: Answers = {}
    for lot in view.lots_named(lots):
        if lot.sort != VOLUME or not lot.holdings or state(lot) != "wine":
            continue
        for gate in row(judged(view, lot, None, table(), (known, today)))["gates"]:
            found[lot.name, f"gate {gate['gate']} {gate['name']}"] = gate["verdict"]
    return found
