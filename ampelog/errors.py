"""What can go wrong, and how it is told.

Three kinds of failure are never mixed:

* a ``Finding`` is a value: something odd or unlawful in the data, with where it stands and what
  to do next. All of them are collected; a list of findings refuses a load.
* an ``AmpelogError`` ends a command: ``Refused`` (exit 2) carries the findings that refused it,
  ``Unopenable`` (exit 3) says why the ledger cannot be opened or read.
* an ``assert`` is a mistake of ours and keeps its traceback.

``cli.main`` alone turns them into words and exit codes.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from msgspec import Struct
from msgspec.structs import asdict


class Finding(Struct, frozen=True, order=True):
    """One thing found in the data.

    ``rule`` is a short stable name ("more drawn than held"), ``where`` a file and line or an
    event, ``says`` what was seen and what was wanted, ``hint`` what to do next. ``event`` and
    ``lot`` name what it is about, for lists that are sorted or filtered.
    """

    rule: str
    where: str
    says: str
    hint: str = ""
    event: str | None = None
    lot: str | None = None

    def row(self) -> dict[str, Any]:
        """As an answer in JSON has it."""
        return asdict(self)


class AmpelogError(Exception):
    """A command cannot go on."""

    exit_code = 2

    def __init__(self, says: str, hint: str = "") -> None:
        super().__init__(says)
        self.says = says
        self.hint = hint


class Refused(AmpelogError):
    """The command or the input was refused; nothing was recorded (exit 2)."""

    def __init__(self, says: str, findings: Iterable[Finding] = (), hint: str = "") -> None:
        super().__init__(says, hint)
        self.findings = tuple(findings)


class Unopenable(AmpelogError):
    """The ledger cannot be opened or read: missing, busy, damaged, or newer (exit 3)."""

    exit_code = 3
