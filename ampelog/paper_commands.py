"""The commands of paper: what is handed out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampelog import say
from ampelog.asking import Settings, answered, app
from ampelog.errors import Refused
from ampelog.opening import viewed

if TYPE_CHECKING:
    from ampelog.facts import Dossier
    from ampelog.parcel import Asked
    from ampelog.printing import Attached
    from ampelog.questions import View


@app.command()
def dossier(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    for_: Annotated[
        str | None, typer.Option("--for", help="auditor: the evidence is not masked.")
    ] = None,
    evidence: Annotated[
        bool, typer.Option("--evidence/--no-evidence", help="Attach what the figures rest on.")
    ] = True,
) -> None:
    """The lot's dossier. Example: ampelog dossier 22-RED -o 22-RED.pdf"""
    from ampelog import printing, render

    asked: Settings = context.obj
    printing.check_paper(paper)
    printing.check_name(out, "LOT.pdf")
    carries = evidence and out.suffix.lower() == ".pdf"
    with viewed(asked) as view:
        wanted = _wanted(view, lot, label, (asked.units, paper), for_)
        facts, attached = _made(view, wanted, carries)
    pages = render.write(facts, out, asked.units, paper, attached)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")


def _wanted(
    view: View, lot: str, label: str | None, printed: tuple[str, str], reader: str | None
) -> Asked:
    """What a dossier is asked for, with how it is ``printed``: units and paper."""
    from ampelog.parcel import Asked

    if reader not in (None, "auditor"):
        raise Refused(f"--for {reader}: wanted auditor, or nothing")
    return Asked(lot, label, view.as_of, view.until, *printed, private=reader == "auditor")


def _made(view: View, wanted: Asked, carries: bool) -> tuple[Dossier, tuple[Attached, ...]]:
    """The facts of a dossier, and what is attached to it."""
    from ampelog import parcel, report

    facts = report.dossier(view, wanted.lot, wanted.label)
    if not carries:
        return parcel.told(facts, None), ()
    facts = parcel.told(facts, wanted)
    return facts, parcel.parcel(view, facts, wanted)


@app.command()
def vintage(
    context: typer.Context,
    year: Annotated[int, typer.Argument(help="The year of the harvest.")],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
    tables: Annotated[Path | None, typer.Option(help="A folder for the tables as CSV.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """The annual vintage report. Example: ampelog vintage 2024 -o 2024.pdf --tables 2024"""
    from ampelog import printing, year_page, yearly

    asked: Settings = context.obj
    printing.check_paper(paper)
    printing.check_name(out, "2024.pdf")
    with viewed(asked) as view:
        facts = yearly.vintage(view, year, view.day)
    pages = printing.write(year_page.page(facts, asked.units), out, paper)
    if tables is not None:
        year_page.tables(facts, tables)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")
