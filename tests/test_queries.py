"""Queries live in files: one statement each, explicit, used, and true to their head."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from ampelog import resources

TOP = Path(__file__).resolve().parent.parent
FILES = sorted((TOP / "queries").glob("*.sql"))
CODE = "\n".join(path.read_text(encoding="utf-8") for path in (TOP / "ampelog").glob("*.py"))


def body(text: str) -> str:
    """A query without its comments."""
    return "\n".join(line for line in text.splitlines() if not line.startswith("--")).strip()


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_query_is_one_statement_with_a_head(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.startswith("-- ")
    statement = body(text)
    assert ";" not in statement.rstrip(";")
    assert not re.search(r"select\s+\*", statement)
    words = re.sub(r"'[^']*'", "", statement)
    assert not re.search(r"\b(SELECT|FROM|WHERE|INSERT|DELETE|UPDATE|JOIN)\b", words)


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_query_is_used(path: Path) -> None:
    if path.stem.startswith("projection_empty_"):
        table = path.stem.removeprefix("projection_empty_")
        assert f'"{table}"' in CODE
    else:
        assert f'"{path.stem}"' in CODE


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_query_names_its_parameters(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    head = "\n".join(line for line in text.splitlines() if line.startswith("--"))
    for parameter in set(re.findall(r"\$([a-z_]+)", body(text))):
        assert f"${parameter}" in head


def test_every_query_that_is_asked_for_exists() -> None:
    asked = set(re.findall(r"\.(?:rows|put)\(\s*\"([a-z_]+)\"", CODE))
    assert asked <= {path.stem for path in FILES}
    assert len(asked) > 15


def test_a_query_is_found_by_its_name() -> None:
    assert "from lot_state" in resources.query("lot_names")
