"""Budgets and habits that are kept because they are checked."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
PACKAGE = TOP / "ampelog"
MOST_LINES, MOST_IN_FUNCTION, MOST_IN_COMMAND, MOST_PARAMETERS = 400, 60, 16, 6
LONG = {
    "events": "one model a kind, in one place to read the format from",
}
"""Modules over the budget, each with its reason."""
MANY = {
    "log_commands.recorded": "what a load is made of, and what is told beside it",
    "rows.line": "a row, what its columns mean, and where its faults go",
    "tables._enter": "an event, what its form is checked by, and where its faults go",
    "tables.read": "the bytes of a file, how it is written, and the ledger that it is for",
    "asking.options": "one parameter an option",
    "recording.record": "what a load is made of, and who is told how far it is",
}
"""Functions of more than six parameters, each with its reason."""
FLOATS = dict.fromkeys(("lock", "database", "ledger", "repairing"), "seconds to wait or sleep")
"""Modules that may name a binary float, each with its reason: none of a quantity or a share."""
EDGE = {
    "asking": "the one place with a clock",
    "cli": "the one place with exit codes",
    "pdf_needs": "a program of its own, run before the first command can be",
}
"""Modules that may print, exit and look at the clock."""
CLOCK = re.compile(
    r"(?:^|\.)(?:now|utcnow|today|time|time_ns|ctime|localtime|gmtime|strftime_now)$"
)
STOPWATCH = {"time.monotonic", "time.sleep", "time.perf_counter"}
"""They tell how long, not when."""


def sources() -> list[tuple[str, str]]:
    """Each module's name and text."""
    return [(path.stem, path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.glob("*.py"))]


def untidy(name: str, source: str) -> Iterator[str]:
    """What is wrong with a module's text."""
    lines = source.count("\n")
    if lines > MOST_LINES and name not in LONG:
        yield f"{lines} lines"
    tree = ast.parse(source)
    if name != "__init__" and len((ast.get_docstring(tree) or "").split()) < 4:
        yield "its head does not say what it is for"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield from _function(name, node)
        elif isinstance(node, ast.Call):
            yield from _call(name, ast.unparse(node.func))
        elif isinstance(node, ast.Constant) and isinstance(node.value, float):
            if name not in FLOATS:
                yield f"a binary float, {node.value}"
        elif isinstance(node, ast.ExceptHandler) and node.type is None:
            yield "a bare except"
        elif isinstance(node, ast.Global):
            yield "a global that changes"
        elif isinstance(node, ast.Raise) and node.exc is not None and name not in EDGE:
            raised = ast.unparse(node.exc).partition("(")[0]
            if raised in ("SystemExit", "Exception", "BaseException", "NotImplementedError"):
                yield f"raises {raised}"
    if re.search(r"\b(TODO|FIXME|XXX|HACK|NotImplementedError)\b", source):
        yield "is unfinished"


def _function(name: str, node: ast.FunctionDef | ast.AsyncFunctionDef) -> Iterator[str]:
    length = (node.end_lineno or 0) - node.lineno + 1
    if length > MOST_IN_FUNCTION:
        yield f"{node.name} has {length} lines"
    arguments = [one.arg for one in (*node.args.posonlyargs, *node.args.args)]
    if arguments[:1] in (["self"], ["cls"]):
        del arguments[0]
    count = len(arguments) + len(node.args.kwonlyargs)
    if count > MOST_PARAMETERS and f"{name}.{node.name}" not in MANY and not _is_command(node):
        yield f"{node.name} has {count} parameters"
    defaults = [*node.args.defaults, *node.args.kw_defaults]
    if any(isinstance(one, ast.List | ast.Dict | ast.Set) for one in defaults):
        yield f"{node.name} has a default that can change"
    if _is_command(node):
        lines = (node.end_lineno or 0) - node.body[1].lineno + 1
        if lines > MOST_IN_COMMAND:
            yield f"the command {node.name} has a body of {lines} lines"


def _is_command(node: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    return any("app.command" in ast.unparse(one) for one in node.decorator_list)


def _call(name: str, called: str) -> Iterator[str]:
    if called == "float":
        yield "float()"
    if name in EDGE:
        return
    if called in ("print", "input", "exit", "quit", "breakpoint", "sys.exit"):
        yield f"{called}()"
    if called in ("asking.now", "asking.today") and (
        name == "opening" or name.endswith("_commands")
    ):
        return  # the commands are told the time there
    if CLOCK.search(called) and called not in STOPWATCH:
        yield f"looks at the clock: {called}()"


@pytest.mark.parametrize(("name", "source"), sources(), ids=[name for name, _ in sources()])
def test_a_module_is_tidy(name: str, source: str) -> None:
    assert list(untidy(name, source)) == []


HEAD = '"""A module that says what it is for."""\n'
PLANTED = {
    "too long": "x = 1\n" * 400,
    "a long function": "def f():\n" + "    x = 1\n" * 61,
    "many parameters": "def f(a, b, c, d, e, f, g): ...",
    "many in a class": "class A:\n    def f(self, a, b, c, d, e, *, f, g): ...",
    "a float": "x = 0.5",
    "an exponent": "x = 1e3",
    "float()": "x = float('1')",
    "print": "print('x')",
    "exit": "import sys\nsys.exit(1)",
    "SystemExit": "raise SystemExit(1)",
    "a bare except": "try:\n    pass\nexcept:\n    pass",
    "now": "from datetime import datetime\nx = datetime.now()",
    "now of another name": "import datetime as d\nx = d.datetime.now(d.UTC)",
    "today": "from datetime import date\nx = date.today()",
    "time": "import time\nx = time.time()",
    "unfinished": "# TODO later",
    "a stub": "def f():\n    raise NotImplementedError",
    "a default that changes": "def f(a=[]): ...",
    "a global": "def f():\n    global x\n    x = 1",
}


@pytest.mark.parametrize("planted", PLANTED)
def test_a_planted_untidiness_is_caught(planted: str) -> None:
    assert list(untidy("state", HEAD)) == []
    assert list(untidy("state", HEAD + PLANTED[planted]))


def test_a_head_that_says_nothing_is_caught() -> None:
    assert list(untidy("state", '"""State."""\nx = 1\n'))
    assert list(untidy("state", "x = 1\n"))


def test_a_long_command_is_caught() -> None:
    body = "".join(f"    x = {number}\n" for number in range(17))
    assert list(untidy("cli", f'{HEAD}@app.command()\ndef f():\n    """Do."""\n{body}'))


def test_every_exemption_is_still_needed() -> None:
    texts = dict(sources())
    assert all(texts[name].count("\n") > MOST_LINES for name in LONG)
    assert all(f"def {one.partition('.')[2]}(" in texts[one.partition(".")[0]] for one in MANY)
    for name in FLOATS:
        assert "float" in texts[name] or re.search(r"\d\.\d", texts[name])


# --- everything that is kept ------------------------------------------------------------------

KEPT = [
    path
    for pattern in ("*", "ampelog/**/*", "queries/**/*", "templates/**/*", "tests/**/*", "bench/*",
                    "example_vintage/*", ".ci/*")
    for path in sorted(TOP.glob(pattern))
    if path.is_file() and path.suffix in {".py", ".sql", ".md", ".toml", ".html", ".css", ".sh", ".txt", ""}
    and "__pycache__" not in path.parts and not path.name.startswith((".git", ".coverage"))
]  # fmt: skip
MACHINE = re.compile(r"(?<![\w.])/(?:home|root|Users|work|opt)/\w")
"""A path of somebody's machine."""


def test_no_path_of_a_machine_is_kept() -> None:
    assert len(KEPT) > 100
    found = [
        f"{path.relative_to(TOP)}: {match.group()}"
        for path in KEPT
        for match in MACHINE.finditer(path.read_text(encoding="utf-8"))
    ]
    assert found == []
    assert MACHINE.search("see /" + "home/ines/cellar")


def test_lines_end_as_they_should() -> None:
    for path in KEPT:
        text = path.read_text(encoding="utf-8")
        if text and path.suffix in {".py", ".sql", ".md", ".toml"}:
            assert text.endswith("\n"), path
            assert "\r" not in text, path
            assert not re.search(r"[ \t]\n", text) or path.suffix == ".md", path


# Assembled here, so that this file does not hold what it looks for.
TYPE_IGNORE = "type: " + "ignore"
BARE_NOQA = "# " + "noqa"


def test_an_ignore_names_what_it_ignores_and_why() -> None:
    for path in KEPT:
        if path.suffix != ".py":
            continue
        for line in path.read_text(encoding="utf-8").splitlines():
            if TYPE_IGNORE in line:
                assert re.search(TYPE_IGNORE + r"\[[\w-]+\]", line), f"{path.name}: {line}"
            if BARE_NOQA in line:
                assert re.search(BARE_NOQA + r": [A-Z]+\d+", line), f"{path.name}: {line}"
