"""Files as spreadsheet programs write them: encodings, delimiters, workbooks, and broken ones."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from ampelog.errors import Refused
from ampelog.numerals import Broken, Numeral, numeral
from ampelog.say import as_csv
from ampelog.sheets import Sheet, letter, listed, read

TABLE = "at;lot;text\n2025-01-01;Côte-1;dégusté\n"


def only(content: bytes, name: str = "a.csv") -> Sheet:
    """The one table of a file."""
    (sheet,) = read(content, name)
    return sheet


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
def test_a_csv_is_read_in_the_encodings_that_programs_write(encoding: str) -> None:
    sheet = only(TABLE.encode(encoding))
    assert sheet.rows[0].cells == {0: "2025-01-01", 1: "Côte-1", 2: "dégusté"}
    assert [one.rule for one in sheet.odd] == (["encoding"] if encoding == "cp1252" else [])
    assert sheet.has_semicolons
    if sheet.odd:
        assert "Côte-1" in sheet.odd[0].says


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_delimiter_is_that_of_the_heading(delimiter: str, end: str) -> None:
    text = end.join([delimiter.join(row) for row in (["at", "lot", '"a;b,c"'], ["1", "x", "y"])])
    sheet = only(text.encode())
    assert list(sheet.heading.cells.values()) == ["at", "lot", "a;b,c"]
    assert sheet.rows[0].cells == {0: "1", 1: "x", 2: "y"}
    named = only(f"sep={delimiter}{end}{text}".encode()) if end != "\r" else sheet
    assert named.rows[0].cells == sheet.rows[0].cells


def test_rows_are_numbered_as_a_spreadsheet_shows_them() -> None:
    text = 'at,text\n\n2025-01-01,"two\nlines"\n,\n2025-01-02,one\n'
    assert [row.number for row in only(text.encode()).rows] == [3, 5]
    assert [row.number for row in only(b"sep=,\nat,text\n1,2\n").rows] == [3]


def test_text_that_was_defused_is_taken_as_it_was() -> None:
    sheet = only(b"lot,text,by,ref\n'=24-A,'-x,'tis,-5\n")
    assert list(sheet.rows[0].cells.values()) == ["=24-A", "-x", "'tis", "-5"]


@given(st.text("'=+-@ a5", min_size=1).filter(lambda text: text == text.strip()))
def test_every_text_comes_back_from_a_list_as_csv(text: str) -> None:
    sheet = only(as_csv([{"lot": "A", "text": text}]).encode())
    assert sheet.rows[0].cells[1] == text


def book(fill: Callable[[Any], None]) -> bytes:
    """A workbook of one sheet."""
    made = Workbook()
    page: Any = made.active
    page.title = "note"
    page.append(["at", "lot", "text"])
    fill(page)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def mended(content: bytes, mend: Callable[[bytes], bytes]) -> bytes:
    """The workbook with its sheet's part mended."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, mend(part) if name.endswith("sheet1.xml") else part)
    return stream.getvalue()


def test_what_a_workbook_hides_is_left_out_and_told() -> None:
    def fill(page: Any) -> None:
        for number in range(2, 7):
            page.append([dt.date(2025, 1, number), "A", "ripe"])
        page.row_dimensions[3].hidden = page.row_dimensions[4].hidden = True

    sheet = only(book(fill), "a.xlsx")
    assert [row.number for row in sheet.rows] == [2, 5, 6]
    (told,) = sheet.odd
    assert "3-4" in told.says


def test_hidden_sheets_and_those_of_a_template_hold_no_rows() -> None:
    made = load_workbook(io.BytesIO(book(lambda page: page.append(["x", "y", "z"]))))
    for title in ("lists", "how to", "secret"):
        made.create_sheet(title).append(["at", title])
    made["secret"].sheet_state = "hidden"
    made.create_sheet("empty")
    stream = io.BytesIO()
    made.save(stream)
    assert [sheet.title for sheet in read(stream.getvalue(), "a.xlsx")] == ["note"]


def test_formulas_errors_and_lengths_of_time_are_no_values() -> None:
    def fill(page: Any) -> None:
        page.append(["=A1", "#REF!", dt.timedelta(hours=30)])

    cells = list(only(book(fill), "a.xlsx").rows[0].cells.values())
    assert [isinstance(one, Broken) for one in cells] == [True, True, True]
    assert "=A1" in str(cells[0])


def test_a_formula_has_the_value_that_was_worked_out_last() -> None:
    content = book(lambda page: page.append(["=1+1", "A", "ripe"]))

    def worked_out(part: bytes) -> bytes:
        assert b"<v></v>" in part or b"<v />" in part or b"<v/>" in part
        for empty in (b"<v></v>", b"<v />", b"<v/>"):
            part = part.replace(empty, b"<v>2</v>")
        return part

    assert only(mended(content, worked_out), "a.xlsx").rows[0].cells[0] == Numeral("2")


def test_a_formula_that_was_worked_out_to_nothing_shows_nothing() -> None:
    content = book(lambda page: page.append(["2025-01-02", "A", '=IF(1>2,"high","")']))

    def worked_out(part: bytes) -> bytes:
        assert b'<c r="C2"><f>' in part
        return part.replace(b'<c r="C2"><f>', b'<c r="C2" t="str"><f>')

    assert only(mended(content, worked_out), "a.xlsx").rows[0].cells == {0: "2025-01-02", 1: "A"}


def test_days_that_count_from_1904_are_those_days() -> None:
    made = Workbook()
    made.epoch = CALENDAR_MAC_1904
    page: Any = made.active
    page.append(["at", "lot"])
    page.append([dt.datetime(2025, 9, 1, 14, 20), dt.date(1999, 1, 1)])
    stream = io.BytesIO()
    made.save(stream)
    cells = only(stream.getvalue(), "a.xlsx").rows[0].cells
    assert cells[0] == dt.datetime(2025, 9, 1, 14, 20)
    assert str(cells[1]).startswith("1999-01-01")


def test_merged_cells_are_told() -> None:
    def fill(page: Any) -> None:
        page.append(["2025-01-01", "A", "ripe"])
        page.append([None, "B", "ripe"])
        page.merge_cells("A2:A3")

    (wrong,) = only(book(fill), "a.xlsx").wrong
    assert (wrong.rule, wrong.where) == ("merged cells", "a.xlsx, sheet note, row 2, column A")


@pytest.mark.parametrize(
    ("held", "form", "wanted"),
    [
        (12.1, "General", Numeral("12.1")),
        (0.1 + 0.2, "General", Numeral("0.3")),
        (1234.5, '#,##0.0" gal"', Numeral("1234.5", unit="gal", as_shown=None)),
        (234.5, '#,##0.0" gal"', Numeral("234.5", unit="gal", as_shown="234.5 gal")),
        (2.5, "0.0\\ \\l\\b", Numeral("2.5", unit="lb", as_shown="2.5 lb")),
        (1234.5, "0.00_);(0.00)", Numeral("1234.5", as_shown="1234.50")),
        (0.135, "0.0%", Numeral("0.135", is_percent=True)),
        (7, "000", Numeral("7", as_shown="007")),
        (101, '"B-"000', Numeral("101", unit="B-", as_shown="B-101")),
        (101, '"B-"General', Numeral("101", unit="B-", as_shown="B-101")),
        (101, "[Red]\\B\\-0", Numeral("101", unit="B-", as_shown="B-101")),
        (24.1, "0.00", Numeral("24.1", as_shown="24.10")),
        (24.15, "0.0", Numeral("24.15", as_shown=None)),
        (24001, "00-000", Numeral("24001", as_shown="24-001")),
        (1, "00-000", Numeral("1", as_shown="00-001")),
        (9024001, "00-000", Numeral("9024001", as_shown="9024-001")),
        (24001, "#,##0", Numeral("24001", as_shown=None)),
        (24, "# ?/?", Numeral("24", as_shown=None)),
        (24, "[<100]0;000", Numeral("24", as_shown=None)),
        (24, '"red"', Numeral("24", unit="red", as_shown=None)),
        (24, "@", Numeral("24")),
        (0.5, "#.0##", Numeral("0.5", as_shown=".5")),
        (100000, "0.00E+00", Numeral("100000", as_shown=None)),
        (1e-7, "General", Numeral("0.0000001")),
        (1e20, "General", Numeral("100000000000000000000")),
        (-5, "General", Numeral("-5")),
        (-5, "00", Numeral("-5", as_shown="-05")),
        (-5, "0;[Red]0", Numeral("-5", as_shown=None)),
    ],
)
def test_a_number_of_a_workbook_is_its_decimal_text_and_what_is_shown_of_it(
    held: Any, form: str, wanted: Numeral
) -> None:
    assert numeral(held, form) == wanted


def test_what_is_shown_in_thousands_is_told() -> None:
    for form in ('#,##0,"t"', "0.0,,", "#,##0.0,_)"):
        assert isinstance(numeral(12000, form), Broken)


def test_what_is_no_number_is_told() -> None:
    assert isinstance(numeral(float("nan"), "General"), Broken)
    assert isinstance(numeral(float("inf"), "General"), Broken)


@given(st.decimals("-999999999", "999999999", places=4))
def test_every_number_that_people_type_comes_back(number: Any) -> None:
    wanted = format(number.normalize() + 0, "f")
    found = numeral(float(number), "General")
    assert isinstance(found, Numeral)
    assert found.text.removeprefix("-") == wanted.removeprefix("-")


def test_a_sheet_that_claims_a_million_rows_is_read_quickly() -> None:
    def fill(page: Any) -> None:
        page.append(["2025-01-01", "A", "ripe"])
        page.cell(1_048_576, 900).number_format = "0"

    sheet = only(book(fill), "a.xlsx")
    assert [row.number for row in sheet.rows] == [2]


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (b"PK\x03\x04broken", "a.xlsx", "damaged"),
        (b"at,lot", "a.xlsx", "no workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "a.xls", "old form"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "a.xlsx", "password"),
        (b"anything", "a.ods", "old form"),
        (b'at,lot\n1,"x', "a.csv", "row 2"),
        (b'at,lot\n1,"x"y\n', "a.csv", "row 2"),
        (b"at,lot\n\x81\x8d,1\n", "a.csv", "neither UTF-8"),
        (b"\xff\xfea", "a.csv", "is no text"),
    ],
)
def test_a_file_that_is_no_table_is_refused(content: bytes, name: str, says: str) -> None:
    with pytest.raises(Refused) as caught:
        read(content, name)
    assert says in caught.value.says
    assert "Traceback" not in caught.value.says


def test_a_damaged_workbook_is_refused_wherever_it_is_damaged() -> None:
    content = book(lambda page: page.append(["2025-01-01", "A", "ripe"]))
    with zipfile.ZipFile(io.BytesIO(content)) as whole:
        names = whole.namelist()
    for lost in names:
        for part in (None, b"", b"<x", b"<x/>"):
            stream = io.BytesIO()
            with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(stream, "w") as new:
                for name in names:
                    if name != lost:
                        new.writestr(name, old.read(name))
                    elif part is not None:
                        new.writestr(name, part)
            with suppress(Refused):
                read(stream.getvalue(), "a.xlsx")


def test_an_entity_that_grows_is_no_workbook() -> None:
    content = book(lambda page: page.append(["2025-01-01", "A", "ripe"]))
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
        b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(12)
    )
    grows = mended(content, lambda part: bomb + b"]>" + part.replace(b"ripe", b"&m;"))
    try:
        found = read(grows, "a.xlsx")
    except Refused:
        return
    assert (
        sum(len(str(cell)) for sheet in found for row in sheet.rows for cell in row.cells.values())
        < 10_000
    )


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_no_bytes_end_in_anything_but_a_table_or_a_refusal(content: bytes) -> None:
    from tests.tabled import told

    with suppress(Refused):
        told(content, "a.csv", kind="note")
    with suppress(Refused):
        told(b"at,lot,text,from.lot\n" + content, "a.csv", kind="note")


def test_letters_and_lists_of_rows() -> None:
    assert [letter(at) for at in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]
    assert listed([9, 2, 3, 4]) == "2-4, 9"
