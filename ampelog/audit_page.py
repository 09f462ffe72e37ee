"""The audit as a page: the answer, what is found of each kind, then each finding in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from ampelog.audit_sheet import NOTICE, SEVERITIES, answer, changed, groups
from ampelog.facts import Head
from ampelog.printing import Covered, Made, Page

Row = dict[str, Any]


def page(
    rows: Sequence[Row], today: date, head: Head, premises: str, period: Mapping[str, str | None]
) -> Made:
    """The page; corrections stand as before and after. ``period``: ``since`` and ``until``."""
    corrections = [
        {**row, **dict(zip(("before", "after"), changed(row["before"], row["after"]), strict=True))}
        for row in rows
        if row["finding"] == "correction"
    ]
    others = [row for row in rows if row["finding"] != "correction"]

    def made(_: Covered) -> Page:
        values = {
            "answer": answer(rows, today),
            "groups": groups(others),
            "summary": groups(rows),
            "corrections": corrections,
            "severities": SEVERITIES,
            "today": today.isoformat(),
            "head": head,
            "premises": premises,
            "period": period,
            "notice": NOTICE,
        }
        return Page("audit.html", today.isoformat(), values)

    return made
