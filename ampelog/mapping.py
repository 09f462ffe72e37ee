"""A winery's own spreadsheet, said in a TOML file: its column names, units, constants and habits.

::

    kind = "pick"                      # or, by sheet: [sheets] "Harvest 2024" = "pick"
    dates = "mdy"                      # dmy, mdy or ymd
    decimal = "point"                  # or comma
    ignore = ["Remarks of Jo"]         # columns that say nothing

    [columns]
    "Tank" = "from.vessel"
    "Weight" = "mass"

    [units]
    "Weight" = "lb"                    # or by field: "mass" = "lb"

    [constants]
    picking = "hand"
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping as Map
from typing import Any

from msgspec import Struct, field

from ampelog import days
from ampelog.cells import Slip, unit_of
from ampelog.columns import find, header, plain
from ampelog.errors import Finding, Refused
from ampelog.events import KINDS

KEYS = ("kind", "sheets", "columns", "units", "constants", "ignore", "dates", "decimal")
MARKS = ("comma", "point")


class Mapping(Struct, frozen=True):
    """How a winery's tables are read; names of columns are as compared (``columns.plain``)."""

    name: str = ""
    kind: str | None = None
    sheets: Map[str, str] = field(default_factory=dict)
    columns: Map[str, str] = field(default_factory=dict)
    units: Map[str, str] = field(default_factory=dict)
    constants: Map[str, str] = field(default_factory=dict)
    ignore: frozenset[str] = frozenset()
    dates: str | None = None
    decimal: str | None = None


def read(text: str, name: str) -> Mapping:
    """The mapping of a file's text; ``Refused`` names all that is not known in it."""
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise Refused(f"{name} is no TOML: {problem}") from None
    wrong = [
        Finding("mapping", name, f"there is no key `{key}`", f"keys: {', '.join(KEYS)}")
        for key in said
        if key not in KEYS
    ]
    tables = {key: _table(said, key, name, wrong) for key in ("sheets", "columns", "units")}
    constants = {
        key: str(value).lower() if isinstance(value, bool) else str(value)
        for key, value in _table(said, "constants", name, wrong, of=(str, int)).items()
    }
    for key, known in (("kind", KINDS), ("dates", days.ORDERS), ("decimal", MARKS)):
        if key in said and said[key] not in known:
            wrong.append(_unknown(name, key, str(said[key]), list(known)))
    for sheet, kind in tables["sheets"].items():
        if kind not in KINDS:
            wrong.append(_unknown(f'{name}, sheets, "{sheet}"', "kind", kind, list(KINDS)))
    ignore = said.get("ignore", [])
    if not isinstance(ignore, list) or not all(isinstance(one, str) for one in ignore):
        wrong.append(Finding("mapping", name, "`ignore` is no list of names", '["Remarks"]'))
    units = {key: _unit(f'{name}, units, "{key}"', one, wrong) for key, one in
             tables["units"].items()}  # fmt: skip
    if wrong:
        raise Refused("the mapping was not understood", wrong)
    return Mapping(
        name,
        said.get("kind"),
        {key.strip().casefold(): kind for key, kind in tables["sheets"].items()},
        {plain(key): one for key, one in tables["columns"].items()},
        {plain(key): one for key, one in units.items()},
        constants,
        frozenset(plain(one) for one in ignore),
        said.get("dates"),
        said.get("decimal"),
    )


def unknown_fields(mapping: Mapping, kinds: set[str]) -> list[Finding]:
    """What columns and constants name, and none of these kinds has."""
    found = []
    for part, named in (
        ("columns", mapping.columns.items()),
        ("constants", ((key, key) for key in mapping.constants)),
    ):
        for column, target in named:
            if not any(_known(kind, target) for kind in kinds):
                fields = [name for kind in sorted(kinds) for name in header(kind)]
                where = f'{mapping.name}, {part}, "{column}"'
                found.append(_unknown(where, "field", target, fields))
    return found


def _known(kind: str, target: str) -> bool:
    bare = plain(target)
    if bare in ("kind", "event", "at.time"):
        return True
    return find(kind, target) is not None or (
        bare.endswith(".unit") and find(kind, bare.removesuffix(".unit")) is not None
    )


def _table(
    said: Map[str, Any], key: str, name: str, wrong: list[Finding], of: Any = str
) -> dict[str, Any]:
    table = said.get(key, {})
    if not isinstance(table, dict):
        wrong.append(Finding("mapping", name, f"`{key}` is no table", f"[{key}]"))
        return {}
    for column, value in table.items():
        if not isinstance(value, of):
            says = f'`{key}`, "{column}" is no text'
            wrong.append(Finding("mapping", name, says, "write it in quotes"))
    return {column: value for column, value in table.items() if isinstance(value, of)}


def _unit(where: str, said: str, wrong: list[Finding]) -> str:
    try:
        return unit_of(said)
    except Slip as slip:
        wrong.append(Finding("mapping", where, slip.says, slip.hint))
        return said


def _unknown(where: str, what: str, seen: str, known: list[str]) -> Finding:
    from difflib import get_close_matches

    near = get_close_matches(seen, known, n=1)
    hint = f"did you mean `{near[0]}`?" if near else f"known: {', '.join(dict.fromkeys(known))}"
    return Finding("mapping", where, f"there is no {what} `{seen}`", hint)
