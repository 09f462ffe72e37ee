"""What a label may say: fills, places, names, and what no rule judges."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from msgspec.structs import replace

from ampelog import claims, rules
from ampelog.claims import Verdict, judge
from ampelog.scope import Label
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Fill
from tests.wines import (
    CS,
    ME,
    MERLOT,
    PLACES,
    QB,
    TODAY,
    US,
    bulk,
    by,
    part,
    rows_of,
    wine,
    years,
)


def test_a_statement_must_hold_in_every_fill() -> None:
    good = wine(part("1", ME, QB, vintage=2024))
    poor = wine(part("0.7", ME, QB, vintage=2024), part("0.3", CS, QB, vintage=2024))
    fills = (Fill("first", good), Fill("second", poor), Fill("third", good))
    rows = judge(MERLOT, fills, [US], PLACES, TODAY)
    found = {row.fill: row.verdict for row in rows if row.rule == "us-variety-one"}
    assert found == {"first": SUPPORTED, "second": REFUSED, "third": SUPPORTED}
    assert claims.verdict(rows) == REFUSED
    # equal fills still have a row each; what the fill does not change is said once
    assert len([row for row in rows if row.rule == "us-appellation-ava"]) == 3
    assert by(rows, "us-variety-name").fill is None


def test_the_proof_names_the_events_of_what_counts() -> None:
    rows = rows_of(MERLOT, part("0.7", ME, QB), part("0.1", ME), part("0.2", CS, QB))
    assert by(rows, "us-variety-one").proof == ("event-1",)
    assert by(rows, "us-appellation-ava").proof == ("event-1", "event-3")


# --- labels that cannot be judged, or not wholly ---


def test_nothing_that_is_stated_is_dropped() -> None:
    label: dict[str, Any] = {
        **MERLOT,
        "vineyard": "Lapwing Slope",
        "estate_bottled": True,
        "alcohol": "14.1 %",
        "bottler": "produced",
        "text": [{"says": "hand picked", "where": {"picking": "hand"}}, {"says": "made with care"}],
    }
    rows = rows_of(label, part("1", ME, QB))
    judged = {row.claim for row in rows if row.rule is not None}
    assert judged >= {"vineyard", "estate_bottled", "alcohol", "bottler", "text"}
    (unjudged,) = [row for row in rows if row.rule is None]
    assert (unjudged.claim, unjudged.statement) == ("text", "made with care")
    assert (unjudged.verdict, unjudged.why) == (
        UNDETERMINED,
        "No rule of this version judges `text` here.",
    )
    others = judge(label, bulk(wine(part("1", ME, QB))), [rules.pack("us-tx")], PLACES, TODAY)
    assert {row.claim for row in others} >= {"alcohol", "bottler", "text"}
    assert {row.verdict for row in others if row.rule is None} == {UNDETERMINED}


def test_what_is_false_or_cleared_is_not_on_the_label() -> None:
    blank: dict[str, Any] = {"estate_bottled": False, "vineyard": None, "text": [], "shares": {}}
    label = {**MERLOT, **blank}
    assert claims.verdict(rows_of(label, part("1", ME, QB))) == SUPPORTED


def test_a_printed_share_of_one_variety_is_judged_by_no_rule() -> None:
    rows = rows_of({**MERLOT, "shares": {ME: "100"}}, part("1", ME, QB))
    (row,) = [row for row in rows if row.claim == "shares"]
    assert (row.rule, row.verdict, row.statement) == (None, UNDETERMINED, "Merlot 100 %")


def test_a_variety_and_a_vintage_need_an_appellation() -> None:
    # 27 CFR 4.23(a), 4.27(a), 4.34(b)
    rows = rows_of({"variety": [ME], "vintage": 2024}, part("1", ME, QB, vintage=2024))
    assert by(rows, "us-variety-appellation").verdict == REFUSED
    assert by(rows, "us-vintage-appellation").verdict == REFUSED
    assert by(rows, "us-variety-name").verdict == SUPPORTED
    assert None not in {row.rule for row in rows}


def test_a_place_that_nobody_registered_is_undetermined_and_says_so() -> None:
    label = {"variety": [ME], "vintage": 2024, "appellation": "Nowhere Bench"}
    rows = rows_of(label, part("1", ME, QB, vintage=2024))
    places = [row for row in rows if "Nowhere Bench" in row.statement]
    assert [row.claim for row in places] == ["variety", "vintage", "appellation"]
    for row in places:
        assert row.verdict == UNDETERMINED
        assert "`Nowhere Bench` is not registered as a place" in row.why


def test_a_place_of_a_type_without_a_rule_is_undetermined() -> None:
    rows = rows_of({"appellation": "Lapwing Slope"}, part("1", ME, "Lapwing Slope"))
    assert [row.verdict for row in rows] == [UNDETERMINED]
    assert "`vineyard`" in rows[0].why


@pytest.mark.parametrize(
    ("name", "wanted", "says"),
    [
        ("Sirah", UNDETERMINED, "Is `Syrah` meant?"),
        ("Purple Nobody", UNDETERMINED, "`Purple Nobody` is not on the list of grape names."),
        ("Moscato", SUPPORTED, "27 CFR 4.28"),
        ("SYRAH", SUPPORTED, "27 CFR 4.91"),
        ("Saperavi", SUPPORTED, "administratively"),
    ],
)
def test_a_name_is_looked_up_on_the_list(name: str, wanted: str, says: str) -> None:
    rows = rows_of({"variety": [name], "appellation": QB}, part("1", name, QB))
    row = by(rows, "us-variety-name")
    assert (row.verdict, says in row.why) == (wanted, True), row.why


@pytest.mark.parametrize(
    ("label", "recorded", "wanted"),
    [
        ("Syrah", "Sirah", UNDETERMINED),  # a slip of the pen in the records
        ("Cinsaut", "Cinsault", UNDETERMINED),  # two spellings on two lists
        ("Syrah", "Purple Nobody", REFUSED),
        ("Purple Nobody", "Pink Nobody", UNDETERMINED),  # neither is listed
        ("Limberger", "Blaufrankisch", SUPPORTED),
        ("Fume Blanc", "sauvignon-blanc", SUPPORTED),
        ("Pinot blanc", "Pinot Bianco", REFUSED),  # listed apart, nowhere called synonyms
    ],
)
def test_a_recorded_name_is_compared_by_the_list(label: str, recorded: str, wanted: str) -> None:
    rows = rows_of({"variety": [label], "appellation": QB}, part("1", recorded, QB))
    assert by(rows, "us-variety-one").verdict == wanted
    assert (wanted == UNDETERMINED) == ("does not say" in by(rows, "us-variety-one").why)


def test_places_of_different_types_are_each_judged() -> None:
    label = {**MERLOT, "appellation": [QB, "Yarrow County"]}
    rows = rows_of(label, part("0.8", ME, QB, "Yarrow County"), part("0.2", CS, QB))
    found = {row.statement: row.verdict for row in rows if row.rule == "us-variety-one"}
    assert found == {"Merlot, Quail Bench": SUPPORTED, "Merlot, Yarrow County": SUPPORTED}
    assert by(rows, "us-appellation-ava").statement == QB
    assert by(rows, "us-variety-name").statement == "Merlot"  # once, whatever the places
    assert by(rows, "us-appellation-county").statement == "Yarrow County"


def test_the_finishing_place_is_said_not_to_be_judged() -> None:
    rows = rows_of({"appellation": "Larchland"}, part("1", ME, "Larchland"))
    assert "finished" in by(rows, "us-appellation-state").why
    assert by(rows, "us-appellation-state").verdict == SUPPORTED


def test_a_vintage_before_its_rule_is_undetermined() -> None:
    # T.D. TTB-45, 71 FR 25748: the 85 percent began on 1 June 2006
    label = {"vintage": 2005, "appellation": "Larchland"}
    parts = years(("1", 2005), at=["Larchland"])
    before = rows_of(label, *parts, on=date(2006, 5, 31))
    assert claims.verdict(before) == UNDETERMINED
    assert "in force on 2006-05-31" in next(row.why for row in before if row.rule is None)
    assert claims.verdict(rows_of(label, *parts, on=date(2006, 6, 1))) == SUPPORTED


def test_a_market_without_a_pack_leaves_the_label_undetermined() -> None:
    packs, missing = rules.markets(["us", "nowhere", "us"])
    assert ([pack.id for pack in packs], missing) == (["us"], ("nowhere",))
    fills = bulk(wine(part("1", ME, QB)))
    rows = judge(MERLOT, fills, packs, PLACES, TODAY, Label(missing=missing))
    assert (rows[-1].claim, rows[-1].statement) == ("market", "nowhere")
    assert claims.verdict(rows) == UNDETERMINED


def test_without_a_pack_every_statement_is_undetermined() -> None:
    rows = judge(MERLOT, bulk(wine(part("1", ME, QB))), [], PLACES, TODAY)
    assert [(row.claim, row.verdict) for row in rows] == [
        ("variety", UNDETERMINED),
        ("appellation", UNDETERMINED),
    ]


def changed(rule_id: str, **fields: Any) -> rules.Pack:
    """The federal pack with one rule changed."""
    rules_of = [rule.but(**fields) if rule.id == rule_id else rule for rule in US.rule]
    return US.but(rule=tuple(rules_of))


def test_what_a_permission_requires_is_asked_too() -> None:
    pack = changed("us-appellation-ava", requires=("vintage",))
    fills = bulk(wine(part("1", ME, QB, vintage=2024)))
    row = by(judge({"appellation": QB}, fills, [pack], PLACES, TODAY), "us-appellation-ava")
    assert (row.verdict, row.why) == (REFUSED, "The label states no vintage, which this needs.")
    label = {"appellation": QB, "vintage": 2024}
    assert by(judge(label, fills, [pack], PLACES, TODAY), "us-appellation-ava").verdict == SUPPORTED


def test_of_two_permissions_one_is_enough() -> None:
    (ava,) = [rule for rule in US.rule if rule.id == "us-appellation-ava"]
    lower = ava.but(id="us-lower", min_total=Fraction("0.5"))
    pack = US.but(rule=(*US.rule, lower))
    fills = bulk(wine(part("0.6", ME, QB), part("0.4", ME)))
    (row,) = judge({"appellation": QB}, fills, [pack], PLACES, TODAY)
    assert (row.rule, row.verdict) == ("us-lower", SUPPORTED)


def test_a_weak_rule_never_decides() -> None:
    pack = changed("us-appellation-ava", confidence="L")
    for share in ("0.9", "0.1"):
        wines_ = bulk(wine(part(share, ME, QB), part(str(1 - Fraction(share)), ME)))
        row = by(judge({"appellation": QB}, wines_, [pack], PLACES, TODAY), "us-appellation-ava")
        assert (row.verdict, row.confidence) == (UNDETERMINED, "L")
        assert "uncertain" in row.why


def test_the_worst_row_is_the_whole_verdict() -> None:
    row = Verdict("variety", "Merlot", SUPPORTED, "")
    open_, refused = replace(row, verdict=UNDETERMINED), replace(row, verdict=REFUSED)
    assert claims.verdict([row, row]) == SUPPORTED
    assert claims.verdict([row, open_]) == UNDETERMINED
    assert claims.verdict([refused, open_, row]) == REFUSED
    assert claims.verdict([]) == UNDETERMINED  # nothing was judged


def test_a_row_has_the_keys_of_the_command_line() -> None:
    row = by(rows_of(MERLOT, part("1", ME, QB)), "us-variety-one").as_json()
    assert list(row) == [
        "claim", "statement", "rule", "citation", "required",
        "actual", "margin", "verdict", "fill", "why",
    ]  # fmt: skip
    assert row["citation"] == "27 CFR 4.23(b)"
    assert row["statement"] == "Merlot, Quail Bench"
    assert row["fill"] is None


def test_the_notice_leaves_the_decision_to_the_authority() -> None:
    for words in ("not legal advice", "current law", "the authority decides"):
        assert words in claims.NOTICE


@pytest.mark.parametrize(
    ("second", "verdict", "required", "actual"),
    [("0.14", REFUSED, "0.15", "0.14"), ("0.15", SUPPORTED, "0.9", "1")],
)
def test_where_one_name_of_two_is_too_little_its_share_is_told(
    second: str, verdict: str, required: str, actual: str
) -> None:
    first = str(1 - Fraction(second))
    fills = bulk(wine(part(first, ME), part(second, "Malbec")))
    rows = judge({"variety": [ME, "Malbec"]}, fills, [rules.pack("ca-on")], PLACES, TODAY)
    row = by(rows, "ca-on-variety-two")
    assert (row.verdict, row.required) == (verdict, required)
    assert row.actual is not None
    assert Fraction(row.actual) == Fraction(actual)
