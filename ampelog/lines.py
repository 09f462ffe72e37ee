"""Reads events from lines of JSON: every problem of a file at once, each with its line.

A line is I-JSON (RFC 7493): no duplicate keys, no NaN, no lone surrogates; numbers are whole.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Struct
from pydantic import ValidationError

from ampelog import mistakes, moments
from ampelog.errors import Finding
from ampelog.events import KINDS, LOOK_AHEAD, Event, model_of
from ampelog.moments import NotATime
from ampelog.told import Told, Unread

LONGEST_LINE = 4_000_000
GREATEST = 2**53 - 1
"""The greatest whole number that every reader of JSON keeps exactly (RFC 7493)."""
_ASK_TIME = "give the day or the time at which it happened, as in 2024-10-03 or 2024-10-03T14:20"


class Entry(Struct, frozen=True, gc=False):
    """An event: as received, as a model, and its moment. It has passed its form, but where ``line``
    is what it was read from, which is still to be checked; ``is_row`` says that it is a row of a
    table, whose `id` comes from what it says."""

    event: dict[str, Any]
    model: Event | Told
    instant: int
    where: str
    line: bytes = b""
    is_row: bool = False


class Read(Struct):
    """What files hold: events, problems that refuse them, and what is odd and refuses nothing."""

    entries: list[Entry]
    problems: list[Finding]
    odd: list[Finding]


class NotJson(ValueError):
    """A text or line is no JSON that every reader reads alike; the message says why."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise NotJson(f"the key `{key}` stands twice in one object")
            seen.add(key)
    return found


def _whole(text: str) -> int:
    if len(text) > 17 or abs(int(text)) > GREATEST:
        raise NotJson(f"the number {text[:20]} is too large for a number; write it as text")
    return int(text)


def _no_decimal(text: str) -> Any:
    raise NotJson(
        f'the bare number {text}; measured values are texts, as in "{text}", '
        "so that no digit is lost"
    )


def _no_constant(text: str) -> Any:
    raise NotJson(f"{text} is no number")


_decode = json.JSONDecoder(
    object_pairs_hook=_pairs,
    parse_int=_whole,
    parse_float=_no_decimal,
    parse_constant=_no_constant,
).decode


_decode_plain = msgspec.json.Decoder(float_hook=_no_decimal).decode


def normal(value: Any) -> Any:
    """The same JSON value with every text and key in Unicode's composed form (NFC)."""
    if isinstance(value, str):
        for char in value:
            if char > "\ufdcf" and (char <= "\ufdef" or ord(char) & 0xFFFE == 0xFFFE):
                raise NotJson(f"U+{ord(char):04X} is no character (RFC 7493, 2.1)")
        return unicodedata.normalize("NFC", value)
    if isinstance(value, list):
        return [normal(item) for item in value]
    if isinstance(value, dict):
        return _pairs([(unicodedata.normalize("NFC", key), normal(v)) for key, v in value.items()])
    return value


def value(text: str) -> Any:
    """The value of a JSON text; raises ``NotJson`` where readers would differ over it."""
    try:
        found = _decode(text)
        if not text.isascii() or "\\u" in text:
            found = normal(found)
            json.dumps(found, ensure_ascii=False).encode("utf-8")
    except json.JSONDecodeError as problem:
        raise NotJson(f"no JSON: {problem.msg} at column {problem.colno}") from None
    except UnicodeEncodeError:
        raise NotJson("half of a surrogate pair stands alone in a text") from None
    except RecursionError:
        raise NotJson("nested too deeply") from None
    return found


def _object(line: bytes) -> dict[str, Any]:
    if len(line) > LONGEST_LINE:
        raise NotJson(f"the line is longer than {LONGEST_LINE} bytes")
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise NotJson(f"not UTF-8 at byte {problem.start + 1}") from None
    found = value(text)
    if not isinstance(found, dict):
        raise NotJson(f"a line holds one event, an object in braces; seen `{text.strip()[:40]}`")
    return found


def read(
    lines: Iterable[bytes],
    name: str,
    zone: ZoneInfo,
    now: int,
    tick: Callable[[int], None] | None = None,
    *,
    formed: bool = True,
) -> tuple[list[Entry], list[Finding]]:
    """The entries of a file's lines, and the problems of those that have none.

    ``now`` is the recording's instant: an event may not lie more than a day after it.
    ``tick`` is told the number of lines read, for a progress display. Where the lines need not be
    ``formed``, they are read as if what they say had been recorded before: three times as fast, and
    whoever reads so checks them later (``whole``, ``formed``).
    """
    read_one = _read if formed else _unformed
    entries: list[Entry] = []
    problems: list[Finding] = []
    for number, line in enumerate(lines, start=1):
        if number == 1 and line.startswith(b"\xef\xbb\xbf"):
            line = line[3:]  # noqa: PLW2901  a spreadsheet's byte order mark
        if not line.strip():
            continue
        found = read_one(line, f"{name}:{number}", zone, now)
        if isinstance(found, Entry):
            entries.append(found)
        else:
            problems.extend(found)
        if tick is not None and number % 4096 == 0:
            tick(number)
    return entries, problems


def entry(
    event: dict[str, Any],
    where: str,
    zone: ZoneInfo,
    now: int,
    spot: Callable[[str], str] | None = None,
) -> Entry | Sequence[Finding]:
    """The entry of one event, or what is wrong with its form. ``spot`` names the place of a field
    (its path, as `to.2.volume`), where that is narrower than ``where``."""
    kind = event.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        return [_unknown_kind(kind, where)]
    try:
        model = model_of(event)
    except ValidationError as problem:
        return mistakes.told(problem.errors(include_url=False), event, where, spot)
    problems: list[Finding] = []
    began, ended = (where, where) if spot is None else (spot("at"), spot("until"))
    instant = _moment(model.at, kind, began, zone, now, problems)
    if model.until is not None:
        until = _moment(model.until, kind, ended, zone, now, problems)
        if instant is not None and until is not None and until < instant:
            problems.append(
                Finding(
                    "time",
                    ended,
                    f"`until` {model.until} is before `at` {model.at}",
                    "`at` is when it began, `until` when it ended",
                )
            )
    if problems or instant is None:
        return problems
    return Entry(event, model, instant, where)


def _read(line: bytes, where: str, zone: ZoneInfo, now: int) -> Entry | Sequence[Finding]:
    try:
        event = _object(line)
    except NotJson as problem:
        return [Finding("not a line of JSON", where, str(problem), "one event a line, as JSON")]
    return entry(event, where, zone, now)


def _unformed(line: bytes, where: str, zone: ZoneInfo, now: int) -> Entry | Sequence[Finding]:
    """As ``_read``, nothing but kind and moment checked where the line can be read without."""
    try:
        if line.isascii() and (b"\\" not in line or b"\\u" not in line):  # one byte: found sooner
            event = _decode_plain(line)
            kind = event["kind"]
            if kind in KINDS and "until" not in event:
                instant = _moment(event["at"], kind, where, zone, now, [])
                if instant is not None:
                    return Entry(event, Unread(event), instant, where, line)
    except Exception:  # noqa: BLE001  whatever is wrong with it, `_read` says it
        pass
    return _read(line, where, zone, now)


def formed(one: Entry, zone: ZoneInfo, now: int) -> Entry | Sequence[Finding]:
    """An entry whose form is checked, or what is wrong with it."""
    if isinstance(one.model, Event):
        return one
    if one.line:
        return _read(one.line, one.where, zone, now)
    return entry(one.event, one.where, zone, now)


def whole(event: dict[str, Any], line: bytes) -> dict[str, Any]:
    """The event of a line that was read unchecked, of which `id` and `by` may have been filled in,
    or an event without a line; raises where it is not of its form."""
    if line:
        event = {**_plain(line), "id": event["id"], "by": event["by"]}
    model_of(event)
    return event


def _plain(line: bytes) -> dict[str, Any]:
    """As ``_object``, three times as fast, of a line in ASCII without escapes of characters: of a
    key that stands twice the fast reader keeps one, and so fewer quotation marks."""
    found = _decode_plain(line)
    alike = line.count(b'"') == msgspec.json.encode(found).count(b'"')
    plain = alike and isinstance(found, dict) and len(line) <= LONGEST_LINE
    return found if plain else _object(line)


def typed(event: dict[str, Any], where: str, zone: ZoneInfo, now: int) -> Entry | Sequence[Finding]:
    """As ``entry``, for an event that was put together and never was a line."""
    try:
        return entry(normal(event), where, zone, now)
    except NotJson as problem:
        return [Finding("form", where, str(problem), "write it without that")]


def wants(kind: str, field: str, value: Any) -> str | None:
    """What a field of a kind wants where a value is not of its form, in words; else None."""
    try:
        KINDS[kind].model_validate({"kind": kind, "at": "2000-01-01", field: value})
    except ValidationError as problem:
        errors = [one for one in problem.errors() if one["loc"][:1] == (field,)]
        if errors and errors[0]["type"] not in ("missing", "extra_forbidden"):
            return mistakes.wanted(field, errors)
    return None


def _moment(
    text: str, kind: str, where: str, zone: ZoneInfo, now: int, problems: list[Finding]
) -> int | None:
    try:
        instant = moments.instant(text, zone)
    except NotATime as problem:
        problems.append(Finding("time", where, str(problem), _ASK_TIME))
        return None
    if instant > now + moments.DAY and kind not in LOOK_AHEAD:
        problems.append(
            Finding(
                "time",
                where,
                f"`{text}` is more than a day after the recording",
                "record what has happened; only `label`, `release` and `lot` may look ahead",
            )
        )
        return None
    return instant


def _unknown_kind(kind: object, where: str) -> Finding:
    from difflib import get_close_matches

    near = get_close_matches(str(kind), KINDS, n=1)
    hint = f"did you mean `{near[0]}`?" if near else "kinds: " + ", ".join(KINDS)
    seen = "no `kind`" if kind is None else f"unknown kind `{kind}`"
    return Finding("form", where, seen, hint)
