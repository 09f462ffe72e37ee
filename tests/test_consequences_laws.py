"""What a load is said to change is what a full recomputation before and after finds, on ledgers that
hypothesis makes: for late entries and for corrections, struck events included."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ampelog import lines, stands
from ampelog.consequences import answers, changes, differs
from ampelog.errors import Refused
from ampelog.questions import View
from ampelog.recording import supposed
from ampelog.stands import SPAN
from tests.cellars import Maker, lawful, liters
from tests.conftest import NOW, ZONE, Vintage, refused
from tests.oracles import Event, units

TODAY = date(2026, 6, 1)
LABELS = """
{"kind": "label", "at": "2000-01-03", "name": "Red", "style": "dry red", "market": ["us"],
 "rest": "30 days", "statements": {"variety": ["Syrah"], "vintage": 2024, "appellation": "North"}}
"""
TRIED: dict[str, int] = {}
"""How many changes each law found: none is kept by changing nothing."""


def everything(view: View) -> dict[tuple[str, str], str | None]:
    return answers(view, {lot.name for lot in view.all_lots()}, TODAY)


def held_against(vintage: Vintage, event: Event, law: str) -> None:
    """Ask what an event changes, and ask everything before and after it."""
    entries, problems = lines.read([json.dumps(event).encode()], "lines", ZONE, NOW)
    assert not problems
    before = everything(vintage.view())
    head = vintage.ledger.head
    try:
        told = changes(vintage.ledger, entries, by="Ines", now=NOW, today=TODAY)
    except Refused:
        assume(False)
        return
    with supposed(vintage.ledger, entries, by="Ines", now=NOW):
        after = everything(vintage.view())
    assert vintage.ledger.head == head, "nothing is recorded"
    there = {lot for lot, _ in before}  # of what the load itself begins there was no answer
    changed = {
        key
        for key in {**before, **after}
        if key[0] in there and differs(before.get(key), after.get(key))
    }
    assert {(one["lot"], one["what"]) for one in told} == changed
    for one in told:
        key = (one["lot"], one["what"])
        assert not differs(one["before"], before.get(key))
        assert not differs(one["after"], after.get(key))
    TRIED[law] = TRIED.get(law, 0) + len(changed)


def recorded(another: Callable[[], Vintage], events: list[Event], data: st.DataObject) -> Vintage:
    stands.SPAN = data.draw(st.sampled_from((3, 7, SPAN)))
    vintage = another()
    vintage.load(LABELS)
    vintage.record([json.dumps(event).encode() for event in events])
    return vintage


@pytest.fixture(autouse=True)
def long_spans(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a law sets is taken back."""
    monkeypatch.setattr(stands, "SPAN", SPAN)


@settings(max_examples=25)
@given(made=lawful(), data=st.data())
def test_of_a_late_entry(another: Callable[[], Vintage], made: Maker, data: st.DataObject) -> None:
    late = data.draw(st.sampled_from(made.events))
    rest = [event for event in made.events if event is not late]
    assume(refused(rest) == [])
    held_against(recorded(another, rest, data), late, "late")


def _otherwise(event: Event, data: st.DataObject) -> Event | None:
    """The event with another quantity, or None: struck."""
    for field, unit in (("mass", " kg"), ("volume", " L")):
        if field in event and data.draw(st.booleans()):
            more = liters(2 * units(event[field])).replace(" L", unit)
            return {**{key: value for key, value in event.items() if key != "id"}, field: more}
    return None


@settings(max_examples=25)
@given(made=lawful(), data=st.data())
def test_of_a_correction(another: Callable[[], Vintage], made: Maker, data: st.DataObject) -> None:
    wrong: Any = data.draw(st.sampled_from(made.events))
    correction = {"kind": "correct", "at": "2026-01-01", "corrects": wrong["id"],
                  "reason": "read anew", "replacement": _otherwise(wrong, data)}  # fmt: skip
    held_against(recorded(another, made.events, data), correction, "correction")


def test_the_laws_have_seen_changes() -> None:
    assert TRIED.get("late", 1) > 0
    assert TRIED.get("correction", 1) > 0
