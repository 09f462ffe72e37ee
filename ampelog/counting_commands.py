"""The commands of sheets to write on, and of the count that comes back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, say
from ampelog.asking import Settings, agreed, answered, app, at_head
from ampelog.errors import Refused
from ampelog.log_commands import changed
from ampelog.opening import opened, reading, viewed, written

if TYPE_CHECKING:
    from ampelog.counting import Filled
    from ampelog.errors import Finding
    from ampelog.ledger import Ledger
    from ampelog.lines import Entry
    from ampelog.printing import Made
    from ampelog.questions import View
    from ampelog.tables import Asked


@app.command()
def sheet(  # noqa: PLR0913  one parameter an option
    context: typer.Context,
    what: Annotated[str, typer.Argument(help="`morning`, `count`, or a file of planned events.")],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html; of a count also .csv.")],
    premises: Annotated[str | None, typer.Option(help="Of a count: there alone.")] = None,
    blind: Annotated[bool, typer.Option("--blind", help="A count without the book.")] = False,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    kind: Annotated[str | None, typer.Option(help="The kind of a table's rows.")] = None,
    dates: Annotated[str | None, typer.Option(help="dmy, mdy or ymd, in tables.")] = None,
    decimal: Annotated[str | None, typer.Option(help="comma or point, in tables.")] = None,
) -> None:
    """A sheet to write on: the morning's, a count's, of planned work.

    `morning` has every fermentation with room for today's figures, and what else needs a look. A
    plan is lines of JSON, a .csv or an .xlsx, as for `load`.
    Example: ampelog sheet morning -o morning.pdf
    """
    from ampelog import printing

    asked: Settings = context.obj
    printing.check_paper(paper)
    form = _form(what, kind, dates, decimal)
    if what != "count" and (premises or blind):
        raise Refused("--premises and --blind are for `sheet count`")
    with viewed(asked) as view:
        if what == "count" and out.suffix.lower() == ".csv":
            rows, pages = _count_csv(asked, view, out, premises, blind=blind), 1
        else:
            rows, made = _page(asked, view, (what, form), premises, blind=blind)
            pages = printing.write(made, out, paper)
    if not answered(asked, {"file": str(out), "pages": pages, "rows": rows}):
        say.line(f"{out}: {rows:,} {'row' if rows == 1 else 'rows'}")


def _form(what: str, kind: str | None, dates: str | None, decimal: str | None) -> Asked | None:
    """How a table of planned events is written; the sheets of the ledger have no need of it."""
    if what not in ("morning", "count"):
        return written(kind, None, dates, decimal)
    if kind or dates or decimal:
        raise Refused("--kind, --dates and --decimal are for a file of planned events")
    return None


def _count_csv(asked: Settings, view: View, out: Path, premises: str | None, *, blind: bool) -> int:
    """The count sheet as a table to fill in; the number of its rows."""
    from ampelog import counting, outlet

    rows = counting.sheet(view, asked.units, asking.today(view), premises)
    if blind:
        rows = [{**row, "book": ""} for row in rows]
    if out.exists():
        raise Refused(f"{out} is there already", hint="figures may stand in it; name another file")
    outlet.keep(say.as_csv(rows).encode(), out)
    return len(rows)


def _page(
    asked: Settings,
    view: View,
    said: tuple[str, Asked | None],
    premises: str | None,
    *,
    blind: bool,
) -> tuple[int, Made]:
    """The page, and how many rows it has."""
    from ampelog import count_page, counting, morning, morning_page
    from ampelog.facts import Head

    (what, form), today = said, asking.today(view)
    head = Head(view.ledger.ledger_id, view.head.position, view.head.root)
    home = str(view.ledger.home["name"])
    if what == "morning":
        found = morning.morning(view, today)
        rows = len(found.ferments) + found.looks
        return rows, morning_page.page(found, today, head, home, asked.units)
    if what == "count":
        counted = counting.sheet(view, asked.units, today, premises)
        return len(counted), count_page.count(counted, today, head, premises or home, blind=blind)
    events = _planned(view, what, form)
    return len(events), count_page.work(events, Path(what).stem, today, head, home)


def _planned(view: View, name: str, form: Asked | None) -> list[dict[str, Any]]:
    """The events of a file, which may be planned for a day to come."""
    from ampelog.moments import DAY
    from ampelog.opening import not_recorded

    years = 10 * 366 * DAY
    entries, problems = not_recorded(name, view.ledger, asking.now() + years, form)
    if problems:
        raise Refused(f"{name} holds what is no event", problems)
    return [one.event for one in sorted(entries, key=lambda one: one.instant)]


@app.command()
def count(
    context: typer.Context,
    file: Annotated[str, typer.Argument(help="A filled count sheet, .csv or .xlsx.")],
    at: Annotated[str | None, typer.Option(help="When it was counted; else now.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Record without asking.")] = False,
) -> None:
    """A filled count sheet beside the book, then recorded. Example: ampelog count count.csv"""
    from ampelog import counting_sheet

    asked: Settings = context.obj
    with opened(asked, write=True) as ledger:
        filled, moment = _filled(ledger, file, at)
        say.findings(filled.odd)
        rows = [one.row() for one in filled.counts]
        load = _entries(ledger, filled, moment)
        changes = changed(ledger, *load, moment, dry_run=False)
        if not asked.json:
            counting_sheet.sheet(filled, rows, asked.units, changes)
        if rows and not yes:
            agreed(f"Record {len(rows):,} measurements?")
        answer = _recorded(ledger, filled, load, moment) | {"changes": changes}
    if not answered(asked, {**answer, "differences": rows, "blank": filled.blank}):
        say.line(f"{answer['recorded']:,} measurements recorded.")


def _filled(ledger: Ledger, file: str, at: str | None) -> tuple[Filled, int]:
    """The filled sheet beside the book of the day on which it was counted."""
    from ampelog import counting, moments, walk
    from ampelog.questions import View

    with reading(file) as stream:
        walked = walk.walk(stream.read(), file)
    moment, view = asking.now(), View(ledger)
    said = at or moments.day_and_minute(moment, view.zone)
    if at is not None:
        view = _then(view, at)
    known = {key: one.event for key, one in ledger.known(counting.ids(view, walked)).items()}
    return counting.filled(view, walked, said, known, dated=at is not None), moment


def _then(view: View, at: str) -> View:
    """The cellar as it stood at a moment."""
    from ampelog import moments
    from ampelog.replay import fresh

    try:
        when = moments.instant(at, view.zone)
    except moments.NotATime as problem:
        raise Refused(f"--at: {problem}") from None
    steps = [step for step in view.steps if step.instant <= when]
    cellar, _ = fresh(steps, view.zone, registers=view.beginning().registers)
    return view.during(cellar, steps, when)


def _entries(ledger: Ledger, filled: Filled, moment: int) -> tuple[list[Entry], list[Finding]]:
    """The counts as events, and what is wrong with them."""
    from ampelog import lines
    from ampelog.history import zone_of

    entries: list[Entry] = []
    problems: list[Finding] = []
    for one in filled.counts:
        found = lines.typed(one.event, one.where, zone_of(ledger), moment)
        if isinstance(found, lines.Entry):
            entries.append(found)
        else:
            problems += found
    return entries, problems


def _recorded(
    ledger: Ledger, filled: Filled, load: tuple[list[Entry], list[Finding]], moment: int
) -> dict[str, Any]:
    """Record the counts as one load; what that did, for JSON."""
    from ampelog import recording

    entries, problems = load
    done = recording.record(ledger, entries, problems, by=asking.login(), now=moment)
    say.findings(done.findings)
    return {
        "recorded": done.recorded,
        "known": filled.known,
        "head": at_head(done.head),
        "findings": [one.row() for one in (*filled.odd, *done.findings)],
    }
