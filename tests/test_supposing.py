"""Events that are supposed: every question is answered as it would be after recording them, and
nothing is recorded. The oracle of the laws follows both.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog import balance, claimable, composing, lines, stock, tracing, upkeep
from ampelog.errors import Refused
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.questions import View, end_of
from ampelog.recording import supposed
from tests.cellars import Maker, lawful
from tests.conftest import NOW, ZONE, Vintage, as_lines
from tests.oracles import Event
from tests.program import Run, copied, journal_of
from tests.tabled import as_workbook, rows_of
from tests.test_laws import agrees, followed, load

pytest_plugins = ("tests.running",)

FIELDS = ("variety", "block", "role", "fraction", "organism")


def entries(events: list[Event]) -> list[Entry]:
    """Events as they come from a file."""
    found, problems = lines.read([json.dumps(e).encode() for e in events], "supposed", ZONE, NOW)
    assert problems == []
    return found


def picture(view: View) -> list[Any]:
    """Answers about a whole cellar; a recording has no part in them."""
    told: list[Any] = [stock.lots(view), balance.balance(view, None, None, None, [])]
    for lot in view.all_lots():
        told.append(tracing.ahead(view, lot.name))
        if view.content(lot):
            told += [composing.composition(view, lot.name, FIELDS), tracing.back(view, lot.name)]
    return told


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_what_is_supposed_is_seen_as_if_it_had_been_recorded(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    cut = data.draw(st.integers(0, len(made.events)))
    vintage = another()
    load(vintage, made.events[:cut], data)
    head, rest = vintage.ledger.head, made.events[cut:]
    journal = journal_of(vintage.ledger.path).read_bytes()
    with supposed(vintage.ledger, entries(rest), by="Ines", now=NOW):
        agrees(vintage.view(), made.oracle)
        told = picture(vintage.view())
    assert vintage.ledger.head == head
    assert journal_of(vintage.ledger.path).read_bytes() == journal
    agrees(vintage.view(), followed(made.events[:cut]))
    assert upkeep.verify(vintage.ledger)["findings"] == []
    load(vintage, rest, data)
    assert picture(vintage.view()) == told


@settings(max_examples=8)
@given(made=lawful(), data=st.data())
def test_what_is_supposed_out_of_order_takes_its_place_in_time(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    """The first event, without which the rest is lawful or is not, comes last."""
    late = data.draw(st.sampled_from(made.events))
    rest = [event for event in made.events if event is not late]
    vintage = another()
    try:
        load(vintage, rest, data)
    except Refused:
        return
    with supposed(vintage.ledger, entries([late]), by="Ines", now=NOW):
        agrees(vintage.view(), made.oracle)
    agrees(vintage.view(), followed(rest))


@settings(max_examples=8)
@given(made=lawful(), data=st.data())
def test_what_is_supposed_of_a_past_day_is_that_day_with_it(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    day = str(data.draw(st.sampled_from(made.events))["at"])[:10]
    then = [event for event in made.events if str(event["at"])[:10] <= day]
    cut = data.draw(st.integers(0, len(then)))
    vintage = another()
    load(vintage, then[:cut], data)
    until = end_of(vintage.ledger, day)
    with supposed(vintage.ledger, entries(then[cut:]), by="Ines", now=NOW, until=until):
        agrees(vintage.view(as_of=day), followed(then))
    agrees(vintage.view(), followed(then[:cut]))


def test_later_events_do_not_stand_in_the_way_of_a_past_day(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "rack", "at": "2025-03-01", "from": {"lot": "A", "all": true},
     "to": {"lot": "A", "vessel": "T2", "volume": "100 L"}}
    """
    blend = {"kind": "blend", "at": "2025-01-10", "from": {"lot": "A", "volume": "60 L"},
             "to": {"lot": "M", "vessel": "T9", "volume": "60 L"}}  # fmt: skip
    drained = {**blend, "from": {"lot": "A", "vessel": "T1", "volume": "160 L"},
               "to": {"lot": "M", "vessel": "T9", "volume": "160 L"}}  # fmt: skip
    until = end_of(vintage.ledger, "2025-01-31")
    with supposed(vintage.ledger, entries([blend]), by="I", now=NOW, until=until):
        lot = vintage.view(as_of="2025-01-31").lot("M")
        assert lot.holdings["T9"].amount == 60 * 10**12
    with pytest.raises(Refused) as caught, _of(vintage.ledger, drained, until):
        pass
    assert [one.rule for one in caught.value.findings] == ["more drawn than held"]
    # today it is refused: the racking of March would find less than it took
    with pytest.raises(Refused), _of(vintage.ledger, drained, None):
        pass
    assert "M" not in vintage.view().cellar.lots


def _fails_after(count: int) -> None:
    assert count == 1, "what is supposed has a position"
    raise ZeroDivisionError


def _of(ledger: Ledger, event: Event, until: int | None) -> Any:
    return supposed(ledger, entries([event]), by="I", now=NOW, until=until)


def test_what_is_supposed_may_correct_and_is_not_seen_twice(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "100 L",
     "id": "01940000-0000-7000-8000-000000000001"}
    """
    id_ = "01940000-0000-7000-8000-000000000001"
    words = (
        f'{{"kind": "correct", "at": "2025-01-01", "corrects": "{id_}", "reason": "misread",'
        ' "replacement": {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1",'
        ' "volume": "90 L"}}'
    )
    wanted = [json.loads(line) for line in as_lines(words)]
    again = {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1",
             "volume": "100 L", "id": id_}  # fmt: skip
    for events, amount in ((wanted, 90), ([again], 100), ([again, *wanted], 90)):
        with supposed(vintage.ledger, entries(events), by="Ines", now=NOW):
            assert vintage.lot("A").holdings["T1"].amount == amount * 10**12
    assert vintage.lot("A").holdings["T1"].amount == 100 * 10**12
    other = {**again, "volume": "80 L"}
    with pytest.raises(Refused), _of(vintage.ledger, other, None):
        pass


def test_a_failure_while_asking_leaves_nothing(vintage: Vintage) -> None:
    event = {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "9 L"}
    head = vintage.ledger.head
    with pytest.raises(ZeroDivisionError), _of(vintage.ledger, event, None):
        _fails_after(vintage.ledger.head.position - head.position)
    assert vintage.ledger.head == head
    assert "A" not in vintage.view().cellar.lots
    vintage.record([json.dumps(event).encode()])
    assert vintage.ledger.head.position == head.position + 1


def test_what_could_be_said_is_asked_of_supposed_wine_too(vintage: Vintage) -> None:
    event = {"kind": "receive", "at": "2024-12-01", "lot": "A", "vessel": "T1", "volume": "9 L",
             "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024}]}  # fmt: skip
    with _of(vintage.ledger, event, None):
        rows = claimable.claimable(vintage.view(), "A", None, ["us"])["claims"]
    assert any(row["claim"] == "variety" for row in rows)


# --- on the command line ---

IDS = "01a30000-0000-7000-8000-00000000000"
MORE = (
    f'{{"kind":"blend","at":"2025-07-01T10:00","id":"{IDS}1",'
    '"from":[{"lot":"A","volume":"10 gal"},{"lot":"B","volume":"10 gal"}],'
    '"to":{"lot":"E","vessel":"T9","volume":"20 gal"}}\n'
    f'{{"kind":"lot","at":"2025-07-01T11:00","id":"{IDS}2","name":"E","label":"Red"}}\n'
)
QUESTIONS = (
    "lots --json",
    "lots --csv",
    "trace E",
    "trace A --forward --json",
    "composition E --by variety,vintage --json",
    "composition E --json --as-of 2025-07-01",
    "balance --json",
    "claims E --json",
    "claimable E --market us --json",
    "ingredients E --json",
)


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_question_with_a_file_is_that_after_recording_it(
    cellar: Run, tmp_path: Path, question: str, recorded_at: Callable[[str], None]
) -> None:
    recorded_at("2026-01-05T12:00:00Z")
    (tmp_path / "more.jsonl").write_text(MORE, encoding="utf-8")
    (tmp_path / "copy").mkdir()
    copied(tmp_path / "cellar.duckdb", tmp_path / "copy")
    before = (tmp_path / "cellar.journal.jsonl").read_bytes()
    with_it = cellar(*question.split(), "--with", "more.jsonl")
    assert (tmp_path / "cellar.journal.jsonl").read_bytes() == before
    there = ("--ledger", "copy/cellar.duckdb")
    assert cellar("load", "more.jsonl", *there).code == 0
    assert with_it == cellar(*question.split(), *there)
    assert with_it.out


def test_what_is_supposed_may_stand_in_a_table(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "more.jsonl").write_text(MORE, encoding="utf-8")
    events = [json.loads(line) for line in MORE.splitlines()]
    sheets = {event["kind"]: rows_of(event, "x") for event in events}
    (tmp_path / "more.xlsx").write_bytes(as_workbook(sheets))
    for words in (("lots", "--json"), ("claims", "E", "--json")):
        lines, table = (cellar(*words, "--with", f"more.{end}") for end in ("jsonl", "xlsx"))
        assert table.code == 0 or words[0] == "claims", table.err
        assert (table.code, table.json) == (lines.code, lines.json)
    (tmp_path / "bad.csv").write_text("at,lot,text\n01/02/2025,A,x\n", encoding="utf-8")
    refused = cellar("lots", "--with", "bad.csv")
    assert (refused.code, refused.out) == (2, "")
    assert "nothing says what kind of event" in refused.said
    assert "the kind in a column `kind`" in refused.said


def test_bad_events_are_refused_as_when_they_are_recorded(cellar: Run, tmp_path: Path) -> None:
    for words in ("{}\n", MORE.replace("10 gal", "1000 gal").replace("20 gal", "2000 gal")):
        (tmp_path / "more.jsonl").write_text(words, encoding="utf-8")
        asked, loaded = cellar("lots", "--with", "more.jsonl"), cellar("load", "more.jsonl")
        assert (asked.code, asked.out) == (2, "")
        assert asked.err.splitlines()[0] == loaded.err.splitlines()[0]
    assert cellar("lots", "--with", "none.jsonl").code == 2


@pytest.mark.parametrize(
    "command",
    ["log", "verify", "export -o all.jsonl", "dossier C24 -o c.html", "load wine.jsonl"],
)
def test_what_is_about_recorded_events_alone_knows_no_others(cellar: Run, command: str) -> None:
    answer = cellar(*command.split(), "--with", "wine.jsonl")
    assert (answer.code, answer.out) == (2, "")
    assert "recorded events alone" in answer.said


def test_with_goes_with_a_day_and_not_with_a_position(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "more.jsonl").write_text(MORE, encoding="utf-8")
    answer = cellar("lots", "--with", "more.jsonl", "--known-on", "3")
    assert answer.code == 2
    assert "--known-on" in answer.err
    early = cellar("lots", "--with", "more.jsonl", "--as-of", "2025-06-30", "--json")
    assert early.json == cellar("lots", "--as-of", "2025-06-30", "--json").json
