"""Recalls: all that was touched and nothing else; shipments as they left; the way there; one step
back and on; the sheet and its list; a drill that is noted once.
"""

from __future__ import annotations

import csv
import io
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog.errors import Refused
from ampelog.quantities import ONE
from ampelog.questions import View
from ampelog.recall_origins import Origin
from ampelog.recalling import recall
from tests.cellars import Maker, lawful
from tests.conftest import Vintage, replayed
from tests.program import Run
from tests.touched import Marks, Touched

pytest_plugins = ("tests.running",)

NEAR = Fraction(1, 10**29)


def asked(view: View, kind: str, *names: str, **time: str) -> dict[str, Any]:
    return recall(view, Origin(kind, names, time.get("since"), time.get("until")))


def shipped(answer: dict[str, Any], name: str) -> list[dict[str, Any]]:
    (row,) = [one for one in answer["lots"] if one["lot"] == name]
    return list(row["shipped"])


def lots(answer: dict[str, Any]) -> dict[str, str]:
    return {row["lot"]: row["bottles"] for row in answer["lots"]}


def ways(answer: dict[str, Any]) -> dict[str, list[str]]:
    rows = (*answer["lots"], *answer["bulk"])
    return {row["lot"]: [one["kind"] for one in row["path"]] for row in rows}


# --- against reachability (networkx), on ledgers that hypothesis makes ---


def agrees(made: Maker, origin: Origin, marks: Marks, *, apart: bool = False) -> None:
    """The product's answer is the oracle's. ``apart``: the oracle does not tell packed bottles from
    the others of their fill once they lie together; the product does, and may count fewer."""
    answer = recall(replayed(made.events), origin)
    wanted = Touched(made.oracle, marks).run(made.events).answer()
    assert {row["lot"] for row in answer["lots"]} == wanted["lots"]
    rows = [(row, one) for row in (*answer["lots"], *answer["bulk"]) for one in row["shipped"]]
    assert {one["event"]: "bottles" in one for _, one in rows} == wanted["shipped"]
    stock = {row["lot"]: Fraction(row["in_stock"]) for row in answer["lots"]}
    for row in answer["lots"]:
        held = sum(wanted["in_stock"].get(row["lot"], {}).values())
        bottles = Fraction(held) / (Fraction(row["format_l"]) * ONE)
        assert bottles - stock[row["lot"]] >= 0
        assert apart or bottles - stock[row["lot"]] <= Fraction(1, 10**6)
        assert bool(stock[row["lot"]]) == bool(held)
        assert Fraction(row["share"]) > 0 or not held
    here = {
        row["lot"]: {one["vessel"] for one in row["where"]}
        for row in answer["bulk"]
        if row["where"]
    }
    assert here == {name: set(each) for name, each in wanted["bulk"].items()}


def grown(made: Maker, block: str) -> set[tuple[str, int]]:
    """The sources, and parts of them, that came from a block: event and part."""
    found = set()
    for event in made.events:
        if event["kind"] == "pick" and event["block"] == block:
            found |= {(event["id"], part) for part in range(5)}
        parts = event.get("composition") or ()
        found |= {(event["id"], n) for n, part in enumerate(parts) if part.get("block") == block}
    return found


@settings(max_examples=80)
@given(made=lawful())
def test_a_block_touches_what_is_reached_from_its_pickings(made: Maker) -> None:
    for block in ("Hill", "Mill"):
        events = frozenset(event for event, _ in grown(made, block))
        agrees(made, Origin("block", (block,)), Marks(events))


@settings(max_examples=80)
@given(made=lawful(), data=st.data())
def test_a_lot_touches_what_is_reached_from_all_that_was_ever_in_it(
    made: Maker, data: st.DataObject
) -> None:
    name = data.draw(st.sampled_from(sorted(made.oracle.lots)))
    packed = any(event["kind"] == "pack" for event in made.events)
    agrees(made, Origin("lot", (name,)), Marks(lot=name), apart=packed)


@settings(max_examples=80)
@given(made=lawful(), data=st.data())
def test_a_vessel_touches_what_lay_in_it_in_its_time(made: Maker, data: st.DataObject) -> None:
    places = {vessel for lot in made.oracle.lots.values() for vessel in (*lot.holdings, *lot.last)}
    vessel = data.draw(st.sampled_from(sorted(one for one in places if one is not None)))
    times = sorted(event["at"] for event in made.events)
    since, until = sorted(data.draw(st.tuples(*[st.sampled_from(times)] * 2)))
    agrees(made, Origin("vessel", (vessel,)), Marks(vessel=vessel))
    agrees(
        made,
        Origin("vessel", (vessel,), since, until),
        Marks(vessel=vessel, since=since, until=until),
    )


@settings(max_examples=80)
@given(made=lawful(), data=st.data())
def test_a_lot_in_a_time_touches_what_lay_in_it_then(made: Maker, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(made.oracle.lots)))
    times = sorted(event["at"] for event in made.events)
    since, until = sorted(data.draw(st.tuples(*[st.sampled_from(times)] * 2)))
    agrees(made, Origin("lot", (name,), since, until), Marks(lot=name, since=since, until=until))


@settings(max_examples=120)
@given(made=lawful(), data=st.data())
def test_a_material_touches_what_took_it_in_and_what_came_of_that(
    made: Maker, data: st.DataObject
) -> None:
    uses = [one for one in made.events if one["kind"] in ("treat", "ferment", "bottle", "pack")]
    if not uses:
        return
    for event in data.draw(st.lists(st.sampled_from(uses), min_size=1, unique_by=id)):
        event["materials"] = [{"material": "stuff", "lot": "M-1", "amount": "5 g"}]
    agrees(made, Origin("material_lot", ("M-1",)), Marks(material="M-1"), apart=True)


@settings(max_examples=40)
@given(made=lawful())
def test_the_share_is_that_of_the_composition(made: Maker) -> None:
    answer = recall(replayed(made.events), Origin("block", ("Hill",)))
    counts = grown(made, "Hill")
    for row in (*answer["lots"], *answer["bulk"]):
        lot = made.oracle.lots[row["lot"]]
        here = Fraction(row["in_stock"]) if "bottles" in row else bool(row["where"])
        if here:  # else it is told of what was shipped, or once was there
            assert lot.holdings
            shares = made.oracle.shares(row["lot"])
            exact = sum(share for (event, n, _), share in shares.items() if (event, n) in counts)
            assert abs(Fraction(row["share"]) - exact) <= NEAR


# --- cases, each a small vintage ---


def test_a_bottle_tells_of_its_block_its_shipments_and_the_way(vintage: Vintage) -> None:
    """The wine of one block is bottled, half of it shipped; another block's is not touched.

    {"kind": "pick", "at": "2024-09-01", "lot": "G", "block": "Hill", "mass": "1000 kg"}
    {"kind": "pick", "at": "2024-09-01", "lot": "H", "block": "Mill", "mass": "1000 kg"}
    {"kind": "crush", "at": "2024-09-02", "from": {"lot": "G", "all": true},
     "to": {"lot": "M", "vessel": "T1", "volume": "700 L"}}
    {"kind": "crush", "at": "2024-09-02", "from": {"lot": "H", "all": true},
     "to": {"lot": "N", "vessel": "T2", "volume": "700 L"}}
    {"kind": "gauge", "at": "2024-10-01", "lot": "M", "volume": "600 L", "reason": "produced"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "M", "volume": "100 L"},
     "to": {"lot": "X", "vessel": "T3", "volume": "100 L"}}
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "M", "volume": "300 L"},
     "to": {"lot": "W", "vessel": "T4", "volume": "300 L"}}
    {"kind": "bottle", "at": "2025-05-01", "from": {"lot": "W", "all": true},
     "to": {"lot": "B", "bottles": 400, "format": "750 mL", "code": "L1"}}
    {"kind": "ship", "at": "2025-06-01T23:00", "from": {"lot": "B", "bottles": 150}, "to": "Shop",
     "document": "I-1", "removal": "taxpaid", "carrier": "Wagon"}
    {"kind": "return", "at": "2025-06-20", "lot": "B", "bottles": 12, "from_party": "Shop",
     "document": "I-1"}
    """
    vintage.load(
        '{"kind": "party", "at": "2025-01-01", "name": "Shop", "address": "1 Mill Row", '
        '"phone": "555-0100"}'
    )
    answer = asked(vintage.view(), "block", "Hill")
    assert answer["found"] == {
        "lots": 1,
        "bottles": "400",
        "in_stock": "262",
        "shipped": "150",
        "returned": "12",
        "bulk": 2,
        "parties": 1,
    }
    (one,) = shipped(answer, "B")
    assert (one["to"], one["bottles"], one["document"]) == ("Shop", "150", "I-1")
    assert (one["on"], one["returned"], one["carrier"]) == ("2025-06-01", "12", "Wagon")
    (party,) = answer["parties"]
    assert (party["address"], party["phone"]) == ("1 Mill Row", "555-0100")
    assert answer["lots"][0]["share"] == "1." + "0" * 30
    assert {row["lot"]: row["volume_l"] for row in answer["bulk"]} == {"M": "200", "X": "100"}
    way = answer["lots"][0]["path"]
    assert [(one["kind"], one["at"]) for one in way] == [
        ("pick", "2024-09-01"),
        ("crush", "2024-09-02"),
        ("rack", "2024-10-03"),
        ("bottle", "2025-05-01"),
    ], "the second racking, though the first had closed the tank"
    assert asked(vintage.view(), "block", "Ford")["lots"] == []
    assert asked(vintage.view(as_of="2025-05-31"), "block", "Hill")["found"]["shipped"] == "0"
    known = vintage.view(known_on="2")
    with pytest.raises(Refused, match="there is no lot"):
        asked(known, "lot", "B")


def test_what_left_before_the_touch_is_not_called_back(vintage: Vintage) -> None:
    """Wine and bottles left before the touched wine came in; of two fills one is touched.

    {"kind": "receive", "at": "2024-09-01", "lot": "A", "vessel": "T1", "volume": "900 L"}
    {"kind": "receive", "at": "2024-09-01", "lot": "Z", "vessel": "T2", "volume": "150 L"}
    {"kind": "ship", "at": "2024-09-05", "from": {"lot": "A", "volume": "100 L"}, "to": "Shop",
     "document": "BOL-1", "removal": "in bond"}
    {"kind": "bottle", "at": "2024-09-10", "from": {"lot": "A", "volume": "300 L"},
     "to": {"lot": "B", "bottles": 400, "format": "750 mL"}}
    {"kind": "ship", "at": "2024-09-12", "from": {"lot": "B", "bottles": 100}, "to": "Shop",
     "document": "I-1", "removal": "taxpaid"}
    {"kind": "blend", "at": "2024-09-20", "from": {"lot": "Z", "volume": "100 L"},
     "to": {"lot": "A", "vessel": "T1", "volume": "100 L"}}
    {"kind": "ship", "at": "2024-09-25", "from": {"lot": "A", "volume": "100 L"}, "to": "Guest",
     "document": "BOL-2", "removal": "in bond"}
    {"kind": "bottle", "at": "2024-09-30", "from": {"lot": "A", "volume": "225 L"},
     "to": {"lot": "B", "bottles": 300, "format": "750 mL"}}
    {"kind": "ship", "at": "2024-10-12", "from": {"lot": "B", "bottles": 60}, "to": "Guest",
     "document": "I-2", "removal": "taxpaid"}
    """
    answer = asked(vintage.view(), "lot", "Z")
    (one,) = shipped(answer, "B")
    assert (one["document"], one["bottles"], one["touched"]) == ("I-2", "60", "30")
    (row,) = answer["lots"]
    assert (row["bottles"], row["in_stock"], row["mixed"]) == ("300", "270", True)
    twelfth = "0.08" + "3" * 28
    assert row["share"] == twelfth, "a sixth of one of two like fills"
    bulk = {each["lot"]: [one["document"] for one in each["shipped"]] for each in answer["bulk"]}
    assert bulk == {"A": ["BOL-2"], "Z": []}
    whole = asked(vintage.view(), "lot", "A")
    assert [one["document"] for one in shipped(whole, "B")] == ["I-1", "I-2"]
    bottled = asked(vintage.view(), "dates", since="2024-09-02", until="2024-09-15")
    assert [one["document"] for one in shipped(bottled, "B")] == ["I-1", "I-2"]
    assert lots(bottled) == {"B": "400"}


def test_a_share_below_the_last_decimal_is_still_told(vintage: Vintage) -> None:
    """A millionth of a millionth of a litre in a hundred thousand, three times over.

    {"kind": "receive", "at": "2024-09-01", "lot": "Z", "vessel": "T0", "volume": "1 L"}
    {"kind": "receive", "at": "2024-09-01", "lot": "A", "vessel": "T1", "volume": "100000 L"}
    {"kind": "receive", "at": "2024-09-01", "lot": "C", "vessel": "T2", "volume": "100000 L"}
    {"kind": "receive", "at": "2024-09-01", "lot": "D", "vessel": "T3", "volume": "100000 L"}
    {"kind": "blend", "at": "2024-09-02", "from": {"lot": "Z", "volume": "0.000000000001 L"},
     "to": {"lot": "A", "vessel": "T1", "volume": "0.000000000001 L"}}
    {"kind": "blend", "at": "2024-09-03", "from": {"lot": "A", "volume": "0.000000000001 L"},
     "to": {"lot": "C", "vessel": "T2", "volume": "0.000000000001 L"}}
    {"kind": "blend", "at": "2024-09-04", "from": {"lot": "C", "volume": "0.000000000001 L"},
     "to": {"lot": "D", "vessel": "T3", "volume": "0.000000000001 L"}}
    {"kind": "bottle", "at": "2024-09-10", "from": {"lot": "D", "volume": "75 L"},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"}}
    """
    (row,) = asked(vintage.view(), "lot", "Z")["lots"]
    assert row["share"] == "0." + "0" * 29 + "1"
    assert ways(asked(vintage.view(), "lot", "Z"))["B"] == ["blend", "blend", "blend", "bottle"]


def test_a_heel_passes_on_and_an_empty_vessel_does_not(vintage: Vintage) -> None:
    """The tank is left with a heel once, and emptied once.

    {"kind": "receive", "at": "2024-09-01", "lot": "Z", "vessel": "T1", "volume": "100 L"}
    {"kind": "rack", "at": "2024-09-02", "from": {"lot": "Z", "volume": "99.999 L"},
     "to": {"lot": "Y", "vessel": "T2", "volume": "99.999 L"}}
    {"kind": "receive", "at": "2024-09-03", "lot": "A", "vessel": "T3", "volume": "100 L"}
    {"kind": "rack", "at": "2024-09-04", "from": [{"lot": "A", "all": true},
     {"lot": "Z", "all": true}], "to": {"lot": "A2", "vessel": "T1", "volume": "100.001 L"}}
    {"kind": "rack", "at": "2024-09-05", "from": {"lot": "A2", "all": true},
     "to": {"lot": "A3", "vessel": "T4", "volume": "100.001 L"}}
    {"kind": "receive", "at": "2024-09-06", "lot": "C", "vessel": "T1", "volume": "75 L"}
    {"kind": "bottle", "at": "2024-09-10", "from": {"lot": "A3", "volume": "75 L"},
     "to": {"lot": "BA", "bottles": 100, "format": "750 mL"}}
    {"kind": "bottle", "at": "2024-09-11", "from": {"lot": "C", "all": true},
     "to": {"lot": "BC", "bottles": 100, "format": "750 mL"}}
    """
    view = vintage.view()
    assert lots(asked(view, "lot", "Z")) == {"BA": "100"}
    assert set(lots(asked(view, "vessel", "T1"))) == {"BA", "BC"}
    assert set(lots(asked(view, "vessel", "T1", until="2024-09-05"))) == {"BA"}
    assert set(lots(asked(view, "vessel", "T1", since="2024-09-06"))) == {"BC"}
    assert lots(asked(view, "vessel", "T2")) == {}
    with pytest.raises(Refused, match="no vessel `T9`"):
        asked(view, "vessel", "T9")


def test_materials_touch_what_took_them_in(vintage: Vintage) -> None:
    """An addition, bacteria, glass of one bottling of two, labels on some bottles of a fill.

    {"kind": "receive", "at": "2024-08-01", "material": "glass", "material_lot": "G2",
     "amount": "900 pieces", "supplier": "Shop", "document": "D-9"}
    {"kind": "receive", "at": "2024-09-01", "lot": "A", "vessel": "T1", "volume": "300 L"}
    {"kind": "receive", "at": "2024-09-01", "lot": "C", "vessel": "T2", "volume": "300 L"}
    {"kind": "bottle", "at": "2024-09-02", "from": {"lot": "A", "volume": "75 L"},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"},
     "materials": [{"material": "glass", "lot": "G1", "amount": "100 pieces"}]}
    {"kind": "treat", "at": "2024-09-03", "lot": "A", "treatment": "fining", "material": "egg",
     "material_lot": "E1", "amount": "5 g"}
    {"kind": "ferment", "at": "2024-09-03", "lot": "C", "culture": "malolactic", "stage": "start",
     "materials": [{"material": "bacteria", "lot": "ML1", "amount": "2 g"}]}
    {"kind": "bottle", "at": "2024-09-04", "from": {"lot": "A", "volume": "75 L"},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"},
     "materials": [{"material": "glass", "lot": "G2", "amount": "100 pieces"}]}
    {"kind": "bottle", "at": "2024-09-05", "from": {"lot": "C", "volume": "75 L"},
     "to": {"lot": "D", "bottles": 100, "format": "750 mL"}}
    {"kind": "pack", "at": "2024-09-06", "from": {"lot": "D", "bottles": 40},
     "to": {"lot": "E", "bottles": 40},
     "materials": [{"material": "label", "lot": "LB1", "amount": "40 pieces"}]}
    {"kind": "pack", "at": "2024-09-06T10:00", "from": {"lot": "D", "bottles": 10},
     "to": {"lot": "D", "bottles": 10},
     "materials": [{"material": "label", "lot": "LB2", "amount": "10 pieces"}]}
    """
    view = vintage.view()

    def found(name: str) -> dict[str, str]:
        return lots(asked(view, "material_lot", name))

    assert found("G1") == {"B": "100"}
    assert found("G2") == {"B": "100"}
    assert found("E1") == {"B": "100"}, "the bottles filled before the fining are not touched"
    assert found("ML1") == {"D": "100", "E": "40"}
    assert found("LB1") == {"E": "40"}, "not what stays of the same fill"
    (row,) = asked(view, "material_lot", "LB2")["lots"]
    assert (row["lot"], row["bottles"], row["in_stock"]) == ("D", "10", "10")
    assert Fraction(row["share"]) == Fraction(1, 6) - Fraction(1, 6) % Fraction(1, 10**30)
    assert lots(recall(view, Origin("material_lot", ("G1", "G2")))) == {"B": "200"}
    assert asked(view, "material_lot", "ML1")["origin"]["materials"] == ["bacteria"]
    with pytest.raises(Refused, match="no lot of material `ML2`") as caught:
        asked(view, "material_lot", "ML2")
    assert caught.value.hint == "did you mean `ML1`?"


def test_growers_pickings_and_corrections(vintage: Vintage) -> None:
    """A picking is first written down of the wrong block; a block changes hands.

    {"kind": "party", "at": "2000-01-01", "name": "Nell"}
    {"kind": "party", "at": "2000-01-01", "name": "Orla"}
    {"kind": "block", "at": "2000-01-01", "name": "Hill", "grower": "Nell"}
    {"kind": "block", "at": "2024-06-01", "name": "Hill", "grower": "Orla"}
    {"kind": "pick", "at": "2023-09-01", "lot": "A", "block": "Hill", "mass": "100 kg",
     "id": "01890000-0000-7000-8000-00000000000a"}
    {"kind": "pick", "at": "2024-09-01", "lot": "C", "block": "Mill", "mass": "100 kg",
     "id": "01890000-0000-7000-8000-00000000000c"}
    {"kind": "receive", "at": "2024-09-02", "lot": "R", "vessel": "T9", "volume": "10 L",
     "state": "must", "supplier": "Nell"}
    """
    before = vintage.ledger.head.position
    vintage.load(
        '{"kind": "correct", "at": "2024-09-05", "corrects": "01890000-0000-7000-8000-00000000000c",'
        ' "reason": "wrong block", "replacement": {"kind": "pick", "at": "2024-09-01", "lot": "C", '
        '"block": "Hill", "mass": "100 kg"}}'
    )
    view, then = vintage.view(), vintage.view(known_on=str(before))

    def bulk(at: View, kind: str, *names: str) -> set[str]:
        return {row["lot"] for row in asked(at, kind, *names)["bulk"]}

    assert bulk(view, "grower", "Nell") == {"A", "R"}
    assert bulk(view, "grower", "Orla") == {"C"}
    assert bulk(view, "block", "Hill") == {"A", "C"}
    assert bulk(view, "block", "Mill") == set()
    assert bulk(then, "block", "Mill") == {"C"}
    assert bulk(then, "grower", "Orla") == set()
    for name in ("01890000-0000-7000-8000-00000000000c", "C@2024-09-01"):
        assert bulk(view, "pick", name) == {"C"}
    with pytest.raises(Refused, match="no picking or receipt"):
        asked(view, "pick", "C@2024-09-02")
    with pytest.raises(Refused, match="no block `Hil`"):
        asked(view, "block", "Hil")
    with pytest.raises(Refused, match="before --since"):
        asked(view, "dates", since="2024-09-02", until="2024-09-01")


@pytest.mark.parametrize(
    "then", [{}, {"as_of": "2024-09-02"}, {"as_of": "2024-09-05"}, {"known_on": "20"}]
)
def test_a_vessel_that_no_event_names_is_refused_on_any_day(
    vintage: Vintage, then: dict[str, str]
) -> None:
    """{"kind": "receive", "at": "2024-09-01", "lot": "A", "vessel": "T1", "volume": "10 L"}
    {"kind": "rack", "at": "2024-09-02", "from": {"lot": "A", "all": true},
     "to": {"lot": "A", "vessels": ["T2", "T3"], "each": "5 L"}}
    {"kind": "rack", "at": "2024-09-04", "from": {"lot": "A", "vessel": "T2", "all": true},
     "to": {"lot": "A", "vessel": "T4", "volume": "5 L"}}
    """
    view = vintage.view(**then)
    with pytest.raises(Refused, match="there is no vessel `T5`"):
        asked(view, "vessel", "T5")
    for name in ("T1", "T2", "T3", "B1"):
        assert asked(view, "vessel", name)["found"]["lots"] == 0, "known, and no bottle is touched"
    early = vintage.view(as_of="2024-09-02")
    with pytest.raises(Refused, match="there is no vessel `T4` by 2024-09-02"):
        asked(early, "vessel", "T4")


def test_bottles_keep_their_past_through_packing_and_renaming(vintage: Vintage) -> None:
    """A fill is parted by packing, and what is left bears another name.

    {"kind": "receive", "at": "2024-09-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    {"kind": "bottle", "at": "2024-09-02", "from": {"lot": "A", "all": true},
     "to": {"lot": "B", "bottles": 100, "format": "750 mL"}}
    {"kind": "pack", "at": "2024-09-03", "from": {"lot": "B", "bottles": 30},
     "to": {"lot": "C", "bottles": 30}}
    {"kind": "lot", "at": "2024-09-04", "name": "D", "of": [{"lot": "B"}]}
    {"kind": "ship", "at": "2024-09-05", "from": {"lot": "D", "bottles": 20}, "to": "Shop",
     "document": "I-1", "removal": "taxpaid"}
    """
    view = vintage.view()
    assert lots(asked(view, "lot", "A")) == {"B": "100", "C": "30", "D": "70"}
    assert lots(asked(view, "lot", "B")) == {"B": "100", "C": "30", "D": "70"}
    assert lots(asked(view, "lot", "C")) == {"C": "30"}, "not the others of its fill"
    assert lots(asked(view, "lot", "D")) == {"D": "70"}
    assert asked(view, "lot", "A")["found"]["bottles"] == "100", "no bottle is counted twice"
    assert ways(asked(view, "lot", "A")) == {
        "B": ["bottle"],
        "C": ["bottle", "pack"],
        "D": ["bottle", "lot"],
    }


def test_bottles_of_one_lot_that_lay_in_a_vessel_and_loose_have_their_way(
    vintage: Vintage,
) -> None:
    """Two fills of one lot, as much in each, as near to their origin; one lay in a vessel.

    {"kind": "receive", "at": "2023-09-12", "lot": "A", "state": "wine", "vessel": "T1",
     "volume": "300 L"}
    {"kind": "bottle", "at": "2023-09-17", "from": {"lot": "A", "volume": "9 L"}, "lot": "B",
     "vessel": "bin", "bottles": 12, "format": "750 mL"}
    {"kind": "pack", "at": "2023-09-18", "from": {"lot": "B", "all": true}, "lot": "C",
     "bottles": 12, "format": "750 mL"}
    {"kind": "bottle", "at": "2023-10-17", "from": {"lot": "A", "volume": "9 L"}, "lot": "B",
     "bottles": 12, "format": "750 mL"}
    """
    view = vintage.view()
    found = ways(asked(view, "lot", "A"))
    assert found == {"B": ["bottle"], "C": ["bottle", "pack"], "A": []}
    assert lots(asked(view, "lot", "B")) == {"B": "24", "C": "12"}


# --- the command ---


def test_the_command_answers_first_and_writes_its_sheet(example: Run, tmp_path: Path) -> None:
    said = example("recall", "--material-lot", "G-2307")
    assert said.code == 0
    assert said.out.startswith(
        "Material lot G-2307: 4 lots of bottles, 14,232 bottles made, 5,232 in stock, 9,000 shipped "
    )
    assert "206-555-0152" in said.out
    for name in ("r.pdf", "r.html", "r.csv"):
        done = example("recall", "--material-lot", "G-2307", "-o", name, "--json")
        assert done.json["file"] == name
        assert {"origin", "lots", "head"} <= done.json.keys()
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Teal Harbor Distributing" in page
    assert "INV-26-007" in page
    rows = list(csv.DictReader(io.StringIO((tmp_path / "r.csv").read_text(encoding="utf-8"))))
    assert sum(int(row["bottles"]) for row in rows if row["what"] == "shipped") == 9000
    assert example("recall", "--material-lot", "G-2307", "-o", "r.txt").code == 2
    assert example("recall", "--block", "x", "--lot", "y").code == 2
    assert example("recall").code == 2
    nothing = example("recall", "--since", "1950-01-01", "--until", "1950-01-02", "-o", "n.pdf")
    assert nothing.code == 0
    assert "No bottles are touched." in nothing.out


def test_a_list_is_defused(cellar: Run) -> None:
    given = [
        '{"kind":"party","at":"2025-01-01","name":"=1+1","phone":"+1 555 0100"}',
        '{"kind":"ship","at":"2025-07-01","from":{"lot":"C24","bottles":10},"to":"=1+1",'
        '"document":"@I","removal":"taxpaid"}',
    ]
    assert cellar("load", "-", given="\n".join(given).encode()).code == 0
    rows = list(csv.DictReader(io.StringIO(cellar("--csv", "recall", "--lot", "A").out)))
    shipment = next(row for row in rows if row["what"] == "shipped")
    assert (shipment["to"], shipment["phone"]) == ("'=1+1", "'+1 555 0100")
    assert (shipment["document"], shipment["bottles"]) == ("'@I", "10")


def test_a_drill_is_noted_once(cellar: Run, recorded_at: Any) -> None:
    recorded_at("2026-01-05T12:00:00Z")
    answer = cellar("recall", "--lot", "A", "--drill", "--json").json
    assert answer["drill"]["seconds"] == "0.000", "by the clock that the test has stopped"
    notes = cellar("log", "--kind", "note", "--json").json
    assert [one["id"] for one in notes] == [answer["drill"]["event"]]
    assert notes[0]["lot"] == "A"
    assert notes[0]["text"] == (
        "Recall drill from lot A: found 1 lot of bottles, 480 bottles made, 480 in stock, 0 shipped "
        "to no consignees, in 0.000 s."
    )
    assert cellar("verify").code == 0


def test_one_step_back_and_one_step_on(example: Run) -> None:
    answer = example("recall", "--back", "CFS22", "--json").json
    glass = next(row for row in answer["received"] if row.get("material_lot") == "G-2307")
    assert (glass["party"], glass["phone"]) == ("Flintwick Glass", glass["phone"])
    assert glass["missing"] == ["carrier"]
    grapes = [row for row in answer["received"] if row["kind"] == "pick"]
    shares = sum((Fraction(row["share"]) for row in grapes), Fraction(0))
    assert Fraction(19, 20) < shares <= 1
    assert {row["document"] for row in answer["released"]} == {"INV-24-007", "INV-24-008"}
    assert all("address" not in row["missing"] for row in answer["released"])
    by_code = example("recall", "--code", "L24107", "--json").json
    assert by_code == answer
    assert "one step back" in example("recall", "--back", "CFS22").out
    assert example("recall", "--back", "CFS22", "--lot", "x").code == 2
