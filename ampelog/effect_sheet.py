"""An event before it is recorded, for people: in words, with what it does and what looks odd."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from ampelog import say
from ampelog.effects import Effect
from ampelog.errors import Finding
from ampelog.words import words

MOST = 12


def told(event: dict[str, Any], effect: Effect, odd: Sequence[Finding], units: str) -> None:
    """On standard error: the sentence, the holdings before and after, and what to look at."""
    say.note(f"{event['at']}: {words(event)}", "bold")
    for row in effect.rows[:MOST]:
        say.note(f"  {_change(row, units)}")
    if len(effect.rows) > MOST:
        say.note(f"  and {len(effect.rows) - MOST:,} more")
    if not effect.rows:
        say.note("  No quantity changes.")
    say.findings([*effect.findings, *odd], "look")
    sys.stderr.flush()


def _change(row: dict[str, Any], units: str) -> str:
    place = f"{row['lot']} in {row['vessel']}" if row["vessel"] else str(row["lot"])
    if "before_kg" in row:
        before, after = (say.mass(row[key], units) for key in ("before_kg", "after_kg"))
    else:
        before, after = (say.volume(row[key], units) for key in ("before_l", "after_l"))
    return f"{place}: {before} before, {after} after"
