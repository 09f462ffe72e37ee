"""The workbook to fill in: read back as a spreadsheet program would, and filled in."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from ampelog import columns, workbook
from ampelog.events import KINDS
from tests.program import Run

pytest_plugins = ("tests.running",)


def opened(content: bytes) -> Any:
    """A workbook, read back."""
    return load_workbook(io.BytesIO(content))


def heads(page: Any) -> dict[str, int]:
    """By heading, its column."""
    return {cell.value: cell.column for cell in page[1]}


def offered(book: Any, kind: str, heading: str) -> tuple[list[str], bool]:
    """What a drop-down offers in a column, and whether nothing else may be typed."""
    page = book[kind]
    column = page.cell(2, heads(page)[heading]).coordinate
    for rule in page.data_validations.dataValidation:
        if column in rule.sqref:
            first, last = rule.formula1.removeprefix("lists!").replace("$", "").split(":")
            return [row[0].value for row in book["lists"][first:last]], bool(rule.showErrorMessage)
    return [], False


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_prints_the_header_of_every_kind(run: Run, kind: str) -> None:
    done = run("template", kind)
    assert done.out == ",".join(columns.header(kind)) + "\r\n"
    assert run("template", kind, "--json").json == {"kind": kind, "columns": columns.header(kind)}
    (page, *_) = opened(workbook.template([kind], {})).worksheets
    fields = [name for name in heads(page) if name != "event" and not name.endswith(" unit")]
    assert fields == columns.header(kind)
    needed = {cell.value for cell in page[1] if cell.font.bold}
    assert needed == {one.name for one in columns.of(kind) if one.needed}


def test_the_drop_downs_have_what_the_ledger_holds(cellar: Run, tmp_path: Path) -> None:
    assert cellar("template", "pick", "rack", "ship", "-o", "t.xlsx").code == 0
    book = opened((tmp_path / "t.xlsx").read_bytes())
    assert book.sheetnames == ["pick", "rack", "ship", "lists", "how to"]
    assert offered(book, "pick", "block") == (["Flat", "Hill"], False)
    assert offered(book, "rack", "from.vessel") == (["T1", "T2", "T4"], False)
    lots, is_closed = offered(book, "rack", "to.lot")
    assert not is_closed
    assert lots.index("A") < lots.index("C"), "what holds nothing comes last"
    assert set(lots) >= {"A", "B", "C", "C24", "D", "F1", "F2"}
    assert offered(book, "ship", "to") == (["Shop"], False)
    assert offered(book, "pick", "mass unit") == (["kg", "g", "t", "ton", "lb"], True)
    assert offered(book, "pick", "picking") == (["hand", "machine"], True)
    assert offered(book, "rack", "from.all") == (["yes"], True)
    assert offered(book, "pick", "brix") == ([], False)
    assert book["lists"].sheet_state == "hidden"
    told = [row[1].value for row in book["how to"].iter_rows()]
    assert {"mass", "from.lot"} <= set(told)


def test_a_template_filled_in_is_loaded(
    cellar: Run, tmp_path: Path, recorded_at: Callable[[str], None]
) -> None:
    recorded_at("2025-10-05T15:00:00Z")
    cellar("template", "pick", "rack", "-o", "t.xlsx")
    book = load_workbook(tmp_path / "t.xlsx")
    page = book["pick"]
    for name, value in {"at": dt.datetime(2025, 9, 1, 8, 30), "block": "Hill", "lot": "25-H",
                        "mass": 1200.5, "mass unit": "lb", "brix": 24.1}.items():  # fmt: skip
        page.cell(2, heads(page)[name]).value = value
    page = book["rack"]
    both = {"event": 1, "to.lot": "A", "to.volume": 10, "to.volume unit": "gal"}
    first = {
        "at": dt.date(2025, 9, 2),
        "from.lot": "A",
        "from.volume": "20 gal",
        "from.vessel": "T1",
    }
    for row, cells in ((2, {**both, **first, "to.vessel": "K1"}), (3, {**both, "to.vessel": "K2"})):
        for name, value in cells.items():
            page.cell(row, heads(page)[name]).value = value
    book.save(tmp_path / "t.xlsx")
    done = cellar("load", "t.xlsx", "--json")
    assert (done.code, done.json["recorded"], done.json["findings"]) == (0, 2, []), done.err
    lots = {one["lot"]: one for one in cellar("lots", "--json").json}
    assert {one["vessel"] for one in lots["A"]["holdings"]} >= {"K1", "K2"}
    assert "25-H" in lots


def test_hostile_names_stay_texts() -> None:
    names = ["=1+1", "+x", "@SUM(A1)", "-5", "24\u2028a", "<b>&", "x" * 64, '"', "#REF!", "0012"]
    book = opened(workbook.template(["rack"], {"lot": names}))
    page = book["lists"]
    column = next(cell.column for cell in page[1] if cell.value == "lot")
    found = [page.cell(row, column) for row in range(2, len(names) + 2)]
    assert [cell.value for cell in found] == names
    assert {cell.data_type for cell in found} == {"s"}
    assert {cell.number_format for cell in found} == {"@"}


def test_names_are_typed_into_cells_of_text_and_days_into_cells_of_days() -> None:
    page = opened(workbook.template(["rack"], {}))["rack"]
    from openpyxl.utils import get_column_letter

    def form(name: str) -> str:
        return str(page.column_dimensions[get_column_letter(heads(page)[name])].number_format)

    assert form("from.lot") == form("to.vessel") == form("ref") == "@"
    assert form("at").startswith("yyyy-mm-dd")
    assert form("to.volume") == "General"


def test_a_template_is_never_written_over_a_file(run: Run, tmp_path: Path) -> None:
    assert run("template", "pick", "-o", "a.csv").code == 0
    before = (tmp_path / "a.csv").read_bytes()
    assert before.startswith(b"at,block,lot,mass,")
    assert run("template", "note", "-o", "a.csv").code == 2
    assert (tmp_path / "a.csv").read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [["pikc"], ["pick", "-o", "a.pdf"], ["pick", "rack"], ["pick", "pick", "-o", "a.xlsx"],
     ["pick", "rack", "-o", "a.csv"]],
)  # fmt: skip
def test_a_template_that_cannot_be_is_refused(run: Run, words: list[str]) -> None:
    done = run("template", *words)
    assert (done.code, done.out) == (2, "")
    assert "hint" in done.err


def test_without_a_ledger_a_template_has_no_names(run: Run, tmp_path: Path) -> None:
    done = run("template", "pick", "-o", "a.xlsx", "--json")
    assert (done.code, json.loads(done.out)["kind"]) == (0, "pick")
    assert "no ledger" in done.err
    assert offered(opened((tmp_path / "a.xlsx").read_bytes()), "pick", "lot") == ([], False)
