"""A recorded event, read without checking its form again.

What stands in the ledger passed its model when it was recorded; building the models anew for
every question would cost more than the question. A told event answers like its model: fields by
name, quantities as exact integers, None for what it does not say.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec import Struct, convert

from ampelog.quantities import BOTTLES, Quantity, parse

FLAT_OUTPUT = ("lot", "vessel", "bottles", "format", "label", "code")
FLAT_DRAW = (
    *("lot", "vessel", "vessels", "volume", "mass", "bottles", "each", "all", "role"),
    "temperature",
)


class Told:
    """The fields of a recorded event."""

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


class End(Struct, gc=False):
    """A record in a recorded event: an endpoint, a part of a composition, a material that was used.
    None is what it does not say."""

    lot: Any = None
    vessel: Any = None
    vessels: Any = None
    volume: Any = None
    mass: Any = None
    bottles: Any = None
    each: Any = None
    all: Any = None
    role: Any = None
    temperature: Any = None
    full: Any = None
    fraction: Any = None
    format: Any = None
    label: Any = None
    code: Any = None
    share: Any = None
    variety: Any = None
    vintage: Any = None
    within: Any = None
    block: Any = None
    harvested: Any = None
    certifications: Any = None
    tags: Any = None
    material: Any = None
    amount: Any = None


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
    for key, value in record.items():
        reader = _READERS.get(key)
        if reader is not None:
            found["from_" if key == "from" else key] = reader(value)
    return found


def _amount(text: str) -> int:
    return parse(text).amount


def _each(value: Any) -> Quantity:
    return Quantity(BOTTLES, value) if isinstance(value, int) else parse(value)


def _records(value: Any) -> Any:
    if isinstance(value, list):
        return [_end(record) for record in value]
    return [_end(value)] if isinstance(value, dict) else value


def _end(record: dict[str, Any]) -> End:
    end = convert(record, End)
    if end.volume is not None:
        end.volume = _amount(end.volume)
    if end.mass is not None:
        end.mass = _amount(end.mass)
    if end.each is not None:
        end.each = _each(end.each)
    if end.format is not None:
        end.format = _amount(end.format)
    return end


_READERS: dict[str, Callable[[Any], Any]] = {
    **dict.fromkeys(("volume", "mass", "adds", "format"), _amount),
    **dict.fromkeys(("from", "to", "of", "composition", "materials"), _records),
    "each": _each,
}
