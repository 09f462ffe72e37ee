"""The commands of spreadsheets: what is filled in and loaded."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampelog import say
from ampelog.asking import Settings, answered, app
from ampelog.errors import Refused

if TYPE_CHECKING:
    from collections.abc import Sequence


@app.command()
def template(
    context: typer.Context,
    kinds: Annotated[list[str], typer.Argument(metavar="KIND...", help="Kinds of event.")],
    out: Annotated[
        Path | None, typer.Option("-o", help="A .csv, or an .xlsx with drop-downs, to write.")
    ] = None,
) -> None:
    """The header of a table of events, for `load`.

    Rows that share what stands in a column `event` are one event: each adds the endpoints that it
    fills in. A quantity may have its unit in a column beside it, `mass unit`. Example: ampelog
    template pick -o picks.xlsx
    """
    from ampelog import columns

    asked: Settings = context.obj
    _check(kinds, out)
    if out is not None:
        _write(asked, kinds, out)
    told = [{"kind": kind, "columns": columns.header(kind)} for kind in kinds]
    if not answered(asked, told[0] if len(told) == 1 else told):
        if out is None:
            sys.stdout.write(say.header_csv(columns.header(kinds[0])))
        else:
            say.line(f"{out}: fill it in, then `ampelog load {out}`")


def _check(kinds: Sequence[str], out: Path | None) -> None:
    """``Refused`` for a kind that is none, and for a file that is there or is no table."""
    from difflib import get_close_matches

    from ampelog.events import KINDS

    for kind in kinds:
        if kind not in KINDS:
            near = get_close_matches(kind, KINDS, n=1)
            hint = f"did you mean `{near[0]}`?" if near else f"kinds: {', '.join(KINDS)}"
            raise Refused(f"there is no kind `{kind}`", hint=hint)
    if len(set(kinds)) < len(kinds):
        raise Refused("a kind is named twice", hint="a sheet a kind")
    if out is not None and out.suffix.lower() not in (".csv", ".xlsx"):
        raise Refused(f"`{out.name}` is neither a .csv nor an .xlsx file", hint="-o picks.xlsx")
    if len(kinds) > 1 and (out is None or out.suffix.lower() == ".csv"):
        raise Refused("a CSV is of one kind", hint="-o harvest.xlsx has a sheet a kind")
    if out is not None and out.exists():
        raise Refused(f"{out} is there already", hint="rows may stand in it; name another file")


def _write(asked: Settings, kinds: Sequence[str], out: Path) -> None:
    """The file; with the ledger's names, where there is a ledger."""
    from ampelog import columns, outlet, roster, workbook
    from ampelog.opening import opened

    if out.suffix.lower() == ".csv":
        outlet.keep(say.header_csv(columns.header(kinds[0])).encode(), out)
        return
    names: dict[str, list[str]] = {}
    if asked.ledger.exists():
        with opened(asked) as ledger:
            names = roster.names_of(ledger)
    else:
        say.note(f"there is no ledger {asked.ledger}: the drop-downs have no names")
    outlet.keep(workbook.template(kinds, names), out)
