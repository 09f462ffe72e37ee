"""The command of the bottling line: may it be bottled, and what has to be done by when?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampelog import asking
from ampelog.asking import ALot, No, Settings, answered, app
from ampelog.errors import Refused
from ampelog.opening import viewed

if TYPE_CHECKING:
    from ampelog.gates import Table


@app.command()
def readiness(
    context: typer.Context,
    lot: ALot = None,
    label: Annotated[str | None, typer.Option(help="Planned for another label.")] = None,
    on: Annotated[
        str | None, typer.Option(help="A bottling day: what is to be done by then.")
    ] = None,
    gates: Annotated[Path | None, typer.Option(help="The winery's own gates, TOML.")] = None,
) -> None:
    """May it be bottled? Example: ampelog readiness 24-SY --label "Bench Syrah 2024" """
    from ampelog import readiness as ready
    from ampelog import readiness_sheet

    asked: Settings = context.obj
    table = table_of(asked, gates)
    if on is not None:
        _countdown(asked, table, lot, label, on)
        return
    with viewed(asked) as view:
        rows = ready.readiness(view, asking.today(view), table, lot, label)
    if not answered(asked, rows, rows):
        readiness_sheet.sheet(rows, asked.units, table.own, whole=lot is None)
    if lot is not None and not rows[0]["ready"]:
        raise No


def _countdown(asked: Settings, table: Table, lot: str | None, label: str | None, on: str) -> None:
    """What is to be done for a bottling on a day."""
    from ampelog import readiness as ready
    from ampelog import readiness_sheet
    from ampelog.countdown import countdown
    from ampelog.moments import NotATime, date_of

    if lot is None:
        raise Refused("--on asks about one lot", hint="ampelog readiness LOT --on 2025-03-04")
    try:
        day = date_of(on)
    except NotATime as problem:
        raise Refused(f"--on: {problem}") from None
    with viewed(asked) as view:
        today = asking.today(view)
        if day < today:
            raise Refused(f"--on {on}: that is before {today}, the day that the question is of")
        rows = countdown(ready.judgings(view, day, table, lot, label)[0], today)
    answer = {"lot": lot, "on": on, "asked_on": today.isoformat(), "steps": rows}
    if not answered(asked, answer, rows):
        readiness_sheet.countdown(answer)


def table_of(asked: Settings, own: Path | None) -> Table:
    """The gates: those of the winery's own file, named or beside the ledger, where there is one."""
    from ampelog import gates

    if own is not None:
        return gates.with_own(own)
    beside = gates.beside(asked.ledger)
    return gates.table() if beside is None else gates.own(*beside)
