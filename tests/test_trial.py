"""Trials: what a candidate would be is what it is once recorded; the best blend, to the millilitre;
what collides; recording once asked, and once only.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ampelog import recipe
from ampelog.blend_search import Search
from ampelog.errors import Refused
from ampelog.estimate import Draw, Readings, estimate
from ampelog.moments import instant
from ampelog.recipe import Candidate
from ampelog.shares import SUPPORTED
from ampelog.trial import Asking, Trial
from tests.conftest import NOW, ZONE, Vintage
from tests.program import Answer, Run, copied

pytest_plugins = ("tests.running",)

NOTICE = "Decision support, not legal advice. Check current law; the authority decides."
EQUAL = """
into = "E"
vessel = "T9"
label = "Red"
[[candidate]]
name = "three to one"
from = ["A@T1 30 gal", "B 10 gal"]
"""
CHEAP = """
into = "E"
label = "Red"
cost_per = "gal"
currency = "USD"
cost = {A = "20", B = "8.5"}
[target]
aim = "cheapest"
volume = "40 gal"
use = ["A", "B"]
"""
CLOCK = "2026-01-05T12:00:00Z"


def put(tmp_path: Path, words: str, name: str = "t.toml") -> str:
    (tmp_path / name).write_text(words, encoding="utf-8")
    return name


def volumes(answer: Answer) -> dict[str, str]:
    return {row["lot"]: row["volume_l"] for row in answer.json["components"]}


# --- a candidate ---


def test_a_candidate_is_what_it_is_once_recorded(
    cellar: Run, tmp_path: Path, recorded_at: Callable[[str], None]
) -> None:
    recorded_at(CLOCK)
    name = put(tmp_path, EQUAL)
    before = (tmp_path / "cellar.journal.jsonl").read_bytes()
    tried = cellar("trial", name, "--json")
    assert tried.code == 0
    assert (tmp_path / "cellar.journal.jsonl").read_bytes() == before
    assert cellar("composition", "E").code == 2, "it is not there"
    (tmp_path / "copy").mkdir()
    copied(tmp_path / "cellar.duckdb", tmp_path / "copy")
    there = ("--ledger", "copy/cellar.duckdb")
    assert cellar("trial", name, "--record", "--yes", *there).code == 0
    asked = ("--by", "variety,vintage", "--json")
    made = cellar("composition", "E", *asked, *there).json
    assert tried.json["composition"] == made["shares"]
    assert tried.json["volume_l"] == made["volume_l"] == "151.41647136"
    judged = cellar("claims", "E", "--label", "Red", "--json", *there).json
    assert tried.json["claims"] == judged["claims"]
    assert tried.json["verdict"] == judged["verdict"] == SUPPORTED
    assert volumes(tried) == {"A": "113.56235352", "B": "37.85411784"}
    assert tried.json["candidates"] == [
        {key: value for key, value in tried.json.items() if key != "candidates"}
    ]


def test_a_drop_more_of_the_other_ends_the_statement_and_the_answer_is_no(
    cellar: Run, tmp_path: Path
) -> None:
    more = EQUAL.replace("B 10 gal", "B 10.001 gal")
    answer = cellar("trial", put(tmp_path, more))
    assert answer.code == 1
    assert "not supported by the records" in answer.out
    assert answer.out.rstrip().endswith(NOTICE)
    both = more + '\n[[candidate]]\nname = "more"\nfrom = ["A 40 gal", "B 10 gal"]\n'
    answer = cellar("trial", put(tmp_path, both), "--json")
    assert answer.code == 0, "one of them may say it"
    assert [one["verdict"] for one in answer.json["candidates"]] == ["refused", SUPPORTED]
    assert [one["name"] for one in answer.json["candidates"]] == ["three to one", "more"]


def test_json_says_what_toml_says(
    cellar: Run, tmp_path: Path, recorded_at: Callable[[str], None]
) -> None:
    recorded_at(CLOCK)
    table = {
        "into": "E",
        "vessel": "T9",
        "label": "Red",
        "candidate": [
            {
                "name": "three to one",
                "from": [{"lot": "A", "vessel": "T1", "volume": "30 gal"}, "B 10 gal"],
            }
        ],
    }
    one = cellar("trial", put(tmp_path, EQUAL), "--json").json
    other = cellar("trial", put(tmp_path, json.dumps(table), "t.json"), "--json").json
    for told in (one, other):
        told["event"].pop("id")
        told.pop("candidates")
    assert one == other


def test_a_label_may_be_described_and_a_market_asked_without_one(
    cellar: Run, tmp_path: Path
) -> None:
    own = EQUAL.replace('label = "Red"\n', "").replace(
        "[[candidate]]", '[label]\nname = "New"\nstatements = {variety = ["Merlot"]}\n[[candidate]]'
    )
    answer = cellar("trial", put(tmp_path, own), "--json")
    assert (answer.code, answer.json["label"]) == (1, "New")
    assert "refused" in {row["verdict"] for row in answer.json["claims"]}
    none = EQUAL.replace('label = "Red"\n', 'markets = ["us"]\n')
    answer = cellar("trial", put(tmp_path, none), "--json")
    assert (answer.code, answer.json["verdict"]) == (0, None)
    assert all("headroom_l" in row for row in answer.json["claims"])
    assert NOTICE in cellar("trial", put(tmp_path, none)).out
    bare = cellar("trial", put(tmp_path, EQUAL.replace('label = "Red"\n', "")), "--json")
    assert bare.json["claims"] == []
    strange = cellar("trial", put(tmp_path, none.replace('"us"', '"mars"')))
    assert strange.code == 2


def test_cost_is_exact_and_what_is_not_stated_is_said(cellar: Run, tmp_path: Path) -> None:
    costs = 'cost_per = "gal"\ncurrency = "USD"\ncost = {A = "12.40", B = "9"}\n'
    answer = cellar("trial", put(tmp_path, costs + EQUAL), "--json")
    assert answer.json["cost"] == {"currency": "USD", "per": "gal", "missing": [],
                                   "total": "462.0000", "mean": "11.5500"}  # fmt: skip
    costs = costs.replace(', B = "9"', "")
    told = cellar("trial", put(tmp_path, costs + EQUAL), "--json").json["cost"]
    assert (told["missing"], told["total"]) == (["B"], None)
    assert "not stated of B" in cellar("trial", put(tmp_path, costs + EQUAL)).out


def test_a_trial_of_what_cannot_be_is_refused_as_its_recording_would_be(
    cellar: Run, tmp_path: Path
) -> None:
    for change, says in {
        "A@T1 3000 gal": "holds 50 gal (189.2",
        "A@T7 30 gal": "T7",
        "Z 30 gal": "there is no lot `Z`",
        "C24 5 bottles": "by volume",
    }.items():
        words = EQUAL.replace('"A@T1 30 gal", "B 10 gal"', f'"{change}"')
        answer = cellar("trial", put(tmp_path, words))
        assert (answer.code, answer.out) == (2, ""), change
        assert says in answer.said
    full = cellar("trial", put(tmp_path, EQUAL.replace("T9", "T4")))
    assert "still holds" in full.said
    for words in (EQUAL, CHEAP):
        mixed = put(tmp_path, words.replace('"E"', '"B"').replace('vessel = "T9"', ""))
        for more in ((), ("--as-of", "2025-12-31")):
            answer = cellar("trial", mixed, *more)
            assert (answer.code, "`B` holds wine already" in answer.said) == (2, True)


def test_a_trial_rests_on_supposed_events_and_on_a_past_day(cellar: Run, tmp_path: Path) -> None:
    event = ('{"kind":"receive","at":"2025-07-01","lot":"S","vessel":"T6","volume":"50 gal",'
             '"composition":[{"share":"1","variety":"Syrah","vintage":2024}]}')  # fmt: skip
    put(tmp_path, event, "bought.jsonl")
    words = EQUAL.replace("B 10 gal", "S 10 gal")
    assert cellar("trial", put(tmp_path, words)).code == 2
    assert cellar("trial", "t.toml", "--with", "bought.jsonl", "--json").json["volume_l"]
    then = EQUAL.replace("A@T1 30 gal", "A@T1 150 gal").replace("B 10 gal", "B 50 gal")
    assert cellar("trial", put(tmp_path, then)).code == 2, "it is blended away since"
    answer = cellar("trial", "t.toml", "--as-of", "2024-11-30", "--json")
    assert (answer.code, answer.json["volume_l"]) == (0, "757.0823568")
    assert cellar("trial", "t.toml", "--known-on", "9").code == 2
    assert cellar("trial", "t.toml", "--csv").code == 2


# --- the best blend ---


def test_the_cheapest_blend_keeps_its_label_to_the_step(cellar: Run, tmp_path: Path) -> None:
    answer = cellar("trial", put(tmp_path, CHEAP), "--json")
    assert answer.code == 0
    assert volumes(answer) == {"A": "113.56235352", "B": "37.85411784"}
    assert answer.json["target"]["proved"]
    assert answer.json["verdict"] == SUPPORTED
    fine = CHEAP.replace('"40 gal"', '"100.001 L"\nstep = "1 mL"')
    assert volumes(cellar("trial", put(tmp_path, fine), "--json")) == {"A": "75.001", "B": "25"}
    free = cellar("trial", put(tmp_path, CHEAP + "claims = false\n"), "--json")
    assert volumes(free) == {"B": "151.41647136"}
    assert free.code == 0, "nothing was to be kept"
    assert free.json["verdict"] == "refused"
    told = cellar("trial", put(tmp_path, CHEAP))
    assert "no blend in steps of 1 gal does better" in told.out
    assert told.out.rstrip().endswith(NOTICE)


def test_lots_may_be_spared_and_asked_for(cellar: Run, tmp_path: Path) -> None:
    words = CHEAP + 'least = {A = "33 gal"}\nspare = {B = "145 gal"}\n'
    found = volumes(cellar("trial", put(tmp_path, words), "--json"))
    assert found == {"A": "136.274824224", "B": "15.141647136"}  # 36 and 4 gal: 4.999 are over
    closest = CHEAP.replace("cheapest", "closest") + 'near = {A = "10 gal", B = "30 gal"}\n'
    found = volumes(cellar("trial", put(tmp_path, closest), "--json"))
    assert found == {"A": "113.56235352", "B": "37.85411784"}
    small = CHEAP + 'smallest = "15 gal"\n'
    assert volumes(cellar("trial", put(tmp_path, small), "--json")) == {"A": "151.41647136"}
    dear = CHEAP + 'cost_most = "17.12"\n'
    assert cellar("trial", put(tmp_path, dear)).code == 1
    dear = CHEAP + 'cost_most = "17.125"\n'
    assert cellar("trial", put(tmp_path, dear)).code == 0


def test_targets_that_collide_are_named_and_no_others(cellar: Run, tmp_path: Path) -> None:
    words = CHEAP + 'most = {A = "25 gal"}\nleast = {B = "2 gal"}\n'
    answer = cellar("trial", put(tmp_path, words), "--json")
    assert answer.code == 1
    assert answer.json["components"] == []
    collide = answer.json["target"]["collide"]
    assert collide[:2] == ["a volume of 40 gal", "at most 25 gal of A"]
    assert len(collide) == 3
    assert collide[2].startswith("variety: Syrah")
    told = cellar("trial", "t.toml")
    assert told.code == 1
    assert "Without any one of them there is one." in told.out
    alone = cellar("trial", put(tmp_path, CHEAP + 'least = {A = "60 gal"}\n'), "--json")
    assert alone.json["target"]["collide"] == ["at least 60 gal of A"]
    grid = CHEAP.replace('"40 gal"', '"40 gal"\nstep = "7 gal"')
    answer = cellar("trial", put(tmp_path, grid), "--json")
    assert answer.json["target"]["finer_steps_would_do"]
    assert "finer ones would do" in cellar("trial", "t.toml").out
    keep = CHEAP + 'claims = ["variety", "estate_bottled"]\n'
    assert "states no `estate_bottled`" in cellar("trial", put(tmp_path, keep)).said


WINES = """
{{"kind": "label", "at": "2000-01-01", "name": "Ford Syrah",
 "statements": {{"variety": ["Syrah"], "vintage": 2024, "appellation": "Two Fords"}}}}
{{"kind": "receive", "at": "2024-12-01", "lot": "X", "vessel": "T1", "volume": "300 L",
 "composition": [{{"share": "{0}", "variety": "Syrah", "vintage": 2024, "within": ["Two Fords"]}},
 {{"share": "{1}", "variety": "Grenache", "vintage": 2024, "within": ["Two Fords"]}}]}}
{{"kind": "receive", "at": "2024-12-01", "lot": "Y", "vessel": "T2", "volume": "300 L",
 "composition": [{{"share": "{2}", "variety": "Syrah", "vintage": 2024, "within": ["Two Fords"]}},
 {{"share": "{3}", "variety": "Viognier", "vintage": 2023, "within": ["Two Fords"]}}]}}
{{"kind": "receive", "at": "2024-12-01", "lot": "Z", "vessel": "T3", "volume": "300 L"}}
"""


@settings(max_examples=10)
@given(
    st.fractions(Fraction(76, 100), Fraction(99, 100), max_denominator=1000),
    st.fractions(Fraction(1, 100), Fraction(99, 100), max_denominator=1000),
    st.sampled_from(["Y", "Z"]),
    st.integers(20_000, 250_000),
)
def test_as_much_goes_in_as_the_label_bears_to_the_millilitre(
    another: Callable[[], Vintage], rich: Fraction, poor: Fraction, other: str, millilitres: int
) -> None:
    """Of a wine that is to be used up, and the other as far as it goes: a millilitre more of it
    would end a statement, as the trial of that says."""
    cellar = another()
    cellar.load(WINES.format(rich, 1 - rich, poor, 1 - poor))
    x = f"{millilitres // 1000}.{millilitres % 1000:03d} L"
    table = {
        "label": "Ford Syrah",
        "target": {
            "aim": "closest",
            "volume": {"least": "1 L"},
            "step": "1 mL",
            "use": ["X", other],
            "least": {"X": x},
            "most": {"X": x},
            "near": {"X": x, other: "300 L"},
        },
    }
    trial = trial_of(cellar, table)
    tried, found = Search(trial).found()
    assert tried is not None
    assert found.amounts is not None
    assert found.proved
    taken, come = found.amounts
    assert taken == millilitres
    assert tried.answer["verdict"] == SUPPORTED
    assume(come < 300_000)
    more = f"{(come + 1) // 1000}.{(come + 1) % 1000:03d} L"
    sources = ({"lot": "X", "volume": x}, {"lot": other, "volume": more})
    assert trial.tried(Candidate("more", sources)).answer["verdict"] != SUPPORTED


@settings(max_examples=5)
@given(
    st.fractions(Fraction(1, 2), Fraction(39, 40), max_denominator=40),
    st.fractions(Fraction(1, 40), Fraction(4, 5), max_denominator=40),
    st.lists(st.integers(1, 30), min_size=3, max_size=3),
)
def test_no_blend_that_keeps_the_label_is_cheaper(
    another: Callable[[], Vintage], rich: Fraction, poor: Fraction, costs: list[int]
) -> None:
    """Every blend of 200 L in steps of 50 L is tried, and its verdict read."""
    cellar = another()
    cellar.load(WINES.format(rich, 1 - rich, poor, 1 - poor))
    lots = ("X", "Y", "Z")
    table = {
        "label": "Ford Syrah",
        "cost": {lot: str(cost) for lot, cost in zip(lots, costs, strict=True)},
        "target": {"aim": "cheapest", "volume": "200 L", "step": "50 L", "use": list(lots)},
    }
    trial = trial_of(cellar, table)
    tried, found = Search(trial).found()
    lawful = []
    for amounts in product(range(5), repeat=3):
        if sum(amounts) == 4:
            drawn = [
                {"lot": lot, "volume": f"{50 * count} L"}
                for lot, count in zip(lots, amounts, strict=True)
                if count
            ]
            if trial.tried(Candidate("one", tuple(drawn))).answer["verdict"] == SUPPORTED:
                paid = sum(50 * n * cost for n, cost in zip(amounts, costs, strict=True))
                lawful.append(Fraction(paid))
    if tried is None:
        assert lawful == []
        assert found.collide
    else:
        assert found.proved
        assert Fraction(tried.answer["cost"]["total"]) == min(lawful)


def trial_of(cellar: Vintage, table: dict[str, Any], as_of: str | None = None) -> Trial:
    plan = recipe.read(json.dumps(table).encode(), "t.json")
    return Trial(cellar.ledger, plan, Asking("Ines", NOW, as_of))


def test_several_vessels_are_drawn_evenly_and_the_emptiest_bounds_them(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "300 L",
     "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024}]}
    {"kind": "barrel_down", "at": "2024-12-02", "from": {"lot": "A", "volume": "300 L"},
     "to": [{"lot": "A", "vessel": "B1", "volume": "200 L"},
     {"lot": "A", "vessel": "B2", "volume": "100 L"}]}
    """
    target = {"aim": "closest", "volume": {"most": "300 L"}, "use": ["A"], "near": {"A": "300 L"}}
    tried, _ = Search(trial_of(vintage, {"target": target})).found()
    assert tried is not None
    assert tried.answer["volume_l"] == "200"
    assert tried.answer["components"] == [
        {"lot": "A", "vessels": ["B1", "B2"], "volume_l": "200", "share": "1." + "0" * 30}
    ]


PARTED = """
{"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
{"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T3", "volume": "100 L"}
{"kind": "receive", "at": "2024-12-01", "lot": "B", "vessel": "T2", "volume": "1000 L"}
{"kind": "receive", "at": "2024-12-01", "lot": "C", "vessel": "C1", "volume": "20 L"}
{"kind": "receive", "at": "2024-12-01", "lot": "C", "vessel": "C2", "volume": "1000 L"}
"""


def blended(cellar: Vintage, use: str, cost: str, **target: Any) -> dict[str, str] | None:
    """What the cheapest 200 L take of each wine, by its lot and vessels; None where none is."""
    prices = dict(one.split("=") for one in cost.split())
    wanted = {"aim": "cheapest", "volume": "200 L", "use": use.split(), **target}
    tried, _ = Search(trial_of(cellar, {"cost": prices, "target": wanted})).found()
    if tried is None:
        return None
    rows = tried.answer["components"]
    return {f"{row['lot']}@{','.join(row['vessels'])}": row["volume_l"] for row in rows}


@pytest.mark.parametrize(
    ("use", "cost", "target", "wanted"),
    [
        ("A@T1 A@T3 B", "A=1 B=2", {"most": {"A": "50 L"}}, {"A": 50, "B": 150}),
        ("A@T1 A@T3 B", "A=1 B=2", {"spare": {"A": "60 L"}}, {"A": 140, "B": 60}),
        ("A@T1 B", "A=1 B=2", {"spare": {"A": "100 L"}}, {"A": 100, "B": 100}),
        ("A@T1 B", "A=1 B=2", {"spare": {"A@T1": "60 L"}}, {"A": 40, "B": 160}),
        ("A@T1 A@T3 B", "A=3 B=2", {"least": {"A": "60 L"}}, {"A": 60, "B": 140}),
        ("A@T1 A@T3 B", "A=1 B=2", {"most": {"A@T1": "10 L"}}, {"A": 110, "B": 90}),
        ("C B", "C=1 B=2", {"spare": {"C": "100 L"}}, {"C": 40, "B": 160}),
        ("C B", "C=1 B=2", {"spare": {"C": "981 L"}}, {"C": 39, "B": 161}),
        ("C B", "C=1 B=2", {"spare": {"C": "1021 L"}}, None),
        ("A B", "A@T1=1 A@T3=9 B=3", {"cost_most": "4"}, {"B": 200}),
        ("A B", "A@T1=1 A@T3=9 B=6", {"cost_most": "5.5"}, {"A": 200}),
    ],
)
def test_what_is_asked_of_a_lot_holds_for_all_of_it(
    vintage: Vintage, use: str, cost: str, target: dict[str, Any], wanted: dict[str, int] | None
) -> None:
    """By hand: of the cheaper wine as much as the target leaves; drawn evenly, a lot costs the mean
    of its vessels."""
    vintage.load(PARTED)
    found = blended(vintage, use, cost, **target)
    taken: dict[str, int] = {}
    for where, volume in (found or {}).items():
        taken[where[0]] = taken.get(where[0], 0) + int(volume)
    assert (taken or None) == wanted


def test_a_lot_is_near_to_what_is_wished_of_it_by_all_that_it_is_used_as(
    vintage: Vintage,
) -> None:
    vintage.load(PARTED)
    near = {"A": "150 L", "B": "50 L"}
    found = blended(vintage, "A@T1 A@T3 B", "A=1 B=1", aim="closest", near=near)
    assert found is not None
    assert found["B@T2"] == "50"


def test_a_wine_that_is_named_twice_is_refused(vintage: Vintage) -> None:
    vintage.load(PARTED)
    for use in ("A A@T1", "B B"):
        with pytest.raises(Refused, match="both draw on"):
            blended(vintage, use, "A=1 B=1")


def test_a_statement_that_no_blend_can_bear_collides_alone(vintage: Vintage) -> None:
    vintage.load(WINES.format(Fraction(1, 2), Fraction(1, 2), Fraction(1, 4), Fraction(3, 4)))
    target = {"aim": "cheapest", "volume": "200 L", "use": ["X", "Y"], "claims": ["variety"]}
    table = {"label": "Ford Syrah", "cost": {"X": "1", "Y": "2"}, "target": target}
    tried, found = Search(trial_of(vintage, table)).found()
    assert tried is None
    assert [name.partition(":")[0] for name in found.collide] == ["variety"]


def test_an_accent_is_the_same_however_the_file_has_it(vintage: Vintage) -> None:
    vintage.load(
        '{"kind": "receive", "at": "2024-12-01", "lot": "Ros\u00e9", "vessel": "T1", "volume": "9 L"}'
    )
    words = '[cost]\n"Rose\u0301" = "1"\n[[candidate]]\nfrom = ["Rose\u0301 5 L"]\n'
    plan = recipe.read(words.encode(), "t.toml")
    (candidate,) = plan.candidates
    tried = Trial(vintage.ledger, plan, Asking("Ines", NOW)).tried(candidate)
    assert (tried.answer["volume_l"], tried.answer["cost"]["missing"]) == ("5", [])
    twice = words.replace("[[", '"Ros\u00e9" = "2"\n[[', 1)
    with pytest.raises(Refused) as caught:
        recipe.read(twice.encode(), "t.toml")
    assert "the key `Ros\u00e9` stands twice" in caught.value.says


# --- estimates ---

READINGS = """
{"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "300 L"}
{"kind": "receive", "at": "2024-12-01", "lot": "B", "vessel": "T2", "volume": "300 L"}
{"kind": "analysis", "at": "2024-12-05", "lot": "A",
 "values": {"alcohol": "15.0", "ta": "9", "va": "0.40", "total_so2": "<10", "ph": "3.5"}}
{"kind": "analysis", "at": "2024-12-06", "lot": "B", "vessel": "T2",
 "values": {"alcohol": "10", "ta": "5", "total_so2": "30", "glucose_fructose": "1.2"}}
"""


def found_in(cellar: Vintage, *draws: Draw, at: str = "2025-06-01") -> dict[str, dict[str, Any]]:
    lots = {draw.lot for draw in draws}
    rows = estimate(draws, Readings(cellar.view(), instant(at, ZONE), lots))
    return {row["quantity"]: row for row in rows}


def test_what_mixes_by_volume_is_reckoned_and_the_rest_measured_again(vintage: Vintage) -> None:
    # Parts after Pearson's square: 15 and 10 % make 13.5 % as 3.5 to 1.5 (published example, see
    # the reference on blend arithmetic); 9 and 5 g/L make 6 as 1 to 3.
    vintage.load(READINGS)
    rows = found_in(vintage, Draw("A", "T1", 70), Draw("B", "T2", 30))
    assert (rows["alcohol"]["value"], rows["alcohol"]["unit"]) == ("13.5", "% vol")
    assert [each["measured_on"] for each in rows["alcohol"]["rests_on"]] == [
        "2024-12-05", "2024-12-06"]  # fmt: skip
    assert found_in(vintage, Draw("A", "T1", 1), Draw("B", "T2", 3))["ta"]["value"] == "6"
    assert (rows["total_so2"]["value"], rows["total_so2"]["below"]) == ("16", True)
    assert rows["va"]["value"] is None
    assert rows["va"]["missing"] == [{"lot": "B", "vessel": "T2"}]
    assert rows["glucose_fructose"]["missing"] == [{"lot": "A", "vessel": "T1"}]
    for quantity in ("ph", "free_so2", "heat_stability", "cold_stability"):
        assert rows[quantity]["measure_again"]
        assert rows[quantity]["value"] is None
        assert rows[quantity]["says"].startswith("measure again")
    spirit = found_in(vintage, Draw("A", "T1", 70, spirit=True), Draw("B", "T2", 30))
    assert spirit["alcohol"]["value"] is None
    assert "contract" in spirit["alcohol"]["says"]


def test_a_reading_goes_with_its_wine_and_tells_what_came_in_since(vintage: Vintage) -> None:
    vintage.load(READINGS)
    vintage.load("""
    {"kind": "rack", "at": "2025-01-05", "from": {"lot": "B", "volume": "200 L"},
     "to": [{"lot": "B", "vessel": "B1", "volume": "100 L"},
     {"lot": "B", "vessel": "B2", "volume": "100 L"}]}
    {"kind": "top", "at": "2025-02-05", "from": {"lot": "A", "volume": "1 L"},
     "to": {"lot": "B", "vessel": "B1", "volume": "1 L"}}
    {"kind": "analysis", "at": "2025-03-05", "lot": "B", "vessel": "B2", "values": {"alcohol": "11"}}
    {"kind": "lot", "at": "2025-04-05", "name": "C", "of": [{"lot": "B", "vessel": "B2"}]}
    """)

    def reading(lot: str, vessel: str, at: str = "2025-06-01") -> dict[str, Any]:
        (found,) = found_in(vintage, Draw(lot, vessel, 1), at=at)["alcohol"]["rests_on"]
        return {key: found[key] for key in ("value", "measured_on", "since")}

    assert reading("B", "T2") == {"value": "10", "measured_on": "2024-12-06", "since": []}
    assert reading("B", "B1") == {
        "value": "10", "measured_on": "2024-12-06", "since": ["rack", "top"]}  # fmt: skip
    assert reading("B", "B2", "2025-02-01")["value"] == "10"
    assert reading("C", "B2") == {"value": "11", "measured_on": "2025-03-05", "since": []}


def test_a_reading_is_of_the_wine_that_it_was_made_on(vintage: Vintage) -> None:
    """What fills an emptied lot or vessel starts afresh; what came in otherwise is told, and where
    it is half of the wine, the reading is of the other half alone."""
    vintage.load(READINGS)
    vintage.load("""
    {"kind": "rack", "at": "2025-01-05", "from": {"lot": "A", "all": true},
     "to": {"lot": "D", "vessel": "T5", "volume": "300 L"}}
    {"kind": "receive", "at": "2025-01-06", "lot": "A", "vessel": "T1", "volume": "300 L"}
    {"kind": "receive", "at": "2025-01-06", "lot": "B", "vessel": "T2", "volume": "299 L"}
    {"kind": "receive", "at": "2025-01-06", "lot": "D", "vessel": "T5", "volume": "300 L"}
    {"kind": "receive", "at": "2025-01-06", "lot": "M", "vessel": "T6", "volume": "60 L", "state": "must"}
    {"kind": "press", "at": "2025-01-07", "from": {"lot": "M", "all": true},
     "to": {"lot": "B", "vessel": "T2", "volume": "0.5 L"}}
    """)
    rows = found_in(vintage, Draw("A", "T1", 1), Draw("B", "T2", 1), Draw("D", "T5", 1))["alcohol"]
    assert [one["lot"] for one in rows["missing"]] == ["A", "D"]
    assert [(one["lot"], one["since"]) for one in rows["rests_on"]] == [("B", ["receive", "press"])]
    assert (
        found_in(vintage, Draw("D", "T5", 1), at="2025-01-05T12:00")["alcohol"]["value"] == "15.0"
    )


def test_a_vessel_that_was_emptied_forgets_what_was_read_in_it(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-12-01", "lot": "G", "vessel": "A1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-12-01", "lot": "G", "vessel": "A2", "volume": "100 L"}
    {"kind": "analysis", "at": "2024-12-02", "lot": "G", "vessel": "A1", "values": {"alcohol": "14.0"}}
    {"kind": "analysis", "at": "2024-12-02", "lot": "G", "vessel": "A2", "values": {"alcohol": "12.0"}}
    {"kind": "ship", "at": "2024-12-03", "lot": "G", "vessel": "A1", "all": true, "removal": "destroyed"}
    {"kind": "rack", "at": "2024-12-04", "from": {"lot": "G", "vessel": "A2", "all": true},
     "to": {"lot": "G", "vessel": "A1", "volume": "100 L"}}
    """
    assert found_in(vintage, Draw("G", "A1", 1))["alcohol"]["value"] == "12.0"


def test_a_mean_below_nothing_has_its_sign(vintage: Vintage) -> None:
    vintage.load(READINGS)
    for lot in ("A", "B"):
        vintage.load(
            f'{{"kind": "analysis", "at": "2025-03-05", "lot": "{lot}", '
            '"values": {"glucose_fructose": "-0.02"}}'
        )
    row = found_in(vintage, Draw("A", "T1", 1), Draw("B", "T2", 1))["glucose_fructose"]
    assert row["value"] == "-0.02"


def test_different_end_points_are_never_averaged(vintage: Vintage) -> None:
    vintage.load(READINGS)
    vintage.load("""
    {"kind": "analysis", "at": "2025-03-05", "lot": "A", "values": {"ta": "6", "ta_endpoint": "8.2"}}
    {"kind": "analysis", "at": "2025-03-05", "lot": "B", "values": {"ta": "6", "ta_endpoint": "7.0"}}
    """)
    row = found_in(vintage, Draw("A", "T1", 1), Draw("B", "T2", 1))["ta"]
    assert row["value"] is None
    assert "end points" in row["says"]


def test_ranges_are_met_at_their_worst(vintage: Vintage) -> None:
    vintage.load(READINGS)
    target: dict[str, Any] = {
        "aim": "closest", "volume": "100 L", "use": ["A", "B"], "near": {"B": "100 L"},
        "analysis": {"alcohol": {"least": "13.5"}, "total_so2": {"most": "25"}},
    }  # fmt: skip
    tried, _ = Search(trial_of(vintage, {"target": target})).found()
    assert tried is not None
    assert [row["volume_l"] for row in tried.answer["components"]] == ["70", "30"]
    target["analysis"] = {"total_so2": {"least": "5"}}  # below 10 may be none at all
    tried, _ = Search(trial_of(vintage, {"target": {**target, "near": {"A": "100 L"}}})).found()
    assert tried is not None
    assert [row["volume_l"] for row in tried.answer["components"]] == ["83", "17"]
    target["analysis"] = {"alcohol": {"near": "12.5"}}
    tried, _ = Search(trial_of(vintage, {"target": {**target, "near": {}}})).found()
    assert tried is not None
    assert [row["volume_l"] for row in tried.answer["components"]] == ["50", "50"]
    target["analysis"] = {"va": {"most": "0.5"}}
    search = Search(trial_of(vintage, {"target": target}))
    assert search.left_out == [{"lot": "B", "why": "has no reading of va to reckon with"}]


# --- recording ---


def test_nothing_is_recorded_unasked(cellar: Run, tmp_path: Path) -> None:
    name = put(tmp_path, EQUAL)
    answer = cellar("trial", name, "--record")
    assert answer.code == 2
    assert "To be recorded: Blended 30 gal of A from T1 and 10 gal of B" in answer.said
    assert "say --yes" in answer.said
    assert cellar("composition", "E").code == 2
    for more in (("--with", "wine.jsonl"), ("--as-of", "2025-01-01")):
        assert cellar("trial", name, "--record", "--yes", *more).code == 2


@pytest.mark.parametrize("words", [EQUAL, CHEAP], ids=["a candidate", "the answer"])
def test_a_blend_is_recorded_once(
    cellar: Run, tmp_path: Path, words: str, recorded_at: Callable[[str], None]
) -> None:
    recorded_at(CLOCK)
    name = put(tmp_path, words)
    first = cellar("trial", name, "--record", "--yes", "--json")
    assert (first.code, first.json["recorded"], first.json["known"]) == (0, 1, 0)
    recorded_at("2026-02-05T12:00:00Z")
    again = cellar("trial", name, "--record", "--yes", "--json")
    assert (again.code, again.json["recorded"], again.json["known"]) == (0, 0, 1)
    assert again.json["id"] == first.json["id"]
    assert again.json["head"] == first.json["head"]
    assert len(cellar("log", "--lot", "E", "--json").json) == 1
    assert cellar("verify").code == 0


def test_of_several_candidates_one_is_named(cellar: Run, tmp_path: Path) -> None:
    name = put(tmp_path, EQUAL + '\n[[candidate]]\nfrom = ["B 1 gal"]\n')
    answer = cellar("trial", name, "--record", "--yes")
    assert (answer.code, "--candidate: three to one, B" in answer.said) == (2, True)
    assert cellar("trial", name, "--record", "--yes", "--candidate", "C").code == 2
    assert cellar("trial", name, "--record", "--yes", "--candidate", "B").code == 0
    assert cellar("lots", "--json").code == 0
    never = CHEAP.replace('"E"', '"N"') + 'least = {A = "60 gal"}\n'
    never = put(tmp_path, never, "n.toml")
    answer = cellar("trial", never, "--record", "--yes")
    assert (answer.code, "no blend meets the targets" in answer.said) == (2, True)


# --- the file ---

BAD = {
    "into = 3": "wanted a text, seen the bare number 3",
    'colour = "red"': "is no key of a trial",
    'cost_per = "firkin"': "wanted one of L, hL, gal",
    'cost = {A = "cheap"}': "wanted a decimal",
    "cost = {A = 12.5}": "bare number",
    '[[candidate]]\nfrom = ["A 10 gl"]': "no quantity that is known",
    '[[candidate]]\nname = "A"': "has no `from`",
    '[target]\naim = "best"\nuse = ["A"]\nvolume = "1 L"': "wanted `cheapest` or `closest`",
    '[target]\nuse = ["A"]\nvolume = "1 L"': "is to be closest, and to what is not said",
    '[target]\nvolume = "1 L"\naim = "cheapest"': "names no lots to `use`",
    '[target]\nuse = ["A"]\naim = "cheapest"': "has no `volume`",
    '[target]\nuse = ["A"]\naim = "cheapest"\nvolume = {most = "9 L"}': "that would be a drop",
    '[target]\nuse = ["A 60 L"]\naim = "cheapest"\nvolume = "1 L"': "names a quantity",
    '[target]\nuse = ["A all"]\naim = "cheapest"\nvolume = "1 L"': "names a quantity",
    '[target]\nuse = ["A"]\nvolume = "1 kg"\naim = "cheapest"': "is no volume",
    '[target]\nuse = ["A"]\nvolume = "1 L"\naim = "cheapest"\nleast = {B = "1 L"}': "not among",
    '[target]\nuse = ["A"]\nvolume = "1 L"\naim = "cheapest"\nanalysis = {ph = {most = "3"}}':
        "is nothing to aim at",
    '[target]\nuse = ["A"]\nvolume = "1 L"\naim = "cheapest"\nanalysis = {ta = {mst = "3"}}':
        "wanted `least`, `most` or `near`",
    "label = {statements = {}}": "has a `name`",
    "": "has no `[[candidate]]` and no `[target]`",
}  # fmt: skip


@pytest.mark.parametrize("words", BAD)
def test_what_is_wrong_in_a_trial_is_said(words: str) -> None:
    with pytest.raises(Refused) as caught:
        recipe.read(words.encode(), "t.toml")
    said = " ".join(f"{one.says} {one.hint}" for one in caught.value.findings)
    assert BAD[words] in said


@pytest.mark.parametrize("data", [b"a = ", b"{", b'{"into": 1.5}', b"\xff", b'{"a": 1, "a": 2}'])
def test_what_is_no_toml_and_no_json_is_refused(data: bytes) -> None:
    with pytest.raises(Refused):
        recipe.read(data, "t.toml")
