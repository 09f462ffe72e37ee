"""The audit for people: how much of each kind, then each finding under its heading."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from msgspec import Struct

from ampelog import say
from ampelog.audit import LOOK, NOTED, SERIOUS, group
from ampelog.oddities import LATE_SOURCE
from ampelog.phrases import listed

Row = dict[str, Any]
SEVERITIES = {SERIOUS: "serious", LOOK: "to look at", NOTED: "noted"}
NOTICE = (
    "Recomputed from the log; nothing here is refused or changed. Late entries are counted in "
    f"business days, Monday to Friday, without holidays ({LATE_SOURCE}). Whether anything here "
    "is a fault is for the regulator and licensed counsel to say."
)
AROUND = 7
"""Words kept on either side of what changed."""
MANY = 8
"""From so many entries of one day of recording on they are told together."""


class Group(Struct, frozen=True):
    """The findings of one heading, as people read them: day, event, lot and words."""

    title: str
    severity: str
    count: int
    lines: tuple[tuple[str, str, str, str], ...]


def groups(rows: Sequence[Row]) -> list[Group]:
    """The findings by heading, in their order."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["finding"], []).append(row)
    told = []
    for finding, members in found.items():
        title, severity = group(finding)
        if title == group("")[0]:
            title = finding.capitalize()
        lines = _late(members) if finding == "entered late" else [_line(row) for row in members]
        told.append(Group(title, severity, len(members), tuple(lines)))
    return told


def _line(row: Row) -> tuple[str, str, str, str]:
    number = "" if row["position"] is None else str(row["position"])
    says = row["says"]
    if row["finding"] == "correction":
        before, after = changed(row["before"], row["after"])
        says = f"Said: {before} Now: {after} ({row['reason']})"
    return (row["on"] or "", number, row["lot"] or "", says)


def _late(rows: Sequence[Row]) -> list[tuple[str, str, str, str]]:
    """Late entries; many of one day of recording in one line."""
    days: dict[str, list[Row]] = {}
    for row in rows:
        days.setdefault(row["entered_on"], []).append(row)
    found = []
    for entered, members in days.items():
        if len(members) < MANY:
            found += [_line(row) for row in members]
            continue
        first, last = members[0], members[-1]
        numbers = sorted(row["position"] for row in members)
        says = (
            f"{len(members):,} events of {first['on']} to {last['on']} were entered on {entered}, "
            f"up to {max(row['business_days'] for row in members):,} business days after"
        )
        found.append((entered, f"{numbers[0]}-{numbers[-1]}", "", says))
    return found


def answer(rows: Sequence[Row], today: date) -> str:
    """How much there is, by weight."""
    counts = [
        f"{count:,} {words}"
        for severity, words in SEVERITIES.items()
        if (count := sum(row["severity"] == severity for row in rows))
    ]
    if not counts:
        return f"Nothing is odd in the records, on {today}."
    return f"{len(rows):,} findings on {today}: {listed(counts)}."


def sheet(rows: Sequence[Row], today: date) -> None:
    """The whole audit."""
    say.line(answer(rows, today), "bold")
    for one in groups(rows):
        say.line("")
        say.table(
            one.lines,
            ("on", "no.", "lot", "what"),
            right=(1,),
            title=f"{one.title} ({one.count:,}, {SEVERITIES[one.severity]})",
        )
    say.line("")
    say.text(NOTICE)


def changed(before: str, after: str) -> tuple[str, str]:
    """Two sentences without the words that they share at both ends, some of which stay to find the
    place by."""
    old, new = before.split(), after.split()
    same = next((n for n, (a, b) in enumerate(zip(old, new, strict=False)) if a != b), None)
    same = min(len(old), len(new)) if same is None else same
    ends = zip(reversed(old[same:]), reversed(new[same:]), strict=False)
    tail = next((n for n, (a, b) in enumerate(ends) if a != b), min(len(old), len(new)) - same)
    first = max(0, same - AROUND)
    return _cut(old, first, tail), _cut(new, first, tail)


def _cut(words: Sequence[str], first: int, tail: int) -> str:
    last = len(words) - max(0, tail - AROUND)
    kept = " ".join(words[first:last])
    return f"{'… ' if first else ''}{kept}{' …' if last < len(words) else ''}"
