"""The marks that drawings are made of, as SVG text: names, ribbons, and their one style sheet.

All lengths are whole hundredths of a point; the same numbers give the same bytes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from html import escape

# Advance widths of printable ASCII in the semibold of the page's family, thousandths of an em.
_WIDTHS = (
    275, 315, 482, 513, 513, 841, 639, 275, 324, 324, 438, 513, 275, 322, 275, 344, 513, 513, 513,
    513, 513, 513, 513, 513, 513, 513, 275, 275, 513, 513, 513, 444, 875, 558, 597, 576, 625, 538,
    510, 628, 663, 282, 494, 597, 502, 745, 657, 674, 582, 674, 592, 545, 546, 655, 536, 800, 541,
    501, 540, 324, 344, 324, 513, 500, 549, 516, 563, 462, 564, 507, 317, 520, 558, 262, 263, 522,
    271, 843, 560, 549, 564, 564, 373, 431, 361, 556, 495, 748, 481, 495, 443, 324, 255, 324, 513,
)  # fmt: skip
_WIDEST = 875


STYLE = """<style>
.drawing text { font-family: "Source Sans 3", sans-serif; fill: #1a1a1a }
.drawing .name { font-size: 7.5px; font-weight: 600 }
.drawing .note { font-size: 7px; fill: #4a4a4a }
.drawing .row { font-size: 8.5px }
.drawing .share { font-size: 8.5px }
.drawing .band { fill: #ecdce2; stroke: none }
.drawing .edge { fill: none; stroke: #b7929f; stroke-width: 0.35 }
.drawing .band.light, .drawing .band.hard { fill: #e4e0e6 }
.drawing .edge.light { stroke: #4d4050; stroke-width: 0.6; stroke-dasharray: 3 1.5 }
.drawing .edge.hard { stroke: #4d4050; stroke-width: 0.8; stroke-dasharray: 0.8 1.2 }
.drawing .band.added { fill: #dde2ea }
.drawing .edge.added { stroke: #50607a; stroke-width: 0.5 }
.drawing .body { fill: #c8a3b0 }
.drawing .body.fruit, .drawing .body.received { fill: #becaab }
.drawing .body.addition { fill: #8b99b0 }
.drawing .body.rest { fill: #d2cbce }
.drawing .body.wine { fill: #6b1f3a }
.drawing .lost { fill: #8c8c8c }
.drawing .return { fill: none; stroke: #6b1f3a; stroke-width: 0.7; stroke-dasharray: 1.5 1.5 }
.drawing .clear { fill: #ffffff; fill-opacity: 0.78 }
.drawing .scale { fill: #8c8c8c }
</style>"""
"""Inside each drawing, so that it looks the same wherever it is put."""


def framed(says: str, width: int, height: int, parts: Iterable[str], style: str = STYLE) -> str:
    """A drawing of its own, with what it ``says`` to those who do not see it; ``width`` and
    ``height`` in hundredths of a point."""
    return (
        f'<svg class="drawing" xmlns="http://www.w3.org/2000/svg" role="img" '
        f'aria-label="{escape(says)}" width="{pt(width)}pt" height="{pt(height)}pt" '
        f'viewBox="0 0 {pt(width)} {pt(height)}"><title>{escape(says)}</title>{style}'
        + "".join(parts)
        + "</svg>"
    )


def width_of(words: str, size: int) -> int:
    """The width of a text in hundredths of a point, at a size in the same."""
    ems = sum(_WIDTHS[ord(sign) - 32] if 32 <= ord(sign) < 127 else _WIDEST for sign in words)
    return ems * size // 1000


def fitted(words: str, size: int, room: int) -> str:
    """The text, cut with an ellipsis where it is wider than the room."""
    if width_of(words, size) <= room:
        return words
    low, high = 0, len(words)
    while low < high:
        middle = (low + high + 1) // 2
        if width_of(words[:middle] + "…", size) <= room:
            low = middle
        else:
            high = middle - 1
    return words[:low].rstrip() + "…"


def pt(hundredths: int) -> str:
    """Hundredths of a point as the shortest decimal."""
    sign = "-" if hundredths < 0 else ""
    whole, rest = divmod(abs(hundredths), 100)
    return f"{sign}{whole}.{rest:02d}".rstrip("0").rstrip(".") if rest else f"{sign}{whole}"


def curve(points: Sequence[int]) -> str:
    """A Bézier leg: two control points and an end."""
    return "C" + " ".join(pt(point) for point in points)


def text(x: int, y: int, kind: str, says: str) -> str:
    """A line of text at a point, escaped."""
    return f'<text class="{kind}" x="{pt(x)}" y="{pt(y)}">{escape(says)}</text>'


_EDGES = {
    "free run": "free",
    "light press": "light",
    "hard press": "hard",
    "addition": "added",
}


def ribbon(stops: Sequence[tuple[int, int]], thickness: int, edge: str) -> str:
    """A ribbon through stops (x, top), as a filled band and its two edges."""
    upper: list[tuple[int, ...]] = []
    lower: list[tuple[int, ...]] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(stops):
        middle = (x0 + x1) // 2
        for line, drop in ((upper, 0), (lower, thickness)):
            line.append((x0, y0 + drop, middle, y0 + drop, middle, y1 + drop, x1, y1 + drop))
    there = f"M{pt(upper[0][0])} {pt(upper[0][1])}" + "".join(curve(leg[2:]) for leg in upper)
    start = lower[-1]
    below = f"M{pt(lower[0][0])} {pt(lower[0][1])}" + "".join(curve(leg[2:]) for leg in lower)
    back = f"L{pt(start[6])} {pt(start[7])}" + "".join(
        curve((leg[4], leg[5], leg[2], leg[3], leg[0], leg[1])) for leg in reversed(lower)
    )
    kind = _EDGES.get(edge, "plain")
    return (
        f'<path class="band {kind}" d="{there}{back}Z"/>'
        f'<path class="edge {kind}" d="{there}{below}"/>'
    )
