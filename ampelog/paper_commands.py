"""The commands of paper: what is handed out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ampelog import say
from ampelog.asking import Settings, answered, app
from ampelog.opening import viewed


@app.command()
def dossier(
    context: typer.Context,
    lot: Annotated[str, typer.Argument()],
    out: Annotated[Path, typer.Option("-o", help="A .pdf or .html file.")],
    label: Annotated[str | None, typer.Option(help="The label, if not the lot's own.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """The lot's dossier. Example: ampelog dossier 22-RED -o 22-RED.pdf"""
    from ampelog import printing, render, report

    asked: Settings = context.obj
    printing.check_paper(paper)
    with viewed(asked) as view:
        facts = report.dossier(view, lot, label)
    pages = render.write(facts, out, asked.units, paper)
    head = {"position": facts.head.position, "root": facts.head.root}
    if not answered(asked, {"file": str(out), "pages": pages, "head": head}):
        say.line(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")
