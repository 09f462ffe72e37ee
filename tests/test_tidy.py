"""Budgets and habits that are kept because they are checked."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "ampelog"
MOST_LINES = 400
MOST_IN_FUNCTION = 60
LONG = {
    "events": "one model a kind, in one place to read the format from",
    "cli": "one thin command each, in one place to read the command line from",
}
"""Modules over the budget, each with its reason."""
EDGE = {"cli", "pdf_needs", "__main__"}
"""Modules that may print, exit and look at the clock."""


def sources() -> list[tuple[str, str]]:
    """Each module's name and text."""
    return [(path.stem, path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.glob("*.py"))]


def untidy(name: str, source: str) -> Iterator[str]:
    """What is wrong with a module's text."""
    lines = source.count("\n")
    if lines > MOST_LINES and name not in LONG:
        yield f"{lines} lines"
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            length = (node.end_lineno or 0) - node.lineno + 1
            if length > MOST_IN_FUNCTION:
                yield f"{node.name} has {length} lines"
        if isinstance(node, ast.Constant) and isinstance(node.value, float):
            yield f"a binary float, {node.value}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            called = node.func.id
            if called == "float":
                yield "float()"
            if called in ("print", "input", "exit") and name not in EDGE:
                yield f"{called}()"
        if isinstance(node, ast.ExceptHandler) and node.type is None:
            yield "a bare except"
    if name not in EDGE and re.search(
        r"\b(datetime\.now|date\.today|time\.time|sys\.exit)\b", source
    ):
        yield "looks at the clock, or exits"
    if re.search(r"\b(TODO|FIXME|XXX|NotImplementedError)\b", source):
        yield "is unfinished"


FLOATS = dict.fromkeys(("lock", "database", "ledger", "repairing"), "seconds to wait or sleep")


@pytest.mark.parametrize(("name", "source"), sources(), ids=[name for name, _ in sources()])
def test_a_module_is_tidy(name: str, source: str) -> None:
    found = [one for one in untidy(name, source) if not (name in FLOATS and "float" in one)]
    assert found == []


@pytest.mark.parametrize(
    "planted",
    [
        "x = 1\n" * 401,
        "def f():\n" + "    x = 1\n" * 61,
        "x = 0.5",
        "x = float('1')",
        "print('x')",
        "try:\n    pass\nexcept:\n    pass",
        "from datetime import datetime\nnow = datetime.now()",
        "# TODO later",
    ],
)
def test_a_planted_untidiness_is_caught(planted: str) -> None:
    assert list(untidy("state", planted))


def test_every_exemption_is_still_needed() -> None:
    lines = {name: source.count("\n") for name, source in sources()}
    assert all(lines[name] > MOST_LINES for name in LONG)
