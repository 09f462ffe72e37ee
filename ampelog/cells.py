"""What a cell of a spreadsheet says, as an event has it: numbers, quantities, days, words.

People write numbers and days as their country does. What can be read in two ways is asked about
and never guessed. A cell's number is its shortest decimal text; no binary float comes here.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from decimal import Context, Decimal
from typing import Any

from msgspec import Struct

from ampelog import shorthand
from ampelog.columns import UNITS, Column, Form
from ampelog.days import Unclear, day_and_time
from ampelog.errors import Refused
from ampelog.lines import NotJson
from ampelog.lines import value as json_value
from ampelog.numerals import Broken, Numeral

Cell = str | Numeral | bool | date | datetime | time | Broken
"""A cell that is not empty; a text has no space around it."""


class Slip(ValueError):
    """A cell does not say what its column wants. ``option`` names the question's answer."""

    def __init__(self, says: str, hint: str = "", rule: str = "cell") -> None:
        super().__init__(says)
        self.says, self.hint, self.rule = says, hint, rule


class Habits(Struct, frozen=True):
    """How a file writes: the order of its days and its decimal mark, where that is known.

    ``dates`` is ``dmy``, ``mdy`` or ``ymd``; ``decimal`` ``comma`` or ``point``; ``commas`` says
    that decimal commas stand in the file, so that 1.234 may be a thousand and more. ``latest`` is
    the last year that a year of two digits may mean without being asked about.
    """

    dates: str | None = None
    decimal: str | None = None
    commas: bool = False
    latest: int = 0


MOST_DIGITS = 15
"""Digits of a number that a spreadsheet keeps (common practice, no source)."""
_DATED = ("first_filled", "planted", "rest")
"""Texts that may well be a day."""
_EXACT = Context(prec=60)
_GAPS = r"[ \u00a0\u2009\u202f'\u2019]"
"""What parts thousands besides point and comma: spaces of some widths, apostrophes."""
_SPACED = re.compile(rf"[0-9]{{1,3}}(?:{_GAPS}[0-9]{{3}})+(?:[.,][0-9]+)?")
_GROUP = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
_COMMA = re.compile(r"[-\u2212]?[0-9]*,[0-9]+")
ERRORS = frozenset(
    {"#REF!", "#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#VALUE!", "#SPILL!", "#CALC!"}
)
"""What a spreadsheet shows in place of a value that it could not work out."""
_ONE_MARK = "write all numbers of the file with one decimal mark"
_YES = frozenset({"yes", "y", "true", "x", "1", "✓"})
_NO = frozenset({"no", "n", "false", "0"})
_ALIASES = {
    "L": "l liter liters litre litres",
    "hL": "hl hectoliter hectoliters hectolitre hectolitres",
    "mL": "ml milliliter milliliters millilitre millilitres",
    "gal": "gal gals gallon gallons us-gal us-gallon us-gallons",
    "kg": "kg kgs kilo kilos kilogram kilograms",
    "g": "g gram grams",
    "t": "t tonne tonnes metric-ton metric-tons",
    "ton": "ton tons short-ton short-tons us-ton us-tons",
    "lb": "lb lbs pound pounds",
    "pieces": "pieces piece pcs",
    "C": "c °c",
    "F": "f °f",
    "ha": "ha hectare hectares",
    "acre": "acre acres ac",
}
_UNIT = {alias: unit for unit, said in _ALIASES.items() for alias in said.split()}
_TWO_READINGS = {
    "T": "`T` may be `t` (1000 kg) or `ton` (907.18474 kg)",
    "ML": "`ML` may be `mL` or a million litres",
    "G": "`G` may be `g` or `gal`",
}
"""Units that are written so and mean two things."""


def value(cell: Cell, column: Column, habits: Habits, unit: str = "") -> Any:
    """What a cell says in a column, None for nothing; raises ``Slip``.

    ``unit`` is what stands in the column of units beside it, or in its heading.
    """
    if isinstance(cell, Broken):
        raise Slip(cell.says, cell.hint)
    if isinstance(cell, str) and (cell in ERRORS or re.fullmatch(r"#{3,}", cell)):
        raise Slip(f"`{cell}` is an error of the spreadsheet", "mend the formula, or the width")
    if cell == "null" and (column.clears or column.form is Form.JSON):
        return CLEARED
    form = column.form
    if form in UNITS:
        return _quantity(cell, form, habits, unit)
    if form in (Form.TIME, Form.DAY):
        return moment(cell, habits, form is Form.TIME)
    if form in (Form.DECIMAL, Form.FOUND, Form.SHARE, Form.WHOLE, Form.HOURS):
        return _figure(cell, column, habits)
    if form in (Form.TRUTH, Form.TRUE, Form.DAY_OR_TRUTH):
        return _truth(cell, form, habits)
    return _words(cell, column, habits)


class Cleared:
    """A register's field is to be cleared: `null` in an event."""


CLEARED = Cleared()


def unit_of(text: str) -> str:
    """A unit as events write it; raises ``Slip``."""
    if text in _TWO_READINGS:
        raise Slip(f"{_TWO_READINGS[text]}; which one?", "write the unit out", "ambiguous unit")
    bare = re.sub(r"\s+", "-", text.strip().rstrip(".").casefold())
    if bare not in _UNIT:
        raise Slip(f"unknown unit `{text}`", f"units: {', '.join(list(_ALIASES)[:10])}")
    return _UNIT[bare]


def _quantity(cell: Cell, form: Form, habits: Habits, beside: str) -> Any:
    if isinstance(cell, Numeral):
        figure, own = _unsigned_percent(cell), cell.unit
    elif isinstance(cell, str):
        match = re.fullmatch(r"(.*?[0-9])\s*([^0-9]*)", cell, re.DOTALL)
        if match is None:
            hint = (
                "a number and a unit, or an empty cell; for all there is, the column `all` has yes"
            )
            raise Slip(f"`{cell}` is no number", hint)
        figure, own = number(match[1], habits), match[2].strip()
    else:
        raise Slip(f"`{shown(cell)}` is no quantity", "format the cells as numbers")
    if figure.startswith("-") and form is not Form.TEMPERATURE:
        raise Slip(f"`{shown(cell)}` is negative", "a quantity is never below zero; see what moved")
    units = [unit_of(one) for one in (own, beside) if one]
    if not units and form is Form.EACH and figure.isdigit():
        return int(figure)
    if not units:
        raise Slip(
            f"`{shown(cell)}` has no unit",
            f"write `{figure} {UNITS[form][0]}`, say, or fill a column of units beside it: "
            + ", ".join(UNITS[form]),
        )
    if len(set(units)) > 1:
        raise Slip(f"`{shown(cell)}` says {units[0]}, its unit beside it {units[1]}", "say one")
    return f"{figure} {units[0]}"


def _unsigned_percent(cell: Numeral) -> str:
    if cell.is_percent:
        raise Slip(f"`{shown(cell)}` is a percentage", "a quantity is a number with its unit")
    return cell.text


def number(text: str, habits: Habits) -> str:
    """A number as people write it, as a plain decimal; raises ``Slip``."""
    sign = "-" if text[:1] in ("-", "\u2212") else ""
    body = text[len(sign) :].strip()
    if _SPACED.fullmatch(body):
        mark = "comma" if "," in body else "point" if "." in body else None
        if mark is not None and habits.decimal not in (None, mark):
            raise Slip(f"`{text}` does not fit --decimal {habits.decimal}", _ONE_MARK)
        return sign + re.sub(_GAPS, "", body).replace(",", ".")
    if re.fullmatch(r"[0-9]+", body):
        return sign + body
    if re.fullmatch(r"[0-9]*[.,][0-9]+", body):
        return sign + _one_mark(body, habits)
    for mark, other, said in ((",", ".", "point"), (".", ",", "comma")):
        thousands = rf"[0-9]{{1,3}}(?:\{mark}[0-9]{{3}})+(?:\{other}[0-9]+)?"
        if re.fullmatch(thousands, body):
            if habits.decimal not in (None, said):
                raise Slip(f"`{text}` does not fit --decimal {habits.decimal}", _ONE_MARK)
            return sign + body.replace(mark, "").replace(other, ".")
    raise Slip(f"`{text}` is no number", "write the number alone; a remark goes into `note`")


def _one_mark(body: str, habits: Habits) -> str:
    """A number with one point or comma, which may part decimals or thousands."""
    mark = "," if "," in body else "."
    said = "comma" if mark == "," else "point"
    whole, _, rest = body.partition(mark)
    decimal, thousands = f"{whole or '0'}.{rest}", f"{whole}{rest}"
    group = _GROUP.fullmatch(body) is not None
    if habits.decimal == said:
        return decimal
    if habits.decimal is not None:
        if group:
            return thousands
        raise Slip(f"`{body}` does not fit --decimal {habits.decimal}", _ONE_MARK)
    if group and (mark == "," or habits.commas):
        raise Slip(
            f"`{body}` may be {decimal} or {thousands}; which one?",
            "say --decimal point or --decimal comma, for all of the file",
            "ambiguous number",
        )
    return decimal


def has_decimal_comma(cell: Cell | None) -> bool:
    """Whether a cell is a number with a comma that can only be a decimal comma."""
    if not isinstance(cell, str):
        return False
    figure = re.match(r"[-\u2212<]?[0-9.,]*[0-9]", cell)
    body = figure[0].lstrip("<-\u2212") if figure else ""
    several = re.fullmatch(r"[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+", body)
    return several is not None or (_COMMA.fullmatch(body) is not None and not _GROUP.match(body))


def _figure(cell: Cell, column: Column, habits: Habits) -> Any:
    form = column.form
    if isinstance(cell, Numeral):
        text, is_percent = cell.text, False
        if cell.is_percent and form is not Form.SHARE:
            text, is_percent = shown(cell).removesuffix(" %"), True
    elif isinstance(cell, str):
        less = "<" if form is Form.FOUND and cell.startswith("<") else ""
        body = cell.removeprefix(less).strip()
        if form is Form.SHARE and "/" in body:
            return re.sub(r"\s", "", body)
        is_percent = body.endswith("%")
        text = less + number(body.removesuffix("%").strip(), habits)
    else:
        raise Slip(f"`{shown(cell)}` is no number", "format the cells as numbers")
    if is_percent and form is Form.SHARE:
        return _moved(text, -2)
    if is_percent and not column.is_percent:
        raise Slip(f"`{shown(cell)}` is a percentage", f"`{column.name}` is none")
    if form in (Form.WHOLE, Form.HOURS):
        whole = re.fullmatch(r"(-?[0-9]{1,15})(?:\.0+)?", text)
        if whole is not None:
            return int(whole[1])
        if form is Form.WHOLE:
            raise Slip(f"`{shown(cell)}` is no whole number", "count whole ones")
    return text


def _moved(text: str, places: int) -> str:
    """A decimal text with its mark moved, exactly."""
    moved = format(_EXACT.scaleb(Decimal(text), places), "f")
    return moved.rstrip("0").rstrip(".") if "." in moved else moved


def _truth(cell: Cell, form: Form, habits: Habits) -> Any:
    said = cell.text if isinstance(cell, Numeral) else shown(cell).casefold()
    if said in _YES:
        return True
    if said in _NO:
        return None if form is Form.TRUE else False
    if form is Form.DAY_OR_TRUTH:
        return moment(cell, habits, False)
    raise Slip(f"`{shown(cell)}` is neither yes nor no", "write yes, or leave the cell empty")


def _words(cell: Cell, column: Column, habits: Habits) -> Any:
    form, text = column.form, shown(cell)
    if form is Form.YEAR_OR_TEXT and isinstance(cell, Numeral):
        text = cell.text
    else:
        _check_text(cell, column)
    if form is Form.CHOICE:
        near = re.sub(r"[\s_]+", " ", text.casefold())
        return next((one for one in column.choices if one.casefold() == near), text)
    if form in (Form.TEXTS, Form.ONE_OR_MORE, Form.VESSELS):
        return _several(text, form)
    if form is Form.WHOLE_RECORD:
        return _record(text, column)
    if form is Form.DAY_OR_TEXT and isinstance(cell, date):
        return moment(cell, habits, False)
    if form is Form.YEAR_OR_TEXT and re.fullmatch(r"[0-9]{4}", text):
        return int(text)
    return _json(text) if form is Form.JSON else text


def _check_text(cell: Cell, column: Column) -> None:
    """A spreadsheet turns names that look like a day or a number into one, and forgets the name."""
    if isinstance(cell, (date, time)) and column.path[-1] not in _DATED:
        what = "a day" if isinstance(cell, date) else "a time"
        raise Slip(
            f"the cell holds {what}, {shown(cell)}; `{column.name}` is a text",
            "the spreadsheet may have turned a name like 3-4 into it: format the column as text, "
            "and type the name again",
        )
    if isinstance(cell, Numeral) and (len(cell.text) > MOST_DIGITS or cell.as_shown is None):
        is_long = len(cell.text) > MOST_DIGITS
        raise Slip(
            f"`{cell.text}` is a number of which the spreadsheet may have lost digits"
            if is_long
            else f"the cell holds the number {cell.text} and shows it otherwise",
            f"`{column.name}` is a text: format the column as text, and type it again",
        )


def _json(text: str) -> Any:
    try:
        return json_value(text)
    except NotJson as problem:
        raise Slip(str(problem), 'JSON, as in {"lot": "24-SY", "all": true}') from None


def _record(text: str, column: Column) -> Any:
    """A record or a list of them in one cell: JSON, or endpoints as `record` takes them."""
    name = column.path[-1]
    if text[:1] in ("[", "{") or name not in ("from", "to", "of"):
        return _json(text)
    try:
        return [shorthand.endpoint(part, quantity=name != "of") for part in _parted(text)]
    except Refused as problem:
        raise Slip(problem.says, problem.hint) from None


def _several(text: str, form: Form) -> Any:
    """Texts with semicolons between them; one alone stays a text where it may be either."""
    if text.startswith('["') and text.endswith('"]'):
        return _json(text)
    if form is Form.VESSELS:
        return _vessels(text)
    return text if form is Form.ONE_OR_MORE and ";" not in text else _parted(text)


def _parted(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]


def _vessels(text: str) -> list[str]:
    try:
        return [
            name
            for part in _parted(text)
            for name in (shorthand.vessels(part) if ".." in part else [part])
        ]
    except Refused as problem:
        raise Slip(problem.says, problem.hint) from None


def moment(cell: Cell, habits: Habits, timed: bool) -> str:
    """A day, or a day and time where it may be ``timed``, as events write it; raises ``Slip``."""
    if isinstance(cell, datetime):
        found = cell.isoformat(timespec="auto" if cell.second or cell.microsecond else "minutes")
        found = found.removesuffix("T00:00")
    elif isinstance(cell, date):
        found = cell.isoformat()
    elif isinstance(cell, str) or (isinstance(cell, Numeral) and len(cell.text) == 8):
        try:
            found = day_and_time(shown(cell), habits.dates, habits.latest)
        except Unclear as problem:
            raise Slip(str(problem), problem.hint, problem.rule) from None
    else:
        hint = "format the cells as dates, or write days as in 2024-10-03"
        raise Slip(f"`{shown(cell)}` is no day", hint)
    if not timed and "T" in found:
        raise Slip(f"`{shown(cell)}` is a time; wanted a day alone", "as in 2024-10-03")
    return found


def shown(cell: Cell) -> str:
    """A cell as people see it, and as a field of text has it."""
    if isinstance(cell, Numeral):
        if cell.is_percent:
            return f"{_moved(cell.text, 2)} %"
        return cell.as_shown or cell.text
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, datetime):
        return moment(cell, Habits(), True)
    if isinstance(cell, (date, time)):
        return cell.isoformat()
    return cell.says if isinstance(cell, Broken) else cell
