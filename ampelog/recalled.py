"""Facts read again from the JSON that they were written as."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")


class NotFacts(ValueError):
    """The JSON is not that of such facts; says where it is not."""


def recall(kind: type[T], value: Any) -> T:
    """An object of frozen data classes, tuples and plain values from its JSON.

    Raises ``NotFacts`` where a field is missing, is too many, or is of another type.
    """
    found: T = _read(kind, value, kind.__name__)
    return found


def _read(kind: Any, value: Any, where: str) -> Any:
    origin = get_origin(kind)
    if is_dataclass(kind):
        return _record(kind, value, where)
    if origin in (Union, UnionType):
        if value is None and NoneType in get_args(kind):
            return None
        one = next(arg for arg in get_args(kind) if arg is not NoneType)
        return _read(one, value, where)
    if origin is tuple:
        if not isinstance(value, list):
            raise NotFacts(f"{where} is no list")
        inner = get_args(kind)[0]
        return tuple(_read(inner, one, f"{where}.{at}") for at, one in enumerate(value))
    if type(value) is not kind:
        raise NotFacts(f"{where} is not of the type {kind.__name__}")
    return value


def _record(kind: Any, value: Any, where: str) -> Any:
    names = [one.name for one in fields(kind)]
    if not isinstance(value, dict) or set(value) != set(names):
        raise NotFacts(f"{where} has not the fields that it should have")
    hints = _hints(kind)
    return kind(**{name: _read(hints[name], value[name], f"{where}.{name}") for name in names})


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)
