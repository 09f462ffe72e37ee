"""Bottles from their filling to their release, drawn: a bar a lot, and the day asked of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from ampelog.svg import fitted, framed, pt, text, width_of

Row = dict[str, Any]
LEFT, RIGHT, TOP, LINE = 9_000, 5_500, 2_600, 1_500
"""Room beside and above the bars, and the height of a line, in hundredths of a point."""
_BAR = 520
_MARKS = {"resting": "resting", "due": "due", "released": "released", "held": "held"}


def reach(rows: Sequence[Row], today: date) -> tuple[date, date]:
    """The first and the last day of a drawing."""
    days = [today]
    for row in rows:
        days += [date.fromisoformat(row[key]) for key in ("bottled_on", "release_on") if row[key]]
    return min(days), max(days)


def plain(row: Row, first: date, last: date, today: date, width: int) -> str:
    """A lot's bar in plain characters: ``─`` rests, ``◆`` its release, ``|`` the day asked of."""
    span = max(1, (last - first).days)

    def column(day: date) -> int:
        return (day - first).days * (width - 1) // span

    cells = [" "] * width
    bottled = date.fromisoformat(row["bottled_on"]) if row["bottled_on"] else first
    end = date.fromisoformat(row["release_on"]) if row["release_on"] else None
    if end is not None:
        cells[column(bottled) : column(end)] = ["─"] * (column(end) - column(bottled))
    cells[column(today)] = "|"
    if end is not None:
        cells[column(end)] = "◆"
    return "".join(cells)


def drawing(rows: Sequence[Row], today: date, width: int) -> str:
    """The timeline as SVG, ``width`` in points; every row has a bottling or a release day."""
    first, last = reach(rows, today)
    span = max(1, (last - first).days)
    room = width * 100 - LEFT - RIGHT
    height = TOP + LINE * len(rows) + 400

    def across(day: date) -> int:
        return LEFT + (day - first).days * room // span

    parts = [_axis(first, last, across, height)]
    for number, row in enumerate(rows):
        parts.append(_bar(row, TOP + LINE * number, across, first))
    now = across(today)
    parts.append(
        f'<line x1="{pt(now)}" y1="{pt(TOP - 900)}" x2="{pt(now)}" y2="{pt(height - 200)}" '
        'stroke="#6b1f3a" stroke-width="0.8"/>'
    )
    says = f"asked of {today.isoformat()}"
    beside = now + 200 if now < width * 100 - RIGHT * 2 else now - 200 - width_of(says, 700)
    parts.append(text(beside, TOP - 1_000, "note", says))
    title = f"Rest and release of {len(rows)} lots of bottles"
    return framed(title, width * 100, height, parts)


def _axis(first: date, last: date, across: Any, height: int) -> str:
    """A hairline at the beginning of each year, or of each quarter where that is all there is."""
    months = (1,) if (last - first).days > 800 else (1, 4, 7, 10)
    found = []
    for year in range(first.year, last.year + 1):
        for month in months:
            day = date(year, month, 1)
            if first <= day <= last:
                x = across(day)
                found.append(
                    f'<line x1="{pt(x)}" y1="{pt(TOP - 500)}" x2="{pt(x)}" y2="{pt(height - 200)}" '
                    'stroke="#c9c9c9" stroke-width="0.4"/>'
                )
                says = str(year) if month == 1 else f"{day:%b}"
                found.append(text(x + 150, TOP - 1_900, "note", says))
    return "".join(found)


def _bar(row: Row, top: int, across: Any, first: date) -> str:
    """Name, bar from bottling to release, and the state in words."""
    begin = date.fromisoformat(row["bottled_on"]) if row["bottled_on"] else first
    parts = [text(0, top + 700, "name", fitted(row["lot"], 750, LEFT - 600))]
    end = date.fromisoformat(row["release_on"]) if row["release_on"] else None
    left = across(begin)
    if end is not None:
        right = across(end)
        dashed = "" if row["basis"] == "label" else ' stroke-dasharray="2 1.5"'
        fill = {"held": "#ffffff", "resting": "#ecdce2"}.get(row["state"], "#c8a3b0")
        parts.append(
            f'<rect x="{pt(left)}" y="{pt(top + 200)}" width="{pt(max(right - left, 60))}" '
            f'height="{pt(_BAR)}" fill="{fill}" stroke="#6b1f3a" stroke-width="0.6"{dashed}/>'
        )
        edge = right
    else:
        edge = left
    parts.append(f'<circle cx="{pt(edge)}" cy="{pt(top + 460)}" r="{pt(230)}" fill="#6b1f3a"/>')
    says = f"{_MARKS[row['state']]} {row['release_on'] or ''}".strip()
    parts.append(text(edge + 400, top + 720, "note", says))
    return "".join(parts)
