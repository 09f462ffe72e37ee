"""Where fruit is from: wholly within, partly within, and what nobody knows."""

from __future__ import annotations

import pytest

from ampelog import moments
from ampelog.places import Places
from ampelog.sources import Leaf
from tests.conftest import ZONE, Vintage


def places(vintage: Vintage, day: str = "2026-01-01") -> Places:
    return Places(vintage.view().cellar.registers, moments.instant(day, ZONE))


def grown(vintage: Vintage, lot: str, place: str) -> set[bool | None]:
    """Whether the sources of a lot were grown in a place, all answers there are."""
    leaves: tuple[Leaf, ...] = vintage.composition(lot).leaves
    return {leaf.grown_in(place) for leaf in leaves}


def test_within_is_inherited_upward_and_spans_is_not(vintage: Vintage) -> None:
    """
    {"kind": "place", "at": "2020-01-01", "name": "Long Hill", "type": "vineyard",
     "within": ["Two Fords", "Ash"]}
    {"kind": "block", "at": "2020-01-01", "name": "Top", "within": ["Long Hill"]}
    """
    found = places(vintage)
    assert found.up("Long Hill") == {"Long Hill", "Two Fords", "Ash", "North", "Land"}
    assert found.up("Two Fords") == {"Two Fords", "North", "Land"}
    assert list(found.spans("Two Fords")) == ["Ash", "Birch"]
    assert list(found.spans("Long Hill")) == []


def test_fruit_is_of_the_places_its_block_names_and_of_those_that_contain_them(
    vintage: Vintage,
) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "H", "mass": "1 t"}
    {"kind": "pick", "at": "2024-10-01", "block": "Ford", "lot": "F", "mass": "1 t"}
    """
    for place in ("Ash", "North", "Land"):
        assert grown(vintage, "H", place) == {True}
    for place in ("Birch", "Two Fords"):
        assert grown(vintage, "H", place) == {False}
    for place in ("Two Fords", "North", "Land"):
        assert grown(vintage, "F", place) == {True}
    # the area that the block names lies partly in each of two counties
    assert grown(vintage, "F", "Ash") == {None}
    assert grown(vintage, "F", "Birch") == {None}


def test_of_a_place_that_lies_inside_a_named_one_nobody_knows(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "10 L",
     "composition": [{"share": "1", "within": ["North"]}]}
    {"kind": "place", "at": "2024-01-01", "name": "South", "type": "state", "within": ["Land"]}
    {"kind": "place", "at": "2024-01-01", "name": "Elm", "type": "county", "within": ["South"]}
    """
    assert grown(vintage, "A", "North") == grown(vintage, "A", "Land") == {True}
    for inside in ("Ash", "Birch", "Two Fords"):
        assert grown(vintage, "A", inside) == {None}
    for elsewhere in ("South", "Elm"):
        assert grown(vintage, "A", elsewhere) == {False}


def test_where_nothing_is_said_nothing_is_known(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "10 L"}
    {"kind": "block", "at": "2024-01-01", "name": "Far", "plantings": [{"variety": "Syrah"}]}
    {"kind": "pick", "at": "2024-10-01", "block": "Far", "lot": "F", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "10 L",
     "composition": [{"share": "1", "variety": "Syrah"}]}
    """
    for lot in "AFB":
        assert grown(vintage, lot, "Ash") == grown(vintage, lot, "Land") == {None}


def test_a_block_that_crosses_a_line_is_partly_of_both_sides(vintage: Vintage) -> None:
    """
    {"kind": "block", "at": "2024-01-01", "name": "Long Row", "within": ["North"],
     "spans": ["Ash", "Birch"], "plantings": [{"variety": "Syrah"}]}
    {"kind": "place", "at": "2024-01-01", "name": "Elm", "type": "county", "within": ["North"]}
    {"kind": "pick", "at": "2024-10-01", "block": "Long Row", "lot": "F", "mass": "1 t"}
    {"kind": "block", "at": "2024-01-01", "name": "Cross", "spans": ["Ash", "Birch"]}
    {"kind": "pick", "at": "2024-10-01", "block": "Cross", "lot": "X", "mass": "1 t"}
    """
    assert grown(vintage, "F", "North") == {True}
    assert grown(vintage, "F", "Ash") == grown(vintage, "F", "Birch") == {None}
    assert grown(vintage, "X", "Ash") == {None}


def test_what_is_no_fruit_grew_nowhere(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "10 L"}
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "water", "material": "water",
     "adds": "1 L", "role": "water"}
    """
    assert grown(vintage, "A", "Ash") == {None, False}


def test_places_are_those_in_force_on_the_day_of_the_claim(vintage: Vintage) -> None:
    """
    {"kind": "place", "at": "2024-01-01", "name": "Ridge", "type": "ava", "within": ["Ash"]}
    {"kind": "block", "at": "2024-01-01", "name": "Top", "within": ["Ridge"]}
    {"kind": "pick", "at": "2024-10-01", "block": "Top", "lot": "F", "mass": "1 t"}
    {"kind": "place", "at": "2025-07-01", "name": "Ridge", "within": ["Birch"]}
    """
    assert grown(vintage, "F", "Birch") == {True}
    for leaf in vintage.composition("F", as_of="2025-06-30").leaves:
        assert (leaf.grown_in("Ash"), leaf.grown_in("Birch")) == (True, False)


def test_a_bottled_lot_claims_on_the_day_its_bottling_ended(vintage: Vintage) -> None:
    """
    {"kind": "place", "at": "2024-01-01", "name": "Ridge", "type": "ava", "within": ["Ash"]}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L",
     "composition": [{"share": "1", "within": ["Ridge"]}]}
    {"kind": "bottle", "at": "2025-06-29", "until": "2025-06-30T17:00",
     "from": {"lot": "A", "volume": "37.5 L"}, "lot": "S", "bottles": 50, "format": "750 mL"}
    {"kind": "bottle", "at": "2025-06-29", "until": "2025-07-02T17:00",
     "from": {"lot": "A", "volume": "37.5 L"}, "lot": "Z", "bottles": 50, "format": "750 mL"}
    {"kind": "place", "at": "2025-07-01", "name": "Ridge", "within": ["Birch"]}
    """
    assert grown(vintage, "S", "Ash") == {True}
    assert grown(vintage, "Z", "Ash") == {False}


def test_what_is_known_of_a_block_is_that_of_the_day_of_picking(vintage: Vintage) -> None:
    """
    {"kind": "block", "at": "2020-01-01", "name": "Bench", "within": ["Ash"], "estate": false,
     "grower": "Shop", "certifications": ["organic"], "tags": ["old"],
     "plantings": [{"variety": "Syrah"}]}
    {"kind": "pick", "at": "2024-06-30T23:59", "block": "Bench", "lot": "F", "mass": "1 t"}
    {"kind": "block", "at": "2024-07-01", "name": "Bench", "estate": true, "grower": null,
     "certifications": [], "tags": null, "plantings": [{"variety": "Grenache"}]}
    {"kind": "pick", "at": "2024-07-01", "block": "Bench", "lot": "G", "mass": "1 t"}
    """
    (old,), (new,) = vintage.composition("F").leaves, vintage.composition("G").leaves
    assert (old.estate, old.grower, old.variety) == (False, "Shop", "Syrah")
    assert (old.certifications, old.tags) == (("organic",), ("old",))
    assert (new.estate, new.grower, new.variety) == (True, None, "Grenache")
    assert (new.certifications, new.tags) == ((), ())


# --- what cannot be ---


def test_a_place_does_not_lie_within_itself(vintage: Vintage) -> None:
    found = vintage.refused("""
    {"kind": "place", "at": "2024-01-01", "name": "X", "within": ["Y"]}
    {"kind": "place", "at": "2024-01-01", "name": "Y", "within": ["Z"]}
    {"kind": "place", "at": "2024-01-01", "name": "Z", "within": ["X"]}
    """)
    assert {one.rule for one in found} == {"places"}
    assert (
        vintage.refusal('{"kind": "place", "at": "2024-01-01", "name": "X", "within": ["X"]}').rule
        == "places"
    )


def test_a_circle_that_a_later_registration_closes_is_refused(vintage: Vintage) -> None:
    found = vintage.refused("""
    {"kind": "place", "at": "2025-01-01", "name": "Land", "within": ["Ash"]}
    """)
    assert {one.rule for one in found} == {"places"}


@pytest.mark.parametrize("kind", ["county", "state", "country", "vineyard"])
@pytest.mark.parametrize(
    "event",
    [
        '{"kind": "place", "at": "2024-01-01", "name": "Z", "within": ["X", "Y"]}',
        '{"kind": "block", "at": "2024-01-01", "name": "Z", "within": ["X", "Y"]}',
        '{"kind": "premises", "at": "2024-01-01", "name": "Home", "within": ["X", "Y"]}',
        '{"kind": "receive", "at": "2024-01-01", "lot": "A", "volume": "1 L", '
        '"composition": [{"share": "1", "within": ["X", "Y"]}]}',
    ],
)
def test_at_most_one_of_four_types_is_reached(vintage: Vintage, kind: str, event: str) -> None:
    vintage.load(f"""
    {{"kind": "place", "at": "2024-01-01", "name": "X", "type": "{kind}"}}
    {{"kind": "place", "at": "2024-01-01", "name": "Y", "type": "{kind}"}}
    """)
    found = vintage.refusal(event)
    assert found.rule == "places"
    assert kind in found.says
    assert "`X`" in found.says
    assert "`Y`" in found.says


def test_a_place_of_a_type_within_another_of_it_is_two(vintage: Vintage) -> None:
    assert vintage.refused("""
    {"kind": "place", "at": "2024-01-01", "name": "Part of Ash", "type": "county",
     "within": ["Ash"]}
    """)


def test_areas_and_regions_may_be_reached_more_than_once(vintage: Vintage) -> None:
    """
    {"kind": "place", "at": "2024-01-01", "name": "Wide", "type": "ava"}
    {"kind": "place", "at": "2024-01-01", "name": "Narrow", "type": "ava", "within": ["Wide"]}
    {"kind": "block", "at": "2024-01-01", "name": "Z", "within": ["Narrow", "Two Fords"]}
    """
    assert places(vintage).around(["Narrow", "Two Fords"]) >= {"Wide", "North"}


def test_a_later_change_that_reaches_two_is_refused(vintage: Vintage) -> None:
    """
    {"kind": "place", "at": "2024-01-01", "name": "Ridge", "type": "ava"}
    {"kind": "block", "at": "2024-01-01", "name": "Z", "within": ["Ridge", "Ash"]}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1 L",
     "composition": [{"share": "1", "within": ["Ridge", "Ash"]}]}
    """
    found = vintage.refused("""
    {"kind": "place", "at": "2025-01-01", "name": "Ridge", "within": ["Birch"]}
    """)
    assert {one.rule for one in found} == {"places"}
