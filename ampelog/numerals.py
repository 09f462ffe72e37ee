"""A workbook's numbers: what a cell holds, and what its format shows of it.

Where a column is a name, it is what people see that was meant: 101 shown as `B-101` is the barrel
of that name, 24.1 shown as `24.10` that lot. A format that cannot be followed here is said to be
none, and is asked about where it matters.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from msgspec import Struct


class Numeral(Struct, frozen=True):
    """A cell that holds a number: its decimal text, and what its format shows beside it."""

    text: str
    is_percent: bool = False
    unit: str = ""
    as_shown: str | None = ""
    """What is seen in the cell where that is another text; None where it cannot be known."""


class Broken(Struct, frozen=True):
    """A cell that holds nothing that can be read: what is seen, and what to do."""

    says: str
    hint: str


_PIECE = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|\[\$(?P<sign>[^\]\-]*)[^\]]*\]'
    r"|\[(?P<color>black|blue|cyan|green|magenta|red|white|yellow|color *[0-9]+)\]"
    r"|_(?P<gap>.)|\*(?P<fill>.)|(?P<general>general|@)|(?P<mark>[0#.,])|(?P<end>;)"
    r"|(?P<bare>[-$+():!^&'~{}<>= ])",
    re.IGNORECASE | re.DOTALL,
)
"""A piece of a format of numbers (ECMA-376 part 1, 18.8.31)."""
_LITERAL = ("quoted", "escaped", "sign", "bare")
_DIGITS_APART = 3
"""Digits up to which a mark of thousands shows none."""


def numeral(held: Any, form: str) -> Numeral | Broken:
    """A number of a workbook, whole or binary, as decimal text.

    Fifteen digits are what a spreadsheet keeps of what was typed (common practice, no source);
    more of them are noise of its arithmetic: 0.1 + 0.2 is 0.3 here.
    """
    number = Decimal(held if isinstance(held, int) else format(held, ".15g"))
    if not number.is_finite():
        return Broken(f"`{held}` is no number", "mend the formula")
    text = format(number, "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    first = form.partition(";")[0]
    said = "".join(a or b for a, b in re.findall(r'"([^"]*)"|\\(.)', first)).strip()
    bare = re.sub(r'"[^"]*"|\\.|\[[^\]]*\]|_.|\*.', "", first).strip()
    if re.search(r"[0#?],+(?![0#?,])", bare):
        says = f"the cell holds {text} and shows it in thousands"
        return Broken(says, "give the column a format that shows what it holds")
    if "%" in bare:
        return Numeral(text, True, said)
    shown = _as_shown(text, form)
    return Numeral(text, False, said, "" if shown == text else shown)


def _as_shown(text: str, form: str) -> str | None:
    """What a format shows of a number; None where it rounds it, parts its thousands, or is one
    that is not followed here."""
    pieces: list[tuple[str, str]] = []
    at = 0
    while at < len(form):
        found = _PIECE.match(form, at)
        if found is None:
            return None
        what = str(found.lastgroup)
        if what == "end":  # what follows is for other numbers
            if Decimal(text) <= 0:
                return None
            break
        pieces.append((what, found[what]))
        at = found.end()
    marks = "".join(said for what, said in pieces if what == "mark")
    digits = _digits(text.removeprefix("-"), marks)
    if digits is None or ("general" in dict(pieces)) == bool(marks):
        return None
    out = "".join(
        digits.pop(0)
        if what in ("mark", "general")
        else said
        if what in _LITERAL
        else " " * (what == "gap")
        for what, said in pieces
    )
    return f"{'-' if text.startswith('-') else ''}{out}".strip()


def _digits(text: str, marks: str) -> list[str] | None:
    """What stands in the place of each mark of a format, None where that is not all of the number;
    without marks all of it."""
    if not marks:
        return [text]
    whole, _, rest = text.partition(".")
    whole = whole.lstrip("0")
    before, point, after = marks.partition(".")
    slots = before.replace(",", "")
    is_parted = slots != before and len(whole) > _DIGITS_APART
    if is_parted or not slots or len(rest) > len(after) or set(after) - {"0", "#"}:
        return None
    shown = whole.rjust(len(slots), " ")
    spare = len(shown) - len(slots)
    each = [shown[: spare + 1], *shown[spare + 1 :]]
    filled = iter(
        one.strip() or ("0" if slot == "0" else "") for one, slot in zip(each, slots, strict=True)
    )
    fraction = rest.ljust(after.rfind("0") + 1, "0")
    return [
        *("" if mark == "," else next(filled) for mark in before),
        *point,
        *(fraction[at : at + 1] for at in range(len(after))),
    ]
