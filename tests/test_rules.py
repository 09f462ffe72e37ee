"""Rule packs: every example holds, and what a pack may not say is refused."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from ampelog import rules
from ampelog.errors import Refused
from ampelog.rules import Example, Pack, Rule
from ampelog.shares import UNDETERMINED, worst
from tests.wines import judged

PACKS = [rules.pack(name) for name in rules.known()]
EXAMPLES = [
    pytest.param(pack, rule, example, id=f"{rule.id}-{number}")
    for pack in PACKS
    for rule in pack.rule
    for number, example in enumerate(rule.example, 1)
]


@pytest.mark.parametrize(("pack", "rule", "example"), EXAMPLES)
def test_every_example_of_every_rule_holds(pack: Pack, rule: Rule, example: Example) -> None:
    rows = judged(pack, rule, example)
    mine = [row for row in rows if row.rule == rule.id]
    assert mine, rows
    if rule.review or rule.confidence == "L":  # a weak rule never decides; its figures are tried
        assert {row.verdict for row in mine} == {UNDETERMINED}
        found = worst(row.reckoned for row in mine if row.reckoned)
    else:
        found = worst(row.verdict for row in mine)
    assert found == example.verdict, mine
    if example.near:
        margins = {Fraction(row.margin) for row in mine if row.margin}
        sides = {"above": lambda m: m > 0, "at": lambda m: m == 0, "below": lambda m: m < 0}
        assert margins
        assert all(sides[example.near](margin) for margin in margins)


def test_every_rule_has_its_source() -> None:
    for pack in PACKS:
        for rule in pack.rule:
            assert rule.cite
            assert rule.source_year >= 2000
            assert rule.url is None or rule.url.startswith("https://")


# --- what a pack may not say ---

RULE = """
[[rule]]
id = "test-one"
title = "a rule"
cite = "an invented code, section 1"
confidence = "H"
source_year = 2026
dimension = "vintage"
min_total = "0.5"
"""
EXAMPLE = """
  [[rule.example]]
  near = "at"
  label = { vintage = 2024 }
  wine = [{ share = "0.5", vintage = 2024 }, { share = "1/2", vintage = 2023 }]
  verdict = "supported"

  [[rule.example]]
  near = "above"
  label = { vintage = 2024 }
  verdict = "undetermined"

  [[rule.example]]
  near = "below"
  label = { vintage = 2024 }
  verdict = "refused"
"""
HEAD = """
schema = 1
id = "test"
title = "Invented"
authority = "nobody"
scope = "nothing"
example_on = 2026-01-01
"""


def read(tmp_path: Path, text: str, name: str = "test.toml") -> Pack:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return rules.read(path)


def refusals(tmp_path: Path, text: str, name: str = "test.toml") -> list[str]:
    with pytest.raises(Refused) as caught:
        read(tmp_path, text, name)
    assert caught.value.findings
    return [f"{finding.where} {finding.says}" for finding in caught.value.findings]


def test_the_pack_that_the_refusals_start_from_is_read(tmp_path: Path) -> None:
    pack = read(tmp_path, HEAD + RULE + EXAMPLE)
    assert pack.rule[0].min_total == Fraction(1, 2)
    assert pack.rule[0].example[0].wine[1].share == Fraction(1, 2)


@pytest.mark.parametrize(
    ("text", "field"),
    [
        (HEAD + RULE + "retroactive = true\n" + EXAMPLE, "retroactive"),
        (HEAD + RULE + 'when.weather = "fair"\n' + EXAMPLE, "weather"),
        (HEAD + 'combine = ["all"]\n' + RULE + EXAMPLE, "combine"),
        (HEAD + RULE.replace('"vintage"', '"holding"') + EXAMPLE, "dimension"),
        (HEAD + RULE + 'valid_by = "moon"\n' + EXAMPLE, "valid_by"),
        (HEAD + RULE + 'joint = ["variety"]\n' + EXAMPLE, "joint"),
        (HEAD + RULE + 'exclude = [{ roles = ["ageing"] }]\n' + EXAMPLE, "exclude"),
    ],
)
def test_what_the_schema_does_not_know_is_refused(tmp_path: Path, text: str, field: str) -> None:
    found = " ".join(refusals(tmp_path, text))
    assert field in found


TWO_CAPS = (
    'exclude = [{ roles = ["sweetening"], cap = "0.05" }]\n'
    'deem = [{ roles = ["culture"], cap = "0.01" }]'
)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('min_total = "0.5"', "min_total = 0.5", "a text"),
        ('min_total = "0.5"', 'min_total = "1.01"', "over 1"),
        ('min_total = "0.5"', 'min_total = "0"', "zero"),
        ('min_total = "0.5"', 'min_total = "half"', "half"),
        ('min_total = "0.5"', "", "min_total"),
        ('min_total = "0.5"', 'min_total = "0.5"\nforbid = "no"', "one of"),
        ('cite = "an invented code, section 1"', "", "cite"),
        ('confidence = "H"', 'confidence = "sure"', "confidence"),
        ('id = "test-one"', 'id = "one"', "does not begin"),
        ('title = "a rule"', 'title = "a rule"\ntolerance = "0.02"', "tolerance"),
        ('dimension = "vintage"', 'dimension = "origin"', "area_types"),
        ('dimension = "vintage"', 'dimension = "vintage"\narea_types = ["ava"]', "area_types"),
        ('dimension = "vintage"', 'dimension = "vintage"\ntogether = "union"', "together"),
        ('min_total = "0.5"', "listed = true", "variety"),
        ('min_total = "0.5"', 'forbid = "no"\njoint = ["origin"]', "`joint`"),
        ('min_total = "0.5"', 'forbid = "no"\nown_years = 3', "`own_years`"),
        ('min_total = "0.5"', 'min_total = "0.5"\noverrides = "x"', "`base`"),
        ('min_total = "0.5"', 'min_total = "0.5"\n' + TWO_CAPS, "one cap"),
        ('near = "at"', 'near = "above"', "at the threshold"),
        ('near = "below"', "", "below the threshold"),
        ('share = "1/2"', 'share = "0.4"', "wanted exactly 1"),
        ('verdict = "refused"', 'verdict = "denied"', "verdict"),
        ("schema = 1", "schema = 2", "schema"),
        ('scope = "nothing"', 'scope = "nothing"\ngrapes = {}', "grapes"),
        ('id = "test"\n', "id = 'other'\n", "other"),
        ("[[rule]]", "[[rule]", "TOML"),
    ],
)
def test_a_pack_with_a_slip_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    good = HEAD + RULE + EXAMPLE
    assert old in good
    assert says in " ".join(refusals(tmp_path, good.replace(old, new)))


def test_all_slips_are_told_at_once_and_each_names_its_rule(tmp_path: Path) -> None:
    second = RULE.replace("test-one", "test-two").replace('"H"', '"X"')
    first = RULE.replace('"0.5"', "0.5")
    found = refusals(tmp_path, HEAD + first + EXAMPLE + second + EXAMPLE)
    assert any(each.startswith("test.toml: test-one.min_total ") for each in found)
    assert any(each.startswith("test.toml: test-two.confidence ") for each in found)


def test_two_rules_of_one_id_are_refused(tmp_path: Path) -> None:
    found = refusals(tmp_path, HEAD + RULE + EXAMPLE + RULE + EXAMPLE)
    assert "two rules have the id `test-one`" in found[0]


def test_the_id_is_the_file_name(tmp_path: Path) -> None:
    (found,) = refusals(tmp_path, HEAD + RULE + EXAMPLE, "elsewhere.toml")
    assert "wanted the file's name" in found


def test_a_condition_needs_an_example_on_both_sides(tmp_path: Path) -> None:
    rule = RULE.replace('min_total = "0.5"', 'requires = ["appellation"]')
    example = '\n  [[rule.example]]\n  label = { vintage = 2024 }\n  verdict = "refused"\n'
    (found,) = refusals(tmp_path, HEAD + rule + example)
    assert "one example is supported and one is refused" in found


def test_a_pack_has_rules_and_a_rule_has_examples(tmp_path: Path) -> None:
    assert "a pack has a `rule`" in refusals(tmp_path, HEAD + "rule = []\n")[0]
    rule = RULE.replace('min_total = "0.5"', 'forbid = "no"\nexample = []')
    assert "a rule has an `example`" in refusals(tmp_path, HEAD + rule)[0]


def test_an_unknown_pack_is_refused_and_the_known_are_named() -> None:
    with pytest.raises(Refused) as caught:
        rules.pack("../us")
    assert "`../us`" in caught.value.says
    assert "us" in caught.value.hint


def test_a_rule_is_in_force_on_its_first_and_last_day() -> None:
    rule = next(rule for rule in rules.pack("us").rule if rule.id == "us-vintage-country-before")
    bounded = rule.but(valid_from=date(2000, 1, 1))
    assert [
        bounded.in_force(day)
        for day in (date(1999, 12, 31), date(2000, 1, 1), date(2012, 11, 12), date(2012, 11, 13))
    ] == [False, True, True, False]


def test_a_list_of_other_columns_or_without_a_file_refuses_the_pack(tmp_path: Path) -> None:
    columns = "name,status,same_as,bottled_before,source\n"
    text = HEAD + '[names]\nfile = "names.csv"\n' + RULE + EXAMPLE
    assert "names.csv" in refusals(tmp_path, text)[0]
    (tmp_path / "names.csv").write_text("name\nAsh\n", encoding="utf-8")
    assert "the columns are" in refusals(tmp_path, text)[0]
    (tmp_path / "names.csv").write_text(columns + "Ash,approved,,,a\n", encoding="utf-8")
    assert read(tmp_path, text).grapes.listed("ASH") is not None


# --- packs that build on another, and packs that bring another ---

BASED = """
schema = 1
id = "upper"
title = "Above"
authority = "nobody"
scope = "nothing"
example_on = 2026-01-01

[base]
pack = "test"
cite = "as taken over"
confidence = "M"
"""
OVER = RULE.replace("test-one", "upper-one").replace('min_total = "0.5"', 'min_total = "0.6"')
OVER_EXAMPLES = EXAMPLE.replace('share = "0.5"', 'share = "0.6"').replace("1/2", "0.4")


def based(tmp_path: Path, text: str) -> Pack:
    (tmp_path / "test.toml").write_text(HEAD + RULE + EXAMPLE, encoding="utf-8")
    return read(tmp_path, text, "upper.toml")


def test_a_pack_has_the_rules_of_its_base_under_its_own_name(tmp_path: Path) -> None:
    (rule,) = based(tmp_path, BASED).rule
    assert (rule.id, rule.confidence) == ("upper-one", "M")
    assert rule.cite == "an invented code, section 1; as taken over"
    assert rule.min_total == Fraction(1, 2)


def test_a_rule_overrides_that_of_the_base(tmp_path: Path) -> None:
    (rule,) = based(tmp_path, BASED + OVER + 'overrides = "test-one"\n' + OVER_EXAMPLES).rule
    assert (rule.id, rule.min_total, rule.confidence) == ("upper-one", Fraction(3, 5), "H")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (BASED.replace('pack = "test"', 'pack = "none"'), "no pack `none`"),
        (BASED + 'drop = ["test-two"]\n', "no rule `test-two`"),
        (BASED + OVER + OVER_EXAMPLES, "`overrides`"),
    ],
)
def test_what_a_base_has_not_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(Refused) as caught:
        based(tmp_path, text)
    assert says in " ".join(finding.says for finding in caught.value.findings)


def test_a_dropped_rule_is_gone(tmp_path: Path) -> None:
    other = RULE.replace("test-one", "upper-two")
    pack = based(tmp_path, BASED + 'drop = ["test-one"]\n' + other + EXAMPLE)
    assert [rule.id for rule in pack.rule] == ["upper-two"]


def test_a_pack_of_another_country_brings_the_home_law() -> None:
    packs, missing = rules.markets(["eu", "us-wa", "eu"])
    assert ([pack.id for pack in packs], missing) == (["us", "eu", "us-wa"], ())
    for pack in PACKS:
        if pack.layer in ("foreign", "recommendation"):
            assert pack.home == ("us",), pack.id
        else:
            assert pack.home == (), pack.id


def test_every_weak_reading_says_why() -> None:
    for pack in PACKS:
        for rule in pack.rule:
            if rule.confidence == "L":
                assert rule.review or pack.base, rule.id


def test_a_rule_that_goes_by_the_harvest_is_always_in_force() -> None:
    (rule, _) = rules.pack("us-tx").rule
    assert rule.in_force(date(2000, 1, 1))
    assert [rule.covers(day) for day in (date(2021, 12, 31), date(2022, 1, 1))] == [False, True]
