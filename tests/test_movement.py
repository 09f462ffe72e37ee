"""How wine and fruit move: endpoints, targets, the one rule, vessels, states, bottles."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ampelog.genealogy import Kinds
from ampelog.quantities import ONE
from tests.conftest import Vintage

THIRD = Fraction(1, 3)


# --- one lot a vessel ---


def test_a_fill_into_a_vessel_that_holds_another_lot_is_refused_and_names_it(
    vintage: Vintage,
) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    """
    found = vintage.refusal("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "vessel": "T1", "volume": "10 L"},
     "to": {"lot": "A", "vessel": "T2", "volume": "10 L"}}
    """)
    assert found.rule == "two lots in one vessel"
    assert "`B`" in found.says
    assert "`T2`" in found.says
    for remedy in ("from", "loss", "empty"):
        assert remedy in found.hint
    for event in (
        '{"kind": "receive", "at": "2024-10-02", "lot": "C", "vessel": "T1", "volume": "1 L"}',
        '{"kind": "lot", "at": "2024-10-02", "name": "A", "of": [{"lot": "B", "vessel": "T2"}]}',
    ):
        if '"lot"' in event[:20]:
            vintage.load(event)
        else:
            assert vintage.refusal(event).rule == "two lots in one vessel"


def test_two_lots_cannot_be_filled_into_one_vessel_by_one_event(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    found = vintage.refusal("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "volume": "10 L"},
     "to": [{"lot": "B", "vessel": "T2", "volume": "5 L"},
            {"lot": "C", "vessel": "T2", "volume": "5 L"}]}
    """)
    assert found.rule == "two lots in one vessel"


def test_the_old_lot_drawn_as_well_mixes_as_it_does_in_the_tank(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "50 L"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "A", "vessel": "T1", "volume": "100 L"},
      {"lot": "B", "vessel": "T2", "all": true}], "to": {"lot": "C", "vessel": "T2",
      "volume": "150 L"}}
    """
    assert vintage.shares("C") == {"A": 2 * THIRD, "B": THIRD}
    assert vintage.holds("A") == vintage.holds("B") == {}


@pytest.mark.parametrize(
    "event",
    [
        '{"kind": "loss", "at": "2024-10-02", "lot": "B", "all": true, "reason": "spill"}',
        '{"kind": "gauge", "at": "2024-10-02", "lot": "B", "empty": true}',
        '{"kind": "ship", "at": "2024-10-02", "lot": "B", "all": true, "to": "Shop", '
        '"removal": "in bond"}',
    ],
)
def test_a_vessel_whose_lot_is_gone_takes_another(vintage: Vintage, event: str) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "50 L"}
    """
    vintage.load(event)
    vintage.load("""
    {"kind": "receive", "at": "2024-10-03", "lot": "A", "vessel": "T2", "volume": "100 L"}
    """)
    assert vintage.shares("A") == {"A": 1}


def test_grapes_pomace_and_bottles_share_a_place(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "vessel": "Pad", "mass": "1 t"}
    {"kind": "pick", "at": "2024-10-01", "block": "Mill", "lot": "G", "vessel": "Pad", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "vessel": "Pad", "bottles": 12,
     "format": "750 mL"}
    {"kind": "receive", "at": "2024-10-01", "lot": "Z", "vessel": "Pad", "bottles": 12,
     "format": "1.5 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "Pad", "volume": "100 L"}
    """
    assert vintage.holds("F") == {"Pad": "1000"}
    assert (
        vintage.refusal("""
    {"kind": "receive", "at": "2024-10-02", "lot": "B", "vessel": "Pad", "volume": "1 L"}
    """).rule
        == "two lots in one vessel"
    )


# --- a lot is of one sort at a time ---


def test_a_fill_of_another_sort_is_refused_while_any_of_the_first_is_held(
    vintage: Vintage,
) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "A", "mass": "1000 kg"}
    """
    crush = """
    {"kind": "crush", "at": "2024-10-02", "from": {"lot": "A", "mass": "MASS"},
     "to": {"lot": "A", "vessel": "T1", "volume": "700 L"}}
    """
    found = vintage.refusal(crush.replace("MASS", "999.999999999999 kg"))
    assert found.rule == "two sorts"
    assert "0.000000000001 kg" in found.says
    vintage.load(crush.replace("MASS", "1000 kg"))
    assert vintage.holds("A") == {"T1": "700"}
    assert (
        vintage.refusal("""
    {"kind": "pick", "at": "2024-10-03", "block": "Hill", "lot": "A", "mass": "1 kg"}
    """).rule
        == "two sorts"
    )
    assert (
        vintage.refusal("""
    {"kind": "receive", "at": "2024-10-03", "lot": "A", "bottles": 6, "format": "750 mL"}
    """).rule
        == "two sorts"
    )


def test_a_lot_has_bottles_of_one_format(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 6, "format": "750 mL"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "30 L"}
    """
    for event in (
        '{"kind": "receive", "at": "2024-10-02", "lot": "S", "bottles": 6, "format": "1.5 L"}',
        '{"kind": "bottle", "at": "2024-10-02", "from": {"lot": "A", "volume": "9 L"}, '
        '"lot": "S", "bottles": 6, "format": "1.5 L"}',
    ):
        assert vintage.refusal(event).rule == "two formats"
    # the format of a lot that holds bottles need not be repeated
    vintage.load("""
    {"kind": "bottle", "at": "2024-10-03", "from": {"lot": "A", "volume": "4.5 L"}, "lot": "S",
     "bottles": 6}
    """)
    assert vintage.holds("S") == {None: "9"}
    assert (
        vintage.refusal("""
    {"kind": "bottle", "at": "2024-10-04", "from": {"lot": "A", "volume": "4.5 L"}, "lot": "Z",
     "bottles": 6}
    """).rule
        == "no format"
    )


def test_one_event_fills_a_lot_in_one_sort_and_one_format(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "30 L"}
    """
    assert (
        vintage.refusal("""
    {"kind": "press", "at": "2024-10-02", "from": {"lot": "F", "all": true},
     "to": [{"lot": "J", "vessel": "T2", "volume": "600 L"},
            {"lot": "J", "mass": "300 kg", "fraction": "pomace"}]}
    """).rule
        == "two sorts"
    )
    assert (
        vintage.refusal("""
    {"kind": "bottle", "at": "2024-10-02", "from": {"lot": "A", "volume": "9 L"},
     "to": [{"lot": "S", "bottles": 6, "format": "750 mL"},
            {"lot": "S", "bottles": 3, "format": "1.5 L"}]}
    """).rule
        == "two formats"
    )


def test_bottles_of_one_format_cannot_bear_the_name_of_another(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 6, "format": "750 mL"}
    {"kind": "receive", "at": "2024-10-01", "lot": "Z", "bottles": 6, "format": "1.5 L"}
    """
    assert (
        vintage.refusal("""
    {"kind": "lot", "at": "2024-10-02", "name": "Z", "of": [{"lot": "S"}]}
    """).rule
        == "two formats"
    )


def test_too_little_for_all_goes_to_the_first_named(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessels": ["T1", "T2", "T3"],
     "volume": "0.000000000002 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "vessels": ["Rack 2", "Rack 1"],
     "bottles": 1, "format": "750 mL"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "vessels": ["T2", "T1"],
     "volume": "0.000000000001 L"}, "to": {"lot": "B", "vessel": "T4",
     "volume": "0.000000000001 L"}}
    """
    assert vintage.holds("A") == {"T1": "0.000000000001"}
    assert vintage.holds("S") == {"Rack 2": "0.75"}
    assert (
        vintage.refusal("""
    {"kind": "loss", "at": "2024-10-03", "lot": "A", "vessel": "T3", "all": true, "reason": "spill"}
    """).rule
        == "nothing there"
    )


# --- exactly zero is empty ---


def test_a_heel_stays_and_mixes(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "volume": "99.999 L"},
     "to": {"lot": "B", "vessel": "T2", "volume": "99.999 L"}}
    {"kind": "receive", "at": "2024-10-03", "lot": "C", "vessel": "T3", "volume": "99.999 L"}
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "C", "all": true},
     "to": {"lot": "A", "vessel": "T1", "volume": "99.999 L"}}
    """
    assert vintage.shares("A") == {"A": Fraction(1, 100_000), "C": Fraction(99_999, 100_000)}


def test_the_last_unit_is_a_heel_too(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "1 L"}
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "volume": "0.999999999999 L",
     "reason": "lees"}
    """
    assert vintage.holds("A") == {"T1": "0.000000000001"}
    assert (
        vintage.refusal("""
    {"kind": "receive", "at": "2024-10-03", "lot": "B", "vessel": "T1", "volume": "1 L"}
    """).rule
        == "two lots in one vessel"
    )


def test_an_emptied_holding_forgets(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "all": true},
     "to": {"lot": "B", "vessel": "T2", "volume": "100 L"}}
    {"kind": "receive", "at": "2024-10-03", "lot": "C", "vessel": "T3", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "C", "all": true},
     "to": {"lot": "A", "vessel": "T1", "volume": "100 L"}}
    """
    assert vintage.shares("A") == {"C": 1}


def test_a_lot_that_holds_nothing_answers_as_it_was_last_held(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "60 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "40 L"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "A", "all": true},
     {"lot": "B", "all": true}], "to": {"lot": "C", "vessels": ["T3", "T4"], "volume": "100 L"}}
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "C", "all": true},
     "to": {"lot": "D", "vessel": "T1", "volume": "100 L"}}
    """
    assert vintage.holds("C") == {}
    assert vintage.lot("C").amount == 0
    assert sorted(vintage.lot("C").contents(), key=str) == ["T3", "T4"]
    assert vintage.shares("C") == {"A": Fraction(3, 5), "B": Fraction(2, 5)}
    assert (
        vintage.refusal("""
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "C", "all": true},
     "to": {"lot": "D", "vessel": "T1", "volume": "1 L"}}
    """).rule
        == "nothing there"
    )


def test_a_lot_that_never_existed_is_refused_with_the_nearest_name(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "24-SY-1", "vessel": "T1", "volume": "60 L"}
    """
    found = vintage.refusal("""
    {"kind": "loss", "at": "2024-10-02", "lot": "24-SY-2", "volume": "1 L", "reason": "spill"}
    """)
    assert (found.rule, found.hint) == ("unknown lot", "did you mean `24-SY-1`?")


# --- endpoints: which vessel, all, each, vessels ---


TWO = """
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "60 L"}
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T2", "volume": "40 L"}
"""


def test_without_a_vessel_a_quantity_is_drawn_from_the_only_holding(vintage: Vintage) -> None:
    vintage.load(TWO)
    found = vintage.refusal("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "volume": "1 L"},
     "to": {"lot": "B", "vessel": "T3", "volume": "1 L"}}
    """)
    assert found.rule == "which vessel"
    assert "`T1`" in found.says
    assert "`T2`" in found.says
    vintage.load("""
    {"kind": "gauge", "at": "2024-10-02", "lot": "A", "vessel": "T1", "empty": true}
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "A", "volume": "1 L"},
     "to": {"lot": "B", "vessel": "T3", "volume": "1 L"}}
    """)
    assert vintage.holds("A") == {"T2": "39"}


def test_all_without_a_vessel_takes_every_holding(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "all": true},
     "to": {"lot": "B", "vessel": "T3", "volume": "100 L"}}
    """)
    assert vintage.holds("A") == {}
    assert vintage.holds("B") == {"T3": "100"}


def test_all_takes_what_is_there_just_before_the_event(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "60 L"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "all": true},
     "to": [{"lot": "A", "vessel": "T1", "volume": "20 L"},
            {"lot": "B", "vessel": "T2", "volume": "40 L"}]}
    """
    assert vintage.holds("A") == {"T1": "20"}
    for of_nothing in ("T2", "T9"):
        found = vintage.refusal(f"""
        {{"kind": "rack", "at": "2024-10-03", "from": {{"lot": "A", "vessel": "{of_nothing}",
         "all": true}}, "to": {{"lot": "B", "vessel": "T2", "volume": "1 L"}}}}
        """)
        assert found.rule == "nothing there"
        assert "`T1`" in found.says


def test_several_vessels_with_all_or_each_or_one_quantity_shared_evenly(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "vessels": ["T1", "T2"],
     "volume": "10 L"}, "to": {"lot": "B", "vessels": ["T5", "T6"], "each": "5 L"}}
    """)
    assert vintage.holds("A") == {"T1": "55", "T2": "35"}
    vintage.load("""
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "A", "vessels": ["T1", "T2"],
     "each": "5 L"}, "to": {"lot": "B", "vessels": ["T5", "T6", "T7"], "volume": "10 L"}}
    """)
    assert vintage.holds("A") == {"T1": "50", "T2": "30"}
    assert vintage.holds("B") == {
        "T5": "8.333333333334",
        "T6": "8.333333333333",
        "T7": "3.333333333333",
    }
    vintage.load("""
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "A", "vessels": ["T2", "T1"],
     "all": true}, "to": {"lot": "C", "vessel": "T8", "volume": "80 L"}}
    """)
    assert vintage.holds("A") == {}


def test_without_a_vessel_a_fill_goes_to_the_holding_without_one(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "60 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "40 L"}
    """
    assert vintage.holds("A") == {None: "100"}


@pytest.mark.parametrize(
    "event",
    [
        '{"kind": "receive", "at": "2024-10-02", "lot": "A", "volume": "1 L"}',
        '{"kind": "rack", "at": "2024-10-02", "from": {"lot": "B", "volume": "1 L"}, '
        '"to": {"lot": "A", "volume": "1 L"}}',
        '{"kind": "pick", "at": "2024-10-02", "block": "Hill", "lot": "F", "mass": "1 t"}',
        '{"kind": "receive", "at": "2024-10-02", "lot": "S", "bottles": 6, "format": "750 mL"}',
    ],
)
def test_it_is_refused_while_the_lot_lies_in_vessels(vintage: Vintage, event: str) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "vessel": "Bin", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "vessel": "Rack 1", "bottles": 6,
     "format": "750 mL"}
    """
    found = vintage.refusal(event)
    assert found.rule == "which vessel"
    assert "lies in" in found.says


def test_it_is_refused_though_a_part_lies_in_none(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-02", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    assert (
        vintage.refusal("""
    {"kind": "receive", "at": "2024-10-03", "lot": "A", "volume": "1 L"}
    """).rule
        == "which vessel"
    )


def test_one_holding_named_twice_adds_up_but_not_with_all(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    rack = """
    {"kind": "rack", "at": "2024-10-02", "from": [{"lot": "A", "volume": "60 L"},
     {"lot": "A", "vessel": "T1", SECOND}], "to": {"lot": "B", "vessel": "T2", "volume": "100 L"}}
    """
    found = vintage.refusal(rack.replace("SECOND", '"volume": "40.000000000001 L"'))
    assert found.rule == "more drawn than held"
    assert "100 L" in found.says
    assert "100.000000000001 L" in found.says
    assert vintage.refusal(rack.replace("SECOND", '"all": true')).rule == "all and more"
    twice = rack.replace('"volume": "60 L"', '"all": true')
    assert vintage.refusal(twice.replace("SECOND", '"all": true')).rule == "all and more"
    vintage.load(rack.replace("SECOND", '"volume": "40 L"'))
    assert vintage.holds("A") == {}


# --- the one rule ---


def test_draws_are_covered_by_what_was_there_before_the_event(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    """
    assert (
        vintage.refusal("""
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "A", "volume": "50 L"},
     {"lot": "B", "volume": "101 L"}], "to": [{"lot": "A", "vessel": "T1", "volume": "150 L"}]}
    """).rule
        == "more drawn than held"
    )


def test_a_holding_drawn_and_filled_mixes_what_remained_with_the_pool(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-02", "from": [{"lot": "A", "volume": "40 L"},
     {"lot": "B", "volume": "10 L"}], "to": [{"lot": "A", "vessel": "T1", "volume": "30 L"},
     {"lot": "B", "vessel": "T2", "volume": "20 L"}]}
    """
    pool_a, pool_b = Fraction(40, 50), Fraction(10, 50)
    assert vintage.shares("A") == {
        "A": (60 + 30 * pool_a) / 90,
        "B": 30 * pool_b / 90,
    }
    assert vintage.shares("B") == {
        "A": 20 * pool_a / 110,
        "B": (90 + 20 * pool_b) / 110,
    }


def test_two_tanks_pumped_into_each_other_become_one_wine(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "300 L"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "B", "all": true},
     {"lot": "A", "all": true}], "to": [{"lot": "A", "vessel": "T1", "volume": "100 L"},
     {"lot": "B", "vessel": "T2", "volume": "300 L"}]}
    """
    assert vintage.shares("A") == vintage.shares("B") == {"A": Fraction(1, 4), "B": Fraction(3, 4)}


def test_two_wines_may_change_tanks_in_one_event(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T2", "volume": "300 L"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "all": true},
     "to": [{"lot": "A", "vessel": "T3", "volume": "100 L"},
            {"lot": "A", "vessel": "T1", "volume": "300 L"}]}
    """
    assert vintage.holds("A") == {"T3": "100", "T1": "300"}


def test_holdings_of_one_lot_can_differ(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-02", "lot": "B", "vessel": "T2", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "A", "volume": "50 L"},
     "to": {"lot": "C", "vessel": "B1", "volume": "50 L"}}
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "B", "volume": "100 L"},
     "to": {"lot": "C", "vessel": "B2", "volume": "100 L"}}
    """
    assert vintage.shares("C", "B1") == {"A": 1}
    assert vintage.shares("C", "B2") == {"B": 1}
    assert vintage.shares("C") == {"A": THIRD, "B": 2 * THIRD}


@pytest.mark.parametrize("kind", ["rack", "barrel_down", "top", "blend"])
def test_the_dimension_is_kept(vintage: Vintage, kind: str) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    move = '{{"kind": "{}", "at": "2024-10-02", "from": {}, "to": {}}}'
    fruit, wine = '{"lot": "F", "mass": "1 kg"}', '{"lot": "A", "volume": "1 L"}'
    to_mass, to_volume = '{"lot": "G", "mass": "1 kg"}', '{"lot": "B", "volume": "1 L"}'
    for source, to in (
        (fruit, to_volume),
        (wine, to_mass),
        (f"[{fruit}, {wine}]", to_volume),
        (fruit, f"[{to_mass}, {to_volume}]"),
    ):
        assert vintage.refusal(move.format(kind, source, to)).rule == "two dimensions"
    assert vintage.refusal(move.format(kind, '{"lot": "A", "mass": "1 kg"}', to_mass)).rule == (
        "wrong sort"
    )
    vintage.load(move.format(kind, fruit, to_mass))
    assert vintage.holds("G") == {None: "1"}


def test_bottles_count_as_volume_and_may_be_emptied_into_a_tank(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 12, "format": "750 mL"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "1 L"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "S", "bottles": 4},
     {"lot": "A", "volume": "1 L"}], "to": {"lot": "B", "vessel": "T2", "volume": "4 L"}}
    """
    assert vintage.shares("B") == {"S": Fraction(3, 4), "A": Fraction(1, 4)}
    assert vintage.state("B") == "wine"
    vintage.load("""
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "S", "all": true},
     "to": {"lot": "C", "vessel": "T3", "volume": "6 L"}}
    """)
    assert vintage.state("C") == "wine"
    assert (
        vintage.refusal("""
    {"kind": "ship", "at": "2024-10-04", "lot": "C", "volume": "1 L", "to": "Shop"}
    """).rule
        == "no removal"
    )


@pytest.mark.parametrize(
    ("kind", "odd"),
    [("rack", True), ("top", True), ("blend", True), ("barrel_down", True), ("press", False)],
)
def test_a_shortfall_over_a_twentieth_is_a_finding(vintage: Vintage, kind: str, odd: bool) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "400 L"}
    """
    move = """
    {"kind": "KIND", "at": "2024-10-02TIME", "from": {"lot": "A", "vessel": "T1",
     "volume": "100 L"}, "to": {"lot": "B", "vessel": "T2", "volume": "VOLUME L"}WHY}
    """.replace("KIND", kind)
    vintage.load(
        move.replace("TIME", "T01")
        .replace("VOLUME", "95")
        .replace("WHY", "")
        .replace("T01", "T01:00")
    )
    more = move.replace("VOLUME", "94.999999999999")
    found = ["large shortfall"] if odd else []
    vintage.load(more.replace("TIME", "T02:00").replace("WHY", ""), odd=found)
    vintage.load(more.replace("TIME", "T03:00").replace("WHY", ', "loss": "gross lees"'))


def test_a_large_shortfall_of_a_bottling_is_a_finding(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "200 L"}
    """
    bottle = """
    {"kind": "bottle", "at": "2024-10-02T0HOUR:00", "from": {"lot": "A", "volume": "30 L"},
     "lot": "S", "bottles": COUNT, "format": "750 mL"WHY}
    """
    vintage.load(bottle.replace("HOUR", "1").replace("COUNT", "38").replace("WHY", ""))
    less = bottle.replace("COUNT", "37")
    vintage.load(less.replace("HOUR", "2").replace("WHY", ""), odd=["large shortfall"])
    vintage.load(less.replace("HOUR", "3").replace("WHY", ', "loss": "filter"'))


@pytest.mark.parametrize("kind", ["rack", "top", "blend", "barrel_down", "press"])
def test_more_out_than_in_is_refused_unless_it_says_why(vintage: Vintage, kind: str) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    move = """
    {"kind": "KIND", "at": "2024-10-02", "from": {"lot": "A", "volume": "100 L"},
     "to": {"lot": "B", "vessel": "T2", "volume": "100.000000000001 L"}WHY}
    """.replace("KIND", kind)
    found = vintage.refusal(move.replace("WHY", ""))
    assert found.rule == "more out than in"
    assert "gain" in found.hint
    vintage.load(move.replace("WHY", ', "gain": "warmed by the sun"'), odd=["gain"])
    assert vintage.holds("B") == {"T2": "100.000000000001"}
    assert vintage.shares("B") == {"A": 1}


def test_more_bottles_than_wine_are_refused_unless_it_says_why(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "9 L"}
    """
    bottle = """
    {"kind": "bottle", "at": "2024-10-02", "from": {"lot": "A", "volume": "9 L"}, "lot": "S",
     "bottles": 13, "format": "750 mL"WHY}
    """
    assert vintage.refusal(bottle.replace("WHY", "")).rule == "more out than in"
    vintage.load(bottle.replace("WHY", ', "gain": "low fills"'), odd=["gain"])
    assert vintage.holds("S") == {None: "9.75"}


# --- from mass to volume ---


def test_fruit_crushed_together_is_weighed_by_mass(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "3 t"}
    {"kind": "pick", "at": "2024-10-01", "block": "Mill", "lot": "G", "mass": "1 t"}
    {"kind": "crush", "at": "2024-10-02", "from": [{"lot": "F", "all": true},
     {"lot": "G", "all": true}], "to": {"lot": "M", "vessels": ["T1", "T2"], "volume": "2801 L"}}
    """
    assert vintage.holds("M") == {"T1": "1400.5", "T2": "1400.5"}
    assert vintage.shares("M") == {"F": Fraction(3, 4), "G": Fraction(1, 4)}
    assert vintage.state("M") == "must"


def test_a_crush_becomes_volume_and_nothing_else(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    crush = '{{"kind": "crush", "at": "2024-10-02", "from": {}, "to": {}}}'
    must = '{"lot": "M", "vessel": "T2", "volume": "700 L"}'
    fruit = '{"lot": "F", "mass": "900 kg"}'
    assert vintage.refusal(crush.format('{"lot": "A", "volume": "1 L"}', must)).rule == "wrong sort"
    for to in (f'[{must}, {{"lot": "G", "mass": "1 kg"}}]', '{"lot": "G", "mass": "5 t"}'):
        assert vintage.refusal(crush.format(fruit, to)).rule in ("wrong sort", "two dimensions")


def test_pomace_may_be_crushed_and_pressed_again(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "press", "at": "2024-10-02", "from": {"lot": "F", "all": true},
     "to": [{"lot": "J", "vessel": "T1", "volume": "600 L", "fraction": "free run"},
            {"lot": "P", "vessel": "Bin", "mass": "300 kg", "fraction": "pomace"}]}
    {"kind": "crush", "at": "2024-10-03", "from": {"lot": "P", "mass": "200 kg"},
     "to": {"lot": "K", "vessel": "T2", "volume": "300 L"}}
    """
    assert vintage.state("J") == "juice"
    assert vintage.state("P") == "pomace"
    assert vintage.shares("P") == vintage.shares("K") == {"F": 1}
    assert vintage.holds("P") == {"Bin": "100"}


def test_the_shortfall_of_a_press_of_must_is_pomace_not_loss(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "crush", "at": "2024-10-02", "from": {"lot": "F", "all": true},
     "to": {"lot": "M", "vessel": "T1", "volume": "800 L"}}
    {"kind": "press", "at": "2024-10-10", "from": {"lot": "M", "all": true},
     "to": [{"lot": "W", "vessel": "T2", "volume": "500 L", "fraction": "free run"},
            {"lot": "W", "vessel": "T3", "volume": "100 L", "fraction": "hard press"},
            {"lot": "P", "mass": "150 kg", "fraction": "pomace"}]}
    """
    tally = vintage.lot("M").tally("volume")
    assert (tally.pomace, tally.lost) == (200 * ONE, {})
    assert tally.held() == 0
    assert vintage.shares("P") == {"F": 1}
    assert vintage.holds("W") == {"T2": "500", "T3": "100"}


def test_a_press_yields_volumes_and_pomace_by_mass(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    """
    press = '{{"kind": "press", "at": "2024-10-02", "from": {{"lot": "F", "all": true}}, "to": {}}}'
    for to in (
        '{"lot": "P", "mass": "300 kg"}',
        '{"lot": "P", "mass": "300 kg", "fraction": "hard press"}',
        '{"lot": "P", "volume": "300 L", "fraction": "pomace"}',
    ):
        assert vintage.refusal(press.format(to)).rule == "wrong sort"


def test_press_fractions_are_told_apart(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "800 L",
     "state": "must"}
    {"kind": "press", "at": "2024-10-10", "from": {"lot": "M", "all": true},
     "to": [{"lot": "W", "vessel": "T2", "volume": "500 L", "fraction": "free run"},
            {"lot": "H", "vessel": "T3", "volume": "100 L", "fraction": "hard press"}]}
    {"kind": "blend", "at": "2024-10-11", "from": [{"lot": "W", "volume": "90 L"},
     {"lot": "H", "volume": "10 L"}], "to": {"lot": "B", "vessel": "T4", "volume": "100 L"}}
    """
    shares = vintage.shares("B", by=lambda leaf: leaf.fraction, kinds=Kinds(fraction=True))
    assert shares == {"free run": Fraction(9, 10), "hard press": Fraction(1, 10)}


# --- topping full ---


def test_topping_full_evaporates_before_the_fill(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "225 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """
    assert vintage.holds("A") == {"B1": "225"}
    assert vintage.shares("A") == {"A": Fraction(220, 225), "K": Fraction(5, 225)}
    assert vintage.lot("A").tally("volume").lost == {"evaporation": 5 * ONE}
    assert vintage.lot("K").amount == 45 * ONE


def test_topping_full_what_falls_short_of_the_capacity_is_a_gain(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "210 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    """
    vintage.load(
        """
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """,
        odd=["gain"],
    )
    assert vintage.holds("A") == {"B1": "225"}
    assert vintage.shares("A") == {"A": Fraction(210, 215), "K": Fraction(5, 215)}
    assert vintage.lot("A").tally("volume").gained == 10 * ONE


def test_topping_full_exactly_neither_gains_nor_loses(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "220 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """
    tally = vintage.lot("A").tally("volume")
    assert (tally.gained, tally.lost) == (0, {})


def test_a_fill_of_the_whole_capacity_replaces_what_was_there(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "30 L",
     "state": "juice"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "225 L"}
    {"kind": "hold", "at": "2024-01-02", "lot": "A", "reason": "smoke"}
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "all": true},
     "to": {"lot": "A", "vessel": "B1", "volume": "225 L", "full": true}}
    """
    assert vintage.shares("A") == {"K": 1}
    assert vintage.lot("A").tally("volume").lost == {"evaporation": 30 * ONE}
    assert vintage.state("A") == "wine"
    assert not vintage.lot("A").holdings["B1"].holds, "what evaporated holds nothing"


def test_topping_full_into_an_empty_barrel_is_a_gain_of_the_fill(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "225 L"}
    """
    vintage.load(
        """
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "200 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "200 L", "full": true}}
    """,
        odd=["gain"],
    )
    assert vintage.holds("A") == {"B1": "225"}
    assert vintage.shares("A") == {"K": 1}


def test_barrels_topped_full_share_one_quantity_evenly(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessels": ["B1", "B2", "B3"],
     "each": "225 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "10 L"},
     "to": {"lot": "A", "vessels": ["B1", "B2", "B3"], "volume": "10 L", "full": true}}
    """
    assert vintage.holds("A") == {"B1": "225", "B2": "225", "B3": "225"}
    lost = vintage.lot("A").tally("volume").lost
    assert lost == {"evaporation": 10 * ONE}
    assert vintage.shares("A", "B1") == {
        "A": 1 - Fraction(3_333_333_333_334, 225 * ONE),
        "K": Fraction(3_333_333_333_334, 225 * ONE),
    }


@pytest.mark.parametrize(
    ("to", "rule"),
    [
        ('{"lot": "A", "vessel": "T2", "volume": "5 L", "full": true}', "no capacity"),
        ('{"lot": "Q", "volume": "5 L", "full": true}', "no capacity"),
        ('{"lot": "A", "vessel": "B1", "volume": "226 L", "full": true}', "more than the vessel"),
    ],
)
def test_topping_full_needs_a_capacity_and_room(vintage: Vintage, to: str, rule: str) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessels": ["B1", "T2"], "each": "100 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "500 L"}
    """
    found = vintage.refusal(f"""
    {{"kind": "top", "at": "2024-02-01", "from": {{"lot": "K", "volume": "226 L"}}, "to": {to}}}
    """)
    assert found.rule == rule


def test_the_capacity_is_that_of_the_day(vintage: Vintage) -> None:
    """
    {"kind": "vessel", "at": "2024-02-15", "name": "B1", "capacity": "228 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "225 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """
    assert vintage.holds("A") == {"B1": "225"}
    vintage.load("""
    {"kind": "top", "at": "2024-03-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """)
    assert vintage.holds("A") == {"B1": "228"}


def test_without_full_a_holding_over_its_capacity_is_a_finding(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "225 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "5000 L"}
    """
    vintage.load(
        """
    {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "0.000000000001 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "0.000000000001 L"}}
    """,
        odd=["over capacity"],
    )
    assert vintage.holds("A") == {"B1": "225.000000000001"}
    vintage.load(
        """
    {"kind": "receive", "at": "2024-03-01", "lot": "L", "vessel": "B2", "volume": "226 L"}
    """,
        odd=["over capacity"],
    )


# --- gauge and loss: targets ---


def test_a_gauge_makes_the_book_the_measurement(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "25 L"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "A", "all": true},
     {"lot": "B", "all": true}], "to": {"lot": "C", "vessel": "T3", "volume": "100 L"}}
    {"kind": "gauge", "at": "2024-10-03", "lot": "C", "volume": "97 L", "reason": "dip"}
    """
    assert vintage.holds("C") == {"T3": "97"}
    assert vintage.shares("C") == {"A": Fraction(3, 4), "B": Fraction(1, 4)}
    tally = vintage.lot("C").tally("volume")
    assert sum(tally.lost.values()) == 3 * ONE
    assert tally.held() == 97 * ONE


def test_above_the_book_a_gauge_needs_its_reason(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    """
    gauge = """
    {"kind": "gauge", "at": "2024-10-02", "lot": "A", "vessel": "T1", "volume": "76 L"WHY}
    """
    found = vintage.refusal(gauge.replace("WHY", ""))
    assert found.rule == "above the book"
    assert "reason" in found.hint
    vintage.load(gauge.replace("WHY", ', "reason": "inventory"'), odd=["gain"])
    assert vintage.holds("A") == {"T1": "76"}
    assert vintage.lot("A").tally("volume").gained == ONE


def test_nothing_can_be_found_where_nothing_was(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "E", "vessel": "T5", "volume": "75 L"}
    {"kind": "gauge", "at": "2024-10-02", "lot": "E", "empty": true}
    """
    assert vintage.holds("E") == {}
    assert vintage.lot("E").tally("volume").held() == 0
    for target in ('"lot": "A", "vessel": "T2"', '"lot": "E"', '"lot": "E", "vessel": "T5"'):
        assert (
            vintage.refusal(f"""
        {{"kind": "gauge", "at": "2024-10-03", {target}, "volume": "1 L", "reason": "dip"}}
        """).rule
            == "nothing there"
        )


def test_what_is_told_of_a_target_is_shared_by_volume(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "volume": "10 L", "reason": "lees"}
    """)
    assert vintage.holds("A") == {"T1": "54", "T2": "36"}
    vintage.load("""
    {"kind": "gauge", "at": "2024-10-03", "lot": "A", "vessels": ["T2", "T1"], "volume": "45 L"}
    """)
    assert vintage.holds("A") == {"T1": "27", "T2": "18"}
    vintage.load("""
    {"kind": "loss", "at": "2024-10-04", "lot": "A", "each": "1 L", "reason": "sample"}
    {"kind": "gauge", "at": "2024-10-05", "lot": "A", "vessels": ["T1", "T2"], "each": "17 L"}
    """)
    assert vintage.holds("A") == {"T1": "17", "T2": "17"}


def test_the_remainder_of_a_share_goes_to_the_first_named(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessels": ["T1", "T2", "T3"],
     "each": "10 L"}
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "vessels": ["T3", "T1", "T2"],
     "volume": "0.000000000002 L", "reason": "sample"}
    """
    assert vintage.holds("A") == {"T1": "9.999999999999", "T2": "10", "T3": "9.999999999999"}


def test_a_loss_never_takes_more_than_is_held(vintage: Vintage) -> None:
    vintage.load(TWO)
    assert (
        vintage.refusal("""
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "volume": "101 L", "reason": "spill"}
    """).rule
        == "more lost than held"
    )
    assert (
        vintage.refusal("""
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "each": "41 L", "reason": "spill"}
    """).rule
        == "more lost than held"
    )
    vintage.load("""
    {"kind": "loss", "at": "2024-10-02", "lot": "A", "all": true, "reason": "destroyed"}
    """)
    assert vintage.holds("A") == {}
    assert vintage.lot("A").tally("volume").lost == {"destroyed": 100 * ONE}


def test_bottles_and_fruit_are_gauged_and_lost_in_their_own_units(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 100, "format": "750 mL"}
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "gauge", "at": "2024-10-02", "lot": "S", "bottles": 96, "reason": "inventory"}
    {"kind": "loss", "at": "2024-10-03", "lot": "S", "bottles": 2, "reason": "breakage"}
    {"kind": "gauge", "at": "2024-10-02", "lot": "F", "mass": "990 kg"}
    """
    assert vintage.holds("S") == {None: "70.5"}
    assert vintage.holds("F") == {None: "990"}
    for wrong in (
        '{"kind": "loss", "at": "2024-10-04", "lot": "S", "volume": "1 L", "reason": "spill"}',
        '{"kind": "loss", "at": "2024-10-04", "lot": "F", "bottles": 1, "reason": "spill"}',
        '{"kind": "gauge", "at": "2024-10-04", "lot": "F", "volume": "1 L"}',
    ):
        assert vintage.refusal(wrong).rule == "wrong sort"


# --- treatments ---


def test_what_is_added_is_a_source_of_its_own(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "watering back",
     "material": "water", "adds": "5 L", "role": "water"}
    """)
    assert vintage.holds("A") == {"T1": "63", "T2": "42"}
    assert vintage.shares("A") == {"A": Fraction(20, 21), "water": Fraction(1, 21)}
    assert vintage.shares("A", by=lambda leaf: leaf.role) == {
        None: Fraction(20, 21),
        "water": Fraction(1, 21),
    }
    tally = vintage.lot("A").tally("volume")
    assert tally.held() == 105 * ONE


def test_a_treatment_that_adds_no_volume_leaves_the_composition(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "fining",
     "material": "bentonite", "material_lot": "BT-4", "amount": "200 g", "rate": "2 g/L"}
    """)
    assert vintage.shares("A") == {"A": 1}
    assert vintage.holds("A") == {"T1": "60", "T2": "40"}


@pytest.mark.parametrize("lot", ["F", "S", "E"])
def test_fruit_bottles_and_nothing_cannot_be_treated(vintage: Vintage, lot: str) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 100, "format": "750 mL"}
    {"kind": "receive", "at": "2024-10-01", "lot": "E", "vessel": "T5", "volume": "75 L"}
    {"kind": "gauge", "at": "2024-10-02", "lot": "E", "empty": true}
    """
    found = vintage.refusal(f"""
    {{"kind": "treat", "at": "2024-10-03", "lot": "{lot}", "treatment": "filtration"}}
    """)
    assert found.rule in ("wrong sort", "nothing there")


# --- roles ---


def test_what_flows_through_keeps_the_role_nearest_the_bottle(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "90 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "J", "vessel": "T2", "volume": "50 L",
     "state": "concentrate"}
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "A", "volume": "90 L"},
     {"lot": "J", "volume": "10 L", "role": "sweetening"}],
     "to": {"lot": "B", "vessel": "T3", "volume": "100 L"}}
    {"kind": "receive", "at": "2024-10-03", "lot": "C", "vessel": "T4", "volume": "100 L"}
    {"kind": "blend", "at": "2024-10-04", "from": [{"lot": "C", "volume": "80 L"},
     {"lot": "B", "volume": "20 L", "role": "dosage"}],
     "to": {"lot": "D", "vessel": "T5", "volume": "100 L"}}
    """

    def role(name: str) -> dict[object, Fraction]:
        return vintage.shares(name, by=lambda leaf: (leaf.lot, leaf.role))

    assert role("B") == {("A", None): Fraction(9, 10), ("J", "sweetening"): Fraction(1, 10)}
    assert role("D") == {
        ("C", None): Fraction(8, 10),
        ("A", "dosage"): Fraction(18, 100),
        ("J", "dosage"): Fraction(2, 100),
    }


# --- states ---


def test_states_follow_what_happens(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "2 t"}
    {"kind": "crush", "at": "2024-10-02", "from": {"lot": "F", "mass": "1 t"},
     "to": {"lot": "M", "vessel": "T1", "volume": "800 L"}}
    {"kind": "press", "at": "2024-10-02", "from": {"lot": "F", "all": true},
     "to": {"lot": "J", "vessel": "T2", "volume": "600 L"}}
    """
    assert (vintage.state("F"), vintage.state("M"), vintage.state("J")) == (
        "grapes",
        "must",
        "juice",
    )
    vintage.load("""
    {"kind": "ferment", "at": "2024-10-03", "lot": "M", "culture": "alcoholic", "stage": "start"}
    {"kind": "ferment", "at": "2024-10-04", "lot": "M", "culture": "malolactic", "stage": "end"}
    """)
    assert vintage.state("M") == "must"
    vintage.load("""
    {"kind": "ferment", "at": "2024-10-10", "lot": "M", "culture": "alcoholic", "stage": "end"}
    {"kind": "gauge", "at": "2024-10-10", "lot": "J", "volume": "595 L", "reason": "produced"}
    """)
    assert (vintage.state("M"), vintage.state("J")) == ("wine", "wine")
    vintage.load("""
    {"kind": "bottle", "at": "2025-10-10", "from": {"lot": "M", "volume": "75 L"}, "lot": "S",
     "bottles": 100, "format": "750 mL"}
    """)
    assert vintage.state("S") == "bottled"


def test_must_pressed_before_its_fermentation_ends_stays_must(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "800 L",
     "state": "must"}
    {"kind": "press", "at": "2024-10-05", "from": {"lot": "M", "all": true},
     "to": {"lot": "W", "vessel": "T2", "volume": "600 L"}}
    """
    assert vintage.state("W") == "must"
    vintage.load("""
    {"kind": "ferment", "at": "2024-10-09", "lot": "W", "culture": "alcoholic", "stage": "end"}
    """)
    assert vintage.state("W") == "wine"


@pytest.mark.parametrize("first", ["M", "W"])
def test_the_state_of_equal_parts_does_not_hang_on_their_order(
    vintage: Vintage, first: str
) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "50 L",
     "state": "must"}
    {"kind": "receive", "at": "2024-10-01", "lot": "W", "vessel": "T2", "volume": "50 L"}
    """
    second = "W" if first == "M" else "M"
    vintage.load(f"""
    {{"kind": "blend", "at": "2024-10-02", "from": [{{"lot": "{first}", "all": true}},
     {{"lot": "{second}", "all": true}}], "to": {{"lot": "B", "vessel": "T3", "volume": "100 L"}}}}
    """)
    assert vintage.state("B") == "wine"


@pytest.mark.parametrize("first", ["M", "N"])
def test_the_fermentation_of_equal_parts_does_not_hang_on_their_order(
    vintage: Vintage, first: str
) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "50 L",
     "state": "must"}
    {"kind": "receive", "at": "2024-10-01", "lot": "N", "vessel": "T2", "volume": "50 L",
     "state": "must"}
    {"kind": "ferment", "at": "2024-10-02", "lot": "M", "culture": "alcoholic", "stage": "start",
     "organism": "yeast 7"}
    {"kind": "ferment", "at": "2024-10-02", "lot": "N", "culture": "alcoholic", "stage": "start",
     "organism": "yeast 8"}
    """
    second = "N" if first == "M" else "M"
    vintage.load(f"""
    {{"kind": "blend", "at": "2024-10-03", "from": [{{"lot": "{first}", "volume": "25 L"}},
     {{"lot": "{second}", "volume": "25 L"}}], "to": {{"lot": "B", "vessel": "T3", "volume": "50 L"}}}}
    {{"kind": "ferment", "at": "2024-10-04", "lot": "B", "culture": "alcoholic", "stage": "change",
     "regime": {{"note": "cooler"}}}}
    """)
    view = vintage.view()
    holding = view.lot("B").holdings["T3"]
    assert holding.ferment is not None
    assert view.ferments()[holding.ferment].organism == "yeast 7", "that which began first goes on"


@pytest.mark.parametrize(
    ("state", "quantity"),
    [
        ("grapes", '"volume": "1 L"'),
        ("wine", '"mass": "1 kg"'),
        ("bottled", '"volume": "1 L"'),
        ("must", '"bottles": 6, "format": "750 mL"'),
    ],
)
def test_a_state_is_measured_in_its_own_way(vintage: Vintage, state: str, quantity: str) -> None:
    assert (
        vintage.refusal(f"""
    {{"kind": "receive", "at": "2024-10-01", "lot": "A", "state": "{state}", {quantity}}}
    """).rule
        == "wrong sort"
    )


# --- bottles: fills, packing, disgorging ---


FILLED = """
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
{"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "75 L"}
{"kind": "bottle", "at": "2025-03-01", "from": {"lot": "A", "volume": "45 L"}, "lot": "S",
 "bottles": 60, "format": "750 mL", "label": "Red"}
{"kind": "bottle", "at": "2025-03-02", "from": {"lot": "B", "volume": "30 L"}, "lot": "S",
 "bottles": 40, "label": "Red"}
"""


def test_bottles_do_not_mix(vintage: Vintage) -> None:
    vintage.load(FILLED)
    assert vintage.fills("S") == [("45", {"A": 1}), ("30", {"B": 1})]
    assert vintage.shares("S") == {"A": Fraction(3, 5), "B": Fraction(2, 5)}


def test_each_output_of_one_bottling_is_a_fill(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    {"kind": "bottle", "at": "2025-03-01", "from": {"lot": "A", "all": true},
     "to": [{"lot": "S", "bottles": 60, "format": "750 mL", "label": "Red", "code": "L1"},
            {"lot": "S", "bottles": 20, "format": "750 mL", "label": "Red", "code": "L2"},
            {"lot": "Z", "bottles": 10, "format": "1.5 L"}]}
    """
    assert [litres for litres, _ in vintage.fills("S")] == ["45", "15"]
    assert [litres for litres, _ in vintage.fills("Z")] == ["15"]


def test_draws_on_a_bottled_lot_are_shared_over_its_fills(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "ship", "at": "2025-05-01", "lot": "S", "bottles": 10, "to": "Shop",
     "removal": "taxpaid"}
    """)
    assert vintage.fills("S") == [("40.5", {"A": 1}), ("27", {"B": 1})]
    vintage.load("""
    {"kind": "ship", "at": "2025-06-01", "lot": "S", "bottles": 1, "to": "Shop",
     "removal": "taxpaid"}
    {"kind": "loss", "at": "2025-06-02", "lot": "S", "bottles": 7, "reason": "breakage"}
    {"kind": "gauge", "at": "2025-06-03", "lot": "S", "bottles": 41}
    """)
    assert vintage.fills("S") == [("18.45", {"A": 1}), ("12.3", {"B": 1})]


def test_packing_leaves_the_fills_as_they_are(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "pack", "at": "2025-05-01", "from": {"lot": "S", "bottles": 50},
     "to": [{"lot": "X", "bottles": 30, "label": "Rested"}, {"lot": "Y", "bottles": 20}]}
    """)
    assert vintage.fills("S") == [("22.5", {"A": 1}), ("15", {"B": 1})]
    assert vintage.fills("X") == [("13.5", {"A": 1}), ("9", {"B": 1})]
    assert vintage.fills("Y") == [("9", {"A": 1}), ("6", {"B": 1})]


def test_packing_two_lots_into_one_keeps_all_fills(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-03", "from": {"lot": "A", "volume": "15 L"}, "lot": "Q",
     "bottles": 20, "format": "750 mL"}
    {"kind": "pack", "at": "2025-05-01", "from": [{"lot": "S", "all": true},
     {"lot": "Q", "bottles": 10}], "to": {"lot": "X", "bottles": 110}}
    """)
    assert vintage.fills("X") == [("45", {"A": 1}), ("30", {"B": 1}), ("7.5", {"A": 1})]


@pytest.mark.parametrize(
    "event",
    [
        '{"kind": "pack", "at": "2025-05-01", "from": DRAW, "to": {"lot": "X", "bottles": 10}}',
        '{"kind": "ship", "at": "2025-05-01", "from": DRAW, "to": "Shop", "removal": "in bond"}',
    ],
)
def test_bottles_take_no_role_where_nothing_is_mixed(vintage: Vintage, event: str) -> None:
    vintage.load(FILLED)
    draw = '{"lot": "S", "bottles": 10, "role": "dosage"}'
    assert vintage.refusal(event.replace("DRAW", draw)).rule == "a role"
    vintage.load(event.replace("DRAW", draw.replace(', "role": "dosage"', "")))


def test_a_gain_in_packing_is_of_what_was_packed(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load(
        """
    {"kind": "pack", "at": "2025-05-01", "from": {"lot": "S", "bottles": 10},
     "to": [{"lot": "X", "bottles": 11}, {"lot": "Y", "bottles": 9}], "gain": "found behind it"}
    """,
        odd=["gain"],
    )
    assert vintage.fills("X") == [("4.95", {"A": 1}), ("3.3", {"B": 1})]
    assert vintage.fills("Y") == [("4.05", {"A": 1}), ("2.7", {"B": 1})]


def test_bottles_that_come_back_together_are_one_fill_again(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "pack", "at": "2025-05-01", "from": {"lot": "S", "bottles": 50},
     "to": {"lot": "X", "bottles": 50}}
    {"kind": "pack", "at": "2025-05-02", "from": {"lot": "X", "all": true},
     "to": {"lot": "S", "bottles": 50}}
    """)
    assert vintage.fills("S") == [("45", {"A": 1}), ("30", {"B": 1})]


def test_packing_keeps_the_format_and_is_of_bottles(vintage: Vintage) -> None:
    vintage.load(FILLED)
    pack = '{{"kind": "pack", "at": "2025-05-01", "from": {}, "to": {}}}'
    bottles = '{"lot": "S", "bottles": 2}'
    assert (
        vintage.refusal(pack.format(bottles, '{"lot": "X", "bottles": 1, "format": "1.5 L"}')).rule
        == "two formats"
    )
    assert (
        vintage.refusal(
            pack.format('{"lot": "A", "volume": "1.5 L"}', '{"lot": "X", "bottles": 2}')
        ).rule
        == "wrong sort"
    )
    assert vintage.refusal(pack.format(bottles, '{"lot": "X", "bottles": 3}')).rule == (
        "more out than in"
    )
    assert (
        vintage.refusal(
            '{"kind": "pack", "at": "2025-05-01", "from": {"lot": "S", "volume": "1.5 L"}, '
            '"lot": "X", "bottles": 2}'
        ).rule
        == "wrong sort"
    )


def test_bottles_are_filled_by_bottling_and_packing_only(vintage: Vintage) -> None:
    vintage.load(FILLED)
    assert (
        vintage.refusal("""
    {"kind": "rack", "at": "2025-05-01", "from": {"lot": "S", "bottles": 2},
     "to": {"lot": "X", "bottles": 2}}
    """).rule
        == "wrong sort"
    )


def test_disgorging_makes_new_fills_of_what_was_in_bottles(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "receive", "at": "2025-05-01", "lot": "D", "vessel": "T5", "volume": "10 L"}
    {"kind": "bottle", "at": "2025-05-02", "from": [{"lot": "S", "all": true},
     {"lot": "D", "volume": "1 L", "role": "dosage"}], "to": {"lot": "X", "bottles": 100,
     "format": "750 mL"}}
    """)
    assert vintage.fills("X") == [
        ("75", {"A": Fraction(45, 76), "B": Fraction(30, 76), "D": Fraction(1, 76)}),
    ]
    assert vintage.shares("X", by=lambda leaf: leaf.role) == {
        None: Fraction(75, 76),
        "dosage": Fraction(1, 76),
    }


def test_fermentation_in_bottle_leaves_the_fills_apart(vintage: Vintage) -> None:
    vintage.load(FILLED)
    vintage.load("""
    {"kind": "ferment", "at": "2025-04-01", "lot": "S", "culture": "alcoholic",
     "stage": "start", "organism": "prise"}
    {"kind": "ferment", "at": "2025-06-01", "lot": "S", "culture": "alcoholic", "stage": "end"}
    """)
    assert vintage.fills("S") == [("45", {"A": 1}), ("30", {"B": 1})]
    assert vintage.state("S") == "bottled"
    lot = vintage.lot("S")
    ended = [lot.fills.get(node) for node, _ in vintage.view().content(lot)]
    assert None not in ended, "the day of bottling is kept"


def test_wine_bottled_under_its_own_name_is_lawful_when_all_is_drawn(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "75 L"}
    {"kind": "bottle", "at": "2025-03-01", "from": {"lot": "A", "all": true}, "lot": "A",
     "bottles": 100, "format": "750 mL"}
    """
    assert vintage.fills("A") == [("75", {"A": 1})]
    assert vintage.lot("A").tally("bottles").held() == 75 * ONE


def test_fruit_cannot_be_bottled(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    """
    assert (
        vintage.refusal("""
    {"kind": "bottle", "at": "2025-03-01", "from": {"lot": "F", "all": true}, "lot": "S",
     "bottles": 100, "format": "750 mL"}
    """).rule
        == "wrong sort"
    )


# --- what leaves and comes back ---


@pytest.mark.parametrize("lot", ["W", "P", "S"])
def test_wine_spirit_and_bottles_leave_with_a_removal(vintage: Vintage, lot: str) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "W", "vessel": "T1", "volume": "75 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "P", "vessel": "T2", "volume": "75 L",
     "state": "spirit"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 10, "format": "750 mL"}
    """
    ship = f'{{"kind": "ship", "at": "2024-10-02", "lot": "{lot}", "all": true, "to": "Shop"WHY}}'
    assert vintage.refusal(ship.replace("WHY", "")).rule == "no removal"
    vintage.load(ship.replace("WHY", ', "removal": "in bond"'))
    assert vintage.holds(lot) == {}


@pytest.mark.parametrize("lot", ["F", "J", "P"])
def test_fruit_juice_and_pomace_leave_without_one(vintage: Vintage, lot: str) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "2 t"}
    {"kind": "press", "at": "2024-10-02", "from": {"lot": "F", "mass": "1 t"},
     "to": [{"lot": "J", "vessel": "T2", "volume": "600 L"},
            {"lot": "P", "mass": "300 kg", "fraction": "pomace"}]}
    """
    ship = f'{{"kind": "ship", "at": "2024-10-03", "lot": "{lot}", "all": true, "to": "Shop"WHY}}'
    assert vintage.refusal(ship.replace("WHY", ', "removal": "taxpaid"')).rule == "removal of fruit"
    vintage.load(ship.replace("WHY", ""))
    assert vintage.holds(lot) == {}


def test_a_consignee_may_be_absent_for_three_removals(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 100, "format": "750 mL"}
    """
    ship = '{{"kind": "ship", "at": "2024-10-02", "lot": "S", "bottles": 1, "removal": "{}"}}'
    for removal in ("tasting", "family", "destroyed"):
        vintage.load(ship.format(removal))
    for removal in ("taxpaid", "in bond", "export", "testing", "distilling", "vinegar"):
        assert vintage.refusal(ship.format(removal)).rule == "no consignee"


def test_a_shipment_is_one_draw_read_as_an_endpoint_of_from(vintage: Vintage) -> None:
    vintage.load(TWO)
    ship = """
    {"kind": "ship", "at": "2024-10-02", "from": {"lot": "A", WHAT}, "to": "Shop",
     "removal": "in bond"}
    """
    assert vintage.refusal(ship.replace("WHAT", '"volume": "1 L"')).rule == "which vessel"
    vintage.load(ship.replace("WHAT", '"vessels": ["T1", "T2"], "each": "10 L"'))
    assert vintage.holds("A") == {"T1": "50", "T2": "30"}
    vintage.load(ship.replace("WHAT", '"all": true').replace("10-02", "10-03"))
    assert vintage.holds("A") == {}


SHIPPED = (
    FILLED
    + """
{"kind": "ship", "at": "2025-05-01", "lot": "S", "bottles": 50, "to": "Shop", "removal": "taxpaid",
 "document": "BL-1"}
{"kind": "ship", "at": "2025-05-02", "lot": "S", "bottles": 50, "to": "Shop", "removal": "taxpaid",
 "document": "BL-2"}
"""
)


def test_what_returns_is_what_was_shipped_on_its_document(vintage: Vintage) -> None:
    vintage.load(SHIPPED)
    vintage.load("""
    {"kind": "return", "at": "2025-06-01", "lot": "S", "bottles": 10, "from_party": "Shop",
     "document": "BL-1"}
    """)
    assert vintage.fills("S") == [("4.5", {"A": 1}), ("3", {"B": 1})]
    back = '{{"kind": "return", "at": "2025-06-02", "lot": "S", "bottles": {}{}}}'
    assert vintage.refusal(back.format(41, ', "document": "BL-1"')).rule == "more back than shipped"
    assert vintage.refusal(back.format(1, ', "document": "BL-3"')).rule == "not shipped"
    assert vintage.refusal(back.format(91, "")).rule == "more back than shipped"
    vintage.load(back.format(90, ""))
    assert vintage.fills("S") == [("45", {"A": 1}), ("30", {"B": 1})]
    assert vintage.refusal(back.format(1, "").replace("06-02", "06-03")).rule == "not shipped"


def test_what_was_shipped_once_may_return_after_the_lot_has_changed(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "ship", "at": "2024-10-02", "lot": "A", "volume": "60 L", "to": "Shop",
     "removal": "in bond", "document": "BL-1"}
    {"kind": "receive", "at": "2024-10-03", "lot": "B", "vessel": "T2", "volume": "40 L"}
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "B", "all": true},
     "to": {"lot": "A", "vessel": "T1", "volume": "40 L"}}
    {"kind": "return", "at": "2024-10-05", "lot": "A", "vessel": "T3", "volume": "60 L",
     "from_party": "Shop", "document": "BL-1"}
    """
    assert vintage.shares("A", "T1") == {"A": Fraction(1, 2), "B": Fraction(1, 2)}
    assert vintage.shares("A", "T3") == {"A": 1}
    assert vintage.lot("A").tally("volume").held() == 140 * ONE


def test_what_returns_keeps_its_role_fraction_and_holds(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "water", "material": "water",
     "adds": "100 L", "role": "water"}
    {"kind": "hold", "at": "2024-10-03", "lot": "A", "reason": "smoke"}
    {"kind": "ship", "at": "2024-10-04", "lot": "A", "all": true, "to": "Shop",
     "removal": "in bond"}
    {"kind": "return", "at": "2024-10-05", "lot": "A", "vessel": "T1", "volume": "50 L"}
    """
    assert vintage.shares("A", by=lambda leaf: leaf.role) == {
        None: Fraction(1, 2),
        "water": Fraction(1, 2),
    }
    assert vintage.lot("A").holdings["T1"].holds


# --- renaming ---


def test_renaming_moves_nothing(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "lot", "at": "2024-10-05", "name": "N", "of": [{"lot": "A"}]}
    """)
    assert vintage.holds("N") == {"T1": "60", "T2": "40"}
    assert vintage.holds("A") == {}
    assert vintage.shares("N") == vintage.shares("A") == {"A": 1}
    assert vintage.holds("A", as_of="2024-10-04") == {"T1": "60", "T2": "40"}


def test_parting_by_barrel_and_joining_on_paper_mix_nothing(vintage: Vintage) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "receive", "at": "2024-10-02", "lot": "B", "vessel": "T3", "volume": "100 L"}
    {"kind": "lot", "at": "2024-10-05", "name": "N", "of": [{"lot": "A", "vessels": ["T2"]},
     {"lot": "B", "vessel": "T3"}]}
    """)
    assert vintage.holds("A") == {"T1": "60"}
    assert vintage.holds("N") == {"T2": "40", "T3": "100"}
    assert vintage.shares("N", "T2") == {"A": 1}
    assert vintage.shares("N", "T3") == {"B": 1}
    for name in ("A", "B", "N"):
        lot = vintage.lot(name)
        assert lot.tally(lot.sort).held() == lot.amount


def test_renaming_keeps_holds_and_state(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "60 L",
     "state": "must"}
    {"kind": "hold", "at": "2024-10-02", "lot": "M", "reason": "smoke"}
    {"kind": "lot", "at": "2024-10-05", "name": "N", "of": {"lot": "M"}}
    """
    assert vintage.state("N") == "must"
    assert vintage.lot("N").holdings["T1"].holds


def test_renaming_bottles_keeps_fills_bottling_days_and_release(vintage: Vintage) -> None:
    vintage.load(FILLED.replace('"label": "Red"', '"label": "Rested"'))
    vintage.load("""
    {"kind": "release", "at": "2025-08-29", "lot": "S"}
    {"kind": "lot", "at": "2025-09-05", "name": "N", "of": [{"lot": "S"}]}
    {"kind": "ship", "at": "2025-09-06", "lot": "N", "bottles": 10, "to": "Shop",
     "removal": "taxpaid"}
    """)
    assert vintage.fills("N") == [("40.5", {"A": 1}), ("27", {"B": 1})]


@pytest.mark.parametrize(
    ("event", "rule"),
    [
        ('{"kind": "lot", "at": "2024-10-05", "name": "A", "of": [{"lot": "A"}]}', "same name"),
        ('{"kind": "lot", "at": "2024-10-05", "name": "N", "of": [{"lot": "Q"}]}', "unknown lot"),
        (
            '{"kind": "lot", "at": "2024-10-05", "name": "N", "of": [{"lot": "A", "vessel": "T9"}]}',
            "nothing there",
        ),
        ('{"kind": "lot", "at": "2024-10-05", "name": "F", "of": [{"lot": "A"}]}', "two sorts"),
    ],
)
def test_a_name_that_cannot_be_borne_is_refused(vintage: Vintage, event: str, rule: str) -> None:
    vintage.load(TWO)
    vintage.load("""
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "2 t"}
    """)
    assert vintage.refusal(event).rule == rule
