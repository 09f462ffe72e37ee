"""Times: when something happened, as one instant, and the calendar day it fell on.

An event's ``at`` is a date, a local date-time in the premises' zone, or one with an offset
(EVENTS.md). Inside the program it is an instant: microseconds since 1970 in UTC.
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

DAY = 86_400_000_000
"""Microseconds of a day."""

EARLIEST_YEAR = 1900
_HOUR = r"(?:[01]\d|2[0-3]):\d{2}(?::\d{2}(?:\.\d{1,6})?)?"
_DAY = r"\d{4}-\d{2}-\d{2}"
_FORM = re.compile(rf"({_DAY})(?:T({_HOUR})(Z|[+-]\d{{2}}:\d{{2}})?)?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class NotATime(ValueError):
    """The text is no time; the message says what was seen and what was wanted."""


def _instant(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(microseconds=1)


@lru_cache(maxsize=262_144)
def instant(text: str, zone: ZoneInfo) -> int:
    """The instant of an ``at``, in microseconds UTC; raises ``NotATime``.

    A bare date is the start of its day. A local hour that occurs twice means the first; one that
    the clock skips is refused.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        raise NotATime(
            f"`{text}` is no time; wanted a date `2024-10-03`, a local time `2024-10-03T14:20`, "
            "or one with an offset"
        )
    day, hour, offset = match.groups()
    try:
        moment = datetime.fromisoformat(text if hour else f"{day}T00:00")
    except ValueError:
        raise NotATime(f"`{text}` is not in the calendar") from None
    if moment.year < EARLIEST_YEAR:
        raise NotATime(f"`{text}` is before {EARLIEST_YEAR}")
    if offset:
        return _instant(moment)
    local = moment.replace(tzinfo=zone)
    there = local.astimezone(UTC)
    if hour and there.astimezone(zone).replace(tzinfo=None) != moment:
        raise NotATime(f"`{text}` does not exist in {zone.key}: the clock skips that hour")
    return _instant(there)


def day(moment: int, zone: ZoneInfo) -> date:
    """The calendar day of an instant in a zone."""
    return (_EPOCH + timedelta(microseconds=moment)).astimezone(zone).date()


def day_and_minute(moment: int, zone: ZoneInfo) -> str:
    """An instant as a local `at` with its offset, to the minute."""
    local = (_EPOCH + timedelta(microseconds=moment)).astimezone(zone)
    return local.isoformat(timespec="minutes")


def date_of(text: str) -> date:
    """The day of a text like ``2024-10-03``, from 1900 to 9998 (raises ``NotATime``)."""
    try:
        found = date.fromisoformat(text) if re.fullmatch(_DAY, text, re.ASCII) else None
    except ValueError:
        found = None
    if found is None:
        raise NotATime(f"`{text}` is no date; wanted one like `2024-10-03`")
    if not EARLIEST_YEAR <= found.year < date.max.year:
        raise NotATime(f"`{text}` is not from {EARLIEST_YEAR} to {date.max.year - 1}")
    return found


def end_of_day(text: str, zone: ZoneInfo) -> int:
    """The last instant of a day given as ``2024-10-03`` (raises ``NotATime``)."""
    return instant((date_of(text) + timedelta(days=1)).isoformat(), zone) - 1


def rest_over(rest: str, bottled: date | None) -> str | None:
    """The day a rest comes to: ``"180 days"`` or ``"12 months"`` from a day, or a fixed date.

    Months run to the same day of the month, or to its last. None where no day is known.
    """
    count, _, unit = rest.partition(" ")
    if not unit:
        return rest
    if bottled is None:
        return None
    if unit == "days":
        days = min(int(count), (date.max - bottled).days)
        return (bottled + timedelta(days=days)).isoformat()
    months = bottled.year * 12 + bottled.month - 1 + int(count)
    year, month = divmod(months, 12)
    if year > date.max.year:
        return date.max.isoformat()
    last = monthrange(year, month + 1)[1]
    return date(year, month + 1, min(bottled.day, last)).isoformat()


def stamp(moment: datetime) -> str:
    """A recording time as text: UTC, microseconds, ``Z``; sorts as text."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def from_stamp(text: str) -> int:
    """The instant of a recording time."""
    return _instant(datetime.fromisoformat(text))


def to_stamp(moment: int) -> str:
    """An instant as a recording time's text."""
    return stamp(_EPOCH + timedelta(microseconds=moment))


def zone_of(name: str) -> ZoneInfo:
    """The zone of an IANA name (raises ``NotATime``)."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise NotATime(f"`{name}` is no time zone; wanted one like `America/Los_Angeles`") from None
