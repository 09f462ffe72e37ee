"""Readiness for people: the answer first, then what stops a bottling, what passes, what advises."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampelog import cautions, say
from ampelog.gate_rules import UNASKED
from ampelog.phrases import listed

Row = dict[str, Any]
HEADS = ("gate", "", "verdict", "value", "limit", "measured", "age")
MOST_NAMED = 3
NOTICE = (
    "Limits and ages without a published basis are proposals of this program, marked *. Where law "
    "decides, the regulator and licensed counsel decide."
)
_MARKS = {
    "pass": "✓ pass",
    "fail": "✗ fail",
    "missing": "○ missing",
    "stale": "◌ stale",
    "waived": "~ waived",
    "advice": "· advice",
}


def sheet(rows: Sequence[Row], units: str, own: str | None, *, whole: bool) -> None:
    """The ``whole`` cellar, a line a lot, or one lot gate by gate."""
    if whole:
        cellar(rows, units)
    else:
        lot(rows[0], units, own)


def lot(answer: Row, units: str, own: str | None) -> None:
    """One lot, gate by gate."""
    style = answer["style"] or "style not registered"
    label = f", for `{answer['label']}`" if answer["label"] else ""
    say.line(_answer(answer), "green" if answer["ready"] else "red")
    say.line(f"{say.volume(answer['volume_l'], units)}, {style}{label}; asked of {answer['on']}.")
    for why in answer["why"]:
        say.text(f"{why[0].upper()}{why[1:].rstrip('.')}.")
    stops = [one for one in answer["gates"] if one["stops"]]
    advice = [one for one in answer["gates"] if one["verdict"] == "advice"]
    rest = [one for one in answer["gates"] if one not in stops and one not in advice]
    if stops:
        say.line("")
        say.line("What stops it", "bold")
        say.paired([(_cells(one), one["says"]) for one in stops])
    if rest:
        say.line("")
        say.table([_cells(one) for one in rest], HEADS, right=(6,), title="What passes")
    if advice:
        _advice(advice)
    _own(answer, own)
    say.line("")
    say.text(NOTICE)
    if any("needed_free" in one for one in stops):
        for text in cautions.lines([cautions.SULFUR_DIOXIDE]):
            say.text(text)


def _advice(gates: Sequence[Row]) -> None:
    """What stops nothing: what was found, and what to do in the run."""
    unasked = [one["name"] for one in gates if one["value"] is None and one["says"] == UNASKED]
    shown = [one for one in gates if one["value"] is not None or one["says"] != UNASKED]
    say.line("")
    say.table(
        [(one["gate"], one["name"], _valued(one), one["says"]) for one in shown],
        ("gate", "", "value", "what to do"),
        title="To look at; none of it stops the bottling",
    )
    if unasked:
        say.text(f"Not measured, and nothing here asks for it: {listed(unasked)}.")


def _answer(answer: Row) -> str:
    if answer["ready"]:
        return f"{answer['lot']} may be bottled, as far as the records show."
    counted = {
        verdict: sum(one["verdict"] == verdict and one["stops"] for one in answer["gates"])
        for verdict in ("fail", "stale", "missing")
    }
    words = {"fail": "fails", "stale": "is stale", "missing": "is missing"}
    many = {"fail": "fail", "stale": "are stale", "missing": "are missing"}
    parts = [
        f"{count} {words[verdict] if count == 1 else many[verdict]}"
        for verdict, count in counted.items()
        if count
    ]
    if answer["holds"]:
        parts.insert(0, "it is on hold")
    return f"{answer['lot']} may not be bottled yet: {listed(parts or answer['why'])}."


def _cells(one: Row) -> Sequence[str]:
    star = "*" if one["basis"] in ("proposal", "memory") else ""
    legal = " (law)" if one["legal"] else ""
    age = "" if one["age_days"] is None else str(one["age_days"])
    if age and one["max_age_days"] is not None:
        age = f"{age} of {one['max_age_days']} d"
    return (
        one["gate"],
        one["name"],
        _MARKS[one["verdict"]],
        _valued(one),
        f"{one['limit'] or ''}{star}{legal}",
        one["measured_on"] or "",
        age,
    )


def _valued(one: Row) -> str:
    value = one["value"] or ""
    unit = f" {one['unit']}" if one["unit"] and value else ""
    where = f" in {one['vessel']}" if one["vessel"] else ""
    return f"{value}{unit}{where}"


def _own(answer: Row, own: str | None) -> None:
    """What a winery's own file says otherwise."""
    changed = [one for one in answer["gates"] if one.get("changed")]
    if changed and own:
        say.line("")
        say.line(f"As the winery's own {own} has it:")
        for one in changed:
            say.line(f"  {one['gate']}  {'; '.join(one['changed'])}")


def cellar(rows: Sequence[Row], units: str) -> None:
    """All lots of wine, a line each: those that may be bottled first."""
    if not rows:
        say.line("There is no wine in the cellar that could be bottled.")
        return
    ready = sum(row["ready"] for row in rows)
    say.line(f"{ready} of {len(rows)} lots of wine may be bottled on {rows[0]['on']}.", "bold")
    shown = sorted(rows, key=lambda row: (not row["ready"], len(row["stops"]), row["lot"]))
    say.table(
        [
            (
                row["lot"],
                say.volume(row["volume_l"], units),
                row["label"] or row["style"] or "no plan registered",
                _lacks(row),
            )
            for row in shown
        ],
        ("lot", "volume", "meant for", "what it lacks"),
        right=(1,),
    )
    say.text(NOTICE)


def _lacks(row: Row) -> str:
    """What a lot lacks, the gravest first, so many by name."""
    if row["ready"]:
        return "✓ nothing"
    parts = list(row["why"])
    for verdict in ("fail", "stale", "missing"):
        names = [
            one["name"]
            for one in row["gates"]
            if one["stops"] and one["verdict"] == verdict and one["gate"] != "B28"
        ]
        more = len(names) - MOST_NAMED
        if more > 1:
            names = [*names[:MOST_NAMED], f"{more} more"]
        if names:
            parts.append(f"{verdict}: {listed(names)}")
    return "\n".join(parts)


def countdown(answer: Row) -> None:
    """What is to be done for a bottling on a day, in the order of its last days."""
    rows = answer["steps"]
    open_ = [one for one in rows if one["stops"]]
    title = f"{answer['lot']} for a bottling on {answer['on']}, seen from {answer['asked_on']}"
    say.line(title, "bold")
    say.line(f"{len(open_)} of the gates that can stop it are still open.")
    say.table(
        [
            (
                one["not_before"],
                one["not_after"],
                one["gate"] or "",
                one["what"],
                _standing(one),
            )
            for one in rows
        ],
        ("not before", "not after", "gate", "what", "on record"),
    )
    say.line("Rows without a gate are the usual order of a bottling (study notes, low authority).")
    say.text(NOTICE)


def _standing(one: Row) -> str:
    if one["holds"] is None:
        return "its usual days are over" if one["over"] else ""
    if one["holds"]:
        return "✓ valid on that day"
    return f"○ {one['says']}{'' if one['stops'] else ' (advice)'}"
