"""What is left after a crash, a cut file, a flipped bit: all that was recorded, or a named refusal.

A load counts as recorded once ``append`` returned. Afterwards the ledger opens with it, or says
what is wrong and touches nothing; a silently shorter or different log is a failure.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from ampelog import chain, journal, ledger
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.ledger import Draft, Head
from tests.logs import LEDGER_ID, draft, drafts, flipped, home, journal_of, made, recorded

KILLS = 50

WORKS = """
import os, random, sys
from pathlib import Path
from ampelog import database, durable, ledger
from tests.logs import draft, recorded

path, seed, loads, dies = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
chance = random.Random(seed)

def dying(real, before):
    def stand_in(*given):
        if not before:
            real(*given)
        os._exit(9)
    return stand_in

def half(path, end, data):
    with open(path, "r+b") as log:
        log.seek(end)
        log.write(data[: len(data) // 2])
    os._exit(9)

with ledger.opened(path, write=True) as book:
    print("ready", flush=True)
    for load in range(loads):
        last = load == loads - 1
        if dies == "before the journal" and last:
            durable.write = dying(durable.write, True)
        if dies == "within the journal" and last:
            durable.write = half
        if dies == "before the commit" and last:
            database.Database.commit = dying(database.Database.commit, True)
        if dies == "after the commit" and last:
            database.Database.commit = dying(database.Database.commit, False)
        size, first = chance.choice([1, 2, 3, 40]), book.head.position
        batch = [draft(first + n, load=f"{first} of {size}") for n in range(size)]
        book.append(batch, recorded(1), len)
        print(book.head.position, book.head.root, flush=True)
    os._exit(0)
"""


def worker(path: Path, seed: int, loads: int, dies: str = "never") -> subprocess.Popen[str]:
    """A process that records loads and says each head; ends without closing the database."""
    return subprocess.Popen(
        [sys.executable, "-c", WORKS, str(path), str(seed), str(loads), dies],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parent.parent,
    )


def apart(code: str, path: Path) -> list[str]:
    """The lines that a program prints about a ledger, in a process with limits of its own."""
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parent.parent,
    )
    return done.stdout.splitlines()


def said(process: subprocess.Popen[str]) -> list[Head]:
    """The heads that a process said; a line it did not finish does not count."""
    out, _ = process.communicate()
    rows = [line.split() for line in out.splitlines(keepends=True) if line.endswith("\n")]
    return [Head(int(row[0]), row[1]) for row in rows if len(row) == 2]


def holds(path: Path, heads: list[Head]) -> list[Finding]:
    """Check that the ledger has these heads, verifies, and holds whole loads; its notices."""
    with ledger.opened(path) as book:
        assert ledger.verify(book) == []
        for head in heads:
            assert book.sealed(head.position) == head
        loads = Counter(record.event["load"] for record in book.records(2))
        for load, count in loads.items():
            assert load.endswith(f" of {count}")
        return book.notices


def rules(findings: list[Finding]) -> list[str]:
    return [finding.rule for finding in findings]


def snapshot(path: Path) -> dict[str, bytes]:
    """The bytes of all files of a closed ledger."""
    return {found.name: found.read_bytes() for found in path.parent.iterdir()}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "cellar"
    folder.mkdir()
    return folder / "cellar.duckdb"


# --- crashes --------------------------------------------------------------------------------


def test_nothing_recorded_is_lost_to_a_kill(path: Path) -> None:
    chance = random.Random(20261125)
    heads = made(path)
    caught_up = Counter[str]()
    for seed in range(KILLS):
        process = worker(path, seed, 10_000)
        assert process.stdout is not None
        if chance.random() < 0.2:
            time.sleep(chance.uniform(0.1, 0.4))  # while it starts, or opens the ledger
        else:
            assert process.stdout.readline() == "ready\n"
            # Some loads are waited for, so that a slow machine is killed between loads as well.
            for _ in range(chance.choice((0, 1, 2, 3))):
                row = process.stdout.readline().split()
                heads.append(Head(int(row[0]), row[1]))
            time.sleep(chance.uniform(0, 0.08))
        process.kill()
        heads += said(process)
        caught_up.update(rules(holds(path, heads[-3:])))
    assert holds(path, heads) == []
    assert len(heads) > KILLS
    assert set(caught_up) <= {"database behind the journal", "never sealed"}


@pytest.mark.parametrize(
    ("dies", "recorded_last", "notices"),
    [
        ("before the journal", False, []),
        ("within the journal", False, ["never sealed"]),
        ("before the commit", True, ["database behind the journal"]),
        ("after the commit", True, []),
    ],
)
def test_a_crash_at_each_step(
    path: Path, dies: str, recorded_last: bool, notices: list[str]
) -> None:
    made(path)
    process = worker(path, 4, 3, dies)
    heads = said(process)
    assert (process.returncode, len(heads)) == (9, 2)
    journal_before = journal_of(path).read_bytes()
    assert rules(holds(path, heads)) == notices
    with ledger.opened(path, write=True) as book:
        assert (book.head.position > heads[-1].position) == recorded_last
        assert book.notices == []
        first = book.head.position
        book.append([draft(first, load=f"{first} of 1")], recorded(2), len)
    holds(path, heads)
    if notices == ["never sealed"]:
        (aside,) = path.parent.glob("*unsealed*")
        assert journal_before.endswith(aside.read_bytes())
        assert aside.name == f"cellar.unsealed-after-{heads[-1].position}-1.jsonl"


def test_processes_take_turns(path: Path) -> None:
    made(path)
    workers = [worker(path, seed, 5) for seed in range(4)]
    heads = [head for one in workers for head in said(one)]
    assert len(heads) == 20
    holds(path, heads)


def test_a_full_disk_leaves_nothing_and_room_heals(path: Path) -> None:
    made(path)
    code = f"""
import resource, signal, sys
from pathlib import Path
from ampelog import ledger
from ampelog.errors import Refused
from tests.logs import drafts, recorded
path = Path(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({path.stat().st_size} + 200_000, resource.RLIM_INFINITY))
with ledger.opened(path, write=True) as book:
    try:
        book.append(drafts(1, 9000), recorded(1), len)
    except Refused as fault:
        print(fault.says)
    print(book.head.position, len(book.records()))
"""
    before = journal_of(path).read_bytes()
    says, counts = apart(code, path)
    assert says.endswith("File too large; nothing was recorded")
    assert counts == "1 1"
    assert journal_of(path).read_bytes() == before
    with ledger.opened(path, write=True) as book:
        book.append(drafts(1, 9000), recorded(1), len)
        assert ledger.verify(book) == []


def test_a_question_and_a_repair_on_a_full_disk_say_so(path: Path) -> None:
    """The journal has a load that the database could not take in."""
    heads, _ = behind(path, 3)
    code = """
import resource, signal, sys
from pathlib import Path
from ampelog import ledger
from ampelog.errors import Unopenable
path = Path(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (64, resource.RLIM_INFINITY))
def asks():
    with ledger.opened(path) as book:
        print(book.head)
for does in (asks, lambda: ledger.repair(path)):
    try:
        does()
    except Unopenable as fault:
        print(fault.says, "-", fault.hint)
"""
    says = apart(code, path)
    assert len(says) == 2
    for one, name in zip(says, ("cellar.duckdb", "cellar.duckdb.new"), strict=True):
        assert one.startswith(f"the database {name} cannot be ")
        assert "make room on the disk and try again" in one
    with ledger.opened(path) as book:
        assert rules(book.notices) == ["database behind the journal"]
        assert (book.head, ledger.verify(book)) == (heads[-1], [])


# --- the write-ahead log --------------------------------------------------------------------


@pytest.fixture
def unclosed(path: Path) -> tuple[Path, list[Head]]:
    """A ledger whose last loads are in the database's write-ahead log only."""
    heads = made(path)
    heads += said(worker(path, 7, 6))
    assert len(heads) == 7
    assert wal(path).stat().st_size > 0
    return path, heads


def wal(path: Path) -> Path:
    return path.with_name(f"{path.name}.wal")


def test_a_cut_write_ahead_log_is_noticed_and_made_good(unclosed: tuple[Path, list[Head]]) -> None:
    path, heads = unclosed
    whole, chance = snapshot(path), random.Random(3)
    size = len(whole[wal(path).name])
    noticed = Counter[str]()
    for cut in [0, *sorted(chance.sample(range(1, size), 10))]:
        for name, data in whole.items():
            (path.parent / name).write_bytes(data)
        wal(path).write_bytes(whole[wal(path).name][:cut])
        noticed.update(rules(holds(path, heads)))
        assert holds(path, heads) == []
    for name, data in whole.items():
        (path.parent / name).write_bytes(data)
    wal(path).unlink()
    assert rules(holds(path, heads)) == ["database behind the journal"]
    assert noticed["database behind the journal"] == 11


def test_a_broken_write_ahead_log_is_refused_and_repaired(
    unclosed: tuple[Path, list[Head]],
) -> None:
    path, heads = unclosed
    flipped(wal(path), wal(path).stat().st_size // 2)
    before = snapshot(path)
    with pytest.raises(Unopenable) as caught:
        holds(path, heads)
    assert "ampelog repair" in caught.value.hint
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()
    head, kept = ledger.repair(path)
    assert head == heads[-1]
    assert [file.name for file in kept] == ["cellar.kept-1.duckdb.wal", "cellar.kept-1.duckdb"]
    assert kept[1].read_bytes() == before["cellar.duckdb"]
    assert holds(path, heads) == []


# --- the database ---------------------------------------------------------------------------


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def halved(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def page_zeroed(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[12288 : 12288 + 4096] = bytes(4096)
    path.write_bytes(data)


@pytest.mark.parametrize("damage", [Path.unlink, emptied, halved, page_zeroed])
def test_a_lost_database_is_built_from_the_journal(
    path: Path, damage: Callable[[Path], None]
) -> None:
    *_, head = made(path, 3, 2)
    with ledger.opened(path) as book:
        records = book.records()
    damage(path)
    with pytest.raises(Unopenable) as caught, ledger.opened(path):
        pass
    assert "ampelog repair" in caught.value.hint
    found, kept = ledger.repair(path)
    assert found == head
    assert len(kept) == (0 if damage is Path.unlink else 1)
    with ledger.opened(path) as book:
        assert (book.records(), book.head, ledger.verify(book)) == (records, head, [])


def changed(path: Path, *statements: str) -> None:
    """Change the database as its owner can, by dropping what guards it."""
    with duckdb.connect(str(path)) as connection:
        for trigger, table in (("event_keeps_values", "event"), ("event_keeps_rows", "event")):
            connection.execute(f"drop trigger {trigger} on {table}")
        for trigger in ("seal_keeps_values", "seal_keeps_rows"):
            connection.execute(f"drop trigger {trigger} on seal")
        for statement in statements:
            connection.execute(statement)


TAMPERINGS = [
    ("content changed", "update event set body = replace(body, '25-2', '25-9') where position = 3"),
    ("content changed", "update event set salt = repeat('0', 32) where position = 3"),
    ("content changed", "update event set body = '[', leaf_hash = '' where position = 3"),
    ("content changed", "update event set body = '[]', salt = 'x' where position = 3"),
    ("look-up changed", "update event set kind = 'loss' where position = 3"),
    ("look-up changed", "update event set name = 'x' where position = 3"),
    ("seal broken", "update seal set root = repeat('0', 64) where position = 4"),
    ("seal broken", "update seal set peaks = root where position = 6"),
    ("events missing", "delete from event where position = 3"),
    ("seal missing", "delete from seal where position = 4"),
]


@pytest.mark.parametrize(("rule", "statement"), TAMPERINGS)
def test_a_changed_database_is_found_named_and_repaired(
    path: Path, rule: str, statement: str
) -> None:
    *_, head = made(path, 3, 2)
    changed(path, statement)
    with ledger.opened(path) as book:
        findings = ledger.verify(book)
    assert rule in rules(findings)
    assert all("repair" in finding.hint for finding in findings)
    where = {finding.where for finding in findings if finding.rule == rule}
    assert where <= {
        f"cellar.duckdb{at}" for at in ("", ", position 3", ", position 4", ", position 6")
    } | {"cellar.journal.jsonl, line 7"}
    assert ledger.repair(path)[0] == head
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def test_an_instant_that_was_changed_is_found(path: Path) -> None:
    made(path, 3)
    changed(path, "update event set instant = instant + 1 where position = 2")
    with ledger.opened(path) as book:
        (finding,) = ledger.verify(book)
    assert (finding.rule, finding.where) == ("look-up changed", "cellar.duckdb, position 2")


def test_much_damage_is_counted_not_listed(path: Path) -> None:
    made(path, 100)
    changed(path, "update event set leaf_hash = repeat('0', 64)")
    with ledger.opened(path) as book:
        findings = ledger.verify(book)
    assert len(findings) < 30
    assert any(finding.says == "and 81 more of this sort" for finding in findings)


# --- the journal ----------------------------------------------------------------------------


def test_a_cut_journal_is_refused_and_repaired(path: Path) -> None:
    *_, head = made(path, 2, 2)
    whole = journal_of(path).read_bytes()
    last = whole.index(b'{"head":{"position":3') + 1
    for number, cut in enumerate((last, last + 40, len(whole) - 1, last + 400, 10, 0), start=1):
        journal_of(path).write_bytes(whole[:cut])
        with pytest.raises(Unopenable) as caught, ledger.opened(path):
            pass
        assert "ampelog repair" in caught.value.hint
        assert journal_of(path).read_bytes() == whole[:cut]
        found, kept = ledger.repair(path)
        assert found == head
        assert [file.name for file in kept] == [f"cellar.kept-{number}.journal.jsonl"]
        assert kept[0].read_bytes() == whole[:cut]
        assert journal_of(path).read_bytes() == whole
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def test_a_missing_journal_is_written_from_the_database(path: Path) -> None:
    *_, head = made(path, 2, 2)
    whole = journal_of(path).read_bytes()
    journal_of(path).unlink()
    assert ledger.repair(path) == (head, [])
    assert journal_of(path).read_bytes() == whole


def test_a_flipped_bit_in_the_journal_is_found_named_and_repaired(path: Path) -> None:
    *_, head = made(path, 4, 2)
    whole, chance = journal_of(path).read_bytes(), random.Random(11)
    starts = [0, *(at + 1 for at, byte in enumerate(whole) if byte == 10)]
    for at in sorted(chance.sample(range(len(whole)), 40)):
        if at + 1 in starts:
            continue  # a line break: the lines after it move
        flipped(journal_of(path), at, chance.randrange(8))
        line = sum(start <= at for start in starts)
        try:
            with ledger.opened(path) as book:
                findings = ledger.verify(book)
            assert f"cellar.journal.jsonl, line {line}" in [found.where for found in findings]
        except Unopenable:
            assert line in {1, 11}  # the first line and the last seal are looked at on opening
        assert ledger.repair(path)[0] == head
        assert journal_of(path).read_bytes() == whole
    with ledger.opened(path) as book:
        assert ledger.verify(book) == []


def test_a_flipped_bit_in_the_ledgers_id_is_repaired(path: Path) -> None:
    *_, head = made(path, 2)
    whole = journal_of(path).read_bytes()
    flipped(journal_of(path), 30)
    with pytest.raises(Unopenable, match="another ledger") as caught, ledger.opened(path):
        pass
    assert "ampelog repair" in caught.value.hint
    assert ledger.repair(path)[0] == head
    assert journal_of(path).read_bytes() == whole


def test_another_journal_with_good_hashes_is_found(path: Path, tmp_path: Path) -> None:
    """A forger who writes the whole journal anew is found out by the database, and by any head
    that was handed out earlier."""
    *_, head = made(path, 2, 1)
    other = tmp_path / "other.duckdb"
    ledger.create(other, home(), recorded(0), LEDGER_ID)
    for load, batch in enumerate((drafts(1, 2), drafts(8, 8)), start=1):
        with ledger.opened(other, write=True) as book:
            book.append(batch, recorded(load), len)
            forged = book.head
    assert forged.position == head.position
    assert forged.root != head.root
    shutil.copy(journal_of(other), journal_of(path))
    with pytest.raises(Unopenable, match=r"lacks what cellar\.duckdb holds"), ledger.opened(path):
        pass
    before = snapshot(path)
    with pytest.raises(Refused, match="two different histories"):
        ledger.repair(path)
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()


def test_an_event_replaced_in_the_journal_is_found(path: Path) -> None:
    """Its own hash is good and its length the same; the tree and the database know better."""
    *_, head = made(path, 2, 1)
    lines = journal_of(path).read_bytes().splitlines(keepends=True)
    line = journal.read_event(lines[3], 2)
    body, leaf = chain.entry({**line.event, "lot": "25-9"}, 2, line.recorded_at, line.salt)
    lines[3] = journal.event_line(2, line.recorded_at, leaf, line.salt, body).encode()
    journal_of(path).write_bytes(b"".join(lines))
    with ledger.opened(path) as book:
        findings = ledger.verify(book)
    where = {(finding.rule, finding.where) for finding in findings}
    assert where == {
        ("files differ", "cellar.journal.jsonl, line 4"),
        ("seal broken", "cellar.journal.jsonl, line 6"),
        ("seal broken", "cellar.journal.jsonl, line 8"),
    }
    assert ledger.repair(path)[0] == head
    with ledger.opened(path) as book:
        assert ledger.verify(book) == []


def test_a_line_broken_in_two_is_found(path: Path) -> None:
    *_, head = made(path, 2, 1)
    whole = journal_of(path).read_bytes()
    journal_of(path).write_bytes(whole.replace(b"at it, 3", b"at it,\n3"))
    with ledger.opened(path) as book:
        found = {(finding.rule, finding.where) for finding in ledger.verify(book)}
    assert ("line changed", "cellar.journal.jsonl, line 7") in found
    assert ("lines beyond", "cellar.journal.jsonl, line 9") in found
    assert ledger.repair(path)[0] == head
    assert journal_of(path).read_bytes() == whole


def test_a_flipped_bit_in_the_database_is_told_and_repaired(path: Path) -> None:
    """The error of DuckDB for a block whose checksum is wrong has no class of its own."""
    heads = made(path, 3, 2)
    data = path.read_bytes()
    name = ledger_events(path)[-1]["id"].encode()
    places = [found.start() for found in re.finditer(re.escape(name), data)]
    assert places, "the text of an event stands in the file as it is"
    for place in places:
        flipped(path, place)
    asks: list[Callable[[], object]] = [lambda: ledger_events(path), lambda: holds(path, [])]
    for ask in asks:
        with pytest.raises(Unopenable, match="Corrupt database file") as caught:
            ask()
        assert "ampelog repair" in caught.value.hint
    assert ledger.repair(path)[0] == heads[-1]
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (heads[-1], [])


def ledger_events(path: Path) -> list[dict[str, Any]]:
    with ledger.opened(path) as book:
        return [record.event for record in book.records()]


# --- both -----------------------------------------------------------------------------------


def behind(path: Path, *sizes: int) -> tuple[list[Head], bytes]:
    """A ledger whose database lacks the last loads; the heads, and the whole journal."""
    heads = made(path, 2)
    old = path.read_bytes()
    for load, size in enumerate(sizes, start=2):
        with ledger.opened(path, write=True) as book:
            first = book.head.position
            book.append(drafts(first, first + size - 1), recorded(load), len)
            heads.append(book.head)
    path.write_bytes(old)
    return heads, journal_of(path).read_bytes()


def zeroed(data: bytes, at: int, length: int) -> bytes:
    return data[:at] + bytes(length) + data[at + length :]


def test_a_torn_last_load_is_set_aside_by_repair(path: Path) -> None:
    """The seal reached the disk and the events before it did not: it was never synced."""
    heads, whole = behind(path, 3)
    torn = zeroed(whole, whole.index(b'{"position":4') + 20, 300)
    journal_of(path).write_bytes(torn)
    with pytest.raises(Unopenable, match=r"journal.jsonl, line \d+"), ledger.opened(path):
        pass
    assert journal_of(path).read_bytes() == torn
    head, kept = ledger.repair(path)
    assert head == heads[1]
    assert torn.endswith(kept[0].read_bytes())
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def test_sealed_loads_that_neither_file_proves_are_not_left_behind(path: Path) -> None:
    _, whole = behind(path, 2, 2, 2)
    journal_of(path).write_bytes(zeroed(whole, whole.index(b'{"position":4') + 20, 300))
    before = snapshot(path)
    with pytest.raises(Refused, match=r"cannot be repaired: .*does not hold what follows"):
        ledger.repair(path)
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()
    assert not list(path.parent.glob("*.new*"))


def test_a_database_that_ends_before_later_seals_is_not_made_the_log(path: Path) -> None:
    """It proves more than the damaged journal does, and less than was recorded."""
    _, whole = behind(path, 2)
    journal_of(path).write_bytes(zeroed(whole, whole.index(b'{"position":2') + 20, 300))
    before = snapshot(path)
    with pytest.raises(Refused, match=r"ends at position 3, before its end"):
        ledger.repair(path)
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()


def test_the_longest_proved_log_wins(path: Path) -> None:
    """The journal goes on after what the database holds, and a last load was cut short."""
    heads, whole = behind(path, 2, 2)
    journal_of(path).write_bytes(whole[: whole.index(b'{"position":6') + 20])
    head, kept = ledger.repair(path)
    assert head == heads[2]
    assert len(kept) == 2
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def mid(data: bytes) -> int:
    return data.index(b'{"position":3') + 30


def root(data: bytes) -> int:
    return data.rindex(b'"root"') + 20


def seal(data: bytes) -> int:
    return data.rindex(b'"head"') + 2


@pytest.mark.parametrize("database", ["missing", "garbage", "behind"])
@pytest.mark.parametrize(("at", "line"), [(mid, 5), (root, 7), (seal, 7)])
def test_a_sealed_load_that_was_changed_is_never_set_aside(
    path: Path, database: str, at: Callable[[bytes], int], line: int
) -> None:
    """Only the journal holds it, and a bit of it or of its seal is flipped."""
    made(path)
    old = path.read_bytes()
    with ledger.opened(path, write=True) as book:
        book.append(drafts(1, 3), recorded(1), len)
    if database == "missing":
        path.unlink()
    else:
        path.write_bytes(b"x" * 5000 if database == "garbage" else old)
    flipped(journal_of(path), at(journal_of(path).read_bytes()))
    before = snapshot(path)
    with pytest.raises(Refused, match=rf"cellar\.journal\.jsonl, line {line}: ") as caught:
        ledger.repair(path)
    assert "ampelog restore" in caught.value.hint
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()
    assert not list(path.parent.glob("*unsealed*"))


def test_a_stray_line_after_the_last_seal_is_set_aside(path: Path) -> None:
    *_, head = made(path, 2)
    journal_of(path).write_bytes(journal_of(path).read_bytes() + b"\n")
    with pytest.raises(Unopenable, match=r"journal\.jsonl, line 7: "), ledger.opened(path):
        pass
    found, kept = ledger.repair(path)
    assert (found, kept[0].read_bytes()) == (head, b"\n")
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def test_a_ledger_without_a_good_file_is_left_as_it_is(path: Path) -> None:
    made(path, 2)
    emptied(path)
    journal_of(path).write_bytes(journal_of(path).read_bytes().replace(b"1900", b"1901"))
    before = snapshot(path)
    with pytest.raises(Refused, match=r"journal.jsonl, line 2: .*; .*cellar.duckdb") as caught:
        ledger.repair(path)
    assert "ampelog restore" in caught.value.hint
    del before["cellar.lock"]
    assert before.items() <= snapshot(path).items()


def test_a_whole_ledger_can_be_repaired(path: Path) -> None:
    *_, head = made(path, 2)
    assert ledger.repair(path) == (head, [path.with_name("cellar.kept-1.duckdb")])
    with ledger.opened(path) as book:
        assert (book.head, ledger.verify(book)) == (head, [])


def test_nothing_is_repaired_where_there_is_none(path: Path) -> None:
    with pytest.raises(Unopenable, match="there is no ledger"):
        ledger.repair(path)


def test_a_repeated_id_in_the_journal_is_no_ledger(path: Path, tmp_path: Path) -> None:
    made(path, 1)
    lines = journal_of(path).read_bytes().splitlines(keepends=True)
    peaks = chain.Peaks()
    for number in (1, 3):
        peaks.add(journal.read_event(lines[number], peaks.size + 1).hash)
    again: Draft = draft(1)
    body, leaf = chain.entry(again.event, 3, "2026-03-01T08:00:02.000000Z", "00" * 16)
    peaks.add(leaf)
    lines.append(
        journal.event_line(3, "2026-03-01T08:00:02.000000Z", leaf, "00" * 16, body).encode()
    )
    lines.append(journal.seal_line(Head(3, peaks.root())))
    journal_of(path).write_bytes(b"".join(lines))
    with pytest.raises(Unopenable, match="the id of another"), ledger.opened(path):
        pass
    with pytest.raises(Refused, match="the id of another"):
        ledger.restore(journal_of(path), tmp_path / "again.duckdb")
