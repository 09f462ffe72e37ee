"""Answers for people: tables on a terminal, the same when piped, and CSV.

Colour only on a terminal, and never alone: a word says the same.
"""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Iterable, Sequence
from decimal import ROUND_DOWN, Decimal
from typing import TYPE_CHECKING, Any

from ampelog.errors import Finding

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

LITRES_A_GALLON = Decimal("3.785411784")
KILOGRAMS_A_POUND = Decimal("0.45359237")
VERDICTS = {
    "supported": "supported",
    "refused": "not supported by the records",
    "undetermined": "undetermined",
}
_STYLES = {"supported": "green", "refused": "bold red", "undetermined": "yellow"}
_MARKS = {"supported": "✓", "refused": "✗", "undetermined": "?"}


def console(to_error: bool = False) -> Console:
    """A console on standard output, or on standard error."""
    from rich.console import Console

    stream = sys.stderr if to_error else sys.stdout
    width = None if stream.isatty() else 110
    return Console(file=stream, highlight=False, soft_wrap=False, width=width, emoji=False)


def volume(litres: str, units: str) -> str:
    """A volume for reading: a decimal of litres, or of gallons; rounded down."""
    value = Decimal(litres)
    if units == "us":
        return f"{(value / LITRES_A_GALLON).quantize(Decimal('0.1'), ROUND_DOWN):,} gal"
    return f"{value.quantize(Decimal('0.1'), ROUND_DOWN):,} L"


def mass(kilograms: str, units: str) -> str:
    """A mass for reading: kilograms, or pounds; rounded down."""
    value = Decimal(kilograms)
    if units == "us":
        return f"{(value / KILOGRAMS_A_POUND).quantize(Decimal(1), ROUND_DOWN):,} lb"
    return f"{value.quantize(Decimal('0.1'), ROUND_DOWN):,} kg"


def percent(share: str | None, decimals: int = 2) -> str:
    """A share as percent, rounded toward refusal (down)."""
    if share is None:
        return ""
    step = Decimal(1).scaleb(-decimals)
    return f"{(Decimal(share) * 100).quantize(step, ROUND_DOWN)} %"


def table(
    rows: Iterable[Sequence[str]],
    heads: Sequence[str],
    right: Sequence[int] = (),
    title: str | None = None,
) -> None:
    """A quiet table: hairlines, no boxes."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    out = console()
    if title:
        out.print(Text(title, style="bold"))
    found = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 2, 0, 0))
    for index, head in enumerate(heads):
        found.add_column(
            head,
            justify="right" if index in right else "left",
            overflow="fold",
            no_wrap=index in right,
        )
    for row in rows:
        found.add_row(*(_styled(cell) for cell in row))
    out.print(found)


def paired(rows: Sequence[tuple[Sequence[str], str]], right: Sequence[int] = ()) -> None:
    """Rows of cells, each with a sentence below it that starts under the second cell."""
    from textwrap import wrap

    from rich.text import Text

    out = console()
    columns = max(len(cells) for cells, _ in rows)
    shown = [[_styled(cell) for cell in cells] for cells, _ in rows]
    widths = [max(len(cells[index]) for cells in shown) for index in range(columns)]
    indent = widths[0] + 3
    for cells, (_, sentence) in zip(shown, rows, strict=True):
        line_ = Text()
        for index, cell in enumerate(cells):
            pad = " " * (widths[index] - len(cell))
            line_ += Text(pad) + cell if index in right else cell + Text(pad)
            line_ += Text("   ")
        line_.rstrip()
        out.print(line_, no_wrap=True, overflow="ignore", crop=False)
        for part in wrap(clean(sentence), max(30, out.width - indent)):
            out.print(Text(" " * indent + part))


def _styled(cell: str) -> Text:
    from rich.text import Text

    for verdict, said in VERDICTS.items():
        if cell == said:
            return Text(f"{_MARKS[verdict]} {cell}", style=_STYLES[verdict])
    return Text(clean(cell))


def clean(text: str) -> str:
    """Text from events is data: control characters and direction marks are shown, not obeyed."""
    return "".join(
        char if char.isprintable() or char == "\n" else f"\\u{ord(char):04x}" for char in text
    )


def line(text: str, style: str = "") -> None:
    """A line on standard output."""
    from rich.text import Text

    console().print(Text(clean(text), style=style))


def note(text: str, style: str = "") -> None:
    """A line on standard error: messages, progress and hints."""
    from rich.text import Text

    console(to_error=True).print(Text(clean(text), style=style))


def findings(found: Iterable[Finding], kind: str = "finding") -> None:
    """Findings or refusals on standard error, each with where, what, and what to do next."""
    from rich.text import Text

    out = console(to_error=True)
    style = "red" if kind == "error" else "yellow"
    for one in found:
        out.print(
            Text.assemble(
                (f"{kind}: ", style),
                f"{clean(one.where)}: {clean(one.says)}",
                (f"  [{one.rule}]", "dim"),
            )
        )
        if one.hint:
            out.print(Text.assemble(("  hint: ", "dim"), clean(one.hint)))


def as_csv(rows: Sequence[dict[str, Any]]) -> str:
    """Rows as CSV: every field quoted, text cells defused against formulas."""
    heads = list(dict.fromkeys(key for row in rows for key in row))
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(heads)
    for row in rows:
        writer.writerow([_cell(row.get(head)) for head in heads])
    return out.getvalue()


_TRIGGERS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")  # noqa: RUF001  full-width forms


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, dict)):
        import json

        value = json.dumps(value, ensure_ascii=False)
    text = str(value)
    if _is_number(text):
        return text
    starts = text.lstrip(" \u00a0\n").startswith(_TRIGGERS)
    return f"'{text}" if starts or any(f"\n{sign}" in text for sign in _TRIGGERS) else text


def _is_number(text: str) -> bool:
    body = text.removeprefix("-")
    return body.replace(".", "", 1).isdigit() and body.isascii() and body[0] != "."
