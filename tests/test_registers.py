"""Registers: later events change what they name; what is named is registered; whose a lot is."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import moments
from ampelog.registers import Registers
from ampelog.standing import Standing
from tests.conftest import ZONE, Vintage


def at(day: str) -> int:
    return moments.instant(day, ZONE)


def registered(vintage: Vintage, kind: str, name: str, day: str) -> dict[str, Any]:
    return vintage.view().cellar.registers.at(kind, name, at(day))


# --- amending ---


def test_a_later_event_changes_the_fields_it_names_from_its_time_on(vintage: Vintage) -> None:
    """
    {"kind": "block", "at": "2020-01-01", "name": "Bench", "within": ["Ash"], "estate": false,
     "grower": "Shop", "certifications": ["organic"]}
    {"kind": "block", "at": "2024-07-01", "name": "Bench", "estate": true, "grower": null}
    """
    before = registered(vintage, "block", "Bench", "2024-06-30")
    after = registered(vintage, "block", "Bench", "2024-07-01")
    assert (before["estate"], before["grower"]) == (False, "Shop")
    assert after["estate"] is True
    assert after["grower"] is None
    assert after["within"] == ["Ash"]
    assert after["certifications"] == ["organic"]


def test_the_first_registration_holds_from_the_beginning(vintage: Vintage) -> None:
    """
    {"kind": "vessel", "at": "2025-01-01", "name": "B9", "capacity": "300 L"}
    {"kind": "vessel", "at": "2025-06-01", "name": "B9", "capacity": "310 L"}
    """
    assert registered(vintage, "vessel", "B9", "1990-01-01")["capacity"] == "300 L"
    assert registered(vintage, "vessel", "B9", "2025-06-01")["capacity"] == "310 L"


def test_the_first_registration_is_the_first_in_time_not_in_the_ledger(vintage: Vintage) -> None:
    """
    {"kind": "vessel", "at": "2025-01-01", "name": "B9", "capacity": "300 L", "type": "barrel"}
    """
    vintage.load("""
    {"kind": "vessel", "at": "2024-01-01", "name": "B9", "capacity": "290 L"}
    """)
    assert registered(vintage, "vessel", "B9", "1990-01-01") == {"capacity": "290 L"}
    assert registered(vintage, "vessel", "B9", "2025-01-01") == {
        "capacity": "300 L",
        "type": "barrel",
    }


def test_events_of_one_moment_amend_in_the_order_of_the_ledger(vintage: Vintage) -> None:
    """
    {"kind": "party", "at": "2025-01-01", "name": "Mole", "phone": "1", "address": "Pier"}
    {"kind": "party", "at": "2025-01-01", "name": "Mole", "phone": "2"}
    """
    assert registered(vintage, "party", "Mole", "2025-01-01") == {"phone": "2", "address": "Pier"}


def test_null_clears_a_capacity(vintage: Vintage) -> None:
    """
    {"kind": "vessel", "at": "2025-01-01", "name": "B1", "capacity": null}
    {"kind": "receive", "at": "2025-01-02", "lot": "A", "vessel": "B1", "volume": "500 L"}
    {"kind": "receive", "at": "2025-01-02", "lot": "K", "vessel": "T1", "volume": "5 L"}
    """
    assert (
        vintage.refusal("""
    {"kind": "top", "at": "2025-01-03", "from": {"lot": "K", "all": true},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    """).rule
        == "no capacity"
    )


@given(
    st.lists(
        st.tuples(st.integers(0, 5), st.dictionaries(st.sampled_from("abc"), st.integers(0, 3))),
        min_size=1,
        max_size=6,
    ),
    st.integers(-1, 6),
)
def test_amending_is_folding_in_time(entries: list[tuple[int, dict[str, Any]]], when: int) -> None:
    registers = Registers()
    for position, (moment, fields) in enumerate(entries):
        registers.add("block", "Hill", (moment, position, fields))
    order = sorted(range(len(entries)), key=lambda index: (entries[index][0], index))
    expected: dict[str, Any] = {}
    for index in order:
        if index == order[0] or entries[index][0] <= when:
            expected |= entries[index][1]
    assert registers.at("block", "Hill", when) == expected


# --- what is named is registered ---


PICK = '{"kind": "pick", "at": "2024-10-01", "block": "Bench", "lot": "F", "mass": "1 t"}'
BENCH = '{"kind": "block", "at": "2025-10-01", "name": "Bench", "within": ["Ash"]}'


def test_an_unknown_block_is_refused_whatever_the_order(vintage: Vintage) -> None:
    found = vintage.refusal(PICK)
    assert found.rule == "not registered"
    assert "`Bench`" in found.says
    assert "register" in found.hint
    vintage.load(f"{PICK}\n{BENCH}")
    assert vintage.holds("F") == {None: "1000"}


@pytest.mark.parametrize(
    ("event", "missing"),
    [
        ('{"kind": "pick", "at": "2024-10-01", "block": "Hil", "lot": "F", "mass": "1 t"}', "Hil"),
        ('{"kind": "block", "at": "2024-10-01", "name": "X", "within": ["Nowhere"]}', "Nowhere"),
        ('{"kind": "block", "at": "2024-10-01", "name": "X", "spans": ["Nowhere"]}', "Nowhere"),
        ('{"kind": "block", "at": "2024-10-01", "name": "X", "grower": "Nobody"}', "Nobody"),
        ('{"kind": "place", "at": "2024-10-01", "name": "X", "within": ["Nowhere"]}', "Nowhere"),
        ('{"kind": "place", "at": "2024-10-01", "name": "X", "spans": ["Nowhere"]}', "Nowhere"),
        ('{"kind": "premises", "at": "2024-10-01", "name": "X", "within": ["Nowhere"]}', "Nowhere"),
        ('{"kind": "vessel", "at": "2024-10-01", "name": "X", "premises": "Shed"}', "Shed"),
        ('{"kind": "lot", "at": "2024-10-01", "name": "X", "label": "Rde"}', "Rde"),
        ('{"kind": "lot", "at": "2024-10-01", "name": "X", "owner": "Nobody"}', "Nobody"),
        (
            '{"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1 L", '
            '"supplier": "Nobody"}',
            "Nobody",
        ),
        (
            '{"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1 L", '
            '"fermented_at": ["Nowhere"]}',
            "Nowhere",
        ),
        (
            '{"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1 L", '
            '"composition": [{"share": "1", "within": ["Nowhere"]}]}',
            "Nowhere",
        ),
        (
            '{"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1 L", '
            '"composition": [{"share": "1", "block": "Nohill"}]}',
            "Nohill",
        ),
        (
            '{"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 6, "format": "750 mL", '
            '"label": "Rde"}',
            "Rde",
        ),
        (
            '{"kind": "ship", "at": "2024-10-02", "lot": "W", "all": true, "removal": "in bond", '
            '"to": "Nobody"}',
            "Nobody",
        ),
        (
            '{"kind": "return", "at": "2024-10-02", "lot": "V", "volume": "1 L", '
            '"from_party": "Nobody"}',
            "Nobody",
        ),
        (
            '{"kind": "bottle", "at": "2024-10-02", "from": {"lot": "W", "all": true}, '
            '"lot": "S", "bottles": 12, "format": "750 mL", "label": "Rde"}',
            "Rde",
        ),
        (
            '{"kind": "bottle", "at": "2024-10-02", "from": {"lot": "W", "all": true}, '
            '"to": [{"lot": "S", "bottles": 12, "format": "750 mL", "label": "Rde"}]}',
            "Rde",
        ),
        ('{"kind": "hold", "at": "2024-10-02", "block": "Hil", "reason": "smoke"}', "Hil"),
        ('{"kind": "note", "at": "2024-10-02", "block": "Hil", "text": "smoke"}', "Hil"),
        ('{"kind": "note", "at": "2024-10-02", "label": "Rde", "text": "smoke"}', "Rde"),
        ('{"kind": "note", "at": "2024-10-02", "party": "Nobody", "text": "smoke"}', "Nobody"),
        (
            '{"kind": "analysis", "at": "2024-10-02", "block": "Hil", "values": {"ph": "3.4"}}',
            "Hil",
        ),
    ],
)
def test_every_name_of_a_register_is_checked(vintage: Vintage, event: str, missing: str) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "W", "vessel": "T1", "volume": "9 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "V", "vessel": "T2", "volume": "9 L"}
    {"kind": "ship", "at": "2024-10-01T09:00", "lot": "V", "all": true, "to": "Shop",
     "removal": "in bond"}
    """
    found = vintage.refusal(event)
    assert found.rule == "not registered"
    assert f"`{missing}`" in found.says


def test_the_nearest_name_is_offered(vintage: Vintage) -> None:
    found = vintage.refusal(PICK.replace("Bench", "Hil"))
    assert "did you mean `Hill`?" in found.hint


def test_a_name_registered_only_by_a_struck_event_is_not_registered(vintage: Vintage) -> None:
    an_id = "018f3b5c-0000-7000-8000-00000000b10c"
    vintage.load(BENCH.replace('"name"', f'"id": "{an_id}", "name"') + f"\n{PICK}")
    found = vintage.refused(f"""
    {{"kind": "correct", "at": "2025-11-01", "corrects": "{an_id}", "reason": "slip",
     "replacement": null}}
    """)
    assert [one.rule for one in found] == ["not registered"]


def test_vessels_lots_and_materials_may_be_used_unregistered(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T77", "volume": "9000000 L"}
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "fining", "material": "isinglass",
     "material_lot": "I-1", "amount": "20 g"}
    {"kind": "receive", "at": "2024-10-02", "material": "tin", "amount": "500 pieces"}
    {"kind": "note", "at": "2024-10-02", "material": "tin", "text": "dented"}
    """
    assert vintage.holds("A") == {"T77": "9000000"}


def test_lab_carrier_farmer_and_authority_are_text(vintage: Vintage) -> None:
    """
    {"kind": "block", "at": "2024-01-01", "name": "Bench",
     "control": {"basis": "leased", "farmed_by": "The Neighbours"}}
    {"kind": "label", "at": "2024-01-01", "name": "White", "approvals": [{"authority": "Office"}]}
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "9 L"}
    {"kind": "analysis", "at": "2024-10-02", "lot": "A", "lab": "Stone Lab", "values": {"ph": "3"}}
    {"kind": "ship", "at": "2024-10-03", "lot": "A", "all": true, "to": "Shop",
     "carrier": "Two Mules", "removal": "in bond"}
    """
    assert vintage.odd() == []


# --- owners ---


def owner(vintage: Vintage, name: str) -> str | None:
    view = vintage.view()
    return view.cellar.owner(view.lot(name), view.today)


OWNED = """
{"kind": "lot", "at": "2024-01-01", "name": "C1", "owner": "Guest"}
{"kind": "lot", "at": "2024-01-01", "name": "C2", "owner": "Guest"}
{"kind": "receive", "at": "2024-10-01", "lot": "C1", "vessel": "T1", "volume": "100 L"}
{"kind": "receive", "at": "2024-10-01", "lot": "C2", "vessel": "T2", "volume": "100 L"}
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T3", "volume": "100 L"}
"""


def test_a_lot_filled_only_from_lots_of_one_owner_has_that_owner(vintage: Vintage) -> None:
    vintage.load(OWNED)
    vintage.load("""
    {"kind": "blend", "at": "2024-10-02", "from": [{"lot": "C1", "volume": "50 L"},
     {"lot": "C2", "volume": "50 L"}], "to": {"lot": "B", "vessel": "T4", "volume": "100 L"}}
    {"kind": "bottle", "at": "2024-10-03", "from": {"lot": "B", "volume": "75 L"}, "lot": "S",
     "bottles": 100, "format": "750 mL"}
    """)
    assert [owner(vintage, name) for name in ("C1", "B", "S", "A")] == [
        "Guest",
        "Guest",
        "Guest",
        None,
    ]
    vintage.load("""
    {"kind": "top", "at": "2024-10-04", "from": {"lot": "A", "volume": "1 L"},
     "to": {"lot": "B", "vessel": "T4", "volume": "1 L"}}
    """)
    assert owner(vintage, "B") is None
    assert owner(vintage, "S") == "Guest"


def test_an_emptied_lot_forgets_whose_it_was(vintage: Vintage) -> None:
    vintage.load(OWNED)
    vintage.load("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "C1", "all": true},
     "to": {"lot": "B", "vessel": "T4", "volume": "100 L"}}
    {"kind": "rack", "at": "2024-10-03", "from": {"lot": "B", "all": true},
     "to": {"lot": "D", "vessel": "T5", "volume": "100 L"}}
    {"kind": "rack", "at": "2024-10-04", "from": {"lot": "A", "volume": "50 L"},
     "to": {"lot": "B", "vessel": "T4", "volume": "50 L"}}
    """)
    assert owner(vintage, "D") == "Guest"
    assert owner(vintage, "B") is None


def test_a_renamed_lot_keeps_its_owner(vintage: Vintage) -> None:
    vintage.load(OWNED)
    vintage.load('{"kind": "lot", "at": "2024-10-05", "name": "N", "of": [{"lot": "C1"}]}')
    assert owner(vintage, "N") == "Guest"


# --- premises ---


def test_everything_stands_at_home_until_a_second_premises_opens(vintage: Vintage) -> None:
    """
    {"kind": "vessel", "at": "2024-01-01", "name": "T1", "type": "tank"}
    {"kind": "vessel", "at": "2025-03-01", "name": "T9", "premises": "Shed"}
    {"kind": "premises", "at": "2025-01-01", "name": "Shed", "permit": "BW-2"}
    """
    registers = vintage.view().cellar.registers
    for kind, name in (("premises", "Home"), ("premises", "Shed"), ("vessel", "T1")):
        assert registers.knows(kind, name)

    places = Standing(registers)

    def stands(vessel: str | None, used: str, day: str) -> str | None:
        return places.premises(vessel, at(used), at(day))

    assert stands("T1", "2024-05-01", "2024-05-01") == "Home"
    assert stands("T8", "2024-05-01", "2024-12-31") == "Home"
    # from then on a vessel keeps the place it had
    assert stands("T1", "2024-05-01", "2025-01-01") == "Home"
    # one first used later that names none stands nobody knows where
    assert stands("T8", "2025-01-01", "2025-02-01") is None
    assert stands("T9", "2025-03-01", "2025-03-01") == "Shed"
    assert places.alone(at("2024-12-31"))
    assert not places.alone(at("2025-01-01"))


def test_home_registered_again_adds_to_it(vintage: Vintage) -> None:
    """
    {"kind": "premises", "at": "2024-01-01", "name": "Home", "within": ["Ash"], "permit": "BW-1"}
    """
    home = registered(vintage, "premises", "Home", "2024-01-01")
    assert home == {"timezone": ZONE.key, "within": ["Ash"], "permit": "BW-1"}
