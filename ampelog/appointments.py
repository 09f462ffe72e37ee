"""The calendar as iCalendar (RFC 5545): an all-day entry a lot, on the day of its release.

An entry keeps its UID, so that a calendar which took it before moves it instead of adding another;
SEQUENCE and DTSTAMP are those of the last event of the ledger that bears on it. A lot whose filling
was struck is told once more, as cancelled. No clock is read: the same ledger gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from ampelog import history, moments
from ampelog.cellar_work import FOREVER, naming
from ampelog.questions import View
from ampelog.releases import HELD, RELEASED

Row = dict[str, Any]
_ENDS_WELL = {RELEASED: "released", HELD: "on hold"}


def icalendar(view: View, rows: Sequence[Row], premises: str) -> bytes:
    """The entries of these rows, as a file of RFC 5545."""
    from icalendar import Calendar

    made = Calendar()
    made.add("prodid", "-//ampelog//bottle rest and release//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", f"{premises}: bottles to be released")
    dated = [row for row in rows if row["release_on"] is not None]
    for row in dated:
        position, stamp = _last(view, [row["lot"], row["label"]])
        made.add_component(_entry(view, row, position, stamp))
    told = {row["lot"] for row in dated}
    for lot, day, position, stamp in _struck(view):
        if lot not in told:
            made.add_component(_cancelled(view, lot, day, position, stamp))
    return bytes(made.to_ical())


def _uid(view: View, lot: str) -> str:
    """The same for a lot of a ledger, whenever it is asked (RFC 9562, version 5)."""
    return str(uuid5(NAMESPACE_URL, f"ampelog:{view.ledger.ledger_id}/release/{lot}"))


def _entry(view: View, row: Row, position: int, stamp: datetime) -> Any:
    cases = row["cases"].split(".")[0]
    summary = f"{row['lot']} may be released: {cases} cases"
    if row["state"] == HELD:
        summary = f"{row['lot']} would be released, and is on hold: {cases} cases"
    elif row["state"] == RELEASED:
        summary = f"{row['lot']} released: {cases} cases"
    lines = [
        f"Bottled on {row['bottled_on'] or 'a day that is not known'}; {row['bottles']} bottles.",
        f"Rest: {row['rest']} ({row['basis']}).",
        f"State: {row['state']}; {row['why']}.",
    ]
    if not row["binds"]:
        lines.append("This day is a default of its style: it binds nothing.")
    made = _event(view, row["lot"], date.fromisoformat(row["release_on"]), position, stamp)
    made.add("summary", summary)
    made.add("description", "\n".join(lines))
    made.add("status", "CONFIRMED" if row["binds"] and row["state"] != HELD else "TENTATIVE")
    return made


def _cancelled(view: View, lot: str, day: date, position: int, stamp: datetime) -> Any:
    made = _event(view, lot, day, position, stamp)
    made.add("summary", f"{lot}: no such bottles; the record was corrected")
    made.add("status", "CANCELLED")
    return made


def _event(view: View, lot: str, day: date, position: int, stamp: datetime) -> Any:
    from icalendar import Event

    made = Event()
    made.add("uid", _uid(view, lot))
    made.add("sequence", position)
    made.add("dtstamp", stamp)
    made.add("last-modified", stamp)
    made.add("dtstart", day)
    made.add("dtend", day + timedelta(days=1))  # an all-day end is exclusive
    made.add("transp", "TRANSPARENT")
    return made


def _last(view: View, names: Sequence[str | None]) -> tuple[int, datetime]:
    """The last event that names a lot or its label, or corrects one that does."""
    ids: set[str] = set()
    last = 1
    known = [name for name in names if name is not None]
    texts = [json.dumps(name, ensure_ascii=False) for name in known]
    for position, _, _, _, body in naming(view, known, FOREVER):
        event = json.loads(body)
        corrects = str(event.get("corrects") or event.get("hold") or "").lower()
        if any(text in body for text in texts) or corrects in ids:
            ids.add(event["id"].lower())
            last = max(last, position)
    return last, _recorded(view, last)


def _recorded(view: View, position: int) -> datetime:
    stamp = view.ledger.records(position, position)[0].recorded_at
    return datetime.fromisoformat(stamp).astimezone(UTC).replace(microsecond=0)


def _struck(view: View) -> Iterator[tuple[str, date, int, datetime]]:
    """Lots that a filling named, before a correction took all of it away."""
    corrected = history.corrected(view.ledger, view.head.position)
    originals = view.ledger.known(corrected) if corrected else {}
    for key, record in originals.items():
        event = record.event
        if event["kind"] not in ("bottle", "pack"):
            continue
        to = event.get("to", event)
        for end in to if isinstance(to, list) else [to]:
            lot = end.get("lot")
            there = view.cellar.lots.get(lot)
            if there is None or not there.contents():
                day = moments.day(moments.instant(event["at"], view.zone), view.zone)
                position = corrected[key.lower()].position
                yield lot, day, position, _recorded(view, position)
