"""What each field of a file of gates must look like, so that nothing in it is silently passed over.

A text where a list is wanted would be read letter by letter, and a style or market that is spelled
otherwise would never be asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any

from msgspec import Struct

from ampelog.resources import folder

STYLES = ("dry red", "dry white", "rose", "sweet", "sparkling", "fortified")
"""Those of a label (EVENTS.md); of ``sparkling`` the base wine is judged, before its tirage."""
ASKS = ("value", "record", "sign-off", "computed")
WHEN = ("before", "in run", "after")
SEVERITIES = ("blocking", "advisory")
BASES = ("published", "proposal", "memory", "winery")
SIGNS = {"below": "<", "at_most": "<=", "at_least": ">=", "above": ">"}


class Form(Struct, frozen=True):
    """What a value must be, in words and as a test."""

    wanted: str
    fits: Callable[[object], bool]


def _one_of(names: tuple[str, ...]) -> Form:
    return Form(f"wanted one of {', '.join(names)}", lambda value: value in names)


def _some_of(names: tuple[str, ...]) -> Form:
    wanted = f'wanted a list, as in ["{names[0]}"], of {", ".join(names)}'
    return Form(wanted, lambda value: _is_texts(value, names))


def _is_texts(value: object, among: tuple[str, ...] | None = None) -> bool:
    return isinstance(value, list) and all(
        isinstance(one, str) and one.strip() and (among is None or one in among) for one in value
    )


def _is_days(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


@cache
def markets() -> tuple[str, ...]:
    """The markets that there are rules for."""
    return tuple(sorted(pack.stem for pack in folder("rulepacks").glob("*.toml")))


_TEXT = Form("wanted a text in quotes", lambda value: isinstance(value, str))
_FIGURE = Form('a decimal in quotes is wanted, as in "45"', lambda value: isinstance(value, str))
_TRUTH = Form("wanted true or false", lambda value: isinstance(value, bool))
_TEXTS = Form('wanted a list of texts, as in ["acid", "movement"]', _is_texts)
_DAYS = Form("a whole number of days is wanted", _is_days)
_TABLE = Form("wanted a table", lambda value: isinstance(value, dict))
TABLES = Form(
    "wanted tables, each under a head of its own",
    lambda value: isinstance(value, list) and all(isinstance(one, dict) for one in value),
)
_RESTS = Form(
    "wanted days by kind, as in { copper = 7, other = 2 }",
    lambda value: (
        isinstance(value, dict)
        and set(value) <= {"copper", "other"}
        and all(map(_is_days, value.values()))
    ),
)

FILE: Mapping[str, Form] = {
    "gate": TABLES,
    "words": Form(
        'wanted lists of texts by kind, as in so2 = ["so2", "kmbs"]',
        lambda value: isinstance(value, dict) and all(map(_is_texts, value.values())),
    ),
    "topping_percent": _FIGURE,
    "topping_source": _TEXT,
    "topping_basis": _one_of(BASES),
}
GATE: Mapping[str, Form] = {
    **dict.fromkeys(("id", "name", "quantity", "unit", "needed_after", "note", "source"), _TEXT),
    **dict.fromkeys(("styles", "advisory_for", "awaited_for"), _some_of(STYLES)),
    **dict.fromkeys(("optional", "membrane", "blocking_with_membrane"), _TRUTH),
    **dict.fromkeys(("needs", "void_by"), _TEXTS),
    "asks": _one_of(ASKS),
    "when": _one_of(WHEN),
    "severity": _one_of(SEVERITIES),
    "age_basis": _one_of(BASES),
    "max_age_days": _DAYS,
    "malolactic": _one_of(("complete", "blocked")),
    "days_after": _RESTS,
    "limit": TABLES,
}


def limit() -> Mapping[str, Form]:
    """Of a limit."""
    return {
        **dict.fromkeys((*SIGNS, "at_most_meq"), _FIGURE),
        **dict.fromkeys(("equals", "source"), _TEXT),
        **dict.fromkeys(("pdo", "legal"), _TRUTH),
        "styles": _some_of(STYLES),
        "market": _some_of(markets()),
        "sugar": _TABLE,
        "severity": _one_of(SEVERITIES),
        "basis": _one_of(BASES),
    }


SUGAR: Mapping[str, Form] = dict.fromkeys(SIGNS, _FIGURE)


def misfits(body: Mapping[str, Any], forms: Mapping[str, Form]) -> Iterator[tuple[str, str, str]]:
    """The fields that are not known or do not fit: the key, what is wrong, what is wanted."""
    for key, value in body.items():
        if key not in forms:
            yield key, f"`{key}` is not known", f"known: {', '.join(sorted(forms))}"
        elif not forms[key].fits(value):
            yield key, f"seen `{_seen(value)}`", forms[key].wanted


def _seen(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
