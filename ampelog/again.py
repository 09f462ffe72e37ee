"""What was entered before: rows that are known, rows that were changed since, papers told twice.

A row that was edited after it was recorded is another row. What it said before stays recorded, so
both would count; that is told, with the way to mend it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from ampelog.errors import Finding
from ampelog.history import corrected
from ampelog.ledger import Ledger
from ampelog.lines import Entry


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
    """Rows that are new in a file of known rows, and equal a recorded event that the file has no
    longer in all but one field."""
    ids = {one.event["id"].lower() for one in entries}
    recorded = ledger.known(ids)
    new = [one for one in entries if one.event["id"].lower() not in recorded]
    if not recorded or not new:
        return []
    asked = "\n".join(sorted({str(one.instant) for one in new}))
    there = [(at, json.loads(body)) for at, body in ledger.rows("events_at", instant=asked)]
    gone = [(at, event) for at, event in there if event["id"].lower() not in ids]
    pairs = [
        (one, at, name)
        for one in new
        for at, event in gone
        if (name := _different(one.event, event)) is not None
    ]
    told: dict[str, Finding] = {}
    met: set[int] = set()
    for one, position, name in pairs:
        if one.event["id"] not in told and position not in met:
            met.add(position)
            told[one.event["id"]] = Finding(
                "edited row",
                one.where,
                f"equals event {position} but for `{name}`, and that event stays recorded",
                f"if it is the same event, leave the row as it was and correct event {position}",
                one.event["id"],
            )
    return list(told.values())


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


def _different(event: dict[str, Any], recorded: dict[str, Any]) -> str | None:
    """The one field by which two events of one kind differ, None where they differ in more."""
    if event["kind"] != recorded["kind"]:
        return None
    names = (event.keys() | recorded.keys()) - {"id", "by"}
    fields = [name for name in names if event.get(name) != recorded.get(name)]
    return fields[0] if len(fields) == 1 else None
