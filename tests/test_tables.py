"""Spreadsheets as events: what people write is what is recorded, and what is wrong is all named."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from ampelog import again, columns
from ampelog.columns import UNITS, Column, Form
from ampelog.errors import Refused
from ampelog.events import KINDS, model_of
from tests.program import EXAMPLE, Answer, Run, made
from tests.tabled import Formula, Row, as_csv, as_workbook, rows_of, says, told

pytest_plugins = ("tests.running",)

EVENTS = [
    json.loads(line)
    for path in EXAMPLE
    for line in path.read_text(encoding="utf-8").splitlines()
    if line.strip()
]
PICK = {"at": "2025-09-01", "block": "Hill", "lot": "25-H", "mass": "1000 kg"}


def wrongs(content: bytes, name: str = "rows.csv", **asked: Any) -> list[tuple[str, str]]:
    """Where something is wrong, without the file's name, and its rule."""
    _, found = told(content, name, **asked)
    return [(one.where.removeprefix(f"{name}, "), one.rule) for one in found.problems]


# --- there and back ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted({event["kind"] for event in EVENTS}))
def test_the_example_goes_through_a_table_and_back(kind: str) -> None:
    events = [event for event in EVENTS if event["kind"] == kind]
    rows = [row for at, event in enumerate(events) for row in rows_of(event, str(at))]
    for read in (
        says(as_csv(rows), kind=kind),
        says(as_csv(rows, ";"), kind=kind, decimal="point"),
        says(as_workbook({kind: rows}), "rows.xlsx"),
    ):
        assert list(map(model_of, read)) == list(map(model_of, events))


def test_a_table_of_all_kinds_answers_as_the_lines_do(
    example: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows: list[Row] = []
    for at, event in enumerate(EVENTS):
        rows += [{"kind": event["kind"], **row} for row in rows_of(event, str(at))]
    (tmp_path / "all.xlsx").write_bytes(as_workbook({"Sheet1": rows}))
    asked = [("composition", "STL24", "--by", "variety,vintage,block"), ("lots",), ("balance",)]
    wanted = [example(*words, "--json").json for words in asked]
    monkeypatch.setenv("AMPELOG_LEDGER", "tabled.duckdb")
    example("init", "--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")
    loaded = example("load", "all.xlsx", "--json")
    assert (loaded.code, loaded.json["recorded"]) == (0, len(EVENTS)), loaded.err
    found = [example(*words, "--json").json for words in asked]
    for one, other in zip(found, wanted, strict=True):
        assert one == other
    assert example("verify").code == 0


NAMES = st.text("ABCabc-019 éß'=+@#", min_size=1, max_size=8).filter(
    lambda text: text.strip() == text and not text.startswith("'") and text.strip("#") != ""
)
"""Names as people give them, some that a spreadsheet would take for a formula."""
FIGURES = st.decimals(min_value="0.001", max_value="99999", places=3).map(
    lambda number: format(number.normalize(), "f")
)
WORDS: dict[Form, st.SearchStrategy[Any]] = {
    Form.TEXTS: st.lists(NAMES, min_size=1, max_size=3),
    Form.VESSELS: st.lists(NAMES, min_size=1, max_size=3, unique=True),
    Form.ONE_OR_MORE: NAMES | st.lists(NAMES, min_size=2, max_size=3),
    Form.WHOLE: st.integers(1, 9999),
    Form.HOURS: st.integers(0, 99) | FIGURES.filter(lambda text: "." in text),
    Form.DECIMAL: FIGURES,
    Form.FOUND: FIGURES | FIGURES.map("<{}".format),
    Form.SHARE: FIGURES | st.just("1/3"),
    Form.DAY: st.dates(dt.date(1900, 1, 1), dt.date(2100, 1, 1)).map(str),
    Form.TIME: st.datetimes(dt.datetime(1900, 1, 1), dt.datetime(2100, 1, 1)).map(
        lambda moment: moment.isoformat(timespec="minutes")
    ),
    Form.TRUTH: st.booleans(),
    Form.TRUE: st.just(True),
    Form.DAY_OR_TRUTH: st.booleans() | st.dates(dt.date(1950, 1, 1)).map(str),
    Form.YEAR_OR_TEXT: st.integers(1900, 2100) | st.just("before the war"),
    Form.JSON: st.just({"kind": "note", "at": "2025-01-01", "lot": "A", "text": "so"}),
}


def cell(column: Column) -> st.SearchStrategy[Any]:
    """What an event may say in a column."""
    if column.form in UNITS:
        units = st.sampled_from(UNITS[column.form])
        return st.builds("{} {}".format, FIGURES, units)
    if column.form is Form.CHOICE:
        return st.sampled_from(column.choices)
    return WORDS.get(column.form, NAMES)


def put(event: dict[str, Any], column: Column, value: Any, at: int) -> None:
    """Put a value where the column's path says, in that record of its list."""
    there: Any = event
    path = column.path[:-1]
    for depth, step in enumerate(path, start=1):
        if path[:depth] == column.inside:
            records = there.setdefault(step, [])
            records += [{} for _ in range(at + 1 - len(records))]
            there = records[at]
        else:
            there = there.setdefault(step, {})
    there[column.path[-1]] = value


@st.composite
def events(draw: st.DrawFn) -> dict[str, Any]:
    """An event of any kind with any of its template's columns; it need not be a lawful one."""
    kind = draw(st.sampled_from(list(KINDS)))
    known = [one for one in columns.of(kind) if not one.free]
    event: dict[str, Any] = {"kind": kind, "at": draw(WORDS[Form.TIME])}
    twice = st.booleans()
    for column in draw(st.lists(st.sampled_from(known), unique_by=lambda one: one.path)):
        if column.path != ("at",):
            put(event, column, draw(cell(column)), 0)
            if draw(twice) and column.inside:
                put(event, column, draw(cell(column)), 1)
    return event


def says_twice(thing: Any) -> bool:
    """Whether a list of records, at any depth, has the same one twice."""
    if isinstance(thing, dict):
        return any(says_twice(value) for value in thing.values())
    if not isinstance(thing, list):
        return False
    records = [one for one in thing if isinstance(one, dict)]
    repeated = any(one in records[:at] for at, one in enumerate(records))
    return repeated or any(says_twice(one) for one in records)


@given(events())
def test_an_event_becomes_rows_and_an_event_again(event: dict[str, Any]) -> None:
    rows = rows_of(event)
    assume(not says_twice(event))  # the same record twice is asked about: another test has it
    read = says(as_csv(rows), kind=event["kind"], decimal="point")
    assert read == [event]
    assert says(as_workbook({event["kind"]: rows}), "rows.xlsx", decimal="point") == [event]


# --- rows and events --------------------------------------------------------------------------


def test_rows_of_one_number_are_one_event() -> None:
    rows: list[Row] = [
        {"event": 1, "at": "2025-01-01", "from.lot": "A", "from.vessel": "T1", "from.all": "yes",
         "to.lot": "A", "to.vessel": "B1", "to.volume": "225 L", "note": "gently"},
        {"event": 1, "to.lot": "A", "to.vessel": "B2", "to.volume": "220 L"},
        {"event": 2, "at": "2025-01-01", "from.lot": "B", "from.vessel": "T2", "from.all": "x",
         "to.lot": "B", "to.vessel": "T3", "to.volume": "100 L"},
        {"at": "2025-01-02", "from.lot": "C", "from.all": "yes", "to.lot": "C", "to.volume": "1 L"},
    ]  # fmt: skip
    first, second, third = says(as_csv(rows), kind="rack")
    assert [end["vessel"] for end in first["to"]] == ["B1", "B2"]
    assert len(first["from"]) == 1
    assert (second["from"][0]["lot"], third["from"][0]["lot"]) == ("B", "C")


def test_columns_may_be_numbered_instead() -> None:
    row = {"at": "2025-01-01", "from.lot": "A", "from.all": "yes", "to.lot": "A", "to.vessel": "B1",
           "to.volume": "225 L", "to.2.lot": "A", "to.2.vessel": "B2", "to.2.volume": "220 L"}  # fmt: skip
    (event,) = says(as_csv([row]), kind="rack")
    assert event["to"] == [
        {"lot": "A", "vessel": "B1", "volume": "225 L"},
        {"lot": "A", "vessel": "B2", "volume": "220 L"},
    ]


def test_rows_of_one_event_that_contradict_each_other_are_told() -> None:
    rows = [
        {"event": 1, "at": "2025-01-01", "from.lot": "A", "from.all": "yes", "to.lot": "A"},
        {"event": 1, "at": "2025-01-02", "from.lot": "A", "from.all": "yes", "to.lot": "B"},
    ]
    (one,), _ = told(as_csv(rows), kind="rack")
    assert [(wrong.where, wrong.rule) for wrong in one.wrong] == [
        ("rows.csv, row 3, column C (from.lot)", "said twice"),
        ("rows.csv, row 3, column B (at)", "said twice"),
    ]


def test_a_record_may_stand_in_one_cell() -> None:
    row = {"at": "2025-01-01", "from": "A@T1 100 gal; B@B-1..B-2 all", "to": '{"lot": "C"}'}
    (event,) = says(as_csv([row]), kind="rack")
    assert event["from"] == [
        {"lot": "A", "vessel": "T1", "volume": "100 gal"},
        {"lot": "B", "vessels": ["B-1", "B-2"], "all": True},
    ]
    assert event["to"] == {"lot": "C"}
    found = {"at": "2025-01-01", "lot": "A", "values": '{"ph": "3.5"}', "values.ta": "6"}
    (event,) = says(as_csv([found]), kind="analysis")
    assert event["values"] == {"ph": "3.5", "ta": "6"}
    (event,) = says(as_csv([{**PICK, "tags": '["a; b", "c"]'}]), kind="pick")
    assert event["tags"] == ["a; b", "c"]
    assert wrongs(as_csv([{**row, "from": "A@T1 100 gallons"}]), kind="rack") == [
        ("row 2, column B (from)", "cell")
    ]


@pytest.mark.parametrize(
    ("kind", "cells"),
    [
        ("rack", {"to": "A 1 L", "to.lot": "A"}),
        ("analysis", {"lot": "A", "method": "titrated", "method.by": "hand"}),
        ("analysis", {"lot": "A", "method.by": "hand", "method": "titrated"}),
        ("analysis", {"lot": "A", "values.ph": "3.5", "values": '{"ph": "3.6"}'}),
    ],
)
def test_what_is_said_as_a_whole_and_in_parts_is_never_lost(kind: str, cells: Row) -> None:
    (one,), _ = told(as_csv([{"at": "2025-01-01", **cells}]), kind=kind)
    assert [wrong.rule for wrong in one.wrong] == ["said twice"]


@pytest.mark.parametrize("kind", ["bottle", "ship"])
def test_the_flat_form_of_an_endpoint_is_read_too(kind: str) -> None:
    row = {"at": "2025-01-01", "lot": "A24", "bottles": 12}
    row |= {"from.lot": "A", "from.volume": "9 L", "format": "750 mL"} if kind == "bottle" else {}
    (event,) = says(as_csv([row]), kind=kind)
    assert (event["lot"], event["bottles"]) == ("A24", 12)
    assert model_of(event)


@pytest.mark.parametrize(
    ("heads", "cells"),
    [
        (["mass"], ["2.5 ton"]),
        (["mass"], ["2.5 Tons"]),
        (["mass", "mass unit"], [2.5, "ton"]),
        (["Mass", "MASS UNIT"], ["2.5", "short tons"]),
        (["mass (ton)"], [2.5]),
        (["mass [Tons]"], ["2,5"]),
        (["mass (kg)"], ["2.5 ton"]),
    ],
)
def test_a_quantity_has_its_unit_in_the_cell_beside_it_or_in_the_heading(
    heads: list[str], cells: list[Any]
) -> None:
    row = {
        **{key: PICK[key] for key in ("at", "block", "lot")},
        **dict(zip(heads, cells, strict=True)),
    }
    if heads == ["mass (kg)"]:
        assert wrongs(as_csv([row]), kind="pick") == [("row 2, column D (mass (kg))", "cell")]
        return
    for content, name in ((as_csv([row]), "rows.csv"), (as_workbook({"pick": [row]}), "rows.xlsx")):
        (event,) = says(content, name, kind="pick")
        assert event["mass"] == "2.5 ton"


def test_a_day_and_its_hour_may_stand_in_two_columns() -> None:
    day, hour = dt.date(2025, 9, 1), dt.time(14, 20)
    row = {**PICK, "at": day, "at time": hour}
    (event,) = says(as_workbook({"pick": [row]}), "rows.xlsx")
    assert event["at"] == "2025-09-01T14:20"
    (event,) = says(as_csv([{**PICK, "at": "1 Sep 2025", "at time": "2:20 pm"}]), kind="pick")
    assert event["at"] == "2025-09-01T14:20"
    twice = {**PICK, "at": "2025-09-01T10:00", "at time": "2:20 pm"}
    assert wrongs(as_csv([twice]), kind="pick") == [("row 2, column A (at)", "cell")]


@pytest.mark.parametrize(
    ("heads", "units"),
    [
        ("Date,mass (kg)", '"mass" = "lb"'),
        ("Date,mass (kg)", '"mass (kg)" = "lb"'),
        ("Date,Weight", '"Weight" = "kg"\nmass = "lb"'),
    ],
)
def test_a_column_of_two_units_is_refused(heads: str, units: str) -> None:
    from ampelog import mapping

    columns_ = '"Date" = "at"\n"Weight" = "mass"\n'
    text = f'kind = "pick"\n[columns]\n{columns_}[units]\n{units}\n[constants]\n'
    own = mapping.read(text + 'block = "Hill"\nlot = "25-H"\n', "own.toml")
    _, found = told(f"{heads}\n2025-09-01,12\n".encode(), mapping=own)
    (problem,) = found.problems
    assert "kg and in lb" in problem.says


def test_a_unit_beside_a_column_of_another_is_refused() -> None:
    row = {key: said for key, said in PICK.items() if key != "mass"}
    rows = [{**row, "mass (kg)": 12, "mass.unit": said} for said in ("", "kgs", "lb")]
    assert wrongs(as_csv(rows), kind="pick") == [("row 4, column D (mass (kg))", "cell")]


def test_an_hour_without_its_day_is_told() -> None:
    row = {**PICK, "until.time": "14:00"}
    assert wrongs(as_csv([row]), kind="pick") == [("row 2, column E (until.time)", "cell")]
    rows = [{**row, "until": "2025-09-01"}, {**row, "until": ""}]
    assert wrongs(as_csv(rows), kind="pick") == [("row 3, column E (until.time)", "cell")]
    no_day = {**PICK, "at": "", "at.time": "14:00"}
    assert wrongs(as_csv([no_day]), kind="pick") == [("row 2, column E (at.time)", "cell")]


def test_an_hour_may_stand_beside_a_day_that_the_mapping_says() -> None:
    from ampelog import mapping

    own = mapping.read('kind = "pick"\n[constants]\nat = "2025-09-01"\n', "own.toml")
    row = {"at.time": "2:20 pm", "block": "Hill", "lot": "25-H", "mass": "1 t"}
    (event,) = says(as_csv([row]), mapping=own)
    assert event["at"] == "2025-09-01T14:20"


@pytest.mark.parametrize(
    ("kind", "row", "column", "hint"),
    [
        ("pick", {**PICK, "vessel": "B-7..B-9"}, "E (vessel)", "name one"),
        ("vessel", {"at": "2025-09-01", "name": "B-7..B-9"}, "B (name)", "name one"),
        ("rack", {"at": "2025-09-01", "to.vessel": "7..9"}, "B (to.vessel)", "`to.vessels`"),
    ],
)
def test_a_range_is_no_name_of_one_vessel(kind: str, row: Row, column: str, hint: str) -> None:
    _, found = told(as_csv([row]), kind=kind)
    (problem,) = found.problems
    assert problem.where == f"rows.csv, row 2, column {column}"
    assert hint in problem.hint


def test_the_kind_is_that_of_the_column_the_sheet_or_the_option() -> None:
    row = dict(PICK)
    assert says(as_csv([row]), kind="pick") == says(as_csv([{"kind": "Pick", **row}]))
    assert says(as_workbook({"Picks": [row]}), "rows.xlsx") == says(as_csv([row]), kind="pick")
    assert says(as_workbook({"Sheet1": [row]}), "rows.xlsx", kind="pick") == [
        {"kind": "pick", **row}
    ]
    assert wrongs(as_csv([row])) == [("rows.csv", "kind")]
    assert wrongs(as_workbook({"Pikc": [row]}), "rows.xlsx") == [("sheet Pikc", "kind")]
    both = [
        {"kind": "pick", **row},
        {"kind": "note", "at": "2025-09-02", "lot": "25-H", "text": "ripe"},
    ]
    assert [event["kind"] for event in says(as_csv(both))] == ["pick", "note"]
    both[1]["mass"] = "3 kg"
    assert wrongs(as_csv(both)) == [("row 3, column E (mass)", "cell")]
    both[1] |= {"kind": "nots", "mass": ""}
    assert wrongs(as_csv(both)) == [("row 3, column A (kind)", "kind")]


def test_null_clears_what_a_register_says() -> None:
    row = {"at": "2025-01-01", "name": "Hill", "estate": "null", "grower": "null"}
    (event,) = says(as_csv([row]), kind="block")
    assert event == {
        "kind": "block",
        "at": "2025-01-01",
        "name": "Hill",
        "estate": None,
        "grower": None,
    }
    assert says(as_csv([{**PICK, "vessel": "null"}]), kind="pick")[0]["vessel"] == "null"


def test_names_that_a_spreadsheet_spoiled_are_told() -> None:
    rows = [
        {**PICK, "lot": dt.datetime(2025, 3, 4)},
        {**PICK, "lot": 123456789012345678},
        {**PICK, "vessel": dt.time(1, 30)},
    ]
    found = wrongs(as_workbook({"pick": rows}), "rows.xlsx")
    assert [where for where, _ in found] == [
        "sheet pick, row 2, column C (lot)",
        "sheet pick, row 3, column C (lot)",
        "sheet pick, row 4, column E (vessel)",
    ]


def test_tonnes_among_pounds_are_asked_about() -> None:
    rows = [{**PICK, "mass": "2 t"}, {**PICK, "mass": "900 lb"}]
    _, found = told(as_csv([rows[0]]), kind="pick")
    assert found.odd == []
    assert says(as_csv(rows), kind="pick")
    from ampelog.tables import _tonnes

    made_, _ = told(as_csv(rows), kind="pick")
    assert [one.where for one in _tonnes(made_)] == ["rows.csv, row 2, column D (mass)"]
    assert _tonnes(made_[1:]) == []


# --- a winery's own columns -------------------------------------------------------------------

MAPPING = """
kind = "pick"
dates = "mdy"
decimal = "comma"
ignore = ["Remarks"]
[columns]
"Date" = "at"
"Vineyard block" = "block"
"Batch" = "lot"
"Net weight" = "mass"
[units]
"Net weight" = "lb"
[constants]
picking = "hand"
tags = "cool morning; first pass"
"""
OWN = "Date;Vineyard block;Batch;Net weight;Remarks\n3/4/2025;Hill;25-H;1.234;see Jo\n"


@pytest.mark.parametrize("named", ["Net weight", "mass"])
def test_a_mapping_says_a_winerys_own_columns(named: str) -> None:
    from ampelog import mapping

    text = MAPPING.replace('"Net weight" = "lb"', f'"{named}" = "lb"')
    (event,) = says(OWN.encode(), mapping=mapping.read(text, "own.toml"))
    assert event == {
        "kind": "pick",
        "at": "2025-03-04",
        "block": "Hill",
        "lot": "25-H",
        "mass": "1234 lb",
        "picking": "hand",
        "tags": ["cool morning", "first pass"],
    }


BLENDED = """\
kind = "rack"
[columns]
"No" = "event"
"Day" = "at"
"Lot" = "from.lot"
"Gal" = "from.volume"
"Tank" = "to.vessel"
"Into" = "to.volume"
"Who" = "by"
[units]
"Gal" = "gal"
"Into" = "gal"
[constants]
"to.lot" = "RED"
"to.2.lot" = "LEES"
"to.2.volume" = "1 gal"
by = "Max"
"""


def test_a_constant_is_said_once_of_an_event_of_several_rows() -> None:
    from ampelog import mapping

    rows = "No,Day,Lot,Gal,Tank,Into,Who\n1,2025-11-01,SY,10,T3,15,\n1,,GR,6,,,\n"
    for who, by in (("", "Max"), ("Jo", "Jo")):
        text = rows.removesuffix(",\n") + f",{who}\n"
        (event,) = says(text.encode(), mapping=mapping.read(BLENDED, "own.toml"))
        assert [end["lot"] for end in event["from"]] == ["SY", "GR"]
        assert event["to"] == [
            {"lot": "RED", "vessel": "T3", "volume": "15 gal"},
            {"lot": "LEES", "volume": "1 gal"},
        ]
        assert event["by"] == by


def test_a_constant_is_said_of_each_record_that_the_rows_fill_in() -> None:
    from ampelog import mapping

    rows = "No,Day,Lot,Gal,Tank,Into,Who\n1,2025-11-01,SY,16,T3,10,\n1,,,,T4,5,\n"
    (event,) = says(rows.encode(), mapping=mapping.read(BLENDED, "own.toml"))
    assert [(end["lot"], end.get("vessel")) for end in event["to"]] == [
        ("RED", "T3"),
        ("LEES", None),
        ("RED", "T4"),
    ]


def test_a_mapping_names_everything_that_it_does_not_know() -> None:
    from ampelog import mapping

    with pytest.raises(Refused) as caught:
        mapping.read('kinds = "pick"\ndates = "american"\n[units]\n"W" = "stone"\n', "own.toml")
    assert len(caught.value.findings) == 3
    lost = MAPPING.replace('"lot"', '"lots"').replace("picking =", "pickng =")
    with pytest.raises(Refused) as caught:
        told(OWN.encode(), mapping=mapping.read(lost, "own.toml"))
    assert [(one.where, one.hint) for one in caught.value.findings] == [
        ('own.toml, columns, "batch"', "did you mean `lot`?"),
        ('own.toml, constants, "pickng"', "did you mean `picking`?"),
    ]
    with pytest.raises(Refused, match="no TOML"):
        mapping.read("a = = b", "own.toml")


# --- the program ------------------------------------------------------------------------------


@pytest.fixture
def harvest(cellar: Run, recorded_at: Callable[[str], None]) -> Run:
    """The program on the wine's ledger, on an October morning."""
    recorded_at("2025-10-05T15:00:00Z")
    return cellar


def good_rows() -> dict[str, list[Row]]:
    """A hundred rows without a mistake: picks, readings, rackings."""
    day = dt.datetime(2025, 9, 1, 7, 0)
    picks: list[Row] = [
        {"at": day + dt.timedelta(hours=number), "block": "Hill" if number % 2 else "Flat",
         "lot": f"25-{number // 10:02d}", "mass": 400 + number / 8, "mass unit": "lb",
         "brix": 22.5, "picking": "hand", "ref": f"W-{number}"}
        for number in range(60)
    ]  # fmt: skip
    readings: list[Row] = [
        {"at": f"2025-08-{number + 1:02d}", "lot": "A", "brix": "-1.2", "temperature": 64,
         "temperature unit": "F"}
        for number in range(30)
    ]  # fmt: skip
    racks: list[Row] = [
        {"at": f"2025-07-{number + 1:02d}", "from.lot": "A", "from.volume": "1 gal",
         "to.lot": "A", "to.vessel": f"C-{number}", "to.volume": "1 gal", "from.vessel": "T1"}
        for number in range(10)
    ]  # fmt: skip
    return {"pick": picks, "reading": readings, "rack": racks}


def test_a_hundred_rows_with_many_kinds_of_mistake_are_told_all_at_once(
    harvest: Run, tmp_path: Path
) -> None:
    sheets = good_rows()
    pick, reading, rack = sheets["pick"], sheets["reading"], sheets["rack"]
    mistakes: dict[str, str] = {}

    def slip(where: str, row: Row, says: str, **cells: Any) -> None:
        row.update({key.replace("__", ".").replace("_unit", " unit"): cells[key] for key in cells})
        mistakes[f"bad.xlsx, sheet {where}"] = says

    slip("pick, row 2, column E (mass unit)", pick[0], "unknown unit `stone`", mass_unit="stone")
    del mistakes["bad.xlsx, sheet pick, row 2, column E (mass unit)"]
    mistakes["bad.xlsx, sheet pick, row 2, column D (mass)"] = "unknown unit `stone`"
    slip("pick, row 3, column D (mass)", pick[1], "`400.125` has no unit", mass_unit=None)
    slip("pick, row 4, column D (mass)", pick[2], "is a volume, wanted a mass", mass_unit=None,
         mass="3 gal")  # fmt: skip
    slip("pick, row 5, column A (at)", pick[3], "more than a day after", at=dt.datetime(2026, 9, 1))
    slip("pick, row 6, column A (at)", pick[4], "may be 2025-04-03 or 2025-03-04", at="3/4/2025")
    slip("pick, row 7, column D (mass)", pick[5], "`-400.625` is negative", mass=-400.625)
    slip("pick, row 8", pick[6], "the block `Hil` is not registered", block="Hil")
    slip(
        "pick, row 9, column D (mass)", pick[7], "`4o1` is no number", mass="4o1 lb", mass_unit=None
    )
    slip("pick, row 10, column D (mass)", pick[8], "`#REF!` is an error", mass="#REF!")
    slip("pick, row 11, column D (mass)", pick[9], "may be 1.234 or 1234", mass="1,234")
    slip("pick, row 12, column G (picking)", pick[10], "wanted `hand` or `machine`", picking="foot")
    slip("pick, row 13, column B (block)", pick[11], "`pick` needs `block`", block=None)
    slip("pick, row 14, column E (mass unit)", pick[12], "", mass_unit="T")
    del mistakes["bad.xlsx, sheet pick, row 14, column E (mass unit)"]
    mistakes["bad.xlsx, sheet pick, row 14, column D (mass)"] = "`T` may be `t` (1000 kg) or `ton`"
    slip("pick, row 1, column I (wieght)", pick[0], "has no column `wieght`", wieght=3)
    slip("reading, row 2", reading[0], "there is no lot `A0` then", lot="A0")
    slip(
        "reading, row 4, column C (brix)",
        reading[2],
        "`24.1 or so` is no number",
        brix="24.1 or so",
    )
    slip(
        "rack, row 2, column F (to.volume)", rack[0], "`1 kg` is a mass, wanted", to__volume="1 kg"
    )
    slip("rack, row 3", rack[1], "more", from__volume="900 gal", to__volume="900 gal")
    slip("rack, row 4, column C (from.volume)", rack[2], "formula", from__volume=Formula("=1+C3"))
    sheets["pikc"] = [dict(PICK)]
    mistakes["bad.xlsx, sheet pikc"] = "named for no kind"
    assert sum(map(len, sheets.values())) > 100
    (tmp_path / "bad.xlsx").write_bytes(as_workbook(sheets))

    before = harvest("log", "--json").json
    for words in ((), ("--dry-run",)):
        done = harvest("load", "bad.xlsx", *words)
        assert (done.code, done.out) == (2, "")
        told_ = _told(done)
        assert told_.keys() - mistakes.keys() == set()
        assert mistakes.keys() - told_.keys() == set()
        for where, says_ in mistakes.items():
            assert says_ in told_[where], where
    assert "did you mean `Hill`?" in done.err
    assert "did you mean `mass`?" not in done.err
    assert harvest("log", "--json").json == before

    (tmp_path / "good.xlsx").write_bytes(as_workbook(good_rows()))
    checked = harvest("load", "good.xlsx", "--dry-run", "--json").json
    assert (checked["recorded"], checked["would_record"]) == (0, 100)
    done = harvest("load", "good.xlsx", "--json")
    assert (done.code, done.json["recorded"], done.json["known"]) == (0, 100, 0), done.err
    assert harvest("verify").code == 0


def _told(done: Answer) -> dict[str, str]:
    """By place: what refuses, with its hint, in one line."""
    found: dict[str, str] = {}
    for line in done.err.splitlines():
        if line.startswith("error: bad.xlsx"):
            where, _, rest = line.removeprefix("error: ").partition(": ")
            assert where not in found, f"{where} is told twice"
            found[where] = rest
        elif line.startswith("  hint: "):
            found[where] += line
    return found


def test_the_same_file_twice_is_known_row_by_row(harvest: Run, tmp_path: Path) -> None:
    rows = [dict(PICK), dict(PICK), {**PICK, "lot": "25-K", "mass": "12.5 kg"}]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    first = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert (first.code, first.json["recorded"]) == (0, 3)
    assert [one["rule"] for one in first.json["findings"]] == ["equal rows"]
    for name, words in (("a.csv", ("--kind", "pick")), ("a.xlsx", ())):
        (tmp_path / "a.xlsx").write_bytes(as_workbook({"pick": rows}))
        again = harvest("load", name, *words, "--json")
        assert (again.code, again.json["recorded"], again.json["known"]) == (0, 0, 3)
        assert again.json["head"] == first.json["head"]
        assert len(again.json["known_rows"]) == 3
    assert "a.csv: recorded already: rows 2-4" in harvest("load", "a.csv", "--kind", "pick").err
    # Another ledger knows none of them.
    (tmp_path / "other").mkdir()
    other = made(tmp_path / "other", tmp_path / "wine.jsonl", premises="Home")
    there = harvest("--ledger", str(other), "load", "a.csv", "--kind", "pick", "--json")
    assert there.json["recorded"] == 3


def test_a_row_that_was_edited_since_is_told(harvest: Run, tmp_path: Path) -> None:
    rows = [dict(PICK), {**PICK, "at": "2025-09-02", "lot": "25-K"}]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    harvest("load", "a.csv", "--kind", "pick")
    rows[1]["mass"] = "1100 kg"
    rows.append({**PICK, "at": "2025-09-03"})
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    done = harvest("load", "a.csv", "--kind", "pick", "--dry-run", "--json")
    assert (done.json["would_record"], done.json["known"]) == (2, 1)
    (finding,) = done.json["findings"]
    assert (finding["rule"], finding["where"]) == ("edited row", "a.csv, row 3")
    assert "but for `mass`" in finding["says"]
    assert "correct" in finding["hint"]


@pytest.mark.parametrize(
    ("edits", "says"),
    [
        ({"at": "2025-09-04"}, "but for `at`,"),
        ({"at": "2025-09-04", "mass": "900 kg"}, "but for `at` and `mass`,"),
        ({"lot": "25-L", "mass": "900 kg"}, "but for `lot` and `mass`,"),
    ],
)
def test_a_row_that_was_edited_since_is_known_by_what_it_was_loaded_with(
    harvest: Run, tmp_path: Path, edits: Row, says: str
) -> None:
    rows = [dict(PICK), {**PICK, "at": "2025-09-02", "lot": "25-K"}]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    harvest("load", "a.csv", "--kind", "pick")
    rows = [{**PICK, "at": "2025-09-06", "lot": "25-N", "block": "Flat"}, rows[0], rows[1] | edits]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    done = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert (done.json["recorded"], done.json["known"]) == (2, 1)
    (finding,) = done.json["findings"]
    assert (finding["rule"], finding["where"]) == ("edited row", "a.csv, row 4")
    assert says in finding["says"]


def test_a_row_that_stands_in_another_file_of_the_load_was_not_edited(
    harvest: Run, tmp_path: Path
) -> None:
    (tmp_path / "a.csv").write_bytes(as_csv([dict(PICK)]))
    (tmp_path / "b.csv").write_bytes(as_csv([{**PICK, "lot": "25-K"}]))
    load = ("load", "a.csv", "b.csv", "--kind", "pick", "--json")
    assert harvest(*load).json["recorded"] == 2
    (tmp_path / "a.csv").write_bytes(as_csv([dict(PICK), {**PICK, "at": "2025-09-03"}]))
    done = harvest(*load)
    assert (done.json["recorded"], done.json["findings"]) == (1, [])


def test_a_row_that_was_struck_and_entered_anew_is_not_told(harvest: Run, tmp_path: Path) -> None:
    rows = [dict(PICK), {**PICK, "lot": "25-K"}]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    harvest("load", "a.csv", "--kind", "pick")
    position = harvest("log", "--lot", "25-K", "--json").json[0]["position"]
    assert harvest("correct", str(position), "--strike", "--reason", "wrong", "--yes").code == 0
    (tmp_path / "a.csv").write_bytes(as_csv([rows[0], {**rows[1], "mass": "900 kg"}]))
    done = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert (done.json["recorded"], done.json["findings"]) == (1, [])


def test_of_very_many_new_rows_it_is_told_that_others_are_gone(
    harvest: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(again, "MOST_COMPARED", 3)
    rows = [{**PICK, "lot": f"25-{at}"} for at in range(3)]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    harvest("load", "a.csv", "--kind", "pick")
    rows = [rows[0], *({**row, "mass": "900 kg"} for row in rows[1:])]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    (finding,) = harvest("load", "a.csv", "--kind", "pick", "--json").json["findings"]
    assert (finding["rule"], finding["where"]) == ("edited row", "a.csv, row 3")
    assert "2 rows are new from here on, and 2 events" in finding["says"]


def test_a_row_that_equals_a_recorded_event_is_a_likely_repeat(
    harvest: Run, tmp_path: Path
) -> None:
    assert harvest("record", "pick", *(f"{key}={said}" for key, said in PICK.items())).code == 0
    (tmp_path / "a.csv").write_bytes(as_csv([dict(PICK)]))
    head = harvest("log", "--json").json[-1]["position"]
    for words in ((), ("--dry-run",)):
        done = harvest("load", "a.csv", "--kind", "pick", *words)
        assert done.code == 2
        assert f"a.csv, row 2: equals event {head} in everything" in done.err
    (tmp_path / "a.csv").write_bytes(as_csv([{**PICK, "note": "a second bin"}]))
    assert harvest("load", "a.csv", "--kind", "pick", "--json").json["recorded"] == 1
    (tmp_path / "a.csv").write_bytes(as_csv([{**PICK, "note": "a second bin"}] * 2))
    done = harvest("load", "a.csv", "--kind", "pick")
    assert "row 3: equals event" in done.err, "the first of the two is known, the second a repeat"
    own = [{**PICK, "id": "018f3b5c-0000-7000-8000-000000000077"}]
    (tmp_path / "a.csv").write_bytes(as_csv(own))
    assert harvest("load", "a.csv", "--kind", "pick", "--json").json["recorded"] == 1


def test_rows_that_are_equal_in_two_files_of_a_load_are_both_recorded_and_told(
    harvest: Run, tmp_path: Path
) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_bytes(as_csv([dict(PICK)]))
    load = ("load", "a.csv", "b.csv", "--kind", "pick", "--json")
    done = harvest(*load)
    assert (done.json["recorded"], done.json["known"]) == (2, 0)
    (finding,) = done.json["findings"]
    assert (finding["rule"], finding["where"]) == ("equal rows", "b.csv, row 2")
    assert "says the same as a.csv, row 2; both are recorded" in finding["says"]
    again_ = harvest(*load)
    assert (again_.json["recorded"], again_.json["known"], again_.json["findings"]) == (0, 2, [])


def test_a_new_name_that_reads_like_a_known_one_is_told(harvest: Run, tmp_path: Path) -> None:
    rows = [
        {**PICK, "lot": "25-00"},
        {**PICK, "lot": "25-OO", "vessel": "BIN 1"},
        {**PICK, "lot": "25-H", "vessel": "bin-1"},
    ]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    done = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert [(one["where"], one["rule"]) for one in done.json["findings"]] == [
        ("a.csv, row 3", "names alike"),
        ("a.csv, row 4", "names alike"),
    ]
    assert "the lot `25-OO` is new, and reads like `25-00`" in done.json["findings"][0]["says"]
    note = {"at": "2025-09-02", "lot": "25-00", "text": "ripe"}
    (tmp_path / "b.csv").write_bytes(as_csv([note, {**note, "lot": "25-OO"}]))
    assert harvest("load", "b.csv", "--kind", "note", "--json").json["findings"] == []
    row = {"at": "2025-09-03", "from.lot": "A", "from.volume": "1 gal", "from.vessel": "T1",
           "to.lot": "A", "to.vessel": "t1", "to.volume": "1 gal"}  # fmt: skip
    (tmp_path / "c.csv").write_bytes(as_csv([row]))
    (finding,) = harvest("load", "c.csv", "--kind", "rack", "--dry-run", "--json").json["findings"]
    assert "the vessel `t1` is new, and reads like `T1`" in finding["says"]


def test_a_paper_that_was_entered_before_is_told(harvest: Run, tmp_path: Path) -> None:
    rows = [{**PICK, "ref": "W-1"}, {**PICK, "ref": "W-1", "mass": "900 kg"},
            {**PICK, "at": "2025-09-02", "ref": "W-1"}]  # fmt: skip
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    done = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert [(one["where"], one["rule"]) for one in done.json["findings"]] == [
        ("a.csv, row 4", "same paper")
    ]
    assert harvest("load", "a.csv", "--kind", "pick", "--json").json["findings"] == []
    (tmp_path / "b.csv").write_bytes(as_csv([{**PICK, "ref": "W-1", "mass": "800 kg"}]))
    (finding,) = harvest("load", "b.csv", "--kind", "pick", "--dry-run", "--json").json["findings"]
    assert "so it is in event 15 (pick of 2025-09-01)" in finding["says"]
    ids = [one["id"] for one in harvest("log", "--kind", "pick", "--json").json if one.get("ref")]
    strike = [{"at": "2025-09-05", "corrects": id_, "reason": "entered wrong", "replacement": "null"}
              for id_ in ids]  # fmt: skip
    (tmp_path / "c.csv").write_bytes(as_csv(strike))
    assert harvest("load", "c.csv", "--kind", "correct").code == 0
    again = harvest("load", "b.csv", "--kind", "pick", "--json")
    assert (again.json["recorded"], again.json["findings"]) == (1, [])


def test_days_and_numbers_are_asked_about_until_the_options_say(
    harvest: Run, tmp_path: Path
) -> None:
    rows = [{**PICK, "at": f"{n}/4/2025", "mass": "1,234 kg"} for n in (3, 4, 5)]
    (tmp_path / "a.csv").write_bytes(as_csv(rows))
    load = ("load", "a.csv", "--kind", "pick")
    done = harvest(*load)
    assert done.code == 2
    assert "--dates dmy (2025-04-03) or --dates mdy (2025-03-04)" in done.err
    assert "The column asks so in one more cell" in done.said, "4/4/2025 has one reading"
    assert "--decimal point or --decimal comma" in done.err
    done = harvest(*load, "--dates", "dmy", "--decimal", "point", "--json")
    assert (done.code, done.json["recorded"]) == (0, 3)
    logged = harvest("log", "--kind", "pick", "--json").json
    assert {(one["at"], one["mass"]) for one in (row.get("event", row) for row in logged)} >= {
        ("2025-04-03", "1234 kg")
    }


def test_tables_and_lines_are_loaded_in_one_call_and_stdin_is_a_table_where_a_kind_is_said(
    harvest: Run, tmp_path: Path
) -> None:
    (tmp_path / "a.csv").write_bytes(as_csv([dict(PICK)]))
    (tmp_path / "b.jsonl").write_text(
        '{"kind":"note","at":"2025-09-02","lot":"25-H","text":"ripe"}'
    )
    done = harvest("load", "a.csv", "b.jsonl", "--kind", "pick", "--json")
    assert (done.code, done.json["recorded"]) == (0, 2)
    rows = as_csv([{**PICK, "lot": "25-K"}])
    assert harvest("load", "-", "--kind", "pick", "--json", given=rows).json["recorded"] == 1
    (tmp_path / "own.toml").write_text('kind = "pick"\n[columns]\n"Batch" = "lot"\n')
    rows = as_csv([{"Batch": "25-L", **{key: PICK[key] for key in ("at", "block", "mass")}}])
    mapped = harvest("load", "-", "--columns", "own.toml", "--json", given=rows)
    assert (mapped.code, mapped.json["recorded"]) == (0, 1)
    assert harvest("load", "b.jsonl", "--kind", "pick").code == 2
    assert harvest("load", "a.csv", "--kind", "pikc").code == 2
    assert harvest("load", "a.csv", "--kind", "pick", "--columns", "none.toml").code == 2
    assert harvest("load", "none.csv", "--kind", "pick").code == 2


def test_a_table_without_rows_records_nothing_and_says_so(harvest: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("at,lot,block,mass\r\n")
    done = harvest("load", "a.csv", "--kind", "pick", "--json")
    assert (done.code, done.json["recorded"]) == (0, 0)
    assert [one["rule"] for one in done.json["findings"]] == ["empty"]


def test_a_heading_is_looked_at_though_nothing_is_under_it(harvest: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("at,lott,block,mass\r\n")
    done = harvest("load", "a.csv", "--kind", "pick")
    assert done.code == 2
    assert "a.csv, row 1, column B (lott): `pick` has no column `lott`" in done.said
    assert "did you mean `lot`?" in done.said
