"""Grape names: the federal list, and what counts as one grape."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from ampelog import rules
from ampelog.grapes import Grapes, NotAListError, fold
from ampelog.resources import folder

LIST = "# a note\nname,status,same_as,bottled_before,source\n"


def grapes(tmp_path: Path, rows: str, **more: Any) -> Grapes:
    path = tmp_path / "names.csv"
    path.write_text(LIST + rows, encoding="utf-8")
    return Grapes.read(path, more.get("spellings", {}), more.get("apart", ()))


def test_the_federal_list_is_whole() -> None:
    # 27 CFR 4.91 (346 names), 4.28 (5), 4.92 and 4.28(e)(3) (62), ttb.gov (127), copies of 2026
    text = (folder("rulepacks") / "us_grape_names.csv").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if not line.startswith("#")][1:]
    found = [row.split(",")[1] for row in rows]
    counts = {status: found.count(status) for status in set(found)}
    assert counts == {"approved": 346, "type designation": 5, "expired": 62, "administrative": 127}


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Syrah", "Shiraz", True),
        ("mataro", "MOURVEDRE", True),
        ("Monastrell", "Mourvèdre", True),
        ("Petite Sirah", "Durif", True),
        ("Limberger", "Blaufränkish", True),  # as the list prints it
        ("Limberger", "Blaufränkisch", True),
        ("Sultanina", "Thompson Seedless", True),
        ("Napa Gamay", "Valdiguié", True),
        ("Morio Muskat", "morio-muskat", True),
        ("Primitivo", "Zinfandel", False),
        ("Frontenac", "Frontenac gris", False),
        ("Petite Sirah", "Syrah", False),
        ("Garnacha", "Garnacha blanca", False),
        ("Cinsaut", "Cinsault", None),
        ("Tinto cão", "Tinta Cao", None),
        ("Syrah", "Sirah", None),
        ("Viognier", "Viogneir", None),
        ("Syrah", "Purple Nobody", False),
        ("Purple Nobody", "purple nobody", True),
        ("Purple Nobody", "Pink Nobody", None),
    ],
)
def test_names_are_one_grape_where_the_federal_list_says_so(
    one: str, other: str, same: bool | None
) -> None:
    # 27 CFR 4.91, 4.92 and the administrative list of ttb.gov
    listed = rules.pack("us").grapes
    assert listed.same(one, other) is same
    assert listed.same(other, one) is same


def test_folding_drops_case_diacritics_and_marks() -> None:
    assert fold("Xarel·lo") == fold("XARELLO") == "xarello"
    assert fold("Cabernet-Doré") == fold("cabernet dore")
    assert fold("Moore's Diamond") == "mooresdiamond"


def test_without_a_list_names_that_differ_are_two_grapes() -> None:
    assert Grapes().same("Syrah", "syrah") is True
    assert Grapes().same("Syrah", "Shiraz") is False
    assert Grapes().listed("Syrah") is None


def test_a_name_that_is_listed_twice_has_its_stronger_status(tmp_path: Path) -> None:
    rows = "Ash,expired,Elm,1997-01-01,b\nAsh,administrative,,,c\nElm,approved,,,a\n"
    listed = grapes(tmp_path, rows)
    found = listed.listed("ash")
    assert found is not None
    assert (found.status, found.bottled_before) == ("administrative", None)
    assert listed.same("Ash", "Elm") is True


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ("Ash,approved,Elm,,a\n", "`Elm` is called a synonym"),
        ("Ash,welcome,,,a\n", "`welcome`"),
        ("Ash,expired,,soon,a\n", "`soon` is no date"),
    ],
)
def test_a_list_with_a_slip_is_refused(tmp_path: Path, rows: str, says: str) -> None:
    with pytest.raises(NotAListError) as caught:
        grapes(tmp_path, rows)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("Sirah", "Syrah"), ("Viogneir", "Viognier"), ("Tempranilo", "Tempranillo"), ("Purple", None)],
)
def test_the_nearest_name_is_one_slip_away(typed: str, meant: str | None) -> None:
    assert rules.pack("us").grapes.nearest(typed) == meant


def test_short_names_are_never_near(tmp_path: Path) -> None:
    listed = grapes(tmp_path, "Noah,approved,,,a\n")
    assert listed.nearest("Noat") is None
    assert listed.same("Noah", "Noat") is False
