"""A recorded event, read without checking its form again.

What stands in the ledger passed its model when it was recorded; building the models anew for
every question would cost more than the question. A told event answers like its model: fields by
name, quantities as exact integers, None for what it does not say.
"""

from __future__ import annotations

from typing import Any

from ampelog.quantities import BOTTLES, Quantity, parse

_AMOUNTS = frozenset({"volume", "mass", "adds", "format"})
_RECORDS = frozenset({"from", "to", "of", "composition", "materials"})
FLAT_OUTPUT = ("lot", "vessel", "bottles", "format", "label", "code")
FLAT_DRAW = (
    *("lot", "vessel", "vessels", "volume", "mass", "bottles", "each", "all", "role"),
    "temperature",
)


class Told:
    """The fields of a recorded event, or of a record in it."""

    def __init__(self, fields: dict[str, Any]) -> None:
        self.__dict__.update(fields)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return None


def unfolded(event: dict[str, Any]) -> dict[str, Any]:
    """An event whose flat forms (one output of ``bottle`` and ``pack``, the draw of ``ship``)
    are folded into their endpoint, so that everything after this sees one form."""
    kind = event["kind"]
    if kind in ("bottle", "pack") and "to" not in event:
        return _fold(event, "to", FLAT_OUTPUT)
    if kind == "ship" and "from" not in event:
        return _fold(event, "from", FLAT_DRAW)
    return event


def _fold(event: dict[str, Any], into: str, names: tuple[str, ...]) -> dict[str, Any]:
    folded = {key: value for key, value in event.items() if key not in names}
    folded[into] = {key: event[key] for key in names if key in event}
    return folded


def told(event: dict[str, Any]) -> Told:
    """A recorded event as its model would answer."""
    return _record(unfolded(event))


def _record(fields: dict[str, Any]) -> Told:
    found: dict[str, Any] = {}
    for key, value in fields.items():
        if key in _AMOUNTS:
            found[key] = parse(value).amount
        elif key == "each":
            found[key] = Quantity(BOTTLES, value) if isinstance(value, int) else parse(value)
        elif key in _RECORDS and not isinstance(value, str) and value is not None:
            ends = value if isinstance(value, list) else [value]
            found["from_" if key == "from" else key] = [_record(end) for end in ends]
        else:
            found[key] = value
    return Told(found)
