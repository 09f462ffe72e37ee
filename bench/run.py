"""Measures the program against plain floors, in one run on this machine: ``python bench/run.py``.

Everything is a whole process, timed from outside, with its peak memory. What counts are the
ratios: the floor of each is measured beside it, turn by turn, and the best of the turns is taken,
so that a busy machine slows both. It prints a table and judges nothing by its exit code: 0 unless
something failed to run. ``BENCH=quick`` leaves out the largest ledger; words after the command
name the parts to run (``PARTS``).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from threading import Event, Thread
from typing import Any

HERE = Path(__file__).resolve().parent
WORK = HERE / ".work"
EXAMPLE = HERE.parent / "example_vintage"
PROGRAM = (sys.executable, "-m", "ampelog")
IMPORTS = "import duckdb, typer, pydantic"
ENVIRONMENT = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
"""What is installed has its bytecode: no start-up pays for compiling, on either side."""

QUICK = os.environ.get("BENCH") == "quick"
LARGE = 169_000
SIZES = (10_000, 100_000) if QUICK else (10_000, 100_000, 1_000_000)
SHORT, LONG, OFTEN = 3, 2, 5
"""How often what takes under a second, what takes longer, and what is felt each morning, is run."""
LATE = 10
"""Seconds that a late entry may take beyond five times the floor."""

PAST = "2026-06-01"
"""A day in the example's past on which its bottles are there."""

GIGABYTES = 4
AN_EVENT = 14_000
"""Bytes of memory that loading an event takes, with what it is checked by."""

MEGA = 1_000_000
SAME = 1e-9
"""How near the recursive query's binary floats must come to the exact shares."""


@dataclass
class Took:
    """The best time of some runs of one process, and the highest memory of any."""

    seconds: float = float("inf")
    megabytes: float = 0.0

    def also(self, other: Took) -> None:
        """Take another run into account."""
        self.seconds = min(self.seconds, other.seconds)
        self.megabytes = max(self.megabytes, other.megabytes)


@dataclass
class Row:
    """One line of the table."""

    what: str
    measured: str
    baseline: str
    ratio: str
    allowed: str
    holds: bool


@dataclass
class Table:
    """What was found so far."""

    rows: list[Row] = field(default_factory=list)

    def ratio(self, what: str, took: Took, floor: Took, most: float) -> None:
        """A time against its floor."""
        found = took.seconds / floor.seconds
        self.rows.append(
            Row(what, _said(took), _said(floor), f"{found:.2f}", f"at most {most:g}", found <= most)
        )

    def memory(self, what: str, took: Took) -> None:
        """Peak memory."""
        used = took.megabytes / 1000
        allowed = f"under {GIGABYTES} GB"
        self.rows.append(Row(what, f"{used:.2f} GB", "", "", allowed, used < GIGABYTES))

    def plain(self, row: Row) -> None:
        """Any other line."""
        self.rows.append(row)

    def text(self) -> str:
        """The table as text."""
        heads = ["", "measured", "floor", "ratio", "allowed", ""]
        lines = [heads] + [
            [
                row.what,
                row.measured,
                row.baseline,
                row.ratio,
                row.allowed,
                ("ok" if row.holds else "OVER") if row.allowed else "",
            ]
            for row in self.rows
        ]
        widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
        return "\n".join(
            "  ".join(
                text.ljust(width) if column in (0, 4, 5) else text.rjust(width)
                for column, (text, width) in enumerate(zip(line, widths, strict=True))
            ).rstrip()
            for line in lines
        )


def _said(took: Took) -> str:
    return f"{took.seconds:.2f} s {took.megabytes:5.0f} MB"


def tell(text: str) -> None:
    """Progress, for who watches."""
    sys.stderr.write(f"bench: {text}\n")


# Running


def run(words: Sequence[str], *, codes: Sequence[int] = (0,)) -> tuple[Took, str]:
    """Run a process to its end: how long, how much memory, what it printed.

    Memory is the larger of what ``wait4`` says of the process, and what it and its children held
    together when looked at once a second, shared pages counted once. This process stays small,
    because a child begins with its parent's pages.
    """
    printed, told = WORK / "stdout", WORK / "stderr"
    with printed.open("wb") as out, told.open("wb") as err:
        began = time.perf_counter()
        child = subprocess.Popen(words, stdout=out, stderr=err, cwd=HERE.parent, env=ENVIRONMENT)
        ended = Event()
        watcher = Thread(target=watch, args=(child.pid, ended, held := [0.0]))
        watcher.start()
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - began
        ended.set()
        watcher.join()
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in codes:
        says = told.read_text(errors="replace")[-2000:]
        raise SystemExit(f"{' '.join(map(str, words))[:300]}: exit {child.returncode}\n{says}")
    return Took(seconds, max(usage.ru_maxrss * 1024 / MEGA, *held)), printed.read_text()


def watch(process: int, ended: Event, held: list[float]) -> None:
    """Once a second, what a process and its children hold together, in megabytes."""
    while not ended.wait(1):
        held.append(sum(proportional(one) for one in (process, *children(process))) / 1000)


def children(process: int) -> list[int]:
    """The children of a process; none where the system does not tell."""
    try:
        told = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:
        return []
    return [int(one) for one in told.split()]


def proportional(process: int) -> float:
    """A process's memory, shared pages in proportion, in thousands of bytes."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1.024 for line in lines if line.startswith("Pss:")), 0)


def python(code: str, *words: str) -> tuple[Took, str]:
    """Run a piece of Python in a process of its own."""
    return run((sys.executable, "-c", code, *words))


def ampelog(ledger: Path, *words: str, codes: Sequence[int] = (0,)) -> tuple[Took, str]:
    """Run a command on a ledger."""
    return run((*PROGRAM, "--ledger", str(ledger), *words), codes=codes)


def turns(times: int, *runs: Callable[[], Took]) -> list[Took]:
    """The best of several turns of each, one after the other."""
    best = [Took() for _ in runs]
    for _ in range(times):
        for took, one in zip(best, runs, strict=True):
            took.also(one())
    return best


def imported(ledger: Path | None = None) -> Took:
    """The start-up floor: the imports, and opening a ledger's database where one is named."""
    if ledger is None:
        return python(IMPORTS)[0]
    code = f"{IMPORTS}, sys; duckdb.connect(sys.argv[1], read_only=True).close()"
    return python(code, str(ledger))[0]


# Making


def made(name: str, events: int, *words: str) -> tuple[Path, dict[str, Any]]:
    """The events of a winery, written once, and what they are."""
    path, about = WORK / f"{name}.jsonl", WORK / f"{name}.json"
    tell(f"making {events:,} events: {name}")
    _, printed = run((sys.executable, "-m", "bench.ledger", str(path), str(events), *words))
    about.write_text(printed)
    found: dict[str, Any] = json.loads(printed)
    return path, found


def begun(name: str) -> Path:
    """A new ledger with its home premises."""
    ledger = WORK / f"{name}.duckdb"
    for old in WORK.glob(f"{name}.*"):
        if old.suffix != ".json" and old != WORK / f"{name}.jsonl":
            old.unlink()
    ampelog(ledger, "init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    return ledger


def loaded(name: str, events: Path) -> Took:
    """Load a file into a new ledger."""
    return ampelog(begun(name), "load", str(events))[0]


def unfolded(events: Path, about: dict[str, Any]) -> Took:
    """The floor under a load: the plain query, into a table of a new database file."""
    database = WORK / "legs.duckdb"
    database.unlink(missing_ok=True)
    code = (
        "import duckdb, sys; connection = duckdb.connect(sys.argv[1]);"
        "connection.execute(open(sys.argv[2]).read(), {'file': sys.argv[3]}); connection.close()"
    )
    took, _ = python(code, str(database), str(HERE / "legs.sql"), str(events))
    count = (
        "import duckdb, sys; connection = duckdb.connect(sys.argv[1], read_only=True);"
        "print(connection.execute('select count(*) from leg').fetchone()[0])"
    )
    legs = int(python(count, str(database))[1])
    if legs != about["legs"]:
        raise SystemExit(f"the plain query made {legs} legs of {about['legs']}")
    return took


# What is measured


def loading(table: Table, kind: str) -> tuple[Path, dict[str, Any]]:
    """(a) Loading against the plain query."""
    name = f"large-{kind}"
    events, about = made(name, LARGE, "--barrels", kind)
    tell(f"{about['events']:,} events, {about['legs']:,} legs: load and plain query, in turns")
    floor, load = turns(LONG, lambda: unfolded(events, about), lambda: loaded(name, events))
    what = f"load, {kind} barrels, {about['events']:,} events, {about['legs']:,} legs"
    table.ratio(what, load, floor, 5)
    table.memory(f"load, {kind} barrels, peak memory", load)
    return WORK / f"{name}.duckdb", about


def composing(table: Table, ledger: Path, about: dict[str, Any], kind: str) -> None:
    """(b) What the last bottled lot is made of, against starting up and opening the file."""
    tell(f"composition of {about['bottled']}")
    floor, took = turns(
        SHORT, lambda: imported(ledger), lambda: composition(ledger, about["bottled"])[0]
    )
    table.ratio(f"composition of the last lot, {kind} barrels", took, floor, 8)


def composition(ledger: Path, lot: str) -> tuple[Took, list[dict[str, Any]]]:
    """A lot's composition by variety and vintage."""
    took, printed = ampelog(ledger, "composition", lot, "--by", "variety,vintage", "--json")
    shares: list[dict[str, Any]] = json.loads(printed)["shares"]
    return took, shares


def claiming(table: Table, ledger: Path, about: dict[str, Any], kind: str) -> None:
    """(b) All that the same lot may say, with its headroom, against what it is made of."""
    tell(f"what {about['bottled']} may say")
    lot = about["bottled"]

    def claimable(*words: str) -> Callable[[], Took]:
        return lambda: ampelog(ledger, "claimable", lot, *words, "--json")[0]

    asked = {
        "": (),
        ", for the European Union": ("--market", "eu"),
        ", adding a lot": ("--adding", about["in_barrels"]),
    }
    runs = [claimable(*words) for words in asked.values()]
    floor, *took = turns(LONG, lambda: composition(ledger, lot)[0], *runs)
    for name, one in zip(asked, took, strict=True):
        table.ratio(f"claimable of it against composition{name}, {kind} barrels", one, floor, 2)


def following(table: Table) -> None:
    """(b) The same against a recursive query that follows every path, on a small ledger."""
    events, about = made("small", 11_000, "--vintages", "4")
    loaded("small", events)
    ledger = WORK / "small.duckdb"
    took, _ = turns(SHORT, lambda: composition(ledger, about["bottled"])[0], lambda: Took(0))
    _, shares = composition(ledger, about["bottled"])
    tell("the recursive query over paths: a minute or two")
    code = (
        "import duckdb, json, sys; connection = duckdb.connect(sys.argv[1], read_only=True);"
        "connection.execute('set enable_progress_bar = false');"  # it goes to standard output
        "connection.execute(\"set memory_limit = '4GB'\");"  # and its paths to a file
        "rows = connection.execute(open(sys.argv[2]).read(), {'lot': sys.argv[3]}).fetchall();"
        "print(json.dumps(rows))"
    )
    slow, printed = python(code, str(ledger), str(HERE / "paths.sql"), about["bottled"])
    followed = {(variety, vintage): share for variety, vintage, share in json.loads(printed)}
    exact = {(row["variety"], row["vintage"]): float(row["share"]) for row in shares}
    if followed.keys() != exact.keys() or any(
        abs(followed[key] - exact[key]) > SAME for key in exact
    ):
        raise SystemExit(f"two answers for {about['bottled']}: {followed} and {exact}")
    times = slow.seconds / took.seconds
    what = f"recursive query over paths, {about['events']:,} events, same answer"
    row = Row(what, _said(took), _said(slow), f"{times:.0f}", "at least 50", times >= 50)
    table.plain(row)


def recording(table: Table, ledger: Path, about: dict[str, Any]) -> None:
    """(c) One event into the large ledger, against starting up and opening the file."""
    tell("recording one event")
    hours = iter(range(24))
    lot, barrels, day = about["in_barrels"], about["barrels"], about["last_day"]

    def reading() -> Took:
        at = f"at={day}T{next(hours):02d}:00"
        return ampelog(ledger, "record", "reading", at, f"lot={lot}", "temperature=14 C")[0]

    def top() -> Took:
        at = f"at={day}T{next(hours):02d}:00"
        drawn = {"lot": about["topping"], "vessel": about["topping_vessel"], "volume": "10 L"}
        filled = {"lot": lot, "vessels": barrels, "each": "0.5 L"}
        ends = (f"from={json.dumps(drawn)}", f"to={json.dumps(filled)}")
        return ampelog(ledger, "record", "top", at, *ends)[0]

    floor, read, topped = turns(SHORT, lambda: imported(ledger), reading, top)
    table.ratio("record a reading into it", read, floor, 4)
    table.ratio("record a topping of 20 barrels into it", topped, floor, 4)


def asking(table: Table, ledger: Path) -> None:
    """(c) What a cellar asks every morning, against starting up and opening the file."""
    tell("the questions of a morning")
    names = ("lots", "vessels", "numbers")
    floor, *took = turns(
        OFTEN,
        lambda: imported(ledger),
        *(partial(answered, ledger, name) for name in names),
    )
    for name, one in zip(names, took, strict=True):
        table.ratio(f"{name}, of it", one, floor, 3)


def answered(ledger: Path, *words: str) -> Took:
    """A question."""
    return ampelog(ledger, *words)[0]


def late(table: Table, ledger: Path, about: dict[str, Any]) -> None:
    """(c) A topping of three years back, against starting up and opening the file; once, because it
    changes the ledger."""
    tell("recording a topping of three years back")
    said = about["late"]
    drawn = {"lot": said["from"], "vessel": said["from_vessel"], "volume": "0.2 L"}
    filled = {"lot": said["to"], "vessel": said["to_vessel"], "volume": "0.2 L"}
    ends = (f"from={json.dumps(drawn)}", f"to={json.dumps(filled)}")
    floor = turns(SHORT, lambda: imported(ledger))[0]
    took, _ = ampelog(ledger, "record", "top", f"at={said['at']}", *ends)
    beyond = took.seconds - 5 * floor.seconds
    what = "record a topping of three years back, beyond 5 times the floor"
    row = Row(what, _said(took), _said(floor), f"{beyond:.1f} s", "at most 10 s", beyond <= LATE)
    table.plain(row)


def scaling(table: Table) -> None:
    """(d) What one event costs, start-up taken off, in ledgers of three sizes."""
    one = WORK / "one.jsonl"
    one.write_text('{"kind": "party", "at": "2020-01-01", "name": "Grower"}\n')
    start = turns(SHORT, lambda: loaded("one", one))[0]
    costs: list[float] = []
    for size in SIZES:
        if size * AN_EVENT > available():
            tell(f"{size:,} events need {size * AN_EVENT / 1e9:.0f} GB of free memory: left out")
            continue
        events, about = made(f"size-{size}", size)
        tell(f"loading {about['events']:,} events")
        times = SHORT if size < LARGE // 2 else 1
        load = turns(times, partial(loaded, "size", events))[0]
        costs.append((load.seconds - start.seconds) / about["events"] * MEGA)
        row = Row(
            f"an event of {about['events']:,}, start-up taken off",
            f"{costs[-1]:.0f} us",
            f"{costs[0]:.0f} us",
            f"{costs[-1] / costs[0]:.2f}",
            "",
            True,
        )
        row.what += f" ({load.megabytes / 1000:.1f} GB)"
        table.plain(row)
        events.unlink()
    spread = max(costs) / min(costs)
    what, ratio = "the dearest event against the cheapest", f"{spread:.2f}"
    table.plain(Row(what, "", "", ratio, "at most 1.5", spread <= 1.5))


def available() -> float:
    """The memory that is free to take, in bytes; without end where the system does not tell."""
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
    except OSError:
        return float("inf")
    return next((int(one.split()[1]) * 1024 for one in lines if "MemAvailable" in one), 0)


def example(table: Table) -> None:
    """(e) Every command on the example, against the imports."""
    files = sorted(EXAMPLE.glob("*.jsonl"))
    if not files:
        tell("no example: left out")
        return
    tell("the commands on the example")
    ledger = WORK / "example.duckdb"
    names = [str(path) for path in files]

    def load() -> Took:
        return ampelog(begun("example"), "load", *names)[0]

    floor, took = turns(SHORT, imported, load)
    table.ratio(f"load of the example, {len(names)} files", took, floor, 2)
    for name, command in commands(ledger).items():
        before, took = turns(SHORT, imported, command)
        table.ratio(name, took, before, 2)


def commands(ledger: Path) -> dict[str, Callable[[], Took]]:
    """The commands to time on the example, by name; each may be run again and again."""
    lots = json.loads(ampelog(ledger, "--json", "lots", "--bottled")[1])
    lot = next((row["lot"] for row in lots if row.get("label")), lots[0]["lot"])
    export = WORK / "export.jsonl"
    ampelog(ledger, "export", "-o", str(export))
    minutes = iter(range(60))

    def asked(*words: str, codes: Sequence[int] = (0,)) -> Callable[[], Took]:
        return lambda: ampelog(ledger, *words, codes=codes)[0]

    def anew(name: str, *words: str) -> Callable[[], Took]:
        def one() -> Took:
            for old in WORK.glob(f"{name}.*"):
                old.unlink()
            return ampelog(WORK / f"{name}.duckdb", *words)[0]

        return one

    def record() -> Took:
        text = f"text=Tasted {next(minutes)} times"
        return ampelog(ledger, "record", "note", f"lot={lot}", text)[0]

    return {
        "init": anew("fresh", "init", "--premises", "Home", "--timezone", "America/Los_Angeles"),
        "record": record,
        "log": asked("log"),
        "log --lot": asked("log", "--lot", lot),
        "lots": asked("lots"),
        "trace": asked("trace", lot),
        "trace --forward": asked("trace", lot, "--forward"),
        "composition": asked("composition", lot, "--by", "variety,vintage"),
        "composition --as-of": asked("composition", lot, "--as-of", PAST),
        "claims": asked("claims", lot, codes=(0, 1)),
        "balance": asked("balance"),
        "verify": asked("verify"),
        "export": asked("export", "-o", str(export)),
        "restore": anew("restored", "restore", str(export)),
        "repair": repair_of(ledger),
    }


def repair_of(ledger: Path) -> Callable[[], Took]:
    """``repair`` of a copy whose database is gone."""

    def repair() -> Took:
        for old in WORK.glob("broken.*"):
            old.unlink()
        shutil.copy(ledger.with_name(f"{ledger.stem}.journal.jsonl"), WORK / "broken.journal.jsonl")
        return ampelog(WORK / "broken.duckdb", "repair")[0]

    return repair


def apart(table: Table) -> None:
    """The same with every barrel's topping told by itself: three times the file. No limit."""
    events, about = made("large-apart", LARGE, "--barrels", "apart")
    tell("loading a ledger in which each barrel's topping is told by itself")
    floor, load = turns(1, lambda: unfolded(events, about), lambda: loaded("large-apart", events))
    ratio = f"{load.seconds / floor.seconds:.2f}"
    what = "load, every barrel's topping told by itself"
    table.plain(Row(what, _said(load), _said(floor), ratio, "", True))


def large(table: Table, kind: str) -> None:
    """(a), (b) and (c) on the ledger of ten vintages."""
    ledger, about = loading(table, kind)
    composing(table, ledger, about, kind)
    claiming(table, ledger, about, kind)
    asking(table, ledger)
    recording(table, ledger, about)
    late(table, ledger, about)


def labels(table: Table) -> None:
    """What may be said of the last lot alone, on a ledger that is loaded once and not timed."""
    events, about = made("large-equal", LARGE, "--barrels", "equal")
    loaded("large-equal", events)
    claiming(table, WORK / "large-equal.duckdb", about, "equal")


def blending(table: Table) -> None:
    """The best blend of sixty lots, compositions given, against HiGHS on equal numbers."""
    tell("the best blend of sixty lots")
    took, printed = run((sys.executable, "-m", "bench.blend"))
    told = json.loads(printed)
    solver, bare = (Took(told[name], took.megabytes) for name in ("solver", "bare"))
    table.ratio("the best blend of 60 lots, against a bare call of HiGHS", solver, bare, 10)


def papers(table: Table) -> None:
    """(f) A dossier against WeasyPrint alone on its HTML; many of them on one core and on all."""
    tell("dossiers")
    ledger = begun("papers")
    ampelog(ledger, "load", *[str(path) for path in sorted(EXAMPLE.glob("*.jsonl"))])
    page = WORK / "paper.html"
    for lot in ("STL24", "BSY23"):
        paper("html", str(ledger), lot, str(page))
        floor, took = turns(
            SHORT,
            lambda: paper("set", str(page)),
            partial(dossier_of, ledger, lot),
        )
        table.ratio(f"the dossier of {lot}, against WeasyPrint alone", took, floor, 1.3)
    few, many = (_all_dossiers(count) for count in FEW_MANY)
    one = many(cores=1)
    every = many(cores=os.cpu_count() or 1)
    ratio = f"{one.seconds / every.seconds:.2f}"
    what = f"{FEW_MANY[1]} dossiers on all {os.cpu_count()} cores, against one: faster by"
    table.plain(Row(what, _said(every), _said(one), ratio, "", True))
    small = few(cores=os.cpu_count() or 1)
    grown = every.megabytes / small.megabytes
    what = f"memory of {FEW_MANY[1]} dossiers against {FEW_MANY[0]}"
    table.plain(Row(what, _said(every), _said(small), f"{grown:.2f}", "at most 1.2", grown <= 1.2))


FEW_MANY = (20, 80)
"""Dossiers of small lots, to see what many of them take."""


def dossier_of(ledger: Path, lot: str) -> Took:
    """The dossier of a lot."""
    return ampelog(ledger, "dossier", lot, "-o", str(WORK / "paper.pdf"))[0]


def paper(*words: str) -> Took:
    """One of the things that ``bench.paper`` does, in a process of its own."""
    return run((sys.executable, "-m", "bench.paper", *words))[0]


def _all_dossiers(count: int) -> Callable[..., Took]:
    """The dossiers of so many lots at once, on as many cores as are named."""
    events, ledger = WORK / "lots.jsonl", begun(f"lots-{count}")
    paper("lots", str(count), str(events))
    ampelog(ledger, "load", str(events))

    def written(cores: int) -> Took:
        words = (*PROGRAM, "--ledger", str(ledger), "dossier", "--all", str(WORK / "dossiers"))
        code = (
            "import os, sys; os.sched_setaffinity(0, range(int(sys.argv[1]))); "
            "os.execv(sys.argv[2], sys.argv[2:])"
        )
        return run((sys.executable, "-c", code, str(cores), *map(str, words)))[0]

    return written


PARTS: dict[str, Callable[[Table], None]] = {
    "example": example,
    "equal": partial(large, kind="equal"),
    "unequal": partial(large, kind="unequal"),
    "apart": apart,
    "labels": labels,
    "paths": following,
    "scaling": scaling,
    "blend": blending,
    "papers": papers,
}


def main() -> None:
    """Measure everything, or the parts that are named, and print the table."""
    parts = sys.argv[1:] or [name for name in PARTS if name != "labels"]  # the others hold it
    if not set(parts) <= PARTS.keys():
        raise SystemExit(f"parts: {', '.join(PARTS)}")
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir()
    table = Table()
    try:
        for part in parts:
            PARTS[part](table)
    finally:
        sys.stdout.write(table.text() + "\n")


if __name__ == "__main__":
    main()
