"""Answers for people: tables on a terminal, the same when piped, and CSV.

Colour only on a terminal, and never alone: a word says the same.
"""

from __future__ import annotations

import csv
import io
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from decimal import ROUND_DOWN, ROUND_HALF_UP, Context, Decimal
from functools import cache
from operator import le
from shutil import get_terminal_size
from typing import Any, TextIO
from unicodedata import combining, east_asian_width

from ampelog.errors import Finding
from ampelog.quantities import SHARE_DECIMALS

_US = {"L": (Decimal("3.785411784"), "gal", 1), "kg": (Decimal("0.45359237"), "lb", 0)}
"""By unit: how much of it is one of the US unit, that unit, and its decimals for reading."""
VERDICTS = {
    "supported": "supported",
    "refused": "not supported by the records",
    "undetermined": "undetermined",
}
_STYLES = {"supported": "green", "refused": "red", "undetermined": "yellow"}
_EXACT = Context(prec=80, rounding=ROUND_DOWN)
"""Decimals of 30 places and amounts of 10^-12 keep all their digits in it."""
_LAST_BUT_ONE = Decimal(2).scaleb(-SHARE_DECIMALS)
_CODES = {"bold": "1", "dim": "2", "red": "31", "green": "32", "yellow": "33"}
PIPED = 110
"""Columns where nobody's window says how many."""
GAP, NARROWEST = 2, 12
_MARKS = {"supported": "✓", "refused": "✗", "undetermined": "?"}
_WORDS = {said: f"{_MARKS[verdict]} {said}" for verdict, said in VERDICTS.items()}


def width(stream: TextIO) -> int:
    """The columns of a stream: those of its window, or enough for a file."""
    return get_terminal_size().columns if stream.isatty() else PIPED


def styled(text: str, style: str, stream: TextIO) -> str:
    """Text in a style, where the stream is a terminal that wants colour."""
    if not style or not stream.isatty() or os.environ.get("NO_COLOR"):
        return text
    return f"\033[{_CODES[style]}m{text}\033[0m"


def _columns(text: str) -> int:
    """How many columns a text takes: some letters take two, some none."""
    if text.isascii():
        return len(text)
    return sum(
        0 if combining(char) else 2 if east_asian_width(char) in "WF" else 1 for char in text
    )


def volume(litres: str, units: str, rounding: str = ROUND_HALF_UP) -> str:
    """A volume for reading: litres or gallons, to the nearest tenth, as on paper; what may be added
    or is needed is rounded to the safe side."""
    return " ".join(measured(litres, "L", units, rounding))


def mass(kilograms: str, units: str) -> str:
    """A mass for reading: kilograms to the nearest tenth, or pounds."""
    return " ".join(measured(kilograms, "kg", units))


def measured(amount: str, unit: str, units: str, rounding: str = ROUND_HALF_UP) -> tuple[str, str]:
    """An amount in ``L`` or ``kg`` for reading, and its unit in these ``units``."""
    value, decimals = Decimal(amount), 1
    if units == "us":
        size, unit, decimals = _US[unit]
        value = _EXACT.divide(value, size)
    return rounded(value, decimals, rounding), unit


def rounded(value: Decimal, decimals: int, rounding: str = ROUND_HALF_UP) -> str:
    """A value rounded to its last digit; what is less than that digit is told so."""
    least = Decimal(1).scaleb(-decimals)
    shown = value.quantize(least, rounding, _EXACT)
    return f"<{least}" if value and not shown else f"{shown:,}"


def percent(share: str | None, decimals: int = 2) -> str:
    """What a rule is decided by, as percent: rounded toward refusal (down), whatever its digits."""
    if share is None:
        return ""
    return f"{_down(_EXACT.multiply(Decimal(share), Decimal(100)), decimals)} %"


def part(share: str, decimals: int = 2) -> str:
    """A row of a partition as percent, rounded down. Such a share is right to its last decimal
    but one: three quarters may stand there as 0.7499... and are told as 75 %."""
    return percent(str(_EXACT.add(Decimal(share), _LAST_BUT_ONE)), decimals)


def _down(value: Decimal, decimals: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-decimals), ROUND_DOWN, _EXACT)


def table(
    rows: Iterable[Sequence[str]],
    heads: Sequence[str],
    right: Sequence[int] = (),
    title: str | None = None,
) -> None:
    """A quiet table: a hairline under the heads, no boxes. Left columns wrap where they must."""
    out = sys.stdout
    cells = [list(heads), *([clean(_worded(cell)) for cell in row] for row in rows)]
    takes = [list(map(_widest, row)) for row in cells]
    widths = _widths(takes, right, width(out))
    if title:
        out.write(styled(clean(title), "bold", out) + "\n")
    out.write(_joined(cells[0], takes[0], widths, right) + "\n")
    out.write("─" * (sum(widths) + GAP * (len(widths) - 1)) + "\n")
    for row, take in zip(cells[1:], takes[1:], strict=True):
        out.write("\n".join(_row(row, take, widths, right)) + "\n")


def _verdicts(row: Sequence[str]) -> list[str]:
    return [verdict for verdict, said in VERDICTS.items() if said in row]


def _widths(takes: list[list[int]], right: Sequence[int], room: int) -> list[int]:
    """The width of each column by what its cells take; the widest that may wrap give way until all
    fit."""
    widths = [max(column) for column in zip(*takes, strict=True)]
    over = sum(widths) + GAP * (len(widths) - 1) - room
    while over > 0:
        wraps = [index for index in range(len(widths)) if index not in right]
        widest = max(wraps, key=lambda index: widths[index], default=None)
        if widest is None or widths[widest] <= NARROWEST:
            break
        widths[widest] -= 1
        over -= 1
    return widths


def _widest(cell: str) -> int:
    """The columns of the widest line of a cell."""
    return max(map(_columns, cell.split("\n"))) if "\n" in cell else _columns(cell)


def _row(
    cells: Sequence[str], takes: Sequence[int], widths: Sequence[int], right: Sequence[int]
) -> list[str]:
    """The lines of a row: cells wrapped to their columns."""
    if all(map(le, takes, widths)) and not any("\n" in cell for cell in cells):
        return [_joined(cells, takes, widths, right)]
    lines = [
        [part for text in cell.split("\n") for part in (_fit(text, room) or [""])]
        for cell, room in zip(cells, widths, strict=True)
    ]
    parts = [
        [cell[at] if at < len(cell) else "" for cell in lines]
        for at in range(max(len(cell) for cell in lines))
    ]
    return [_joined(part, list(map(_columns, part)), widths, right) for part in parts]


def _joined(
    texts: Sequence[str], takes: Sequence[int], widths: Sequence[int], right: Sequence[int]
) -> str:
    """One line of cells, each padded to its column."""
    parts = []
    for index, text in enumerate(texts):
        pad = " " * (widths[index] - takes[index])
        parts.append(pad + text if index in right else text + pad)
    return (" " * GAP).join(parts).rstrip()


def _fit(text: str, room: int) -> list[str]:
    return [text] if _columns(text) <= room else _wrapped(max(1, room))(text)


@cache
def _wrapped(room: int) -> Callable[[str], list[str]]:
    from textwrap import TextWrapper

    return TextWrapper(room).wrap


def paired(
    rows: Sequence[tuple[Sequence[str], str]], right: Sequence[int] = (), empty: str = ""
) -> None:
    """Rows of cells, each with a sentence below it that starts under the second cell; ``empty`` is
    said where there are none."""
    from textwrap import wrap

    if not rows:
        line(empty)
        return
    out = sys.stdout
    shown = [[clean(_worded(cell)) for cell in cells] for cells, _ in rows]
    widths = [max(_columns(cell) for cell in column) for column in zip(*shown, strict=True)]
    indent = widths[0] + GAP + 1
    for cells, (asked, sentence) in zip(shown, rows, strict=True):
        parts = [
            " " * (room - _columns(cell)) + cell
            if index in right
            else cell + " " * (room - _columns(cell))
            for index, (cell, room) in enumerate(zip(cells, widths, strict=True))
        ]
        style = next((_STYLES[verdict] for verdict in _verdicts(asked)), "")
        first = styled(parts[0], style, out)
        out.write((" " * (GAP + 1)).join([first, *parts[1:]]).rstrip() + "\n")
        for part in wrap(clean(sentence), max(30, width(out) - indent)):
            out.write(" " * indent + part + "\n")


def _worded(cell: str) -> str:
    """A verdict has its mark before it: it is told by shape and word, not by colour alone."""
    return _WORDS.get(cell, cell)


def clean(text: str) -> str:
    """Text from events is data: control characters and direction marks are shown, not obeyed."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        char if char.isprintable() or char == "\n" else f"\\u{ord(char):04x}" for char in text
    )


def line(text: str, style: str = "") -> None:
    """A line on standard output."""
    sys.stdout.write(styled(clean(text), style, sys.stdout) + "\n")


def text(sentence: str) -> None:
    """A sentence on standard output, in lines that fit."""
    for part in _wrapped(max(30, width(sys.stdout)))(clean(sentence)):
        sys.stdout.write(f"{part}\n")


def note(text: str, style: str = "") -> None:
    """A line on standard error: messages, progress and hints."""
    sys.stderr.write(styled(clean(text), style, sys.stderr) + "\n")


def findings(found: Iterable[Finding], kind: str = "finding") -> None:
    """Findings or refusals on standard error, each with where, what, and what to do next."""
    out = sys.stderr
    style = "red" if kind == "error" else "yellow"
    for one in found:
        rule = styled(f"[{one.rule}]", "dim", out)
        out.write(f"{styled(kind + ':', style, out)} {clean(f'{one.where}: {one.says}')}  {rule}\n")
        if one.hint:
            out.write(f"  {styled('hint:', 'dim', out)} {clean(one.hint)}\n")


def as_csv(rows: Sequence[dict[str, Any]]) -> str:
    """Rows as CSV: every field quoted, text cells defused against formulas."""
    heads = list(dict.fromkeys(key for row in rows for key in row))
    if not heads:
        return ""
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
    # a `'` of its own before such a sign is kept by one more: read back, one is taken off
    starts = text.lstrip(" \u00a0\n'").startswith(_TRIGGERS)
    return f"'{text}" if starts or any(f"\n{sign}" in text for sign in _TRIGGERS) else text


def header_csv(names: Sequence[str]) -> str:
    """The first line of a CSV to fill in."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(names)
    return out.getvalue()


def undefused(text: str) -> str:
    """A text cell as it was before it was defused: without the one `'` that was put before it."""
    before = text.removeprefix("'")
    return before if before != text and _cell(before) == text else text


def _is_number(text: str) -> bool:
    body = text.removeprefix("-")
    return body.replace(".", "", 1).isdigit() and body.isascii() and body[0] != "."
