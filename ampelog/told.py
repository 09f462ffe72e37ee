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
_READ = _AMOUNTS | _RECORDS | {"each"}
FLAT_OUTPUT = ("lot", "vessel", "bottles", "format", "label", "code")
FLAT_DRAW = (
    *("lot", "vessel", "vessels", "volume", "mass", "bottles", "each", "all", "role"),
    "temperature",
)


class Told:
    """The fields of a recorded event, or of a record in it."""

    def __init__(self, fields: dict[str, Any]) -> None:
        self.__dict__ = fields

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return None


class Unread(Told):
    """A recorded event whose fields are read when one is asked for first: of a long log most never
    are."""

    def __init__(self, event: dict[str, Any]) -> None:
        self.__dict__["_event"] = event

    def __getattr__(self, name: str) -> Any:
        event = self.__dict__.pop("_event", None)
        if event is None:
            return super().__getattr__(name)
        self.__dict__ = _fields(unfolded(event))
        return getattr(self, name)


class _End(Told):
    """A record in an event. What every endpoint is asked for is None here, which is found sooner
    than that it is missing."""

    all = bottles = each = format = lot = mass = role = vessel = vessels = volume = None


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
    return Told(_fields(unfolded(event)))


def _fields(record: dict[str, Any]) -> dict[str, Any]:
    found = dict(record)
    for key in _READ.intersection(record):
        value = record[key]
        if key in _AMOUNTS:
            found[key] = parse(value).amount
        elif key == "each":
            found[key] = Quantity(BOTTLES, value) if isinstance(value, int) else parse(value)
        elif not isinstance(value, str) and value is not None:
            ends = value if isinstance(value, list) else [value]
            found["from_" if key == "from" else key] = [_End(_fields(end)) for end in ends]
    return found
