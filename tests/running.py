"""Fixtures of the command-line tests: folders with a ledger, and the program to ask it.

Loaded by name, as `pytest_plugins = ("tests.running",)`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from ampelog import asking
from tests.program import EXAMPLE, WINE, Run, copied, made, program


@pytest.fixture(scope="session")
def wine_ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wine's ledger, to be copied."""
    folder = tmp_path_factory.mktemp("wine")
    (folder / "wine.jsonl").write_text(WINE, encoding="utf-8")
    return made(folder, folder / "wine.jsonl", premises="Home")


@pytest.fixture(scope="session")
def example_ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example's three vintages in one load, to be asked and not written to."""
    return made(tmp_path_factory.mktemp("vintages"), *EXAMPLE)


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs the program in an empty folder, with nothing of the machine's settings."""
    monkeypatch.chdir(tmp_path)
    for name in ("AMPELOG_LEDGER", "NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    return program


@pytest.fixture
def cellar(run: Run, wine_ledger: Path, tmp_path: Path) -> Run:
    """Runs the program in a folder that holds the wine's ledger and the file it was made of."""
    copied(wine_ledger, tmp_path)
    (tmp_path / "wine.jsonl").write_text(WINE, encoding="utf-8")
    return run


@pytest.fixture
def example(run: Run, example_ledger: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs the program, in an empty folder, on the example's ledger."""
    monkeypatch.setenv("AMPELOG_LEDGER", str(example_ledger))
    return run


@pytest.fixture
def recorded_at(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Sets the clock that the program reads: ``recorded_at("2025-01-05T12:00:00Z")``."""
    from ampelog import moments

    def set_to(stamp: str) -> None:
        monkeypatch.setattr(asking, "now", lambda: moments.from_stamp(stamp))

    return set_to
