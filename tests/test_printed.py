"""Each fill of a lot under the label that it bears: that label as it was, on the day of its bottling."""

from __future__ import annotations

import pytest

from ampelog.labelling import claims
from ampelog.shares import REFUSED, SUPPORTED
from tests.conftest import Vintage

WINES = """
{"kind": "place", "at": "2000-01-01", "name": "United States", "type": "country"}
{"kind": "place", "at": "2000-01-01", "name": "Oregon", "type": "state", "within": ["United States"]}
{"kind": "place", "at": "2000-01-01", "name": "Ford", "type": "ava", "within": ["Oregon"]}
{"kind": "label", "at": "2023-01-01", "name": "Plain", "statements": {"appellation": "Ford"}}
{"kind": "label", "at": "2023-01-01", "name": "Merlot 2023", "statements":
 {"appellation": "Ford", "variety": ["Merlot"], "vintage": 2023}}
{"kind": "receive", "at": "2024-01-01", "lot": "ME", "vessel": "T1", "volume": "600 L",
 "state": "wine", "composition":
 [{"share": "1", "variety": "Merlot", "within": ["Ford"], "vintage": 2023}]}
{"kind": "receive", "at": "2024-01-01", "lot": "MA", "vessel": "T2", "volume": "600 L",
 "state": "wine", "composition":
 [{"share": "1", "variety": "Malbec", "within": ["Ford"], "vintage": 2022}]}
"""


def bottled(at: str, lot: str, label: str = "", more: str = "", format_: str = "750 mL") -> str:
    named = f', "label": "{label}"' if label else ""
    return f"""
{{"kind": "bottle", "at": "{at}", "from": {{"lot": "{lot}", "volume": "72 L"}}, "to":
 {{"lot": "B", "bottles": {72_000 // int(format_.split(maxsplit=1)[0])}, "format": "{format_}"{named}}}
 {more}}}
"""


def packed(label: str) -> str:
    return f"""
{{"kind": "pack", "at": "2024-08-01", "from": {{"lot": "B", "all": true}},
 "to": {{"lot": "P", "bottles": 96, "format": "750 mL", "label": "{label}"}}}}
"""


def judged(cellar: Vintage, lot: str = "B", label: str | None = None) -> dict[str, list[str]]:
    """The verdicts on what a lot's label states, by the statement."""
    found: dict[str, list[str]] = {}
    for row in claims(cellar.view(), lot, label)["claims"]:
        found.setdefault(row["statement"], []).append(row["verdict"])
    return found


@pytest.mark.parametrize(
    ("first", "then"), [("MA", "ME"), ("ME", "MA")], ids=["the old was wrong", "both were right"]
)
def test_a_fill_bears_its_label_as_that_was_then(vintage: Vintage, first: str, then: str) -> None:
    amended = """
{"kind": "label", "at": "2024-06-01", "name": "Merlot 2023", "statements": {"appellation": "Ford"}}
"""
    vintage.load(WINES + amended)
    vintage.load(bottled("2024-05-01", first, "Merlot 2023"))
    vintage.load(bottled("2024-07-01", then, "Merlot 2023"))
    right = SUPPORTED if first == "ME" else REFUSED
    assert claims(vintage.view(), "B")["verdict"] == right
    assert right in judged(vintage)["Merlot, Ford"]


def test_each_fill_is_judged_under_the_label_that_it_bears(vintage: Vintage) -> None:
    vintage.load(WINES + bottled("2024-05-01", "ME", "Plain"))
    vintage.load(bottled("2024-07-01", "MA", "Merlot 2023"), odd=["two labels"])
    answer = claims(vintage.view(), "B")
    assert (answer["label"], answer["verdict"]) == ("Plain", REFUSED)
    assert judged(vintage)["Merlot, Ford"] == [REFUSED]
    says = {row["why"].partition(":")[0] for row in answer["claims"] if row["verdict"] == REFUSED}
    assert says == {"Under `Merlot 2023`"}
    # asked about one label, both fills are put before that
    assert sorted(judged(vintage, "B", "Merlot 2023")["Merlot, Ford"]) == [REFUSED, SUPPORTED]


def test_what_a_bottling_states_goes_with_its_first_label_alone(vintage: Vintage) -> None:
    stated = ', "statements": {"vintage": 2022}'
    vintage.load(WINES + bottled("2024-05-01", "MA", "Plain", stated) + packed("Merlot 2023"))
    assert judged(vintage, "P")["2023, Ford"] == [REFUSED]
    assert "2022, Ford" not in judged(vintage, "P")
    assert judged(vintage, "P", "Plain")["2022, Ford"] == [SUPPORTED], "as it was first printed"


def test_bottles_without_a_label_keep_what_their_bottling_stated(vintage: Vintage) -> None:
    stated = ', "statements": {"vintage": 2022}'
    vintage.load(WINES + bottled("2024-05-01", "MA", "", stated) + packed("Plain"))
    assert judged(vintage, "P")["2022, Ford"] == [SUPPORTED]


def test_a_rule_is_that_of_the_day_of_each_bottling(vintage: Vintage) -> None:
    # 720 mL may be a bottle's size from 10 January 2025 on: T.D. TTB-200, 90 FR 1875
    vintage.load(WINES + bottled("2024-12-15", "ME", "Plain", "", "720 mL"))
    vintage.load(bottled("2025-02-15", "ME", "", "", "720 mL"))
    assert sorted(judged(vintage)["720 mL"]) == [REFUSED, SUPPORTED]


def test_bottles_that_came_in_were_bottled_before(vintage: Vintage) -> None:
    vintage.load(
        WINES
        + """
{"kind": "receive", "at": "2021-03-01", "lot": "B", "bottles": 120, "format": "720 mL",
 "state": "bottled", "label": "Plain"}
"""
    )
    assert judged(vintage)["720 mL"] == [REFUSED]


def test_what_comes_back_to_bottles_under_another_label_is_told(vintage: Vintage) -> None:
    gone = """
{"kind": "party", "at": "2023-01-01", "name": "Shop"}
{"kind": "ship", "at": "2024-06-01", "from": {"lot": "B", "all": true}, "to": "Shop",
 "removal": "taxpaid", "document": "D1"}
"""
    back = '{"kind": "return", "at": "2024-09-01", "lot": "B", "bottles": 12, "document": "D1"}'
    vintage.load(WINES + bottled("2024-05-01", "MA", "Plain") + gone)
    vintage.load(bottled("2024-07-01", "ME", "Merlot 2023"))
    vintage.load(back, odd=["two labels"])
    assert judged(vintage)["Merlot, Ford"] == [SUPPORTED], "what came back does not say so"
