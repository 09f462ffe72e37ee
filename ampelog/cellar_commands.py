"""The commands of the cellar: what is in it, whence it came and where it went."""

from __future__ import annotations

from typing import Annotated

import typer

from ampelog.asking import ALot, Lot, OfVessel, Settings, Text, answered, app
from ampelog.errors import Refused
from ampelog.opening import viewed


@app.command()
def lots(
    context: typer.Context,
    bottled: Annotated[bool, typer.Option("--bottled", help="Bottles, in cases.")] = False,
) -> None:
    """What is in the cellar. Example: ampelog lots --bottled"""
    from ampelog import readout, stock

    asked: Settings = context.obj
    with viewed(asked) as view:
        rows = stock.lots(view, bottled)
    if not answered(asked, rows, rows):
        readout.lots(rows, asked.units)


@app.command()
def trace(
    context: typer.Context,
    lot: ALot = None,
    code: Annotated[str | None, typer.Option(help="The mark on glass or case.")] = None,
    forward: Annotated[bool, typer.Option("--forward", help="Where it went.")] = False,
) -> None:
    """Back to the sources, or forward. Example: ampelog trace 22-RED"""
    from ampelog import readout, tracing

    asked: Settings = context.obj
    if (lot is None) == (code is None):
        raise Refused("name a lot, or --code with the mark on the bottle")
    with viewed(asked) as view:
        name = lot if lot is not None else tracing.coded(view, code or "")
        answer = tracing.ahead(view, name) if forward else tracing.back(view, name)
    if answered(asked, answer, answer["reaches" if forward else "sources"]):
        return
    if forward:
        readout.reaches(answer, asked.units)
    else:
        readout.trace(answer)


@app.command()
def composition(
    context: typer.Context,
    lot: Lot,
    by: Annotated[str, typer.Option(help="Fields, comma between.")] = "variety",
    vessel: OfVessel = None,
) -> None:
    """Exact joint shares. Example: ampelog composition 22-RED --by variety,vintage"""
    from ampelog import composing, readout

    asked: Settings = context.obj
    fields = composing.fields(by)
    with viewed(asked) as view:
        answer = composing.composition(view, lot, fields, vessel)
    if not answered(asked, answer, answer["shares"]):
        readout.composition(answer, fields, asked.units)


@app.command()
def balance(
    context: typer.Context,
    lot: ALot = None,
    since: Text = None,
    until: Text = None,
    by: Annotated[str | None, typer.Option(help="premises,owner")] = None,
) -> None:
    """In, out, lost and held, exactly. Example: ampelog balance --since 2024-01-01"""
    from ampelog import balance as balances
    from ampelog import readout

    asked: Settings = context.obj
    parts = [part.strip() for part in by.split(",")] if by else []
    with viewed(asked) as view:
        rows = balances.balance(view, lot, since, until, parts)
    if not answered(asked, rows, rows):
        readout.balance(rows, parts, asked.units)
