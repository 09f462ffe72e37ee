"""The command of every morning: the latest numbers, and the fermentations."""

from __future__ import annotations

from typing import Annotated

import typer

from ampelog import asking
from ampelog.asking import ALot, Settings, answered, app
from ampelog.errors import Refused
from ampelog.opening import viewed


@app.command()
def numbers(
    context: typer.Context,
    lot: ALot = None,
    fermenting: Annotated[bool, typer.Option("--fermenting", help="The morning sheet.")] = False,
) -> None:
    """Latest readings and analyses. Example: ampelog numbers --fermenting"""
    from ampelog import fermenting as ferments
    from ampelog import numbers as latest
    from ampelog import numbers_sheet

    asked: Settings = context.obj
    if fermenting and lot is not None:
        raise Refused("--fermenting is of the whole cellar", hint=f"ampelog numbers {lot}")
    with viewed(asked) as view:
        today = asking.today(view)
        rows = ferments.sheet(view, today) if fermenting else latest.numbers(view, today, lot)
    if not answered(asked, rows, rows):
        (numbers_sheet.morning if fermenting else numbers_sheet.sheet)(rows, today)
