"""Drawings: exact places, the same bytes, everything drawn, nothing that is not text."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest

from ampelog import charts, layout
from ampelog.charts import Body, Canvas
from ampelog.layout import Link
from ampelog.quantities import ONE
from ampelog.svg import fitted, pt, width_of
from tests import invented

ROOM = Canvas(490, 600, lambda volume: f"{volume // ONE} L", ONE, "L")
NAMESPACE = "{http://www.w3.org/2000/svg}"


def drawn(lots: int, name: str = "") -> tuple[list[Body], list[Link], str]:
    made = invented.genealogy(lots, name)
    bodies = [
        Body(body.key, body.name, "note", amount(body.share), body.kind, amount(body.lost), "12 L")
        for body in made.bodies
    ]
    links = [
        Link(flow.source, flow.target, amount(flow.share), flow.fraction or "")
        for flow in made.flows
    ]
    return bodies, links, charts.genealogy(bodies, links, ROOM, "A wine")


def amount(share: str) -> int:
    return int(Fraction(share) * 1000 * ONE)


def parts(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def texts(svg: str) -> list[str]:
    return [node.text or "" for node in parts(svg).iter() if node.tag.endswith("text")]


@pytest.mark.parametrize("lots", [5, 12, 30, 45])
def test_every_body_is_drawn_with_its_name(lots: int) -> None:
    bodies, _, svg = drawn(lots)
    assert len(bodies) <= charts.MOST_BODIES
    shown = texts(svg)
    for body in bodies:
        assert any(body.name.startswith(text.rstrip("…")) for text in shown if text), body.name
    assert svg.count('<rect class="body') == len(bodies)


@pytest.mark.parametrize("lots", [80, 300])
def test_above_sixty_bodies_the_smaller_ones_of_a_stage_become_one(lots: int) -> None:
    bodies, _, svg = drawn(lots)
    boxes = svg.count('<rect class="body')
    assert boxes <= charts.MOST_BODIES < len(bodies)
    stood_for = sum(
        int(found.group(1))
        for text in texts(svg)
        if (found := re.fullmatch(r"(\d+) smaller ones", text))
    )
    rests = svg.count('<rect class="body rest"')
    assert boxes - rests + stood_for == len(bodies)
    largest = max((body for body in bodies if body.kind == "lot"), key=lambda body: body.volume)
    assert largest.name in texts(svg)


def test_a_drawing_fits_its_canvas_and_its_words_are_inside() -> None:
    _, _, svg = drawn(45)
    root = parts(svg)
    width, height = (float(side) for side in root.attrib["viewBox"].split()[2:])
    assert width == ROOM.width
    assert height <= ROOM.height
    for node in root.iter():
        if "y" in node.attrib:
            assert 0 <= float(node.attrib["y"]) <= height
            assert 0 <= float(node.attrib["x"]) <= width


def test_bars_are_as_tall_as_their_volume() -> None:
    bodies = [
        Body("a", "A", "", 300 * ONE, "fruit"),
        Body("b", "B", "", 100 * ONE, "fruit"),
        Body("w", "W", "", 400 * ONE, "wine"),
    ]
    links = [Link("a", "w", 300 * ONE), Link("b", "w", 100 * ONE)]
    root = parts(charts.genealogy(bodies, links, ROOM, "t"))
    tall = [
        Fraction(node.attrib["height"])
        for node in root.iter()
        if node.attrib.get("class", "").startswith("body")
    ]
    assert tall[0] == 3 * tall[1]
    assert tall[0] + tall[1] == tall[2]


def test_bars_of_a_column_do_not_overlap() -> None:
    for lots in (12, 45, 80):
        _, _, svg = drawn(lots)
        columns: dict[str, list[tuple[Fraction, Fraction]]] = {}
        for node in parts(svg).iter():
            if node.attrib.get("class", "").startswith("body"):
                top = Fraction(node.attrib["y"])
                bottom = top + Fraction(node.attrib["height"])
                columns.setdefault(node.attrib["x"], []).append((top, bottom))
        for spans in columns.values():
            spans.sort()
            assert all(above[1] < below[0] for above, below in itertools.pairwise(spans))


def test_press_wine_and_additions_are_told_apart_by_their_edges_and_losses_leave() -> None:
    bodies = [
        Body("water", "water", "", ONE, "addition"),
        Body("f", "free", "", 8 * ONE, "lot", lost=ONE),
        Body("p", "press", "", ONE, "lot"),
        Body("w", "wine", "", 10 * ONE, "wine"),
    ]
    links = [
        Link("f", "w", 8 * ONE, "free run"),
        Link("p", "w", ONE, "hard press"),
        Link("water", "w", ONE, "addition"),
    ]
    svg = charts.genealogy(bodies, links, ROOM, "t")
    for edge in ("free", "hard", "added"):
        assert f'class="edge {edge}"' in svg
    assert svg.count('class="lost"') == 1
    assert "1 L lost" in texts(svg)
    assert {"free run", "hard press", "added"} <= set(texts(svg))


def test_wine_that_came_back_to_an_earlier_lot_is_drawn_and_ends() -> None:
    bodies = [
        Body(key, key, "", 10 * ONE, "wine" if key == "w" else "lot") for key in ("a", "b", "w")
    ]
    links = [Link("a", "b", 9), Link("b", "a", 2), Link("b", "w", 10)]
    svg = charts.genealogy(bodies, links, ROOM, "t")
    assert svg.count('class="return"') == 1
    assert layout.columns(["a", "b", "w"], links, "w") == {"a": 0, "b": 1, "w": 2}


def test_a_long_chain_keeps_its_latest_columns() -> None:
    keys = [f"lot {index:02d}" for index in range(40)]
    bodies = [Body(key, key, "", ONE, "lot") for key in keys]
    links = [Link(left, right, ONE) for left, right in itertools.pairwise(keys)]
    shown = texts(charts.genealogy(bodies, links, ROOM, "t"))
    assert keys[-1] in shown
    assert keys[0] not in shown
    assert "32 earlier ones" in shown


def test_text_of_the_ledger_is_only_ever_text() -> None:
    name = "<script>alert(1)</script> & \"x\" 'y'"
    _, _, svg = drawn(30, name)
    assert "<script" not in svg
    allowed = {"svg", "title", "style", "path", "rect", "text"}
    assert {node.tag.removeprefix(NAMESPACE) for node in parts(svg).iter()} <= allowed


def test_each_drawing_has_a_title_and_is_an_image_to_a_reader_of_screens() -> None:
    _, _, svg = drawn(12)
    for one in (
        svg,
        charts.share_bar("0.5"),
        charts.origins([("A", "1 %", Fraction(1))], "W", 400),
    ):
        root = parts(one)
        assert root.attrib["role"] == "img"
        assert root.find("title") is not None


def test_the_same_numbers_give_the_same_bytes_in_another_process() -> None:
    program = (
        "import hashlib; from tests.test_charts import drawn;"
        "print(hashlib.sha256(drawn(80)[2].encode()).hexdigest())"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", program],
            check=True,
            capture_output=True,
            text=True,
            cwd=Path(__file__).parent.parent,
            env={"PYTHONHASHSEED": seed, "PATH": ""},
        ).stdout
        for seed in ("1", "2")
    }
    assert len(found) == 1


def test_a_share_bar_is_as_long_as_the_share() -> None:
    assert 'width="30"' in charts.share_bar("0.5", 60)
    assert 'width="60" height="5"/></svg>' in charts.share_bar("1", 60)


def test_names_are_cut_to_their_room_and_never_beyond() -> None:
    for room in (0, 900, 3000, 9000):
        cut = fitted("Wide WWWW and narrow illi", 750, room)
        assert width_of(cut, 750) <= max(room, width_of("…", 750))
    assert fitted("short", 750, 9000) == "short"


def test_points_are_written_short_and_exact() -> None:
    assert [pt(value) for value in (0, 100, 150, 155, -5, -100)] == [
        "0", "1", "1.5", "1.55", "-0.05", "-1",
    ]  # fmt: skip


def test_crossings_are_fewer_than_in_the_order_given() -> None:
    keys = [f"s{index}" for index in range(6)]
    links = [Link(key, f"t{5 - index}", 1) for index, key in enumerate(keys)]
    column = dict.fromkeys(keys, 0) | {f"t{index}": 1 for index in range(6)}
    made, routes = layout.grid(column, links, dict.fromkeys(column, (0, 100, 0)), [100] * 6)
    layout.settle(made, 5000)
    tops = [(made.top[route[0]], made.top[route[1]]) for route in routes]
    assert [end for _, end in sorted(tops)] == sorted(end for _, end in tops)
