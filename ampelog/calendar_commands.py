"""The command of the calendar: what rests, what is due, what is held."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, say
from ampelog.asking import Settings, answered, app
from ampelog.errors import Refused
from ampelog.opening import viewed

if TYPE_CHECKING:
    from datetime import date

    from ampelog.questions import View


@app.command()
def calendar(  # one parameter an option
    context: typer.Context,
    everything: Annotated[bool, typer.Option("--all", help="Emptied lots too.")] = False,
    quarters: Annotated[bool, typer.Option("--quarters", help="By quarter, in cases.")] = False,
    vintage: Annotated[int | None, typer.Option(help="With --quarters: of that year.")] = None,
    ics: Annotated[Path | None, typer.Option(help="Write iCalendar.")] = None,
    out: Annotated[Path | None, typer.Option("-o", help="A .pdf or .html file.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """Bottle rest and release. Example: ampelog calendar --ics releases.ics"""
    from ampelog import calendar_sheet, releases

    asked: Settings = context.obj
    if vintage is not None and not quarters:
        raise Refused("--vintage goes with --quarters", hint="ampelog calendar --quarters")
    with viewed(asked) as view:
        today = asking.today(view)
        rows = releases.calendar(view, today, emptied=everything)
        by_quarter = releases.quarters(view, rows, vintage) if quarters else []
        _written(view, rows, today, (ics, out, paper))
    if answered(asked, by_quarter if quarters else rows, by_quarter if quarters else rows):
        return
    if quarters:
        calendar_sheet.quarters(by_quarter, vintage)
    else:
        calendar_sheet.sheet(rows, today)


def _written(
    view: View, rows: list[dict[str, Any]], today: date, to: tuple[Path | None, Path | None, str]
) -> None:
    """The files that were asked for, each told on standard error."""
    from ampelog import outlet, printing

    ics, out, paper = to
    premises = str(view.ledger.home["name"])
    printing.check_paper(paper)
    if out is not None:
        from ampelog.calendar_page import page
        from ampelog.facts import Head

        head = Head(view.ledger.ledger_id, view.head.position, view.head.root)
        pages = printing.write(page(rows, today, head, premises), out, paper)
        say.note(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")
    if ics is not None:
        from ampelog.appointments import icalendar

        outlet.keep(icalendar(view, rows, premises), ics)
        say.note(f"{ics}: {sum(row['release_on'] is not None for row in rows)} entries")
