"""A vintage from fruit to bottles, drawn: ribbons as high as the volumes that they stand for, the
losses of each stage beside what is there and what left.

All lengths are whole hundredths of a point; the same numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction

from msgspec import Struct

from ampelog.svg import fitted, framed, pt, ribbon, text
from ampelog.year import Stage

WIDTH = 49_000
COLUMNS = (0, 9_800, 19_800, 29_800, 38_200)
"""Where the fruit, the three stages and the ends begin."""
BAR, END = 2_400, 1_000
TOP, TALL, GAP, PASSING = 2_600, 15_000, 1_900, 500
LEAST = Fraction(1, 200)
"""Ends of less than this part of the vintage are told in the table alone."""
_THERE = ("still juice or must", "in the cellar", "bottles here")
_LEFT = ("left as juice or must", "left in bulk", "bottles that left")
_LOST = ("lost as juice or must", "lost in the cellar", "lost of bottles")
_SOURCES = ("Fruit", "Wine bought in", "Bottles bought in")
_GAINED = "More than the book"


class _Bar(Struct):
    """A bar: where it stands, how high, and how much of its right side is taken."""

    x: int
    top: int
    height: int
    taken: int = 0

    @property
    def right(self) -> int:
        """Where ribbons leave it."""
        return self.x + BAR


class _End(Struct, frozen=True):
    """Where part of the vintage is or went: of which stage, in words, and how it is drawn."""

    stage: int
    says: str
    volume: Fraction
    kind: str


def drawing(
    stages: Sequence[Stage],
    fruit: str,
    says: Callable[[Fraction], str],
    shown: Callable[[str], str],
) -> str:
    """The picture as SVG. ``fruit`` is the weight of the fruit in words, ``says`` tells a volume in
    litres, ``shown`` makes text legible."""
    return _Drawing(stages, fruit, says, shown).svg()


class _Drawing:
    def __init__(
        self,
        stages: Sequence[Stage],
        fruit: str,
        says: Callable[[Fraction], str],
        shown: Callable[[str], str],
    ) -> None:
        self._stages, self._fruit, self._says, self._shown = stages, fruit, says, shown
        whole = sum((_in(one) for one in stages), Fraction(0))
        most = max((_in(one) + Fraction(one.passed_l) for one in stages), default=Fraction(1))
        self._scale = TALL / (most or 1)
        self._least = whole * LEAST
        self._bars = [
            _Bar(COLUMNS[number + 1], TOP, self._high(_in(one) + Fraction(one.passed_l)))
            for number, one in enumerate(stages)
        ]
        self._free = [bar.top + bar.height + PASSING for bar in self._bars]
        self._ribbons: list[str] = []
        self._marks: list[str] = []
        self._bottom = TOP + TALL

    def _high(self, volume: Fraction) -> int:
        return int(volume * self._scale)

    def svg(self) -> str:
        """All of it."""
        self._sources()
        self._onward()
        self._ends()
        for number, bar in enumerate(self._bars):
            if bar.height:
                self._bar(bar, number)
        tall = self._bottom + 400
        title = "Where the vintage went, from fruit to bottles"
        return framed(title, WIDTH, tall, self._ribbons + self._marks)

    def _bar(self, bar: _Bar, number: int) -> None:
        stage = self._stages[number]
        kind = "wine" if number == len(self._stages) - 1 else "lot"
        self._rect(bar.x, bar.top, BAR, bar.height, kind)
        whole = _in(stage) + Fraction(stage.passed_l)
        self._label(bar.x, bar.top - 1_150, stage.name.capitalize(), self._says(whole), 8_800)

    def _rect(self, x: int, y: int, width: int, height: int, kind: str) -> None:
        self._marks.append(
            f'<rect class="body {kind}" x="{pt(x)}" y="{pt(y)}" width="{pt(width)}" '
            f'height="{pt(max(height, 50))}"/>'
        )

    def _label(self, x: int, y: int, name: str, note: str, room: int) -> None:
        self._marks.append(text(x, y, "name", fitted(self._shown(name), 750, room)))
        self._marks.append(text(x, y + 800, "note", fitted(self._shown(note), 700, room)))

    def _sources(self) -> None:
        """The fruit, and under it what came from elsewhere."""
        top = TOP
        for number, stage in enumerate(self._stages):
            volume = _in(stage)
            high = self._high(volume)
            if not high:
                continue
            bar = self._bars[number]
            self._rect(COLUMNS[0], top, BAR, high, "fruit" if number == 0 else "received")
            note = self._fruit if number == 0 else self._says(volume)
            name = _SOURCES[number] if Fraction(stage.came_l) else _GAINED
            self._label(COLUMNS[0], top - 1_150, name, note, 9_400)
            into = bar.top + bar.height - high
            between = [self._pass(other, high) for other in range(number)]
            self._ribbon((COLUMNS[0] + BAR, top), between, (bar.x, into), high, "plain")
            top += high + GAP + 700
        self._bottom = max(self._bottom, top - GAP)

    def _onward(self) -> None:
        """What goes from stage to stage: at the top of each bar."""
        for number, stage in enumerate(self._stages[:-1]):
            high = self._high(Fraction(stage.on_l))
            if high:
                bar, following = self._bars[number], self._bars[number + 1]
                self._ribbon((bar.right, bar.top), [], (following.x, following.top), high, "plain")
                bar.taken = high

    def _ends(self) -> None:
        """What is there, what left and what was lost, from the bottles back to the must."""
        y = TOP
        for end in self._found():
            bar = self._bars[end.stage]
            high = max(self._high(end.volume), 60)
            start = bar.top + bar.taken
            bar.taken += self._high(end.volume)
            between = [self._pass(other, high) for other in range(end.stage + 1, len(self._stages))]
            x = COLUMNS[-1]
            self._ribbon((bar.right, start), between, (x, y), high, end.kind)
            self._rect(x, y, END, high, "rest" if end.kind == "hard" else "lot")
            self._label(x + END + 400, y + 650, end.says, self._says(end.volume), 9_200)
            y += max(high, 1_300) + GAP - 1_000
        self._bottom = max(self._bottom, y, *self._free)

    def _found(self) -> list[_End]:
        found = []
        for number in range(len(self._stages) - 1, -1, -1):
            stage = self._stages[number]
            lost = sum((Fraction(one.volume_l) for one in stage.lost), Fraction(0))
            found += [
                _End(number, _THERE[number], Fraction(stage.there_l), "plain"),
                _End(number, _LEFT[number], Fraction(stage.left_l), "plain"),
                _End(number, _LOST[number], lost, "hard"),
            ]
        return [one for one in found if one.volume > self._least]

    def _pass(self, column: int, high: int) -> tuple[int, int]:
        """A place under the bar of a column for a ribbon that goes by."""
        y = self._free[column]
        self._free[column] += high + 200
        return self._bars[column].x, y

    def _ribbon(
        self,
        start: tuple[int, int],
        between: Sequence[tuple[int, int]],
        end: tuple[int, int],
        high: int,
        kind: str,
    ) -> None:
        stops = [start]
        for x, y in between:
            stops += [(x, y), (x + BAR, y)]
        edge = "hard press" if kind == "hard" else ""
        self._ribbons.append(ribbon([*stops, end], high, edge))


def _in(stage: Stage) -> Fraction:
    """What came to a stage from outside, with what was measured more."""
    return Fraction(stage.came_l) + Fraction(stage.gained_l)
