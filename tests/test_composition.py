"""Shares and decisions on them: exact, joint, and open where nobody knows."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from math import gcd
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import composing, report, stock
from ampelog.composition import DECIMALS, Composition, partition
from ampelog.genealogy import NO_MARK, Genealogy, Mark
from ampelog.sources import Leaf
from tests.conftest import Vintage, came_as

GRID = Fraction(1, 10**DECIMALS)


def wine(parents: list[Any], leaves: dict[int, list[tuple[str, Fraction]]]) -> Composition:
    """A composition over a bare graph; the last node is the wine."""

    def expand(node: int, mark: Mark) -> list[tuple[Leaf, Fraction]]:
        assert mark == NO_MARK
        return [
            (Leaf(f"event {node}", node, part, "pick", None, variety=name), share)
            for part, (name, share) in enumerate(leaves[node])
        ]

    return Composition(Genealogy(parents), [(len(parents) - 1, 1)], expand, "head/lot")


def pure(*names: str) -> dict[int, list[tuple[str, Fraction]]]:
    """Sources of one variety each."""
    return {node: [(name, Fraction(1))] for node, name in enumerate(names)}


def is_a(leaf: Leaf) -> int:
    """The share that is asked about."""
    return int(leaf.variety == "a")


# --- decisions ---


@given(
    a=st.integers(1, 10**9), b=st.integers(1, 10**9), steps=st.integers(0, 30),
    hair=st.integers(60, 400),
)  # fmt: skip
def test_a_tie_is_told_from_a_hair_however_deep_the_graph(
    a: int, b: int, steps: int, hair: int
) -> None:
    parents: list[Any] = [(), (), ((0, a), (1, b))]
    for step in range(steps):
        parents.append(((2 + step, 7), (2, 13)))
    made = wine(parents, pure("a", "b"))
    share, needle = Fraction(a, a + b), Fraction(1, 10**hair)
    assert made.measure(is_a, share).meets
    assert not made.measure(is_a, share + needle).meets
    assert made.measure(is_a, share - needle).meets
    assert made.sign(lambda leaf: is_a(leaf) - share) == 0


@given(st.lists(st.tuples(st.integers(1, 10**6), st.integers(1, 10**6)), min_size=1, max_size=20))
def test_unlike_mixings_that_come_to_one_share_are_a_tie(mixed: list[tuple[int, int]]) -> None:
    """Each body is a and b as 3 to 1, made from two that are not; their blend is 3 to 1."""
    parents: list[Any] = [(), ()]
    bodies = []
    for one, other in mixed:
        low, high = len(parents), len(parents) + 1
        parents += [((0, 1), (1, 1)), ((0, 9), (1, 1))]  # a half, and nine tenths
        # x of the first and y of the second are 3/4 where x/2 + 9y/10 = 3(x + y)/4: y = 5x/3
        parents.append(((low, 3 * one), (high, 5 * one)))
        bodies.append((len(parents) - 1, other))
    parents.append(tuple(bodies))
    made = wine(parents, pure("a", "b"))
    assert made.sign(lambda leaf: is_a(leaf) - Fraction(3, 4)) == 0
    parents[-1] = (*bodies, (1, 1))
    made = wine(parents, pure("a", "b"))
    assert made.sign(lambda leaf: is_a(leaf) - Fraction(3, 4)) == -1


def test_a_needle_of_ten_to_the_minus_ninety_is_found() -> None:
    """A wine topped thirty times to a thousandth keeps 10^-90 of what it was."""
    parents: list[Any] = [(), (), ((0, 1), (1, 999))]
    for step in range(29):
        parents.append(((2 + step, 1), (1, 999)))
    made = wine(parents, pure("a", "b"))
    needle = Fraction(1, 1000**30)
    assert made.measure(is_a, needle).meets
    assert not made.measure(is_a, needle + Fraction(1, 10**120)).meets
    assert made.sign(is_a) == 1
    assert not made.measure(lambda leaf: 1 - is_a(leaf), Fraction(1)).meets
    assert made.measure(lambda _: 1, Fraction(1)).meets


@pytest.mark.parametrize("sign", [-1, 0, 1])
def test_a_needle_beside_a_threshold_decides(sign: int) -> None:
    """Three quarters, and a 10^-90 more or less: the whole of it is 4 * 10^90 parts."""
    whole = 4 * 10**90
    first = 3 * 10**90 + sign * 4
    made = wine([(), (), ((0, first), (1, whole - first))], pure("a", "b"))
    assert made.sign(lambda leaf: is_a(leaf) - Fraction(3, 4)) == sign
    assert made.measure(is_a, Fraction(3, 4)).meets is (sign >= 0)


@given(
    parts=st.lists(st.tuples(st.sampled_from("abc"), st.integers(1, 10**12)), min_size=1,
                   max_size=8),
    off=st.integers(-2, 2),
)  # fmt: skip
def test_every_decision_is_that_of_fractions(parts: list[tuple[str, int]], off: int) -> None:
    whole = sum(amount for _, amount in parts)
    share = Fraction(sum(amount for name, amount in parts if name == "a"), whole)
    parents: list[Any] = [()] * len(parts)
    parents.append(tuple((node, amount) for node, (_, amount) in enumerate(parts)))
    made = wine(parents, pure(*[name for name, _ in parts]))
    threshold = share + off * Fraction(1, 10**40)
    found = made.measure(is_a, threshold)
    assert found.low <= share <= found.high
    assert found.high - found.low < Fraction(1, 2**200)
    assert found.meets is (share >= threshold)


def test_weights_may_be_fractions_and_parts_of_a_source() -> None:
    leaves = {0: [("a", Fraction(1, 3)), ("b", Fraction(2, 3))], 1: [("c", Fraction(1))]}
    made = wine([(), (), ((0, 1), (1, 1))], leaves)
    assert made.measure(is_a, Fraction(1, 6)).meets
    assert not made.measure(is_a, Fraction(1, 6) + Fraction(1, 10**80)).meets
    half = made.measure(lambda _: Fraction(1, 2), Fraction(1, 2))
    assert half.meets
    assert half.low <= Fraction(1, 2) <= half.high


@pytest.mark.parametrize(
    ("first", "second", "meets"),
    [
        ("75 gal", "25 gal", True),
        ("74.999 gal", "25.001 gal", False),
        ("75 L", "25 L", True),
        ("74.999999999999 L", "25.000000000001 L", False),
    ],
)
def test_seventy_five_gallons_of_a_hundred_are_not_less_than_75_percent(
    vintage: Vintage, first: str, second: str, meets: bool
) -> None:
    """27 CFR 4.23(b): not less than 75 percent of the volume."""
    vintage.load(f"""
    {{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "{first}",
     "composition": [{{"variety": "Syrah"}}]}}
    {{"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "{second}",
     "composition": [{{"variety": "Merlot"}}]}}
    {{"kind": "blend", "at": "2024-10-02", "from": [{{"lot": "A", "all": true}},
     {{"lot": "B", "all": true}}], "to": {{"lot": "C", "vessel": "T3", "volume": "100 {first.split()[1]}"}}}}
    """)
    composition = vintage.composition("C")
    found = composition.measure(lambda leaf: int(leaf.variety == "Syrah"), Fraction(3, 4))
    assert found.meets is meets


# --- printed rows ---


@given(st.dictionaries(st.integers(0, 9).map(lambda n: (n,)), st.integers(1, 10**9), min_size=1))
def test_printed_rows_sum_to_exactly_one_largest_first(parts: dict[tuple[Any, ...], int]) -> None:
    whole = sum(parts.values())
    rows = partition({key: Fraction(amount, whole) for key, amount in parts.items()})
    printed = {key: Fraction(share) for key, share in rows}
    assert sum(printed.values()) == 1
    assert list(printed.values()) == sorted(printed.values(), reverse=True)
    for key, amount in parts.items():
        assert abs(printed[key] - Fraction(amount, whole)) <= len(parts) * GRID
    for _, share in rows:
        assert len(share.partition(".")[2]) == DECIMALS


@given(st.lists(st.integers(1, 10**9), min_size=1, max_size=9))
def test_a_compositions_rows_are_right_to_the_last_decimal_but_one(amounts: list[int]) -> None:
    parents: list[Any] = [()] * len(amounts)
    parents.append(tuple(enumerate(amounts)))
    made = wine(parents, pure(*[str(node) for node in range(len(amounts))]))
    rows = {key[0]: Fraction(share) for key, share in made.rows(lambda leaf: (leaf.variety,))}
    assert sum(rows.values()) == 1
    for node, amount in enumerate(amounts):
        assert abs(rows[str(node)] - Fraction(amount, sum(amounts))) <= 10 * GRID


def test_shares_that_overlap_need_not_sum_to_one() -> None:
    made = wine([(), (), ((0, 1), (1, 3))], pure("a", "b"))

    def places(leaf: Leaf) -> list[tuple[Any, ...]]:
        return [("land",), ("north",)] if leaf.variety == "a" else [("land",)]

    rows = dict(made.overlapping(places))
    assert rows["land",] == "1." + "0" * DECIMALS
    assert abs(Fraction(rows["north",]) - Fraction(1, 4)) <= GRID


# --- what is known of a source ---


def test_mixed_plantings_part_the_fruit_of_a_block(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Ford", "lot": "F", "mass": "1 t"}
    {"kind": "pick", "at": "2024-10-01", "block": "Ford", "lot": "G", "mass": "1 t",
     "plantings": [{"variety": "Viognier", "clone": "642"}]}
    """
    assert vintage.shares("F", by=lambda leaf: leaf.variety) == {
        "Syrah": Fraction(1, 3),
        "Viognier": Fraction(2, 3),
    }
    assert vintage.shares("G", by=lambda leaf: (leaf.variety, leaf.clone)) == {
        ("Viognier", "642"): 1
    }


def test_shares_are_joint(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L",
     "composition": [{"share": "0.5", "variety": "Syrah", "within": ["Ash"], "vintage": 2022},
                     {"share": "0.5", "variety": "Merlot", "within": ["Birch"], "vintage": 2023}]}
    """
    assert vintage.shares("A", by=lambda leaf: (leaf.variety, leaf.vintage)) == {
        ("Syrah", 2022): Fraction(1, 2),
        ("Merlot", 2023): Fraction(1, 2),
    }
    composition = vintage.composition("A")

    def both(leaf: Leaf) -> int:
        return int(leaf.variety == "Syrah" and leaf.grown_in("Birch") is True)

    assert composition.sign(both) == 0


def test_what_a_receipt_leaves_out_is_unknown(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L",
     "composition": [{"share": "0.6", "variety": "Syrah"}, {"share": "0.3", "vintage": 2023},
                     {"share": "0.1"}]}
    """
    (alone,) = vintage.composition("A").leaves
    for field in ("variety", "vintage", "block", "grower", "estate", "certifications", "picked_on"):
        assert getattr(alone, field) is None
    assert alone.grown_in("Ash") is None
    assert alone.material is None
    assert vintage.shares("B", by=lambda leaf: (leaf.variety, leaf.vintage)) == {
        ("Syrah", None): Fraction(6, 10),
        (None, 2023): Fraction(3, 10),
        (None, None): Fraction(1, 10),
    }


def test_a_part_of_a_receipt_may_name_a_block_and_its_harvest(vintage: Vintage) -> None:
    """
    {"kind": "block", "at": "2020-01-01", "name": "Bench", "within": ["Ash"], "grower": "Shop",
     "certifications": ["organic"], "plantings": [{"variety": "Syrah", "share": "0.9"},
                                                  {"variety": "Viognier", "share": "0.1"}]}
    {"kind": "block", "at": "2023-01-01", "name": "Bench", "certifications": []}
    {"kind": "receive", "at": "2024-03-01", "lot": "A", "vessel": "T1", "volume": "100 L",
     "composition": [{"share": "0.5", "block": "Bench", "harvested": "2022-10-05"},
                     {"share": "0.5", "block": "Bench", "harvested": "2023-10-05",
                      "variety": "Syrah", "tags": ["late"]}]}
    """
    composition = vintage.composition("A")
    found = {
        (leaf.variety, leaf.vintage, leaf.certifications, leaf.tags): leaf
        for leaf in composition.leaves
    }
    assert set(found) == {
        ("Syrah", 2022, ("organic",), ()),
        ("Viognier", 2022, ("organic",), ()),
        ("Syrah", 2023, (), ("late",)),
    }
    for leaf in composition.leaves:
        assert (leaf.grower, leaf.block, leaf.grown_in("Ash")) == ("Shop", "Bench", True)
    assert vintage.shares("A", by=lambda leaf: leaf.variety) == {
        "Syrah": Fraction(95, 100),
        "Viognier": Fraction(5, 100),
    }


def test_the_vintage_is_that_of_the_day_of_picking_at_the_premises(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2025-01-01T05:00+00:00", "block": "Hill", "lot": "F", "mass": "1 t",
     "picking": "hand", "tags": ["ice"]}
    {"kind": "pick", "at": "2025-01-01T09:00+00:00", "block": "Hill", "lot": "G", "mass": "1 t"}
    """
    (old,), (new,) = vintage.composition("F").leaves, vintage.composition("G").leaves
    assert (old.vintage, old.picked_on) == (2024, date(2024, 12, 31))
    assert (new.vintage, new.picked_on) == (2025, date(2025, 1, 1))
    assert (old.picking, old.tags) == ("hand", ("ice",))


def test_what_is_added_has_a_material_and_its_role(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "99 L",
     "composition": [{"variety": "Syrah"}]}
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "acid water",
     "material": "water", "adds": "1 L", "role": "water"}
    """
    assert vintage.shares("A", by=lambda leaf: (leaf.variety, leaf.material, leaf.role)) == {
        ("Syrah", None, None): Fraction(99, 100),
        (None, "water", "water"): Fraction(1, 100),
    }


def test_a_corrected_source_is_known_as_corrected(vintage: Vintage) -> None:
    an_id = "018f3b5c-0000-7000-8000-000000000001"
    event = (
        f'{{"kind": "pick", "at": "2024-10-01", "id": "{an_id}", "block": "Hill", "lot": "F", '
        '"mass": "1 t"}'
    )
    vintage.load(event)
    assert vintage.shares("F", by=lambda leaf: leaf.variety) == {"Syrah": 1}
    replacement = event.replace(f'"id": "{an_id}", ', "").replace("Hill", "Mill")
    vintage.load(
        f'{{"kind": "correct", "at": "2024-12-01", "corrects": "{an_id}", "reason": "slip", '
        f'"replacement": {replacement}}}'
    )
    assert vintage.shares("F", by=lambda leaf: leaf.variety) == {"Grenache": 1}
    (leaf,) = vintage.composition("F").leaves
    assert leaf.event == an_id


def test_a_hundred_toppings_come_out_as_fractions_say(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2015-01-01", "lot": "A", "vessel": "B1", "volume": "225 L"}
    {"kind": "receive", "at": "2015-01-01", "lot": "K", "vessel": "T1", "volume": "900 L"}
    """
    months = [f"{2015 + n // 12}-{n % 12 + 1:02d}-15" for n in range(100)]
    vintage.load(
        "\n".join(
            f'{{"kind": "top", "at": "{day}", "from": {{"lot": "K", "volume": "3 L"}}, '
            '"to": {"lot": "A", "vessel": "B1", "volume": "3 L", "full": true}}'
            for day in months
        )
    )
    left = Fraction(222, 225) ** 100
    assert gcd(left.numerator, left.denominator) == 1
    composition = vintage.composition("A")
    assert composition.sign(lambda leaf: int(came_as(leaf) == "A") - left) == 0
    hair = Fraction(1, 10**90)
    assert composition.sign(lambda leaf: int(came_as(leaf) == "A") - left - hair) == -1
    assert composition.sign(lambda leaf: int(came_as(leaf) == "A") - left + hair) == 1


def test_the_bottles_of_fills_and_of_places_sum_to_those_of_the_lot(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "900 L"}
    {"kind": "bottle", "at": "2025-03-01T08:00", "from": {"lot": "W", "volume": "300 L"},
     "to": {"lot": "B", "vessel": "bin 1", "bottles": 400, "format": "750 mL"}}
    {"kind": "bottle", "at": "2025-03-02T08:00", "from": {"lot": "W", "volume": "375 L"},
     "to": {"lot": "B", "vessel": "bin 2", "bottles": 500, "format": "750 mL"}}
    {"kind": "ship", "at": "2025-04-01", "lot": "B", "vessels": ["bin 1", "bin 2"], "bottles": 7,
     "to": "Shop", "removal": "taxpaid"}
    {"kind": "pack", "at": "2025-04-02", "from": {"lot": "B", "all": true},
     "to": [{"lot": "B", "vessel": "bin 1", "bottles": 293},
            {"lot": "B", "vessel": "bin 2", "bottles": 600}]}
    {"kind": "ship", "at": "2025-04-03", "lot": "B", "vessels": ["bin 1", "bin 2"], "bottles": 5,
     "to": "Shop", "removal": "taxpaid"}
    """
    view = vintage.view()
    fills = composing.composition(view, "B", ["vintage"])["fills"]
    bottles = [Fraction(fill["bottles"]) for fill in fills]
    assert any(count.denominator > 1 for count in bottles), "shared draws part bottles"
    (row,) = stock.lots(view, bottled=True)
    assert sum(bottles) == sum(Fraction(one["bottles"]) for one in row["holdings"]) == 888
    assert sum(Fraction(fill.bottles) for fill in report.dossier(view, "B").wine.fills) == 888
