"""The command line: parse, call one function, print. The one place with exit codes and a clock.

Exit codes: 0 done or yes; 1 the answer is no; 2 the command or the input was refused; 3 the
ledger cannot be opened or read.
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
from ampelog.errors import AmpelogError, Refused

if TYPE_CHECKING:
    from ampelog.ledger import Ledger
    from ampelog.questions import View

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "A cellar's log, and what its labels may say. Options that come before a command "
        "(--ledger, --as-of, --known-on, --units, --json, --csv, --wait) may stand after it too."
    ),
)


@dataclass
class Settings:
    """What the options before a command say."""

    ledger: Path
    as_of: str | None
    known_on: str | None
    units: str
    json: bool
    csv: bool
    wait: float


_SETTINGS: list[Settings] = []


def settings() -> Settings:
    """The options of this run."""
    return _SETTINGS[-1]


@app.callback()
def options(  # noqa: PLR0913  one parameter an option
    ledger: Annotated[Path, typer.Option(envvar="AMPELOG_LEDGER", help="The ledger's file.")] = Path(
        "cellar.duckdb"
    ),
    as_of: Annotated[str | None, typer.Option(help="The cellar at the end of that day.")] = None,
    known_on: Annotated[
        str | None, typer.Option(help="Only what was recorded by a position or a day.")
    ] = None,
    units: Annotated[str, typer.Option(help="us or metric, for reading.")] = "metric",
    json_: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="A list as CSV.")] = False,
    wait: Annotated[int, typer.Option(help="Seconds to wait for a busy ledger.")] = 10,
) -> None:
    """Keep what the options say for the command that follows."""
    if units not in ("us", "metric"):
        raise Refused(f"--units {units}: wanted `us` or `metric`")
    if json_ and csv:
        raise Refused("--json and --csv are both given; one is wanted")
    _SETTINGS.append(Settings(ledger, as_of, known_on, units, json_, csv, wait))


# Asking and telling


@contextmanager
def opened(*, write: bool = False) -> Iterator[Ledger]:
    """The ledger, open; what it noticed while opening goes to standard error."""
    from ampelog import ledger as ledgers  # noqa: PLC0415  start-up time is felt

    with ledgers.opened(settings().ledger, write=write, wait=settings().wait) as ledger:
        yield ledger
        say.findings(ledger.notices, "notice")


@contextmanager
def viewed() -> Iterator[View]:
    """The cellar that the question is about."""
    from ampelog.questions import View  # noqa: PLC0415  start-up time is felt

    with opened() as ledger:
        yield View(ledger, settings().as_of, settings().known_on)


def told(answer: Any, listed: Sequence[dict[str, Any]] | None = None) -> bool:
    """Print JSON or CSV where asked; False leaves the printing for people to the command."""
    if settings().json:
        sys.stdout.write(json.dumps(answer, ensure_ascii=False, indent=2) + "\n")
        return True
    if settings().csv:
        if listed is None:
            raise Refused("--csv is for lists; this answer is none", hint="use --json")
        sys.stdout.write(say.as_csv(listed))
        return True
    return False


def now() -> int:
    """The instant of recording."""
    from datetime import UTC, datetime  # noqa: PLC0415  start-up time is felt

    from ampelog import moments  # noqa: PLC0415

    return moments.from_stamp(moments.stamp(datetime.now(UTC)))


def login() -> str:
    """The login's name."""
    from getpass import getuser  # noqa: PLC0415  start-up time is felt

    try:
        return getuser()
    except (KeyError, OSError):
        return "unknown"


def as_json(found: Sequence[Any]) -> list[dict[str, Any]]:
    """Findings for JSON."""
    return [dict(vars(one)) for one in found]


# The log


@app.command()
def init(
    premises: Annotated[str, typer.Option(help="The home premises' name.")],
    timezone: Annotated[str, typer.Option(help="Its IANA zone, as America/Los_Angeles.")],
) -> None:
    """Make a ledger. Example: ampelog init --premises "Cold Creek" --timezone Europe/Paris"""
    from ampelog import upkeep  # noqa: PLC0415  start-up time is felt

    path = settings().ledger
    upkeep.init(path, premises, timezone, login(), now())
    if not told({"ledger": str(path)}):
        say.line(f"{path} is ready; its first event is the home premises `{premises}`.")


@app.command()
def load(
    files: Annotated[list[str], typer.Argument(help="JSONL files; - is standard input.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check only.")] = False,
) -> None:
    """Record the events of files: all of them or none. Example: ampelog load harvest.jsonl"""
    from ampelog import lines  # noqa: PLC0415  start-up time is felt
    from ampelog.history import still, zone_of  # noqa: PLC0415

    with opened(write=True) as ledger, still(), progress() as tick:
        zone, moment = zone_of(ledger), now()
        entries, problems = [], []
        for name in files:
            with reading(name) as stream:
                found, wrong = lines.read(
                    stream, "standard input" if name == "-" else name, zone, moment,
                    lambda done: tick("reading", done, 0),
                )
            entries += found
            problems += wrong
        recorded(ledger, entries, problems, dry_run, tick, moment)


@contextmanager
def reading(name: str) -> Iterator[Any]:
    """The bytes of a file or of standard input."""
    if name == "-":
        yield sys.stdin.buffer
        return
    try:
        stream = Path(name).open("rb")
    except OSError as problem:
        raise Refused(f"{name}: {problem.strerror}") from None
    with stream:
        yield stream


@contextmanager
def progress() -> Iterator[Any]:
    """Tells on a terminal how far a long work is."""
    if not sys.stderr.isatty():
        yield lambda what, done, total: None
        return
    with say.console(to_error=True).status("") as status:

        def tick(what: str, done: int, total: int) -> None:
            of = f" of {total:,}" if total else ""
            status.update(f"{what}: {done:,}{of} events")

        yield tick


def recorded(  # noqa: PLR0913  one load and how it was asked for
    ledger: Ledger, entries: Any, problems: Any, dry_run: bool, tick: Any, moment: int,
    ids: bool = False,
) -> None:
    """Record a load and say what it did."""
    from ampelog.recording import record as record_load  # noqa: PLC0415  start-up time is felt

    done = record_load(
        ledger, entries, problems, by=login(), now=moment, dry_run=dry_run, tick=tick
    )
    answer: dict[str, Any] = {
        "recorded": 0 if dry_run else done.recorded,
        "known": done.known,
        "head": {"position": done.head.position, "root": done.head.root},
        "findings": as_json(done.findings),
        "changes": [],
    }
    if dry_run:
        answer["would_record"] = done.recorded
    if ids:
        answer["id"] = done.ids[0] if done.ids else entries[0].event.get("id")
    if told(answer):
        return
    say.findings(done.findings)
    events = "1 event" if done.recorded == 1 else f"{done.recorded:,} events"
    verb = "would be recorded" if dry_run else "recorded"
    known = f", {done.known:,} already known" if done.known else ""
    say.line(f"{events} {verb}{known}. Head: position {done.head.position}, "
             f"root {done.head.root[:16]}…")


@app.command()
def record(
    kind: Annotated[str, typer.Argument(help="The kind of event.")],
    pairs: Annotated[list[str] | None, typer.Argument(help="key=value, one a field.")] = None,
) -> None:
    """Record one event. Example: ampelog record top at=2024-11-05 from="TOP@T9 3 gal"
    to="24-SY@B-101..B-103 each 1 gal\""""
    from ampelog import lines, shorthand  # noqa: PLC0415  start-up time is felt
    from ampelog.history import zone_of  # noqa: PLC0415
    from ampelog.moments import day_and_minute  # noqa: PLC0415

    event = shorthand.event(kind, pairs or [])
    with opened(write=True) as ledger:
        moment, zone = now(), zone_of(ledger)
        event.setdefault("at", day_and_minute(moment, zone))
        found = lines.entry(lines.normal(event), "the event", zone, moment)
        one = isinstance(found, lines.Entry)
        entries, problems = ([found], []) if one else ([], list(found))
        if problems:
            raise Refused("nothing was recorded", problems)
        recorded(ledger, entries, problems, False, None, moment, ids=True)


@app.command()
def log(  # noqa: PLR0913  one parameter a filter
    lot: Annotated[str | None, typer.Option()] = None,
    kind: Annotated[str | None, typer.Option()] = None,
    vessel: Annotated[str | None, typer.Option()] = None,
    block: Annotated[str | None, typer.Option()] = None,
    party: Annotated[str | None, typer.Option()] = None,
    material: Annotated[str | None, typer.Option()] = None,
    ref: Annotated[str | None, typer.Option()] = None,
    by: Annotated[str | None, typer.Option()] = None,
    since: Annotated[str | None, typer.Option()] = None,
    until: Annotated[str | None, typer.Option()] = None,
) -> None:
    """The events as recorded. Example: ampelog log --lot 24-SY --kind top"""
    from ampelog.listing import Wanted, log as listed  # noqa: PLC0415  start-up time is felt
    from ampelog.words import words  # noqa: PLC0415

    wanted = Wanted(lot, kind, vessel, block, party, material, ref, by, since, until)
    with viewed() as view:
        rows = listed(view, wanted)
    if told(rows, rows):
        return
    say.table(
        [
            [
                str(row["position"]), row["at"], row["kind"], words(row), row.get("ref", ""),
                f"corrected by {row['corrected_by']}" if "corrected_by" in row
                else f"corrects {row['corrects_position']}" if "corrects_position" in row else "",
            ]
            for row in rows
        ],
        ["no.", "when", "kind", "what happened", "paper", "correction"],
        right=(0,),
    )


@app.command()
def export(out: Annotated[Path, typer.Option("-o", help="The file to write.")]) -> None:
    """The whole log as JSONL: the open form, and the backup. Example: ampelog export -o log.jsonl"""
    from ampelog import ledger as ledgers  # noqa: PLC0415  start-up time is felt

    with opened() as ledger:
        events, head = ledgers.export(ledger, out)
    if not told({"events": events, "head": {"position": head.position, "root": head.root}}):
        say.line(f"{events:,} events written to {out}; root {head.root[:16]}…")


@app.command()
def restore(source: Annotated[Path, typer.Argument(metavar="FILE", help="An export.")]) -> None:
    """A new ledger from an export; every hash and seal is verified. Example: ampelog restore log.jsonl"""
    from ampelog import ledger as ledgers, upkeep  # noqa: PLC0415  start-up time is felt

    events, head = ledgers.restore(source, settings().ledger)
    upkeep.project(settings().ledger)
    if not told({"events": events, "head": {"position": head.position, "root": head.root}}):
        say.line(f"{events:,} events restored into {settings().ledger}; root {head.root[:16]}…")


@app.command()
def repair() -> None:
    """Rebuild the database from the journal, or a missing journal from the database.
    Example: ampelog repair"""
    from ampelog import ledger as ledgers, upkeep  # noqa: PLC0415  start-up time is felt

    head, kept = ledgers.repair(settings().ledger)
    upkeep.project(settings().ledger)
    names = [str(path) for path in kept]
    if not told({"head": {"position": head.position, "root": head.root}, "kept": names}):
        say.line(f"repaired: position {head.position}, root {head.root[:16]}…; "
                 f"the old files are kept: {', '.join(names) or 'none'}")


@app.command()
def verify() -> None:
    """The log, its journal, the projection and the balances. Example: ampelog verify"""
    from ampelog import upkeep  # noqa: PLC0415  start-up time is felt

    with opened() as ledger:
        answer = upkeep.verify(ledger)
    if not told(answer):
        for what, count in answer["checked"].items():
            say.line(f"{what}: {count:,} checked")
        for one in answer["findings"]:
            say.note(f"{one['where']}: {one['says']}  [{one['rule']}]")
        say.line("All is well." if answer["ok"] else "Damage was found.")
    if not answer["ok"]:
        raise typer.Exit(1)


# The cellar


@app.command()
def lots(bottled: Annotated[bool, typer.Option("--bottled", help="Bottles, in cases.")] = False) -> None:
    """What is in the cellar. Example: ampelog lots --bottled"""
    from ampelog import stock  # noqa: PLC0415  start-up time is felt

    with viewed() as view:
        rows = stock.lots(view, bottled)
    if told(rows, rows):
        return
    say.table(
        [
            [
                row["lot"], row["state"], amount(row), row.get("bottles", ""),
                row.get("cases", ""), lies(row), "on hold" if row.get("holds") else "",
            ]
            for row in rows
        ],
        ["lot", "state", "held", "bottles", "9 L cases", "in", ""],
        right=(2, 3, 4),
    )


def amount(row: dict[str, Any]) -> str:
    """A row's volume or mass for reading."""
    if "mass_kg" in row:
        return say.mass(row["mass_kg"], settings().units)
    return say.volume(row["volume_l"], settings().units)


def lies(row: dict[str, Any]) -> str:
    """Where a lot lies, in a few words."""
    names = [holding["vessel"] for holding in row["holdings"] if holding["vessel"] is not None]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


@app.command()
def trace(
    lot: Annotated[str | None, typer.Argument()] = None,
    code: Annotated[str | None, typer.Option(help="The mark on glass or case.")] = None,
    forward: Annotated[bool, typer.Option("--forward", help="Where it went.")] = False,
) -> None:
    """Back to the sources, or forward. Example: ampelog trace 22-RED"""
    from ampelog import tracing  # noqa: PLC0415  start-up time is felt

    if (lot is None) == (code is None):
        raise Refused("name a lot, or --code with the mark on the bottle")
    with viewed() as view:
        name = lot if lot is not None else tracing.coded(view, code or "")
        answer = tracing.ahead(view, name) if forward else tracing.back(view, name)
    if told(answer, answer["reaches" if forward else "sources"]):
        return
    if forward:
        heads = ["lot", "share of it", "holds"]
        body = [[r["lot"], say.percent(r["share"], 3), amount(r)] for r in answer["reaches"]]
        say.table(body, heads, right=(1, 2), title=f"Where {name} went")
        return
    traced(answer)


def traced(answer: dict[str, Any]) -> None:
    """A trace for people."""
    say.table(
        [
            [
                source["picked_on"] or "", source["block"] or source.get("material") or "",
                source["variety"] or "unknown" if not source.get("material") else "",
                str(source["vintage"] or ""), source["lot"] or "", source["role"] or "",
                say.percent(source["share"], 3),
            ]
            for source in answer["sources"]
        ],
        ["picked", "block", "variety", "vintage", "came in as", "role", "share"],
        right=(6,),
        title=f"{answer['lot']} comes from",
    )
    say.line("")
    say.table(
        [
            [row["lot"], say.percent(row["share"], 3), ferments(row)]
            for row in answer["through"]
        ],
        ["passed through", "share", "fermented"],
        right=(1,),
    )


def ferments(row: dict[str, Any]) -> str:
    """The fermentations of a lot in words."""
    found = dict.fromkeys(
        " · ".join(
            part for part in (one["vessel"], one["organism"], one["regime_in_words"]) if part
        )
        for one in row["ferment"]
    )
    return "\n".join(found)


@app.command()
def composition(
    lot: Annotated[str, typer.Argument()],
    by: Annotated[str, typer.Option(help="Fields, comma between.")] = "variety",
    vessel: Annotated[str | None, typer.Option()] = None,
) -> None:
    """Exact joint shares. Example: ampelog composition 22-RED --by variety,vintage"""
    from ampelog import composing  # noqa: PLC0415  start-up time is felt

    fields = composing.fields(by)
    with viewed() as view:
        answer = composing.composition(view, lot, fields, vessel)
    if told(answer, answer["shares"]):
        return
    say.table(
        [
            [*(shown(row[name], row) for name in fields), say.percent(row["share"], 4)]
            for row in answer["shares"]
        ],
        [*fields, "share"],
        right=(len(fields),),
        title=f"{lot}, {amount(answer)}",
    )


def shown(value: Any, row: dict[str, Any]) -> str:
    """A field's value for reading."""
    if value is None:
        return row.get("material") or "unknown"
    return str(value).lower() if isinstance(value, bool) else str(value)


@app.command()
def balance(
    lot: Annotated[str | None, typer.Argument()] = None,
    since: Annotated[str | None, typer.Option()] = None,
    until: Annotated[str | None, typer.Option()] = None,
    by: Annotated[str | None, typer.Option(help="premises,owner")] = None,
) -> None:
    """In, out, lost and held, exactly. Example: ampelog balance --since 2024-01-01"""
    from ampelog import balance as balances  # noqa: PLC0415  start-up time is felt

    parts = [part.strip() for part in by.split(",")] if by else []
    with viewed() as view:
        rows = balances.balance(view, lot, since, until, parts)
    if told(rows, rows):
        return
    figures = ("opening", "in", "out", "lost", "gained", "held", "difference")
    say.table(
        [
            [
                row["lot"], row["unit"], *(balances.shown(row[figure]) for figure in figures),
                *(row[part] or "" for part in parts),
            ]
            for row in rows
        ],
        ["lot", "", *figures, *parts],
        right=tuple(range(2, 9)),
    )


# Deciding


@app.command()
def claims(
    lot: Annotated[str, typer.Argument()],
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    market: Annotated[list[str] | None, typer.Option(help="A rule pack; may be repeated.")] = None,
) -> None:
    """May these statements be printed? Example: ampelog claims 22-RED --market us"""
    from ampelog import labelling  # noqa: PLC0415  start-up time is felt
    from ampelog.claims import NOTICE  # noqa: PLC0415

    with viewed() as view:
        answer = labelling.claims(view, lot, label, market or [])
    if not told(answer, answer["claims"]):
        judged(answer, NOTICE)
    if answer["verdict"] != "supported":
        raise typer.Exit(1)


def judged(answer: dict[str, Any], notice: str) -> None:
    """Verdicts for people."""
    whole = say.VERDICTS[answer["verdict"]]
    say.table(
        [
            [
                row["claim"], row["statement"], say.VERDICTS[row["verdict"]],
                say.percent(row["required"]), say.percent(row["actual"], 3),
                row["why"], row["citation"] or "",
            ]
            for row in answer["claims"]
        ],
        ["claim", "statement", "verdict", "needed", "there", "why", "rule"],
        right=(3, 4),
        title=f"{answer['lot']} under the label {answer['label']}: {whole}",
    )
    say.line("")
    say.line(notice)


# On paper


@app.command()
def dossier(
    lot: Annotated[str, typer.Argument()],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
) -> None:
    """The lot's dossier. Example: ampelog dossier 22-RED -o 22-RED.pdf"""
    from ampelog import render, report  # noqa: PLC0415  start-up time is felt

    with viewed() as view:
        facts = report.dossier(view, lot)
        written = render.write(facts, out, units=settings().units)
    answer = {"file": str(out), "pages": written, "head": {
        "position": facts.head.position, "root": facts.head.root}}
    if not told(answer):
        say.line(f"{out}: {written} pages")


# The edge

_ANYWHERE = {
    "--ledger": 1, "--as-of": 1, "--known-on": 1, "--units": 1, "--wait": 1, "--json": 0, "--csv": 0,
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
        if name in _ANYWHERE and word.startswith("--"):
            front.append(word)
            for _ in range(0 if equals else _ANYWHERE[name]):
                front += ahead[:1]
                ahead = ahead[1:]
        else:
            rest.append(word)
    return front + rest


def main(words: Sequence[str] | None = None) -> int:
    """Run the program; returns its exit code."""
    words = sys.argv[1:] if words is None else words
    try:
        app(args=hoist(words), prog_name="ampelog", standalone_mode=False)
    except AmpelogError as problem:
        say.findings(getattr(problem, "findings", ()), "error")
        say.note(f"error: {problem.says}", "bold red")
        if problem.hint:
            say.note(f"  hint: {problem.hint}")
        return problem.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        say.note("stopped; nothing half-recorded")
        return 130
    return 0
