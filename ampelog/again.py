"""What was entered before: rows that are known, rows that were changed since, papers told twice.

A row that was edited after it was recorded is another row. What it said before stays recorded, so
both would count; that is told, with the way to mend it. It is known by what it left behind: an
event that was loaded together with rows which the file still has, and which it has no longer.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from ampelog.errors import Finding
from ampelog.history import corrected
from ampelog.journal import Record
from ampelog.ledger import Ledger
from ampelog.lines import Entry

MOST_COMPARED = 1_000_000
"""Pairs of a new row and an event that is gone beyond which they are counted, not compared."""
_ONE, _TWO = 1, 2


def known(ledger: Ledger, entries: Sequence[Entry]) -> list[str]:
    """The places of the rows that are recorded already."""
    recorded = ledger.known([one.event["id"].lower() for one in entries])
    return [one.where for one in entries if one.event["id"].lower() in recorded]


def listed(places: Sequence[str]) -> list[str]:
    """A line a sheet for people: which of its rows are known."""
    rows: dict[str, list[int]] = {}
    for place in places:
        sheet, _, said = place.rpartition(", row")
        for part in said.removeprefix("s").strip().split(", "):
            first, _, last = part.partition("-")
            rows.setdefault(sheet, []).extend(range(int(first), int(last or first) + 1))
    return [f"{sheet}: recorded already: {_rows(found)}" for sheet, found in rows.items()]


def _rows(numbers: Sequence[int]) -> str:
    from ampelog import sheets

    return f"row {numbers[0]}" if len(numbers) == 1 else f"rows {sheets.listed(numbers)}"


def edited(ledger: Ledger, entries: Sequence[Entry]) -> list[Finding]:
    """Rows that are new among known rows, and equal a recorded event that is no longer among them
    in all but a field; or in all but two, where it was recorded together with the known ones.

    ``entries`` are the rows of all tables of a load, so that what one of them has is not missed in
    another.
    """
    ids = {one.event["id"].lower() for one in entries}
    recorded = ledger.known(ids)
    new = [one for one in entries if one.event["id"].lower() not in recorded]
    if not recorded or not new:
        return []
    gone = _gone(ledger, new, ids, recorded)
    if len(new) * len(gone) > MOST_COMPARED:
        return [_many(new, gone)]
    pairs = [
        (one, position, fields)
        for one in new
        for position, (event, most) in gone.items()
        if 0 < len(fields := _different(one.event, event)) <= most
    ]
    told: dict[str, Finding] = {}
    met: set[int] = set()
    for one, position, fields in sorted(pairs, key=lambda pair: len(pair[2])):
        if one.event["id"] not in told and position not in met:
            met.add(position)
            told[one.event["id"]] = _edited(one, position, fields)
    return [told[one.event["id"]] for one in new if one.event["id"] in told]


def _gone(
    ledger: Ledger, new: Sequence[Entry], ids: set[str], recorded: dict[str, Record]
) -> dict[int, tuple[dict[str, Any], int]]:
    """By position: the events that a new row may have been before it was edited, as they read now,
    and in how many fields it may differ. Those that were struck do not count any more."""
    moments = "\n".join(sorted({str(one.instant) for one in new}))
    positions = "\n".join(str(one.position) for one in recorded.values())
    rows = [(_ONE, *row) for row in ledger.rows("events_at", instant=moments)]
    rows += [
        (_TWO, *row) for row in ledger.rows("events_gone", ids="\n".join(ids), position=positions)
    ]
    mended = corrected(ledger, ledger.head.position)
    found: dict[int, tuple[dict[str, Any], int]] = {}
    for most, position, body in rows:
        event = json.loads(body)
        id_ = event["id"].lower()
        now = mended[id_].replacement if id_ in mended else event
        if id_ not in ids and now is not None:
            found[position] = (now, most)
    return found


def _edited(one: Entry, position: int, fields: Sequence[str]) -> Finding:
    return Finding(
        "edited row",
        one.where,
        f"equals event {position} but for `{'` and `'.join(fields)}`, and that event stays "
        "recorded",
        f"if it is the same event, leave the row as it was and correct event {position}",
        one.event["id"],
    )


def _many(new: Sequence[Entry], gone: dict[int, Any]) -> Finding:
    return Finding(
        "edited row",
        new[0].where,
        f"{len(new):,} rows are new from here on, and {len(gone):,} events that were recorded "
        "together with the others are rows no longer, and stay recorded",
        "if rows were edited, leave them as they were and correct their events",
    )


def same_paper(ledger: Ledger, entries: Sequence[Entry]) -> list[Finding]:
    """New rows whose paper is that of an event recorded before, or of a row of another day: is it
    entered twice? Several rows of one file and day may well stand on one paper."""
    ids = {one.event["id"].lower() for one in entries}
    recorded = ledger.known(ids)
    first: dict[tuple[str, str, str], tuple[str, str]] = {}
    for position, id_, kind, body in _on_papers(ledger, entries):
        if id_.lower() not in ids:
            event = json.loads(body)
            said = f"event {position} ({kind} of {event['at'][:10]})"
            for field, paper in _papers(event):
                first.setdefault((kind, field, paper), ("", said))
    found = []
    for one in entries:
        day = one.event["at"][:10]
        for field, paper in _papers(one.event):
            before, said = first.setdefault((one.event["kind"], field, paper), (day, one.where))
            if before != day and one.event["id"].lower() not in recorded:
                says = f"`{field}` is `{paper}`, and so it is in {said}"
                hint = "if that is the same load, leave this row out, or correct the event"
                found.append(Finding("same paper", one.where, says, hint, one.event["id"]))
    return found


def _on_papers(ledger: Ledger, entries: Sequence[Entry]) -> list[tuple[Any, ...]]:
    """The recorded events on the papers of these, those that were corrected left out."""
    papers = {paper for one in entries for _, paper in _papers(one.event) if "\n" not in paper}
    if not papers:
        return []
    mended = corrected(ledger, ledger.head.position)
    rows = ledger.rows("events_of_papers", paper="\n".join(sorted(papers)))
    return [row for row in rows if row[1].lower() not in mended]


def _papers(event: dict[str, Any]) -> list[tuple[str, str]]:
    """The papers of what comes in or leaves, by the fields that name them."""
    if event["kind"] not in ("pick", "receive", "ship"):
        return []
    return [(field, event[field]) for field in ("ref", "document") if event.get(field)]


def _different(event: dict[str, Any], recorded: dict[str, Any]) -> list[str]:
    """The fields by which two events of one kind differ; none where they have less in common."""
    if event["kind"] != recorded["kind"]:
        return []
    names = (event.keys() | recorded.keys()) - {"kind", "id", "by"}
    fields = sorted(name for name in names if event.get(name) != recorded.get(name))
    return fields if 2 * len(fields) <= len(names) else []
