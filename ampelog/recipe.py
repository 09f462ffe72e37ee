"""A trial's file: blends that are thought of, and targets that one is wanted for.

TOML, or the same in JSON. Quantities are texts with a unit and measured values are texts, as in
events; what is not known here is refused, all of it at once. README.md has the keys in a table.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, TypeVar

from msgspec import Struct, field

from ampelog.errors import Finding, Refused
from ampelog.lines import NotJson
from ampelog.lines import value as json_value
from ampelog.quantities import NotAQuantity, parse
from ampelog.shorthand import endpoint

T = TypeVar("T")
INTO = "trial"
"""The name of the blend where the file gives none."""
LINEAR = ("alcohol", "glucose_fructose", "reducing_sugar", "ta", "va", "total_so2")
"""What mixes by volume, of a wine without spirit."""
UNIT_KEYS = ("L", "hL", "gal")


class Candidate(Struct, frozen=True):
    """One blend: what it draws, as a `blend` event has it in ``from``."""

    name: str
    sources: tuple[dict[str, Any], ...]


class Span(Struct, frozen=True):
    """What a measured value shall be: at least, at most, and near to."""

    least: Fraction | None = None
    most: Fraction | None = None
    near: Fraction | None = None


class Target(Struct, frozen=True):
    """What is wanted. Amounts are in 10^-12 L, by the texts of ``use`` or their lots.

    ``claims`` are the statements of the label to keep, None for all that a blend decides. ``aim``
    is ``cheapest`` or ``closest``: to the amounts of ``near``, and to the values to be ``near``.
    """

    aim: str
    use: tuple[str, ...]
    volume: tuple[int | None, int | None]
    step: tuple[Fraction, str] | None = None
    unit: str = "L"
    claims: tuple[str, ...] | None = None
    least: Mapping[str, int] = field(default_factory=dict)
    most: Mapping[str, int] = field(default_factory=dict)
    spare: Mapping[str, int] = field(default_factory=dict)
    near: Mapping[str, int] = field(default_factory=dict)
    analysis: Mapping[str, Span] = field(default_factory=dict)
    cost_most: Fraction | None = None
    smallest: int | None = None
    """The least of a lot that is worth drawing, where it is drawn at all."""


class Recipe(Struct, frozen=True):
    """A trial's file, read. ``cost`` is money a ``cost_per``; ``text`` the whole of it in one form,
    by which the same trial is known again."""

    name: str
    text: str
    into: str = INTO
    vessel: str | None = None
    at: str | None = None
    ref: str | None = None
    label: str | None = None
    register: Mapping[str, Any] | None = None
    markets: tuple[str, ...] = ()
    by: tuple[str, ...] = ("variety", "vintage")
    currency: str = ""
    cost_per: str = "L"
    cost: Mapping[str, Fraction] = field(default_factory=dict)
    candidates: tuple[Candidate, ...] = ()
    target: Target | None = None


def read(data: bytes, name: str) -> Recipe:
    """The recipe of a file's bytes; ``Refused`` with all that is wrong with it."""
    reader = _Reader(name)
    found = reader.recipe(_parsed(data, name))
    if reader.problems or found is None:
        count = len(reader.problems)
        things = "one thing" if count == 1 else f"{count} things"
        raise Refused(f"{name} is no trial: {things} must be mended first", reader.problems)
    return found


def _parsed(data: bytes, name: str) -> dict[str, Any]:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise Refused(f"{name}: not UTF-8 at byte {problem.start + 1}") from None
    try:
        if text.lstrip()[:1] == "{":
            found = json_value(text)
            assert isinstance(found, dict), "what begins with a brace is an object"
            return found
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise Refused(f"{name} is no TOML: {problem}") from None
    except NotJson as problem:
        raise Refused(f"{name}: {problem}") from None


class _WrongError(ValueError):
    """What stands somewhere in the file is not what is wanted there."""


class _Reader:
    """Reads a trial key by key, and collects what is wrong."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Finding] = []

    def _wrong(self, where: str, says: str, hint: str = "") -> None:
        self.problems.append(Finding("trial", f"{self.name}, {where}", says, hint))

    def _take(
        self, table: dict[str, Any], key: str, read_: Callable[[Any], T], default: T, at: str = ""
    ) -> T:
        """A key's value, taken out of the table; what is wrong with it is noted."""
        if key not in table:
            return default
        try:
            return read_(table.pop(key))
        except (_WrongError, NotAQuantity) as problem:
            self._wrong(f"{at}{key}", str(problem))
        except Refused as problem:
            self._wrong(f"{at}{key}", problem.says, problem.hint)
        return default

    def _rest(self, table: Mapping[str, Any], known: Sequence[str], at: str = "") -> None:
        for key in table:
            self._wrong(f"{at}{key}", "is no key of a trial here", f"keys: {', '.join(known)}")

    def recipe(self, table: dict[str, Any]) -> Recipe | None:
        """The whole file; None or half of it where something is wrong."""
        table = dict(table)
        whole = json.dumps(table, sort_keys=True, default=str)
        label, register = self._label(table)
        take = self._take
        none: list[dict[str, Any]] = []
        candidates = take(table, "candidate", _tables, none)
        target = take(table, "target", _table, None)
        found = Recipe(
            self.name,
            whole,
            take(table, "into", _text, INTO),
            take(table, "vessel", _text, None),
            take(table, "at", _time, None),
            take(table, "ref", _text, None),
            label,
            register,
            take(table, "markets", _texts, ()),
            take(table, "by", _texts, ("variety", "vintage")),
            take(table, "currency", _text, ""),
            take(table, "cost_per", _unit, "L"),
            take(table, "cost", _moneys, {}),
            tuple(self._candidates(candidates)),
            self._target(target) if target is not None else None,
        )
        self._rest(table, _KEYS)
        if not self.problems and not found.candidates and found.target is None:
            self._wrong("the file", "has no `[[candidate]]` and no `[target]`")
        return found

    def _label(self, table: dict[str, Any]) -> tuple[str | None, Mapping[str, Any] | None]:
        value = table.pop("label", None)
        if isinstance(value, dict):
            if not isinstance(value.get("name"), str):
                self._wrong("label", "a label that is described has a `name`")
                return None, None
            return value["name"], value
        if value is not None and not isinstance(value, str):
            self._wrong("label", "wanted the name of a label, or a table of its fields")
            return None, None
        return value, None

    def _candidates(self, tables: Sequence[dict[str, Any]]) -> Iterator[Candidate]:
        seen: set[str] = set()
        for number, table in enumerate(tables):
            left, default = dict(table), chr(ord("A") + number % 26)
            at = f"candidate {table.get('name', default)}, "
            name = self._take(left, "name", _text, default, at)
            none: tuple[dict[str, Any], ...] = ()
            sources = self._take(left, "from", _endpoints, none, at)
            self._rest(left, ("name", "from"), at)
            if name in seen:
                self._wrong(f"candidate {name}", "two candidates have this name")
            seen.add(name)
            if "from" not in table:
                self._wrong(
                    f"candidate {name}", "has no `from`", 'as in from = ["24-SY@T1 60 gal"]'
                )
            yield Candidate(name, sources)

    def _target(self, table: dict[str, Any]) -> Target:
        left, at = dict(table), "target, "
        unit = _unit_of(table.get("volume"))
        open_: tuple[int | None, int | None] = (None, None)

        def amounts(key: str) -> Mapping[str, int]:
            return self._take(left, key, _amounts, {}, at)

        found = Target(
            self._take(left, "aim", _aim, "closest", at),
            self._take(left, "use", _texts, (), at),
            self._take(left, "volume", _volumes, open_, at),
            self._take(left, "step", _step, None, at),
            unit,
            self._take(left, "claims", _claims, None, at),
            amounts("least"),
            amounts("most"),
            amounts("spare"),
            amounts("near"),
            self._spans(left.pop("analysis", {})),
            self._take(left, "cost_most", _money, None, at),
            self._take(left, "smallest", _volume, None, at),
        )
        self._rest(left, _TARGET_KEYS, at)
        if not found.use:
            self._wrong("target", "names no lots to `use`", 'as in use = ["24-SY@T1", "24-GR"]')
        if "volume" not in table:
            self._wrong("target", "has no `volume`", 'as in volume = "600 gal"')
        for key in ("least", "most", "spare", "near"):
            for lot in getattr(found, key):
                if not any(lot in (use, use.partition("@")[0]) for use in found.use):
                    self._wrong(f"target, {key}", f"`{lot}` is not among the lots to `use`")
        near = found.near or any(span.near is not None for span in found.analysis.values())
        if found.aim == "closest" and not near and not self.problems:
            self._wrong("target", "is to be closest, and to what is not said", _NEAR)
        return found

    def _spans(self, value: Any) -> Mapping[str, Span]:
        found: dict[str, Span] = {}
        if not isinstance(value, dict):
            self._wrong("target, analysis", "wanted a table by quantity")
            return found
        for quantity, table in value.items():
            at = f"target, analysis, {quantity}"
            if quantity not in LINEAR:
                again = "it does not mix by volume: blend, then measure again"
                self._wrong(at, "is nothing to aim at", f"{again}. Known: {', '.join(LINEAR)}")
            elif not isinstance(table, dict) or not table or not set(table) <= _SPAN_KEYS:
                self._wrong(at, "wanted `least`, `most` or `near`", 'as in {least = "13.5"}')
            else:
                left = dict(table)
                names = ("least", "most", "near")
                figures = [self._take(left, key, _money, None, f"{at}, ") for key in names]
                found[quantity] = Span(*figures)
        return found


_KEYS = (
    *("into", "vessel", "at", "ref", "label", "markets", "by", "currency", "cost_per", "cost"),
    *("candidate", "target"),
)
_TARGET_KEYS = (
    *("aim", "use", "volume", "step", "claims", "least", "most", "spare", "near", "analysis"),
    *("cost_most", "smallest"),
)
_SPAN_KEYS = {"least", "most", "near"}
_NEAR = "give `near` amounts of lots, or an analysis that it shall be `near`; or aim = cheapest"


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise _WrongError(f"wanted a text, seen {_seen(value)}")
    return value


def _time(value: Any) -> str:
    # TOML has dates of its own; events have them as texts.
    return value.isoformat() if hasattr(value, "isoformat") else _text(value)


def _texts(value: Any) -> tuple[str, ...]:
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list):
        raise _WrongError(f"wanted a list of texts, seen {_seen(value)}")
    return tuple(_text(each) for each in listed)


def _table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _WrongError(f"wanted a table, seen {_seen(value)}")
    return value


def _tables(value: Any) -> list[dict[str, Any]]:
    return [_table(each) for each in (value if isinstance(value, list) else [value])]


def _money(value: Any) -> Fraction | None:
    text = _text(value)
    try:
        if not text.replace(".", "", 1).isdigit() or not text.isascii():
            raise ValueError
        return Fraction(text)
    except ValueError:
        raise _WrongError(f'wanted a decimal as text, as in "12.40"; seen `{text}`') from None


def _moneys(value: Any) -> Mapping[str, Fraction]:
    return {name: _money(each) or Fraction(0) for name, each in _table(value).items()}


def _unit(value: Any) -> str:
    if value not in UNIT_KEYS:
        raise _WrongError(f"wanted one of {', '.join(UNIT_KEYS)}, seen {_seen(value)}")
    return str(value)


def _volume(value: Any) -> int:
    found = parse(_text(value))
    if found.dimension != "volume":
        raise _WrongError(f"`{value}` is no volume")
    return found.amount


def _amounts(value: Any) -> Mapping[str, int]:
    return {name: _volume(each) for name, each in _table(value).items()}


def _volumes(value: Any) -> tuple[int | None, int | None]:
    if isinstance(value, dict):
        if not value or not set(value) <= {"least", "most"}:
            raise _WrongError("wanted a volume, or its `least` and `most`")
        least, most = (_volume(value[k]) if k in value else None for k in ("least", "most"))
        if least is not None and most is not None and least > most:
            raise _WrongError("the least is more than the most")
        return least, most
    return _volume(value), _volume(value)


def _unit_of(value: Any) -> str:
    if isinstance(value, dict):
        value = value.get("most") or value.get("least")
    unit = str(value).rpartition(" ")[2]
    return unit if unit in UNIT_KEYS else "L"


def _step(value: Any) -> tuple[Fraction, str]:
    _volume(value)
    figure, _, unit = str(value).partition(" ")
    return Fraction(figure), unit


def _aim(value: Any) -> str:
    if value not in ("cheapest", "closest"):
        raise _WrongError(f"wanted `cheapest` or `closest`, seen {_seen(value)}")
    return str(value)


def _claims(value: Any) -> tuple[str, ...] | None:
    if value is True:
        return None
    return () if value is False else _texts(value)


def _endpoints(value: Any) -> tuple[dict[str, Any], ...]:
    listed = value if isinstance(value, list) else [value]
    return tuple(each if isinstance(each, dict) else endpoint(_text(each)) for each in listed)


def _seen(value: Any) -> str:
    bare = isinstance(value, (int, Fraction)) or type(value).__name__ == "float"
    return f"the bare number {value}" if bare else f"`{value}`"
