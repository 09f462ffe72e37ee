"""The recall sheet as a page: the answer, who must be called, what to hold, and the evidence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ampelog import typeset
from ampelog.printing import Covered, Made, Page
from ampelog.recall_answer import NOTICE, counted, grouped, headline, origin
from ampelog.recall_sheet import amount, share

Row = dict[str, Any]


def page(answer: Row, units: str) -> Made:
    """The filled-in page of a recall's answer (``recalling.recall``, with ``head`` and
    ``premises``), for what its reader can show."""

    def made(_: Covered) -> Page:
        values = {
            "a": answer,
            "title": origin(answer),
            "answer": headline(answer),
            "heads": _heads(answer),
            "stock": _stock(answer),
            "ways": [row for row in (*answer["lots"], *answer["bulk"]) if row["path"]],
            "untold": sum(row["path"] is None for row in (*answer["lots"], *answer["bulk"])),
            "notice": NOTICE,
        }
        filters: dict[str, Callable[..., Any]] = {
            "amount": lambda row: amount(row, units),
            "grouped_bottles": grouped,
            "part": share,
        }
        return Page("recall.html", answer["as_of"], values, filters)

    return made


def _heads(answer: Row) -> dict[str, str]:
    """What each section shows, as its heading."""
    return {
        "calls": f"Whom to call: {counted(answer['found']['parties'], 'party')}",
        "stock": "What to hold in the cellar",
        "lots": f"The {typeset.counted(len(answer['lots']))} lots of bottles that are touched"
        if len(answer["lots"]) != 1
        else "The lot of bottles that is touched",
        "ways": "The evidence: the shortest way from the origin to each lot",
        "origin": "Where it began",
    }


def _stock(answer: Row) -> list[Row]:
    """What is here, by lot and vessel."""
    return [
        {"lot": row["lot"], "vessel": one["vessel"], "held": one, "mixed": row.get("mixed")}
        for row in (*answer["lots"], *answer["bulk"])
        for one in row["where"]
    ]
