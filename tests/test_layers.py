"""The layer block of DEVELOPERS.md is the law of imports."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
PACKAGE = TOP / "ampelog"
HOMES = {
    "typer": {"cli"},
    "duckdb": {"database"},
    "jinja2": {"render"},
    "weasyprint": {"render", "pdf_needs"},
    "rich": {"cli"},
    "numpy": {"database"},
    "pydantic": {"events", "fields", "lines", "rules"},
    "pydantic_core": {"fields", "lines"},
    "rfc8785": {"chain"},
    "uuid6": {"known", "upkeep"},
}
"""Third-party packages and the modules that alone may import them."""


def layers() -> dict[str, int]:
    """The rank of each module in the block: the top line is 0."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = re.search(r"```layers\n(.*?)```", text, re.DOTALL)
    assert block is not None
    lines = block.group(1).strip().split("\n")
    return {name: rank for rank, line in enumerate(lines) for name in line.split()}


def imports(source: str) -> Iterator[str]:
    """The modules imported at run time, at any depth; what only types need is free."""
    tree = ast.parse(source)
    typed: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            typed |= {id(inner) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in typed:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "ampelog":
                yield from (f"ampelog.{alias.name}" for alias in node.names)
            else:
                yield node.module


def wrong(name: str, source: str, ranks: dict[str, int]) -> list[str]:
    """What a module imports and may not."""
    found = []
    for module in imports(source):
        top, _, inner = module.partition(".")
        inner = inner.partition(".")[0]
        if top == "ampelog" and inner in ranks and ranks[inner] <= ranks[name]:
            found.append(f"{name} imports {inner}, which is not below it")
        elif top in HOMES and name not in HOMES[top]:
            found.append(f"{name} imports {top}, whose home is {sorted(HOMES[top])}")
    return found


MODULES = sorted(path.stem for path in PACKAGE.glob("*.py") if not path.stem.startswith("__"))


def test_every_module_has_its_layer_and_every_layer_its_module() -> None:
    assert sorted(layers()) == MODULES


@pytest.mark.parametrize("name", MODULES)
def test_a_module_imports_only_from_below(name: str) -> None:
    source = (PACKAGE / f"{name}.py").read_text(encoding="utf-8")
    assert wrong(name, source, layers()) == []


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("state", "from ampelog.cellar import Cellar"),
        ("state", "def f():\n    from ampelog import cellar"),
        ("cellar", "import duckdb"),
        ("report", "from weasyprint import HTML"),
    ],
)
def test_a_planted_violation_is_caught(name: str, source: str) -> None:
    assert len(wrong(name, source, layers())) == 1


def test_an_import_for_types_alone_is_free() -> None:
    source = "if TYPE_CHECKING:\n    from ampelog.cellar import Cellar"
    assert wrong("state", source, layers()) == []
