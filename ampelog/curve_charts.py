"""Fermentations as small multiples with one scale: sugar above, temperature in a strip below it,
and marks where the cap was worked otherwise.

All lengths are whole hundredths of a point; the same numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from html import escape

from msgspec import Struct

from ampelog.story import Curve, Point
from ampelog.svg import STYLE, framed, pt, text

WIDTH, LEFT, RIGHT = 15_600, 1_600, 700
TOP, SUGAR, GAP, WARMTH, FOOT = 500, 5_200, 500, 1_900, 1_300
HEIGHT = TOP + SUGAR + GAP + WARMTH + FOOT
_STEP, _WARM_STEP, _LONGEST = 5, 10, 90


class Scale(Struct, frozen=True):
    """What all the curves of a page are drawn by: degrees Brix, days, and degrees of warmth."""

    least: int
    most: int
    days: int
    coolest: int
    warmest: int


def scale(curves: Sequence[Curve], fahrenheit: bool) -> Scale:
    """A scale that holds all of them; of very long ones the first ninety days."""
    sugars = [Fraction(one.value) for curve in curves for one in curve.brix]
    warmths = [warmth(one.value, fahrenheit) for curve in curves for one in curve.celsius]
    lasts = [Fraction(one.days) for curve in curves for one in (*curve.brix, *curve.celsius)]
    least = min([Fraction(0), *sugars])
    return Scale(
        least=int(-(-least // -_STEP)) * -_STEP if least < 0 else 0,
        most=_up(max([Fraction(_STEP), *sugars]), _STEP),
        days=min(_LONGEST, _up(max([Fraction(7), *lasts]), 7)),
        coolest=int(min(warmths, default=Fraction(0)) // _WARM_STEP) * _WARM_STEP,
        warmest=_up(max(warmths, default=Fraction(_WARM_STEP)), _WARM_STEP),
    )


def _up(value: Fraction, step: int) -> int:
    return -int(-value // step) * step


def warmth(celsius: str, fahrenheit: bool) -> Fraction:
    """Degrees in the units that are read."""
    value = Fraction(celsius)
    return value * 9 / 5 + 32 if fahrenheit else value


def chart(curve: Curve, by: Scale, fahrenheit: bool, says: str) -> str:
    """One fermentation as SVG; ``says`` is its text for those who do not see it."""
    bottom = TOP + SUGAR
    below = bottom + GAP
    sugar = _Band(TOP, bottom, by.least, by.most)
    warm = _Band(below, below + WARMTH, by.coolest, max(by.warmest, by.coolest + 1))
    degrees = [Point(one.days, str(warmth(one.value, fahrenheit))) for one in curve.celsius]
    parts = [
        *_frame(by, sugar, warm, fahrenheit, bool(degrees)),
        *_line(curve.brix, sugar, by, "sugar"),
        *_line(degrees, warm, by, "warmth"),
        *(_mark(_x(Fraction(one.days), by), bottom) for one in curve.worked),
    ]
    return framed(says, WIDTH, HEIGHT, parts, STYLE + _STYLE)


_STYLE = """<style>
.drawing .grid { fill: none; stroke: #d0d0d0; stroke-width: 0.3 }
.drawing .axis { fill: none; stroke: #8c8c8c; stroke-width: 0.5 }
.drawing .sugar { fill: none; stroke: #6b1f3a; stroke-width: 1.1 }
.drawing .dot.sugar { fill: #6b1f3a; stroke: none }
.drawing .warmth { fill: none; stroke: #50607a; stroke-width: 0.8; stroke-dasharray: 2.2 1.2 }
.drawing .dot.warmth { fill: #ffffff; stroke: #50607a; stroke-width: 0.6; stroke-dasharray: none }
.drawing .worked { fill: #1a1a1a }
</style>"""


class _Band(Struct, frozen=True):
    """A strip of the chart: its upper and lower edge, and the values there."""

    upper: int
    lower: int
    least: int
    most: int

    def y(self, value: Fraction) -> int:
        """Where a value lies, kept inside the strip."""
        inside = min(max(value, Fraction(self.least)), Fraction(self.most))
        part = (inside - self.least) / (self.most - self.least)
        return self.lower - int(part * (self.lower - self.upper))


def _x(days: Fraction, by: Scale) -> int:
    inside = min(max(days, Fraction(0)), Fraction(by.days))
    return LEFT + int(inside / by.days * (WIDTH - LEFT - RIGHT))


def _frame(by: Scale, sugar: _Band, warm: _Band, fahrenheit: bool, warmed: bool) -> list[str]:
    """The grid with its numbers, the same on every chart of a page."""
    right = WIDTH - RIGHT
    parts = []
    for value in range(0, by.most + 1, 2 * _STEP):
        y = sugar.y(Fraction(value))
        parts.append(f'<path class="grid" d="M{pt(LEFT)} {pt(y)}H{pt(right)}"/>')
        parts.append(text(0, y + 230, "note", f"{value}"))
    parts.append(f'<path class="axis" d="M{pt(LEFT)} {pt(sugar.lower)}H{pt(right)}"/>')
    if warmed:
        unit = "F" if fahrenheit else "C"
        for value, drop in ((warm.most, 460), (warm.least, 0)):
            y = warm.y(Fraction(value))
            parts.append(f'<path class="grid" d="M{pt(LEFT)} {pt(y)}H{pt(right)}"/>')
            parts.append(text(0, y + drop, "note", f"{value} {unit}"))
    week = 7 if by.days <= 35 else 14
    for day in range(0, by.days + 1, week):
        parts.append(text(_x(Fraction(day), by) - 180, HEIGHT - 150, "note", f"{day}"))
    return parts


def _line(points: Sequence[Point], band: _Band, by: Scale, kind: str) -> list[str]:
    shown = [one for one in points if Fraction(one.days) <= by.days]
    if not shown:
        return []
    placed = [(_x(Fraction(one.days), by), band.y(Fraction(one.value))) for one in shown]
    radius = "1.3" if kind == "sugar" else "1"
    dots = [
        f'<circle class="dot {kind}" cx="{pt(x)}" cy="{pt(y)}" r="{radius}"/>' for x, y in placed
    ]
    path = "L".join(f"{pt(x)} {pt(y)}" for x, y in placed)
    return [f'<path class="{kind}" d="M{path}"/>', *dots]


def _mark(x: int, y: int) -> str:
    """A small triangle under the axis."""
    return f'<path class="worked" d="M{pt(x)} {pt(y + 40)}l1.8 3.2h-3.6Z"/>'


SPARK_WIDTH, SPARK_HEIGHT, SPARK_EDGE, SPARK_BRIX = 7_000, 2_200, 250, 30
SPARK_DAYS = 14


def spark(points: Sequence[Point], says: str) -> str:
    """The sugar of the last ``SPARK_DAYS`` days so small that it stands in a row of a table.

    A point's ``days`` are those from the left edge on; every row has the same scale, 0 to 30 Brix,
    so that a steep one is steep beside its neighbours.
    """
    band = _Band(SPARK_EDGE, SPARK_HEIGHT - SPARK_EDGE, 0, SPARK_BRIX)
    room = SPARK_WIDTH - 2 * SPARK_EDGE
    inside = [one for one in points if 0 <= Fraction(one.days) <= SPARK_DAYS]
    placed = [
        (
            SPARK_EDGE + int(Fraction(one.days) / SPARK_DAYS * room),
            band.y(Fraction(one.value)),
        )
        for one in inside
    ]
    parts = [
        f'<path d="M0 {pt(band.y(Fraction(value)))}H{pt(SPARK_WIDTH)}" fill="none" '
        f'stroke="{"#8c8c8c" if value == 0 else "#d0d0d0"}" stroke-width="0.4"/>'
        for value in range(0, SPARK_BRIX + 1, 2 * _STEP)
    ]
    if placed:
        path = "L".join(f"{pt(x)} {pt(y)}" for x, y in placed)
        parts.append(f'<path d="M{path}" fill="none" stroke="#6b1f3a" stroke-width="1.1"/>')
    for number, (x, y) in enumerate(placed, 1):
        radius = "1.7" if number == len(placed) else "0.9"
        parts.append(f'<circle cx="{pt(x)}" cy="{pt(y)}" r="{radius}" fill="#6b1f3a"/>')
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(says)}" '
        f'width="{pt(SPARK_WIDTH)}pt" height="{pt(SPARK_HEIGHT)}pt" '
        f'viewBox="0 0 {pt(SPARK_WIDTH)} {pt(SPARK_HEIGHT)}"><title>{escape(says)}</title>'
        + "".join(parts)
        + "</svg>"
    )
