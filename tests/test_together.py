"""Rules of EVENTS.md that show where several events meet: what one line alone does not try."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.program import Run

pytest_plugins = ("tests.running",)

HOLD = "018f3b5c-0000-7000-8000-0000000000a1"


def begun(run: Run) -> None:
    run("init", "--premises", "Home", "--timezone", "UTC")


def loaded(run: Run, *events: dict[str, Any]) -> Any:
    """The answer of a load, which must be taken."""
    answer = run("load", "-", "--json", given=as_lines(events))
    assert answer.code == 0, answer.err
    return answer.json


def refused(run: Run, *events: dict[str, Any]) -> str:
    """What is said of a load, which must be refused."""
    answer = run("load", "-", given=as_lines(events))
    assert answer.code == 2, answer.out
    return answer.said


def as_lines(events: tuple[dict[str, Any], ...]) -> bytes:
    return "\n".join(json.dumps(event) for event in events).encode()


def wine(lot: str, volume: str, vessel: str, **more: Any) -> dict[str, Any]:
    about = {"kind": "receive", "at": "2024-01-01", "lot": lot, "vessel": vessel}
    return {**about, "volume": volume, "state": "wine", **more}


def made_of(variety: str) -> list[dict[str, str]]:
    return [{"share": "1", "variety": variety}]


def ship(at: str, lot: str, **more: Any) -> dict[str, Any]:
    drawn = {"lot": lot, "all": True, **more.pop("drawn", {})}
    return {"kind": "ship", "at": at, "from": drawn, "to": "C", "removal": "in bond", **more}


PARTY = {"kind": "party", "at": "2023-01-01", "name": "C"}


@pytest.mark.parametrize(("must", "wine_", "state"), [(10, 20, "wine"), (20, 10, "must")])
def test_what_comes_back_is_of_the_state_of_the_larger_part(
    run: Run, must: int, wine_: int, state: str
) -> None:
    begun(run)
    loaded(
        run,
        PARTY,
        wine("A", f"{must} L", "T1", state="must"),
        wine("A", f"{wine_} L", "T2"),
        ship("2024-01-02", "A", document="D"),
        {"kind": "return", "at": "2024-01-03", "lot": "A", "volume": "5 L", "vessel": "T3"},
    )
    assert [row["state"] for row in run("lots", "--json").json] == [state]
    assert run("verify").code == 0


def test_a_part_lies_in_one_county_its_block_included(run: Run) -> None:
    begun(run)
    part = [{"share": "1", "block": "B", "within": ["South"]}]
    block = {"kind": "block", "at": "2020-01-01", "name": "B", "within": ["North"]}
    said = refused(
        run,
        {"kind": "place", "at": "2020-01-01", "name": "North", "type": "county"},
        {"kind": "place", "at": "2020-01-01", "name": "South", "type": "county"},
        {**block, "plantings": [{"variety": "Syrah"}]},
        wine("A", "100 L", "T1", composition=part),
    )
    assert "two places of the type county: `North` and `South`" in said


def test_must_does_not_run_into_a_tank_of_wine_beside_its_own_grapes(run: Run) -> None:
    begun(run)
    said = refused(
        run,
        wine("A", "0.5 L", "T1"),
        {"kind": "receive", "at": "2024-01-02", "lot": "G", "mass": "50 kg", "vessel": "T1"},
        {
            "kind": "crush",
            "at": "2024-01-03",
            "from": {"lot": "G", "all": True},
            "to": {"lot": "G", "vessel": "T1", "volume": "30 L"},
        },
    )
    assert "`T1` still holds 0.5 L of `A`" in said


def test_each_fill_is_judged_by_the_places_of_its_own_day(run: Run) -> None:
    begun(run)

    def bottled(at: str, drawn: str, bottles: int) -> dict[str, Any]:
        to = {"lot": "X", "bottles": bottles, "format": "750 mL", "label": "L"}
        return {"kind": "bottle", "at": at, "from": {"lot": "A", "volume": drawn}, "to": to}

    loaded(
        run,
        {"kind": "place", "at": "2020-01-01", "name": "North", "type": "county"},
        {"kind": "place", "at": "2020-01-01", "name": "Sub", "type": "ava"},
        {"kind": "place", "at": "2025-06-01", "name": "Sub", "within": ["North"]},
        wine("A", "700 L", "T1", composition=[{"share": "1", "within": ["Sub"]}]),
        {"kind": "label", "at": "2020-01-01", "name": "L", "statements": {"appellation": "North"}},
        bottled("2025-02-01", "75 L", 100),
        bottled("2025-07-02", "0.75 L", 1),
    )
    rows = run("claims", "X", "--json").json["claims"]
    places = [row["verdict"] for row in rows if row["claim"] == "appellation"]
    assert places == ["refused", "supported"]


def test_a_statement_is_about_any_of_several_certifications_or_tags(run: Run) -> None:
    begun(run)
    about = {"certifications": ["organic", "biodynamic"], "tags": ["old"]}
    block = {"kind": "block", "at": "2020-01-01", "name": "B", "plantings": [{"variety": "Syrah"}]}
    text = [
        {"says": "organic", "where": {"certification": "organic"}, "at_least": "1"},
        {"says": "old", "where": {"tags": "old"}, "at_least": "1"},
        {"says": "by night", "where": {"tags": "night"}, "at_least": "1"},
        {"says": "sunny", "where": {"tags": "sun"}, "at_least": "1"},
    ]
    pick = {"kind": "pick", "at": "2024-09-01", "block": "B", "lot": "G", "mass": "1 t"}
    loaded(
        run,
        {**block, **about},
        {**pick, "tags": ["night"]},
        {"kind": "label", "at": "2024-01-01", "name": "L", "statements": {"text": text}},
    )
    rows = run("claims", "G", "--label", "L", "--json").json["claims"]
    assert [row["verdict"] for row in rows] == ["supported"] * 3 + ["refused"]


def test_a_lot_bears_one_label(run: Run) -> None:
    begun(run)
    one, other = ({"lot": "X", "bottles": 50, "format": "750 mL", "label": n} for n in ("LA", "LB"))
    labels = [{"kind": "label", "at": "2023-01-01", "name": name} for name in ("LA", "LB")]
    bottle = {"kind": "bottle", "at": "2024-02-01", "from": {"lot": "A", "volume": "75 L"}}
    start = (*labels, wine("A", "300 L", "T1"))
    for to in ([one, other], [other, one]):
        assert "[two labels]" in refused(run, *start, {**bottle, "to": to})
    told = loaded(
        run,
        *start,
        {**bottle, "to": one},
        {**bottle, "at": "2024-02-02", "to": other},
        {**bottle, "at": "2024-02-03", "to": {**other, "lot": "Y"}},
        {"kind": "lot", "at": "2024-02-04", "name": "X", "of": [{"lot": "Y"}]},
    )
    rules = [one["rule"] for one in told["findings"]]
    assert rules.count("two labels") == 2
    assert run("audit").code == 0


def test_a_barrel_that_is_topped_full_is_filled_once(run: Run) -> None:
    begun(run)
    start = (
        {"kind": "vessel", "at": "2024-01-01", "name": "B", "capacity": "100 L"},
        wine("A", "90 L", "B"),
        wine("K", "50 L", "T"),
    )
    full = {"lot": "A", "vessel": "B", "volume": "1 L", "full": True}
    more = {"lot": "A", "vessel": "B", "volume": "2 L"}
    top = {"kind": "top", "at": "2024-02-01", "from": {"lot": "K", "volume": "3 L"}}
    for to in ([full, more], [more, full], [full, {**more, "full": True}]):
        assert "[full and more]" in refused(run, *start, {**top, "to": to})


def test_bottles_come_back_as_bottles_from_a_document_of_wine_too(run: Run) -> None:
    begun(run)
    bottles = {"kind": "receive", "at": "2024-01-01", "lot": "Z", "bottles": 10, "format": "1 L"}
    loaded(
        run,
        PARTY,
        {**bottles, "state": "bottled", "composition": made_of("Merlot")},
        ship("2024-02-01", "Z", document="D"),
        wine("Z", "10 L", "T1", at="2024-02-02", composition=made_of("Syrah")),
        ship("2024-02-03", "Z", document="D"),
        {"kind": "return", "at": "2024-02-04", "lot": "Z", "bottles": 4, "document": "D"},
    )
    shares = run("composition", "Z", "--by", "variety", "--json").json["shares"]
    assert [row["variety"] for row in shares] == ["Merlot"]


def test_bottles_are_filled_anew_in_another_format_where_none_stay(run: Run) -> None:
    begun(run)
    bottles = {"kind": "receive", "at": "2024-01-01", "lot": "X", "bottles": 10, "format": "1.5 L"}
    to = {"lot": "X", "bottles": 10, "format": "750 mL"}
    bottle = {"kind": "bottle", "at": "2024-02-01", "to": to}
    some = {**bottle, "from": {"lot": "X", "bottles": 5}}
    assert "[two formats]" in refused(run, {**bottles, "state": "bottled"}, some)
    whole = {**bottle, "to": {**to, "bottles": 20}, "from": {"lot": "X", "all": True}}
    loaded(run, {**bottles, "state": "bottled"}, whole)
    assert run("lots", "--json").json[0]["bottles"] == "20"


def test_a_gauge_of_each_names_the_vessel_that_is_above_its_book(run: Run) -> None:
    begun(run)
    start = (wine("A", "100 L", "T1"), wine("A", "50 L", "T2"))
    gauge = {"kind": "gauge", "at": "2024-01-02", "lot": "A", "vessels": ["T1", "T2"]}
    said = refused(run, *start, {**gauge, "each": "60 L"})
    assert "60 L of `A` measured in `T2`; the book says 50 L" in said
    told = loaded(run, *start, {**gauge, "each": "60 L", "reason": "dip"})
    assert [one["rule"] for one in told["findings"]] == ["gain"]
    assert "10 L above the book" in told["findings"][0]["says"]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"kind": "premises", "at": "2024-01-01", "name": "W", "timezone": "No/X"}, "no time zone"),
        (
            {"kind": "premises", "at": "2024-01-01", "name": "Home", "timezone": "Europe/Paris"},
            "stays",
        ),
    ],
)
def test_a_time_zone_is_one_and_that_of_home_stays(
    run: Run, event: dict[str, Any], words: str
) -> None:
    begun(run)
    assert words in refused(run, event)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ({"says": "x", "where": {"tag": "night"}}, "statements.text.where"),
        ({"says": "x", "where": {"tags": "night"}, "at_least": "2"}, "over 1"),
    ],
)
def test_what_a_statement_is_about_is_a_field(run: Run, text: dict[str, Any], words: str) -> None:
    begun(run)
    label = {"kind": "label", "at": "2024-01-01", "name": "L", "statements": {"text": [text]}}
    assert words in refused(run, label)


def test_measurements_stay_with_a_wine_under_its_new_name(run: Run) -> None:
    begun(run)
    measured = {"kind": "analysis", "at": "2024-01-05", "lot": "A", "values": {"ph": "3.5"}}
    there = {**measured, "at": "2024-01-06", "vessel": "T2", "values": {"ph": "3.6"}}
    loaded(
        run,
        wine("A", "100 L", "T1"),
        wine("A", "50 L", "T2"),
        measured,
        there,
        {"kind": "lot", "at": "2024-01-10", "name": "B", "of": [{"lot": "A", "vessel": "T1"}]},
        {"kind": "lot", "at": "2024-01-11", "name": "C", "of": [{"lot": "B"}]},
        {**measured, "at": "2024-01-12", "values": {"ph": "3.7"}},
    )
    rows = run("numbers", "C", "--json").json
    assert [(row["quantity"], row["value"], row["vessel"]) for row in rows] == [("ph", "3.5", None)]


def test_a_fermentation_is_left_once_though_something_was_added(run: Run) -> None:
    begun(run)
    loaded(
        run,
        wine("A", "70 L", "T1", state="must"),
        {
            "kind": "ferment",
            "at": "2024-01-02",
            "lot": "A",
            "culture": "alcoholic",
            "stage": "start",
            "organism": "strong one",
        },
        {"kind": "treat", "at": "2024-01-03", "lot": "A", "treatment": "nutrient"},
        {
            "kind": "rack",
            "at": "2024-01-04",
            "from": {"lot": "A", "all": True},
            "to": {"lot": "B", "vessel": "T2", "volume": "70 L"},
        },
    )
    (passed,) = run("trace", "B", "--json").json["through"]
    assert [stretch["share"] for stretch in passed["ferment"]] == [passed["share"]]


@pytest.mark.parametrize("first", ["T1", "T2"])
def test_two_fermentations_that_are_joined_stay_two_in_what_is_drawn_later(
    run: Run, first: str
) -> None:
    """Wine is of the last fermentation that began in it; juice that came into one is of that."""
    begun(run)
    start = {"kind": "ferment", "lot": "A", "culture": "alcoholic", "stage": "start"}
    other = "T2" if first == "T1" else "T1"
    loaded(
        run,
        wine("A", "300 L", "T1", state="must"),
        wine("A", "300 L", "T2", state="must"),
        {**start, "at": "2024-01-02", "vessel": first, "organism": "one"},
        {**start, "at": "2024-01-03", "vessel": other, "organism": "two"},
        {
            "kind": "rack",
            "at": "2024-01-05",
            "from": {"lot": "A", "all": True},
            "to": {"lot": "A", "vessel": "T3", "volume": "600 L"},
        },
    )

    def organisms(*words: str) -> dict[str, str]:
        rows = run("composition", "A", "--by", "organism", "--json", *words).json["shares"]
        return {row["organism"]: row["share"].rstrip("0") for row in rows}

    assert organisms() == {"one": "0.5", "two": "0.5"}
    lost = {"kind": "loss", "lot": "A", "volume": "1 L", "reason": "sample"}
    juice = wine("A", "599 L", "T3", at="2024-01-07", state="must")
    loaded(run, {**lost, "at": "2024-01-06"}, juice, {**lost, "at": "2024-01-08"})
    for words in ((), ("--as-of", "2024-01-09")):
        assert organisms(*words) == {"one": "0.75", "two": "0.25"}
    loaded(run, {**start, "at": "2024-01-09", "stage": "change", "organism": "three"})
    assert organisms() == {"three": "1."}


# --- what comes late ---


def changed(run: Run, *events: dict[str, Any]) -> dict[tuple[str, str], tuple[str, str]]:
    told = loaded(run, *events)
    rows = told["changes"]
    return {(one["lot"], one["what"]): (one["before"], one["after"]) for one in rows}


def test_a_vessel_amended_in_the_past_changes_what_was_topped_full(run: Run) -> None:
    begun(run)
    vessel = {"kind": "vessel", "at": "2024-01-01", "name": "B", "capacity": "100 L"}
    loaded(
        run,
        vessel,
        wine("A", "99 L", "B"),
        wine("K", "50 L", "T"),
        {
            "kind": "top",
            "at": "2024-02-01",
            "from": {"lot": "K", "volume": "3 L"},
            "to": {"lot": "A", "vessel": "B", "volume": "3 L", "full": True},
        },
    )
    found = changed(run, {**vessel, "at": "2024-01-20", "capacity": "110 L"})
    assert found["A", "held"] == ("100 L", "110 L")


def test_a_late_new_name_changes_what_is_held(run: Run) -> None:
    begun(run)
    loaded(
        run,
        wine("A", "100 L", "T1"),
        wine("A", "60 L", "T2"),
        {
            "kind": "rack",
            "at": "2024-02-01",
            "from": {"lot": "A", "vessel": "T1", "volume": "9 L"},
            "to": {"lot": "C", "vessel": "T3", "volume": "9 L"},
        },
    )
    of = [{"lot": "A", "vessel": "T2"}]
    found = changed(run, {"kind": "lot", "at": "2024-01-10", "name": "D", "of": of})
    assert found["A", "held"] == ("151 L", "91 L")


def test_a_label_that_a_lot_is_given_later_holds_from_the_beginning(run: Run) -> None:
    begun(run)
    loaded(
        run,
        PARTY,
        {"kind": "label", "at": "2023-01-01", "name": "LA", "rest": "60 days"},
        wine("A", "100 L", "T1"),
        {
            "kind": "bottle",
            "at": "2024-02-01",
            "from": {"lot": "A", "volume": "75 L"},
            "to": {"lot": "X", "bottles": 100, "format": "750 mL"},
        },
        {
            "kind": "ship",
            "at": "2024-02-10",
            "from": {"lot": "X", "bottles": 10},
            "to": "C",
            "removal": "taxpaid",
        },
    )
    told = loaded(run, {"kind": "lot", "at": "2024-01-01", "name": "X", "label": "LA"})
    assert [one["rule"] for one in told["findings"]] == ["left before its release"]
    assert ("X", "may leave from") in {(one["lot"], one["what"]) for one in told["changes"]}


@pytest.mark.parametrize(
    "late",
    [
        {"kind": "clear", "at": "2024-02-01", "hold": HOLD, "reason": "it was well"},
        {"kind": "hold", "at": "2024-02-01", "material_lot": "7", "reason": "called back"},
    ],
)
def test_a_late_hold_or_clear_is_about_all_that_it_followed(run: Run, late: dict[str, Any]) -> None:
    begun(run)
    treat = {"kind": "treat", "at": "2024-01-02", "lot": "A", "treatment": "fining"}
    loaded(
        run,
        wine("A", "70 L", "T1"),
        {**treat, "material": "clay", "material_lot": "7", "amount": "1 g"},
        {"kind": "hold", "at": "2024-01-03", "lot": "A", "reason": "smoke", "id": HOLD},
        {
            "kind": "rack",
            "at": "2024-01-04",
            "from": {"lot": "A", "volume": "60 L"},
            "to": {"lot": "B", "vessel": "T2", "volume": "60 L"},
        },
        wine("Z", "1 L", "T9", at="2024-03-01"),
    )
    found = changed(run, late)
    assert set(found) == {("A", "on hold"), ("B", "on hold")}


def test_a_loss_that_named_no_vessel_is_told_where_it_now_falls(run: Run) -> None:
    begun(run)
    loaded(
        run,
        wine("A", "100 L", "T1"),
        {"kind": "loss", "at": "2024-01-10", "lot": "A", "volume": "10 L", "reason": "spill"},
    )
    told = loaded(
        run,
        {
            "kind": "rack",
            "at": "2024-01-05",
            "from": {"lot": "A", "vessel": "T1", "volume": "40 L"},
            "to": {"lot": "A", "vessel": "T5", "volume": "40 L"},
        },
    )
    (one,) = told["findings"]
    assert one["rule"] == "resolved anew"
    assert "10 L in `T1` is now 6 L in `T1`, nothing is now 4 L in `T5`" in one["says"]


def test_a_strike_is_listed_with_what_it_strikes(run: Run) -> None:
    begun(run)
    loaded(run, wine("Q", "1 L", "T1", id=HOLD))
    strike = {"kind": "correct", "at": "2024-01-03", "corrects": HOLD, "reason": "never came"}
    loaded(run, {**strike, "replacement": None})
    rows = run("log", "--lot", "Q", "--json").json
    assert [row["kind"] for row in rows] == ["receive", "correct"]
    assert rows[1]["corrects_position"] == rows[0]["position"]
    assert len(run("log", "--lot", "Q", "--by", "nobody", "--json").json) == 0
