"""Reads the reference tables of ``tests/data``: CSV files, each number a decimal."""

from __future__ import annotations

import csv
from pathlib import Path

DATA = Path(__file__).resolve().parent / "data"


def table(name: str) -> list[dict[str, str]]:
    """The rows of ``tests/data/NAME.csv``; lines that begin with ``#`` are for people."""
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
