"""The form of events: bytes, fields, dimensions; every problem with its line and a remedy."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from ampelog import lines, moments
from ampelog.errors import Finding
from ampelog.events import KINDS, model_of
from ampelog.lines import Entry
from ampelog.told import End
from tests.conftest import NOW, ZONE, Vintage

AN_ID = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
"""RFC 9562, appendix A.6: an example of a UUID of version 7."""


def read(*loaded: bytes) -> tuple[list[Entry], list[Finding]]:
    return lines.read(loaded, "lines", ZONE, NOW)


RECORDS = ("from_", "to", "of", "composition", "materials")


def records(form: Any) -> Iterator[type[BaseModel]]:
    """The models of records that a form may hold."""
    if isinstance(form, type) and issubclass(form, BaseModel):
        yield form
    for one in get_args(form):
        yield from records(one)


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_that_was_recorded_answers_for_each_of_its_fields(kind: str) -> None:
    fields = KINDS[kind].model_fields
    said = {
        name
        for at in RECORDS
        if at in fields
        for model in records(fields[at].annotation)
        for name in model.model_fields
    }
    assert said <= set(End.__struct_fields__)


def accepted(event: dict[str, Any]) -> Entry:
    entries, problems = read(json.dumps(event).encode())
    assert not problems, [problem.says for problem in problems]
    return entries[0]


def refused(event: dict[str, Any] | bytes) -> list[str]:
    line = event if isinstance(event, bytes) else json.dumps(event).encode()
    entries, problems = read(line)
    assert not entries
    assert problems
    assert all(problem.where == "lines:1" for problem in problems)
    return [problem.says for problem in problems]


def note(**fields: object) -> dict[str, Any]:
    return {"kind": "note", "at": "2024-10-03", "lot": "A", "text": "seen", **fields}


def rack(source: object, to: object, **fields: object) -> dict[str, Any]:
    return {"kind": "rack", "at": "2024-10-03", "from": source, "to": to, **fields}


def receive(**fields: object) -> dict[str, Any]:
    return {"kind": "receive", "at": "2024-10-03", "lot": "A", **fields}


# --- bytes: I-JSON (RFC 7493) ---


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b'{"kind": "note", "at": "2024-10-03", "lot": "A", "lot": "B"}', "twice"),
        (b'{"kind": "note", "at": "2024-10-03", "lot": "A", "\\u006cot": "B"}', "twice"),
        (b'{"kind": "note", "papers": [{"title": "a", "title": "b"}]}', "twice"),
        (b'{"kind": "note", "vintage": NaN}', "NaN"),
        (b'{"kind": "note", "vintage": Infinity}', "Infinity"),
        (b'{"kind": "note", "vintage": -Infinity}', "Infinity"),
        (b'{"kind": "note", "vintage": 2024.0}', "2024.0"),
        (b'{"kind": "note", "vintage": 2e3}', "2e3"),
        (b'{"kind": "note", "vintage": 9007199254740992}', "too large"),
        (b'{"kind": "note", "vintage": 123456789012345678901234567890}', "too large"),
        (b'{"kind": "note", "text": "\\ud800"}', "surrogate"),
        (b'{"kind": "note", "\\udc00": "x"}', "surrogate"),
        (b'{"kind": "note", "text": "\xed\xa0\x80"}', "UTF-8"),
        (b'{"kind": "note", "text": "\xff"}', "UTF-8"),
        (b'{"kind": "note"', "JSON"),
        (b'{"kind": "note"} {"kind": "note"}', "JSON"),
        (b"{'kind': 'note'}", "JSON"),
        (b'["note"]', "object"),
        (b'"note"', "object"),
        (b"null", "object"),
        (b"[" * 200_000, "JSON"),
        (b'{"a":' * 60_000 + b"1" + b"}" * 60_000, "nested"),
    ],
    ids=range(22),
)
def test_a_line_is_i_json(line: bytes, says: str) -> None:
    found = refused(line)
    assert len(found) == 1
    assert says in found[0] or "nested" in found[0]


@pytest.mark.parametrize("code", ["\ufffe", "\uffff", "\ufdd0", "\U0001fffe"])
def test_noncharacters_are_refused(code: str) -> None:
    """RFC 7493, 2.1: texts and keys bear neither surrogates nor noncharacters."""
    refused(note(text=f"seen{code}"))
    escaped = json.dumps(note(text=f"seen{code}")).encode()
    refused(escaped)


def test_keys_that_become_one_in_composed_form_are_refused() -> None:
    line = '{"kind": "ferment", "at": "2024-10-03", "lot": "A", "regime": {"é": "1", "é": "2"}}'
    composed, apart = unicodedata.normalize("NFC", "é"), unicodedata.normalize("NFD", "é")
    loaded = line.replace('{"é": "1", "é"', f'{{"{composed}": "1", "{apart}"').encode()
    assert "twice" in refused(loaded)[0]


def test_text_is_kept_composed() -> None:
    apart = unicodedata.normalize("NFD", "Blauer Zweigelt, Böhm")
    entry = accepted(note(lot=apart, text=apart, despite=apart))
    assert entry.event["lot"] == unicodedata.normalize("NFC", apart) != apart
    assert entry.model.despite == entry.event["text"] == entry.event["lot"]


@given(st.text(max_size=20))
def test_any_text_is_kept_as_it_came_but_composed_or_refused(text: str) -> None:
    entries, problems = read(json.dumps(note(text=f"x{text}")).encode())
    if entries:
        assert entries[0].event["text"] == unicodedata.normalize("NFC", f"x{text}")
    else:
        assert problems


@given(st.binary(max_size=60))
def test_no_bytes_whatever_end_in_a_traceback(line: bytes) -> None:
    entries, problems = read(line, b'{"kind": "note", ' + line)
    assert not entries
    assert all(problem.says for problem in problems)


def test_blank_lines_and_a_byte_order_mark_are_passed_over() -> None:
    line = json.dumps(note()).encode()
    entries, problems = read(b"\xef\xbb\xbf" + line, b"\n", b"  \r\n", line + b"\r\n")
    assert [entry.where for entry in entries] == ["lines:1", "lines:4"]
    assert not problems


def test_all_problems_of_a_file_are_told_at_once_each_with_its_line() -> None:
    entries, problems = read(
        b"{",
        json.dumps(note()).encode(),
        json.dumps(note(colour="red", by=7)).encode(),
        json.dumps({"kind": "nite", "at": "2024-10-03"}).encode(),
        json.dumps(note(at="soon", until="later")).encode(),
    )
    assert [entry.where for entry in entries] == ["lines:2"]
    assert [problem.where for problem in problems] == [
        "lines:1",
        "lines:3",
        "lines:3",
        "lines:4",
        "lines:5",
        "lines:5",
    ]
    assert problems[3].hint == "did you mean `note`?"


# --- fields every event may have ---


def test_the_kinds_are_those_of_the_format() -> None:
    assert set(KINDS) == {
        "place",
        "block",
        "premises",
        "party",
        "material",
        "vessel",
        "lot",
        "label",
        "pick",
        "receive",
        "crush",
        "press",
        "rack",
        "barrel_down",
        "top",
        "blend",
        "treat",
        "gauge",
        "loss",
        "bottle",
        "pack",
        "ship",
        "return",
        "ferment",
        "reading",
        "analysis",
        "note",
        "hold",
        "clear",
        "release",
        "correct",
    }


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_unknown_keys_are_refused_in_every_kind(kind: str) -> None:
    says = refused({"kind": kind, "at": "2024-10-03", "tempreature": "12 C"})
    assert any("`tempreature`" in one for one in says)


@pytest.mark.parametrize("kind", ["", "Pick", "pick ", None, 7, [], {}])
def test_the_kind_is_one_of_them(kind: object) -> None:
    assert "kind" in refused({"kind": kind, "at": "2024-10-03"})[0]


def test_kind_and_at_are_required() -> None:
    assert refused({"at": "2024-10-03"}) == ["no `kind`"]
    assert "`note` needs `at`" in refused({"kind": "note", "lot": "A"})


def test_what_every_event_may_say() -> None:
    accepted(
        note(
            until="2024-10-03T04:00",
            id=AN_ID,
            by="Ines",
            ref="WO-7",
            papers=[{"title": "work order", "sha256": "0f" * 32}, {"title": "photo"}],
            note="hot day",
            estimated=True,
            despite="no choice",
        )
    )


@pytest.mark.parametrize(
    "fields",
    [
        {"id": "7"},
        {"id": AN_ID.replace("-", "")},
        {"id": f"{{{AN_ID}}}"},
        {"id": f"urn:uuid:{AN_ID}"},
        {"id": f"{AN_ID}\n"},
        {"by": ""},
        {"by": 7},
        {"ref": ["a", "b"]},
        {"papers": "a.pdf"},
        {"papers": [{"sha256": "0f" * 32}]},
        {"papers": [{"title": "a", "sha256": "0F" * 32}]},
        {"papers": [{"title": "a", "sha256": "0f"}]},
        {"papers": [{"title": "a", "path": "a.pdf"}]},
        {"estimated": "yes"},
        {"estimated": 1},
        {"despite": True},
        {"materials": [{"material": "tin"}]},
        {"at": 20241003},
        {"at": "2024-10-03T14:20", "until": "2024-10-03T14:19"},
        {"until": "2024-10-02"},
    ],
)
def test_their_forms_are_checked(fields: dict[str, object]) -> None:
    refused(note(**fields))


@pytest.mark.parametrize("kind", ["treat", "ferment", "bottle", "pack"])
def test_materials_stand_on_four_kinds(kind: str) -> None:
    uses = [{"material": "yeast", "lot": "Y-7", "amount": "500 g"}, {"material": "tin"}]
    event: dict[str, Any] = {"kind": kind, "at": "2024-10-03", "materials": uses}
    if kind in ("bottle", "pack"):
        event |= {"from": {"lot": "A", "all": True}, "to": [{"lot": "B", "bottles": 6}]}
    else:
        event |= {"lot": "A"}
        event |= (
            {"treatment": "fining"}
            if kind == "treat"
            else {"culture": "alcoholic", "stage": "start"}
        )
    accepted(event)
    refused({**event, "materials": [{"material": "tin", "amount": "2.5 pieces"}]})
    refused({**event, "materials": [{"lot": "Y-7"}]})


# --- times ---


def test_nothing_lies_more_than_a_day_after_its_recording() -> None:
    accepted(note(at="2026-06-02T11:59"))
    assert "more than a day" in refused(note(at="2026-06-02T12:01"))[0]
    assert "more than a day" in refused(note(until="2026-06-03"))[0]


@pytest.mark.parametrize("kind", ["label", "release", "lot"])
def test_labels_releases_and_lots_may_look_ahead(kind: str) -> None:
    name = "lot" if kind == "release" else "name"
    accepted({"kind": kind, "at": "2031-01-01", name: "A"})


def test_nothing_lies_before_1900() -> None:
    accepted(note(at="1900-01-01"))
    assert "1900" in refused(note(at="1899-12-31"))[0]


def test_an_hour_that_does_not_exist_is_refused_with_its_zone() -> None:
    assert ZONE.key in refused(note(at="2024-03-10T02:30"))[0]


# --- names ---


@pytest.mark.parametrize("name", ["A", "24-SY @ 3", "Ünïcödé", "x" * 64, "a  b", "🍇", "ｗ"])
def test_a_name_is_1_to_64_characters(name: str) -> None:
    accepted(note(lot=name))


@pytest.mark.parametrize(
    "name",
    ["", " A", "A ", "\u00a0A", "A\u3000", "A\nB", "A\x00", "A\x7f", "A\x85B", "x" * 65, "\t", 7],
)
def test_a_name_has_no_control_characters_and_no_space_around(name: object) -> None:
    refused(note(lot=name))


# --- quantities where they stand ---


@pytest.mark.parametrize(
    "fields",
    [
        {"volume": 100},
        {"volume": "100"},
        {"volume": "100 kg"},
        {"volume": "100 pieces"},
        {"volume": "0 L"},
        {"volume": "-1 L"},
        {"volume": "1e3 L"},
        {"volume": "0.000000000001 mL"},
        {"mass": "100 L"},
        {"mass": "100 gal"},
        {"bottles": "12", "format": "750 mL"},
        {"bottles": 0, "format": "750 mL"},
        {"bottles": -12, "format": "750 mL"},
        {"bottles": True, "format": "750 mL"},
        {"bottles": 12},
        {"bottles": 12, "format": "750 g"},
        {"volume": "1 L", "mass": "1 kg"},
        {"volume": "1 L", "each": "1 L"},
        {},
    ],
)
def test_a_receipt_has_one_quantity_of_its_dimension(fields: dict[str, object]) -> None:
    refused(receive(**fields))


@pytest.mark.parametrize(
    ("temperature", "good"),
    [("12 C", True), ("54 F", True), ("-3.5 C", True), ("12", False), ("12 K", False), (12, False)],
)
def test_a_measured_volume_may_carry_its_temperature(temperature: object, good: bool) -> None:
    event = receive(volume="1 L", temperature=temperature)
    if good:
        assert accepted(event).event["temperature"] == temperature
    else:
        refused(event)


SOMEWHERE: dict[str, Any] = {"lot": "A", "volume": "1 L"}


@pytest.mark.parametrize(
    "source",
    [
        {"lot": "A", "all": True},
        {"lot": "A", "vessel": "T1", "all": True},
        {"lot": "A", "vessels": ["T1", "T2"], "all": True},
        {"lot": "A", "vessels": ["T1", "T2"], "each": "1 L"},
        {"lot": "A", "vessels": ["T1", "T2"], "volume": "1 L"},
        {"lot": "A", "volume": "1 L", "role": "dosage"},
        [{"lot": "A", "volume": "1 L"}, {"lot": "B", "all": True}],
    ],
)
def test_a_source_takes_a_quantity_or_all(source: object) -> None:
    accepted(rack(source, SOMEWHERE))


@pytest.mark.parametrize(
    "source",
    [
        {"lot": "A"},
        {"volume": "1 L"},
        {"lot": "A", "all": False},
        {"lot": "A", "all": True, "volume": "1 L"},
        {"lot": "A", "volume": "1 L", "mass": "1 kg"},
        {"lot": "A", "each": "1 L"},
        {"lot": "A", "vessel": "T1", "each": "1 L"},
        {"lot": "A", "vessel": "T1", "vessels": ["T2"], "volume": "1 L"},
        {"lot": "A", "vessels": ["T1", "T1"], "volume": "1 L"},
        {"lot": "A", "vessels": [], "volume": "1 L"},
        {"lot": "A", "vessels": "T1", "volume": "1 L"},
        {"lot": "A", "volume": "1 L", "role": "topping"},
        {"lot": "A", "volume": "1 L", "full": True},
        {"lot": "A", "volume": "1 L", "fraction": "free run"},
        {"lot": "A", "volume": "1 L", "colour": "red"},
        [],
        "A",
    ],
)
def test_a_source_says_one_thing(source: object) -> None:
    refused(rack(source, SOMEWHERE))


@pytest.mark.parametrize(
    "to",
    [
        {"lot": "B"},
        {"lot": "B", "all": True},
        {"lot": "B", "volume": "1 L", "role": "dosage"},
        {"lot": "B", "each": "1 L"},
        {"lot": "B", "vessels": ["T1", "T1"], "each": "1 L"},
        [],
    ],
)
def test_quantities_in_to_are_always_stated(to: object) -> None:
    refused(rack(SOMEWHERE, to))


def test_full_is_said_in_top_and_fractions_in_press() -> None:
    top = {"lot": "B", "vessel": "B1", "volume": "1 L", "full": True}
    accepted({**rack(SOMEWHERE, top), "kind": "top"})
    refused(rack(SOMEWHERE, top))
    run = {"lot": "B", "vessel": "T2", "volume": "1 L", "fraction": "free run"}
    accepted({**rack(SOMEWHERE, run), "kind": "press"})
    refused(rack(SOMEWHERE, run))


def test_pomace_of_a_press_needs_no_name() -> None:
    wine = {"lot": "B", "vessel": "T2", "volume": "1 L"}
    pomace = {"mass": "1 kg", "fraction": "pomace"}
    accepted({**rack(SOMEWHERE, [wine, pomace]), "kind": "press"})
    accepted({**rack(SOMEWHERE, [wine, {**pomace, "lot": "P"}]), "kind": "press"})


def test_one_endpoint_may_stand_alone_or_in_a_list() -> None:
    one = model_of(rack(SOMEWHERE, SOMEWHERE))
    assert one == model_of(rack([SOMEWHERE], [SOMEWHERE]))


def test_an_output_of_bottling_may_stand_flat() -> None:
    flat = {"lot": "B", "bottles": 6, "format": "750 mL", "label": "Red", "code": "L7"}
    for kind in ("bottle", "pack"):
        head = {"kind": kind, "at": "2024-10-03", "from": SOMEWHERE}
        assert model_of({**head, **flat}) == model_of({**head, "to": [flat]})
        refused({**head, "lot": "B"})
        refused({**head, **flat, "to": [flat]})


def test_the_draw_of_a_shipment_may_stand_flat_and_is_one() -> None:
    head = {"kind": "ship", "at": "2024-10-03", "to": "Shop", "removal": "taxpaid"}
    assert model_of({**head, **SOMEWHERE}) == model_of({**head, "from": SOMEWHERE})
    refused({**head, "from": [SOMEWHERE, SOMEWHERE]})
    refused({**head, "removal": "sold", **SOMEWHERE})
    refused(head)


# --- measured values, shares, small records ---


@pytest.mark.parametrize("value", ["23.4", "0", "-1.5", "007"])
def test_a_measured_value_is_a_decimal_text(value: str) -> None:
    event = {"kind": "pick", "at": "2024-10-03", "block": "Hill", "lot": "F", "mass": "1 t"}
    accepted({**event, "brix": value, "ph": value, "ta": value})
    accepted({"kind": "reading", "at": "2024-10-03", "lot": "A", "brix": value})


@pytest.mark.parametrize("value", [23, "23.4.", "1e1", "<3", "", "23,4", "23.4 g/L", None, [1]])
def test_anything_else_is_none(value: object) -> None:
    refused({"kind": "reading", "at": "2024-10-03", "lot": "A", "brix": value})


def test_only_what_a_laboratory_finds_may_lie_below_its_limit() -> None:
    event = {"kind": "analysis", "at": "2024-10-03", "lot": "A", "lab": "Stone Lab"}
    accepted(
        {
            **event,
            "values": {
                "malic": "<0.05",
                "ta_endpoint": "8.2",
                "heat_stability": "1.2",
                "cold_stability": "pass",
                "other": {"guaiacol": "4.1 ug/L"},
            },
        }
    )
    refused({**event, "values": {"malic": 0}})
    refused({**event, "values": {"ta_endpoint": "8.1"}})
    refused({**event, "values": {"cold_stability": "good"}})
    refused({**event, "values": {"guaiacol": "4.1"}})
    refused(event)


@pytest.mark.parametrize(
    ("shares", "good"),
    [
        (["1/3", "2/3"], True),
        (["0.25", "3/4"], True),
        (["1"], True),
        ([None], True),
        (["0.333", "0.333", "0.333"], False),
        (["0.5", "0.50000000001"], False),
        (["1/3", "1/3"], False),
        ([None, "1"], False),
        (["50 %", "50 %"], False),
        (["1/0", "1"], False),
        (["-0.5", "1.5"], False),
        ([], False),
    ],
)
def test_shares_sum_to_exactly_one(shares: list[str | None], good: bool) -> None:
    parts = [
        {"variety": f"V{n}", **({} if share is None else {"share": share})}
        for n, share in enumerate(shares)
    ]
    block = {"kind": "block", "at": "2024-10-03", "name": "Hill", "plantings": parts}
    receipt = receive(volume="1 L", composition=parts)
    for event in (block, receipt):
        if good:
            accepted(event)
        else:
            refused(event)


def test_regime_method_and_other_alone_bear_further_names() -> None:
    ferment = {
        "kind": "ferment",
        "at": "2024-10-03",
        "lot": "A",
        "culture": "alcoholic",
        "stage": "start",
    }
    accepted(
        {
            **ferment,
            "regime": {
                "pump_over": {"on_hours": "1.5", "off_hours": 6},
                "punch_downs_per_day": 3,
                "lid": "open",
                "turns": 4,
            },
        }
    )
    accepted({**ferment, "native": True})
    refused({**ferment, "regime": {"pump_over": {"hours": 3}}})
    refused({**ferment, "regime": {"lid": {"open": "yes"}}})
    refused({**ferment, "stage": "stuck"})
    crush = {**rack({"lot": "F", "all": True}, SOMEWHERE), "kind": "crush"}
    accepted({**crush, "method": {"destemmed": "0.7", "whole cluster": "0.3"}})
    refused({**crush, "method": {"destemmed": ["0.7"]}})


def test_a_reading_reads_something_and_one_scale() -> None:
    event = {"kind": "reading", "at": "2024-10-03", "lot": "A"}
    accepted({**event, "specific_gravity": "1.0912", "instrument": "hydrometer"})
    accepted({**event, "temperature": "22 C"})
    refused(event)
    refused({**event, "brix": "20", "specific_gravity": "1.08"})
    refused({**event, "brix": "20", "instrument": "eye"})


@pytest.mark.parametrize("rest", ["180 days", "1 months", "2027-02-28"])
def test_a_rest_is_a_number_of_days_or_months_or_a_date(rest: str) -> None:
    accepted({"kind": "label", "at": "2024-10-03", "name": "Red", "rest": rest})


@pytest.mark.parametrize(
    "rest", ["180", "0 days", "1.5 months", "6 weeks", "180  days", 180, "2027-02-30", "2027-13-01"]
)
def test_anything_else_is_no_rest(rest: object) -> None:
    refused({"kind": "label", "at": "2024-10-03", "name": "Red", "rest": rest})


def test_a_target_is_a_lot_in_some_of_its_vessels() -> None:
    loss = {"kind": "loss", "at": "2024-10-03", "lot": "A", "volume": "1 L", "reason": "lees"}
    accepted(loss)
    accepted({**loss, "vessels": ["T1", "T2"]})
    refused({**loss, "vessel": "T1", "vessels": ["T2"]})
    refused({**loss, "reason": "angels"})
    refused({**loss, "all": True})
    refused({key: value for key, value in loss.items() if key != "volume"})
    refused({key: value for key, value in loss.items() if key != "reason"})


def test_a_gauge_measures_something() -> None:
    gauge = {"kind": "gauge", "at": "2024-10-03", "lot": "A"}
    accepted({**gauge, "empty": True})
    accepted({**gauge, "volume": "1 L", "reason": "produced"})
    refused(gauge)
    refused({**gauge, "volume": "0 L"})
    refused({**gauge, "empty": True, "volume": "1 L"})
    refused({**gauge, "empty": False})
    refused({**gauge, "volume": "1 L", "reason": "leak"})


def test_what_is_added_to_wine_needs_its_material_and_role() -> None:
    treat = {"kind": "treat", "at": "2024-10-03", "lot": "A", "treatment": "water"}
    accepted({**treat, "adds": "1 L", "material": "water", "role": "water"})
    refused({**treat, "adds": "1 L", "material": "water"})
    refused({**treat, "adds": "1 L", "role": "water"})
    refused({**treat, "adds": "1 kg", "material": "sugar", "role": "enrichment"})
    refused({"kind": "treat", "at": "2024-10-03", "lot": "A", "material": "tin"})


@pytest.mark.parametrize("kind", ["hold", "note", "analysis"])
def test_what_it_is_about_is_one_thing(kind: str) -> None:
    event: dict[str, Any] = {"kind": kind, "at": "2024-10-03"}
    event |= {"reason": "smoke"} if kind == "hold" else {}
    event |= {"values": {"ph": "3.5"}} if kind == "analysis" else {}
    accepted({**event, "block": "Hill"})
    accepted({**event, "lot": "A", "vessel": "T1"})
    refused(event)
    refused({**event, "lot": "A", "block": "Hill"})
    refused({**event, "vessel": "T1"})
    refused({**event, "block": "Hill", "vessel": "T1"})


def test_a_hold_may_be_of_a_material_lot_and_a_clear_names_its_hold() -> None:
    accepted({"kind": "hold", "at": "2024-10-03", "material_lot": "C-9", "reason": "corks"})
    clear = {"kind": "clear", "at": "2024-10-03", "hold": AN_ID, "reason": "tested"}
    accepted(clear)
    refused({**clear, "lot": "A"})
    refused({key: value for key, value in clear.items() if key != "reason"})


def test_a_purchase_is_of_wine_or_of_material() -> None:
    accepted(
        {
            "kind": "receive",
            "at": "2024-10-03",
            "material": "tin",
            "material_lot": "T-1",
            "amount": "50 pieces",
        }
    )
    refused(receive(volume="1 L", material="tin"))
    refused({"kind": "receive", "at": "2024-10-03"})
    refused(receive(volume="1 L", state="vinegar"))
    refused(receive(volume="1 L", bond="out"))


def test_a_correction_says_whom_and_why() -> None:
    correct = {"kind": "correct", "at": "2024-10-03", "corrects": AN_ID, "reason": "slip"}
    accepted({**correct, "replacement": None})
    accepted({**correct, "replacement": note()})
    refused(correct)
    refused({**correct, "replacement": note(id=AN_ID)})
    refused({**correct, "replacement": None, "reason": ""})
    refused({**correct, "corrects": "event 7", "replacement": None})


def test_a_planting_block_and_label_say_what_the_format_lists() -> None:
    accepted(
        {
            "kind": "block",
            "at": "2024-10-03",
            "name": "Hill",
            "within": ["Ash"],
            "spans": ["Birch"],
            "grower": "Shop",
            "estate": False,
            "area": "2.4 ha",
            "control": {"basis": "leased", "from": "2020-01-01", "to": None, "farmed_by": "Ana"},
            "certifications": ["organic"],
            "rootstock": "3309",
            "planted": 2001,
            "tags": ["old"],
            "plantings": [{"variety": "Syrah", "clone": "877"}],
        }
    )
    accepted(
        {
            "kind": "label",
            "at": "2024-10-03",
            "name": "Red",
            "style": "dry red",
            "malolactic": "complete",
            "market": ["us", "eu"],
            "rest": "180 days",
            "statements": {
                "variety": ["Syrah"],
                "shares": {"Syrah": "60"},
                "vintage": 2024,
                "appellation": ["Ash"],
                "vineyard": "Long Hill",
                "alcohol": "13.5 %",
                "estate_bottled": True,
                "bottler": "produced",
                "text": [{"says": "hand picked", "where": {"picking": "hand"}, "at_least": "1"}],
            },
            "approvals": [{"authority": "office", "number": "7", "date": "2024-10-01"}],
        }
    )
    refused({"kind": "block", "at": "2024-10-03", "name": "Hill", "area": "2.4"})
    refused({"kind": "block", "at": "2024-10-03", "name": "Hill", "control": {"basis": "lent"}})
    refused({"kind": "place", "at": "2024-10-03", "name": "Ash", "type": "shire"})
    refused({"kind": "label", "at": "2024-10-03", "name": "Red", "style": "orange"})
    refused({"kind": "label", "at": "2024-10-03", "name": "Red", "statements": {"colour": "red"}})


# --- ids ---


def test_an_id_the_ledger_gives_is_of_version_7(vintage: Vintage) -> None:
    """RFC 9562, 5.7: 48 bits of milliseconds, version 7, variant 10."""
    done = vintage.load('{"kind": "party", "at": "2024-10-03", "name": "Mole"}')
    (given_id,) = done.ids
    assert given_id[14] == "7"
    assert given_id[19] in "89ab"
    made_at = int(given_id.replace("-", "")[:12], 16)
    assert made_at * 1000 > moments.instant("2024-01-01", ZONE)


def test_the_example_of_a_version_7_id_is_accepted_and_kept(vintage: Vintage) -> None:
    """RFC 9562, A.6: the milliseconds in its first 48 bits are 1645557742000."""
    assert int(AN_ID.replace("-", "")[:12], 16) == 1_645_557_742_000
    done = vintage.load(f'{{"kind": "party", "at": "2024-10-03", "id": "{AN_ID}", "name": "Mole"}}')
    assert done.ids == (AN_ID,)
    kept = vintage.ledger.records(done.head.position)[0].event
    assert kept == {"kind": "party", "at": "2024-10-03", "id": AN_ID, "name": "Mole", "by": "Ines"}
