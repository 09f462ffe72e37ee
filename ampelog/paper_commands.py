"""The commands of paper: what is handed out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampelog import say
from ampelog.asking import ALot, Settings, answered, app
from ampelog.errors import Refused
from ampelog.opening import progress, viewed

if TYPE_CHECKING:
    from ampelog.dossiers import Order


@app.command()
def dossier(  # noqa: PLR0913  one parameter an option
    context: typer.Context,
    lot: ALot = None,
    out: Annotated[Path | None, typer.Option("-o", help="A .pdf or .html file.")] = None,
    everything: Annotated[
        Path | None, typer.Option("--all", help="A folder for those of every bottled lot.")
    ] = None,
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    for_: Annotated[
        str | None, typer.Option("--for", help="auditor, buyer, importer or owner.")
    ] = None,
    evidence: Annotated[
        bool, typer.Option("--evidence/--no-evidence", help="Attach what the figures rest on.")
    ] = True,
) -> None:
    """The lot's dossier. Example: ampelog dossier 22-RED -o 22-RED.pdf"""
    from ampelog import audience, printing

    asked: Settings = context.obj
    printing.check_paper(paper)
    if for_ not in (None, *audience.READERS):
        raise Refused(f"--for {for_}: wanted {', '.join(audience.READERS)}")
    how = (paper, for_, evidence)
    if everything is not None and lot is None and out is None and label is None:
        _all(asked, everything, how)
    elif everything is None and lot is not None and out is not None:
        _one(asked, lot, label, out, how)
    else:
        raise Refused(
            "name a lot and -o FILE, or --all FOLDER", hint="ampelog dossier --all papers"
        )


How = tuple[str, str | None, bool]
"""Paper, reader, and whether the evidence is attached."""


def _one(asked: Settings, lot: str, label: str | None, out: Path, how: How) -> None:
    """One lot's dossier into one file."""
    from ampelog import dossiers, printing, render

    paper, _, evidence = how
    printing.check_name(out, "LOT.pdf")
    carries = evidence and out.suffix.lower() == ".pdf"
    with viewed(asked) as view:
        wanted = dossiers.asked(view, _order(asked, lot, out, how), label)
        facts, attached = dossiers.made(view, wanted, carries)
    pages = render.write(facts, out, asked.units, paper, attached)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")


def _order(asked: Settings, lot: str, file: Path, how: How) -> Order:
    """One dossier, as it is ordered."""
    from ampelog.dossiers import Order

    paper, reader, evidence = how
    when = (asked.as_of, asked.known_on)
    return Order(asked.ledger, lot, file, *when, asked.units, paper, reader, evidence, asked.wait)


def _all(asked: Settings, folder: Path, how: How) -> None:
    """The dossiers of every bottled lot, on all cores, and a page that names them."""
    from ampelog import dossiers
    from ampelog.facts import Head

    with viewed(asked) as view:
        lots, day = dossiers.bottled(view), view.day.isoformat()
        head = Head(view.ledger.ledger_id, view.head.position, view.head.root)
        premises = str(view.ledger.home["name"])
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise Refused(f"{folder}: {problem.strerror}") from None
    orders = [_order(asked, lot, folder / dossiers.file_name(lot), how) for lot in lots]
    with progress("dossiers") as tick:
        written = dossiers.write(orders, lambda done: tick("written", done, len(orders)))
    page = dossiers.index(written, head, premises, day, folder)
    files = [{"lot": one.lot, "file": str(one.file), "pages": one.pages} for one in written]
    told = {"file": str(page), "pages": sum(one.pages for one in written)}
    told_head = {"position": head.position, "root": head.root}
    if not answered(asked, {**told, "head": told_head, "files": files}):
        say.line(f"{page}: {len(written)} dossiers, {told['pages']} pages")


@app.command()
def vintage(
    context: typer.Context,
    year: Annotated[int, typer.Argument(help="The year of the harvest.")],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
    tables: Annotated[Path | None, typer.Option(help="A folder for the tables as CSV.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """The annual vintage report. Example: ampelog vintage 2024 -o 2024.pdf --tables 2024"""
    from ampelog import gates, printing, year_page, yearly

    asked: Settings = context.obj
    printing.check_paper(paper)
    printing.check_name(out, "2024.pdf")
    with viewed(asked) as view:
        own = gates.beside(asked.ledger)
        facts = yearly.vintage(view, year, view.day, None if own is None else gates.own(*own))
    pages = printing.write(year_page.page(facts, asked.units), out, paper)
    if tables is not None:
        year_page.tables(facts, tables)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")
