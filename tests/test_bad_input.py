"""Bad input of every sort: exit 2, the line, what was seen and wanted, nothing recorded.

The lines are loaded into the wine's ledger (``tests.program``): `A` in `T1` (50.001 gal), `B` in
`T2` (149.999 gal), both must; `D` in `T4` (100 gal); 480 bottles of `C24`; `C`, `F1`, `F2` empty.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from ampelog import ledger, lines, moments, opening, recording, scribe
from ampelog.errors import Finding, Refused
from ampelog.events import KINDS
from tests.program import EXAMPLE, WINE, Run, copied, journal_of

pytest_plugins = ("tests.running",)

SOME_ID = "01890000-0000-7000-8000-000000000000"


def line(kind: str, at: str = "2025-02-01T10:00", **fields: Any) -> str:
    """An event as a line; a field ends with `_` where Python has its word."""
    named = {key.removesuffix("_"): value for key, value in fields.items()}
    return json.dumps({"kind": kind, "at": at, **named})


def loss(**fields: Any) -> str:
    return line("loss", **{"lot": "A", "volume": "5 L", "reason": "spill", **fields})


def note(at: str = "2025-02-01T10:00", **fields: Any) -> str:
    return line("note", at, **{"lot": "A", "text": "x", **fields})


def rack(from_: Any = None, to: Any = None, kind: str = "rack", **fields: Any) -> str:
    drawn = {"lot": "A", "volume": "5 L"} if from_ is None else from_
    filled = {"lot": "A", "vessel": "T9", "volume": "5 L"} if to is None else to
    return line(kind, from_=drawn, to=filled, **fields)


def ship(**fields: Any) -> str:
    given = {"lot": "C24", "bottles": 5, "to": "Shop", "removal": "taxpaid", **fields}
    return line("ship", "2026-01-01", **{k: v for k, v in given.items() if v is not None})


def receive(**fields: Any) -> str:
    return line("receive", **{"lot": "P", "volume": "5 L", **fields})


A_LOT = {"lot": "A", "volume": "5 L"}
BAD: dict[str, tuple[str, str, str]] = {
    # I-JSON (RFC 7493)
    "no json": ("not json", "not a line of JSON", "no JSON"),
    "cut off": ('{"kind":"note"', "not a line of JSON", "no JSON"),
    "no object": ("[1]", "not a line of JSON", "one event"),
    "two objects": ("{} {}", "not a line of JSON", "no JSON"),
    "key twice": ('{"kind":"note","kind":"note"}', "not a line of JSON", "stands twice"),
    "key twice inside": (
        '{"kind":"rack","from":{"lot":"A","lot":"B"}}',
        *("not a line of JSON", "stands twice"),
    ),
    "NaN": ('{"kind":"note","text":NaN}', "not a line of JSON", "NaN is no number"),
    "infinity": ('{"kind":"note","text":-Infinity}', "not a line of JSON", "Infinity is no number"),
    "bare decimal": ('{"kind":"reading","brix":24.5}', "not a line of JSON", 'as in "24.5"'),
    "exponent": ('{"kind":"reading","brix":1e3}', "not a line of JSON", "bare number 1e3"),
    "large number": ('{"kind":"note","text":9007199254740993}', "not a line of JSON", "too large"),
    "surrogate": ('{"kind":"note","text":"\\ud800"}', "not a line of JSON", "surrogate"),
    "noncharacter": ('{"kind":"note","text":"\\uffff"}', "not a line of JSON", "U+FFFF"),
    "deep": ("[" * 90_000, "not a line of JSON", "nested"),
    # fields every event may have
    "no kind": ('{"at":"2025-01-01"}', "form", "no `kind`"),
    "unknown kind": (line("racking"), "form", "did you mean `rack`"),
    "kind of another type": ('{"kind":["rack"],"at":"2025-01-01"}', "form", "unknown kind"),
    "no at": ('{"kind":"note","lot":"A","text":"x"}', "form", "needs `at`"),
    "at in words": (note("yesterday"), "time", "`yesterday` is no time; wanted a date"),
    "at with a bare number": ('{"kind":"note","at":20250101,"lot":"A"}', "form", "wanted a text"),
    "not in the calendar": (note("2025-02-30"), "time", "not in the calendar"),
    "before 1900": (note("1899-12-31"), "time", "before 1900"),
    "far ahead": (note("2125-01-01"), "time", "more than a day after"),
    "hour that is skipped": (note("2025-03-09T02:30"), "time", "the clock skips that hour"),
    "hour 24": (note("2025-03-09T24:00"), "time", "wanted a date"),
    "until before at": (note(until="2025-01-01"), "time", "is before `at`"),
    "unknown key": (note(txt="x"), "form", "did you mean `text`"),
    "unknown key inside": (
        rack(to={"lot": "A", "vessel": "T9", "volum": "5 L", "volume": "5 L"}),
        *("form", "`rack` has no field `to.volum`"),
    ),
    "no id": (note(id="x"), "form", "wanted an id"),
    "id of a number": (note(id=7), "form", "wanted a text"),
    "same id, other content": (note(id="{id}"), "same id, other content", "other content"),
    "likely repeat": (
        '{"kind":"party","at":"2020-01-01","name":"Shop"}',
        *("likely repeat", "equals event 6"),
    ),
    "papers": (note(papers=[{"title": "x", "sha256": "12"}]), "form", "64 hexadecimal digits"),
    "estimated": (note(estimated="yes"), "form", "wanted true or false"),
    "empty text": (note(text=""), "form", "at least 1 character"),
    "materials elsewhere": (note(materials=[]), "form", "no field `materials`"),
    # names
    "space around a name": (note(lot=" A"), "form", "no space around it"),
    "control character": (note(lot="A\u0007"), "form", "no control characters"),
    "line feed in a name": (note(lot="A\nB"), "form", "no control characters"),
    "empty name": (note(lot=""), "form", "at least 1 character"),
    "name of 65": (note(lot="x" * 65), "form", "at most 64 characters"),
    "name of a number": (note(lot=24), "form", 'wanted a text, as in "24"'),
    # quantities
    "bare number": (loss(volume=5), "form", "no unit"),
    "no unit": (loss(volume="5"), "form", "wanted a plain number, one space and a unit"),
    "unknown unit": (loss(volume="5 gl"), "form", "unknown unit `gl`"),
    "unit in capitals": (loss(volume="5 GAL"), "form", "unknown unit `GAL`"),
    "two spaces": (loss(volume="5  L"), "form", "one space"),
    "zero": (loss(volume="0 L"), "form", "is zero"),
    "sign": (loss(volume="-5 L"), "form", "wanted a plain number"),
    "plus": (loss(volume="+5 L"), "form", "wanted a plain number"),
    "exponent in a text": (loss(volume="5e1 L"), "form", "wanted a plain number"),
    "thousands": (loss(volume="1,000 L"), "form", "wanted a plain number"),
    "thirteen digits": (loss(volume="1234567890123 L"), "form", "wanted a plain number"),
    "thirteen decimals": (loss(volume="0.0000000000001 L"), "form", "wanted a plain number"),
    "never rounded": (loss(volume="0.0000000000001 hL"), "form", "wanted a plain number"),
    "too fine": (loss(volume="0.0000000001 mL"), "form", "never rounded"),
    "digits of another script": (loss(volume="٥ L"), "form", "wanted a plain number"),
    "mass for volume": (loss(volume="5 kg"), "form", "is a mass, wanted a volume"),
    "volume for mass": (
        line("pick", block="Hill", lot="P", mass="1 L"),
        *("form", "is a volume, wanted a mass"),
    ),
    "half a bottle": (ship(bottles="5.5"), "form", "wanted a whole number"),
    "no bottles": (ship(bottles=0), "form", "above 0"),
    "temperature": (loss(temperature="12"), "form", "as in `12 C`"),
    "measured value": (line("reading", lot="A", brix="24,5"), "form", "as in `3.65`"),
    "pieces": (
        line("treat", lot="A", treatment="t", material="m", amount="1.5 pieces"),
        *("form", "pieces"),
    ),
    # endpoints
    "no quantity in from": (rack({"lot": "A"}), "form", "no quantity"),
    "no quantity in to": (rack(to={"lot": "A", "vessel": "T9"}), "form", 'no "the rest"'),
    "all in to": (rack(to={"lot": "A", "all": True}), "form", "no field `to.all`"),
    "all false": (rack({"lot": "A", "all": False}), "form", "wanted true"),
    "two quantities": (loss(all=True), "form", "more than one quantity"),
    "vessel and vessels": (
        rack(to={"lot": "A", "vessel": "T9", "vessels": ["T8"], "volume": "5 L"}),
        *("form", "`vessel` and `vessels`"),
    ),
    "a vessel twice": (
        rack(to={"lot": "A", "vessels": ["T9", "T9"], "each": "1 L"}),
        *("form", "named twice"),
    ),
    "each without vessels": (rack(to={"lot": "A", "each": "1 L"}), "form", "`each` needs"),
    "no endpoint": (rack([]), "form", "at least 1 of them"),
    "an endpoint of text": (rack("A"), "form", "wanted a list"),
    "full in rack": (
        rack(to={"lot": "A", "vessel": "T9", "volume": "5 L", "full": True}),
        *("form", "no field `to.full`"),
    ),
    "unknown role": (rack({**A_LOT, "role": "flavour"}), "form", "`water`, `sweetening`"),
    "more than is held": (loss(volume="5000 L"), "more lost than held", "holds 50 gal (189"),
    "more drawn than held": (
        rack({"lot": "A", "volume": "5000 L"}, {"lot": "A", "vessel": "T9", "volume": "5000 L"}),
        *("more drawn than held", "5000 L drawn"),
    ),
    "one holding twice": (
        rack([{"lot": "A", "volume": "100 L"}] * 2, {"lot": "E", "vessel": "T9", "volume": "200 L"}),
        *("more drawn than held", "200 L drawn"),
    ),
    "all and more": (
        rack([{"lot": "A", "all": True}, A_LOT], {"lot": "X", "volume": "5 L"}),
        *("all and more", "drawn twice"),
    ),
    "not in that vessel": (loss(vessel="T2"), "nothing there", "it lies in `T1`"),
    "unknown lot": (loss(lot="Q"), "unknown lot", "no lot `Q`"),
    "an empty lot": (loss(lot="C", at="2026-01-01"), "nothing there", "holds nothing then"),
    "two lots in a tank": (
        rack(to={"lot": "A", "vessel": "T2", "volume": "5 L"}),
        *("two lots in one vessel", "`T2` still holds"),
    ),
    "no vessel named": (
        rack({"lot": "A", "vessel": "T1", "volume": "5 L"}, {"lot": "A", "volume": "5 L"}),
        *("which vessel", "lies in vessels"),
    ),
    "more out than in": (
        rack(to={"lot": "A", "vessel": "T9", "volume": "6 L"}),
        *("more out than in", "6 L filled from 5 L drawn"),
    ),
    "mass from volume": (rack(to={"lot": "X", "mass": "5 kg"}), "two dimensions", "mass"),
    "full without capacity": (
        rack({"lot": "A", "volume": "5 L"}, {"lot": "B", "vessel": "T2", "volume": "5 L", "full": True}, "top"),
        *("no capacity", "none is registered"),
    ),
    "bottles racked": (
        rack({"lot": "C24", "bottles": 5}, {"lot": "X", "bottles": 5}, at="2026-01-01"),
        *("wrong sort", "bottles cannot be filled here"),
    ),
    # fruit and what comes in
    "crush of must": (rack(kind="crush"), "wrong sort", "by mass"),
    "unknown block": (
        line("pick", block="Nowhere", lot="P", mass="1 t"),
        *("not registered", "the block `Nowhere`"),
    ),
    "fruit into must": (
        line("pick", block="Hill", lot="A", mass="1 t"),
        *("two sorts", "still holds"),
    ),
    "vintage of a text": (
        line("pick", block="Hill", lot="P", mass="1 t", vintage="2024"),
        *("form", "wanted a whole number"),
    ),
    "no quantity received": (receive(volume=None), "form", "no quantity"),
    "no format": (receive(volume=None, bottles=5), "form", "need their `format`"),
    "grapes by volume": (receive(state="grapes"), "wrong sort", "received by mass"),
    "unknown state": (receive(state="beer"), "form", "wanted `grapes`"),
    "nine tenths": (
        receive(composition=[{"share": "0.5"}, {"share": "0.4"}]),
        *("form", "sum to 9/10, wanted exactly 1"),
    ),
    "no share": (receive(composition=[{"variety": "a"}, {"variety": "b"}]), "form", "a `share`"),
    "share by zero": (receive(composition=[{"share": "1/0"}]), "form", "divides by zero"),
    "unknown supplier": (receive(supplier="Nobody"), "not registered", "party `Nobody`"),
    "unknown place": (
        receive(composition=[{"share": "1", "within": ["Atlantis"]}]),
        *("not registered", "place `Atlantis`"),
    ),
    "wine and material": (receive(material="m"), "form", "not of both"),
    # in place
    "gauge above the book": (
        line("gauge", lot="A", volume="5000 L"),
        *("above the book", "the book says"),
    ),
    "gauge of nothing": (line("gauge", lot="A"), "form", "nothing measured"),
    "unknown reason": (loss(reason="gone"), "form", "wanted `evaporation`"),
    "treat of bottles": (
        line("treat", "2026-01-01", lot="C24", treatment="fining"),
        *("wrong sort", "held by bottles"),
    ),
    "adds without role": (
        line("treat", lot="A", treatment="water", material="water", adds="5 L"),
        *("form", "a `role`"),
    ),
    "two subjects": (note(block="Hill"), "form", "wanted exactly one of"),
    "no subject": (line("note", text="x"), "form", "none given"),
    "nothing read": (line("reading", lot="A"), "form", "nothing read"),
    "two scales": (
        line("reading", lot="A", brix="24", specific_gravity="1.1"),
        *("form", "both given"),
    ),
    "unknown stage": (
        line("ferment", lot="A", culture="alcoholic", stage="going"),
        *("form", "wanted `start`, `change` or `end`"),
    ),
    "regime": (
        line("ferment", lot="A", culture="alcoholic", stage="start", regime={"pump_over": 3}),
        *("form", "wanted an object in braces"),
    ),
    "analysis of a number": (
        line("analysis", lot="A", values={"ph": "low"}),
        *("form", "or `<0.1`"),
    ),
    "clear of no hold": (
        line("clear", "2026-01-01", hold=SOME_ID, reason="x"),
        *("no such hold", "no hold has the id"),
    ),
    "release of must": (line("release", "2026-01-01", lot="A"), "wrong sort", "no bottled lot"),
    # bottles
    "fruit bottled": (
        line("bottle", from_={"lot": "F1", "all": True}, lot="X", bottles=1, format="750 mL",
             at="2024-09-01T09:00"),
        *("wrong sort", "fruit cannot be bottled"),
    ),
    "bottles of no format": (
        line("bottle", from_={"lot": "A", "volume": "5 L"}, lot="X", bottles=6),
        *("no format", 'as in "750 mL"'),
    ),
    "two formats": (
        line("bottle", "2026-01-01", from_={"lot": "A", "volume": "5 L"}, lot="C24", bottles=3,
             format="1.5 L"),
        *("two formats", "has bottles of 0.75 L"),
    ),
    "pack of wine": (
        line("pack", "2026-01-01", from_=A_LOT, to={"lot": "X", "bottles": 5}),
        *("wrong sort", "bottles to bottles"),
    ),
    "unknown label": (
        line("pack", "2026-01-01", from_={"lot": "C24", "bottles": 5}, to={"lot": "X", "bottles": 5,
             "label": "Blue"}),
        *("not registered", "the label `Blue`"),
    ),
    # leaving and coming back
    "no removal": (ship(removal=None), "no removal", "needs its `removal`"),
    "nobody named": (ship(to=None), "no consignee", "nobody is named"),
    "unknown party": (ship(to="Nobody"), "not registered", "the party `Nobody`"),
    "more than there are": (ship(bottles=5000), "more drawn than held", "3750 L drawn"),
    "two draws": (
        line("ship", "2026-01-01", from_=[{"lot": "C24", "bottles": 1}, A_LOT], removal="taxpaid"),
        *("form", "at most 1 of them"),
    ),
    "never shipped": (
        line("return", "2026-01-01", lot="C24", bottles=5),
        *("not shipped", "nothing of `C24` was shipped"),
    ),
    # registers
    "two thirds": (
        line("block", name="N", plantings=[{"variety": v, "share": "1/3"} for v in "ab"]),
        *("form", "sum to 2/3, wanted exactly 1"),
    ),
    "no planting": (line("block", name="N", plantings=[]), "form", "at least one planting"),
    "area": (line("block", name="N", area="2 acres"), "form", "as in `2.4 ha`"),
    "circle": (
        line("place", name="Washington", within=["Cold Creek"]),
        *("places", "within itself"),
    ),
    "two states": (
        "\n".join((
            line("place", name="Oregon", type="state"),
            line("place", name="Cold Creek", within=["Washington", "Oregon"]),
        )),
        *("places", "two places of the type state"),
    ),
    "place of no type": (line("place", name="P", type="planet"), "form", "`vineyard`, `ava`"),
    "rest": (line("label", name="L", rest="soon"), "form", "as in `180 days`"),
    "style": (line("label", name="L", style="orange"), "form", "`dry red`"),
    "unknown owner": (line("lot", name="A", owner="Nobody"), "not registered", "party `Nobody`"),
    "same name": (line("lot", name="A", of=[{"lot": "A"}]), "same name", "already bears"),
    "capacity": (line("vessel", name="T1", capacity="60"), "form", "wanted a plain number"),
    # corrections
    "correction of nothing": (
        line("correct", "2026-01-01", corrects=SOME_ID, reason="x", replacement=None),
        *("correction", "no event has the id"),
    ),
    "no replacement": (
        line("correct", "2026-01-01", corrects=SOME_ID, reason="x"),
        *("form", "needs `replacement`"),
    ),
    "replacement with id": (
        line("correct", "2026-01-01", corrects=SOME_ID, reason="x", replacement={"id": SOME_ID}),
        *("form", "has no `id`"),
    ),
    "of another kind": (
        line("correct", "2026-01-01", corrects="{id}", reason="x",
             replacement=json.loads(loss())),
        *("correction", "the original a `bottle`"),
    ),
    "replacement of bad form": (
        line("correct", "2026-01-01", corrects="{id}", reason="x",
             replacement={"kind": "bottle", "at": "soon"}),
        *("form", "needs `from`"),
    ),
}  # fmt: skip
"""By what is wrong: the line, the rule that refuses it, and something that must be said.

`{id}` stands for the id of the bottling, the last event recorded.
"""


@pytest.fixture(scope="session")
def bottling(wine_ledger: Path) -> str:
    """The id of the bottling."""
    events = journal_of(wine_ledger).read_text(encoding="utf-8").splitlines()
    return str(json.loads(events[-2])["event"]["id"])


@pytest.mark.parametrize("wrong", BAD)
def test_a_bad_line_is_refused_and_told(
    cellar: Run, bottling: str, tmp_path: Path, wrong: str
) -> None:
    journal = tmp_path / "cellar.journal.jsonl"
    before = journal.read_bytes()
    bad, rule, says = BAD[wrong]
    bad = bad.replace("{id}", bottling)
    good = note(text="a good one")
    (tmp_path / "bad.jsonl").write_text(f"{good}\n{bad}\n", encoding="utf-8")
    answer = cellar("load", "bad.jsonl")
    assert (answer.code, answer.out) == (2, "")
    told = [one for one in answer.err.splitlines() if one.startswith("error: bad.jsonl:")]
    last = 1 + len(bad.splitlines())
    assert [one for one in told if f"bad.jsonl:{last}" in one and one.endswith(f"[{rule}]")], told
    assert not [one for one in told if "bad.jsonl:1:" in one], "the good line is not to blame"
    assert says in answer.said
    lines = answer.err.splitlines()
    hints = [lines[lines.index(one) + 1] for one in told]
    if rule != "form":
        assert all(one.startswith("  hint: ") for one in hints), hints
    assert "hint: " in answer.err, "what to do next"
    assert "error: nothing was recorded" in answer.err
    for noise in ("\\p{", "constrained", "function-after", "should match", "valid string"):
        assert noise not in answer.err, "words of a library, not of a cellar"
    assert journal.read_bytes() == before


@pytest.mark.parametrize("wrong", BAD)
def test_a_bad_line_is_refused_alike_in_a_large_file(
    cellar: Run, bottling: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: str
) -> None:
    """The forms of a large file are checked while it is replayed; what is said is the same."""
    bad = BAD[wrong][0].replace("{id}", bottling)
    (tmp_path / "bad.jsonl").write_text(f"{note(text='a good one')}\n{bad}\n", encoding="utf-8")
    small = cellar("load", "bad.jsonl")
    before = (tmp_path / "cellar.journal.jsonl").read_bytes()
    monkeypatch.setattr(opening, "LARGE", 0)
    large = cellar("load", "bad.jsonl")
    assert (large.code, large.out, large.err) == (2, "", small.err)
    assert (tmp_path / "cellar.journal.jsonl").read_bytes() == before


def test_a_large_file_is_recorded_as_a_small_one(
    run: Run, example_ledger: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the second process too."""
    monkeypatch.setattr(opening, "LARGE", 0)
    monkeypatch.setattr(scribe, "MANY", 1)
    run("init", "--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")
    answer = run("load", *(str(path) for path in EXAMPLE))
    assert answer.code == 0, answer.err
    events = []
    for path in (example_ledger, tmp_path / "cellar.duckdb"):
        with ledger.opened(path) as opened:
            bodies = [json.loads(record.body) for record in opened.records(2)]
        events.append([{k: v for k, v in body.items() if k != "id"} for body in bodies])
    assert events[0] == events[1]
    assert run("verify").code == 0


def test_there_are_many_ways_to_be_wrong() -> None:
    assert len(BAD) >= 60
    rules = {rule for _, rule, _ in BAD.values()}
    assert len(rules) >= 20


def test_all_mistakes_of_a_file_are_told_at_once(
    cellar: Run, bottling: str, tmp_path: Path
) -> None:
    everything = [bad.replace("{id}", bottling) for bad, _, _ in BAD.values()]
    (tmp_path / "bad.jsonl").write_text("\n".join(everything), encoding="utf-8")
    answer = cellar("load", "bad.jsonl")
    assert answer.code == 2
    at, missing = 0, set()
    for wrong, text in zip(BAD, everything, strict=True):
        at += len(text.splitlines())
        if f"bad.jsonl:{at}:" not in answer.err and f"bad.jsonl:{at}," not in answer.err:
            missing.add(wrong)
    assert missing <= MENDED_BY_OTHERS


MENDED_BY_OTHERS = {
    "never shipped",  # the shipment to a party that is unknown comes before it
    "circle",  # `Cold Creek` is registered again after it, and that event is to blame
}


def typed() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """The lines of bad form as kind and fields; null is no value that can be typed there."""
    for wrong, (bad, rule, _) in BAD.items():
        if rule == "form":
            event = json.loads(bad)
            kind = event.pop("kind", None)
            if isinstance(kind, str) and kind in KINDS and None not in event.values():
                yield wrong, kind, event


@pytest.mark.parametrize(("wrong", "kind", "event"), [*typed()], ids=[one[0] for one in typed()])
def test_a_form_is_refused_alike_when_typed(
    cellar: Run, bottling: str, wrong: str, kind: str, event: dict[str, Any]
) -> None:
    """What `load` refuses of a line, `record` refuses of the same event."""
    pairs = [
        f"{key}={value if isinstance(value, str) else json.dumps(value)}".replace("{id}", bottling)
        for key, value in event.items()
    ]
    answer = cellar("record", kind, *pairs)
    assert answer.code == (0 if wrong in TYPED_AS_TEXT else 2), answer.err
    assert (answer.out == "") is (answer.code == 2)


TYPED_AS_TEXT = {"vintage of a text", "no at"}
"""Wrong as JSON, right as typed: a year is a number, and no time is now."""


# --- fuzz: whatever is done to a good line, there is no traceback ------------------------------


@given(
    line=st.sampled_from(WINE.strip().splitlines()),
    at=st.integers(0, 200),
    put=st.sampled_from(['"', "{", "}", ",", ":", "0", "-", "\\", "[", "x", " ", "é", "\x00"]),
    cut=st.integers(0, 3),
)
def test_a_mangled_line_is_never_a_traceback(line: str, at: int, put: str, cut: int) -> None:
    zone = ZoneInfo("America/Los_Angeles")
    at %= len(line)
    mangled = line[:at] + put + line[at + cut :]
    entries, problems = lines.read(
        [mangled.encode()], "f", zone, moments.instant("2026-01-01", zone)
    )
    assert len(entries) + bool(problems) == 1
    assert all(problem.where == "f:1" and problem.says for problem in problems)


@cache
def story() -> list[dict[str, Any]]:
    """The events of the example."""
    texts = [text for path in EXAMPLE for text in path.read_text("utf-8").splitlines()]
    return [json.loads(text) for text in texts]


@cache
def samples() -> list[dict[str, Any]]:
    """A few of them, of each kind."""
    found: dict[str, list[dict[str, Any]]] = {}
    for event in story():
        found.setdefault(event["kind"], []).append(event)
    return [event for events in found.values() for event in events[:2] + events[-2:]]


@cache
def alike() -> dict[Any, list[Any]]:
    """By key: what stands under it somewhere in the example. It has the right form."""
    found: dict[Any, list[Any]] = {}
    for event in story():
        for *path, last in places(event):
            there = event
            for step in path:
                there = there[step]
            if isinstance(last, str) and there[last] not in found.setdefault(last, []):
                found[last].append(there[last])
    return found


ODD: st.SearchStrategy[Any] = st.sampled_from([
    None, True, False, 0, -1, 7, 2**53 - 1, "", " ", "x", "0", "-1", "1 L", "0.000000000001 L",
    "999999999999 L", "1 kg", "999999999999 t", "750 mL", "1/3", "2/1", "1900-01-01", "2026-11-24",
    "2026-11-01T23:59", "180 days", "BSY22", "24-PR", "P-23", "T13", "Bench Syrah", "Washington",
    "Red", "wine", "grapes", "all", "\u0000", "\u2028", "é" * 64, "'; drop table event; --", [], {},
    [{}], [[]], ["T13"], ["P-23", "P-23"], {"lot": "24-PR"}, {"lot": "24-PR", "all": True},
    {"lot": "BSY22", "bottles": 1}, [{"share": "1"}], {"lot": "24-LONG", "vessel": "P-23"},
])  # fmt: skip
"""Values of every type, and names that the example knows."""


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path to every value inside an event."""
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, one in inner:
        yield (*path, key)
        if isinstance(one, dict | list):
            yield from places(one, (*path, key))


@st.composite
def mangled(draw: st.DrawFn) -> dict[str, Any]:
    """An event of the example with one to three of its values replaced, moved or left out."""
    event: dict[str, Any] = deepcopy(draw(st.sampled_from(samples())))
    event.pop("id", None)
    for _ in range(draw(st.integers(1, 3))):
        *path, last = draw(st.sampled_from(list(places(event))))
        there = event
        for step in path:
            there = there[step]
        what = draw(st.sampled_from(["alike"] * 12 + ["put", "put", "drop", "twice", "rename"]))
        if what == "alike" and last in alike() and last != "kind":
            there[last] = deepcopy(draw(st.sampled_from(alike()[last])))
        elif what in ("put", "alike"):
            there[last] = deepcopy(draw(ODD))
        elif what == "drop" and isinstance(there, dict):
            del there[last]
        elif what == "rename" and isinstance(there, dict):
            fields = [
                "lot",
                "vessel",
                "vessels",
                "volume",
                "mass",
                "bottles",
                "each",
                "all",
                "role",
            ]
            there[draw(st.sampled_from(fields))] = there.pop(last)
        elif isinstance(there, list):
            there.append(deepcopy(there[last]))
        if not list(places(event)):
            break
    return event


@pytest.fixture(scope="module")
def fuzzed(
    example_ledger: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[ledger.Ledger]:
    """The example's ledger, open for writing, to be left as it is."""
    path = copied(example_ledger, tmp_path_factory.mktemp("fuzzed"))
    with ledger.opened(path, write=True) as opened:
        yield opened


@settings(max_examples=180, deadline=None, suppress_health_check=list(HealthCheck))
@given(event=mangled(), late=st.booleans())
def test_a_mangled_event_is_refused_or_taken_and_never_a_traceback(
    fuzzed: ledger.Ledger, event: dict[str, Any], late: bool
) -> None:
    """Dry runs against three vintages: into the past, and at the end of the log."""
    from ampelog.history import zone_of

    zone = zone_of(fuzzed)
    if not late and isinstance(event.get("at"), str):
        event["at"] = "2026-11-24T12:00"
    head, bytes_before = fuzzed.head, journal_of(fuzzed.path).stat().st_size
    now = moments.instant("2026-11-25T12:00", zone)
    line_ = json.dumps(event, ensure_ascii=False).encode()
    entries, problems = lines.read([line_], "f", zone, now)
    assert len(entries) + bool(problems) == 1
    found: tuple[Finding, ...] | None = None
    try:
        done = recording.record(fuzzed, entries, problems, by="Ines", now=now, dry_run=True)
    except Refused as refused:
        found = refused.findings
    if found is None:
        assert (done.recorded, done.known, problems) == (1, 0, [])
    else:
        assert found
        assert all(one.rule and one.where and one.says for one in found)
    assert fuzzed.head == head
    assert journal_of(fuzzed.path).stat().st_size == bytes_before


FILLED_IN = {"id": "0190a3c4-0000-7000-8000-000000000001", "by": "Ines"}


@settings(max_examples=300, deadline=None)
@given(event=mangled())
def test_a_form_that_is_not_looked_at_is_found_wrong_later(event: dict[str, Any]) -> None:
    zone = ZoneInfo("America/Los_Angeles")
    now = moments.instant("2026-11-25T12:00", zone)
    line_ = json.dumps(event, ensure_ascii=False).encode()
    entries, _ = lines.read([line_], "f", zone, now)
    unlooked, _ = lines.read([line_], "f", zone, now, formed=False)
    if entries:
        assert [(one.event, one.instant) for one in unlooked] == [
            (one.event, one.instant) for one in entries
        ]
        filled_in = {**FILLED_IN, **unlooked[0].event}
        assert lines.whole(filled_in, unlooked[0].line) == filled_in
    elif unlooked:
        with pytest.raises((ValidationError, lines.NotJson)):
            lines.whole({**FILLED_IN, **unlooked[0].event}, unlooked[0].line)


WORDS = st.sampled_from([
    "", " ", "A", "C24", "T1", "T9", "Red", "variety", "premises", "2024-12-01", "1900-01-01", "1",
    "14", "0", "-1", "1e5", "9" * 25, "us", "us-or", "x" * 300, "é", "葡萄", "'", '"', "%", "*", "[",
    "{}", "a=b", "\n", "\t", "\u202e", "..", "/", "--", "L-C24", "variety,vintage,place", ",",
])  # fmt: skip
ASKED = st.sampled_from([
    "lots", "lots --bottled", "lots --as-of ?", "lots --known-on ?", "lots --units ?", "trace ?",
    "trace ? --forward", "trace --code ?", "composition ? --by ?", "composition ? --vessel ?",
    "balance ?", "balance --since ?", "balance --until ?", "balance ? --by ?", "claims ?",
    "claims ? --label ?", "claims C24 --market ?", "log --lot ?", "log --kind ?", "log --vessel ?",
    "log --since ?", "log --until ? --by ?", "log --ref ?", "log --party ? --material ?",
    "dossier ? -o x.html", "dossier C24 -o x.html --label ?", "record ? ?", "record note lot=? text=?",
    "record rack from=? to=?", "record loss lot=A volume=? reason=spill", "record vessel name=?",
    "record bottle from=? lot=? bottles=? format=?", "record lot name=? of=?", "load ?",
])  # fmt: skip
"""Questions and events, with a gap where something odd is put."""


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    asked=ASKED,
    words=st.lists(WORDS, min_size=4, max_size=4),
    form=st.sampled_from([(), ("--json",), ("--csv",)]),
)
def test_odd_words_are_refused_or_answered_and_never_a_traceback(
    cellar: Run, asked: str, words: list[str], form: tuple[str, ...]
) -> None:
    ahead = iter(words)
    parts = [part.replace("?", next(ahead)) if "?" in part else part for part in asked.split()]
    answer = cellar(*parts, *form)
    assert answer.code in (0, 1, 2)
    if answer.code == 2:
        assert answer.out == ""
        assert answer.err
    elif form == ("--json",):
        assert answer.json is not None
