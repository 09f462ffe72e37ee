"""What is wrong with an event's form, in the words of whoever wrote it.

Pydantic names types and patterns; a cellar hand reads what was seen and what was wanted.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, get_args

from ampelog.errors import Finding
from ampelog.events import KINDS
from ampelog.fields import Found, Measured, Name, Temperature, Uuid

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MOST_SEEN = 60
"""Characters of what was seen that are told."""


def _pattern(text: Any) -> str:
    return str(get_args(text)[1].pattern)


PATTERNS = {
    _pattern(Name): "a name: no control characters, no space around it",
    _pattern(Uuid): "an id, as in `018f3b5c-0000-7000-8000-000000000001`",
    _pattern(Measured): "a decimal as text, as in `3.65`",
    _pattern(Found): "a decimal as text, as in `3.65` or `<0.1`",
    _pattern(Temperature): "a temperature, as in `12 C` or `54 F`",
}
"""What a pattern wants, in words."""
FORMS = {
    "area": "an area, as in `2.4 ha` or `6 acre`",
    "rest": "a rest, as in `180 days` or `6 months`",
    "sha256": "64 hexadecimal digits in small letters",
}
"""The same, by field, where only one field has the pattern."""
TYPES = {
    "string_type": "a text",
    "string_unicode": "a text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "an object in braces",
    "model_type": "an object in braces",
}
"""What an error of pydantic's wanted, where the type is wrong."""
LIMITS = {
    "too_short": ("at least {min_length} of them", "min_length"),
    "too_long": ("at most {max_length} of them", "max_length"),
    "string_too_short": ("at least {min_length} character", "min_length"),
    "string_too_long": ("at most {max_length} characters", "max_length"),
    "greater_than": ("a whole number above {gt}", "gt"),
    "greater_than_equal": ("{ge} or more", "ge"),
    "less_than_equal": ("{le} or less", "le"),
}
"""The same, where the type is right and the value is beyond a limit."""


def told(
    errors: Iterable[ErrorDetails],
    event: Mapping[str, Any],
    where: str,
    spot: Callable[[str], str] | None = None,
) -> list[Finding]:
    """The findings of a form that did not pass its model; one a field, however many forms of
    that field were tried. ``spot`` names the place of a field, where that is narrower."""
    kind = str(event["kind"])
    flat = _folded_into(kind, event)
    fields: dict[tuple[str | int, ...], list[ErrorDetails]] = {}
    for error in errors:
        steps = _steps(error)
        if flat is not None and steps[:1] == (flat,) and len(steps) > 1:
            steps = tuple(step for step in steps[1:] if not isinstance(step, int))
        fields.setdefault(steps, []).append(error)
    return [
        _finding(kind, steps, found, where if spot is None else spot(_path(steps)))
        for steps, found in fields.items()
    ]


def _folded_into(kind: str, event: Mapping[str, Any]) -> str | None:
    """The endpoint that a flat form stands for: its fields are told as they were written."""
    if kind in ("bottle", "pack") and "to" not in event:
        return "to"
    return "from" if kind == "ship" and "from" not in event else None


def _steps(error: ErrorDetails) -> tuple[str | int, ...]:
    """The path to what is wrong, without the types that were tried on the way. A field that is
    unknown or missing may be called anything."""
    found = error["loc"]
    named = error["type"] in ("extra_forbidden", "missing")
    inner = found[:-1] if named else found
    return (*(step for step in inner if not _is_choice(step)), *(found[-1:] if named else ()))


def _is_choice(step: str | int) -> bool:
    """Whether a step of a path only says which of several types was tried."""
    return isinstance(step, str) and (
        "[" in step or step.startswith("constrained-") or step in ("str", "int", "bool")
    )


def _path(steps: Sequence[str | int]) -> str:
    """A path for people: the first of a list goes without its number, the second is 2."""
    return ".".join(str(step + 1) if isinstance(step, int) else step for step in steps if step != 0)


def _finding(
    kind: str, steps: Sequence[str | int], errors: Sequence[ErrorDetails], where: str
) -> Finding:
    path, hint = _path(steps), ""
    first = errors[0]
    if first["type"] == "extra_forbidden":
        says, hint = f"`{kind}` has no field `{path}`", _near_field(kind, steps)
    elif first["type"] == "missing":
        says, hint = f"`{kind}` needs `{path}`", f"add `{path}`"
    elif first["type"] == "ampelog" and len(errors) == 1:
        says = f"`{path or kind}`: {first['msg']}"
    else:
        says = f"`{path}` is {_seen(first.get('input'))}; wanted {_wanted(path, errors)}"
    return Finding("form", where, says, hint)


def _seen(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= MOST_SEEN else text[:MOST_SEEN] + "…"


def wanted(field: str, errors: Sequence[ErrorDetails]) -> str:
    """What a single field wants, in words."""
    return f"wanted {_wanted(field, errors)}"


def _wanted(path: str, errors: Sequence[ErrorDetails]) -> str:
    """What would have done; where a value is of one of the types, only that one is told."""
    close = [error for error in errors if error["type"] not in TYPES]
    return " or ".join(dict.fromkeys(_one_wanted(path, error) for error in close or errors))


def _one_wanted(path: str, error: ErrorDetails) -> str:
    what, context, seen = error["type"], error.get("ctx", {}), error.get("input")
    if what == "string_type" and isinstance(seen, int) and not isinstance(seen, bool):
        return f'a text, as in "{seen}"'
    if what in TYPES:
        return TYPES[what]
    if what in LIMITS:
        return LIMITS[what][0].format(**context)
    if what == "literal_error":
        return str(context["expected"]).replace("'", "`").replace("True", "true")
    if what == "string_pattern_mismatch":
        name = path.rsplit(".", maxsplit=1)[-1]
        return PATTERNS.get(str(context["pattern"])) or FORMS.get(name) or "another form"
    return error["msg"].partition("; wanted ")[2].replace("one like", "a date like") or error["msg"]


def _near_field(kind: str, steps: Sequence[str | int]) -> str:
    """The field that was probably meant, of the record that the unknown one stands in."""
    from difflib import get_close_matches

    fields = _fields(kind, [step for step in steps[:-1] if isinstance(step, str)])
    near = get_close_matches(str(steps[-1]), fields, n=1)
    return f"did you mean `{near[0]}`?" if near else f"its fields: {', '.join(fields)}"


def _fields(kind: str, steps: Iterable[str]) -> list[str]:
    model: Any = KINDS[kind]
    for step in steps:
        fields = model.model_fields.items()
        inner = next((one.annotation for name, one in fields if (one.alias or name) == step), None)
        model = record_in(inner) or model
    return [one.alias or name for name, one in model.model_fields.items()]


def record_in(annotation: Any) -> Any:
    """The record that a type holds, alone, in a list, or as one choice of several."""
    if hasattr(annotation, "model_fields"):
        return annotation
    return next((found for one in get_args(annotation) if (found := record_in(one))), None)
