"""Sixteen common slips of the pen, each typed as a hurried hand types it: the ledger refuses it,
or tells that it looks wrong. Then what is right: it is recorded without a word."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from ampelog import slips
from tests.program import Run, made

pytest_plugins = ("tests.running",)

CELLAR = """
{"kind":"place","at":"2020-01-01","name":"Washington","type":"state"}
{"kind":"block","at":"2020-01-01","name":"Hill","plantings":[{"variety":"Syrah"}],"within":["Washington"],"area":"1 acre"}
{"kind":"party","at":"2020-01-01","name":"Shop"}
{"kind":"material","at":"2020-01-01","name":"potassium metabisulfite"}
{"kind":"vessel","at":"2020-01-01","name":"B-1","type":"barrel","capacity":"60 gal"}
{"kind":"pick","at":"2025-09-20T08:00","block":"Hill","lot":"25-F","mass":"4 ton","ref":"TAG 12"}
{"kind":"receive","at":"2025-01-01","lot":"24-S0","vessel":"T1","volume":"500 gal","state":"wine","ref":"BOL 1","supplier":"Shop"}
{"kind":"receive","at":"2025-01-01","lot":"24-GR","vessel":"T2","volume":"100 gal","state":"wine","ref":"BOL 2","supplier":"Shop"}
{"kind":"rack","at":"2025-03-01","from":{"lot":"24-S0","vessel":"T1","volume":"60 gal"},"to":{"lot":"24-S0","vessel":"B-1","volume":"60 gal"}}
{"kind":"rack","at":"2025-03-02","from":{"lot":"24-S0","vessel":"T1","all":true},"to":{"lot":"24-S0","vessel":"T3","volume":"440 gal"}}
"""
NOW = "2025-10-01T20:00:00Z"


@dataclass(frozen=True)
class Slip:
    """A slip: what was typed, whether it is refused, and the rule or the words that tell it."""

    name: str
    typed: str
    refused: bool
    says: str


SLIPS = (
    Slip("a wrong unit", 'rack from="24-S0@T3 10 gl" to="24-S0@T4 10 gal"', True,
         "no quantity that is known"),
    Slip("t for ton", 'pick block=Hill lot=25-G mass="1 t" ref="TAG 13"', False, "ton or tonne"),
    Slip("last year's tank", 'rack from="24-S0@T1 10 gal" to="24-S0@T4 10 gal"', True,
         "is not in `T1`"),
    Slip("O for 0", 'reading lot=24-SO brix=1.2', True, "did you mean `24-S0`?"),
    Slip("O for 0 in a new lot", 'rack from="24-S0@T3 10 gal" to="24-SO@T4 10 gal"', False,
         "names alike"),
    Slip("a day to come", 'reading at=2025-10-21 lot=24-S0 vessel=T3 brix=0.1', True,
         "more than a day after"),
    Slip("more than the barrel holds", 'top from="24-S0@T3 2 gal" to="24-S0@B-1 2 gal"', False,
         "over capacity"),
    Slip("the same paper twice", 'pick at=2025-09-28 block=Hill lot=25-G mass="1 ton" ref="TAG 12"',
         False, "same paper"),
    Slip("more than the block bears", 'pick block=Hill lot=25-G mass="40 ton" ref="TAG 13"', False,
         "more than the block"),
    Slip("Brix as gravity", 'reading lot=24-S0 vessel=T3 brix=1.095', False, "brix or gravity"),
    Slip("gravity as Brix", 'reading lot=24-S0 vessel=T3 specific_gravity=24.5', False,
         "brix or gravity"),
    Slip("a decimal point lost", 'analysis lot=24-S0 values.ph=33.5', False, "out of range"),
    Slip("a tank that is full of another", 'rack from="24-S0@T3 10 gal" to="24-S0@T2 10 gal"', True,
         "`T2`"),
    Slip("the year mistyped ahead", 'reading at=2042-10-01 lot=24-S0 brix=0.1', True,
         "more than a day after"),
    Slip("the year mistyped back", 'loss at=2025-04-01 lot=24-S0 vessel=T3 volume="1 gal" reason=line',
         False, "long ago"),
    Slip("two in the morning", 'reading at=2025-09-30T02:20 lot=24-S0 vessel=T3 temperature="12 C"',
         False, "at night"),
    Slip("cases as bottles", 'bottle from="24-GR@T2 100 gal" to=\'[{"lot":"GR24","bottles":42,'
         '"format":"750 mL"}]\'', False, "large shortfall"),
    Slip("gallons as litres", 'gauge lot=24-GR volume="100 L" reason=dip', False,
         "gallons or litres"),
    Slip("litres as gallons", 'gauge lot=24-GR volume="378 gal" reason=dip', False,
         "gallons or litres"),
    Slip("from and to the same", 'rack from="24-S0@T3 10 gal" to="24-S0@T3 10 gal"', False,
         "into itself"),
    Slip("an empty barrel topped", 'top from="24-S0@T3 2 gal" to="24-S0@B-2 2 gal"', False,
         "nothing to top"),
    Slip("a material misspelt", 'treat lot=24-S0 treatment=SO2 material="potasium metabisulfite" '
         'amount="60 g"', False, "reads like `potassium metabisulfite`"),
    Slip("a nought left out", 'rack from="24-S0@T3 10 gal" to="24-S0@T03 10 gal"', False,
         "names alike"),
    Slip("free and total exchanged", 'analysis lot=24-S0 values.free_so2=80 values.total_so2=30',
         False, "free above total"),
)  # fmt: skip
RIGHT = (
    'rack from="24-S0@T3 10 gal" to="24-S0@T4 10 gal"',
    'pick block=Hill lot=25-G mass="1 ton" ref="TAG 13"',
    "reading lot=24-S0 vessel=T3 specific_gravity=1.095",
    'gauge lot=24-GR volume="99 gal" reason=dip',
    "analysis lot=24-S0 values.ph=3.35 values.ta=5.9 values.free_so2=30 values.total_so2=80",
)


@pytest.fixture
def typed(run: Run, tmp_path: Path, recorded_at: Callable[[str], None]) -> Run:
    """Runs the program on a small cellar, in the autumn of 2025."""
    recorded_at(NOW)
    (tmp_path / "cellar.jsonl").write_text(CELLAR, encoding="utf-8")
    made(tmp_path, tmp_path / "cellar.jsonl")
    return run


@pytest.mark.parametrize("slip", SLIPS, ids=[slip.name for slip in SLIPS])
def test_a_slip_is_refused_or_told(typed: Run, slip: Slip) -> None:
    told = typed("record", *shlex.split(slip.typed))
    assert (told.code == 2) == slip.refused, told.err
    assert slip.says in told.said, told.err


def test_they_are_sixteen_and_more() -> None:
    assert len(SLIPS) >= 16


@pytest.mark.parametrize("right", RIGHT)
def test_what_is_right_is_recorded_without_a_word(typed: Run, right: str) -> None:
    told = typed("record", *shlex.split(right), "--json")
    assert told.code == 0, told.err
    assert told.json["findings"] == []


# --- a load ---


def reading(day: int, brix: str, hour: str = "08:00") -> str:
    return (
        f'{{"kind":"reading","at":"2025-09-{day:02d}T{hour}","lot":"24-S0","vessel":"T3",'
        f'"brix":"{brix}"}}\n'
    )


def test_slips_of_a_load_are_noted_and_it_is_recorded(typed: Run, tmp_path: Path) -> None:
    lines = [reading(day, "1.2") for day in range(1, 9)]
    lines.append(reading(10, "1.095"))
    lines.append('{"kind":"pick","at":"2025-09-21","block":"Hill","lot":"25-G","mass":"1 t"}\n')
    (tmp_path / "more.jsonl").write_text("".join(lines), encoding="utf-8")
    told = typed("load", "more.jsonl", "--json")
    assert (told.code, told.json["recorded"], told.json["findings"]) == (0, 10, [])
    assert "more.jsonl:9: `brix` is 1.095, which reads like a specific gravity" in told.err
    assert "[ton or tonne]" in told.err
    assert told.err.count("look: ") == 2


def test_of_the_first_load_what_an_event_says_by_itself_is_looked_at(
    run: Run, tmp_path: Path
) -> None:
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    (tmp_path / "first.jsonl").write_text(
        '{"kind":"receive","at":"2020-01-10","lot":"W","vessel":"T1","volume":"300 L"}\n'
        '{"kind":"analysis","at":"2020-02-01","lot":"W","values":{"ph":"35"}}\n',
        encoding="utf-8",
    )
    told = run("load", "first.jsonl", "--json")
    assert (told.code, told.json["recorded"]) == (0, 2)
    assert "first.jsonl:2: `ph` is 35: a wine's pH" in told.err
    assert told.err.count("look: ") == 1, "that it is long ago is no slip there"


def test_what_is_refused_or_known_already_is_not_looked_at(typed: Run, tmp_path: Path) -> None:
    id_ = '"id":"018f3b5c-0000-7000-9000-0000000000a1",'
    line = reading(10, "1.095").replace("{", "{" + id_)
    (tmp_path / "more.jsonl").write_text(line, encoding="utf-8")
    assert "[brix or gravity]" in typed("load", "more.jsonl").err
    assert "[brix or gravity]" not in typed("load", "more.jsonl").err
    (tmp_path / "bad.jsonl").write_text(reading(11, "1.095") + '{"kind":"rack"}', encoding="utf-8")
    assert "[brix or gravity]" not in typed("load", "bad.jsonl").said


def test_picks_of_one_load_add_up_for_the_block(typed: Run, tmp_path: Path) -> None:
    pick = '{{"kind":"pick","at":"2025-09-{}","block":"Hill","lot":"25-G","mass":"5 ton"}}\n'
    lines = [pick.format(day) for day in (22, 23, 24)]
    (tmp_path / "more.jsonl").write_text("".join(lines), encoding="utf-8")
    told = typed("load", "more.jsonl").err  # four tons were there; an acre bears some thirteen
    assert told.count("[more than the block]") == 2
    assert "more.jsonl:1" not in told


def test_what_many_events_of_a_load_do_is_their_custom(typed: Run, tmp_path: Path) -> None:
    lines = [reading(day, "1.2", "03:30") for day in range(1, 9)] + [reading(9, "1.2", "04:00")]
    (tmp_path / "more.jsonl").write_text("".join(lines), encoding="utf-8")
    told = typed("load", "more.jsonl")
    assert (told.code, "[at night]" in told.err) == (0, False)


def test_twenty_are_told_and_the_others_counted(typed: Run, tmp_path: Path) -> None:
    lines = [reading(1 + at % 28, "1.2") for at in range(80)]
    lines += [reading(1 + at % 28, "1.095") for at in range(23)]
    (tmp_path / "more.jsonl").write_text("".join(lines), encoding="utf-8")
    told = typed("load", "more.jsonl").err
    assert told.count("look: ") == 20
    assert "and 3 more that may be slips" in told


def test_a_load_of_years_is_not_looked_at(typed: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slips, "MOST_LOOKED_AT", 1)
    Path("more.jsonl").write_text(reading(2, "1.095") + reading(3, "1.2"), encoding="utf-8")
    assert "look: " not in typed("load", "more.jsonl").err
