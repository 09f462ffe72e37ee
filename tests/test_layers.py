"""The layer block of DEVELOPERS.md is the law of imports."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
PACKAGE = TOP / "ampelog"
HOMES = {
    "typer": {"asking", *(path.stem for path in PACKAGE.glob("*_commands.py"))},
    "rich": {"opening"},
    "duckdb": {"database"},
    "numpy": {"database"},
    "openpyxl": {"sheets", "workbook"},
    "icalendar": {"appointments"},
    "jinja2": {"printing"},
    "markupsafe": {"printing"},
    "pydyf": {"printing"},
    "weasyprint": {"printing", "pdf_needs"},
    "pydantic": {"events", "fields", "lines"},
    "pydantic_core": {"fields"},
    "pypdf": {"pdf_file"},
    "rfc8785": {"chain"},
    "scipy": {"blend_solver"},
    "uuid6": {"known", "upkeep"},
}
"""Third-party packages and the modules that alone may import them."""
PARTS = {"pydantic_core": "pydantic", "markupsafe": "jinja2", "pydyf": "weasyprint"}
"""Packages that come with another, which is the one that is declared."""
DATA = {"tzdata"}
"""Declared packages that are read and not imported."""
ANYWHERE = {"msgspec"}
"""Packages that every module may import: what its records are made of."""


def layers(text: str) -> dict[str, int]:
    """The rank of each module in the block: the top line is 0, neighbours share a rank."""
    block = re.search(r"^```layers\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    assert block is not None, "DEVELOPERS.md has no layer block"
    names = [
        (name, rank)
        for rank, line in enumerate(block.group(1).strip().split("\n"))
        for name in line.split()
    ]
    ranks = dict(names)
    assert len(ranks) == len(names), "a module stands twice in the block"
    return ranks


RANKS = layers((TOP / "DEVELOPERS.md").read_text(encoding="utf-8"))


def imports(source: str) -> Iterator[str]:
    """The modules imported at run time, at any depth; what only types need is free."""
    tree = ast.parse(source)
    typed: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) in (
            "TYPE_CHECKING",
            "typing.TYPE_CHECKING",
        ):
            typed |= {id(inner) for part in node.body for inner in ast.walk(part)}
    for node in ast.walk(tree):
        if id(node) not in typed:
            yield from _imported(node)


def _imported(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        module = ".".join(part for part in ("ampelog" if node.level else "", node.module) if part)
        if module == "ampelog":
            yield from (f"ampelog.{alias.name}" for alias in node.names)
        else:
            yield module
    elif isinstance(node, ast.Call) and ast.unparse(node.func) in (
        "__import__",
        "import_module",
        "importlib.import_module",
    ):
        yield ast.literal_eval(node.args[0])


def wrong(name: str, source: str, ranks: dict[str, int]) -> list[str]:
    """What a module imports and may not."""
    found = []
    for module in imports(source):
        top, _, inner = module.partition(".")
        inner = inner.partition(".")[0]
        if top == "ampelog":
            if inner in ranks and ranks[inner] <= ranks[name]:
                found.append(f"{name} imports {inner}, which is not below it")
            elif inner not in ranks and inner != "__version__":
                found.append(f"{name} imports {module}, which has no layer")
        elif top in HOMES:
            if name not in HOMES[top]:
                found.append(f"{name} imports {top}, whose home is {sorted(HOMES[top])}")
        elif top not in sys.stdlib_module_names | ANYWHERE:
            found.append(f"{name} imports {top}, which has no home")
    return found


MODULES = sorted(path.stem for path in PACKAGE.glob("*.py") if not path.stem.startswith("__"))


def test_every_module_has_its_layer_and_every_layer_its_module() -> None:
    assert sorted(RANKS) == MODULES


@pytest.mark.parametrize("name", MODULES)
def test_a_module_imports_only_from_below(name: str) -> None:
    source = (PACKAGE / f"{name}.py").read_text(encoding="utf-8")
    assert wrong(name, source, RANKS) == []


def test_the_package_itself_imports_nothing_and_its_main_the_edge_alone() -> None:
    assert list(imports((PACKAGE / "__init__.py").read_text(encoding="utf-8"))) == []
    main = imports((PACKAGE / "__main__.py").read_text(encoding="utf-8"))
    assert set(main) - {"__future__"} == {"ampelog.cli"}


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("state", "from ampelog.cellar import Cellar"),
        ("state", "from ampelog import cellar"),
        ("state", "import ampelog.cellar"),
        ("state", "from . import cellar"),
        ("state", "from .cellar import Cellar"),
        ("state", "def f():\n    from ampelog import cellar"),
        ("state", "import importlib\nimportlib.import_module('ampelog.cellar')"),
        ("state", "if TYPE_CHECKING:\n    pass\nelse:\n    from ampelog import cellar"),
        ("state", "from ampelog import steps  # a neighbour on its line"),
        ("state", "from ampelog import state"),
        ("state", "from ampelog.nowhere import thing"),
        ("cellar", "import duckdb"),
        ("ledger", "from duckdb import connect"),
        ("report", "from weasyprint import HTML"),
        ("report", "def f():\n    import jinja2.sandbox"),
        ("readout", "import typer"),
        ("say", "from rich.console import Console"),
        ("recording", "from pydantic import BaseModel"),
        ("cellar", "import requests"),
    ],
)
def test_a_planted_violation_is_caught(name: str, source: str) -> None:
    assert len(wrong(name, source, RANKS)) == 1


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("state", "if TYPE_CHECKING:\n    from ampelog.cellar import Cellar"),
        ("cellar", "from ampelog.state import Lot"),
        ("cli", "from ampelog import __version__"),
        ("database", "def f():\n    import duckdb"),
        ("cellar", "import json, os.path"),
    ],
)
def test_what_is_lawful_is_left_alone(name: str, source: str) -> None:
    assert wrong(name, source, RANKS) == []


@pytest.mark.parametrize(
    "text",
    ["no block", "```layers\ncli\nsay cli\n```\n"],
)
def test_a_block_that_says_nothing_sure_is_no_law(text: str) -> None:
    with pytest.raises(AssertionError):
        layers(text)


def test_what_is_imported_is_declared_and_what_is_declared_has_a_home() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[^\w-]", one)[0] for one in project["dependencies"]}
    assert declared - DATA - ANYWHERE == {PARTS.get(name, name) for name in HOMES}


@pytest.mark.parametrize("package", HOMES)
def test_a_home_is_lived_in(package: str) -> None:
    for name in HOMES[package]:
        source = (PACKAGE / f"{name}.py").read_text(encoding="utf-8")
        assert package in {module.partition(".")[0] for module in imports(source)}
