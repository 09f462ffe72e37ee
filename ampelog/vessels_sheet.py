"""The vessels for people: what is in each and what was done there last; then what is empty."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from ampelog import say
from ampelog.phrases import listed
from ampelog.words import words

Row = dict[str, Any]
LATEST = 3
"""Kinds of event whose last day a line has room for."""
NARROW = 100


def sheet(rows: Sequence[Row], units: str, today: date) -> None:
    """The vessels that hold something, and the names of those that hold nothing."""
    full = [row for row in rows if row["lot"] is not None]
    empty = [row for row in rows if row["lot"] is None]
    names = len({row["vessel"] for row in full})
    if not rows:
        say.line("No vessel is registered, and none holds anything.")
        return
    say.line(f"{_vessels(names)} hold something, {len(empty):,} stand empty, on {today}.", "bold")
    if full:
        _table(full, units)
    over = [row["vessel"] for row in full if (row["ullage_l"] or "0").startswith("-")]
    if over:
        say.text(f"Over capacity: {listed(dict.fromkeys(over))}.")
    if empty:
        say.line("")
        say.line("Empty", "bold")
        say.table(_empty(empty, units), ("holds", "vessels"), right=(0,))


def _vessels(count: int) -> str:
    return "1 vessel" if count == 1 else f"{count:,} vessels"


def _empty(rows: Sequence[Row], units: str) -> list[tuple[str, str]]:
    """The empty vessels by what they hold, the largest first; neighbours as a range."""
    sizes: dict[str | None, list[str]] = {}
    for row in rows:
        sizes.setdefault(row["capacity_l"], []).append(row["vessel"])
    known = sorted((size for size in sizes if size is not None), key=Decimal, reverse=True)
    found = [(say.volume(size, units), ", ".join(ranges(sizes[size]))) for size in known]
    return [*found, ("not known", ", ".join(ranges(sizes[None])))] if None in sizes else found


def ranges(names: Sequence[str]) -> list[str]:
    """Names that are counted up, three or more, as ``B-01..B-17``; the others as they are."""
    runs: list[list[tuple[str, str, int]]] = []
    for name in names:
        digits = name[len(name.rstrip("0123456789")) :]
        one = (name, name.removesuffix(digits), int(digits) if len(digits) in range(1, 10) else -1)
        last = runs[-1][-1] if runs else None
        if last is not None and last[1] == one[1] and one[2] == last[2] + 1 > 0:
            runs[-1].append(one)
        else:
            runs.append([one])
    found = []
    for run in runs:
        shown = [name for name, _, _ in run]
        found += [f"{shown[0]}..{shown[-1]}"] if len(shown) > 2 else shown
    return found


def _table(rows: Sequence[Row], units: str) -> None:
    latest = LATEST if say.width(sys.stdout) >= NARROW else 1
    say.table(
        [
            (
                row["vessel"],
                row["lot"] or "empty",
                _held(row, units),
                "" if row["ullage_l"] is None else say.volume(row["ullage_l"], units),
                "on hold" if row.get("hold") else "",
                ", ".join(
                    f"{kind.replace('_', ' ')} {day}"
                    for kind, day in list(row["last"].items())[:latest]
                ),
            )
            for row in rows
        ],
        ("vessel", "lot", "held", "room left", "", "last"),
        right=(2, 3),
    )


def _held(row: Row, units: str) -> str:
    if row["lot"] is None:
        return "nothing"
    if "bottles" in row:
        return f"{row['bottles']} bottles"
    if row["volume_l"] is None:
        return say.mass(row["mass_kg"], units)
    return say.volume(row["volume_l"], units)


def one(rows: Sequence[Row], events: Sequence[Row], units: str, today: date) -> None:
    """One vessel: what is in it, what room is left, and its latest events."""
    first = rows[0]
    facts = [
        first["type"] or "",
        f"holds {say.volume(first['capacity_l'], units)}" if first["capacity_l"] else "",
        f"at {first['premises']}" if first["premises"] else "",
    ]
    known = ", ".join(fact for fact in facts if fact)
    say.line(f"{first['vessel']} on {today}{f': {known}' if known else ''}.", "bold")
    for row in rows:
        say.text(f"{_inside(row, units)}.")
    if first["last"]:
        say.line("")
        say.table(
            [(kind.replace("_", " "), day) for kind, day in first["last"].items()],
            ("last", "on"),
        )
    if events:
        say.line("")
        say.table(
            [(str(event["position"]), event["at"], words(event)) for event in events],
            ("no.", "when", "what happened there"),
            right=(0,),
        )


def _inside(row: Row, units: str) -> str:
    if row["lot"] is None:
        return "It is empty"
    held = f"In it: {_held(row, units)} of {row['lot']} ({row['state']})"
    if row.get("hold"):
        held += ", on hold"
    if row["ullage_l"] is None:
        return held
    if row["ullage_l"].startswith("-"):
        return f"{held}; {say.volume(row['ullage_l'][1:], units)} over its capacity"
    return f"{held}; room left: {say.volume(row['ullage_l'], units)}"
