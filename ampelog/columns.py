"""The columns of a kind of event: what a spreadsheet's header may say, read off the models.

A column is a field; what lies in a record is dotted (`from.lot`, `values.ph`). A field that holds
a list of records (``from``, ``to``, ``plantings`` ...) has a column for each field of a record.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from msgspec import Struct
from msgspec.structs import replace

from ampelog import fields
from ampelog.events import KINDS, Event, Register
from ampelog.quantities import MASS, PIECES, VOLUME, units_of
from ampelog.told import FLAT_DRAW, FLAT_OUTPUT


class Form(StrEnum):
    """What a cell of a column holds."""

    TEXT = "a text"
    TEXTS = "texts, with ; between them"
    ONE_OR_MORE = "a text, or several with ; between them"
    VESSELS = "vessels, with ; between them, or a range as B-101..B-120"
    VOLUME = "a volume with its unit"
    MASS = "a mass with its unit"
    AMOUNT = "an amount with its unit"
    EACH = "a quantity with its unit, or a number of bottles"
    TEMPERATURE = "a temperature, with C or F"
    AREA = "an area, with ha or acre"
    WHOLE = "a whole number"
    HOURS = "a number"
    DECIMAL = "a number, as measured"
    FOUND = "a number, as measured, or as in <0.1"
    SHARE = "a share, as 0.25, 25 % or 1/3"
    DAY = "a day"
    TIME = "a day, or a day and a time"
    TRUTH = "yes or no"
    TRUE = "yes, or nothing"
    CHOICE = "one of the words"
    DAY_OR_TEXT = "a day, or as in 180 days"
    DAY_OR_TRUTH = "a day, or yes"
    YEAR_OR_TEXT = "a year, or a text"
    JSON = "an object of JSON"
    WHOLE_RECORD = "all of it: JSON, or endpoints as 24-SY@T1 100 gal with ; between them"


UNITS: dict[Form, tuple[str, ...]] = {
    Form.VOLUME: units_of(VOLUME),
    Form.MASS: units_of(MASS),
    Form.AMOUNT: units_of(VOLUME, MASS, PIECES),
    Form.EACH: units_of(VOLUME, MASS),
    Form.TEMPERATURE: ("C", "F"),
    Form.AREA: ("ha", "acre"),
}
"""The units that a form takes; such a column may have a column of units beside it."""
_FORMS: tuple[tuple[Any, Form], ...] = (
    (fields.Volume, Form.VOLUME),
    (fields.Mass, Form.MASS),
    (fields.AnyQuantity, Form.AMOUNT),
    (fields.Each, Form.EACH),
    (fields.Temperature, Form.TEMPERATURE),
    (fields.Measured, Form.DECIMAL),
    (fields.Found, Form.FOUND),
    (fields.Share, Form.SHARE),
    (fields.Day, Form.DAY),
    (fields.Year, Form.WHOLE),
    (bool, Form.TRUTH),
    (int, Form.WHOLE),
    (str, Form.TEXT),
)
"""By type, the first that fits."""
_NAMED = {("area",): Form.AREA, ("at",): Form.TIME, ("until",): Form.TIME}
"""By path, where the type is a text and the form is narrower."""
_EITHER = {
    frozenset({Form.TEXT, Form.TEXTS}): Form.ONE_OR_MORE,
    frozenset({Form.TRUTH, Form.DAY}): Form.DAY_OR_TRUTH,
    frozenset({Form.TEXT, Form.DAY}): Form.DAY_OR_TEXT,
    frozenset({Form.TEXT, Form.WHOLE}): Form.YEAR_OR_TEXT,
    frozenset({Form.WHOLE, Form.DECIMAL}): Form.HOURS,
}
"""By the forms of a field that may be either."""
_COMMON = tuple(Event.model_fields)
_LAST = ("until", "by", "ref", "papers", "note", "estimated", "despite", "id")
"""What every event may say stands behind what its kind says."""


class Column(Struct, frozen=True):
    """A column: its path of names, and what its cells hold.

    ``inside`` is the path of the list of records that it is a field of, empty where it is in none;
    ``free`` says that it ends in a name of the writer's choice (``other.guaiacol``).
    """

    path: tuple[str, ...]
    form: Form
    inside: tuple[str, ...] = ()
    needed: bool = False
    choices: tuple[str, ...] = ()
    free: bool = False
    clears: bool = False

    @property
    def name(self) -> str:
        """The name as a header has it."""
        return ".".join(self.path)

    @property
    def is_percent(self) -> bool:
        """Whether it is measured in percent, so that `13.5 %` is 13.5."""
        leaf = self.path[-1]
        return leaf in ("alcohol", "brix") or self.path[:2] == ("statements", "shares")


def plain(name: str) -> str:
    """A name of a column as it is compared: capitals, spaces, dots and strokes tell nothing."""
    return re.sub(r"[\s._]+", ".", name.strip().casefold())


@cache
def of(kind: str) -> tuple[Column, ...]:
    """The columns of a kind, in the order of a template."""
    model = KINDS[kind]
    names = [one.alias or name for name, one in model.model_fields.items()]
    own = [name for name in names if name not in _COMMON]
    order = {name: rank for rank, name in enumerate(["at", *own, *_LAST])}
    found = [one for one in _of_model(model, (), (), True) if one.path[0] != "kind"]
    clears = issubclass(model, Register)
    return tuple(
        replace(one, clears=clears and not one.inside and not one.needed)
        for one in sorted(found, key=lambda one: order[one.path[0]])
    )


@cache
def taken(kind: str) -> dict[str, Column]:
    """By the name as it is compared: the columns of a kind, those that its flat form has, and the
    records that may stand in one cell as a whole (`from`, `values`)."""
    found = {plain(one.name): one for one in of(kind) if not one.free}
    flat, into = FLAT.get(kind, ((), ""))
    for name in flat:
        dotted = found[plain(f"{into}.{name}")]
        if plain(name) not in found:
            found[plain(name)] = replace(dotted, path=(name,), inside=(), needed=False)
    for one in of(kind):
        for depth in range(1, len(one.path)):
            path = one.path[:depth]
            if depth <= len(one.inside) or not one.inside:
                found.setdefault(plain(".".join(path)), Column(path, Form.WHOLE_RECORD))
    return found


FLAT = {"bottle": (FLAT_OUTPUT, "to"), "pack": (FLAT_OUTPUT, "to"), "ship": (FLAT_DRAW, "from")}
"""By kind: the fields of an endpoint that may also stand alone, and that endpoint."""


def find(kind: str, name: str) -> tuple[Column, int] | None:
    """The column of a header's name, and which record of its list it is (from 1); None if none.

    ``to.2.lot`` is the lot of the second record in ``to``.
    """
    known = taken(kind).get(plain(name))
    if known is not None:
        return known, 1
    numbered = re.fullmatch(r"(.+?)\.([1-9][0-9]{0,3})\.(.+)", plain(name))
    if numbered is not None:
        one = taken(kind).get(f"{numbered[1]}.{numbered[3]}")
        if one is not None and one.inside:
            return one, int(numbered[2])
    return _free(kind, name)


def _free(kind: str, name: str) -> tuple[Column, int] | None:
    """A column of a name that is the writer's: `method.destemmed`."""
    for one in of(kind):
        head = plain(one.name.removesuffix("*"))
        if one.free and plain(name).startswith(head) and len(plain(name)) > len(head):
            last = re.split(r"\.", name.strip(), maxsplit=len(one.path) - 1)[-1].strip()
            return replace(one, path=(*one.path[:-1], last), needed=False), 1
    return None


def header(kind: str) -> list[str]:
    """The names of a template's columns."""
    return [one.name for one in of(kind) if not one.free]


def lists(kind: str) -> list[str]:
    """The fields of a kind that hold several records, as `from` and `to`."""
    return list(dict.fromkeys(".".join(one.inside) for one in of(kind) if one.inside))


def _of_model(
    model: Any, path: tuple[str, ...], inside: tuple[str, ...], needed: bool
) -> Iterator[Column]:
    """The columns of a record; what it needs is needed where the record itself is."""
    hints = get_type_hints(model, include_extras=True)
    for name, field in model.model_fields.items():
        here = (*path, field.alias or name)
        yield from _of_type(hints[name], here, inside, needed and field.is_required())
    if model.model_config.get("extra") == "allow":
        yield Column((*path, "*"), Form.TEXT, inside, free=True)


def _of_type(
    annotation: Any, path: tuple[str, ...], inside: tuple[str, ...], needed: bool
) -> Iterator[Column]:
    options = [one for one in _options(annotation) if one is not NoneType]
    forms: list[Form] = []
    for one in options:
        record, many = _record(one)
        if record is not None:
            yield from _of_model(record, path, path if many else inside, needed)
        elif get_origin(_bare(one)) is dict:
            if one == dict[str, Any]:
                forms.append(Form.JSON)
            else:
                form = Form.DECIMAL if one == dict[str, fields.Measured] else Form.TEXT
                yield Column((*path, "*"), form, inside, free=True)
        elif get_origin(_bare(one)) is Literal:
            yield _of_words(get_args(_bare(one)), Column(path, Form.CHOICE, inside, needed))
        else:
            forms.append(_form(one, path))
    if forms:
        form = forms[0] if len(forms) == 1 else _EITHER[frozenset(forms)]
        yield Column(path, form, inside, needed)


def _of_words(words: tuple[Any, ...], column: Column) -> Column:
    if words == (True,):
        return replace(column, form=Form.TRUE)
    return replace(column, choices=tuple(map(str, words)))


def _options(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,)


def _bare(annotation: Any) -> Any:
    """A type without what is said beside it."""
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _record(annotation: Any) -> tuple[Any, bool]:
    """The record that a type is, or is a list of; None where it is neither."""
    bare = _bare(annotation)
    many = get_origin(bare) is list
    inner = _bare(get_args(bare)[0]) if many else bare
    return (inner if hasattr(inner, "model_fields") else None), many


def _form(annotation: Any, path: tuple[str, ...]) -> Form:
    if get_origin(_bare(annotation)) is list:
        return Form.VESSELS if path[-1] == "vessels" else Form.TEXTS
    if path in _NAMED:
        return _NAMED[path]
    return next(form for type_, form in _FORMS if type_ in (annotation, _bare(annotation)))
