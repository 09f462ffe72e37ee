"""Queries live in files: one statement each, explicit, used, and true to their heads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import duckdb
import pytest

from ampelog import resources

pytest_plugins = ("tests.running",)

TOP = Path(__file__).resolve().parent.parent
FILES = {path.stem: path for path in sorted((TOP / "queries").glob("*.sql"))}
SCHEMA = sorted((TOP / "queries" / "schema").glob("*.sql"))
CODE = "\n".join(path.read_text(encoding="utf-8") for path in (TOP / "ampelog").glob("*.py"))
WIDEST = 110


def parted(text: str) -> tuple[str, str]:
    """A query's head, in one line, and its statement without any comment."""
    lines = text.splitlines()
    count = next((n for n, line in enumerate(lines) if not line.startswith("--")), len(lines))
    head = " ".join(line.removeprefix("--").strip() for line in lines[:count])
    return head, "\n".join(line.split("--")[0].rstrip() for line in lines[count:]).strip()


def columns(head: str) -> list[str] | None:
    """The columns that a head names, None where it names none; what stands in brackets is for
    people."""
    plain = re.sub(r"\s*\([^()]*\)", "", head)
    found = re.search(r"Columns: ([^.]*)\.", plain)
    return None if found is None else re.split(r", (?:and )?", found.group(1))


NEVER = {
    r"[A-Z]": "it is not in small letters",
    r";(?!$)": "it is more than one statement",
    r"select\s+(?:distinct\s+)?(?:\w+\.)?\*": "it selects whatever there is",
    r"(?:group|order) by \d": "it counts columns",
    r"\binsert into \w+(?!\s*\()\s": "it inserts into columns that it does not name",
    r"[^/]/[^/]|\bavg\(|\bdouble\b|\bfloat\b|\breal\b": "it makes a binary float",
    r"\b(?:delete from|update|truncate)\s+(?:event|seal|meta)\b": "it changes the log",
    r"\$\{|%s|\?|\{\{": "its parameters are not named",
}
"""What no statement has in it, texts in quotes left out."""


def untrue(text: str) -> Iterator[str]:
    """What is wrong with a query's text, without asking a database."""
    head, statement = parted(text)
    if not head:
        yield "it has no head"
    bare = re.sub(r"'(?:[^']|'')*'", "''", statement)
    yield from (says for pattern, says in NEVER.items() if re.search(pattern, bare))
    there, told = (set(re.findall(r"\$(\w+)", part)) for part in (bare, head))
    yield from (f"its head does not name ${name}" for name in there - told)
    yield from (f"its head names ${name}, which it has not" for name in told - there)
    reads = re.match(r"select\b|with\b", bare) is not None
    if reads != (columns(head) is not None):
        yield "it reads and names no columns, or names columns and reads nothing"
    if (reads or bare.startswith("insert")) and "Grain: " not in head and "state" not in head:
        yield "its head does not say what a row is"
    if any(len(line) > WIDEST for line in text.splitlines()):
        yield "a line is too wide"


@pytest.mark.parametrize("name", FILES)
def test_a_query_is_explicit(name: str) -> None:
    assert list(untrue(FILES[name].read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize("name", FILES)
def test_a_query_is_one_statement(name: str) -> None:
    assert len(duckdb.extract_statements(FILES[name].read_text(encoding="utf-8"))) == 1


GOOD = "-- Lots. Grain: a lot. Parameters: $lot. Columns: lot, held (L).\n"


@pytest.mark.parametrize(
    "planted",
    [
        "select lot, held from lot_state where lot = $lot",
        "-- Lots. Grain: a lot. Columns: lot.\nselect lot from lot_state where lot = $lot",
        GOOD + "select lot, held from lot_state",
        GOOD + "SELECT lot, held from lot_state where lot = $lot",
        GOOD + "select lot, Held from lot_state where lot = $lot",
        GOOD + "select * from lot_state where lot = $lot",
        GOOD + "select lot_state.* from lot_state where lot = $lot",
        GOOD + "select lot, held from lot_state where lot = $lot; select 1",
        GOOD + "select lot, held / 2 from lot_state where lot = $lot",
        GOOD + "select lot, avg(held) from lot_state where lot = $lot group by lot",
        GOOD + "select lot, held from lot_state where lot = $lot order by 1",
        GOOD + "select lot, held from lot_state where lot = $lot or lot = ?",
        "-- Lots. Parameters: $lot. Columns: lot.\nselect lot from lot_state where lot = $lot",
        "-- Lots. Grain: a lot.\nselect lot from lot_state",
        "-- Adds. Grain: a lot.\ninsert into lot_state\nselect lot from given",
        "-- Drops all of it.\ndelete from event",
        "-- Mends.\nupdate seal set root = ''",
        GOOD + "select lot, held from lot_state where lot = $lot" + " " * 90 + "and true",
    ],
)
def test_a_planted_untruth_is_caught(planted: str) -> None:
    assert list(untrue(GOOD + "select lot, held from lot_state where lot = $lot")) == []
    assert list(untrue(planted))


# --- against a database -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def database(wine_ledger: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The wine's database, open for reading."""
    with duckdb.connect(str(wine_ledger), read_only=True) as connection:
        yield connection


def described(connection: duckdb.DuckDBPyConnection, statement: str) -> list[str]:
    """The columns that a statement gives, whether its parameters be numbers or texts."""
    names = sorted(set(re.findall(r"\$(\w+)", statement)))
    faults = []
    for values in product((1, "1"), repeat=len(names)):
        given: dict[str, Any] = dict(zip(names, values, strict=True))
        try:
            found = connection.execute(statement, given or None).description
        except duckdb.Error as fault:
            faults.append(str(fault))
            continue
        return [str(column[0]) for column in found or ()]
    raise AssertionError(faults[0])


READING = [
    name
    for name in FILES
    if columns(parted(FILES[name].read_text(encoding="utf-8"))[0]) is not None
]


@pytest.mark.parametrize("name", READING)
def test_a_head_names_the_columns_that_come(database: duckdb.DuckDBPyConnection, name: str) -> None:
    head, statement = parted(FILES[name].read_text(encoding="utf-8"))
    assert columns(head) == described(database, statement)


def test_a_head_that_names_others_is_caught(database: duckdb.DuckDBPyConnection) -> None:
    statement = "select lot, body from lot_state where lot = $lot"
    assert columns("Lots. Columns: lot, body (JSON; all of it).") == described(database, statement)
    assert columns("Lots. Columns: lot, text.") != described(database, statement)
    with pytest.raises(AssertionError):
        described(database, "select nothing from lot_state")


def test_the_schema_is_what_a_ledger_has(database: duckdb.DuckDBPyConnection) -> None:
    tables = {str(row[0]) for row in database.execute("show tables").fetchall()}
    made = {
        name
        for path in SCHEMA
        for name in re.findall(r"create table (\w+)", path.read_text(encoding="utf-8"))
    }
    assert tables == made
    assert {"event", "seal", "meta"} <= tables


# --- asked for and there ----------------------------------------------------------------------


@pytest.mark.parametrize("name", FILES)
def test_a_query_is_used(name: str) -> None:
    emptied = name.removeprefix("projection_empty_")
    if emptied != name:
        assert 'f"projection_empty_{' in CODE
    assert f'"{emptied}"' in CODE


def test_every_query_that_is_asked_for_exists() -> None:
    asked = set(re.findall(r"\.(?:rows|put)\(\s*\"([a-z_]+)\"", CODE))
    assert asked <= FILES.keys()
    assert len(asked) > 15


def test_no_statement_is_put_together_in_the_program() -> None:
    found = re.findall(r"\"(?:select|insert into|delete from|update|create table)\s[^\"]*\"", CODE)
    assert found == []


def test_a_query_is_found_by_its_name() -> None:
    assert resources.query("lot_names") == FILES["lot_names"].read_text(encoding="utf-8")
    with pytest.raises(FileNotFoundError):
        resources.query("no_such_query")
