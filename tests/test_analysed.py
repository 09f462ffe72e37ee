"""What an analysis says of the wine under a label: it follows the wine, and only that."""

from __future__ import annotations

from typing import Any

import pytest

from ampelog.ingredients import ingredients
from ampelog.labelling import claims
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED
from tests.conftest import Vintage

LABELS = """
{"kind": "label", "at": "2023-01-01", "name": "L", "statements": {"alcohol": "13 %"}}
{"kind": "label", "at": "2023-01-01", "name": "S", "statements":
 {"text": [{"says": "Sulfite free"}]}}
{"kind": "material", "at": "2023-01-01", "name": "KMBS", "is": ["sulfites"]}
{"kind": "material", "at": "2023-01-01", "name": "cork", "is": ["cork"]}
"""
TOLERANCE = "us-alcohol-tolerance"
BOTTLE = """
{"kind": "bottle", "at": "2024-06-01", "from": {"lot": "A", "vessel": "TA", "volume": "75 L"},
 "to": {"lot": "B", "bottles": 100, "format": "750 mL", "label": "L"},
 "materials": [{"material": "cork"}]}
"""


def wine(lot: str, volume: str = "1000 L", at: str = "2024-01-01") -> str:
    return f"""
{{"kind": "receive", "at": "{at}", "lot": "{lot}", "vessel": "T{lot}", "volume": "{volume}",
 "state": "wine"}}
"""


def found(lot: str, at: str, more: str = "", **values: str) -> str:
    each = ", ".join(f'"{name}": "{value}"' for name, value in values.items())
    return f"""
{{"kind": "analysis", "at": "{at}", "lot": "{lot}"{more}, "lab": "x", "values": {{{each}}}}}
"""


def on_alcohol(cellar: Vintage, lot: str, label: str | None = None) -> list[dict[str, Any]]:
    """The rows on how near the label's strength is to the wine's."""
    rows = claims(cellar.view(), lot, label)["claims"]
    return [row for row in rows if row["rule"] == TOLERANCE]


SPIRIT = """
{"kind": "receive", "at": "2024-01-01", "lot": "Z", "vessel": "TZ", "volume": "100 L",
 "state": "spirit"}
{"kind": "blend", "at": "2024-04-01", "from":
 [{"lot": "Z", "volume": "50 L", "role": "fortifying"}, {"lot": "A", "all": true}],
 "to": {"lot": "A", "vessel": "TA", "volume": "1050 L"}}
"""
BLEND = """
{"kind": "rack", "at": "2024-04-01", "from": {"lot": "C", "volume": "100 L"},
 "to": {"lot": "A", "vessel": "TA", "volume": "100 L"}}
"""
LITTLE = BLEND.replace("100 L", "5 L")
WATER = """
{"kind": "treat", "at": "2024-04-01", "lot": "A", "treatment": "dilution", "material": "water",
 "adds": "20 L", "role": "water"}
"""
AGAIN = """
{"kind": "loss", "at": "2024-03-01", "lot": "A", "all": true, "reason": "destroyed"}
{"kind": "receive", "at": "2024-04-01", "lot": "A", "vessel": "TA", "volume": "1000 L",
 "state": "wine"}
"""


@pytest.mark.parametrize(
    ("since", "says"),
    [
        (
            BLEND,
            "The analysis of 2024-02-01 (13.0) is void since 2024-04-01: rack with other wine.",
        ),
        (SPIRIT, "The analysis of 2024-02-01 (13.0) is void since 2024-04-01: it was mixed."),
        (WATER, "The analysis of 2024-02-01 (13.0) is void since 2024-04-01: treated: dilution"),
        (AGAIN, "No analysis of the wine's alcohol is recorded."),
    ],
    ids=["blended", "fortified", "watered", "emptied and filled again"],
)
def test_an_analysis_of_wine_that_was_changed_since_supports_nothing(
    vintage: Vintage, since: str, says: str
) -> None:
    vintage.load(LABELS + wine("A") + wine("C") + found("A", "2024-02-01", alcohol="13.0"))
    assert on_alcohol(vintage, "A", "L")[0]["verdict"] == SUPPORTED
    vintage.load(since)
    (row,) = on_alcohol(vintage, "A", "L")
    assert row["verdict"] == UNDETERMINED
    assert row["why"].startswith(says)
    assert row["events"] == []


def test_a_topping_leaves_what_was_analysed(vintage: Vintage) -> None:
    analysis = found("A", "2024-02-01", alcohol="13.0")
    vintage.load(LABELS + wine("A") + wine("C") + analysis + LITTLE)
    (row,) = on_alcohol(vintage, "A", "L")
    assert (row["verdict"], len(row["events"])) == (SUPPORTED, 1)


def test_one_barrel_says_nothing_of_another(vintage: Vintage) -> None:
    parted = """
{"kind": "rack", "at": "2024-01-05", "from": {"lot": "A", "volume": "800 L"},
 "to": {"lot": "A", "vessel": "T9", "volume": "800 L"}}
"""
    vintage.load(LABELS + wine("A") + parted)
    vintage.load(found("A", "2024-02-01", ', "vessel": "TA"', alcohol="13.0"))
    assert on_alcohol(vintage, "A", "L")[0]["why"] == "What lies in `T9` was not analysed."
    vintage.load(found("A", "2024-02-02", ', "vessel": "T9"', alcohol="16.9"))
    says = "Its vessels were analysed apart: 13.0 in `TA`, 16.9 in `T9`."
    assert on_alcohol(vintage, "A", "L")[0]["why"] == says
    vintage.load(found("A", "2024-02-03", alcohol="16.1"))
    assert on_alcohol(vintage, "A", "L")[0]["verdict"] == REFUSED


def test_each_fill_is_judged_by_the_wine_that_it_was_filled_with(vintage: Vintage) -> None:
    both = found("A", "2024-02-01", alcohol="13.0") + found("C", "2024-02-01", alcohol="16.9")
    vintage.load(LABELS + wine("A") + wine("C") + both)
    vintage.load(BOTTLE + BOTTLE.replace('"A"', '"C"').replace("TA", "TC"))
    rows = on_alcohol(vintage, "B")
    assert [row["verdict"] for row in rows] == [SUPPORTED, REFUSED]
    assert len({row["fill"] for row in rows}) == 2
    assert len({tuple(row["events"]) for row in rows}) == 2


def test_what_is_found_in_bottles_counts_before_what_was_found_in_their_wine(
    vintage: Vintage,
) -> None:
    packed = """
{"kind": "pack", "at": "2024-08-01", "from": {"lot": "B", "bottles": 50},
 "to": {"lot": "P", "bottles": 50, "format": "750 mL"}}
"""
    vintage.load(LABELS + wine("A") + found("A", "2024-02-01", alcohol="13.0") + BOTTLE)
    vintage.load(found("A", "2024-06-02", alcohol="9"))
    assert on_alcohol(vintage, "B")[0]["verdict"] == SUPPORTED, "of what stayed in the tank"
    vintage.load(found("B", "2024-07-01", alcohol="14.9") + packed)
    vintage.load(found("B", "2024-09-01", alcohol="13.1"))
    assert on_alcohol(vintage, "B")[0]["verdict"] == SUPPORTED
    (row,) = on_alcohol(vintage, "P")
    assert (row["verdict"], row["why"][:20]) == (REFUSED, "The wine has 14.9 %;"), "found before"


def test_what_goes_in_at_the_bottling_voids_what_it_bears_on(vintage: Vintage) -> None:
    so2 = BOTTLE.replace('{"material": "cork"}', '{"material": "cork"}, {"material": "KMBS"}')
    analysis = found("A", "2024-02-01", alcohol="13.0", total_so2="<5")
    vintage.load(LABELS + wine("A") + analysis + so2)
    assert on_alcohol(vintage, "B")[0]["verdict"] == SUPPORTED
    (row,) = claims(vintage.view(), "B", "S")["claims"][:1]
    assert row["verdict"] == UNDETERMINED
    assert "KMBS went in at the bottling" in row["why"]


def test_sulfites_added_after_the_analysis_are_declared(vintage: Vintage) -> None:
    treat = """
{"kind": "treat", "at": "2024-04-01", "lot": "A", "treatment": "SO2", "material": "KMBS",
 "amount": "200 g"}
"""
    vintage.load(LABELS + wine("A") + found("A", "2024-02-01", total_so2="5"))
    assert claims(vintage.view(), "A", "S")["verdict"] == SUPPORTED
    assert ingredients(vintage.view(), "A", "eu")["allergens"] == []
    vintage.load(treat)
    assert claims(vintage.view(), "A", "S")["verdict"] == UNDETERMINED
    listed = ingredients(vintage.view(), "A", "eu")
    assert [one["allergen"] for one in listed["allergens"]] == ["sulfites"]


def test_an_analysis_goes_to_the_lot_that_its_correction_names(vintage: Vintage) -> None:
    id_ = "0182a04d-5980-750e-9512-c1119d0e4599"
    wrong = found("A", "2024-02-05", f', "id": "{id_}"', alcohol="15.9")
    right = wrong.strip().replace('"A"', '"Cuvée"').replace(f', "id": "{id_}"', "")
    vintage.load(LABELS + wine("A") + wine("Cuvée") + found("Cuvée", "2024-02-01", alcohol="13"))
    vintage.load(wrong)
    assert on_alcohol(vintage, "Cuvée", "L")[0]["verdict"] == SUPPORTED
    vintage.load(
        f"""
{{"kind": "correct", "at": "2024-02-06", "corrects": "{id_}", "reason": "other lot",
 "replacement": {right}}}
"""
    )
    assert on_alcohol(vintage, "Cuvée", "L")[0]["verdict"] == REFUSED


def test_an_analysis_stays_with_wine_under_its_new_name(vintage: Vintage) -> None:
    named = '{"kind": "lot", "at": "2024-04-01", "name": "A2", "of": [{"lot": "A"}]}'
    vintage.load(LABELS + wine("A") + found("A", "2024-02-01", alcohol="13.0") + named)
    assert on_alcohol(vintage, "A2", "L")[0]["verdict"] == SUPPORTED


def test_what_was_done_to_wine_that_is_gone_was_not_done_to_this(vintage: Vintage) -> None:
    cellared = """
{"kind": "label", "at": "2023-01-01", "name": "K", "statements": {"bottler": "cellared"}}
{"kind": "treat", "at": "2024-02-01", "lot": "A", "treatment": "fining", "material": "bentonite"}
"""
    vintage.load(LABELS + wine("A") + cellared)
    assert claims(vintage.view(), "A", "K")["verdict"] == SUPPORTED
    vintage.load(AGAIN)
    assert claims(vintage.view(), "A", "K")["verdict"] == UNDETERMINED
