"""The morning as a page: the fermentations with boxes to write in, then what else needs a look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby
from typing import Any

from ampelog import cautions, say
from ampelog.curve_charts import SPARK_DAYS, spark
from ampelog.facts import Head
from ampelog.fermenting import FERMENTING, SLOW, STUCK
from ampelog.morning import MUCH_ROOM, Morning
from ampelog.numbers_sheet import STATES, signed
from ampelog.phrases import listed
from ampelog.printing import Covered, Made, Page, ours
from ampelog.quantities import floor_text
from ampelog.releases import DUE
from ampelog.story import Point
from ampelog.vessels_sheet import ranges

Row = dict[str, Any]
PROPOSALS = (
    "Slow and stuck are judged by readings; their limits, and that of "
    f"{MUCH_ROOM * 100} % of a vessel left empty, are proposals: common practice, no source. How "
    "full a vessel is, is by the book: what evaporated since it was last measured is not in it."
)


def page(found: Morning, today: date, head: Head, premises: str, units: str) -> Made:
    """The page, volumes in ``units``. ``head`` is the ledger's."""

    def made(_: Covered) -> Page:
        values = {
            "rows": [_ferment(row, today) for row in found.ferments],
            "looks": list(_looks(found, units)),
            "answer": answer(found),
            "days": SPARK_DAYS,
            "today": today.isoformat(),
            "head": head,
            "premises": premises,
            "proposals": PROPOSALS,
            "cautions": cautions.lines([cautions.CARBON_DIOXIDE]),
        }
        return Page("morning.html", today.isoformat(), values)

    return made


def answer(found: Morning) -> str:
    """What goes on, and what is wrong with it, in one sentence."""
    number = len(found.ferments)
    if not number:
        return "Nothing ferments."
    counted = [
        (state, sum(row["state"] == state for row in found.ferments)) for state in (STUCK, SLOW)
    ]
    wrong = listed(f"{count} {state}" for state, count in counted if count)
    told = "One fermentation" if number == 1 else f"{number} fermentations"
    return f"{told}: {wrong}." if wrong else f"{told}, none slow or stuck."


def _ferment(row: Row, today: date) -> Row:
    """A fermentation in the words of the page."""
    bad = row["state"] in (STUCK, SLOW)
    why = [row["rule"], *row["notes"]] if row["rule"] else row["notes"]
    return {
        **row,
        "sign": "" if row["state"] == FERMENTING else STATES[row["state"]],
        "bad": bad,
        "rate": signed(row["per_day"]),
        "why": "; ".join(why),
        "drawn": ours(_curve(row["curve"], today)),
    }


def _curve(curve: Sequence[Sequence[str]], today: date) -> str:
    """The readings of the last days, today at the right."""
    placed = [
        Point(str(SPARK_DAYS - (today - date.fromisoformat(day)).days), value)
        for day, value in curve
    ]
    shown = [one for one in placed if Fraction(one.days) >= 0]
    says = f"from {shown[0].value} to {shown[-1].value}" if shown else "no reading"
    return spark(shown, f"Brix of the last {SPARK_DAYS} days: {says}")


def _looks(found: Morning, units: str) -> Iterator[Row]:
    """What needs a look, the gravest first: a heading's word, where, and what about it."""
    for row in found.over:
        room = say.volume(row["room_l"].removeprefix("-"), units)
        yield _look("over capacity", [row["vessel"]], [row["lot"]], f"{room} more than it holds")
    for row in found.holds:
        yield _look(
            "on hold", row["vessels"], row["lots"], f"since {row['since']}: {row['reason']}"
        )
    for row in found.bottles:
        what = "rest is over" if row["state"] == DUE else "plate"
        yield _look(what, [], [row["lot"]], row["why"])
    yield from _empty(found.room, units)


def _empty(rows: Sequence[Row], units: str) -> Iterator[Row]:
    """Vessels that are not full, those of a lot and of one size together, the emptiest first."""

    def alike(row: Row) -> tuple[str, str, str]:
        return (row["lot"], row["capacity_l"], row["room_l"])

    groups = [list(group) for _, group in groupby(sorted(rows, key=alike), alike)]
    for group in sorted(groups, key=lambda group: (-group[0]["part"], group[0]["vessel"])):
        first = group[0]
        room = f"{say.volume(first['room_l'], units)} of {say.volume(first['capacity_l'], units)}"
        each = " each" if len(group) > 1 else ""
        part = floor_text(first["part"] * 100, 0)
        names = [row["vessel"] for row in group]
        yield _look("not full", names, [first["lot"]], f"{part} % empty: room for {room}{each}")


def _look(what: str, vessels: Sequence[str], lots: Sequence[str], says: str) -> Row:
    return {"what": what, "vessels": ranges(vessels), "lots": lots, "says": says}
