"""What a stranger reads in place of the private text of events, so that they can still be replayed.

A name that a replay compares with another is numbered, the same name with the same number; any
other text is one word. Why something was lost or gauged is of a few words that say nothing of
anybody, and is told: the figures need it. None of what is told here is proved, but that there
was private text in these places is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

MASK = "(masked)"
_NUMBERED = re.compile(r"\(masked(?: [0-9]+)?\)")
_COMPARED = frozenset(("document", "owner", "supplier", "grower", "from_party", "to"))
_REASONED = frozenset(("gauge", "loss"))


class Masks:
    """Stands in for private text, throughout one dossier."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def stated(self, event: Mapping[str, Any], private: Mapping[str, str]) -> dict[str, str]:
        """By JSON pointer, what is told in place of each private text of an event."""
        return {at: self._stands(event, at, text) for at, text in private.items()}

    def _stands(self, event: Mapping[str, Any], at: str, text: str) -> str:
        field = at.rpartition("/")[2]
        if field in _COMPARED:
            return f"(masked {self._numbers.setdefault(text, len(self._numbers) + 1)})"
        form = event["replacement"] if at == "/replacement/reason" else event
        told = at in ("/reason", "/replacement/reason") and form["kind"] in _REASONED
        return text if told else MASK


def same(recorded: Any, again: Any) -> bool:
    """Whether two plain values agree, as far as the second is not masked."""
    if isinstance(recorded, str) and isinstance(again, str) and "(masked" in again:
        parts = _NUMBERED.split(again)
        return re.fullmatch(".*".join(map(re.escape, parts)), recorded, re.DOTALL) is not None
    return type(recorded) is type(again) and bool(recorded == again)


def masked(value: Any) -> bool:
    """Whether something in a text is masked."""
    return isinstance(value, str) and _NUMBERED.search(value) is not None
