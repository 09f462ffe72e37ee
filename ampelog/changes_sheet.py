"""What a load changes in earlier answers, for people: the gravest first."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_DOWN, Decimal
from typing import Any

from ampelog import say

Row = dict[str, Any]
MOST = 40
_DECIMALS = Decimal("0.0001")


def sheet(changes: Sequence[Row]) -> None:
    """A line a change; how many bottles had left beside it."""
    rows = [
        (one["lot"], one["what"], shown(one["before"]), shown(one["after"]), _gone(one))
        for one in changes
    ]
    seen = [row for row in rows if row[2] != row[3]]
    many = f"{len(changes):,} earlier answers change"
    say.line("1 earlier answer changes" if len(changes) == 1 else many, "bold")
    heads = ("lot", "what", "before", "after", "bottles gone")
    say.table(seen[:MOST], heads, right=(4,))
    if len(seen) > MOST:
        say.line(f"and {len(seen) - MOST} more; --json has all of them")
    if len(seen) < len(rows):
        say.line(f"{len(rows) - len(seen)} differ only in digits that are not shown")


def _gone(one: Row) -> str:
    return "" if one["shipped"] == "0" else str(one["shipped"])


def shown(answer: str | None) -> str:
    """An answer for reading: shares as percent, rounded down."""
    if answer is None:
        return "none"
    words = answer.split(", ")
    return ", ".join(say.VERDICTS.get(word, _share(word)) for word in words)


def _share(word: str) -> str:
    """A share with all its decimals as percent; anything else as it stands."""
    whole, point, decimals = word.partition(".")
    if not point or len(decimals) < 20 or not (whole + decimals).isdigit():
        return word
    share = (Decimal(word) * 100).quantize(_DECIMALS, ROUND_DOWN)
    return f"{share.normalize():f} %"
