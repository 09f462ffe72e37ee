"""What a late entry or a correction changes in earlier answers, and how one is corrected."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from ampelog import consequences, correcting, lines, upkeep
from ampelog import ledger as ledgers
from ampelog.consequences import answers, changes, differs
from ampelog.errors import Refused
from ampelog.lateness import reaches_back
from ampelog.questions import View
from ampelog.recording import supposed
from ampelog.state import Lot
from tests.conftest import HOME, NOW, ZONE, Vintage, as_lines
from tests.program import copied

pytest_plugins = ("tests.running",)
TODAY = date(2026, 6, 1)
PICK = "018f3b5c-0000-7000-9000-0000000000a1"
WINE = f"""
{{"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "S", "mass": "900 kg", "id": "{PICK}"}}
{{"kind": "pick", "at": "2024-09-10", "block": "Mill", "lot": "G", "mass": "300 kg"}}
{{"kind": "crush", "at": "2024-09-11", "from": [{{"lot": "S", "all": true}}, {{"lot": "G", "all": true}}],
 "to": {{"lot": "W", "vessel": "T1", "volume": "800 L"}}}}
{{"kind": "ferment", "at": "2024-09-20", "lot": "W", "culture": "alcoholic", "stage": "end"}}
{{"kind": "label", "at": "2000-01-01", "name": "Syrah", "style": "dry red", "market": ["us"],
 "rest": "30 days", "statements": {{"variety": ["Syrah"], "appellation": "North"}}}}
{{"kind": "bottle", "at": "2025-03-01", "from": {{"lot": "W", "volume": "750 L"}}, "to":
 {{"lot": "B", "bottles": 1000, "format": "750 mL", "label": "Syrah"}}}}
{{"kind": "release", "at": "2025-04-05", "lot": "B"}}
{{"kind": "ship", "at": "2025-04-10", "lot": "B", "bottles": 120, "to": "Shop", "document": "1",
 "removal": "taxpaid"}}
{{"kind": "receive", "at": "2024-10-01", "lot": "X", "volume": "100 L", "vessel": "T9",
 "state": "wine"}}
"""


def asked(cellar: Vintage, words: str) -> list[dict[str, Any]]:
    entries, problems = lines.read(as_lines(words), "lines", ZONE, NOW)
    assert not problems
    return changes(cellar.ledger, entries, by="Ines", now=NOW, today=TODAY)


def corrected(mass: str) -> str:
    return (
        f'{{"kind": "correct", "at": "2026-03-01", "corrects": "{PICK}", "reason": "misread", '
        '"replacement": {"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "S", '
        f'"mass": "{mass}"}}}}'
    )


def by_what(rows: list[dict[str, Any]], lot: str) -> dict[str, tuple[Any, Any]]:
    return {one["what"]: (one["before"], one["after"]) for one in rows if one["lot"] == lot}


def test_a_misweighed_bin_found_in_march_unsays_a_label(vintage: Vintage) -> None:
    vintage.load(WINE)
    head = vintage.ledger.head
    rows = asked(vintage, corrected("880 kg"))
    told = by_what(rows, "B")
    assert told["variety: Syrah"][0].startswith("0.75")
    statement = next(what for what in told if what.startswith("label: Syrah"))
    before, after = told[statement]
    assert before.startswith("supported, 0.75")
    assert after.startswith("refused, 0.745")
    assert rows[0]["after"].startswith("refused"), "the gravest stands first"
    assert {one["shipped"] for one in rows if one["lot"] == "B"} == {"120"}
    assert "X" not in {one["lot"] for one in rows}, "what it cannot reach is not asked about"
    assert vintage.ledger.head == head, "nothing is recorded"


def test_a_correction_that_says_the_same_changes_nothing(vintage: Vintage) -> None:
    vintage.load(WINE)
    assert asked(vintage, corrected("900 kg")) == []


def test_a_late_bottling_day_moves_the_release(vintage: Vintage) -> None:
    vintage.load(WINE)
    late = (
        '{"kind": "bottle", "at": "2025-03-03", "from": {"lot": "W", "volume": "9 L"}, "to": '
        '{"lot": "B", "bottles": 12, "format": "750 mL", "label": "Syrah"}}'
    )
    told = by_what(asked(vintage, late), "B")
    assert told["may leave from"] == ("2025-03-31", "2025-04-02")
    assert told["held"] == ("660 L", "669 L")


def test_a_late_loss_and_a_hold_are_told(vintage: Vintage) -> None:
    vintage.load(WINE)
    rows = asked(
        vintage,
        '{"kind": "loss", "at": "2025-01-01", "lot": "W", "volume": "5 L", "reason": "spill"}\n'
        '{"kind": "hold", "at": "2025-01-01", "lot": "W", "reason": "haze"}',
    )
    assert by_what(rows, "W")["lost, spill"] == (None, "5 L")
    assert by_what(rows, "B")["on hold"][0] is None


RELEASE = "018f3b5c-0000-7000-9000-0000000000a2"


@pytest.mark.parametrize(
    ("replacement", "released", "state"),
    [
        (None, None, "due"),
        ('{"kind": "release", "at": "2026-05-20", "lot": "B"}', "2026-05-20", "released"),
    ],
)
def test_a_release_that_is_struck_or_moved_is_told(
    vintage: Vintage, replacement: str | None, released: str | None, state: str
) -> None:
    vintage.load(WINE.replace('"at": "2025-04-05",', f'"at": "2025-04-05", "id": "{RELEASE}",'))
    words = (
        f'{{"kind": "correct", "at": "2026-05-01", "corrects": "{RELEASE}", '
        f'"reason": "another lot", "replacement": {replacement or "null"}}}'
    )
    told = by_what(asked(vintage, words), "B")
    assert told["released on"] == ("2025-04-05", released)
    assert told.get("calendar") == (None if state == "released" else ("released", state))


ESTATE = """
{"kind": "premises", "at": "2000-01-01", "name": "Home", "within": ["Two Fords"]}
{"kind": "block", "at": "2000-01-01", "name": "Own", "plantings": [{"variety": "Syrah"}],
 "within": ["Two Fords"], "estate": true, "control": {"basis": "owned", "from": "1990-01-01"}}
{"kind": "label", "at": "2000-01-01", "name": "Estate", "style": "dry red", "market": ["us", "eu"],
 "statements": {"appellation": "Two Fords", "estate_bottled": true,
 "text": [{"says": "Contains: milk"}]}}
{"kind": "pick", "at": "2024-09-01", "block": "Own", "lot": "F", "mass": "200 kg"}
{"kind": "crush", "at": "2024-09-03", "from": {"lot": "F", "all": true},
 "to": {"lot": "W", "vessel": "T1", "volume": "150 L"}}
{"kind": "ferment", "at": "2024-09-20", "lot": "W", "culture": "alcoholic", "stage": "end"}
{"kind": "treat", "at": "2024-12-01", "lot": "W", "treatment": "fining", "material": "white",
 "amount": "1 g"}
{"kind": "bottle", "at": "2025-02-01", "from": {"lot": "W", "volume": "75 L"}, "lot": "B",
 "bottles": 100, "format": "750 mL", "label": "Estate"}
"""


@pytest.mark.parametrize(
    ("says", "what"),
    [
        (
            '{"kind": "premises", "at": "2024-11-11", "name": "Barn", "within": ["Ash"]}\n'
            '{"kind": "vessel", "at": "2024-11-12", "name": "T1", "premises": "Barn"}',
            "label: estate bottled",
        ),
        ('{"kind": "premises", "at": "2024-09-02", "name": "Barn"}', "label: estate bottled"),
        (
            '{"kind": "material", "at": "2025-06-01", "name": "white", "is": ["egg"]}',
            "label: Contains: milk",
        ),
    ],
)
def test_what_is_registered_late_and_holds_from_the_beginning_is_asked_about(
    vintage: Vintage, says: str, what: str
) -> None:
    """Where the wine stood, and what was in it, is read off a register that came later."""
    vintage.load(ESTATE)
    entries, _ = lines.read(as_lines(says), "lines", ZONE, NOW)
    assert reaches_back(vintage.ledger, entries)
    told = by_what(asked(vintage, says), "B")
    assert any(one.startswith(what) for one in told), told


@pytest.mark.parametrize(
    "says",
    [
        '{"kind": "premises", "at": "2025-06-01", "name": "Barn"}',
        '{"kind": "vessel", "at": "2024-01-01", "name": "T99", "premises": "Home"}',
        '{"kind": "material", "at": "2024-01-01", "name": "another", "is": ["egg"]}',
    ],
)
def test_what_nothing_earlier_rests_on_is_not_asked_about(vintage: Vintage, says: str) -> None:
    vintage.load(ESTATE)
    entries, _ = lines.read(as_lines(says), "lines", ZONE, NOW)
    assert not reaches_back(vintage.ledger, entries)


def test_of_a_ledger_that_holds_nothing_there_was_no_earlier_answer(
    vintage: Vintage, tmp_path: Path
) -> None:
    """Home registered again is late once something rests on it."""
    entries, _ = lines.read(as_lines(json.dumps(HOME)), "lines", ZONE, NOW)
    assert reaches_back(vintage.ledger, entries)
    path = tmp_path / "empty.duckdb"
    upkeep.init(path, "Home", ZONE.key, "Ines", NOW)
    with ledgers.opened(path) as empty:
        assert not reaches_back(empty, entries)


def test_of_wine_that_a_load_begins_there_was_no_earlier_answer(vintage: Vintage) -> None:
    """Neither where it is the first load nor where it comes late; what it draws on is told."""
    assert asked(vintage, WINE) == []
    vintage.load(WINE)
    late = (
        '{"kind": "bottle", "at": "2025-02-01", "from": {"lot": "W", "volume": "9 L"}, "lot": "L", '
        '"bottles": 12, "format": "750 mL", "label": "Syrah"}'
    )
    rows = asked(vintage, late)
    assert {one["lot"] for one in rows} == {"W"}
    assert by_what(rows, "W")["held"] == ("50 L", "41 L")


def test_what_a_label_states_is_asked_of_all_that_bear_it(vintage: Vintage) -> None:
    vintage.load(WINE)
    words = (
        '{"kind": "label", "at": "2001-01-01", "name": "Syrah", '
        '"statements": {"variety": ["Grenache"], "appellation": "North"}}'
    )
    entries, _ = lines.read(as_lines(words), "lines", ZONE, NOW)
    assert reaches_back(vintage.ledger, entries)
    assert any("Grenache" in one["what"] for one in asked(vintage, words) if one["lot"] == "B")


@pytest.mark.parametrize(
    ("at", "corrects", "back"),
    [
        ("2025-05-02", "018f3b5c-0000-7000-9000-0000000000b1", False),
        ("2024-05-02", "018f3b5c-0000-7000-9000-0000000000b1", True),
        ("2025-05-02", PICK, True),
    ],
)
def test_a_load_that_corrects_its_own_events_changes_no_earlier_answer(
    vintage: Vintage, at: str, corrects: str, *, back: bool
) -> None:
    vintage.load(WINE)
    words = f"""
{{"kind": "loss", "at": "2025-05-01", "lot": "W", "volume": "5 L", "reason": "spill",
 "id": "018f3b5c-0000-7000-9000-0000000000b1"}}
{{"kind": "correct", "at": "2026-03-01", "corrects": "{corrects}", "reason": "misread",
 "replacement": {{"kind": "loss", "at": "{at}", "lot": "W", "volume": "6 L", "reason": "spill"}}}}
"""
    entries, _ = lines.read(as_lines(words), "lines", ZONE, NOW)
    assert reaches_back(vintage.ledger, entries) is back


def test_a_load_at_the_end_of_time_is_asked_nothing(vintage: Vintage) -> None:
    vintage.load(WINE)
    words = '{"kind": "loss", "at": "2025-05-01", "lot": "W", "volume": "5 L", "reason": "spill"}'
    entries, _ = lines.read(as_lines(words), "lines", ZONE, NOW)
    assert not reaches_back(vintage.ledger, entries)


def test_what_would_be_refused_is_refused(vintage: Vintage) -> None:
    vintage.load(WINE)
    with pytest.raises(Refused):
        asked(
            vintage,
            '{"kind": "loss", "at": "2025-01-01", "lot": "W", "volume": "799 L", '
            '"reason": "spill"}',
        )


@pytest.mark.parametrize(
    ("kind", "at", "field"),
    [
        ("pick", "2023-09-17T07:15", "mass"),
        ("top", "2024-05", None),
        ("analysis", "2026-11-16", None),
    ],
)
def test_changes_are_those_of_a_full_recomputation(
    example_ledger: Path, tmp_path: Path, kind: str, at: str, field: str | None
) -> None:
    """Every lot of the example is asked before and after; what differs is what is told."""
    path = copied(example_ledger, tmp_path)
    with ledgers.opened(path, write=True) as ledger:
        view = View(ledger)
        step = next(
            one
            for one in view.steps
            if one.event["kind"] == kind and one.event["at"].startswith(at)
        )
        now = {key: value for key, value in step.event.items() if key != "id"}
        replacement = now | {"mass": "300 lb"} if field else None
        event = {
            "kind": "correct",
            "at": "2026-11-25",
            "corrects": step.id,
            "reason": "a trial",
            "replacement": replacement,
        }
        moment = view.today + 1
        entry = lines.typed(event, "it", view.zone, moment)
        assert isinstance(entry, lines.Entry)
        day = date(2026, 11, 25)
        told = changes(ledger, [entry], by="Ines", now=moment, today=day)
        before = answers(view, {lot.name for lot in view.all_lots()}, day)
        with supposed(ledger, [entry], by="Ines", now=moment):
            then = View(ledger)
            after = answers(then, {lot.name for lot in then.all_lots()}, day)
        changed = {key for key in {**before, **after} if differs(before.get(key), after.get(key))}
        assert {(one["lot"], one["what"]) for one in told} == changed
        assert changed, "it changes something"


# --- correcting ---


def correction(cellar: Vintage, which: str, *pairs: str, **more: Any) -> dict[str, Any]:
    given: dict[str, Any] = {"reason": "misread", "strike": False, **more}
    return correcting.correction(
        cellar.ledger, which, pairs, given["reason"], strike=given["strike"]
    )


def position(cellar: Vintage, id_: str) -> str:
    return str(cellar.ledger.known([id_])[id_].position)


def test_a_correction_copies_the_event_and_changes_the_fields(vintage: Vintage) -> None:
    vintage.load(WINE)
    for which in (PICK, position(vintage, PICK)):
        event = correction(vintage, which, "mass=880 kg", "brix=24.1")
        assert event["corrects"] == PICK
        assert event["replacement"] == {
            "kind": "pick",
            "at": "2024-09-10",
            "block": "Hill",
            "lot": "S",
            "by": "Ines",
            "mass": "880 kg",
            "brix": "24.1",
        }


def test_a_corrected_event_is_corrected_as_it_reads_now(vintage: Vintage) -> None:
    vintage.load(WINE)
    done = vintage.load(corrected("880 kg"), odd=["resolved anew"])
    event = correction(vintage, str(done.head.position), "brix=24.1")
    assert event["corrects"] == PICK
    assert event["replacement"]["mass"] == "880 kg"


def test_endpoints_are_given_anew_and_fields_are_reached_and_cleared(vintage: Vintage) -> None:
    id_ = "018f3b5c-0000-7000-9000-0000000000a2"
    vintage.load(
        WINE
        + f'{{"kind": "analysis", "at": "2025-02-01", "lot": "W", "id": "{id_}", "lab": "Own", '
        '"values": {"ph": "35.5", "va": "0.4"}}'.replace("35.5", "3.5")
    )
    event = correction(vintage, id_, "values.ph=3.55", "lab=")
    assert event["replacement"]["values"] == {"ph": "3.55", "va": "0.4"}
    assert "lab" not in event["replacement"]


@pytest.mark.parametrize(
    ("which", "pairs", "more", "says"),
    [
        ("99999", ["mass=1 kg"], {}, "there is no position 99999"),
        ("no-such-id", ["mass=1 kg"], {}, "no event has the id"),
        (PICK, [], {}, "say what reads otherwise"),
        (PICK, ["mass=1 kg"], {"strike": True}, "say what reads otherwise"),
        (PICK, ["mass=1 kg"], {"reason": " "}, "a correction says why"),
        (PICK, ["mass=900 kg"], {}, "nothing would read otherwise"),
        (PICK, ["values.ph="], {}, "is not there to be cleared"),
    ],
)
def test_what_cannot_be_corrected_is_refused_with_what_to_do(
    vintage: Vintage, which: str, pairs: list[str], more: dict[str, Any], says: str
) -> None:
    vintage.load(WINE)
    with pytest.raises(Refused, match=says):
        correction(vintage, which, *pairs, **more)


def test_a_struck_event_reads_as_nothing(vintage: Vintage) -> None:
    vintage.load(WINE)
    assert correction(vintage, PICK, strike=True)["replacement"] is None
    vintage.load(
        f'{{"kind": "correct", "at": "2026-03-01", "corrects": "{PICK}", "reason": "no", '
        '"replacement": {"kind": "pick", "at": "2024-09-10", "block": "Hill", "lot": "S", '
        '"mass": "880 kg"}}',
        odd=["resolved anew"],
    )
    read = correcting.reads_now(vintage.ledger, PICK)
    assert read is not None
    assert read["mass"] == "880 kg"


# --- what stands as it stood ---


DRAWN = """
{"kind": "receive", "at": "2024-10-01", "lot": "T", "volume": "1000 L", "vessel": "T1",
 "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2023}]}
{"kind": "receive", "at": "2024-10-01", "lot": "Y", "volume": "200 L", "vessel": "B1",
 "state": "wine", "composition": [{"share": "1", "variety": "Merlot", "vintage": 2024}]}
{"kind": "receive", "at": "2024-10-01", "lot": "Z", "volume": "200 L", "vessel": "B2",
 "state": "wine", "composition": [{"share": "1", "variety": "Merlot", "vintage": 2024}]}
{"kind": "top", "at": "2024-12-01", "from": {"lot": "T", "volume": "10 L"},
 "to": {"lot": "Y", "vessel": "B1", "volume": "10 L"}}
{"kind": "top", "at": "2024-12-02", "from": {"lot": "T", "volume": "10 L"},
 "to": {"lot": "Z", "vessel": "B2", "volume": "10 L"}}
{"kind": "label", "at": "2000-01-01", "name": "M", "style": "dry red", "market": ["us"],
 "statements": {"variety": ["Merlot"], "vintage": 2024}}
{"kind": "bottle", "at": "2025-03-01", "from": {"lot": "Y", "all": true}, "to": {"lot": "BY",
 "bottles": 280, "format": "750 mL", "label": "M"}}
{"kind": "bottle", "at": "2025-03-02", "from": {"lot": "Z", "all": true}, "to": {"lot": "BZ",
 "bottles": 280, "format": "750 mL", "label": "M"}}
"""
LATE_TOP = """
{"kind": "top", "at": "2025-01-01", "from": {"lot": "T", "volume": "4 L"},
 "to": {"lot": "Y", "vessel": "B1", "volume": "4 L"}}
"""


def test_of_a_note_that_is_about_no_gate_nothing_is_asked(
    vintage: Vintage, monkeypatch: pytest.MonkeyPatch
) -> None:
    vintage.load(WINE)
    asked_of: list[str] = []
    whole = consequences._of

    def seen(view: View, lot: Lot) -> Any:
        asked_of.append(lot.name)
        return whole(view, lot)

    monkeypatch.setattr(consequences, "_of", seen)
    plain = '{"kind": "note", "at": "2024-12-01", "lot": "W", "text": "Tasted"}'
    assert asked(vintage, plain) == []
    assert asked_of == []
    asked(vintage, plain.replace('"text"', '"gate": "B23", "result": "pass", "text"'))
    assert "W" in asked_of


@pytest.mark.parametrize(
    ("words", "untouched"),
    [
        (LATE_TOP, {"Z", "BZ"}),
        (
            '{"kind": "loss", "at": "2025-01-01", "lot": "T", "volume": "4 L", "reason": "spill"}',
            {"Y", "Z", "BY", "BZ"},
        ),
        # The first draw closes the body that all drew from: all are asked again, and rightly told.
        (LATE_TOP.replace("2025-01-01", "2024-11-01").replace('"Y", "vessel": "B1"',
         '"Z", "vessel": "B2"'), set()),
    ],
)  # fmt: skip
def test_lots_that_stand_as_they_stood_are_not_asked_again(
    vintage: Vintage, monkeypatch: pytest.MonkeyPatch, words: str, untouched: set[str]
) -> None:
    vintage.load(DRAWN)
    view = vintage.view()
    entries, _ = lines.read(as_lines(words), "lines", ZONE, NOW)
    every = {lot.name for lot in view.all_lots()}
    before = answers(view, every, TODAY)
    with supposed(vintage.ledger, entries, by="Ines", now=NOW):
        after = answers(View(vintage.ledger), every, TODAY)
    met = set()
    whole = consequences._of

    def watched(view: View, lot: Lot) -> Any:
        met.add(lot.name)
        return whole(view, lot)

    monkeypatch.setattr(consequences, "_of", watched)
    told = asked(vintage, words)
    changed = {key for key in {**before, **after} if differs(before.get(key), after.get(key))}
    assert {(one["lot"], one["what"]) for one in told} == changed
    assert met == {"T", "Y", "Z", "BY", "BZ"} - untouched
