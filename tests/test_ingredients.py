"""Ingredients and allergens: from what was added on the way, and what the records do not show."""

from __future__ import annotations

from typing import Any

import pytest

from ampelog.errors import Refused
from ampelog.ingredients import ingredients
from tests.conftest import Vintage

MATERIALS = """
{"kind": "material", "at": "2000-01-01", "name": "KMBS", "is": ["sulfites"]}
{"kind": "material", "at": "2000-01-01", "name": "Whites", "is": ["egg"]}
{"kind": "material", "at": "2000-01-01", "name": "Acid", "is": ["tartaric acid"]}
{"kind": "material", "at": "2000-01-01", "name": "Clay", "is": ["bentonite"]}
{"kind": "material", "at": "2000-01-01", "name": "Gas", "is": ["argon"]}
{"kind": "material", "at": "2000-01-01", "name": "Odd", "is": ["moon dust"]}
"""
WINE = """
{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "G", "mass": "1000 kg"}
{"kind": "crush", "at": "2024-09-11T08:00", "from": {"lot": "G", "all": true},
 "to": {"lot": "W", "vessel": "T1", "volume": "700 L"}}
{"kind": "ferment", "at": "2024-09-12T08:00", "lot": "W", "culture": "alcoholic",
 "stage": "start", "organism": "strain 7"}
"""


def treat(day: str, material: str, lot: str = "W", **more: str) -> str:
    extra = "".join(f', "{key}": "{value}"' for key, value in more.items())
    return (
        f'{{"kind": "treat", "at": "{day}T10:00", "lot": "{lot}", "treatment": "addition",'
        f' "material": "{material}"{extra}}}\n'
    )


def of(cellar: Vintage, lot: str = "W") -> dict[str, Any]:
    return ingredients(cellar.view(), lot, "eu")


def test_only_what_the_wine_went_through_is_in_it(vintage: Vintage) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + treat("2024-10-01", "KMBS")
        + treat("2024-10-02", "Acid")
        + treat("2024-10-03", "Clay")
        + '{"kind": "rack", "at": "2024-11-01T08:00", "from": {"lot": "W", "volume": "100 L"},'
        ' "to": {"lot": "V", "vessel": "T2", "volume": "100 L"}}\n'
        + treat("2024-11-02", "Whites", "V")
    )
    found = of(vintage)
    assert [row["term"] for row in found["ingredients"]] == [
        "grapes",
        "sulfites",
        "tartaric acid (E 334)",
    ]
    assert found["ingredients"][1]["materials"] == ["KMBS"]
    assert [row["materials"] for row in found["aids"]] == [["Clay"]]
    assert [row["allergen"] for row in found["allergens"]] == ["sulfites"]
    assert found["unknown"] == []
    assert found["statement"] == (
        "Ingredients: grapes; preservative: sulfites; acidity regulator: tartaric acid (E 334). "
        "Contains sulfites."
    )
    # egg went into the other hundred litres, after they had left
    assert [row["allergen"] for row in of(vintage, "V")["allergens"]] == ["sulfites", "egg"]
    assert "unless an analysis finds none" in of(vintage, "V")["allergens"][1]["why"]


@pytest.mark.parametrize(
    ("found", "declared"),
    [("9.9", False), ("10", True), ("10.0", True), ("<10", False), ("<12", True), (None, True)],
)
def test_sulfites_are_declared_from_ten_milligrams_on(
    vintage: Vintage, found: str | None, declared: bool
) -> None:
    # 27 CFR 4.32(e) and Regulation (EU) 1169/2011, Annex II (the latter from memory)
    vintage.load(MATERIALS + WINE + treat("2024-10-01", "KMBS"))
    if found is not None:
        vintage.load(
            '{"kind": "analysis", "at": "2024-12-01", "lot": "W",'
            f' "values": {{"total_so2": "{found}"}}}}\n'
        )
    answer = of(vintage)
    assert [row["declare"] for row in answer["allergens"]] == [declared]
    assert ("Contains sulfites." in answer["statement"]) == declared


def test_sulfites_that_nobody_added_are_found_by_analysis(vintage: Vintage) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + '{"kind": "analysis", "at": "2024-12-01", "lot": "W", "values": {"total_so2": "14"}}\n'
    )
    (row,) = of(vintage)["allergens"]
    assert (row["allergen"], row["declare"], row["materials"]) == ("sulfites", True, [])


def test_what_the_records_do_not_show_is_said(vintage: Vintage) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + treat("2024-10-01", "Mystery")
        + treat("2024-10-02", "Odd")
        + '{"kind": "treat", "at": "2024-10-03T10:00", "lot": "W", "treatment": "fining"}\n'
        '{"kind": "treat", "at": "2024-10-04T10:00", "lot": "W", "treatment": "filtration"}\n'
        '{"kind": "receive", "at": "2024-11-01", "lot": "BUY", "vessel": "K", "volume": "10 L",'
        ' "supplier": "Shop"}\n'
        '{"kind": "top", "at": "2024-11-02T08:00", "from": {"lot": "BUY", "all": true},'
        ' "to": {"lot": "W", "vessel": "T1", "volume": "10 L"}}\n'
    )
    assert sorted(of(vintage)["unknown"]) == [
        "What `Mystery` is made of is not registered (`is`).",
        "What went into `BUY` before it came in is not recorded.",
        "With what `W` was treated (fining) is not recorded.",
        "`moon dust`, in `Odd`, is not in the table of substances.",
    ]


@pytest.mark.parametrize(
    ("culture", "stage"),
    [
        *(("alcoholic", stage) for stage in ("start", "change", "end")),
        *(("malolactic", stage) for stage in ("start", "change", "end")),
    ],
)
def test_what_went_into_a_ferment_is_in_the_wine_from_then_on(
    vintage: Vintage, culture: str, stage: str
) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + '{"kind": "rack", "at": "2024-10-01T08:00", "from": {"lot": "W", "volume": "100 L"},'
        ' "to": {"lot": "BEFORE", "vessel": "T2", "volume": "100 L"}}\n'
        f'{{"kind": "ferment", "at": "2024-10-02", "lot": "W", "culture": "{culture}",'
        f' "stage": "{stage}", "native": true, "materials": [{{"material": "Whites"}}]}}\n'
        '{"kind": "rack", "at": "2024-10-03T08:00", "from": {"lot": "W", "volume": "100 L"},'
        ' "to": {"lot": "AFTER", "vessel": "T3", "volume": "100 L"}}\n'
    )
    assert [row["allergen"] for row in of(vintage)["allergens"]] == ["egg"]
    assert [row["allergen"] for row in of(vintage, "AFTER")["allergens"]] == ["egg"]
    assert of(vintage, "BEFORE")["allergens"] == []


def test_what_went_into_bottles_to_ferment_is_in_them(vintage: Vintage) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + '{"kind": "bottle", "at": "2025-01-01T08:00", "from": {"lot": "W", "all": true},'
        ' "to": {"lot": "BW", "bottles": 933, "format": "750 mL"}}\n'
        '{"kind": "ferment", "at": "2025-01-02", "lot": "BW", "culture": "alcoholic",'
        ' "stage": "start", "native": true, "materials": [{"material": "Whites"}]}\n'
    )
    assert [row["allergen"] for row in of(vintage, "BW")["allergens"]] == ["egg"]


@pytest.mark.parametrize(
    ("came", "told"),
    [
        ('"volume": "10 L", "state": "juice"', False),
        ('"volume": "10 L", "state": "must"', False),
        ('"volume": "10 L"', False),
        ('"bottles": 10, "format": "750 mL"', False),
        ('"mass": "10 kg"', True),
        ('"each": "0.01 t"', True),
    ],
)
def test_what_went_in_before_it_came_in_is_not_told_but_of_grapes(
    vintage: Vintage, came: str, told: bool
) -> None:
    where = '"vessels": ["K1"]' if "each" in came else '"vessel": "K1"'
    vintage.load(f'{{"kind": "receive", "at": "2024-11-01", "lot": "BUY", {where}, {came}}}\n')
    assert (of(vintage, "BUY")["unknown"] == []) == told


def test_roles_and_gases_have_terms_of_their_own(vintage: Vintage) -> None:
    vintage.load(
        MATERIALS
        + WINE
        + '{"kind": "receive", "at": "2024-10-01", "lot": "RCGM", "vessel": "K", "volume": "5 L",'
        ' "state": "concentrate", "supplier": "Shop"}\n'
        '{"kind": "blend", "at": "2024-10-02T08:00", "from": {"lot": "RCGM", "all": true,'
        ' "role": "enrichment"}, "to": {"lot": "W", "vessel": "T1", "volume": "5 L"}}\n'
        '{"kind": "bottle", "at": "2025-06-01T08:00", "from": {"lot": "W", "all": true},'
        ' "to": {"lot": "B", "bottles": 940, "format": "750 mL"},'
        ' "materials": [{"material": "Gas"}]}\n'
    )
    found = of(vintage, "B")
    assert [row["term"] for row in found["ingredients"]] == ["grapes", "concentrated grape must"]
    assert "Bottled in a protective atmosphere." in found["statement"]


def test_before_its_day_no_list_was_asked_for(vintage: Vintage) -> None:
    vintage.load(MATERIALS + WINE.replace("2024-", "2022-"))
    assert "no list was asked for" in ingredients(vintage.view("2023-12-07"), "W", "eu")["says"][0]
    assert "no list" not in ingredients(vintage.view("2023-12-08"), "W", "eu")["says"][0]


def test_a_market_without_such_rules_is_refused(vintage: Vintage) -> None:
    vintage.load(WINE)
    with pytest.raises(Refused) as caught:
        ingredients(vintage.view(), "W", "us")
    assert caught.value.hint == "packs that have: eu"
