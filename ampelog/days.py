"""Days and times as people write them: `4 Oct 2024`, `13/4/2024`, `10/3/2024 2:20 pm`.

A day that can be read in two ways is asked about, with both readings; nothing is guessed.
"""

from __future__ import annotations

import re
from datetime import date

ORDERS = ("dmy", "mdy", "ymd")
"""The orders of day, month and year in figures."""
_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)
_WEEKDAY = re.compile(
    r"(?:mon|tue|tues|wed|thu|thur|thurs|fri|sat|sun|monday|tuesday|wednesday|thursday|friday"
    r"|saturday|sunday)\.?,?\s+",
    re.IGNORECASE,
)
_ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:T[0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?"
    r"(?:Z|[+-][0-9]{2}:[0-9]{2})?)?"
)
_FIGURES = re.compile(r"([0-9]{1,4})([./-])([0-9]{1,2})\2([0-9]{1,4})")
_DAY_FIRST = re.compile(r"([0-9]{1,2})(?:st|nd|rd|th)?[\s-]+([a-z]{3,9})\.?,?[\s-]+([0-9]{2,4})")
_MONTH_FIRST = re.compile(r"([a-z]{3,9})\.?\s+([0-9]{1,2})(?:st|nd|rd|th)?,?\s+([0-9]{2,4})")
_HOUR = re.compile(
    r"([0-9]{1,2})(?:[:h]([0-9]{2})(?::([0-9]{2}))?)?\s*(am|pm|a\.m\.|p\.m\.)?", re.IGNORECASE
)
AS_IN = "write days as in 2024-10-03 or 4 Oct 2024"
"""What can be read in one way alone."""


class Unclear(ValueError):
    """A text is no day, or is one of two; the message says which."""

    def __init__(self, says: str, hint: str = AS_IN, rule: str = "date") -> None:
        super().__init__(says)
        self.hint, self.rule = hint, rule


def day_and_time(text: str, order: str | None, latest: int) -> str:
    """A day, with its time where there is one, as events write it (raises ``Unclear``).

    ``order`` is that of days in figures, None where nobody said. ``latest`` is the last year that
    two digits may mean: a later one may be of a hundred years before, as a lease of 85 is.
    """
    if _ISO.fullmatch(text):
        return text
    bare = _WEEKDAY.sub("", text, count=1) if _WEEKDAY.match(text) else text
    split = re.fullmatch(
        r"(.+?[0-9])(?:,?\s+|T)([0-9]{1,2}(?:[:h][0-9]{2}.*|\s*[ap]\.?m\.?))", bare, re.I
    )
    said, hour = (split[1], split[2]) if split else (bare, "")
    found = _day(said.strip(), order, text)
    if found.year > latest and str(found.year) not in said:
        raise Unclear(
            f"`{text}` may be of {found.year - 100} or of {found.year}; which one?",
            "write the year in full",
            "ambiguous date",
        )
    return f"{found.isoformat()}T{time_of_day(hour)}" if hour else found.isoformat()


def time_of_day(text: str) -> str:
    """A time as events write it: `2:20 pm` is 14:20 (raises ``Unclear``)."""
    match = _HOUR.fullmatch(text.strip())
    if match is None or (match[2] is None and match[4] is None):
        raise Unclear(f"`{text}` is no time of day", "as in 14:20 or 2:20 pm", "time")
    hour, half = int(match[1]), (match[4] or "").lower().replace(".", "")
    if half:
        if not 1 <= hour <= 12:
            raise Unclear(f"`{text}` is no time of day", "as in 14:20 or 2:20 pm", "time")
        hour = hour % 12 + (12 if half == "pm" else 0)
    if hour > 23 or int(match[2] or 0) > 59 or int(match[3] or 0) > 59:
        raise Unclear(f"`{text}` is no time of day", "as in 14:20 or 2:20 pm", "time")
    return f"{hour:02d}:{match[2] or '00'}" + (f":{match[3]}" if match[3] else "")


def _day(said: str, order: str | None, text: str) -> date:
    if re.fullmatch(r"(?:19|20)[0-9]{6}", said):
        return _date(int(said[:4]), int(said[4:6]), int(said[6:]), text)
    figures = _FIGURES.fullmatch(said)
    if figures is not None:
        return _of_figures(figures[1], figures[3], figures[4], order, text)
    low = said.casefold()
    for pattern, day, month in ((_DAY_FIRST, 1, 2), (_MONTH_FIRST, 2, 1)):
        match = pattern.fullmatch(low)
        if match is not None:
            year = _year(match[3], order, text)
            return _date(year, _month(match[month], text), int(match[day]), text)
    raise Unclear(f"`{text}` is no day")


def _of_figures(first: str, second: str, third: str, order: str | None, text: str) -> date:
    """A day in three figures: the year is the one of four digits, the rest is of an order."""
    if len(first) == 4:
        return _date(int(first), int(second), int(third), text)
    if len(third) not in (2, 4) and not (len(third) == 1 and order == "ymd"):
        raise Unclear(f"`{text}` is no day")
    if len(first) > 2:
        raise Unclear(f"`{text}` is no day")
    if order == "ymd":
        if len(third) == 4:
            raise Unclear(f"`{text}` ends in its year, the file's days begin with it")
        return _date(2000 + int(first), int(second), int(third), text)
    year, one, other = _year(third, order, text), int(first), int(second)
    if order is None and one <= 12 and other <= 12 and one != other:
        dmy, mdy = _date(year, other, one, text), _date(year, one, other, text)
        raise Unclear(
            f"`{text}` may be {dmy} or {mdy}; which one?",
            f"say --dates dmy ({dmy}) or --dates mdy ({mdy}), for all of the file",
            "ambiguous date",
        )
    day_first = one > 12 if order is None else order == "dmy"
    day, month = (one, other) if day_first else (other, one)
    return _date(year, month, day, text, order)


def _year(said: str, order: str | None, text: str) -> int:
    if len(said) == 4:
        return int(said)
    if len(said) != 2 or order is None:
        raise Unclear(
            f"`{text}` has a year of {len(said)} digits; which part is the year?",
            "write the year in full, or say --dates dmy, mdy or ymd, for all of the file",
            "ambiguous date",
        )
    return 2000 + int(said)


def _month(said: str, text: str) -> int:
    for number, name in enumerate(_MONTHS, start=1):
        if said in (name, name[:3]) or (said == "sept" and number == 9):
            return number
    raise Unclear(f"`{text}`: `{said}` is no English month")


def _date(year: int, month: int, day: int, text: str, order: str | None = None) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        said = f" as {order}" if order else ""
        raise Unclear(f"`{text}` is not in the calendar{said}") from None
