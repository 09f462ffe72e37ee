"""A trial for people: the candidates side by side, a column each, in the order of a tasting sheet:
what goes in, what it costs, what it is made of, what an analysis would find, what a label may say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from ampelog import say
from ampelog.phrases import listed

Row = dict[str, Any]
MOST_VESSELS = 2
"""Vessels that are named; more are counted."""
SHARES = 8
"""Rows of a composition that a sheet has room for, the largest first; all stand in the JSON."""


def sheet(answer: Row, units: str, notice: str) -> None:
    """The whole sheet."""
    tried = answer["candidates"]
    if "target" in answer:
        _target(answer, units)
    if not tried:
        return
    heads = [_head(one, answer) for one in tried]
    right = tuple(range(1, len(tried) + 1))
    say.table([*_wines(tried, units), *_money(tried)], ["goes in", *heads], right)
    for title, rows in (("made of", _made_of(tried)), ("an analysis would find", _found(tried))):
        say.line("")
        say.table(rows, [title, *heads], right)
    _rests(tried)
    if any(one["claims"] for one in tried):
        _claims(tried, heads)
        say.line("")
        say.line(notice)


def _head(one: Row, answer: Row) -> str:
    """A candidate's name; what answers the targets is called by its aim."""
    found = "target" in answer and one["name"] == answer["name"]
    return str(answer["target"]["aim"] if found else one["name"])


def _target(answer: Row, units: str) -> None:
    target = answer["target"]
    for each in target["left_out"]:
        say.line(f"{each['lot']} is left out: it {each['why']}.")
    if target["met"]:
        proved = f"no blend in steps of {target['step']} does better"
        best = proved if target["proved"] else "a better one may exist"
        volume = say.volume(answer["volume_l"], units)
        say.line(f"The {target['aim']} blend that meets the targets: {volume}; {best}.", "bold")
    elif target["collide"]:
        _collision(target)
    else:
        say.line("No blend was found whose exact check stands; other targets may do.", "bold")
    say.line("")


def _collision(target: Row) -> None:
    """Which targets no blend meets together."""
    names = target["collide"]
    if len(names) == 1:
        say.line("No blend of these lots meets this target, whatever the others ask:", "bold")
    else:
        say.line("No blend of these lots meets these targets together:", "bold")
    for name in names:
        say.line(f"  {name}")
    if target["finer_steps_would_do"]:
        say.line(f"In steps of {target['step']}, that is; finer ones would do (`step`).")
    elif len(names) > 1:
        say.line("Without any one of them there is one.")


def _side(tried: Sequence[Row], told: Callable[[Row], dict[str, str]]) -> list[list[str]]:
    """A row for everything that any of the candidates has, a column a candidate."""
    columns = [told(one) for one in tried]
    names = dict.fromkeys(name for column in columns for name in column)
    return [[name, *(column.get(name, "") for column in columns)] for name in names]


def _wines(tried: Sequence[Row], units: str) -> list[list[str]]:
    def told(one: Row) -> dict[str, str]:
        found = {}
        for part in one["components"]:
            found[_where(part["lot"], part["vessels"])] = say.volume(part["volume_l"], units)
        return found

    total = ["volume", *(say.volume(one["volume_l"], units) for one in tried)]
    return [*_side(tried, told), total]


def _where(lot: str, vessels: Sequence[str]) -> str:
    if len(vessels) > MOST_VESSELS:
        return f"{lot} in {len(vessels)} vessels"
    return f"{lot} in {listed(vessels)}" if vessels else lot


def _money(tried: Sequence[Row]) -> list[list[str]]:
    def told(one: Row) -> dict[str, str]:
        cost = one["cost"]
        if cost is None:
            return {}
        if cost["missing"]:
            return {"cost": f"not stated of {', '.join(cost['missing'])}"}
        unit = f"{cost['currency']} ".lstrip()
        mean = f"cost a {cost['per']}"
        return {"cost": f"{unit}{_cents(cost['total'])}", mean: f"{unit}{_cents(cost['mean'])}"}

    return _side(tried, told)


def _cents(value: str) -> str:
    whole, _, decimals = value.partition(".")
    return f"{int(whole):,}.{(decimals + '00')[:2]}"


def _made_of(tried: Sequence[Row]) -> list[list[str]]:
    def told(one: Row) -> dict[str, str]:
        return {_kind(row): say.part(row["share"], 3) for row in one["composition"][:SHARES]}

    return _side(tried, told)


def _kind(row: Row) -> str:
    fields = [key for key in row if key not in ("share", "material")]
    if row.get("material"):
        return str(row["material"])
    return ", ".join("unknown" if row[key] is None else str(row[key]) for key in fields)


_SAID = {
    "alcohol": "alcohol, % vol",
    "glucose_fructose": "residual sugar (glucose and fructose), g/L",
    "reducing_sugar": "residual sugar (reducing), g/L",
    "ta": "titratable acidity, g/L",
    "va": "volatile acidity, g/L",
    "total_so2": "total SO2, mg/L",
    "ph": "pH",
    "free_so2": "free SO2",
    "heat_stability": "heat stability",
    "cold_stability": "cold stability",
}


def _found(tried: Sequence[Row]) -> list[list[str]]:
    def told(one: Row) -> dict[str, str]:
        return {_SAID[row["quantity"]]: _value(row) for row in one["analysis"]}

    return _side(tried, told)


def _value(row: Row) -> str:
    if row["value"] is not None:
        return f"<{row['value']}" if row["below"] else str(row["value"])
    return "measure again" if row["says"].startswith("measure again") else "not known"


def _rests(tried: Sequence[Row]) -> None:
    """The readings that the estimates rest on, and what is missing, each once."""
    rests: dict[tuple[str, ...], tuple[dict[str, None], dict[str, None]]] = {}
    says: dict[str, None] = {}

    def note(wine: Row, name: str, day: str, since: Sequence[str] = ()) -> None:
        vessels, names = rests.setdefault((wine["lot"], day, ", ".join(since)), ({}, {}))
        names[name] = None
        if wine["vessel"] is not None:
            vessels[wine["vessel"]] = None

    for row in (row for one in tried for row in one["analysis"] if not row["measure_again"]):
        name = _SAID[row["quantity"]].partition(",")[0]
        for reading in row["rests_on"]:
            note(reading, name, reading["measured_on"], reading["since"])
        for wine in row["missing"]:
            note(wine, name, "none")
        if row["says"] and not row["missing"]:
            says[f"{name}: {row['says']}."] = None
    say.line("")
    rows = [
        [_where(lot, list(vessels)), day, ", ".join(names), since]
        for (lot, day, since), (vessels, names) in rests.items()
    ]
    rows.sort(key=lambda row: row[1] == "none")
    say.table(rows, ["rests on readings", "taken on", "of", "since then"])
    for words in says:
        say.line(words)


def _claims(tried: Sequence[Row], heads: Sequence[str]) -> None:
    """What each statement comes to in each candidate, then why, where it does not stand. Without a
    label, only what one of them may say."""
    labels = dict.fromkeys(one["label"] for one in tried if one["label"] is not None)
    rows: dict[tuple[str, str], list[str]] = {}
    for index, one in enumerate(tried):
        for row in one["claims"]:
            name = f"{row['claim'].replace('_', ' ')}: {row['statement']}"
            key = (name, row["citation"] or "")
            if labels or row["required"]:
                rows.setdefault(key, [""] * len(tried))[index] = say.VERDICTS[row["verdict"]]
    table = [
        [name, cite, *verdicts]
        for (name, cite), verdicts in rows.items()
        if labels or say.VERDICTS["supported"] in verdicts
    ]
    title = f"Under the label {', '.join(labels)}" if labels else "What could be said"
    say.line("")
    say.table(table, ["statement", "law", *heads], title=title)
    for head, one in zip(heads, tried, strict=True) if labels else ():
        for row in one["claims"]:
            if row["verdict"] != "supported":
                say.line(f"{head}, {row['claim'].replace('_', ' ')}: {row['why']}")
