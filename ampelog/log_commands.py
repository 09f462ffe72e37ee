"""The commands of the log: what is recorded, kept and proved."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer

from ampelog import asking, completing, say
from ampelog.asking import No, OfLot, OfVessel, Settings, Text, answered, app, at_head
from ampelog.errors import Refused
from ampelog.opening import opened, progress, viewed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ampelog.consequences import Consequences
    from ampelog.errors import Finding
    from ampelog.ledger import Ledger
    from ampelog.recording import Recorded

_KEPT: list[object] = []
"""What a load leaves behind; ``cli.run`` ends the process without freeing it piece by piece."""


MOST_NOTED = 20
"""Slips of one load that are told; the others are counted."""


@app.command()
def init(
    context: typer.Context,
    premises: Annotated[str, typer.Option(help="The home premises' name.")],
    timezone: Annotated[str, typer.Option(help="Its IANA zone, as America/Los_Angeles.")],
) -> None:
    """Make a ledger. Example: ampelog init --premises "Cold Creek" --timezone Europe/Paris"""
    from ampelog import upkeep

    asked: Settings = context.obj
    upkeep.init(asked.ledger, premises, timezone, asking.login(), asking.now())
    if not answered(asked, {"ledger": str(asked.ledger)}):
        say.line(f"{asked.ledger} is ready; its first event is the home premises {premises}.")


@app.command()
def load(
    context: typer.Context,
    files: Annotated[list[str], typer.Argument(help="JSONL, .csv or .xlsx; - is standard input.")],
    kind: Annotated[str | None, typer.Option(help="The kind of a table's rows.")] = None,
    columns: Annotated[
        Path | None, typer.Option(help="A TOML file that maps your own column names.")
    ] = None,
    dates: Annotated[str | None, typer.Option(help="dmy, mdy or ymd, in tables.")] = None,
    decimal: Annotated[str | None, typer.Option(help="comma or point, in tables.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check only.")] = False,
) -> None:
    """Record the events of files: all of them or none.

    A row of a table is an event; rows that share what stands in their column `event` are one event
    with several endpoints. `template` prints the columns. Example: ampelog load harvest.jsonl
    """
    from ampelog import slips
    from ampelog.history import still
    from ampelog.opening import gathered, written

    asked: Settings = context.obj
    form = written(kind, columns, dates, decimal)
    with opened(asked, write=True) as ledger, still(), progress() as tick:
        moment = asking.now()
        found, known = gathered(ledger, files, form, moment, tick)
        load, aside = (found.entries, found.problems), Aside(found.odd, known)
        odd = [] if found.problems else slips.among(ledger, found.entries, moment)
        recorded(asked, ledger, load, moment, tick, dry_run=dry_run, aside=aside)
    _noted(odd)


def _noted(odd: Sequence[Finding]) -> None:
    """What may be a slip, on standard error: it was recorded, and is to be looked at."""
    say.findings(odd[:MOST_NOTED], "look")
    if len(odd) > MOST_NOTED:
        say.note(f"and {len(odd) - MOST_NOTED:,} more that may be slips")


class Aside(NamedTuple):
    """What is known of a load beside its entries: what was noticed while tables were read, the rows
    of them that are known, and, where that was worked out and shown, what it changes."""

    odd: Sequence[Finding] = ()
    rows: Sequence[str] = ()
    changes: list[dict[str, Any]] | None = None


NOTHING = Aside()


def recorded(
    asked: Settings,
    ledger: Ledger,
    load: tuple[list[Any], list[Any]],
    moment: int,
    tick: Any = None,
    *,
    dry_run: bool = False,
    aside: Aside = NOTHING,
) -> None:
    """Record a load, entries and problems, and say what it did; ``tick`` is None for one event."""
    from ampelog.recording import record as record_load

    entries, problems = load
    odd, rows, changes = aside
    asks = None
    if changes is None:
        asks = asked_of(ledger, entries, problems, moment, dry_run=dry_run)
        entries = entries if asks is None else list(asks.entries)
    with progress() if tick is None else nullcontext(tick) as told_of:
        done = record_load(
            ledger,
            entries,
            problems,
            by=asking.login(),
            now=moment,
            dry_run=dry_run,
            tick=told_of,
            ask=None if asks is None else asks.ask,
        )
    told = [] if asks is None else asks.rows
    _KEPT.append((entries, done))
    answer: dict[str, Any] = {
        "recorded": 0 if dry_run else done.recorded,
        "known": done.known,
        "head": at_head(done.head),
        "findings": [one.row() for one in (*odd, *done.findings)],
        "changes": told if changes is None else changes,
    }
    if dry_run:
        answer["would_record"] = done.recorded
    if tick is None:
        answer["id"] = done.ids[0] if done.ids else entries[0].event["id"]
    if rows:
        answer["known_rows"] = list(rows)
    if answered(asked, answer):
        return
    say.findings((*odd, *done.findings))
    if rows:
        from ampelog.again import listed

        for line in listed(rows):
            say.note(line)
    if told:
        from ampelog import changes_sheet

        changes_sheet.sheet(told)
    say.line(_counted(done, dry_run=dry_run))


def _counted(done: Recorded, *, dry_run: bool) -> str:
    events = "1 event" if done.recorded == 1 else f"{done.recorded:,} events"
    verb = "would be recorded" if dry_run else "recorded"
    known = f", {done.known:,} already known" if done.known else ""
    head = f"Head: position {done.head.position}, root {done.head.root[:16]}…"
    return f"{events} {verb}{known}. {head}"


def asked_of(
    ledger: Ledger, entries: list[Any], problems: Sequence[Any], moment: int, *, dry_run: bool
) -> Consequences | None:
    """What will be asked of a load that may change earlier answers: of one that is late or
    corrects, and of a trial run. Of a load that will be refused nothing is."""
    if not _may_change(ledger, entries, problems, dry_run=dry_run):
        return None
    from ampelog import consequences, moments
    from ampelog.history import zone_of
    from ampelog.recording import formed

    entries, wrong = formed(ledger, entries, moment)
    if wrong:
        return None
    return consequences.Consequences(ledger, entries, moments.day(moment, zone_of(ledger)))


def changed(
    ledger: Ledger, entries: list[Any], problems: Sequence[Any], moment: int, *, dry_run: bool
) -> list[dict[str, Any]]:
    """What a load would change in earlier answers, where it may; nothing is recorded. A load that
    will be refused changes nothing, and says why itself."""
    if not _may_change(ledger, entries, problems, dry_run=dry_run):
        return []
    from ampelog import consequences, moments
    from ampelog.history import zone_of

    today = moments.day(moment, zone_of(ledger))
    try:
        with progress() as tick:
            return consequences.changes(
                ledger, entries, by=asking.login(), now=moment, today=today, tick=tick
            )
    except Refused:
        return []


def _may_change(
    ledger: Ledger, entries: list[Any], problems: Sequence[Any], *, dry_run: bool
) -> bool:
    from ampelog.lateness import reaches_back

    return bool(entries) and not problems and (dry_run or reaches_back(ledger, entries))


@app.command()
def log(  # noqa: PLR0913  one parameter a filter
    context: typer.Context,
    lot: OfLot = None,
    kind: Annotated[str | None, typer.Option(autocompletion=completing.kinds)] = None,
    vessel: OfVessel = None,
    block: Annotated[str | None, typer.Option(autocompletion=completing.blocks)] = None,
    party: Annotated[str | None, typer.Option(autocompletion=completing.parties)] = None,
    material: Annotated[str | None, typer.Option(autocompletion=completing.materials)] = None,
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
    from ampelog import upkeep

    asked: Settings = context.obj
    events, head = upkeep.restore(source, asked.ledger)
    if not answered(asked, {"events": events, "head": at_head(head)}):
        say.line(f"{events:,} events restored into {asked.ledger}; root {head.root[:16]}…")


@app.command()
def repair(context: typer.Context) -> None:
    """Rebuild the database from the journal, or a missing journal from the database.

    Example: ampelog repair
    """
    from ampelog import upkeep

    asked: Settings = context.obj
    head, kept = upkeep.repair(asked.ledger, asked.wait)
    names = [str(path) for path in kept]
    if not answered(asked, {"head": at_head(head), "kept": names}):
        say.line(
            f"repaired: position {head.position}, root {head.root[:16]}…; "
            f"the old files are kept: {', '.join(names) or 'none'}"
        )


@app.command()
def verify(
    context: typer.Context,
    dossier: Annotated[
        Path | None, typer.Option(help="A dossier's PDF, checked by what it carries.")
    ] = None,
) -> None:
    """The log, its journal, the projection and the balances; or a dossier that was handed on.

    Example: ampelog verify --dossier 22-RED.pdf
    """
    from ampelog import readout, upkeep

    asked: Settings = context.obj
    if dossier is not None:
        answer = _attested(asked, dossier)
    else:
        with opened(asked) as ledger:
            answer = upkeep.verify(ledger)
    if not answered(asked, answer):
        (readout.verified if dossier is None else readout.attested)(answer)
    if not answer["ok"]:
        raise No


def _attested(asked: Settings, path: Path) -> dict[str, Any]:
    """A dossier's PDF held against its evidence, and against the ledger where there is one."""
    from ampelog import attesting
    from ampelog.journal import Files
    from ampelog.opening import reading

    with reading(str(path)) as stream:
        content = stream.read()
    files = Files(asked.ledger)
    if not files.database.exists() and not files.journal.exists():
        return attesting.verify(content, path.name, None)
    with opened(asked) as ledger:
        return attesting.verify(content, path.name, ledger)
