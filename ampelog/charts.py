"""Numbers to SVG text: the genealogy as ribbons, where a wine comes from, and small share bars.

Pure and exact: whole numbers in hundredths of a point, no clock, no chance, so the same numbers
give the same bytes. Colours come from the page's style sheet through classes; edges, shapes and
words say everything that colour says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from html import escape

from msgspec import Struct

from ampelog.layout import BETWEEN, Grid, Link, Spot, columns, grid, grouped, joined, settle
from ampelog.svg import STYLE, curve, fitted, pt, ribbon, text, width_of

POINT = 100
MOST_BODIES = 60
MOST_COLUMNS = 9
LEAST_BARS, TALLEST = 7000, 18000
FOOT = 3600
NAME, NOTE = 750, 700
NOTE_WIDTH = 672
"""Sizes of the two lines of a label, in hundredths of a point; the second is of a lighter weight,
as wide as a semibold of ``NOTE_WIDTH``."""


class Body(Struct, frozen=True):
    """One thing on the drawing: fruit, a lot, an addition, or the wine itself.

    ``volume`` is what of it is in the wine, ``lost`` what was lost on the way, in the same units;
    ``note`` is the second line of its label, ``amount`` what of the note must stand beside the name
    where there is one line only.
    """

    key: str
    name: str
    note: str
    volume: int
    kind: str
    lost: int = 0
    amount: str = ""


class Canvas(Struct, frozen=True):
    """The room for a drawing, in whole points, and how a volume is said on it."""

    width: int
    height: int
    says: Callable[[int], str]
    one: int
    """The volume of one unit of the printed scale (a litre or a gallon)."""
    unit: str


def share_bar(share: Fraction | str, width: int = 60, height: int = 5) -> str:
    """A bar as long as the share is of the whole; ``width`` and ``height`` in points."""
    full = width * POINT
    part = Fraction(share) * full
    length = min(full, part.numerator // part.denominator)
    return (
        f'<svg class="bar" width="{width}pt" height="{height}pt" viewBox="0 0 {width} {height}" '
        f'role="img" aria-hidden="true"><title>share of the whole</title>'
        f'<rect fill="#d0d0d0" x="0" y="{pt(height * 50 - 25)}" width="{width}" height="0.5"/>'
        f'<rect fill="#8d5468" x="0" y="0" width="{pt(length)}" height="{height}"/></svg>'
    )


class _Drawing:
    """The genealogy once its bodies are chosen: sizes, places, and then marks."""

    def __init__(
        self, bodies: Sequence[Body], links: Sequence[Link], column: dict[str, int], canvas: Canvas
    ) -> None:
        self.canvas = canvas
        self.bodies = bodies
        self.links = links
        count = max(column.values()) + 1
        self.pitch = canvas.width * POINT // count
        self.bar_width = self.pitch * 52 // 100
        for lines, tail in ((2, 750), (2, 250), (1, 250)):
            self.head = NAME + (NOTE if lines == 2 else 0) + 250
            self.scale = self._fitting(column, self.head + tail + BETWEEN)
            if self.scale * max(body.volume for body in bodies) >= LEAST_BARS:
                break
        self.two_lined, self.tails_told = lines == 2, tail == 750
        sizes = {
            body.key: (self.head, max(100, self.tall(body.volume)), tail if body.lost else 0)
            for body in bodies
        }
        self.thickness = [max(40, self.tall(link.volume)) for link in links]
        self.grid, self.routes = grid(column, links, sizes, self.thickness)
        self.number = {key: index for index, key in enumerate(column)}
        self.column = column
        self.height = max(
            sum(self.grid.slot(index) for index in things) for things in self.grid.columns
        )
        settle(self.grid, self.height)

    def _fitting(self, column: dict[str, int], label: int) -> Fraction:
        """The scale at which the fullest column fits the canvas, within what looks well."""
        room = self.canvas.height * POINT - FOOT
        count = max(column.values()) + 1
        free, volume = [room] * count, [0] * count
        for body in self.bodies:
            free[column[body.key]] -= label
            volume[column[body.key]] += body.volume
        for link in self.links:
            for place in range(column[link.source] + 1, column[link.target]):
                free[place] -= BETWEEN
                volume[place] += link.volume
        whole = max(1, *(body.volume for body in self.bodies))
        fits = min(
            (Fraction(left, inside) for left, inside in zip(free, volume, strict=True) if inside),
            default=Fraction(1),
        )
        return max(Fraction(4000, whole), min(Fraction(TALLEST, whole), fits))

    def tall(self, volume: int) -> int:
        """The height of a volume, in hundredths of a point."""
        return int(volume * self.scale)

    def left(self, place: int) -> int:
        """Where the bars of a column begin."""
        return place * self.pitch

    def spot(self, key: str) -> Spot:
        """Where the bar of a body stands."""
        index = self.number[key]
        return Spot(self.column[key], self.grid.top[index], self.grid.bar[index])


def genealogy(bodies: Sequence[Body], links: Sequence[Link], canvas: Canvas, title: str) -> str:
    """Draw what flowed into what, from left to right in time.

    ``bodies`` are in order of time and end with the wine; a link joins two of them by key. Bar
    and ribbon heights are volumes on one scale; above sixty bodies the largest of each column are
    drawn and the others become one body that says how many it stands for.
    """
    wine = bodies[-1].key
    column = columns([body.key for body in bodies], links, wine)
    sizes = {body.key: body.volume for body in bodies}
    under = grouped(sizes, column, MOST_BODIES, MOST_COLUMNS)
    cut = max(0, max(column.values()) + 1 - MOST_COLUMNS)
    drawn, place = _merged(bodies, under, column, cut, canvas)
    drawing = _Drawing(drawn, joined(links, under), place, canvas)
    marks = [
        *_ribbons(drawing),
        *(mark for body in drawn for mark in _body(drawing, body)),
        *_scale(drawing),
    ]
    height = drawing.height + FOOT
    return (
        f'<svg class="drawing" role="img" width="{canvas.width}pt" height="{pt(height)}pt" '
        f'viewBox="0 0 {canvas.width} {pt(height)}"><title>{escape(title)}</title>'
        f"{STYLE}{''.join(marks)}</svg>"
    )


def _merged(
    bodies: Sequence[Body],
    under: dict[str, str],
    column: dict[str, int],
    cut: int,
    canvas: Canvas,
) -> tuple[list[Body], dict[str, int]]:
    """The bodies as drawn, and their columns: the small ones of a column as one."""
    rests: dict[str, list[Body]] = {}
    place: dict[str, int] = {}
    for body in bodies:
        rests.setdefault(under[body.key], []).append(body)
        place.setdefault(under[body.key], max(0, column[body.key] - cut))
    drawn = []
    for key, inside in rests.items():
        if len(inside) == 1:
            drawn.append(inside[0])
            continue
        volume = sum(body.volume for body in inside)
        lost = sum(body.lost for body in inside)
        name = f"{len(inside)} {'earlier ones' if cut and place[key] == 0 else 'smaller ones'}"
        drawn.append(
            Body(key, name, canvas.says(volume), volume, "rest", lost, canvas.says(volume))
        )
    return drawn, place


def _ribbons(drawing: _Drawing) -> list[str]:
    """Every ribbon, the widest first so that none is hidden, and what came back dashed."""
    made: Grid = drawing.grid
    order = range(len(drawing.links))
    leaving: dict[str, int] = {}
    entering: dict[str, int] = {}
    out_at: dict[int, int] = {}
    in_at: dict[int, int] = {}

    def far(index: int, end: int) -> tuple[int, int]:
        route = drawing.routes[index]
        return (made.top[route[end]] if route else 0, index)

    for index in sorted(order, key=lambda one: far(one, 1)):
        link = drawing.links[index]
        if drawing.routes[index]:
            out_at[index] = drawing.spot(link.source).top + leaving.get(link.source, 0)
            leaving[link.source] = leaving.get(link.source, 0) + drawing.thickness[index]
    for index in sorted(order, key=lambda one: far(one, -2)):
        link = drawing.links[index]
        if drawing.routes[index]:
            in_at[index] = drawing.spot(link.target).top + entering.get(link.target, 0)
            entering[link.target] = entering.get(link.target, 0) + drawing.thickness[index]
    marks = []
    for index in sorted(order, key=lambda one: (-drawing.thickness[one], one)):
        link, route = drawing.links[index], drawing.routes[index]
        if not route:
            marks.append(_return(drawing, link))
            continue
        start, end = drawing.column[link.source], drawing.column[link.target]
        stops = [(drawing.left(start) + drawing.bar_width, out_at[index])]
        for step, waypoint in enumerate(route[1:-1], start + 1):
            stops.append((drawing.left(step), made.top[waypoint]))
            stops.append((drawing.left(step) + drawing.bar_width, made.top[waypoint]))
        stops.append((drawing.left(end), in_at[index]))
        marks.append(ribbon(stops, drawing.thickness[index], link.edge))
    return marks


def _return(drawing: _Drawing, link: Link) -> str:
    """Wine that came back to an earlier body: a dashed line below the bars."""
    source, target = drawing.spot(link.source), drawing.spot(link.target)
    x0, y0 = drawing.left(source.column) + drawing.bar_width, source.top + source.height
    x1, y1 = drawing.left(target.column), target.top + target.height
    below = max(y0, y1) + 900
    path = curve((x0 + 900, below, x1 - 900, below, x1, y1))
    return f'<path class="return" d="M{pt(x0)} {pt(y0)}{path}"/>'


def _body(drawing: _Drawing, body: Body) -> list[str]:
    spot = drawing.spot(body.key)
    x, width = drawing.left(spot.column), drawing.bar_width
    room = drawing.pitch - 500
    marks = [
        f'<rect class="body {escape(body.kind)}" x="{pt(x)}" y="{pt(spot.top)}" '
        f'width="{pt(width)}" height="{pt(spot.height)}"/>'
    ]
    name, note = fitted(body.name, NAME, room), fitted(body.note, NOTE_WIDTH, room)
    widths = width_of(name, NAME), width_of(note, NOTE_WIDTH)
    if drawing.two_lined:
        marks.append(_clear(x, spot.top - drawing.head + 200, max(widths), drawing))
        marks.append(text(x, spot.top - NOTE - 280, "name", name))
        marks.append(text(x, spot.top - 220, "note", note))
    else:
        beside = widths[0] + 250 + width_of(body.amount, NOTE_WIDTH) <= room
        used = widths[0] + (250 + width_of(body.amount, NOTE_WIDTH) if beside else 0)
        marks.append(_clear(x, spot.top - drawing.head + 200, used, drawing))
        marks.append(text(x, spot.top - 220, "name", name))
        if beside:
            marks.append(text(x + widths[0] + 250, spot.top - 220, "note", body.amount))
    if body.lost:
        marks.extend(_lost(drawing, body, spot))
    return marks


def _clear(x: int, y: int, width: int, drawing: _Drawing) -> str:
    """Pales what runs behind a label where it reaches beyond its bar."""
    over = width - drawing.bar_width + 150
    if over <= 0:
        return ""
    return (
        f'<rect class="clear" x="{pt(x + drawing.bar_width)}" y="{pt(y)}" '
        f'width="{pt(over)}" height="{pt(drawing.head - 250)}"/>'
    )


def _lost(drawing: _Drawing, body: Body, spot: Spot) -> list[str]:
    """What was lost there: a tail that leaves the bar downward, as thick as the volume."""
    x, y = drawing.left(spot.column) + 300, spot.top + spot.height
    thick = min(drawing.bar_width // 2, max(60, drawing.tall(body.lost)))
    tail = (
        f"M{pt(x)} {pt(y)}"
        + curve((x, y + 300, x + thick // 2, y + 480, x + thick + 500, y + 480))
        + curve((x + thick + 200, y + 400, x + thick, y + 250, x + thick, y))
        + "Z"
    )
    marks = [f'<path class="lost" d="{tail}"/>']
    if drawing.tails_told:
        says = f"{drawing.canvas.says(body.lost)} lost"
        room = drawing.pitch - thick - 1400
        marks.append(text(x + thick + 600, y + 660, "note", fitted(says, NOTE_WIDTH, room)))
    return marks


def _scale(drawing: _Drawing) -> list[str]:
    """A bar of a round volume, and how the edges are told apart."""
    canvas, y = drawing.canvas, drawing.height + 900
    step = 1
    while drawing.tall(step * canvas.one) < 1200:
        step = step * 2 if str(step)[0] in "15" else step // 2 * 5
    tall = drawing.tall(step * canvas.one)
    marks = [
        f'<rect class="scale" x="0" y="{pt(y)}" width="4" height="{pt(tall)}"/>',
    ]
    marks.append(text(700, y + tall // 2 + 250, "note", f"{step}\N{NO-BREAK SPACE}{canvas.unit}"))
    x = 8000
    edges = {link.edge for link in drawing.links}
    for edge, says in (
        ("free run", "free run"),
        ("light press", "light press"),
        ("hard press", "hard press"),
        ("addition", "added"),
    ):
        if edge in edges:
            marks.append(ribbon([(x, y + 300), (x + 2600, y + 300)], 500, edge))
            marks.append(text(x + 3000, y + 800, "note", says))
            x += 3600 + width_of(says, NOTE_WIDTH) + 900
    return marks


def origins(rows: Sequence[tuple[str, str, Fraction]], wine: str, width: int) -> str:
    """Where a wine comes from: a ribbon a part, as thick as its share, into one bar.

    ``rows`` are (name, note, share); ``width`` is in points. The names stand before the ribbons
    and the percentages in the notes, so that nothing needs a legend.
    """
    whole, gap = 9000, 250
    longest = max((width_of(name, 850) for name, _, _ in rows), default=0)
    left = min(24000, max(9000, longest + 6000))
    right = width * POINT
    slots = [max(1150, int(share * whole)) for _, _, share in rows]
    height = max(sum(slots) + gap * (len(slots) - 1), whole)
    y = (height - sum(slots) - gap * (len(slots) - 1)) // 2
    inside = (height - whole) // 2
    bar = right - 9000
    marks = []
    for (name, note, share), slot in zip(rows, slots, strict=True):
        thick = max(40, int(share * whole))
        middle = y + slot // 2
        marks.append(ribbon([(left, middle - thick // 2), (bar, inside)], thick, ""))
        label = fitted(name, 850, left - 5200)
        marks.append(text(0, middle + 280, "row", label))
        marks.append(
            f'<text class="share" text-anchor="end" x="{pt(left - 500)}" '
            f'y="{pt(middle + 280)}">{escape(note)}</text>'
        )
        inside += thick
        y += slot + gap
    top = (height - whole) // 2
    marks.append(
        f'<rect class="body wine" x="{pt(bar)}" y="{pt(top)}" width="5" height="{pt(whole)}"/>'
    )
    marks.append(text(bar + 900, height // 2 + 280, "row", fitted(wine, 850, right - bar - 900)))
    return (
        f'<svg class="drawing" role="img" width="{width}pt" height="{pt(height)}pt" '
        f'viewBox="0 0 {width} {pt(height)}"><title>Where the wine came from, by share</title>'
        f"{STYLE}{''.join(marks)}</svg>"
    )
