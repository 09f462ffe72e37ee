"""The command that corrects: a copy of the event with other fields, shown before it is recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, say
from ampelog.asking import Settings, agreed, app
from ampelog.errors import Refused
from ampelog.log_commands import Aside, changed, recorded
from ampelog.opening import opened

if TYPE_CHECKING:
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
        recorded(asked, ledger, ([entry], []), moment, aside=Aside(changes=changes))


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
