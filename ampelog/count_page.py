"""The count sheet and the work sheet as pages, with boxes to write in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from ampelog import cautions, work_sheet
from ampelog.facts import Head
from ampelog.printing import Covered, Made, Page

Row = dict[str, Any]


def count(
    rows: Sequence[Row], today: date, head: Head, premises: str, *, blind: bool = False
) -> Made:
    """The count sheet; ``blind`` leaves out what the book says."""

    def made(_: Covered) -> Page:
        values = {
            "rows": rows,
            "blind": blind,
            "today": today.isoformat(),
            "head": head,
            "premises": premises,
            "name": rows[0]["sheet"] if rows else "",
            "cautions": cautions.lines((cautions.CARBON_DIOXIDE, cautions.CONFINED_SPACE)),
        }
        return Page("count.html", today.isoformat(), values)

    return made


def work(
    events: Sequence[Mapping[str, Any]], title: str, today: date, head: Head, premises: str
) -> Made:
    """The work sheet of planned events."""

    def made(_: Covered) -> Page:
        values = {
            "rows": work_sheet.rows(events),
            "title": title,
            "today": today.isoformat(),
            "head": head,
            "premises": premises,
            "cautions": work_sheet.beware(events),
        }
        return Page("work.html", today.isoformat(), values)

    return made
