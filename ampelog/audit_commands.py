"""The command of the auditor: what is odd in the records."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ampelog import asking, say
from ampelog.asking import Settings, Text, answered, app
from ampelog.opening import viewed
from ampelog.readiness_commands import table_of


@app.command()
def audit(  # one parameter an option
    context: typer.Context,
    since: Text = None,
    until: Text = None,
    out: Annotated[Path | None, typer.Option("-o", help="A .pdf or .html file.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    gates: Annotated[Path | None, typer.Option(help="The winery's own gates, TOML.")] = None,
) -> None:
    """What is odd in the records. Example: ampelog audit --since 2024-01-01 -o audit.pdf"""
    from ampelog import audit as audits
    from ampelog import audit_page, audit_sheet, printing
    from ampelog.facts import Head

    asked: Settings = context.obj
    printing.check_paper(paper)
    with viewed(asked) as view:
        today = asking.today(view)
        rows = audits.audit(view, table_of(asked, gates), since, until)
        premises = str(view.ledger.home["name"])
        head = Head(view.ledger.ledger_id, view.head.position, view.head.root)
    if out is not None:
        made = audit_page.page(rows, today, head, premises, {"since": since, "until": until})
        written(out, printing.write(made, out, paper))
    if not answered(asked, rows, rows) and out is None:
        audit_sheet.sheet(rows, today)


def written(out: Path, pages: int) -> None:
    """Tell that a page was written."""
    say.note(f"{out}: one page" if pages == 1 else f"{out}: {pages} pages")
