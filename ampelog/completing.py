"""What a shell offers while a command is typed: kinds, fields, and the ledger's own names.

Whatever goes wrong is passed over in silence: a shell that is completing has no place for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

MOST = 200


def kinds(incomplete: str) -> list[str]:
    """The kinds of event that begin so."""
    from ampelog.events import KINDS

    return [kind for kind in KINDS if kind.startswith(incomplete)]


def listed_kinds() -> str:
    """All kinds, for a hint."""
    from ampelog.events import KINDS

    return f"as in `ampelog record rack ...`; kinds: {', '.join(KINDS)}"


def pairs(ctx: Any, incomplete: str) -> list[str]:
    """The fields of the kind, as ``key=``; after it the names that the field may have. To a shell
    that takes ``=`` for a word of its own what comes after it is a word of its own too."""
    key, equals, begun = incomplete.partition("=")
    before = [str(word) for word in ctx.params.get("pairs") or ()]
    if not incomplete and before and "=" not in before[-1] and before[-2:-1] != ["="]:
        return _values(ctx, before[-1], "")
    if before[-1:] == ["="]:
        return _values(ctx, before[-2] if len(before) > 1 else "", incomplete)
    if equals:
        return [f"{key}={name}" for name in _values(ctx, key, begun)]
    return [
        f"{name}=" for name in _fields(str(ctx.params.get("kind") or "")) if name.startswith(key)
    ]


def _fields(kind: str) -> list[str]:
    """The fields of a kind, as far as it is one."""
    with suppress(Exception):
        from ampelog.columns import taken

        return list(dict.fromkeys(column.path[0] for column in taken(kind).values()))
    return []


def _values(ctx: Any, field: str, begun: str) -> list[str]:
    """The names that a field may have and that begin so."""
    whats = {"vessel": "vessel", "vessels": "vessel", "block": "block"}
    return _names(ctx, whats.get(field, "lot"), begun)


def _names(ctx: Any, what: str, begun: str) -> list[str]:
    found: Sequence[str] = ()
    with suppress(Exception):
        from ampelog import ledger, roster

        with ledger.opened(_ledger(ctx), wait=0) as opened:
            found = roster.names_of(opened)[what]
    return [name for name in found if name.startswith(begun)][:MOST]


def _ledger(ctx: Any) -> Path:
    """The ledger that the options before the command name, else the default."""
    top = ctx
    while top.parent is not None:
        top = top.parent
    return Path(top.params.get("ledger") or "cellar.duckdb")


def _of(what: str) -> Callable[[Any, str], list[str]]:
    """Offers the names of one sort that begin so; of lots those that hold something first."""

    def offered(ctx: Any, incomplete: str) -> list[str]:
        return _names(ctx, what, incomplete)

    return offered


lots, vessels, blocks = _of("lot"), _of("vessel"), _of("block")
labels, parties, materials = _of("label"), _of("party"), _of("material")
