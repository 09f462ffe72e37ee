"""The calendar as a page: the answer, the timeline drawn, the table, what left too soon."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from ampelog import typeset
from ampelog.calendar_sheet import NOTICE
from ampelog.facts import Head
from ampelog.phrases import listed
from ampelog.printing import Covered, Made, Page, ours
from ampelog.timeline import drawing

Row = dict[str, Any]
WIDTH = 490
"""Points: the width of the narrower paper between its margins."""
ON_A_PAGE = 34
STATES = ("held", "due", "resting", "released")


def page(rows: Sequence[Row], today: date, head: Head, premises: str) -> Made:
    """The page, for what its reader can show. ``head`` is the ledger's."""

    def made(covered: Covered) -> Page:
        shown = [{**row, "lot": typeset.legible(row["lot"], covered)} for row in rows]
        groups = [shown[at : at + ON_A_PAGE] for at in range(0, len(shown), ON_A_PAGE)]
        counted = [(state, sum(row["state"] == state for row in rows)) for state in STATES]
        parts = [f"{count} {state}" for state, count in counted if count]
        values = {
            "rows": rows,
            "today": today.isoformat(),
            "head": head,
            "premises": premises,
            "answer": f"{listed(parts)}." if parts else "No bottles are in stock.",
            "drawings": [ours(drawing(group, today, WIDTH)) for group in groups],
            "early": [one for row in rows for one in row["early"]],
            "notice": NOTICE,
        }
        return Page("calendar.html", today.isoformat(), values)

    return made
