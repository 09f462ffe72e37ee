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
    """The fields of the kind, as ``key=``; after it the names that the field may have."""
    from ampelog.columns import taken

    kind = str(ctx.params.get("kind") or "")
    key, equals, begun = incomplete.partition("=")
    found: list[str] = []
    with suppress(Exception):
        if not equals:
            fields = dict.fromkeys(column.path[0] for column in taken(kind).values())
            found = [f"{name}=" for name in fields if name.startswith(key)]
        else:
            what = (
                "vessel" if key in ("vessel", "vessels") else "block" if key == "block" else "lot"
            )
            found = [f"{key}={name}" for name in _names(ctx, what, begun)]
    return found


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
