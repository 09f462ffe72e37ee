"""Where a wine lay: on cellars small enough to reckon by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given, settings

from ampelog import report
from ampelog.ageing import MONTH
from ampelog.moments import DAY
from ampelog.state import VOLUME
from ampelog.story import Lain
from tests.cellars import Maker, lawful
from tests.conftest import Vintage

BARRELS = """
{"kind": "vessel", "at": "2020-01-01", "name": "T1", "type": "tank"}
{"kind": "vessel", "at": "2020-01-01", "name": "T2", "type": "tank"}
{"kind": "vessel", "at": "2020-01-01", "name": "W1", "type": "barrel",
 "cooperage": {"wood": "oak", "origin": "France", "first_filled": "2024"}}
{"kind": "vessel", "at": "2020-01-01", "name": "W2", "type": "barrel",
 "cooperage": {"wood": "oak", "origin": "France", "first_filled": "2021"}}
{"kind": "pick", "at": "2024-09-01", "block": "Hill", "lot": "A", "mass": "1000 kg"}
{"kind": "crush", "at": "2024-09-02", "from": {"lot": "A", "all": true},
 "to": {"lot": "A", "vessel": "T1", "volume": "400 L"}}
{"kind": "gauge", "at": "2024-10-01", "lot": "A", "volume": "400 L", "reason": "produced"}
"""
DOWN = """
{"kind": "barrel_down", "at": "2024-10-02", "from": {"lot": "A", "all": true},
 "to": [{"lot": "A", "vessel": "W1", "volume": "300 L"},
        {"lot": "A", "vessel": "W2", "volume": "100 L"}]}
"""
TOGETHER = """
{"kind": "rack", "at": "2025-01-10", "from": {"lot": "A", "all": true},
 "to": {"lot": "A", "vessel": "T2", "volume": "400 L"}}
"""


def days(number: int) -> str:
    """So many days in months, to the hundredth, half up."""
    hundredths = Fraction(number * DAY) / MONTH * 100 + Fraction(1, 2)
    whole, rest = divmod(hundredths.__floor__(), 100)
    return f"{whole}.{rest:02d}"


def lain(vintage: Vintage, lot: str, as_of: str) -> dict[tuple[str, bool | None], Lain]:
    made = report.dossier(vintage.view(as_of), lot)
    return {(one.kind, one.new): one for one in made.ageing}


def share(one: Lain) -> Fraction:
    return Fraction(one.share)


def test_wine_lies_in_tank_from_the_crush_until_the_end_of_the_day_asked_of(
    vintage: Vintage,
) -> None:
    vintage.load(BARRELS)
    found = lain(vintage, "A", "2024-10-01")
    assert set(found) == {("tank", None)}
    assert share(found["tank", None]) == 1
    assert found["tank", None].months == days(30)


def test_the_parts_of_a_wine_lie_in_old_wood_and_in_new_each_its_own_time(
    vintage: Vintage,
) -> None:
    vintage.load(BARRELS + DOWN + TOGETHER)
    found = lain(vintage, "A", "2025-02-09")
    assert share(found["barrel", True]) == Fraction(3, 4)
    assert share(found["barrel", False]) == Fraction(1, 4)
    assert found["barrel", True].months == found["barrel", False].months == days(100)
    # thirty days before the barrels, and thirty-one after them
    assert share(found["tank", None]) == 1
    assert found["tank", None].months == days(30 + 31)


def test_topping_wine_brings_the_time_that_it_lay_elsewhere(vintage: Vintage) -> None:
    vintage.load(
        BARRELS
        + """
        {"kind": "receive", "at": "2024-09-02", "lot": "X", "vessel": "T2", "volume": "100 L",
         "state": "wine"}
        {"kind": "blend", "at": "2024-12-01", "from": [{"lot": "X", "volume": "100 L"}],
         "to": {"lot": "A", "vessel": "T1", "volume": "100 L"}}
        """
    )
    found = lain(vintage, "A", "2024-12-01")
    # both lay in tanks all the time: ninety days and the day itself
    assert found["tank", None].months == days(91)
    assert share(found["tank", None]) == 1


def test_a_draw_in_between_does_not_take_time_from_what_stayed(vintage: Vintage) -> None:
    sample = """
    {"kind": "rack", "at": "2024-10-12", "from": {"lot": "A", "vessel": "W1", "volume": "10 L"},
     "to": {"lot": "S", "vessel": "K1", "volume": "10 L"}}
    {"kind": "rack", "at": "2025-01-10", "from": {"lot": "A", "all": true},
     "to": {"lot": "A", "vessel": "T2", "volume": "390 L"}}
    """
    vintage.load(BARRELS + DOWN + sample)
    found = lain(vintage, "A", "2025-01-20")
    assert found["barrel", True].months == days(100)
    assert found["tank", None].months == days(30 + 11)


def test_bottles_tell_of_what_was_before_them(vintage: Vintage) -> None:
    bottled = """
    {"kind": "bottle", "at": "2025-01-20", "from": {"lot": "A", "all": true},
     "to": {"lot": "BOT", "bottles": 533, "format": "750 mL"}, "loss": "line"}
    """
    vintage.load(BARRELS + DOWN + TOGETHER + bottled)
    before = lain(vintage, "BOT", "2025-01-20")
    assert before == lain(vintage, "BOT", "2026-01-20"), "bottle age is no cellar age"
    assert before["barrel", True].months == days(100)
    assert before["tank", None].months == days(30 + 10)


def test_another_name_does_not_begin_the_time_anew(vintage: Vintage) -> None:
    renamed = """
    {"kind": "lot", "at": "2024-11-01", "name": "B", "of": [{"lot": "A", "vessel": "W1"},
     {"lot": "A", "vessel": "W2"}]}
    {"kind": "rack", "at": "2025-01-10", "from": {"lot": "B", "all": true},
     "to": {"lot": "B", "vessel": "T2", "volume": "400 L"}}
    """
    vintage.load(BARRELS + DOWN + renamed)
    found = lain(vintage, "B", "2025-01-10")
    assert found["barrel", True].months == found["barrel", False].months == days(100)


@pytest.mark.parametrize(("first", "new"), [("2024", True), ("2025", True), ("2023", False)])
def test_a_barrel_is_new_to_the_wine_of_the_year_of_its_first_filling(
    vintage: Vintage, first: str, new: bool
) -> None:
    vintage.load(BARRELS.replace('"first_filled": "2024"', f'"first_filled": "{first}"') + DOWN)
    found = lain(vintage, "A", "2024-12-01")
    assert ("barrel", new) in found


def test_fruit_lies_nowhere_yet(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    assert lain(vintage, "A", "2024-09-01") == {}


@settings(max_examples=25)
@given(made=lawful(bottles=False))
def test_every_day_since_the_crush_is_lain_somewhere(
    another: Callable[[], Vintage], made: Maker
) -> None:
    """The months of all rows, by their shares, come to the mean age of the wine: its parts' time
    since they were crushed or received, followed here in fractions over the same genealogy."""
    cellar = another()
    cellar.record([json.dumps(event).encode() for event in made.events])
    view = cellar.view("2026-05-01")
    nodes, at = view.cellar.graph.nodes, view.instants()
    births: list[Fraction] = []
    for node in nodes:
        if not node.parents or node.mass:
            births.append(Fraction(at[node.position]))
        else:
            total = sum(amount for _, amount in node.parents)
            came = sum((births[parent] * amount for parent, amount in node.parents), Fraction(0))
            births.append(came / total)
    for lot in view.held_lots():
        if lot.sort != VOLUME:
            continue
        content = view.content(lot)
        whole = sum(amount for _, amount in content)
        born = sum(births[node] * amount for node, amount in content) / whole
        age = (view.today - born) / MONTH
        rows = report.dossier(view, lot.name).ageing
        lain = sum((share(one) * Fraction(one.months) for one in rows), Fraction(0))
        assert abs(lain - age) <= Fraction(1 + len(rows), 100), lot.name
