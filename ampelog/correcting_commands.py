"""The commands that correct: a copy of the event with other fields, shown before it is recorded,
and the corrections of a mix-up, written down to be looked through."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, say
from ampelog.asking import No, Settings, agreed, answered, app
from ampelog.errors import Refused
from ampelog.log_commands import Aside, changed, recorded
from ampelog.opening import opened

if TYPE_CHECKING:
    from ampelog.amending import Amended
    from ampelog.lines import Entry


@app.command()
def correct(
    context: typer.Context,
    which: Annotated[str, typer.Argument(metavar="POSITION", help="Position or id.")],
    pairs: Annotated[list[str] | None, typer.Argument(help="key=value, one a field.")] = None,
    reason: Annotated[str, typer.Option(help="Why it is corrected.")] = "",
    strike: Annotated[bool, typer.Option("--strike", help="It never happened.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Record without asking.")] = False,
) -> None:
    """Correct an event. Example: ampelog correct 517 mass="410 lb" --reason "misread tag" """
    from ampelog import correcting

    asked: Settings = context.obj
    with opened(asked, write=True) as ledger:
        moment = asking.now()
        event = correcting.correction(ledger, which, pairs or [], reason, strike=strike)
        entry = _entry(ledger, event, moment)
        changes = changed(ledger, [entry], [], moment, dry_run=True)
        _shown(asked, ledger, event, changes)
        if not yes:
            agreed()
        try:
            recorded(asked, ledger, ([entry], []), moment, aside=Aside(changes=changes))
        except Refused as refused:
            raise _shortened(refused) from None


MOST_TOLD = 8


def _shortened(refused: Refused) -> Refused:
    """A refusal that a whole cellar's later events repeat, told by the first of them."""
    if len(refused.findings) <= MOST_TOLD:
        return refused
    return Refused(
        f"nothing was recorded: {len(refused.findings)} later events rest on it; the first of them "
        "are named above, and what follows may follow from these",
        refused.findings[:MOST_TOLD],
        hint="correct what drew on it too, all in one file: ampelog load corrections.jsonl",
    )


def _entry(ledger: Any, event: dict[str, Any], moment: int) -> Entry:
    from ampelog import lines
    from ampelog.history import zone_of
    from ampelog.moments import day_and_minute

    zone = zone_of(ledger)
    event["at"] = day_and_minute(moment, zone)
    found = lines.typed(event, "the correction", zone, moment)
    if not isinstance(found, lines.Entry):
        raise Refused("nothing was recorded", found)
    return found


def _shown(
    asked: Settings, ledger: Any, event: dict[str, Any], changes: list[dict[str, Any]]
) -> None:
    """The event before and after, in words, and what that changes in earlier answers."""
    from ampelog import changes_sheet, correcting
    from ampelog.words import words

    before = correcting.reads_now(ledger, event["corrects"])
    say.note(f"It reads: {words(before)}" if before else "It is struck now.")
    after = event["replacement"]
    say.note(f"It will read: {words(after)}" if after else "It will be struck: it never happened.")
    if changes and not asked.json:
        changes_sheet.sheet(changes)


@app.command()
def amend(
    context: typer.Context,
    swap: Annotated[
        tuple[str, str], typer.Option("--swap", metavar="VESSEL VESSEL", help="Two vessels.")
    ],
    since: Annotated[str, typer.Option(help="From the beginning of this day.")],
    until: Annotated[str | None, typer.Option(help="To the end of this day.")] = None,
    reason: Annotated[str, typer.Option(help="How it is known.")] = "",
    out: Annotated[Path | None, typer.Option("-o", help="A .jsonl file to write.")] = None,
) -> None:
    """Two barrels taken for each other: the corrections, to look through and load. Example:
    ampelog amend --swap B-101 B-102 --since 2023-11-06 -o swap.jsonl"""
    from ampelog import amending
    from ampelog.history import zone_of
    from ampelog.moments import day_and_minute
    from ampelog.questions import View

    asked: Settings = context.obj
    mixed = amending.Mixed(*swap, since, until, reason)
    if out is not None and out.exists():
        raise Refused(f"{out} is there already", hint="name another file")
    moment = asking.now()
    with opened(asked, write=True) as ledger:
        found = amending.swap(View(ledger), mixed, day_and_minute(moment, zone_of(ledger)))
        changes = _changes(ledger, found, moment)
    _amended(asked, found, changes, out)


def _changes(ledger: Any, found: Sequence[Amended], moment: int) -> list[dict[str, Any]]:
    """What the corrections would change. ``Refused`` where they could not be recorded."""
    from ampelog import amending, consequences
    from ampelog.history import zone_of
    from ampelog.moments import day

    entries = [_entry(ledger, dict(one.correction), moment) for one in found]
    if not entries:
        return []
    today = day(moment, zone_of(ledger))
    try:
        return consequences.changes(ledger, entries, by=asking.login(), now=moment, today=today)
    except Refused as refused:
        raise amending.impossible(refused.findings) from None


def _amended(
    asked: Settings, found: Sequence[Amended], changes: list[dict[str, Any]], out: Path | None
) -> None:
    """The corrections as lines of JSON into a file, and in words."""
    from ampelog import changes_sheet, outlet
    from ampelog.words import words

    lines = "".join(json.dumps(one.correction, ensure_ascii=False) + "\n" for one in found)
    if out is not None and found:
        outlet.keep(lines.encode(), out)
    told = [
        {"corrects": one.correction["corrects"], "position": one.position}
        | {"before": one.before, "after": one.after}
        for one in found
    ]
    if not answered(asked, {"corrections": told, "changes": changes}):
        rows = [(str(one.position), words(one.before), words(one.after)) for one in found]
        if rows:
            say.table(rows, ("event", "reads now", "would read"))
            say.line("")
        if changes:
            changes_sheet.sheet(changes)
        _next(len(found), out)
    if not found:
        raise No


def _next(count: int, out: Path | None) -> None:
    """How many corrections there are, and how they are recorded."""
    if not count:
        say.line("No event of those days names one of these vessels without the other.")
        return
    many = "One correction" if count == 1 else f"{count} corrections"
    if out is None:
        say.line(f"{many}; nothing was recorded. -o FILE.jsonl writes them down to be loaded.")
    else:
        say.line(f"{many} in {out}; nothing was recorded. Look through them, then:")
        say.line(f"  ampelog load {out}")
