"""Runs the program, and makes ledgers to run it on.

A traceback is a bug: whatever the program raises goes through to the test and fails it.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ampelog import cli

TOP = Path(__file__).resolve().parent.parent
EXAMPLE = sorted((TOP / "example_vintage").glob("*.jsonl"))
ZONE = "America/Los_Angeles"
WINE = """
{"kind":"place","at":"2020-01-01","name":"Washington","type":"state"}
{"kind":"place","at":"2020-01-01","name":"Cold Creek","type":"ava","within":["Washington"]}
{"kind":"block","at":"2020-01-01","name":"Hill","plantings":[{"variety":"Syrah"}],"within":["Cold Creek"]}
{"kind":"block","at":"2020-01-01","name":"Flat","plantings":[{"variety":"Merlot"}],"within":["Cold Creek"]}
{"kind":"party","at":"2020-01-01","name":"Shop"}
{"kind":"label","at":"2020-01-01","name":"Red","market":["us"],"statements":{"variety":["Syrah"],"vintage":2024,"appellation":"Cold Creek"}}
{"kind":"pick","at":"2024-09-01T08:00","block":"Hill","lot":"F1","mass":"1000 kg"}
{"kind":"pick","at":"2024-09-01T08:00","block":"Flat","lot":"F2","mass":"1000 kg"}
{"kind":"crush","at":"2024-09-01T10:00","from":{"lot":"F1","all":true},"to":{"lot":"A","vessel":"T1","volume":"200 gal"}}
{"kind":"crush","at":"2024-09-01T11:00","from":{"lot":"F2","all":true},"to":{"lot":"B","vessel":"T2","volume":"200 gal"}}
{"kind":"blend","at":"2024-12-01T10:00","from":[{"lot":"A","volume":"75 gal"},{"lot":"B","volume":"25 gal"}],"to":{"lot":"C","vessel":"T3","volume":"100 gal"}}
{"kind":"blend","at":"2024-12-01T11:00","from":[{"lot":"A","volume":"74.999 gal"},{"lot":"B","volume":"25.001 gal"}],"to":{"lot":"D","vessel":"T4","volume":"100 gal"}}
{"kind":"bottle","at":"2025-06-01T10:00","from":{"lot":"C","all":true},"to":{"lot":"C24","bottles":480,"format":"750 mL","label":"Red","code":"L-C24"},"loss":"line"}
"""
"""Two fruits, two tanks, two blends on either side of 75 %, and bottles; no finding, no `id`."""
WINES = len(WINE.split("\n")) - 2
HEAD = WINES + 1
"""The head's position of the wine's ledger: its events, and the home premises."""


@dataclass(frozen=True)
class Answer:
    """What a run gave: its exit code and both streams."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as one JSON document."""
        return json.loads(self.out)

    @property
    def said(self) -> str:
        """Standard error in one line."""
        return " ".join(self.err.split())


Run = Callable[..., Answer]


def program(*words: str, given: bytes = b"") -> Answer:
    """Run the program in this process; ``given`` is its standard input."""
    before, sys.stdin = sys.stdin, _stream(given)
    told, noted = _stream(), _stream()
    try:
        with redirect_stdout(told), redirect_stderr(noted):
            code = cli.main(list(words))
    finally:
        sys.stdin = before
    for stream in (told, noted):
        stream.seek(0)
    return Answer(code, told.read(), noted.read())


def _stream(content: bytes = b"") -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(content), encoding="utf-8", newline="")


def made(folder: Path, *files: Path, premises: str = "Quernmoor Cellar") -> Path:
    """A ledger in a folder, of these files in one load; returns its database."""
    path = folder / "cellar.duckdb"
    at = ("--ledger", str(path))
    begun = program(*at, "init", "--premises", premises, "--timezone", ZONE)
    assert begun.code == 0, begun.err
    loaded = program(*at, "load", *map(str, files), "--json")
    assert loaded.code == 0, loaded.err
    return path


def journal_of(path: Path) -> Path:
    """The journal beside a database."""
    return path.with_name(f"{path.stem}.journal.jsonl")


def copied(path: Path, folder: Path) -> Path:
    """A copy of a closed ledger in another folder; returns its database."""
    for file in (path, journal_of(path)):
        shutil.copy(file, folder / file.name)
    return folder / path.name


def outside(*words: str, given: bytes = b"", **environment: str) -> Answer:
    """Run the program as a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "ampelog", *words],
        input=given,
        capture_output=True,
        env={**os.environ, **environment},
        check=False,
        timeout=120,
    )
    return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())
