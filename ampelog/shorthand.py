"""Events as people type them: ``record top from="TOP@T9 3 gal" to="24-SY@B-101..B-120 each 1 L"``.

A value that starts with ``[`` or ``{`` or is an integer, true or false is JSON, else text
(COMMANDS.md); the endpoint forms below are for ``from``, ``to`` and ``of``. An integer for a field
that is a text or a measured value is that text; ``null`` clears a register's field or strikes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from types import UnionType
from typing import Any, Union, get_args, get_origin

from ampelog.errors import Refused
from ampelog.events import KINDS, Register
from ampelog.lines import NotJson
from ampelog.lines import value as json_value
from ampelog.mistakes import record_in

_QUANTITY = r"[0-9][0-9.]* (?:L|hL|mL|gal|kg|g|t|ton|lb)"
_ENDPOINT = re.compile(
    r"(?P<lot>[^@]+?)(?:@(?P<vessel>.+?))?"
    rf"(?: (?:(?P<all>all)|each (?P<each>{_QUANTITY})|(?P<quantity>{_QUANTITY})"
    r"|(?P<bottles>[0-9]+) bottles?)(?P<full> full)?)?"
)
_RANGE = re.compile(r"(.*?)([0-9]{1,9})\.\.(.*?)([0-9]{1,9})")
_IS_TEXT = re.compile(r"<class 'str'>|typing\.Annotated\[str\b")
_IS_TEXTS = re.compile(r"(typing\.Annotated\[)?list\[(str|typing\.Annotated\[str)\b")
"""A type that is a text, and one that is a list of texts, as Python writes it."""
_AS_IN = 'as in "24-SY@T1 100 gal", "24-SY@B-1..B-20 all" or "24-SY 12 bottles"'
_UNITS = "units: L, hL, mL, gal, kg, g, t, ton, lb"
_MASS = {"kg", "g", "t", "ton", "lb"}
MOST_IN_RANGE = 2000


def event(kind: str, pairs: Sequence[str]) -> dict[str, Any]:
    """The event of ``key=value`` words; ``Refused`` says what cannot be read."""
    if kind not in KINDS:
        from difflib import get_close_matches

        near = get_close_matches(kind, KINDS, n=1)
        hint = f"did you mean `{near[0]}`?" if near else ", ".join(KINDS)
        raise Refused(f"there is no kind `{kind}`", hint=hint)
    found: dict[str, Any] = {"kind": kind}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        if not equals or not key:
            raise Refused(f"`{pair}` is no key=value", hint='as in lot=24-SY or volume="60 gal"')
        _put(found, key, value(kind, key, text), pair)
    return found


def _put(found: dict[str, Any], key: str, what: Any, pair: str) -> None:
    *path, last = key.split(".")
    there = found
    for step in path:
        there = there.setdefault(step, {})
        if not isinstance(there, dict):
            raise Refused(f"`{pair}`: `{step}` is already given as a whole")
    if last not in there:
        there[last] = what
    elif last in ("from", "to", "of") and not path:
        before = there[last]
        there[last] = [*(before if isinstance(before, list) else [before]), what]
    else:
        raise Refused(f"`{key}` is given twice")


def value(kind: str, key: str, text: str) -> Any:
    """One value: JSON, an endpoint, a vessel range, a list of names, or text."""
    if text[:1] in ("[", "{") or text in ("true", "false") or _clears(kind, key, text):
        return _json(key, text)
    if re.fullmatch(r"-?(0|[1-9][0-9]*)", text) and _whole(kind, key):
        return _json(key, text)
    if key in ("from", "to", "of") and _takes_endpoint(kind, key):
        return endpoint(text, quantity=key != "of")
    if key.rsplit(".", maxsplit=1)[-1] == "vessels":
        return vessels(text)
    if _is_list(kind, key):
        return [item.strip() for item in text.split(",")]
    check_one_vessel(kind, key, text)
    return text


def check_one_vessel(kind: str, key: str, said: Any) -> None:
    """``Refused`` where a range stands for the name of one vessel: wine would go into a vessel of
    that name."""
    if key.rsplit(".", maxsplit=1)[-1] != "vessel" and (kind, key) != ("vessel", "name"):
        return
    if isinstance(said, str) and _RANGE.fullmatch(said):
        is_field = _annotation(kind, f"{key}s") is not None
        hint = f"name them in `{key}s`" if is_field else "name one, and record an event for each"
        raise Refused(f"`{key}` is one vessel, and `{said}` is a range", hint=hint)


def _clears(kind: str, key: str, text: str) -> bool:
    return text == "null" and (issubclass(KINDS[kind], Register) or key == "replacement")


def _json(key: str, text: str) -> Any:
    try:
        return json_value(text)
    except NotJson as problem:
        raise Refused(f"`{key}`: {problem}") from None


def _annotation(kind: str, key: str) -> Any:
    """The type of a field, through records and tables: ``values.ph`` is that of ``ph`` in
    ``values``, ``shares.Syrah`` that of any share."""
    annotation: Any = KINDS[kind]
    for step in key.split("."):
        model = record_in(annotation)
        fields = {} if model is None else model.model_fields
        named = [one.annotation for name, one in fields.items() if (one.alias or name) == step]
        tables = [one for one in (annotation, *get_args(annotation)) if get_origin(one) is dict]
        inner = [*named, *(get_args(one)[1] for one in tables)]
        annotation = inner[0] if inner else None
    return annotation


def _whole(kind: str, key: str) -> bool:
    """Whether an integer is meant as one: a measured value is a text though it looks whole."""
    annotation = _annotation(kind, key)
    return annotation is None or re.search(r"\bint\b", str(annotation)) is not None


def _takes_endpoint(kind: str, key: str) -> bool:
    return not (kind == "ship" and key == "to")


def _is_list(kind: str, key: str) -> bool:
    """Whether a field is several texts and nothing else: what may be one text too is that one."""
    annotation = _annotation(kind, key)
    is_either = get_origin(annotation) in (Union, UnionType)
    options = get_args(annotation) if is_either else (annotation,)
    return any(_IS_TEXTS.match(str(one)) for one in options) and not any(
        _IS_TEXT.match(str(one)) for one in options
    )


def endpoint(text: str, quantity: bool = True) -> dict[str, Any]:
    """``LOT@VESSEL QUANTITY``: a quantity, ``N bottles``, ``each QUANTITY`` or ``all``.

    ``quantity`` is False where none belongs there (``of``).
    """
    match = _ENDPOINT.fullmatch(text.strip())
    if match is None:
        raise Refused(f"`{text}` is no endpoint", hint=_AS_IN)
    if quantity and not any(match[name] for name in ("all", "each", "quantity", "bottles")):
        raise Refused(f"`{text}` ends in no quantity that is known", hint=f"{_AS_IN}; {_UNITS}")
    found: dict[str, Any] = {"lot": match["lot"].strip()}
    if match["vessel"]:
        names = vessels(match["vessel"])
        found |= {"vessel": names[0]} if len(names) == 1 else {"vessels": names}
    if match["all"]:
        found["all"] = True
    elif match["each"] and "vessels" in found:
        found["each"] = match["each"]
    elif match["bottles"]:
        found["bottles"] = int(match["bottles"])
    elif match["each"] or match["quantity"]:  # each of one vessel is all of it
        said = match["each"] or match["quantity"]
        found["mass" if said.split(" ")[1] in _MASS else "volume"] = said
    if match["full"]:
        found["full"] = True
    return found


def vessels(text: str) -> list[str]:
    """``B-101..B-140,T7``: the names, ranges written out."""
    found: list[str] = []
    for item in text.split(","):
        match = _RANGE.fullmatch(item.strip())
        if match is None:
            found.append(item.strip())
            continue
        before, first, again, last = match.groups()
        if again not in ("", before) or int(last) < int(first):
            raise Refused(f"`{item}` is no range of vessels", hint="as in B-101..B-140")
        if int(last) - int(first) >= MOST_IN_RANGE:
            raise Refused(f"`{item}` names more than {MOST_IN_RANGE} vessels")
        found += [f"{before}{n:0{len(first)}d}" for n in range(int(first), int(last) + 1)]
    return found
