"""Every kind of event said in plain words, and nothing that makes them fail."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ampelog.events import KINDS
from ampelog.phrases import brief, percent, regime
from ampelog.words import words

EXAMPLE = Path(__file__).parent.parent / "example_vintage"

SAID: tuple[tuple[dict[str, Any], str], ...] = (
    (
        {"kind": "pick", "block": "Hill", "lot": "A", "vessel": "bin 3", "mass": "1250 kg",
         "picking": "hand", "brix": "24.5", "ph": "3.6"},
        "Picked 1250 kg in Hill into A in bin 3, by hand, 24.5 Brix, pH 3.6.",
    ),
    (
        {"kind": "receive", "lot": "T", "vessel": "T9", "volume": "100 gal", "state": "wine",
         "composition": [{"share": "0.6", "variety": "Syrah", "vintage": 2023,
                          "within": ["Ash"]}, {"share": "0.4"}]},
        "Received 100 gal of wine as T in T9, on hand from before; stated to be 60 % Syrah 2023"
        " from Ash and 40 % not known.",
    ),
    (
        {"kind": "receive", "material": "bentonite", "material_lot": "B-7", "amount": "5 kg",
         "supplier": "Shop"},
        "Received 5 kg of bentonite (lot B-7) from Shop.",
    ),
    (
        {"kind": "crush", "from": [{"lot": "A", "all": True}],
         "to": [{"lot": "A", "vessel": "T1", "volume": "800 L"}],
         "method": {"destemmed": "0.7", "whole cluster": "0.3"}},
        "Crushed all of A: 800 L into A in T1 (70 % destemmed and 30 % whole cluster).",
    ),
    (
        {"kind": "press", "from": {"lot": "A", "vessel": "T1", "volume": "800 L"},
         "to": [{"lot": "A", "vessel": "T2", "volume": "600 L", "fraction": "free run"},
                {"mass": "120 kg", "fraction": "pomace"}]},
        "Pressed 800 L of A from T1: 600 L into A in T2 (free run) and 120 kg of pomace.",
    ),
    (
        {"kind": "top", "from": {"lot": "T", "vessel": "T9", "volume": "6 L"},
         "to": {"lot": "A", "vessels": ["B1", "B2", "B3", "B4", "B5", "B6"], "each": "1 L",
                "full": True}},
        "Topped with 6 L of T from T9: 1 L each into A in B1, B2, B3, B4 and 2 more vessels,"
        " until full.",
    ),
    (
        {"kind": "blend", "from": [{"lot": "W", "volume": "2 L", "role": "water"}],
         "to": [{"lot": "A", "volume": "2 L"}], "gain": "warm"},
        "Blended 2 L of W as water: 2 L into A. Gain: warm.",
    ),
    (
        {"kind": "treat", "lot": "A", "treatment": "acid", "material": "tartaric",
         "amount": "2 kg", "estimated": True},
        "Treated A: acid with 2 kg of tartaric. The quantity is an estimate.",
    ),
    (
        {"kind": "gauge", "lot": "A", "vessel": "T1", "volume": "790 L", "temperature": "12 C",
         "reason": "dip"},
        "Measured A in T1: 790 L at 12 C (dip).",
    ),
    ({"kind": "gauge", "lot": "A", "vessel": "T1", "empty": True}, "Measured A in T1: empty."),
    (
        {"kind": "loss", "lot": "A", "all": True, "reason": "lees"},
        "Lost all of A to lees.",
    ),
    (
        {"kind": "bottle", "from": {"lot": "A", "vessel": "T1", "all": True}, "lot": "A-B",
         "bottles": 1, "format": "750 mL", "label": "Red", "code": "L1"},
        "Bottled all of A from T1: 1 bottle of 750 mL as A-B, label Red, code L1.",
    ),
    (
        {"kind": "ship", "lot": "A-B", "bottles": 12, "to": "Shop", "removal": "taxpaid",
         "despite": "a promise"},
        "Shipped 12 bottles of A-B to Shop, taxpaid. Done nonetheless: a promise.",
    ),
    (
        {"kind": "ferment", "lot": "A", "culture": "alcoholic", "stage": "start", "native": True,
         "regime": {"pump_over": {"on_hours": "0.5", "off_hours": 6}, "punch_downs_per_day": 0}},
        "Alcoholic fermentation of A started: with native yeast; pump-over 0.5 h on, 6 h off;"
        " no punch-downs.",
    ),
    (
        {"kind": "analysis", "lot": "A", "lab": "Fennel Street",
         "values": {"ph": "3.7", "malic": "<0.05"}, "other": {"guaiacol": "4.1 ug/L"}},
        "Analysed A by Fennel Street: pH 3.7, malic acid <0.05 g/L, guaiacol 4.1 ug/L.",
    ),
    (
        {"kind": "block", "name": "Hill", "grower": None},
        "Block Hill: no longer states its grower.",
    ),
    (
        {"kind": "label", "name": "Red",
         "statements": {"variety": ["Syrah"], "estate_bottled": True}, "rest": "180 days"},
        "Label Red: states variety Syrah, estate bottled yes; rests 180 days before release.",
    ),
)  # fmt: skip


@pytest.mark.parametrize(("event", "said"), SAID, ids=[event["kind"] for event, _ in SAID])
def test_an_event_is_said_in_plain_words(event: dict[str, Any], said: str) -> None:
    assert words({"at": "2024-10-01", **event}) == said


def test_a_correction_names_the_event_it_corrects_and_says_what_now_stands() -> None:
    new = {"kind": "pick", "block": "Hill", "lot": "A", "mass": "900 kg"}
    event = {"kind": "correct", "corrects": "0a", "reason": "misread.", "replacement": new}
    assert words(event, lambda _: "12") == (
        "Corrected event 12 (misread); it now reads: Picked 900 kg in Hill into A."
    )
    struck = {**event, "replacement": None}
    assert words(struck) == "Corrected event 0a (misread); it is struck out."


def test_every_kind_of_the_example_is_said_without_a_trace_of_code() -> None:
    kinds = set()
    for path in sorted(EXAMPLE.glob("*.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            event = json.loads(line)
            kinds.add(event["kind"])
            said = words(event)
            assert said[0].isupper()
            assert said.rstrip("\"'")[-1] in ".!?"
            for trace in ("None", "{", "[", "  ", " .", "True", "of kind"):
                assert trace not in said, said
    assert len(kinds) > 25


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_has_words_of_its_own_and_needs_no_field_to_be_said(kind: str) -> None:
    said = words({"kind": kind})
    assert said
    assert "of kind" not in said


def test_long_text_is_cut_and_its_length_told() -> None:
    said = words({"kind": "note", "lot": "A", "text": "x" * 10_000})
    assert "10000 characters, whole in the ledger" in said
    assert len(said) < 400
    assert brief("a\n b\t c") == "a b c"


def test_braces_in_a_name_are_text() -> None:
    said = words({"kind": "analysis", "lot": "{0}", "values": {"{x}": "{1}"}})
    assert said == "Analysed {0}: {x} {1}."


def test_a_share_without_an_end_is_printed_as_it_was_stated() -> None:
    assert percent("1/3") == "1/3"
    assert percent("1/8") == "12.5 %"
    assert percent("0.000000000001") == "0.0000000001 %"


def test_a_regime_keeps_whatever_else_was_written_down() -> None:
    kept = {"punch_downs_per_day": 1, "cap_wetting": "daily", "note": "gently"}
    assert regime(kept) == "1 punch-down a day; cap wetting daily; gently"


def test_a_regime_is_one_in_whatever_order_and_whatever_was_noted() -> None:
    kept = {"rinse": "no", "pump_over": {"on_hours": 1, "off_hours": "5"}, "lid": "open"}
    turned = {**dict(reversed(kept.items())), "note": "gently"}
    said = "pump-over 1 h on, 5 h off; lid open; rinse no"
    assert regime(kept, noted=False) == regime(turned, noted=False) == said
    assert regime(turned) == f"{said}; gently"
    assert regime({"note": "gently"}, noted=False) == "gently"


def test_a_sentence_ends_with_one_stop_and_outputs_are_kept_apart() -> None:
    said = words(
        {"kind": "ship", "lot": "A", "all": True, "despite": "Promised. The owner decided."}
    )
    assert said.endswith("Done nonetheless: Promised. The owner decided.")
    outputs = [{"lot": "A", "bottles": 6, "code": "L1"}, {"lot": "B", "bottles": 1, "code": "L2"}]
    said = words({"kind": "pack", "from": {"lot": "C", "all": True}, "to": outputs})
    assert said.endswith("6 bottles as A, code L1; 1 bottle as B, code L2.")
