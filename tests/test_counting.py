"""A count: the sheet, the filled sheet beside the book, and what it becomes."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from ampelog import work_sheet
from tests.program import Run
from tests.tabled import as_workbook, rows_of

pytest_plugins = ("tests.running",)


def filled(run: Run, path: Path, counted: dict[str, str]) -> None:
    """A count sheet with figures typed in, by lot."""
    assert run("sheet", "count", "-o", str(path)).code == 0
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    for row in rows:
        row["counted"] = counted.get(row["lot"], "")
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0].keys())
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue(), encoding="utf-8")


def test_a_filled_sheet_shows_differences_and_becomes_gauges(cellar: Run, tmp_path: Path) -> None:
    path = tmp_path / "count.csv"
    filled(cellar, path, {"A": "49", "B": "0", "D": "100", "C24": "479"})
    told = cellar("count", "count.csv", "--yes", "--json")
    assert told.code == 0, told.err
    rows = {row["lot"]: row for row in told.json["differences"]}
    assert next(row["lot"] for row in told.json["differences"]) == "B"  # the largest first
    assert rows["B"]["percent"] == "-100.00"
    assert rows["D"]["percent"] == "0.00"
    assert not rows["D"]["large"]
    assert rows["C24"]["bottles"] == 479
    assert told.json["recorded"] == 4
    events = cellar("log", "--kind", "gauge", "--json").json
    assert {event["reason"] for event in events} == {"inventory"}
    assert next(event for event in events if event["lot"] == "B")["empty"] is True
    lots = {row["lot"]: row for row in cellar("lots", "--json").json}
    assert "B" not in lots
    assert lots["A"]["volume_l"] == "185.485177416"  # 49 gal
    assert lots["C24"]["bottles"] == "479"


def test_the_same_sheet_twice_is_known_and_another_figure_is_refused(
    cellar: Run, tmp_path: Path
) -> None:
    path = tmp_path / "count.csv"
    filled(cellar, path, {"A": "49"})
    assert cellar("count", "count.csv", "--yes").code == 0
    again = cellar("count", "count.csv", "--yes", "--json")
    assert (again.code, again.json["recorded"], again.json["known"]) == (0, 0, 1)
    path.write_text(path.read_text(encoding="utf-8").replace(",49,", ",48,"), encoding="utf-8")
    other = cellar("count", "count.csv", "--yes")
    assert other.code == 2
    assert "is recorded as 49 gal, and says 48 gal now" in other.said


def test_nothing_is_recorded_where_nobody_is_asked(cellar: Run, tmp_path: Path) -> None:
    filled(cellar, tmp_path / "count.csv", {"A": "49"})
    told = cellar("count", "count.csv")
    assert told.code == 2
    assert "49.0 gal" in told.out
    assert "--yes" in told.said
    assert cellar("log", "--kind", "gauge", "--json").json == []


def test_a_sheet_that_the_book_has_left_behind_asks_when_it_was_counted(
    cellar: Run, tmp_path: Path
) -> None:
    path = tmp_path / "count.csv"
    filled(cellar, path, {"A": "49"})
    moved = cellar("record", "rack", "at=2026-05-30", "from=A 9 gal", "to=A9@T9 9 gal")
    assert moved.code == 0, moved.err
    late = cellar("count", str(path), "--yes")
    assert late.code == 2
    assert "when the sheet was printed" in late.said
    assert "--at" in late.said
    dated = cellar("count", str(path), "--yes", "--at", "2026-05-29", "--json")
    assert dated.code == 0, dated.err
    assert dated.json["changes"], "what was racked later is less by what was missing"


def test_empty_may_be_written_in_words_and_bottles_are_told_as_bottles(
    cellar: Run, tmp_path: Path
) -> None:
    path = tmp_path / "count.csv"
    filled(cellar, path, {"B": "empty", "C24": "478"})
    told = cellar("count", str(path), "--yes")
    assert told.code == 0, told.err
    assert "480 bottles" in told.out
    assert "478 bottles" in told.out


def test_rows_that_cannot_be_read_are_told_all_at_once(cellar: Run, tmp_path: Path) -> None:
    path = tmp_path / "count.csv"
    filled(cellar, path, {"A": "some", "B": "-3", "C24": "12.5", "D": "99"})
    told = cellar("count", "count.csv", "--yes")
    assert told.code == 2
    for part in ("`some` is no number", "`-3` is less than nothing", "bottles are counted whole"):
        assert part in told.said, told.said
    assert "row 2" in told.said


def test_what_moved_since_the_sheet_was_printed_is_refused(cellar: Run, tmp_path: Path) -> None:
    filled(cellar, tmp_path / "count.csv", {"D": "100"})
    moved = cellar("record", "rack", "at=2026-01-01", "from=D@T4 all", "to=D@T9 100 gal")
    assert moved.code == 0, moved.err
    told = cellar("count", "count.csv", "--yes")
    assert told.code == 2
    assert "`D` does not lie in `T4` any more" in told.said
    # On the day of the count it lay there still.
    then = cellar("count", "count.csv", "--at", "2025-12-31", "--yes")
    assert then.code == 0, then.err


def test_a_blind_sheet_is_held_against_the_book_that_it_was_printed_from(
    cellar: Run, tmp_path: Path
) -> None:
    assert cellar("sheet", "count", "--blind", "-o", "count.csv").code == 0
    text = (tmp_path / "count.csv").read_text(encoding="utf-8")
    assert ',"50.00",' not in text
    (tmp_path / "count.csv").write_text(
        text.replace('"A","gal","",""', '"A","gal","","50"').replace(
            '"B","gal","",""', '"B","gal","","74"'
        ),
        encoding="utf-8",
    )
    moved = cellar("record", "rack", "at=2026-05-30", "from=A 9 gal", "to=A9@T9 9 gal")
    assert moved.code == 0, moved.err
    told = cellar("count", "count.csv", "--yes")
    assert told.code == 2
    assert "row 2: the book said 50.00 gal when the sheet was printed, and says 41.00" in told.err
    assert "row 3" not in told.err, "of B nothing moved"
    then = cellar("count", "count.csv", "--yes", "--at", "2026-05-29", "--json")
    assert (then.code, then.json["recorded"]) == (0, 2), then.err


def test_a_sheet_that_tells_neither_book_nor_day_asks_when_it_was_counted(
    cellar: Run, tmp_path: Path
) -> None:
    for name in ("home", "count 2026-05-01 9999", "count 2026-05-01"):
        text = f"sheet,vessel,lot,unit,book,counted\n{name},T1,A,gal,,50\n"
        (tmp_path / "count.csv").write_text(text, encoding="utf-8")
        told = cellar("count", "count.csv", "--yes")
        assert told.code == 2
        assert "nothing says what the book was" in told.err
        assert "--at" in told.err


COUNT = {"sheet": "count", "vessel": "T1", "lot": "A", "unit": "gal", "book": "50", "counted": 49}
D4 = {**COUNT, "vessel": "T4", "lot": "D", "book": "100", "counted": 98}


def test_every_sheet_of_a_workbook_counts_and_hidden_rows_are_told(
    cellar: Run, tmp_path: Path
) -> None:
    content = as_workbook({"tanks": [COUNT, {**COUNT, "vessel": "T2", "lot": "B"}], "more": [D4]})
    made = load_workbook(io.BytesIO(content))
    made["tanks"].row_dimensions[3].hidden = True
    away = made.create_sheet("away")
    away.append(list(COUNT))
    away.row_dimensions[1].hidden = True
    made.save(tmp_path / "count.xlsx")
    told = cellar("count", "count.xlsx", "--yes", "--json")
    assert (told.code, told.json["recorded"]) == (0, 2), told.err
    assert {row["lot"] for row in told.json["differences"]} == {"A", "D"}
    hidden = [one for one in told.json["findings"] if one["rule"] == "hidden rows"]
    assert [one["where"].rpartition(" ")[2] for one in hidden] == ["tanks", "away"]
    assert "row 3" in hidden[0]["says"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("sheet,vessel,lot,unit,book,counted,\nc,T1,A,gal,50,,49\n", "row 2, column G: `49`"),
        ("sheet,vessel,lot,unit,counted,Counted\nc,T1,A,gal,,49\n", "`counted` stands twice"),
        ("sheet,vessel,lot,unit\nc,T1,A,gal\n", "no column `counted`"),
        ("", "holds no rows"),
        ("sheet,vessel,lot,unit,book,counted\nc,T1,A,gal,?,49\n", "`?` is no number"),
        ("sheet,vessel,lot,unit,book,counted\nc,T1,A,gal,50,#REF!\n", "`#REF!` is no number"),
        ('sheet,vessel,lot,unit,book,counted\nc,T1,A,gal,50,"1,234"\n', "1234, or 1.2340"),
        ("sheet;vessel;lot;unit;book;counted\nc;T1;A;gal;50,00;1.234\n", "1234, or 1.2340"),
    ],
)
def test_a_sheet_whose_figures_may_be_missed_or_misread_is_refused(
    cellar: Run, tmp_path: Path, text: str, says: str
) -> None:
    (tmp_path / "count.csv").write_text(text, encoding="utf-8")
    told = cellar("count", "count.csv", "--yes")
    assert told.code == 2
    assert says in told.said


@pytest.mark.parametrize(
    "text",
    [
        'sheet,vessel,lot,unit,book,counted\nc,T1,A,gal,"50.00",49\n',
        'sheet,vessel,lot,unit,book,counted\nc,T1,A,gal,"50,00","49,0"\n',
        "sheet;vessel;lot;unit;book;counted\nc;T1;A;gal;50,00;49,0\n",
    ],
)
def test_a_book_is_read_as_the_file_writes_numbers(cellar: Run, tmp_path: Path, text: str) -> None:
    (tmp_path / "count.csv").write_text(text, encoding="utf-8")
    told = cellar("count", "count.csv", "--yes", "--json")
    assert (told.code, told.json["recorded"]) == (0, 1), told.err


def test_a_column_that_a_count_sheet_has_not_is_told(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "count.xlsx").write_bytes(as_workbook({"c": [{**COUNT, "Counted 2": 48}]}))
    told = cellar("count", "count.xlsx", "--yes", "--json")
    assert told.code == 0
    (finding,) = told.json["findings"]
    assert "no column `Counted 2`: what stands there is not read" in finding["says"]


def test_a_figure_that_is_shown_in_another_unit_is_refused(cellar: Run, tmp_path: Path) -> None:
    made = load_workbook(io.BytesIO(as_workbook({"c": [{**COUNT, "counted": 49.5}]})))
    cell: Any = made["c"]["F2"]
    for form, code in (('0.0" L"', 2), ('0.0" gal"', 0)):
        cell.number_format = form
        made.save(tmp_path / "count.xlsx")
        assert cellar("count", "count.xlsx", "--yes").code == code


def test_a_workbook_without_rows_is_refused(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "count.xlsx").write_bytes(as_workbook({"Sheet1": []}))
    told = cellar("count", "count.xlsx", "--yes")
    assert told.code == 2
    assert "holds no rows" in told.err


def test_names_are_known_in_pieces_too(cellar: Run, tmp_path: Path) -> None:
    new = cellar("record", "rack", "at=2026-05-01", "from=A 9 gal", "to=Ros\u00e9@T9 9 gal")
    assert new.code == 0, new.err
    text = "sheet,vessel,lot,unit,book,counted\nc,T9,Rose\u0301,gal,9,8\n"
    (tmp_path / "count.csv").write_text(text, encoding="utf-8")
    told = cellar("count", "count.csv", "--yes", "--json")
    assert (told.code, told.json["recorded"]) == (0, 1), told.err


def test_a_sheet_is_not_written_over(cellar: Run, tmp_path: Path) -> None:
    filled(cellar, tmp_path / "count.csv", {"A": "49"})
    assert cellar("sheet", "count", "-o", "count.csv").code == 2


def test_the_page_of_a_count_may_be_blind(cellar: Run, tmp_path: Path) -> None:
    assert cellar("sheet", "count", "-o", "open.html").code == 0
    assert cellar("sheet", "count", "--blind", "-o", "blind.html").code == 0
    assert ">50.00<" in (tmp_path / "open.html").read_text(encoding="utf-8")
    assert ">50.00<" not in (tmp_path / "blind.html").read_text(encoding="utf-8")
    assert cellar("sheet", "count", "--premises", "Away", "-o", "x.html").code == 2


PLANNED = """\
{"kind":"treat","at":"2030-01-02","lot":"A","treatment":"sulfur dioxide","material":"KMBS","amount":"60 g"}
{"kind":"press","at":"2030-01-01","from":{"lot":"A","all":true},"to":{"lot":"A2","vessel":"T7","volume":"20 gal"}}
"""


def test_planned_work_is_printed_with_cautions_and_nothing_is_recorded(
    cellar: Run, tmp_path: Path
) -> None:
    (tmp_path / "plan.jsonl").write_text(PLANNED, encoding="utf-8")
    told = cellar("sheet", "plan.jsonl", "-o", "plan.html")
    assert told.code == 0, told.err
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert page.index("Press all of A") < page.index("Treat A: sulfur dioxide")
    assert "Never go in after someone who fell" in page
    assert "5 ppm" in page
    assert "characters, whole in the ledger" not in page  # no caution is cut
    assert "permit-required confined spaces" in " ".join(page.split())
    assert cellar("lots", "--json").json[0]["lot"] == "A"
    (tmp_path / "bad.jsonl").write_text('{"kind":"pres"}', encoding="utf-8")
    assert cellar("sheet", "bad.jsonl", "-o", "bad.html").code == 2


def test_work_is_planned_in_a_workbook_too(cellar: Run, tmp_path: Path) -> None:
    top = {"kind": "top", "at": "2030-02-01", "from": {"lot": "A", "volume": "1 gal"},
           "to": {"lot": "A", "vessel": "T7", "volume": "1 gal"}}  # fmt: skip
    (tmp_path / "plan.xlsx").write_bytes(as_workbook({"top": rows_of(top)}))
    told = cellar("sheet", "plan.xlsx", "-o", "plan.html", "--json")
    assert (told.code, told.json["rows"]) == (0, 1), told.err
    assert "Top with 1 gal of A" in (tmp_path / "plan.html").read_text(encoding="utf-8")
    (tmp_path / "plan.csv").write_text("at;lot;text\n03/04/2030;A;taste\n", encoding="utf-8")
    morning = cellar("sheet", "morning", "-o", "note.html", "--kind", "note")
    assert (morning.code, morning.out) == (2, "")
    assert "a file of planned events" in morning.said
    doubtful = cellar("sheet", "plan.csv", "-o", "note.html", "--kind", "note")
    assert doubtful.code == 2
    assert "--dates" in doubtful.said
    said = cellar("sheet", "plan.csv", "-o", "note.html", "--kind", "note", "--dates", "dmy")
    assert said.code == 0, said.err
    assert "2030-04-03" in (tmp_path / "note.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("event", "first"),
    [
        ({"kind": "ferment"}, "Ventilate and read the gas meter"),
        ({"kind": "note", "text": "dry ice on the press pan"}, "Wear insulated gloves"),
        ({"kind": "note", "text": "blanket with argon"}, "Never lean into"),
        ({"kind": "treat", "material": "potassium metabisulfite"}, "Wear the respirator"),
        ({"kind": "rack"}, "Do not enter a tank"),
        ({"kind": "note", "text": "shovel the pomace out"}, "Do not enter a tank"),
    ],
)
def test_what_can_hurt_carries_its_caution(event: dict[str, str], first: str) -> None:
    assert any(line.startswith(first) for line in work_sheet.beware([event]))


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ({"kind": "loss", "lot": "A", "volume": "1 L", "reason": "spill"}, "Lost 1 L of A to spill."),
        ({"kind": "ferment", "lot": "A", "culture": "alcoholic", "stage": "start"},
         "Alcoholic fermentation of A to start."),
        ({"kind": "ferment", "lot": "A started", "culture": "malolactic", "stage": "end"},
         "Malolactic fermentation of A started to end."),
        ({"kind": "barrel_down", "from": {"lot": "A", "all": True},
          "to": {"lot": "A", "vessel": "B-1", "volume": "225 L"}},
         "Put into barrel all of A: 225 L into A in B-1."),
    ],
)  # fmt: skip
def test_planned_work_is_said_as_it_is_to_be_done(event: dict[str, Any], said: str) -> None:
    assert work_sheet.to_do(event) == said


def test_what_cannot_carries_none() -> None:
    assert work_sheet.beware([{"kind": "analysis", "lot": "A"}]) == ()
