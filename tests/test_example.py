"""The example: it loads, balances, and its labels stand where its story says."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from tests.program import EXAMPLE, Run, made, program

pytest_plugins = ("tests.running",)

ZONED = ("--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")


def lines(*files: Path) -> list[dict[str, Any]]:
    """The events of files, as they are written there."""
    return [json.loads(line) for file in files for line in file.read_text("utf-8").splitlines()]


EVENTS = lines(*EXAMPLE)
LAST_DAY = "2026-11-25"
"""README: nothing happens after it; labels and releases may look ahead."""


@pytest.fixture(scope="module")
def one_by_one(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The example in a ledger, loaded file by file as over the years; returns the words that
    name it."""
    at = ("--ledger", str(tmp_path_factory.mktemp("years") / "cellar.duckdb"))
    assert program(*at, "init", *ZONED).code == 0
    for file in EXAMPLE:
        loaded = program(*at, "load", str(file))
        assert loaded.code == 0, loaded.err
    return at


def ask(*words: str) -> Any:
    """The JSON answer to a question, whatever its exit code."""
    return program(*words, "--json").json


def decided(answer: Any, verdict: str) -> list[Any]:
    """The rows of a label's verdicts that decided it so."""
    return [row for row in answer["claims"] if row["verdict"] == verdict]


QUESTIONS = (
    "lots", "lots --bottled", "lots --as-of 2023-06-30", "lots --as-of 2024-12-31", "balance",
    "balance --since 2024-01-01 --until 2024-12-31", "balance --by premises,owner",
    "composition CRS23 --by block,vintage", "composition SCG22 --by certification,fraction",
    "trace STL24", "trace BSY22-MAG", "trace 22-SY-B --forward", "claims BSY23", "claims STL24",
    "claims CRS23",
)  # fmt: skip


@pytest.mark.parametrize("question", QUESTIONS)
def test_file_by_file_and_in_one_call_lead_to_the_same_cellar(
    one_by_one: tuple[str, str], example: Run, question: str
) -> None:
    once, years = example(*question.split()), program(*one_by_one, *question.split())
    assert once == years
    once, years = (ask(*at, *question.split()) for at in ((), one_by_one))
    assert once == years
    assert once


def test_its_findings_are_those_of_its_story(tmp_path: Path) -> None:
    """README: bottles that left before their release, and topping wine above the book; loaded one
    by one, the corrections also name the crush whose fruit weighed more."""
    at = ("--ledger", str(tmp_path / "cellar.duckdb"))
    program(*at, "init", *ZONED)
    once = program(*at, "load", *map(str, EXAMPLE), "--dry-run", "--json").json["findings"]
    rules = sorted(one["rule"] for one in once)
    assert rules == ["gain", "left before its release"]
    years = [program(*at, "load", str(file), "--json").json for file in EXAMPLE]
    rules = sorted(one["rule"] for answer in years for one in answer["findings"])
    assert rules == ["gain", "left before its release", "resolved anew"]
    assert sum(answer["recorded"] for answer in years) == len(EVENTS)


def test_it_verifies_and_balances(one_by_one: tuple[str, str], example: Run) -> None:
    for at in ((), one_by_one):
        answer = example(*at, "verify", "--json")
        assert (answer.code, answer.json["ok"], answer.json["findings"]) == (0, True, [])
        assert answer.json["checked"]["log"] == len(EVENTS) + 1
        for words in (("balance",), ("balance", "--as-of", "2024-03-31")):
            rows = ask(*at, *words)
            assert len(rows) > 60
            assert {row["difference"] for row in rows} == {"0"}


def test_nothing_is_lost_or_found_between_fruit_and_bottle(example: Run) -> None:
    """What all lots took in equals what they gave, lost and hold, to the last digit."""

    def exact(text: str) -> int:
        whole, _, decimals = text.partition(".")
        return int(whole) * 10**12 + int(decimals.ljust(12, "0"))

    for unit in ("L", "kg"):
        rows = [row for row in example("balance", "--json").json if row["unit"] == unit]
        total = {
            key: sum(exact(row[key]) for row in rows)
            for key in ("in", "gained", "out", "lost", "held")
        }
        left = total["out"] + total["lost"] + total["held"]
        assert total["in"] + total["gained"] == left
        assert all(
            sum(exact(amount) for amount in row["lost_by"].values()) == exact(row["lost"])
            for row in rows
        )


def test_known_again_it_changes_nothing(one_by_one: tuple[str, str]) -> None:
    before = program(*one_by_one, "log", "--json").out
    answer = program(*one_by_one, "load", *map(str, EXAMPLE), "--json")
    assert (answer.code, answer.json["recorded"], answer.json["known"]) == (0, 0, len(EVENTS))
    assert answer.json["findings"] == []
    assert program(*one_by_one, "log", "--json").out == before


def test_a_label_fails_its_vintage_by_a_hair(example: Run) -> None:
    """27 CFR 4.27(a)(1): 95 percent of the year beside a viticultural area."""
    answer = example("claims", "BSY23", "--json")
    assert (answer.code, answer.json["verdict"]) == (1, "refused")
    (row,) = decided(answer.json, "refused")
    assert (row["claim"], row["required"]) == ("vintage", "0.95")
    assert row["actual"].startswith("0.949")
    assert row["margin"].startswith("-0.000")
    county = example("claims", "HCS23", "--json")
    assert (county.code, county.json["verdict"]) == (0, "supported"), "85 percent beside a county"


def test_another_stands_exactly_on_its_threshold(example: Run) -> None:
    """27 CFR 4.23(b): not less than 75 percent, and this is 75 percent."""
    answer = example("claims", "STL24", "--json")
    assert (answer.code, answer.json["verdict"]) == (0, "supported")
    (row,) = [row for row in answer.json["claims"] if row["required"] == "0.75"]
    assert (row["claim"], row["verdict"]) == ("variety", "supported")
    assert row["actual"] == "0." + "75".ljust(30, "0")
    assert row["margin"] == "0." + "0" * 30
    drunk = example("composition", "STL24", "--by", "variety")
    assert "75.0000 %" in drunk.out


def test_missing_papers_leave_one_undetermined(example: Run) -> None:
    answer = example("claims", "CRS23", "--json")
    assert (answer.code, answer.json["verdict"]) == (1, "undetermined")
    assert decided(answer.json, "refused") == []
    assert {row["claim"] for row in decided(answer.json, "undetermined")} == {"variety", "vintage"}


def test_every_other_label_is_supported(example: Run) -> None:
    """README, "The label nobody can judge"."""
    verdicts = {}
    for row in example("lots", "--bottled", "--json").json:
        answer = example("claims", row["lot"], "--json")
        if answer.code != 2:
            verdicts[row["lot"]] = answer.json["verdict"]
    assert len(verdicts) > 10
    other = {"BSY23": "refused", "CRS23": "undetermined"}
    assert verdicts == dict.fromkeys(verdicts, "supported") | other


def test_a_wine_may_bear_its_name_in_one_market_and_not_in_another(example: Run) -> None:
    """README, "Other markets": 75 percent here, 85 percent in the Union, Regulation 2019/33, art. 50."""
    found = {}
    for lot, label in (
        ("STL24", "Stateline Syrah 2024, Denmark"),
        ("BVG24", "Bench Viognier 2024, Bristol"),
        ("FRR24", "Fence Row Red 2024, Seattle"),
    ):
        answer = example("claims", lot, "--label", label, "--json")
        found[lot] = (answer.code, answer.json["verdict"])
        if lot == "STL24":
            assert [row["rule"] for row in decided(answer.json, "refused")] == ["eu-variety-one"]
    assert found == {"STL24": (1, "refused"), "BVG24": (0, "supported"), "FRR24": (0, "supported")}


def test_what_could_still_be_added_ends_where_it_says(example: Run) -> None:
    """README, "Other markets": at the volume that is told the statement stands."""
    asked = ("claimable", "BSY24", "--label", "Bench Syrah 2024", "--json")
    rows = {row["rule"]: row for row in example(*asked).json["claims"]}
    row = rows["us-vintage-ava"]
    volume = Fraction(example("composition", "BSY24", "--by", "vintage", "--json").json["volume_l"])
    share = Fraction(row["actual"])
    room = Fraction(row["headroom_l"])
    assert share * volume / (volume + room) >= Fraction("0.95")
    assert share * volume / (volume + room + Fraction("0.000000000002")) < Fraction("0.95")


def test_what_was_known_before_the_correction_is_still_asked(example: Run, tmp_path: Path) -> None:
    """README, "Corrections": bin 31 weighed 410 pounds, not 140."""
    in_march = [row["position"] for row in example("log", "--kind", "correct", "--json").json]
    assert example("log", "--lot", "23-VG-COF", "--json").json[0]["corrected_by"] in in_march
    at = ("--ledger", str(made(tmp_path, *EXAMPLE[:8])))
    more = program(*at, "load", *map(str, EXAMPLE[8:]))
    assert more.code == 0, more.err
    asked = (*at, "composition", "23-SY-C", "--by", "variety", "--as-of", "2024-02-01")
    eight = str(1 + len(lines(*EXAMPLE[:8])))
    before = program(*asked, "--known-on", eight, "--json").json["shares"]
    after = program(*asked, "--json").json["shares"]
    viognier = [
        next(row["share"] for row in rows if row["variety"] == "Viognier")
        for rows in (before, after)
    ]
    assert viognier[0] < viognier[1], "more Viognier than it had seemed"
    bottles = program(*at, "composition", "BSY23", "--by", "variety", "--json").json["shares"]
    assert bottles[0]["share"].startswith("0.96")


@pytest.mark.parametrize("lot", ["STL24", "CFS23-US", "FRR24", "BSY22-MAG", "CRS23"])
def test_a_trace_sums_to_one_and_names_the_regimes(example: Run, lot: str) -> None:
    answer = example("trace", lot, "--json").json
    shares = [int(row["share"].replace(".", "")) for row in answer["sources"]]
    assert sum(shares) == 10**30
    assert any(one["regime"] for row in answer["through"] for one in row["ferment"])


def test_a_restarted_ferment_and_a_field_blend_show(example: Run) -> None:
    """README, "What a bottle is made of"."""
    roles = example("composition", "BGR23", "--by", "variety,role", "--json").json["shares"]
    assert "culture" in {row["role"] for row in roles}
    blend = example("composition", "FRR24", "--by", "variety").out
    for share in ("48.0000 %", "32.0000 %", "20.0000 %"):
        assert share in blend
    fills = example("composition", "SCG22", "--by", "certification", "--json").json["fills"]
    assert len(fills) == 2
    assert {row["certification"] for row in fills[0]["shares"]} == {"organic", None}


def test_a_hold_in_the_wood_is_seen(example: Run) -> None:
    (row,) = [row for row in example("lots", "--json").json if row["lot"] == "24-LONG"]
    assert len(row["holdings"]) == 3
    assert row["holds"]
    assert "on hold" in example("lots").out


def test_it_ends_on_its_last_day() -> None:
    late = [one for one in EVENTS if one["at"][:10] > LAST_DAY]
    assert [(one["kind"], one["lot"]) for one in late] == [("release", "CFS24")]
    assert len({one["id"] for one in EVENTS}) == len(EVENTS)


def packed_with(event: dict[str, Any]) -> list[tuple[str, str, int]]:
    """Of a bottling or packing: material, its lot, pieces."""
    found = []
    for use in event["materials"]:
        amount, unit = use["amount"].split()
        assert unit == "pieces"
        found.append((use["material"], use["lot"], int(amount)))
    return found


def test_every_bottling_names_its_glass_its_cork_and_its_capsule() -> None:
    """As many pieces as bottles, and of no delivery more than came."""
    came: dict[tuple[str, str], int] = {}
    for one in EVENTS:
        if one["kind"] == "receive" and "material" in one:
            name = (one["material"], one["material_lot"])
            came[name] = came.get(name, 0) + int(one["amount"].split()[0])
    bottlings = [one for one in EVENTS if one["kind"] == "bottle"]
    assert len(bottlings) == 23
    for one in bottlings:
        filled = sum(end["bottles"] for end in one.get("to", [one]))
        for what in ("bottle", "cork", "capsule"):
            used = [pieces for name, _, pieces in packed_with(one) if name.split()[0] == what]
            assert sum(used) == filled, one["ref"]
    for one in (one for one in EVENTS if "materials" in one):
        for material, lot, pieces in packed_with(one):
            came[material, lot] -= pieces
    assert min(came.values()) >= 0


def test_one_glass_is_in_four_bottlings_and_went_to_four_parties(example: Run) -> None:
    """README, "A glass that is called back": filled from August 2024 to April 2026, and packed
    on; what is still there is on hold."""
    filled = [
        one
        for one in EVENTS
        if one["kind"] == "bottle" and any(lot == "G-2404" for _, lot, _ in packed_with(one))
    ]
    assert [one.get("lot") for one in filled] == ["CRS23", "BSY23", "CFS23-SH", "BSY24"]
    assert (filled[0]["at"][:7], filled[-1]["at"][:7]) == ("2024-08", "2026-04")
    lots = {"CRS23", "BSY23", "HCS23", "CFS23-US", "CFS23-DK", "BSY24"}
    shipped = [one for one in EVENTS if one["kind"] == "ship" and one.get("lot") in lots]
    reached = {one["to"] for one in shipped}
    assert len(reached) == 4
    parties = {one["name"]: one for one in EVENTS if one["kind"] == "party"}
    assert all(parties[name]["address"] and parties[name]["phone"] for name in reached)
    held = {row["lot"] for row in example("lots", "--bottled", "--json").json if row.get("holds")}
    assert held == lots


WEEK = "2025-02-17"
"""README, "A bottling week": the evening before the first run."""


def last_of(lot: str) -> dict[str, str]:
    """When a lot was last treated, measured for a quantity and signed for at a gate."""
    found: dict[str, str] = {}
    for one in EVENTS:
        if one.get("lot") == lot and one["at"][:10] <= WEEK:
            found |= dict.fromkeys([one["kind"], *one.get("values", ())], one["at"])
            if one.get("result") == "pass":
                found[one["gate"]] = one["at"]
    return found


def test_four_wines_stand_before_a_bottling_week(example: Run) -> None:
    """README, "A bottling week": each has a label whose statements are supported; what is measured
    and what happened since tells them apart; one is on hold."""
    rows = {row["lot"]: row for row in example("lots", "--as-of", WEEK, "--json").json}
    wines = ("24-VGB", "24-RS", "24-SC", "24-LH")
    for lot in wines:
        assert rows[lot]["state"] == "wine"
        answer = example("claims", lot, "--as-of", WEEK, "--json")
        assert (answer.code, answer.json["verdict"]) == (0, "supported")
    assert [lot for lot in wines if rows[lot].get("holds")] == ["24-LH"]
    last = {lot: last_of(lot) for lot in wines}
    assert "heat_stability" not in last["24-RS"]
    for lot in ("24-VGB", "24-LH"):
        assert last[lot]["treat"] < last[lot]["heat_stability"], "measured after it was treated"
        assert last[lot]["free_so2"][:10] == last[lot]["B17"][:10] == last[lot]["B33"][:10] == WEEK
    assert last["24-SC"]["alcohol"] < last["24-SC"]["treat"], "treated after it was measured"
    assert last["24-SC"]["B30"] < last["24-SC"]["treat"]


def test_the_stuck_grenache_was_read_every_morning() -> None:
    """README, "A morning in the harvest": four and a half, and nothing moves."""
    read = {
        one["at"][:10]: one
        for one in EVENTS
        if one["kind"] == "reading" and one["lot"] == "23-GR-B" and "brix" in one
    }
    days = [f"2023-10-{day:02d}" for day in range(6, 25)]
    assert [day for day in days if day not in read] == []
    brix = [Fraction(read[day]["brix"]) for day in days]
    assert brix == sorted(brix, reverse=True)
    assert brix[days.index("2023-10-15")] == Fraction("4.5")
    assert all("temperature" in one for one in read.values())
