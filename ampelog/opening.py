"""The ledger and files, opened for a command; the view that its question is about."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from time import monotonic_ns
from typing import TYPE_CHECKING, Any

from ampelog import asking, say
from ampelog.asking import Settings
from ampelog.errors import Refused

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from ampelog.ledger import Ledger
    from ampelog.lines import Read
    from ampelog.questions import View
    from ampelog.tables import Asked, Seen

A_WHILE = 500_000_000
"""Nanoseconds after which a work tells how far it is."""
LARGE = 2_000_000
"""Bytes of a file of events from which on their forms are checked while the load is replayed."""


@contextmanager
def opened(asked: Settings, *, write: bool = False) -> Iterator[Ledger]:
    """The ledger, open; what it noticed while opening goes to standard error."""
    from ampelog import ledger as ledgers

    with ledgers.opened(asked.ledger, write=write, wait=asked.wait) as ledger:
        say.findings(ledger.notices, "notice")
        seen = len(ledger.notices)
        yield ledger
        say.findings(ledger.notices[seen:], "notice")


@contextmanager
def viewed(asked: Settings) -> Iterator[View]:
    """The cellar that the question is about."""
    from ampelog.questions import View

    if not asked.supposed:
        with opened(asked) as ledger:
            yield View(ledger, asked.as_of, asked.known_on)
        return
    from ampelog.questions import end_of
    from ampelog.recording import supposed

    with opened(asked, write=True) as ledger:
        moment, until = asking.now(), end_of(ledger, asked.as_of)
        entries = unrecorded(asked, ledger, moment)
        with supposed(ledger, entries, by=asking.login(), now=moment, until=until) as findings:
            say.findings(findings)
            yield View(ledger, asked.as_of)


def unrecorded(asked: Settings, ledger: Ledger, moment: int) -> list[Any]:
    """The events of the files that ``--with`` names; ``Refused`` where a line is none."""
    entries, problems = [], []
    seen: Seen = {}
    for name in asked.supposed:
        found, wrong = not_recorded(name, ledger, moment, seen=seen)
        entries += found
        problems += wrong
    if problems:
        hint = "in a table, write days as 2026-11-25 and the kind in a column `kind`"
        raise Refused("what --with names holds what is no event", problems, hint=hint)
    return entries


def not_recorded(
    name: str,
    ledger: Ledger,
    moment: int,
    form: Asked | None = None,
    seen: Seen | None = None,
) -> tuple[list[Any], list[Any]]:
    """The events of a file that is not to be recorded, and what is wrong with its other lines or
    rows; ``form`` says how a table is written, ``seen`` what tables beside it said."""
    from ampelog.history import zone_of

    if not is_spreadsheet(name, form is not None and form.has_kind):
        return read(name, zone_of(ledger), moment, untold)
    table = _table(name, form, ledger, moment, {} if seen is None else seen)
    say.findings(table.odd)
    return table.entries, table.problems


def _table(name: str, form: Asked | None, ledger: Ledger, moment: int, seen: Seen) -> Read:
    """What a spreadsheet holds."""
    from ampelog import tables

    with reading(name) as stream:
        content = stream.read()
    return tables.read(content, _called(name), form or tables.Asked(), ledger, moment, seen)


def _called(name: str) -> str:
    return "standard input" if name == "-" else name


def written(
    kind: str | None, columns: Path | None, dates: str | None, decimal: str | None
) -> Asked | None:
    """How tables are written, as the options of `load` say, None where they say nothing;
    ``Refused`` where they cannot be."""
    if {kind, columns, dates, decimal} == {None}:
        return None
    from ampelog import days, mapping
    from ampelog.events import KINDS
    from ampelog.tables import Asked

    for option, said, choices in (
        ("--kind", kind, list(KINDS)),
        ("--dates", dates, list(days.ORDERS)),
        ("--decimal", decimal, list(mapping.MARKS)),
    ):
        if said is not None and said not in choices:
            raise Refused(f"{option} {said}: wanted one of {', '.join(choices)}")
    if columns is None:
        return Asked(kind, dates=dates, decimal=decimal)
    with reading(str(columns)) as stream:
        content: bytes = stream.read()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Refused(f"{columns} is not UTF-8") from None
    return Asked(kind, mapping.read(text, str(columns)), dates, decimal)


def gathered(
    ledger: Ledger, files: Sequence[str], form: Asked | None, moment: int, tick: Any
) -> tuple[Read, list[str]]:
    """The events of files, lines and tables alike; the places of the rows that are known."""
    from ampelog.history import zone_of
    from ampelog.lines import Read

    zone = zone_of(ledger)
    whole, known = Read([], [], []), list[str]()
    seen: Seen = {}
    rows: list[Any] = []
    has_kind = form is not None and form.has_kind
    tabled = [name for name in files if is_spreadsheet(name, has_kind)]
    if form is not None and not tabled:
        raise Refused("--kind, --columns, --dates and --decimal are for tables; these are lines")
    if tabled:
        from ampelog import again, roster
    for name in files:
        if name not in tabled:
            found, wrong = read(name, zone, moment, tick)
            whole.entries += found
            whole.problems += wrong
            continue
        table = _table(name, form, ledger, moment, seen)
        here = dict.fromkeys(again.known(ledger, table.entries))
        known += here
        whole.odd += [one for one in table.odd if one.where.partition(", column")[0] not in here]
        rows += table.entries
        whole.entries += table.entries
        whole.problems += table.problems
    if rows:
        whole.odd += again.edited(ledger, rows)
        whole.odd += again.same_paper(ledger, rows)
        whole.odd += roster.read_alike(rows, roster.names_of(ledger))
    return whole, known


def read(name: str, zone: ZoneInfo, moment: int, tick: Any) -> tuple[list[Any], list[Any]]:
    """The entries of a file or of standard input, and what is wrong with its other lines."""
    from ampelog import lines

    with reading(name) as stream:
        formed = name == "-" or Path(name).stat().st_size < LARGE

        def done(lines_read: int) -> None:
            tick("reading", lines_read, 0)

        return lines.read(stream, _called(name), zone, moment, done, formed=formed)


def is_spreadsheet(name: str, has_kind: bool = False) -> bool:
    """Whether a file of that name is read as a spreadsheet; with a kind said, all but lines are."""
    ending = Path(name).suffix.lower()
    if has_kind:
        return ending not in (".jsonl", ".json")
    return ending in (".csv", ".tsv", ".xlsx", ".xlsm", ".xls", ".ods")


@contextmanager
def reading(name: str) -> Iterator[Any]:
    """The bytes of a file or of standard input."""
    if name == "-":
        if sys.stdin is None:
            raise Refused("standard input is closed", hint="name a file, or send the events in")
        yield sys.stdin.buffer
        return
    try:
        stream = Path(name).open("rb")  # noqa: SIM115  closed below; only opening may be refused
    except OSError as problem:
        raise Refused(f"{name}: {problem.strerror}") from None
    with stream:
        yield stream


def untold(*_: Any) -> None:
    """Tells nobody: there is no terminal."""


@contextmanager
def progress(of_what: str = "events") -> Iterator[Any]:
    """Tells on a terminal how far a work is, counted in events or what else is named, once it has
    taken a while."""
    if not sys.stderr.isatty():
        yield untold
        return
    begun = monotonic_ns()
    with ExitStack() as shown:
        status: Any = None

        def tick(what: str, done: int, total: int) -> None:
            nonlocal status
            if status is None and monotonic_ns() - begun >= A_WHILE:
                from rich.console import Console

                status = shown.enter_context(Console(stderr=True).status(""))
            if status is not None:
                of = f" of {total:,}" if total else ""
                status.update(f"{what}: {done:,}{of} {of_what}")

        yield tick
