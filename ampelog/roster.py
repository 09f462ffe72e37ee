"""The names that a ledger holds: offered while a table is filled in, and compared with what came.

A lot or vessel that nobody named before is lawful; one that reads like a known one, with O for 0
or another dash, is told: it would be a second lot of the same wine.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from ampelog.errors import Finding
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.registers import KINDS

_SAME = str.maketrans({"o": "0", "i": "1", "l": "1", "|": "1"})
"""Letters that hands and eyes take for figures."""
_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")


def names_of(ledger: Ledger) -> dict[str, list[str]]:
    """The names that a ledger holds, by what they are of; the lots that hold something first."""
    held = [row[0] for row in ledger.rows("lot_states_held", sort="")]
    every = [row[0] for row in ledger.rows("lot_names")]
    found: dict[str, list[str]] = {kind: [] for kind in sorted(KINDS)}
    for kind, name in ledger.rows("register_names"):
        found[kind].append(name)
    used = [row[0] for row in ledger.rows("vessels_used")]
    found["lot"] = list(dict.fromkeys([*held, *found["lot"], *every]))
    found["vessel"] = list(dict.fromkeys([*found["vessel"], *used]))
    return found


def read_alike(entries: Iterable[Entry], names: Mapping[str, Sequence[str]]) -> list[Finding]:
    """New lots and vessels whose names read like a known one, or like another of the same load."""
    known = {kind: set(names.get(kind, ())) for kind in ("lot", "vessel")}
    alike = {kind: {_read(name): name for name in reversed(names.get(kind, ()))} for kind in known}
    found = []
    for one in entries:
        for kind, name in _named(one.event):
            if name in known[kind]:
                continue
            known[kind].add(name)
            other = alike[kind].setdefault(_read(name), name)
            if other != name:
                says = f"the {kind} `{name}` is new, and reads like `{other}`"
                hint = f"if it is `{other}`, mend the name; nothing is joined by itself"
                found.append(Finding("names alike", one.where, says, hint, one.event.get("id")))
    return found


def _read(name: str) -> str:
    """A name as it is read in a hurry: no capitals, dashes or spaces; O as 0, 01 as 1."""
    signs = "".join(char for char in name.casefold() if char.isalnum() or char == "|")
    return _ZEROS.sub("", signs.translate(_SAME))


def _named(event: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The lots and vessels that an event names."""
    if event["kind"] in ("lot", "vessel"):
        yield event["kind"], event["name"]
    ends = [event]
    for field in ("from", "to", "of"):
        said = event.get(field)
        ends += [said] if isinstance(said, dict) else said if isinstance(said, list) else []
    for end in ends:
        if end.get("lot") is not None:
            yield "lot", end["lot"]
        for vessel in [end.get("vessel"), *(end.get("vessels") or ())]:
            if vessel is not None:
                yield "vessel", vessel
