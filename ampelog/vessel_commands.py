"""The command of the vessels: what is in T7, what is empty."""

from __future__ import annotations

from typing import Annotated

import typer

from ampelog import asking, completing
from ampelog.asking import Settings, answered, app
from ampelog.opening import viewed


@app.command()
def vessels(
    context: typer.Context,
    name: Annotated[
        str | None,
        typer.Argument(help="That vessel alone.", autocompletion=completing.vessels),
    ] = None,
) -> None:
    """What is in each vessel, what room is left, what is empty. Example: ampelog vessels T7"""
    from ampelog import vessels as lying
    from ampelog import vessels_sheet

    asked: Settings = context.obj
    with viewed(asked) as view:
        today = asking.today(view)
        rows = lying.vessels(view, name)
        if answered(asked, rows, rows):
            return
        if name is None:
            vessels_sheet.sheet(rows, asked.units, today)
        else:
            vessels_sheet.one(rows, lying.events(view, name), asked.units, today)
