"""The calendar for people: what rests, what is due, what is held, and what left too soon."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from typing import Any

from ampelog import say
from ampelog.phrases import listed
from ampelog.timeline import plain, reach

Row = dict[str, Any]
MARKS = {"resting": "… resting", "due": "● due", "released": "✓ released", "held": "✗ held"}
WIDE = 100
NOTICE = (
    "A rest marked * is a default of the style, a proposal that binds nothing. Whether bottles may "
    "be sold is for the regulator and licensed counsel to say; this shows what the records hold."
)


def sheet(rows: Sequence[Row], today: date) -> None:
    """The lots by day of release, each with its bar."""
    if not rows:
        say.line(f"No bottles are in stock on {today}.")
        return
    counted = {
        state: sum(row["state"] == state for row in rows)
        for state in ("held", "due", "resting", "released")
    }
    parts = [f"{count} {state}" for state, count in counted.items() if count]
    say.line(f"{listed(parts)}, of {len(rows)} lots of bottles on {today}.", "bold")
    first, last = reach(rows, today)
    room = 24 if say.width(sys.stdout) >= WIDE else 12
    say.table(
        [
            (
                row["lot"],
                row["cases"],
                row["bottled_on"] or "not known",
                f"{row['rest'] or 'none'}{'' if row['binds'] or not row['rest'] else '*'}",
                row["release_on"] or "",
                MARKS[row["state"]],
                plain(row, first, last, today, room),
            )
            for row in rows
        ],
        ("lot", "cases", "bottled", "rest", "release", "state", f"{first} to {last}"),
        right=(1, 6),
    )
    for why, lots in _reasons(rows).items():
        say.text(f"{listed(lots)}: {why.rstrip('.')}.")
    early = [(row["lot"], one) for row in rows for one in row["early"]]
    if early:
        say.line("")
        say.line("Left too soon", "bold")
        for _, one in early:
            say.text(f"{one['says'].rstrip('.')}.")
    say.line("")
    say.text(NOTICE)


def _reasons(rows: Sequence[Row]) -> dict[str, list[str]]:
    """Why lots are held or due, each reason once."""
    found: dict[str, list[str]] = {}
    for row in rows:
        if row["state"] in ("held", "due"):
            found.setdefault(row["why"], []).append(row["lot"])
    return found


def quarters(rows: Sequence[Row], vintage: int | None) -> None:
    """What comes up for release, quarter by quarter."""
    of = f" of {vintage}" if vintage is not None else ""
    if not rows:
        say.line(f"No bottles{of} have a day of release.")
        return
    say.table(
        [
            (row["quarter"], row["cases"], row["bottles"], ", ".join(row["lots"]), _held(row))
            for row in rows
        ],
        ("quarter", "cases", "bottles", "lots", "held of them"),
        right=(1, 2),
        title=f"Expected release{of}, by quarter",
    )


def _held(row: Row) -> str:
    return ", ".join(row["held"])
