"""A mix-up of two vessels: the corrections that exchange their names, and what they change."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ampelog import ledger as ledgers
from ampelog.amending import Mixed, swap
from ampelog.errors import Refused
from ampelog.questions import View
from tests.conftest import Vintage
from tests.program import EXAMPLE, Run, made, program

pytest_plugins = ("tests.running",)
AT = "2026-05-01"
BARRELS = """
{"kind": "receive", "at": "2025-01-01", "lot": "S", "volume": "400 L", "vessel": "T1",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024}]}
{"kind": "receive", "at": "2025-01-01", "lot": "G", "volume": "400 L", "vessel": "T2",
 "state": "wine", "composition": [{"share": "1", "variety": "Grenache", "vintage": 2024}]}
{"kind": "rack", "at": "2025-01-10", "from": {"lot": "S", "volume": "300 L"},
 "to": {"lot": "S1", "vessels": ["W1", "W2", "W3"], "volume": "300 L"}}
{"kind": "rack", "at": "2025-01-11", "from": {"lot": "G", "volume": "200 L"},
 "to": [{"lot": "G1", "vessel": "W4", "volume": "100 L"},
        {"lot": "G1", "vessel": "W5", "volume": "100 L"}]}
{"kind": "top", "at": "2025-02-01", "from": {"lot": "S", "vessel": "T1", "volume": "6 L"},
 "to": {"lot": "S1", "vessels": ["W1", "W2", "W3"], "each": "2 L"}}
{"kind": "analysis", "at": "2025-02-10", "lot": "G1", "vessel": "W4", "values": {"ph": "3.5"}}
{"kind": "blend", "at": "2025-03-01", "from": [{"lot": "S1", "vessel": "W3", "volume": "50 L"},
 {"lot": "G", "volume": "50 L"}], "to": {"lot": "B", "vessel": "T5", "volume": "100 L"}}
"""


def amended(cellar: Vintage, since: str, until: str | None = None) -> list[dict[str, Any]]:
    mixed = Mixed("W3", "W4", since, until)
    return [one.correction for one in swap(cellar.view(), mixed, AT)]


def ends(event: dict[str, Any], side: str) -> list[tuple[str, Any]]:
    there = event[side] if isinstance(event[side], list) else [event[side]]
    return [(end["lot"], end.get("vessel") or end.get("vessels")) for end in there]


def load(cellar: Vintage, corrections: list[dict[str, Any]]) -> list[str]:
    done = cellar.record([json.dumps(one).encode() for one in corrections])
    return [one.rule for one in done.findings]


def test_mixed_up_before_they_were_filled_the_lots_are_those_that_were_meant(
    vintage: Vintage,
) -> None:
    vintage.load(BARRELS)
    found = amended(vintage, "2025-01-10")
    new = [one["replacement"] for one in found]
    assert [one["kind"] for one in new] == ["rack", "rack", "top", "analysis", "blend"]
    assert ends(new[0], "to") == [("S1", ["W1", "W2", "W4"])]
    assert ends(new[1], "to") == [("G1", "W3"), ("G1", "W5")]
    assert ends(new[2], "to") == [("S1", ["W1", "W2", "W4"])]
    assert (new[3]["lot"], new[3]["vessel"]) == ("G1", "W3")
    assert ends(new[4], "from")[0] == ("S1", "W4")
    load(vintage, found)
    assert set(vintage.holds("S1")) == {"W1", "W2", "W4"}
    assert set(vintage.holds("G1")) == {"W3", "W5"}
    assert amended(vintage, "2025-01-10")[0]["replacement"]["to"]["vessels"] == ["W1", "W2", "W3"]


def test_mixed_up_once_they_were_full_the_lots_follow_the_vessels(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    before = vintage.composition("B")
    assert {leaf.variety: before.share(leaf) for leaf in before.leaves}.keys() == {
        "Syrah",
        "Grenache",
    }
    found = amended(vintage, "2025-02-01")
    new = [one["replacement"] for one in found]
    assert ends(new[0], "to") == [("S1", ["W1", "W2"]), ("G1", "W4")]
    assert [end.get("each") or end.get("volume") for end in new[0]["to"]] == ["2 L", "2 L"]
    assert (new[1]["lot"], new[1]["vessel"]) == ("S1", "W3")
    assert ends(new[2], "from")[0] == ("G1", "W4")
    load(vintage, found)
    after = vintage.composition("B")
    shares = {leaf.variety: float(after.share(leaf)) for leaf in after.leaves}
    # of a barrel that took two litres of Syrah in a hundred and two, and fifty litres of Grenache
    assert shares["Grenache"] == pytest.approx(0.5 + 0.5 * 100 / 102)


def test_what_happened_outside_the_days_or_names_both_alike_stays(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    assert [one["replacement"]["kind"] for one in amended(vintage, "2025-02-10", "2025-02-10")] == [
        "analysis"
    ]
    assert amended(vintage, "2025-04-01") == []
    both = """
    {"kind": "reading", "at": "2025-04-02", "lot": "S1", "vessels": ["W2", "W3"],
     "temperature": "14 C"}
    """
    vintage.load(both)
    mixed = Mixed("W2", "W3", "2025-04-01")
    assert swap(vintage.view(), mixed, AT) == []


def test_what_cannot_have_happened_so_is_refused_and_says_where(vintage: Vintage) -> None:
    vintage.load(BARRELS)
    vintage.load("""
    {"kind": "reading", "at": "2025-04-02", "lot": "S1", "vessels": ["W2", "W3"],
     "temperature": "14 C"}
    """)
    with pytest.raises(Refused, match="would hold several lots") as caught:
        amended(vintage, "2025-04-01")
    assert "correct it by hand" in str(caught.value.hint)
    vintage.load("""
    {"kind": "rack", "at": "2025-05-03", "from": {"lot": "G1", "vessel": "W4", "volume": "90 L"},
     "to": {"lot": "N", "vessel": "T7", "volume": "90 L"}}
    """)
    with pytest.raises(Refused, match="could not have happened") as refusal:
        amended(vintage, "2025-05-03")
    assert refusal.value.findings


@pytest.mark.parametrize(
    ("one", "other", "since", "says"),
    [
        ("W3", "W3", "2025-01-10", "named twice"),
        ("W3", "W44", "2025-01-10", "no event names a vessel `W44`"),
        ("W3", "B1", "2025-01-10", "no event names a vessel `B1`"),
        ("W3", "W4", "last week", "last week"),
    ],
)
def test_bad_questions_are_refused(
    vintage: Vintage, one: str, other: str, since: str, says: str
) -> None:
    vintage.load(BARRELS)
    with pytest.raises(Refused) as caught:
        swap(vintage.view(), Mixed(one, other, since), AT)
    assert says in str(caught.value)


def test_the_example_s_own_corrections_are_found(tmp_path: Path) -> None:
    """The ten that somebody wrote by hand in March 2024, from the ledger as it was before."""
    files = [file for file in EXAMPLE if file.name < "09"]
    path = made(tmp_path, *files)
    with ledgers.opened(path, write=False) as ledger:
        found = swap(View(ledger), Mixed("P-20", "P-25", "2023-11-06"), AT)
    by_hand = {}
    for line in next(file for file in EXAMPLE if file.name >= "09").read_text().splitlines():
        event = json.loads(line)
        if event["kind"] == "correct" and "P-20" in json.dumps(event):
            by_hand[event["corrects"]] = event["replacement"]
    told = {one.correction["corrects"]: one.after for one in found}
    assert len(told) == 10
    assert {id_: _sorted(event) for id_, event in told.items()} == {
        id_: _sorted(event) for id_, event in by_hand.items()
    }


def _sorted(value: Any) -> Any:
    """Without who wrote it and in what order vessels are named."""
    if isinstance(value, dict):
        return {key: _sorted(one) for key, one in value.items() if key not in ("by", "note")}
    if isinstance(value, list):
        return sorted(
            (_sorted(one) for one in value), key=lambda one: json.dumps(one, sort_keys=True)
        )
    return value


def test_the_command_writes_them_down_and_records_nothing(run: Run, tmp_path: Path) -> None:
    events = tmp_path / "barrels.jsonl"
    lines = " ".join(BARRELS.split("\n")).replace('{"kind"', '\n{"kind"').strip()
    events.write_text(lines, encoding="utf-8")
    path = made(tmp_path, events, premises="Home")
    asked = ("--ledger", str(path), "amend", "--swap", "W3", "W4")
    head = program("--ledger", str(path), "verify", "--json").json
    shown = run(*asked, "--since", "2025-02-01")
    assert shown.code == 0
    assert "nothing was recorded" in shown.out
    assert "B" in shown.out
    told = run(*asked, "--since", "2025-02-01", "-o", "swap.jsonl", "--json")
    assert {one["lot"] for one in told.json["changes"]} >= {"B", "G1", "S1"}
    assert len(told.json["corrections"]) == 3
    again = run(*asked, "--since", "2025-02-01", "-o", "swap.jsonl")
    assert again.code == 2
    assert "is there already" in again.said
    assert program("--ledger", str(path), "verify", "--json").json == head
    assert run("--ledger", str(path), "load", "swap.jsonl").code == 0
    nothing = run(*asked, "--since", "2026-01-01")
    assert nothing.code == 1
    assert "No event of those days" in nothing.out
