"""The ledger: recording a load or nothing, asking, and handing the log on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from pydantic import ValidationError

from ampelog import chain, database, durable, ledger, lines, moments, resources, scribe
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.ledger import Coming, Draft, Head
from tests.logs import (
    LEDGER_ID,
    ZONE,
    draft,
    drafts,
    event,
    home,
    journal_of,
    lines_of,
    made,
    recorded,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cellar.duckdb"


def bytes_of(path: Path) -> bytes:
    return journal_of(path).read_bytes()


def rules(findings: list[Finding]) -> list[str]:
    return [finding.rule for finding in findings]


# --- making ---------------------------------------------------------------------------------


def test_a_new_ledger_holds_its_first_event(path: Path) -> None:
    head = ledger.create(path, home(), "2026-03-01T09:00:00+01:00", LEDGER_ID)
    first, line, seal = lines_of(path)
    assert first == {"format": 1, "ledger": LEDGER_ID}
    assert line["event"] == home().event
    assert line["recorded_at"] == "2026-03-01T08:00:00.000000Z"
    assert seal == {"head": {"position": 1, "root": head.root}}
    with ledger.opened(path) as book:
        assert (book.ledger_id, book.head, book.notices) == (LEDGER_ID, head, [])
        assert [record.event for record in book.records()] == [home().event]
        assert book.records()[0].instant == home().instant
        assert ledger.verify(book) == []


def test_each_ledger_has_an_id_of_its_own(tmp_path: Path) -> None:
    for name in ("a", "b"):
        ledger.create(tmp_path / f"{name}.duckdb", home(), recorded(0))
    ids = [lines_of(tmp_path / f"{name}.duckdb")[0]["ledger"] for name in ("a", "b")]
    assert len({*ids, ""}) == 3


def test_new_files_and_their_names_are_synced(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[str] = []
    real = os.fsync

    def noted(number: int) -> None:
        synced.append(Path(f"/proc/self/fd/{number}").readlink().name)
        real(number)

    monkeypatch.setattr(os, "fsync", noted)
    made(path)
    assert synced == ["cellar.journal.jsonl.new", path.parent.name]
    with ledger.opened(path, write=True) as book:
        book.append(drafts(1, 1), recorded(1), len)
        assert synced[2:] == ["cellar.journal.jsonl"]
        ledger.export(book, path.parent / "out.jsonl")
    assert synced[3:] == ["out.jsonl.part", path.parent.name]


@pytest.mark.parametrize("there", ["cellar.duckdb", "cellar.journal.jsonl", "cellar.duckdb.wal"])
def test_nothing_is_overwritten(path: Path, there: str) -> None:
    (path.parent / there).write_bytes(b"precious")
    with pytest.raises(Refused, match=f"{there} is there already"):
        ledger.create(path, home(), recorded(0))
    assert (path.parent / there).read_bytes() == b"precious"
    assert sorted(found.name for found in path.parent.iterdir()) == sorted([there, "cellar.lock"])


def test_a_ledger_needs_a_folder(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="there is no folder"):
        ledger.create(tmp_path / "no" / "cellar.duckdb", home(), recorded(0))


# --- recording ------------------------------------------------------------------------------


def test_a_load_is_recorded_as_the_format_says(path: Path) -> None:
    made(path)
    seen: list[Coming] = []

    def check(coming: Coming) -> str:
        seen.append(coming)
        return "checked"

    with ledger.opened(path, write=True) as book:
        assert book.append(drafts(1, 3), recorded(1), check) == "checked"
        head, kept = book.head, book.records(2)
    assert seen == [Coming(2, 3, kept[0].recorded_at)]
    lines = lines_of(path)
    assert lines[-1] == {"head": {"position": 4, "root": head.root}}
    leaves = []
    for position, line in enumerate((lines[1], *lines[3:6]), start=1):
        public, private = chain.part(line["event"])
        hidden = chain.private_hash(line["salt"], private)
        leaves.append(chain.leaf_hash(public, hidden, position, line["recorded_at"]))
        assert (line["position"], line["hash"]) == (position, leaves[-1])
    assert chain.Tree(leaves).root() == head.root
    assert len({line["salt"] for line in lines if "salt" in line}) == 4
    for record, one in zip(kept, drafts(1, 3), strict=True):
        assert (record.event, record.instant) == (one.event, one.instant)
        assert record.body == chain.canonical(one.event)
        assert record.recorded_at == "2026-03-01T08:00:01.000000Z"


def test_texts_of_every_sort_come_back_as_they_were(path: Path) -> None:
    made(path)
    words = [
        "\u2028 \u2029",
        "tab\t line\n\r nul\0 del\x7f",
        "é € 😀 \u05d0\u202e",
        '"\\/',
        " ",
        "'); drop",
    ]
    odd = draft(
        1, other={word: word for word in words}, name="Bloc\u2028 é 😀", text="\n".join(words)
    )
    with ledger.opened(path, write=True) as book:
        book.append([odd, draft(2)], recorded(1), len)
    with ledger.opened(path) as book:
        assert [record.event for record in book.records(2)] == [odd.event, event(2)]
        assert ledger.verify(book) == []


def test_time_of_recording_never_goes_back(path: Path) -> None:
    made(path, 1)
    with ledger.opened(path, write=True) as book:
        book.append(drafts(2, 2), "2020-01-01T00:00:00Z", len)
        book.append(drafts(3, 3), "2026-03-01T08:00:01.5Z", len)
        times = [record.recorded_at[17:] for record in book.records()]
    assert times == ["00.000000Z", "01.000000Z", "01.000000Z", "01.500000Z"]


@pytest.mark.parametrize("when", ["yesterday", "2026-03-01", "2026-03-01T08:00:00", ""])
def test_a_time_of_recording_is_an_instant(path: Path, when: str) -> None:
    made(path)
    with ledger.opened(path, write=True) as book, pytest.raises(Refused, match="no instant"):
        book.append(drafts(1, 1), when, len)


def refuse(_: Coming) -> None:
    raise Refused("more drawn than held")


def fail(_: Coming) -> None:
    raise ZeroDivisionError


@pytest.mark.parametrize(("check", "error"), [(refuse, Refused), (fail, ZeroDivisionError)])
def test_a_refusal_leaves_nothing(
    path: Path, check: Callable[[Coming], None], error: type[Exception]
) -> None:
    (head,) = made(path)
    before = bytes_of(path)
    with ledger.opened(path, write=True) as book:
        with pytest.raises(error):
            book.append(drafts(1, 3), recorded(1), check)
        assert (book.head, len(book.records()), book.known([event(1)["id"]])) == (head, 1, {})
        assert bytes_of(path) == before
        book.append(drafts(1, 2), recorded(1), len)
    with ledger.opened(path) as book:
        assert (book.head.position, ledger.verify(book)) == (3, [])


def test_what_the_check_wrote_goes_with_a_refusal(path: Path, queries: Path) -> None:
    made(path)
    (queries / "set_mark.sql").write_text("insert into meta (name, value) values ($n, $v)")
    (queries / "marks.sql").write_text("select value from meta where name = 'mark'")

    def writes(coming: Coming) -> None:
        book.rows("set_mark", n="mark", v=str(coming.first))
        assert book.rows("marks") == [("2",)]

    def writes_and_refuses(coming: Coming) -> None:
        writes(coming)
        raise Refused("no")

    with ledger.opened(path, write=True) as book:
        with pytest.raises(Refused):
            book.append(drafts(1, 1), recorded(1), writes_and_refuses)
        assert book.rows("marks") == []
        book.append(drafts(1, 1), recorded(1), writes)
        assert book.rows("marks") == [("2",)]


def test_an_error_that_the_check_passes_over_records_nothing(path: Path) -> None:
    made(path)
    before = bytes_of(path)

    def passes_over(_: Coming) -> None:
        with pytest.raises(duckdb.ConstraintException):
            book.rows("ledger_meta_insert", name="format", value="1")

    with ledger.opened(path, write=True) as book:
        with pytest.raises(duckdb.Error, match="aborted"):
            book.append(drafts(1, 1), recorded(1), passes_over)
        assert bytes_of(path) == before
        with pytest.raises(duckdb.Error, match="aborted"):
            book.together(lambda: passes_over(Coming(2, 0, recorded(1))))
        book.append(drafts(1, 1), recorded(1), len)


@pytest.fixture
def apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every load is written out by a process of its own."""
    monkeypatch.setattr(scribe, "MANY", 1)


def put_in(book: ledger.Ledger, coming: Coming) -> None:
    """Have a load put in beside the check, and wait until the check sees it."""
    coming.ahead()
    until = time.monotonic() + 30
    while book.rows("ledger_records", first=coming.last, last=coming.last) == []:
        assert time.monotonic() < until, "nothing was put in"


@pytest.mark.usefixtures("apart")
def test_a_load_is_put_in_while_its_check_goes_on(path: Path) -> None:
    made(path)

    def check(coming: Coming) -> str:
        put_in(book, coming)
        assert book.head.position == 1, "it is not recorded yet"
        return "checked"

    with ledger.opened(path, write=True) as book:
        assert book.append(drafts(1, 3), recorded(1), check) == "checked"
        assert [record.event for record in book.records(2)] == [event(n) for n in (1, 2, 3)]
    with ledger.opened(path) as book:
        assert (book.head.position, ledger.verify(book)) == (4, [])


@pytest.mark.usefixtures("apart")
@pytest.mark.parametrize("waits", [True, False])
@pytest.mark.parametrize("fault", [Refused("no"), KeyboardInterrupt()])
def test_what_was_put_in_goes_with_a_refusal(
    path: Path, fault: BaseException, *, waits: bool
) -> None:
    (head,) = made(path)
    before = bytes_of(path)

    def check(coming: Coming) -> None:
        put_in(book, coming) if waits else coming.ahead()
        raise fault

    with ledger.opened(path, write=True) as book:
        with pytest.raises(type(fault)):
            book.append(drafts(1, 3), recorded(1), check)
        assert (book.head, len(book.records()), bytes_of(path)) == (head, 1, before)
        book.append(drafts(1, 2), recorded(1), len)
    with ledger.opened(path) as book:
        assert (book.head.position, ledger.verify(book)) == (3, [])


@pytest.mark.usefixtures("apart")
def test_a_form_that_fails_refuses_what_is_put_in_ahead(path: Path) -> None:
    made(path)
    before = bytes_of(path)
    with ledger.opened(path, write=True) as book:
        with pytest.raises(ValidationError):
            book.append(drafts(1, 3), recorded(1), lambda coming: coming.ahead(), lines.whole)
        assert bytes_of(path) == before
        book.append(drafts(1, 2), recorded(1), len)
    assert opens(path).position == 3


@pytest.mark.usefixtures("apart")
def test_what_failed_first_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is full beside the check, and a check that stumbles over that."""
    made(path)
    before = bytes_of(path)
    failed = threading.Event()

    def full(*_: Any) -> None:
        failed.set()
        raise Unopenable("the disk is full")

    def check(coming: Coming) -> None:
        threads = threading.active_count()
        coming.ahead()
        assert failed.wait(30)
        while threading.active_count() > threads:
            time.sleep(0.01)
        raise ValueError("the transaction was aborted")

    with ledger.opened(path, write=True) as book:
        with monkeypatch.context() as patched:
            patched.setattr(database.Database, "insert", full)
            with pytest.raises(Unopenable, match="full"):
                book.append(drafts(1, 3), recorded(1), check)
        assert bytes_of(path) == before
        book.append(drafts(1, 2), recorded(1), len)
    assert opens(path).position == 3


def test_an_id_is_recorded_once(path: Path) -> None:
    made(path, 1)
    before = bytes_of(path)
    with ledger.opened(path, write=True) as book:
        for again in ([draft(1)], [draft(5), draft(5)], [Draft({"kind": "note"}, 0)]):
            with pytest.raises(Refused, match="the id of another, or has none"):
                book.append(again, recorded(2), len)
        assert (book.head.position, bytes_of(path)) == (2, before)


def test_what_cannot_be_written_is_refused(path: Path) -> None:
    made(path)
    with ledger.opened(path, write=True) as book:
        with pytest.raises(Refused, match=f"{event(1)['id']} cannot be written"):
            book.append([draft(1, lot="\ud800")], recorded(1), len)
        assert book.head.position == 1


def test_no_event_is_no_load(path: Path) -> None:
    made(path)
    before = bytes_of(path)
    with ledger.opened(path, write=True) as book:
        assert book.append([], recorded(1), len) == 0
    assert bytes_of(path) == before


def test_a_reader_does_not_write(path: Path) -> None:
    made(path)
    with ledger.opened(path) as book:
        assert not book.writable
        with pytest.raises(AssertionError):
            book.append(drafts(1, 1), recorded(1), len)
        with pytest.raises(duckdb.Error, match="read-only"):
            book.rows("ledger_meta_insert", name="x", value="y")


# --- failures of the disk -------------------------------------------------------------------


def test_a_journal_that_cannot_be_synced_leaves_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(path)
    before, real = bytes_of(path), os.fsync

    def broken(_: int) -> None:
        monkeypatch.setattr(os, "fsync", real)
        raise OSError(5, "Input/output error")

    with ledger.opened(path, write=True) as book:
        monkeypatch.setattr(os, "fsync", broken)
        with pytest.raises(Refused, match="Input/output error; nothing was recorded"):
            book.append(drafts(1, 3), recorded(1), len)
        assert (bytes_of(path), book.head.position, len(book.records())) == (before, 1, 1)
        book.append(drafts(1, 2), recorded(1), len)
    with ledger.opened(path) as book:
        assert (book.head.position, ledger.verify(book)) == (3, [])


def no_commit(_: database.Database) -> None:
    raise duckdb.TransactionException("Failed to commit: no space left on device")


def silent_commit(one: database.Database) -> None:
    one.rollback()


@pytest.mark.parametrize("commit", [no_commit, silent_commit])
@pytest.mark.parametrize("go_on", [True, False])
def test_a_failure_after_the_synced_seal_is_recorded_and_caught_up(
    path: Path, monkeypatch: pytest.MonkeyPatch, commit: Callable[[Any], None], go_on: bool
) -> None:
    made(path)
    with ledger.opened(path, write=True) as book:
        with monkeypatch.context() as patched:
            patched.setattr(database.Database, "commit", commit)
            assert book.append(drafts(1, 3), recorded(1), len) == 3
        assert rules(book.notices) == ["recorded, the database will catch up"]
        assert book.head.position == 4
        if go_on:
            assert [record.event for record in book.records(2)] == [event(n) for n in (1, 2, 3)]
            assert rules(book.notices)[1:] == ["database behind the journal"]
            book.append(drafts(4, 4), recorded(2), len)
    with ledger.opened(path) as book:
        assert rules(book.notices) == ([] if go_on else ["database behind the journal"])
        assert book.head.position == (5 if go_on else 4)
        assert ledger.verify(book) == []


def test_an_interruption_after_the_seal_was_synced_is_caught_up(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(path)
    real = durable.write

    def interrupted(*given: Any) -> None:
        real(*given)
        raise KeyboardInterrupt

    with ledger.opened(path, write=True) as book:
        with monkeypatch.context() as patched:
            patched.setattr(durable, "write", interrupted)
            with pytest.raises(KeyboardInterrupt):
                book.append(drafts(1, 1), recorded(1), len)
        book.append(drafts(2, 2), recorded(2), len)
        assert [record.event for record in book.records(2)] == [event(1), event(2)]
    with ledger.opened(path) as book:
        assert ledger.verify(book) == []


# --- asking ---------------------------------------------------------------------------------


def test_records_by_position(path: Path) -> None:
    made(path, 3, 2)
    with ledger.opened(path) as book:
        numbers = [record.position for record in book.records()]
        assert numbers == [1, 2, 3, 4, 5, 6]
        assert [record.position for record in book.records(3, 4)] == [3, 4]
        assert [record.position for record in book.records(6, 99)] == [6]
        assert book.records(7) == []


def test_known_finds_what_is_recorded(path: Path) -> None:
    made(path, 3)
    with ledger.opened(path) as book:
        there = event(2)["id"]
        found = book.known([there, "nobody", "\n", "' or 1 = 1", there])
        assert list(found) == [there]
        assert found[there] == book.records(3, 3)[0]
        assert book.known([]) == {}


def test_the_head_as_it_was(path: Path) -> None:
    heads = made(path, 3, 2)
    with ledger.opened(path) as book:
        assert book.sealed() == book.head == heads[2]
        wanted = {1: 0, 2: 0, 3: 0, 4: 1, 5: 1, 6: 2, 700: 2}
        assert {at: heads.index(book.sealed(at)) for at in wanted} == wanted
        assert book.sealed(recorded_by=recorded(1)) == heads[1]
        assert book.sealed(recorded_by="2026-03-01T08:00:01.999Z") == heads[1]
        assert book.sealed(recorded_by="2026-03-01T09:00:01+01:00") == heads[1]
        assert book.sealed(recorded_by="2030-01-01T00:00:00Z") == heads[2]
        assert book.sealed(5, recorded(0)) == heads[0]
        for position, by in ((0, None), (None, "2026-02-28T23:59:59Z")):
            with pytest.raises(Refused, match="nothing was recorded by then"):
                book.sealed(position, by)
        leaves = [record.hash for record in book.records()]
        for head in heads:
            assert chain.Tree(leaves[: head.position]).root() == head.root


@pytest.fixture
def queries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for queries of a test, beside the program's own."""
    folder, real = tmp_path / "queries", resources.query
    folder.mkdir()

    def query(name: str) -> str:
        own = folder / f"{name}.sql"
        return own.read_text() if own.exists() else real(name)

    monkeypatch.setattr(database, "query", query)
    return folder


@pytest.mark.parametrize(
    "statement",
    [
        "update event set body = '{}'",
        "update event set body = '{}' where position = 2",
        "delete from event",
        "delete from event where position = 2",
        "truncate event",
        "update seal set root = ''",
        "delete from seal",
        "truncate seal",
        "insert or replace into seal select * from seal",
        "insert into seal select * from seal on conflict do nothing",
    ],
)
def test_the_log_in_the_database_is_append_only(path: Path, queries: Path, statement: str) -> None:
    made(path, 2)
    (queries / "change.sql").write_text(statement)
    for _ in range(2):  # the guards are in the file, not in the session
        with ledger.opened(path, write=True) as book:
            with pytest.raises(
                duckdb.Error, match=r"append-only|not supported on tables with trigger"
            ):
                book.rows("change")
            assert (len(book.records()), ledger.verify(book)) == (3, [])


@pytest.mark.parametrize(
    "statement",
    [
        "select * from read_text('/etc/hostname')",
        "copy (select 1) to 'out.csv'",
        "attach 'other.duckdb'",
        "install httpfs",
        "set lock_configuration = false",
        "set enable_external_access = true",
        "set timezone = 'Asia/Tokyo'",
    ],
)
def test_a_statement_reaches_this_file_and_nothing_else(
    path: Path, queries: Path, statement: str
) -> None:
    made(path)
    (queries / "reach.sql").write_text(statement)
    with ledger.opened(path, write=True) as book, pytest.raises((duckdb.Error, Unopenable)):
        book.rows("reach")


def test_answers_do_not_depend_on_the_zone_of_the_machine(
    path: Path, queries: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(path)
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    (queries / "zone.sql").write_text("select '2026-01-01 00:00:00Z'::timestamptz::varchar")
    with ledger.opened(path) as book:
        assert book.rows("zone") == [("2026-01-01 00:00:00+00",)]
    monkeypatch.undo()
    time.tzset()


# --- opening --------------------------------------------------------------------------------


def opens(path: Path, *, write: bool = False, wait: float = 0) -> Head:
    with ledger.opened(path, write=write, wait=wait) as book:
        return book.head


def test_a_missing_ledger_is_said_and_not_made(path: Path) -> None:
    with pytest.raises(Unopenable, match="there is no ledger"):
        opens(path)
    assert list(path.parent.iterdir()) == []


@pytest.mark.parametrize("missing", ["cellar.duckdb", "cellar.journal.jsonl"])
def test_half_a_ledger_names_repair(path: Path, missing: str) -> None:
    made(path, 1)
    (path.parent / missing).unlink()
    with pytest.raises(Unopenable, match=f"{missing} is missing beside") as caught:
        opens(path)
    assert "ampelog repair" in caught.value.hint


def test_a_journal_of_another_ledger_is_refused(tmp_path: Path) -> None:
    one, other = tmp_path / "a.duckdb", tmp_path / "b.duckdb"
    for path, its in ((one, LEDGER_ID), (other, LEDGER_ID[::-1])):
        ledger.create(path, home(), recorded(0), its)
    journal_of(one).write_bytes(bytes_of(other))
    with pytest.raises(Unopenable, match="another ledger"):
        opens(one)


def test_a_newer_format_is_said_so(path: Path) -> None:
    made(path)
    journal_of(path).write_bytes(bytes_of(path).replace(b'{"format":1', b'{"format":2'))
    with pytest.raises(Unopenable, match="format 2; this program reads up to 1"):
        opens(path)


def test_a_newer_format_of_the_database_is_said_so(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(database, "FORMAT", 2)
        made(path)
    with pytest.raises(Unopenable, match="format 2; this program reads up to 1"):
        opens(path)


def test_what_is_no_database_names_repair(path: Path) -> None:
    made(path)
    path.write_bytes(b"not a database, but long enough to be read as one\n" * 300)
    with pytest.raises(Unopenable, match="cannot be opened") as caught:
        opens(path)
    assert "ampelog repair" in caught.value.hint


def test_another_database_is_no_ledger(path: Path) -> None:
    made(path)
    path.unlink()
    duckdb.connect(str(path)).close()
    with pytest.raises(Unopenable, match="is no ledger's database"):
        opens(path)


def test_a_database_of_another_shape_is_built_anew(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    *_, head = made(path, 2, 2)
    more, own = tmp_path / "0009_more.sql", database._schema()
    more.write_text("create table more (position integer)")
    monkeypatch.setattr(database, "_schema", lambda: [*own, more])
    database.shape.cache_clear()
    with ledger.opened(path) as book:
        assert rules(book.notices) == ["database of another shape"]
        assert (book.head, ledger.verify(book)) == (head, [])
    with ledger.opened(path) as book:
        assert book.notices == []
    monkeypatch.undo()
    database.shape.cache_clear()


HOLDS = """
import sys, time
from pathlib import Path
from ampelog import ledger
with ledger.opened(Path(sys.argv[1]), write=sys.argv[2] == "write"):
    print("holds", flush=True)
    time.sleep(60)
"""


@pytest.mark.parametrize(("how", "busy"), [("write", [True, False]), ("read", [True])])
def test_a_busy_ledger_names_who_has_it(path: Path, how: str, busy: list[bool]) -> None:
    (head,) = made(path)
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(path), how], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "holds\n"
        for write in busy:
            begun = time.monotonic()
            with pytest.raises(Unopenable, match=f"busy: process {holder.pid} of"):
                opens(path, write=write, wait=0.2)
            assert 0.2 <= time.monotonic() - begun < 5
        if how == "read":
            assert opens(path) == head
    finally:
        holder.kill()
        holder.communicate()
    assert opens(path, write=True) == head


def test_a_program_that_goes_around_the_lock_is_named(path: Path) -> None:
    made(path)
    code = "import sys, duckdb, time; held = duckdb.connect(sys.argv[1]); print(1, flush=True); "
    code += "time.sleep(60)"
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(Unopenable, match=f"goes around the ledger's lock.*PID {holder.pid}"):
            opens(path)
    finally:
        holder.kill()
        holder.communicate()


def test_waiting_for_a_writer_ends_when_it_ends(path: Path) -> None:
    made(path)
    code = HOLDS.replace("sleep(60)", "sleep(0.5)")
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(path), "write"], stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    holder.stdout.readline()
    with ledger.opened(path, write=True, wait=10) as book:
        book.append(drafts(1, 1), recorded(1), len)
    assert holder.wait() == 0
    holder.stdout.close()


def test_a_ledger_on_a_medium_without_writing_is_read(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (head,) = made(path)
    (path.parent / "cellar.lock").unlink()
    real = os.open

    def read_only(name: Any, flags: int, *mode: int, **more: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR) and str(name).endswith(".lock"):
            raise OSError(30, "Read-only file system")
        return real(name, flags, *mode, **more)

    monkeypatch.setattr(os, "open", read_only)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert opens(path) == head
    with pytest.raises(Unopenable, match="Read-only file system"):
        opens(path, write=True)


# --- handing on -----------------------------------------------------------------------------


def test_an_export_is_the_journal(path: Path, tmp_path: Path) -> None:
    *_, head = made(path, 3, 2)
    out = tmp_path / "out.jsonl"
    out.write_text("an older one")
    with ledger.opened(path) as book:
        assert ledger.export(book, out) == (6, head)
    assert out.read_bytes() == bytes_of(path)
    assert not list(tmp_path.glob("*.new"))


def test_an_export_does_not_overwrite_the_ledger(path: Path) -> None:
    made(path)
    before = bytes_of(path)
    with ledger.opened(path) as book:
        for own in (path, journal_of(path), path.parent / "cellar.lock"):
            with pytest.raises(Refused, match="belongs to a ledger"):
                ledger.export(book, own)
        with pytest.raises(Refused, match="cannot be written: No such file"):
            ledger.export(book, path.parent / "no" / "out.jsonl")
    assert bytes_of(path) == before


def test_a_damaged_journal_is_not_exported(path: Path, tmp_path: Path) -> None:
    made(path, 2)
    journal_of(path).write_bytes(bytes_of(path).replace(b'"lot":"25-1"', b'"lot":"25-9"'))
    out = tmp_path / "out.jsonl"
    out.write_text("an older one")
    with ledger.opened(path) as book, pytest.raises(Unopenable, match="line 4"):
        ledger.export(book, out)
    assert out.read_text() == "an older one"


def test_a_restored_ledger_is_the_same(path: Path, tmp_path: Path) -> None:
    *_, head = made(path, 3, 2)
    again = tmp_path / "again.duckdb"
    assert ledger.restore(journal_of(path), again) == (6, head)
    assert bytes_of(again) == bytes_of(path)
    with ledger.opened(path) as old, ledger.opened(again, write=True) as new:
        assert new.records() == old.records()
        assert new.ledger_id == old.ledger_id
        assert new.rows("ledger_seals") == old.rows("ledger_seals")
        assert ledger.verify(new) == []
        new.append(drafts(9, 9), recorded(5), len)


def test_a_restore_from_another_spelling_is_the_same(path: Path, tmp_path: Path) -> None:
    *_, head = made(path, 3, 2)
    source, again = tmp_path / "other.jsonl", tmp_path / "again.duckdb"
    source.write_text("\n".join(json.dumps(line, sort_keys=True) for line in lines_of(path)))
    assert ledger.restore(source, again) == (6, head)
    assert bytes_of(again) == bytes_of(path)
    assert opens(again) == head


def without_last_line(data: bytes) -> bytes:
    return b"".join(data.splitlines(keepends=True)[:-1])


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], int]] = {
    "an event changed": (lambda data: data.replace(b"25-1", b"25-7"), 4),
    "a seal changed": (
        lambda data: data.replace(b'{"head":{"position":3', b'{"head":{"position":2'),
        6,
    ),
    "not ending in a seal": (without_last_line, 7),
    "cut": (lambda data: data[:-9], 8),
    "empty": (lambda _: b"", 1),
    "only a first line": (lambda data: data.splitlines(keepends=True)[0], 1),
}


@pytest.mark.parametrize("how", DAMAGES)
def test_a_damaged_export_is_not_restored_and_its_line_named(
    path: Path, tmp_path: Path, how: str
) -> None:
    made(path, 2, 1)
    damage, line = DAMAGES[how]
    source, again = tmp_path / "out.jsonl", tmp_path / "again.duckdb"
    source.write_bytes(damage(bytes_of(path)))
    with pytest.raises(Refused, match=f"line {line}: .*nothing was restored") as caught:
        ledger.restore(source, again)
    assert [finding.where for finding in caught.value.findings] == [f"out.jsonl, line {line}"]
    assert {found.name for found in tmp_path.glob("again*")} <= {"again.lock"}


def test_a_restore_does_not_overwrite(path: Path, tmp_path: Path) -> None:
    made(path, 1)
    before = bytes_of(path)
    with pytest.raises(Refused, match="is there already"):
        ledger.restore(journal_of(path), path)
    assert bytes_of(path) == before
    with pytest.raises(Refused, match="No such file"):
        ledger.restore(tmp_path / "none.jsonl", tmp_path / "again.duckdb")


def test_an_instant_comes_from_the_zone_of_the_home_premises(path: Path, tmp_path: Path) -> None:
    made(path, 3)
    ledger.restore(journal_of(path), tmp_path / "again.duckdb")
    with ledger.opened(tmp_path / "again.duckdb") as book:
        for record in book.records():
            assert record.instant == moments.instant(record.event["at"], ZONE)
