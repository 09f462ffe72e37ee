"""Events as people type them become events as EVENTS.md writes them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import shorthand
from ampelog.errors import Refused

# --- endpoints --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "endpoint"),
    [
        ("24-SY@T1 100 gal", {"lot": "24-SY", "vessel": "T1", "volume": "100 gal"}),
        ("24-SY@T1 0.5 L", {"lot": "24-SY", "vessel": "T1", "volume": "0.5 L"}),
        ("24-SY@T1 12 hL", {"lot": "24-SY", "vessel": "T1", "volume": "12 hL"}),
        ("24-SY@T1 750 mL", {"lot": "24-SY", "vessel": "T1", "volume": "750 mL"}),
        ("F1@BIN-7 410 lb", {"lot": "F1", "vessel": "BIN-7", "mass": "410 lb"}),
        ("F1@BIN-7 1.5 t", {"lot": "F1", "vessel": "BIN-7", "mass": "1.5 t"}),
        ("F1 1 ton", {"lot": "F1", "mass": "1 ton"}),
        ("F1 800 kg", {"lot": "F1", "mass": "800 kg"}),
        ("F1 800 g", {"lot": "F1", "mass": "800 g"}),
        ("24-SY all", {"lot": "24-SY", "all": True}),
        ("24-SY@T1 all", {"lot": "24-SY", "vessel": "T1", "all": True}),
        ("24-SY@B-1..B-3 all", {"lot": "24-SY", "vessels": ["B-1", "B-2", "B-3"], "all": True}),
        ("24-SY@B-1 each 1 L", {"lot": "24-SY", "vessel": "B-1", "volume": "1 L"}),
        ("24-SY@B-1 each 3 lb", {"lot": "24-SY", "vessel": "B-1", "mass": "3 lb"}),
        ("24-SY@B-1,B-7 each 1 L", {"lot": "24-SY", "vessels": ["B-1", "B-7"], "each": "1 L"}),
        ("24-SY@B-1..B-2 60 gal", {"lot": "24-SY", "vessels": ["B-1", "B-2"], "volume": "60 gal"}),
        ("24-SY@B-1 3 L full", {"lot": "24-SY", "vessel": "B-1", "volume": "3 L", "full": True}),
        ("BSY22 12 bottles", {"lot": "BSY22", "bottles": 12}),
        ("BSY22@Cage 4 1 bottle", {"lot": "BSY22", "vessel": "Cage 4", "bottles": 1}),
        ("Bench Syrah@Tank 3 100 gal", {"lot": "Bench Syrah", "vessel": "Tank 3", "volume": "100 gal"}),
        ("  24-SY@T1 1 L  ", {"lot": "24-SY", "vessel": "T1", "volume": "1 L"}),
        ("Mourvèdre@Œuf 1 L", {"lot": "Mourvèdre", "vessel": "Œuf", "volume": "1 L"}),
    ],
)  # fmt: skip
def test_an_endpoint_is_a_lot_a_vessel_and_a_quantity(text: str, endpoint: dict[str, Any]) -> None:
    assert shorthand.endpoint(text) == endpoint


@pytest.mark.parametrize(
    "text",
    ["", "24-SY", "24-SY@T1", "@T1 1 L", "24-SY@T1 1", "24-SY@T1 1 gl", "24-SY@T1 1L", "A -1 L",
     "24-SY@T1 all of it", "24-SY@T1 each", "24-SY@T1 1 l", "24-SY@T1 twelve bottles"],
)  # fmt: skip
def test_an_endpoint_without_a_known_quantity_is_refused(text: str) -> None:
    with pytest.raises(Refused) as caught:
        shorthand.endpoint(text)
    assert f"`{text}`" in caught.value.says
    assert "100 gal" in caught.value.hint, "it shows how"


def test_a_holding_of_a_renaming_has_no_quantity() -> None:
    event = shorthand.event("lot", ["name=24-LONG", "of=24-SY@P-17", "of=24-SY@P-23,P-24"])
    assert event["of"] == [
        {"lot": "24-SY", "vessel": "P-17"},
        {"lot": "24-SY", "vessels": ["P-23", "P-24"]},
    ]


# --- vessels ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("T7", ["T7"]),
        ("B-101..B-103", ["B-101", "B-102", "B-103"]),
        ("B-101..103", ["B-101", "B-102", "B-103"]),
        ("B-8..B-11", ["B-8", "B-9", "B-10", "B-11"]),
        ("B-008..B-011", ["B-008", "B-009", "B-010", "B-011"]),
        ("B-1..B-2, T7 ,C-3..C-4", ["B-1", "B-2", "T7", "C-3", "C-4"]),
        ("B-5..B-5", ["B-5"]),
        ("A..B", ["A..B"]),
        ("2024-1..2024-2", ["2024-1", "2024-2"]),
    ],
)
def test_ranges_of_vessels_are_written_out(text: str, names: list[str]) -> None:
    assert shorthand.vessels(text) == names


@pytest.mark.parametrize("text", ["B-5..B-2", "B-1..C-3", "B-1..B-9999", "B-0..B-2000"])
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(Refused, match=r"no range|more than 2000"):
        shorthand.vessels(text)


@given(first=st.integers(0, 9999), count=st.integers(1, 60), width=st.integers(1, 5))
def test_a_range_names_each_vessel_once_and_in_order(first: int, count: int, width: int) -> None:
    names = [f"B{number:0{width}d}" for number in range(first, first + count)]
    assert shorthand.vessels(f"{names[0]}..{names[-1]}") == names


# --- values -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "pair", "value"),
    [
        ("note", "text=plain words", "plain words"),
        ("note", "text=", ""),
        ("note", "text=a=b", "a=b"),
        ("note", "text=2024", "2024"),
        ("note", "text=null", "null"),
        ("note", "lot=24", "24"),
        ("note", "estimated=true", True),
        ("note", "estimated=false", False),
        ("note", "text=True", "True"),
        ("note", 'papers=[{"title": "tag"}]', [{"title": "tag"}]),
        ("pick", "vintage=2024", 2024),
        ("pick", "brix=24", "24"),
        ("pick", "brix=24.5", "24.5"),
        ("pick", "tags=old vines,hill", ["old vines", "hill"]),
        ("pick", 'plantings=[{"variety": "Syrah"}]', [{"variety": "Syrah"}]),
        ("ship", "bottles=12", 12),
        ("ship", "to=Shop", "Shop"),
        ("ship", "to=24", "24"),
        ("ship", "from=C24 12 bottles", {"lot": "C24", "bottles": 12}),
        ("gauge", "bottles=0", 0),
        ("gauge", "volume=60 gal", "60 gal"),
        ("loss", "vessels=B-1..B-2", ["B-1", "B-2"]),
        ("place", "within=Washington,Cold Creek", ["Washington", "Cold Creek"]),
        ("place", "within=Washington", ["Washington"]),
        ("material", "is=egg", ["egg"]),
        ("lot", "owner=null", None),
        ("vessel", "retired=2024-10-03", "2024-10-03"),
        ("vessel", "retired=true", True),
        ("label", "rest=180 days", "180 days"),
        ("label", "market=us,us-or", ["us", "us-or"]),
        ("block", "tags=2024", ["2024"]),
        ("receive", "vessel=T1", "T1"),
        ("correct", "replacement=null", None),
        ("bottle", "bottles=-5", -5),
        ("bottle", "bottles=007", "007"),
    ],
)
def test_a_value_is_read_as_its_field_is_meant(kind: str, pair: str, value: Any) -> None:
    key = pair.partition("=")[0]
    assert shorthand.event(kind, [pair]) == {"kind": kind, key: value}


def test_a_dot_reaches_into_a_record() -> None:
    event = shorthand.event(
        "analysis", ["lot=A", "values.ph=3.6", "values.ta=6", "other.guaiacol=4.1 ug/L"]
    )
    assert event["values"] == {"ph": "3.6", "ta": "6"}
    assert event["other"] == {"guaiacol": "4.1 ug/L"}
    fermenting = shorthand.event("ferment", ["regime.pump_over.on_hours=2", "lot=A"])
    assert fermenting["regime"] == {"pump_over": {"on_hours": 2}}
    label = shorthand.event(
        "label",
        ["name=L", "statements.shares.Syrah=60", "statements.appellation=Nes, North",
         "statements.variety=Syrah,Merlot", "statements.vintage=2024"],
    )  # fmt: skip
    assert label["statements"] == {
        "shares": {"Syrah": "60"},
        "appellation": "Nes, North",
        "variety": ["Syrah", "Merlot"],
        "vintage": 2024,
    }
    assert shorthand.event("label", ["statements.appellation=24"])["statements"] == {
        "appellation": "24"
    }


@pytest.mark.parametrize(
    ("kind", "pair", "hint"),
    [
        ("rack", "to.vessel=B-7..B-9", "name them in `to.vessels`"),
        ("treat", "vessel=B-7..9", "name them in `vessels`"),
        ("pick", "vessel=7..9", "name one, and record an event for each"),
        ("vessel", "name=B-7..B-9", "name one, and record an event for each"),
    ],
)
def test_a_range_is_no_name_of_one_vessel(kind: str, pair: str, hint: str) -> None:
    with pytest.raises(Refused, match=r"is one vessel, and `.+` is a range") as caught:
        shorthand.event(kind, [pair])
    assert caught.value.hint == hint


def test_an_endpoint_given_again_is_one_more() -> None:
    event = shorthand.event("blend", ["from=A all", "from=B all", "from=C all", "to=D 9 L"])
    assert [end["lot"] for end in event["from"]] == ["A", "B", "C"]
    assert event["to"] == {"lot": "D", "volume": "9 L"}


@pytest.mark.parametrize(
    ("kind", "pairs", "says"),
    [
        ("racking", [], "there is no kind `racking`"),
        ("note", ["lot"], "`lot` is no key=value"),
        ("note", ["=x"], "`=x` is no key=value"),
        ("note", ["lot=A", "lot=B"], "`lot` is given twice"),
        ("note", ["kind=loss"], "`kind` is given twice"),
        ("note", ["lot.x=1", "lot=A"], "`lot` is given twice"),
        ("note", ["lot=A", "lot.x=1"], "already given as a whole"),
        ("note", ["papers=[1"], "`papers`: no JSON"),
        ("note", ["papers=[1.5]"], "bare number 1.5"),
        ("note", ["papers=[NaN]"], "NaN is no number"),
        ("note", ['papers=[{"title":"a","title":"b"}]'], "stands twice"),
        ("note", ["papers=" + "[" * 90_000], "nested"),
        ("bottle", ["bottles=" + "9" * 5000], "too large"),
        ("bottle", ["bottles=9007199254740993"], "too large"),
    ],
)
def test_what_cannot_be_read_is_refused(kind: str, pairs: list[str], says: str) -> None:
    with pytest.raises(Refused) as caught:
        shorthand.event(kind, pairs)
    assert says in caught.value.says


@given(st.lists(st.text(min_size=1, max_size=12), max_size=4), st.sampled_from(["rack", "note"]))
def test_whatever_is_typed_is_read_or_refused(pairs: list[str], kind: str) -> None:
    try:
        event = shorthand.event(kind, pairs)
    except Refused as refused:
        assert refused.says  # noqa: PT017  either way is right
    else:
        assert event["kind"] == kind
