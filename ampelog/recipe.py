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

from ampelog import recipe_values as values
from ampelog.errors import Finding, Refused
from ampelog.lines import NotJson, normal
from ampelog.lines import value as json_value
from ampelog.quantities import NotAQuantity

T = TypeVar("T")
INTO = "trial"
"""The name of the blend where the file gives none."""
LINEAR = ("alcohol", "glucose_fructose", "reducing_sugar", "ta", "va", "total_so2")
"""What mixes by volume, of a wine without spirit."""


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
    """A file's keys and texts in NFC, as the ledger keeps names."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise Refused(f"{name}: not UTF-8 at byte {problem.start + 1}") from None
    try:
        found = json_value(text) if text.lstrip()[:1] == "{" else normal(tomllib.loads(text))
    except tomllib.TOMLDecodeError as problem:
        raise Refused(f"{name} is no TOML: {problem}") from None
    except NotJson as problem:
        raise Refused(f"{name}: {problem}") from None
    assert isinstance(found, dict), "what begins with a brace is an object"
    return found


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
        except (values.WrongError, NotAQuantity) as problem:
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
        candidates = take(table, "candidate", values.tables, none)
        target = take(table, "target", values.table, None)
        found = Recipe(
            self.name,
            whole,
            take(table, "into", values.text, INTO),
            take(table, "vessel", values.text, None),
            take(table, "at", values.time, None),
            take(table, "ref", values.text, None),
            label,
            register,
            take(table, "markets", values.texts, ()),
            take(table, "by", values.texts, ("variety", "vintage")),
            take(table, "currency", values.text, ""),
            take(table, "cost_per", values.unit, "L"),
            take(table, "cost", values.moneys, {}),
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
            name = self._take(left, "name", values.text, default, at)
            none: tuple[dict[str, Any], ...] = ()
            sources = self._take(left, "from", values.endpoints, none, at)
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
        unit = values.unit_of(table.get("volume"))
        open_: tuple[int | None, int | None] = (None, None)

        def amounts(key: str) -> Mapping[str, int]:
            return self._take(left, key, values.amounts, {}, at)

        found = Target(
            self._take(left, "aim", values.aim, "closest", at),
            self._take(left, "use", values.uses, (), at),
            self._take(left, "volume", values.volumes, open_, at),
            self._take(left, "step", values.step, None, at),
            unit,
            self._take(left, "claims", values.claims, None, at),
            amounts("least"),
            amounts("most"),
            amounts("spare"),
            amounts("near"),
            self._spans(left.pop("analysis", {})),
            self._take(left, "cost_most", values.money, None, at),
            self._take(left, "smallest", values.volume, None, at),
        )
        self._rest(left, _TARGET_KEYS, at)
        if not table.get("use"):
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
        if found.aim == "cheapest" and found.volume[0] is None and not found.least:
            says = "is to be the cheapest of any volume: that would be a drop"
            self._wrong("target", says, "give the `least` of its `volume`, or of a lot")
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
                figures = [self._take(left, key, values.money, None, f"{at}, ") for key in names]
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
