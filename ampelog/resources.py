"""Finds the queries, templates and rule packs, in a checkout or in an installed wheel.

A checkout keeps ``queries/`` and ``templates/`` at its top; a wheel carries them inside the
package. The checkout is recognised by the ``pyproject.toml`` beside the package.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


@cache
def folder(name: str) -> Path:
    """The folder of that name: ``queries``, ``templates`` or ``rulepacks``."""
    top = PACKAGE.parent
    beside = top / name
    if (top / "pyproject.toml").is_file() and beside.is_dir():
        return beside
    return PACKAGE / name


@cache
def query(name: str) -> str:
    """The text of ``queries/NAME.sql``."""
    return (folder("queries") / f"{name}.sql").read_text(encoding="utf-8")
