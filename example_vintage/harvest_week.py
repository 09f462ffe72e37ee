"""Writes the workbook of a harvest week, as it was typed and, with --mended, as it was put right.

The rows are those of the example's events from 11 to 17 September 2024. Two of them are typed
wrong: a weight in a unit that there is not, and a lot with a digit for a letter.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from openpyxl import Workbook

HERE = Path(__file__).parent
FIRST, LAST = "2024-09-11", "2024-09-18"
SHEETS = {
    "pick": ("at", "block", "lot", "mass", "picking", "brix", "ph", "ta", "by", "ref", "note"),
    "crush": ("at", "from.lot", "from.vessel", "from.all", "to.lot", "to.vessel", "to.volume", "by",
              "ref", "note"),
    "reading": ("at", "lot", "vessel", "brix", "instrument", "temperature", "by"),
}  # fmt: skip
SLIPS = {("pick", "8150 lb"): "8150 bl", ("reading", "24-SY-A"): "24-5Y-A"}


def value(event: dict[str, object], column: str) -> str:
    """What stands in a column, as people would type it."""
    there: object = event
    for step in column.split("."):
        there = there.get(step) if isinstance(there, dict) else None
    if there is True:
        return "yes"
    return "" if there is None else str(there).replace("T", " ") if column == "at" else str(there)


def main(path: str, mended: bool) -> None:
    """Write the workbook."""
    lines = (HERE / "11-2024-harvest.jsonl").read_text(encoding="utf-8").splitlines()
    events = [json.loads(line) for line in lines if line]
    book = Workbook()
    book.remove(book.active)
    for kind, columns in SHEETS.items():
        sheet = book.create_sheet(kind)
        sheet.append(columns)
        for event in events:
            if event["kind"] != kind or not FIRST <= event["at"] < LAST:
                continue
            if isinstance(event.get("from"), list) or isinstance(event.get("to"), list):
                continue  # several endpoints take several rows; one a row is enough here
            row = [value(event, column) for column in columns]
            sheet.append(row if mended else [SLIPS.get((kind, cell), cell) for cell in row])
    book.save(path)


if __name__ == "__main__":
    main(sys.argv[1], "--mended" in sys.argv)
