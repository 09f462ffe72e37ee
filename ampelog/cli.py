"""The command line: parse, call one function, print. The one place with exit codes and a clock.

Exit codes: 0 done or yes; 1 the answer is no; 2 the command or the input was refused; 3 the
ledger cannot be opened or read; 130 stopped by whoever ran it; 141 nobody read the answer to its
end. Imports stand inside commands: start-up time is felt at each.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import say
from ampelog.errors import AmpelogError, Refused, Unopenable

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from ampelog.ledger import Head, Ledger
    from ampelog.questions import View
    from ampelog.recipe import Recipe
    from ampelog.trial_answer import Answered

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "A cellar's log, and what its labels may say. The options below may stand before or "
        "after a command."
    ),
)
Text = Annotated[str | None, typer.Option()]
_KEPT: list[object] = []
"""What a load leaves behind; ``run`` ends the process without freeing it piece by piece."""
LISTS = frozenset({"log", "lots", "trace", "composition", "balance", "claims", "claimable"})
"""Commands that answer with a list, which may be told as CSV."""
SUPPOSED = frozenset(
    {"lots", "trace", "composition", "balance", "claims", "claimable", "ingredients", "trial"}
)
"""Commands that may be asked of a cellar with events that are not recorded."""
LARGE = 8_000_000
"""Bytes of a file of events from which on their forms are checked while the load is replayed."""
NOBODY_READS = 141
"""Exit code where whoever was to read closed the pipe: neither yes nor no was told."""
STOPPED = 130


class _No(Exception):
    """The answer is no (exit 1)."""


@dataclass(frozen=True)
class Settings:
    """What the options before a command say."""

    ledger: Path
    as_of: str | None
    known_on: str | None
    units: str
    json: bool
    csv: bool
    wait: int
    supposed: tuple[str, ...] = ()


@app.callback()
def options(  # noqa: PLR0913  one parameter an option
    context: typer.Context,
    ledger: Annotated[
        Path, typer.Option(envvar="AMPELOG_LEDGER", help="The ledger's file.")
    ] = Path("cellar.duckdb"),
    as_of: Annotated[str | None, typer.Option(help="The cellar at the end of that day.")] = None,
    known_on: Annotated[
        str | None, typer.Option(help="Only what was recorded by a position or a day.")
    ] = None,
    units: Annotated[str, typer.Option(help="us or metric, for reading.")] = "us",
    json_: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="A list as CSV.")] = False,
    wait: Annotated[int, typer.Option(min=0, help="Seconds to wait for a busy ledger.")] = 10,
    with_: Annotated[
        list[str] | None,
        typer.Option("--with", help="Events of a file, as if they were recorded."),
    ] = None,
) -> None:
    """Keep what the options say for the command that follows."""
    if units not in ("us", "metric"):
        raise Refused(f"--units {units}: wanted `us` or `metric`")
    if json_ and csv:
        raise Refused("--json and --csv are both given; one is wanted")
    if csv and context.invoked_subcommand not in LISTS:
        raise Refused(
            f"--csv is for lists; `{context.invoked_subcommand}` answers with none",
            hint="use --json",
        )
    if with_ and context.invoked_subcommand not in SUPPOSED:
        raise Refused(
            f"--with: `{context.invoked_subcommand}` knows recorded events alone",
            hint=f"it is for {', '.join(sorted(SUPPOSED))}",
        )
    if with_ and known_on is not None:
        raise Refused(
            "--with and --known-on are both given; one is wanted",
            hint="what is supposed is seen with all that is known now; --as-of may stand beside it",
        )
    asked = (ledger, as_of, known_on, units, json_, csv, wait)
    context.obj = Settings(*asked, tuple(with_ or ()))


# Asking and telling


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
        moment, until = now(), end_of(ledger, asked.as_of)
        entries = unrecorded(asked, ledger, moment)
        with supposed(ledger, entries, by=login(), now=moment, until=until) as findings:
            say.findings(findings)
            yield View(ledger, asked.as_of)


def unrecorded(asked: Settings, ledger: Ledger, moment: int) -> list[Any]:
    """The events of the files that ``--with`` names; ``Refused`` where a line is none."""
    from ampelog.history import zone_of

    zone = zone_of(ledger)
    entries, problems = [], []
    for name in asked.supposed:
        found, wrong = read(name, zone, moment, _untold)
        entries += found
        problems += wrong
    if problems:
        raise Refused("what --with names holds lines that are no events", problems)
    return entries


def answered(asked: Settings, answer: Any, listed: Sequence[dict[str, Any]] = ()) -> bool:
    """Print JSON or CSV where asked; False leaves the printing for people to the command."""
    if asked.json:
        encoded = (sys.stdout.encoding or "").lower().startswith("utf")
        sys.stdout.write(json.dumps(answer, ensure_ascii=not encoded, indent=2) + "\n")
    elif asked.csv:
        sys.stdout.write(say.as_csv(listed))
    return asked.json or asked.csv


def at_head(head: Head) -> dict[str, Any]:
    """A head for JSON."""
    return {"position": head.position, "root": head.root}


def now() -> int:
    """The instant of recording."""
    from datetime import UTC, datetime

    from ampelog import moments

    return moments.from_stamp(moments.stamp(datetime.now(UTC)))


def login() -> str:
    """The login's name."""
    from getpass import getuser

    try:
        return getuser()
    except (KeyError, OSError):
        return "unknown"


# The log


@app.command()
def init(
    context: typer.Context,
    premises: Annotated[str, typer.Option(help="The home premises' name.")],
    timezone: Annotated[str, typer.Option(help="Its IANA zone, as America/Los_Angeles.")],
) -> None:
    """Make a ledger. Example: ampelog init --premises "Cold Creek" --timezone Europe/Paris"""
    from ampelog import upkeep

    asked: Settings = context.obj
    upkeep.init(asked.ledger, premises, timezone, login(), now())
    if not answered(asked, {"ledger": str(asked.ledger)}):
        say.line(f"{asked.ledger} is ready; its first event is the home premises {premises}.")


@app.command()
def load(
    context: typer.Context,
    files: Annotated[list[str], typer.Argument(help="JSONL files; - is standard input.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check only.")] = False,
) -> None:
    """Record the events of files: all of them or none. Example: ampelog load harvest.jsonl"""
    from ampelog.history import still, zone_of

    asked: Settings = context.obj
    with opened(asked, write=True) as ledger, still(), progress() as tick:
        zone, moment = zone_of(ledger), now()
        entries, problems = [], []
        for name in files:
            found, wrong = read(name, zone, moment, tick)
            entries += found
            problems += wrong
        recorded(asked, ledger, (entries, problems), moment, tick, dry_run=dry_run)


def read(name: str, zone: ZoneInfo, moment: int, tick: Any) -> tuple[list[Any], list[Any]]:
    """The entries of a file or of standard input, and what is wrong with its other lines."""
    from ampelog import lines

    said = "standard input" if name == "-" else name
    with reading(name) as stream:
        formed = name == "-" or Path(name).stat().st_size < LARGE

        def done(lines_read: int) -> None:
            tick("reading", lines_read, 0)

        return lines.read(stream, said, zone, moment, done, formed=formed)


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


def _untold(*_: Any) -> None:
    """Tells nobody: there is no terminal."""


@contextmanager
def progress() -> Iterator[Any]:
    """Tells on a terminal how far a long work is."""
    if not sys.stderr.isatty():
        yield _untold
        return
    from rich.console import Console

    with Console(stderr=True).status("") as status:

        def tick(what: str, done: int, total: int) -> None:
            of = f" of {total:,}" if total else ""
            status.update(f"{what}: {done:,}{of} events")

        yield tick


def recorded(
    asked: Settings,
    ledger: Ledger,
    load: tuple[list[Any], list[Any]],
    moment: int,
    tick: Any = None,
    *,
    dry_run: bool = False,
) -> None:
    """Record a load, entries and problems, and say what it did; ``tick`` is None for one event."""
    from ampelog.recording import record as record_load

    entries, problems = load
    done = record_load(
        ledger, entries, problems, by=login(), now=moment, dry_run=dry_run, tick=tick
    )
    _KEPT.append((entries, done))
    answer: dict[str, Any] = {
        "recorded": 0 if dry_run else done.recorded,
        "known": done.known,
        "head": at_head(done.head),
        "findings": [dict(vars(one)) for one in done.findings],
        "changes": [],
    }
    if dry_run:
        answer["would_record"] = done.recorded
    if tick is None:
        answer["id"] = done.ids[0] if done.ids else entries[0].event["id"]
    if answered(asked, answer):
        return
    say.findings(done.findings)
    events = "1 event" if done.recorded == 1 else f"{done.recorded:,} events"
    verb = "would be recorded" if dry_run else "recorded"
    known = f", {done.known:,} already known" if done.known else ""
    say.line(
        f"{events} {verb}{known}. Head: position {done.head.position}, root {done.head.root[:16]}…"
    )


@app.command()
def record(
    context: typer.Context,
    kind: Annotated[str, typer.Argument(help="The kind of event.")],
    pairs: Annotated[list[str] | None, typer.Argument(help="key=value, one a field.")] = None,
) -> None:
    """Record one event.

    Example: ampelog record top at=2024-11-05 from="TOP@T9 3 gal" to="24-SY@B-1..B-3 each 1 gal"
    """
    from ampelog import lines, shorthand
    from ampelog.history import zone_of
    from ampelog.moments import day_and_minute

    asked: Settings = context.obj
    event = shorthand.event(kind, pairs or [])
    with opened(asked, write=True) as ledger:
        moment, zone = now(), zone_of(ledger)
        event.setdefault("at", day_and_minute(moment, zone))
        found = lines.typed(event, "the event", zone, moment)
        if not isinstance(found, lines.Entry):
            raise Refused("nothing was recorded", found)
        recorded(asked, ledger, ([found], []), moment)


@app.command()
def log(  # noqa: PLR0913  one parameter a filter
    context: typer.Context,
    lot: Text = None,
    kind: Text = None,
    vessel: Text = None,
    block: Text = None,
    party: Text = None,
    material: Text = None,
    ref: Text = None,
    by: Text = None,
    since: Text = None,
    until: Text = None,
) -> None:
    """The events as recorded. Example: ampelog log --lot 24-SY --kind top"""
    from ampelog import listing, readout

    asked: Settings = context.obj
    wanted = listing.Wanted(lot, kind, vessel, block, party, material, ref, by, since, until)
    with viewed(asked) as view:
        rows = listing.log(view, wanted)
    if not answered(asked, rows, rows):
        readout.log(rows)


@app.command()
def export(
    context: typer.Context, out: Annotated[Path, typer.Option("-o", help="The file to write.")]
) -> None:
    """The whole log as JSONL, the backup. Example: ampelog export -o log.jsonl"""
    from ampelog import ledger as ledgers

    asked: Settings = context.obj
    if out.is_dir():
        raise Refused(f"{out} is a folder", hint="name a file, as in -o log.jsonl")
    with opened(asked) as ledger:
        events, head = ledgers.export(ledger, out)
    if not answered(asked, {"events": events, "head": at_head(head)}):
        say.line(f"{events:,} events written to {out}; root {head.root[:16]}…")


@app.command()
def restore(
    context: typer.Context,
    source: Annotated[Path, typer.Argument(metavar="FILE", help="An export.")],
) -> None:
    """A new ledger from a verified export. Example: ampelog restore log.jsonl"""
    from ampelog import ledger as ledgers
    from ampelog import upkeep

    asked: Settings = context.obj
    events, head = ledgers.restore(source, asked.ledger)
    upkeep.project(asked.ledger, asked.wait)
    if not answered(asked, {"events": events, "head": at_head(head)}):
        say.line(f"{events:,} events restored into {asked.ledger}; root {head.root[:16]}…")


@app.command()
def repair(context: typer.Context) -> None:
    """Rebuild the database from the journal, or a missing journal from the database.

    Example: ampelog repair
    """
    from ampelog import ledger as ledgers
    from ampelog import upkeep

    asked: Settings = context.obj
    head, kept = ledgers.repair(asked.ledger, asked.wait)
    upkeep.project(asked.ledger, asked.wait)
    names = [str(path) for path in kept]
    if not answered(asked, {"head": at_head(head), "kept": names}):
        say.line(
            f"repaired: position {head.position}, root {head.root[:16]}…; "
            f"the old files are kept: {', '.join(names) or 'none'}"
        )


@app.command()
def verify(context: typer.Context) -> None:
    """The log, its journal, the projection and the balances. Example: ampelog verify"""
    from ampelog import readout, upkeep

    asked: Settings = context.obj
    with opened(asked) as ledger:
        answer = upkeep.verify(ledger)
    if not answered(asked, answer):
        readout.verified(answer)
    if not answer["ok"]:
        raise _No


# The cellar


@app.command()
def lots(
    context: typer.Context,
    bottled: Annotated[bool, typer.Option("--bottled", help="Bottles, in cases.")] = False,
) -> None:
    """What is in the cellar. Example: ampelog lots --bottled"""
    from ampelog import readout, stock

    asked: Settings = context.obj
    with viewed(asked) as view:
        rows = stock.lots(view, bottled)
    if not answered(asked, rows, rows):
        readout.lots(rows, asked.units)


@app.command()
def trace(
    context: typer.Context,
    lot: Annotated[str | None, typer.Argument()] = None,
    code: Annotated[str | None, typer.Option(help="The mark on glass or case.")] = None,
    forward: Annotated[bool, typer.Option("--forward", help="Where it went.")] = False,
) -> None:
    """Back to the sources, or forward. Example: ampelog trace 22-RED"""
    from ampelog import readout, tracing

    asked: Settings = context.obj
    if (lot is None) == (code is None):
        raise Refused("name a lot, or --code with the mark on the bottle")
    with viewed(asked) as view:
        name = lot if lot is not None else tracing.coded(view, code or "")
        answer = tracing.ahead(view, name) if forward else tracing.back(view, name)
    if answered(asked, answer, answer["reaches" if forward else "sources"]):
        return
    if forward:
        readout.reaches(answer, asked.units)
    else:
        readout.trace(answer)


@app.command()
def composition(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    by: Annotated[str, typer.Option(help="Fields, comma between.")] = "variety",
    vessel: Text = None,
) -> None:
    """Exact joint shares. Example: ampelog composition 22-RED --by variety,vintage"""
    from ampelog import composing, readout

    asked: Settings = context.obj
    fields = composing.fields(by)
    with viewed(asked) as view:
        answer = composing.composition(view, lot, fields, vessel)
    if not answered(asked, answer, answer["shares"]):
        readout.composition(answer, fields, asked.units)


@app.command()
def balance(
    context: typer.Context,
    lot: Annotated[str | None, typer.Argument()] = None,
    since: Text = None,
    until: Text = None,
    by: Annotated[str | None, typer.Option(help="premises,owner")] = None,
) -> None:
    """In, out, lost and held, exactly. Example: ampelog balance --since 2024-01-01"""
    from ampelog import balance as balances
    from ampelog import readout

    asked: Settings = context.obj
    parts = [part.strip() for part in by.split(",")] if by else []
    with viewed(asked) as view:
        rows = balances.balance(view, lot, since, until, parts)
    if not answered(asked, rows, rows):
        readout.balance(rows, parts, asked.units)


# Deciding


@app.command()
def claims(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    market: Annotated[list[str] | None, typer.Option(help="A rule pack; may be repeated.")] = None,
) -> None:
    """May these statements be printed? Example: ampelog claims 22-RED --market us"""
    from ampelog import labelling, readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs(market or [])
    with viewed(asked) as view:
        answer = labelling.claims(view, lot, label, market or [])
    if not answered(asked, answer, answer["claims"]):
        readout.claims(answer, labelling.layers(answer["claims"]), NOTICE)
    if answer["verdict"] != "supported":
        raise _No


def _check_packs(markets: Sequence[str]) -> None:
    """Refuse a pack that is named on the command line and not here: a slip, most likely. What a
    label asks for stays undetermined instead."""
    from ampelog import rules

    known = rules.known()
    for name in markets:
        if name not in known:
            raise Refused(
                f"--market {name}: there is no such rule pack", hint=f"packs: {', '.join(known)}"
            )


@app.command()
def claimable(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    market: Annotated[list[str] | None, typer.Option(help="A rule pack; may be repeated.")] = None,
    label: Annotated[str | None, typer.Option(help="Only this label's statements.")] = None,
    adding: Annotated[str | None, typer.Option(help="The lot that would be added.")] = None,
) -> None:
    """What may be said, and what would end it. Example: ampelog claimable 24-SY --market us"""
    from ampelog import claimable as claimables
    from ampelog import readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs(market or [])
    with viewed(asked) as view:
        answer = claimables.claimable(view, lot, label, market or [], adding)
    if not answered(asked, answer, answer["claims"]):
        readout.claimable(answer, asked.units, NOTICE)


@app.command()
def ingredients(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    market: Annotated[str, typer.Option(help="The pack whose rules on ingredients hold.")] = "eu",
) -> None:
    """Ingredients and allergens. Example: ampelog ingredients 22-RED --market eu"""
    from ampelog import ingredients as lists
    from ampelog import readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs([market])
    with viewed(asked) as view:
        answer = lists.ingredients(view, lot, market)
    if not answered(asked, answer, answer["ingredients"]):
        readout.ingredients(answer, NOTICE)


@app.command()
def trial(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A trial, TOML or JSON.")],
    record: Annotated[bool, typer.Option("--record", help="Record the blend, once asked.")] = False,
    candidate: Annotated[str | None, typer.Option(help="The candidate to record.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Record it without being asked.")] = False,
) -> None:
    """A blend, tried and not recorded, or the best one. Example: ampelog trial stateline.toml"""
    from ampelog import recipe, trial_sheet
    from ampelog.verdicts import NOTICE

    asked: Settings = context.obj
    with reading(file) as stream:
        plan = recipe.read(stream.read(), file)
    if record:
        blended(asked, plan, candidate, sure=yes)
        return
    tried = tasted(asked, plan)[0]
    if not answered(asked, tried.told):
        trial_sheet.sheet(tried.told, asked.units, NOTICE)
    if not tried.yes:
        raise _No


def tasted(asked: Settings, plan: Recipe) -> tuple[Answered, Head]:
    """A recipe, tried; with the head that it was tried at."""
    from ampelog.trial import Asking, Trial
    from ampelog.trial_answer import answer

    if asked.known_on is not None:
        raise Refused(
            "a trial is of all that is known now; --known-on does not go with it",
            hint="--as-of tries it in the cellar of a past day",
        )
    _check_packs(plan.markets)
    with opened(asked, write=True) as ledger:
        moment = now()
        entries = tuple(unrecorded(asked, ledger, moment))
        tried = Trial(ledger, plan, Asking(login(), moment, asked.as_of, entries))
        return answer(tried), ledger.head


def blended(asked: Settings, plan: Recipe, candidate: str | None, *, sure: bool) -> None:
    """Record the blend of a recipe: shown in words, and asked for. Recorded twice, it is known."""
    from ampelog import lines, trial_sheet
    from ampelog.history import zone_of
    from ampelog.trial import recorded_before
    from ampelog.verdicts import NOTICE
    from ampelog.words import words

    if asked.supposed or asked.as_of is not None:
        raise Refused(
            "--record records what is so now; it goes neither with --with nor with --as-of",
            hint="record the events that the trial rests on first",
        )
    with opened(asked) as ledger:
        event = recorded_before(ledger, plan, candidate)
    head = None
    if event is None:
        tried, head = tasted(asked, plan)
        event = tried.event(candidate)
        if not asked.json:
            trial_sheet.sheet(tried.told, asked.units, NOTICE)
        say.note(f"To be recorded: {words(event)}")
        if not sure:
            agreed()
    with opened(asked, write=True) as ledger:
        if head is not None and ledger.head != head:
            raise Refused("nothing was recorded: the cellar changed meanwhile", hint="run it again")
        moment = now()
        found = lines.typed(event, "the blend", zone_of(ledger), moment)
        if not isinstance(found, lines.Entry):
            raise Refused("nothing was recorded", found)
        recorded(asked, ledger, ([found], []), moment)


def agreed() -> None:
    """Ask on the terminal whether to record; ``Refused`` where nobody is there, or says no."""
    if sys.stdin is None or not sys.stdin.isatty():
        raise Refused("nothing was recorded: nobody is there to be asked", hint="say --yes")
    if not typer.confirm("Record it?", err=True):
        raise Refused("nothing was recorded: you said no")


# On paper


@app.command()
def dossier(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """The lot's dossier. Example: ampelog dossier 22-RED -o 22-RED.pdf"""
    from ampelog import render, report

    asked: Settings = context.obj
    if paper not in render.PAPERS:
        raise Refused(f"--paper {paper}: wanted {' or '.join(render.PAPERS)}")
    with viewed(asked) as view:
        facts = report.dossier(view, lot, label)
    pages = render.write(facts, out, asked.units, paper)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")


# The edge

_ANYWHERE = {
    "--ledger": 1,
    "--as-of": 1,
    "--known-on": 1,
    "--units": 1,
    "--wait": 1,
    "--json": 0,
    "--csv": 0,
    "--with": 1,
}
"""Options that may stand anywhere, with how many words follow."""


def hoist(words: Sequence[str]) -> list[str]:
    """Move the options that may stand anywhere before the command."""
    front: list[str] = []
    rest: list[str] = []
    ahead = list(words)
    while ahead:
        word = ahead.pop(0)
        if word == "--":
            rest += [word, *ahead]
            break
        name, equals, _ = word.partition("=")
        if name in _ANYWHERE:
            front.append(word)
            follow = 0 if equals else _ANYWHERE[name]
            front, ahead = front + ahead[:follow], ahead[follow:]
        else:
            rest.append(word)
    return front + rest


def main(words: Sequence[str] | None = None) -> int:
    """Run the program; returns its exit code."""
    words = list(sys.argv[1:] if words is None else words)
    try:
        _check_text(words)
        app(args=hoist(words), prog_name="ampelog")
    except _No:
        return 1
    except SystemExit as ended:
        code = int(ended.code or 0)
        if code == STOPPED:
            say.note("stopped; nothing was half-recorded")
        return NOBODY_READS if code == 1 else code  # typer ends so on a closed pipe alone
    except AmpelogError as problem:
        return _refused(problem)
    except OSError as problem:  # what a ledger or a file raises is told where it is met
        say.note(f"error: {problem.filename or 'the output'}: {problem.strerror}", "red")
        return Unopenable.exit_code
    return 0


def _check_text(words: Sequence[str]) -> None:
    """Refuse words that are no text: bytes that a shell passed on and UTF-8 does not know."""
    for word in words:
        try:
            word.encode("utf-8")
        except UnicodeEncodeError:
            raise Refused(
                f"the argument `{word}` is not UTF-8", hint="type it again, or rename the file"
            ) from None


def _refused(problem: AmpelogError) -> int:
    """Say all that refuses, and what to do next."""
    found = getattr(problem, "findings", ())
    say.findings(found, "error")
    say.note(f"error: {problem.says}", "red")
    hint = problem.hint or ("mend what is named above, and run it again" if found else "")
    if hint:
        say.note(f"  hint: {hint}")
    return problem.exit_code


def run() -> None:
    """The program's entry: as ``main``, and the process ends at once."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started the program
            nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115  to the end
            setattr(sys, name, nowhere)
        else:  # a sign that the terminal does not know is told by its number
            stream.reconfigure(errors="backslashreplace")
    code = main()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except BrokenPipeError:
        code = code or NOBODY_READS
    except OSError as problem:
        say.note(f"error: the output: {problem.strerror}", "red")
        code = Unopenable.exit_code
    os._exit(code)
