"""Facts read again from the JSON that they were written as."""

from __future__ import annotations

from typing import Any, TypeVar

from msgspec import ValidationError, convert, json

T = TypeVar("T")


class NotFacts(ValueError):
    """The JSON is not that of such facts; says where it is not."""


def recall(kind: type[T], value: Any) -> T:
    """A record, and the records in it, from its JSON.

    Raises ``NotFacts`` where a field is missing, is too many, or is of another type.
    """
    try:
        found = convert(value, kind)
    except ValidationError as problem:
        raise NotFacts(str(problem)) from None
    if json.decode(json.encode(found)) != value:
        raise NotFacts(f"{kind.__name__} has not the fields that it should have")
    return found
