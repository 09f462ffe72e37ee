"""The gates before a bottling, as data: limits, ages, what makes a measurement void, sources.

They stand in ``cellar_facts/gates.toml``. A winery's own file of the same form changes what it
names: a legal limit may be made stricter and never looser, everything else is the winery's to
decide, and what it changed says so.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog.errors import Finding, Refused
from ampelog.resources import folder

STYLES = ("dry red", "dry white", "rose", "sweet", "sparkling", "fortified")
"""Those of a label (EVENTS.md); of ``sparkling`` the base wine is judged, before its tirage."""
ASKS = ("value", "record", "sign-off", "computed")
WHEN = ("before", "in run", "after")
SEVERITIES = ("blocking", "advisory")
BASES = ("published", "proposal", "memory", "winery")
ACETIC = Decimal("60.05")
"""g of acetic acid for an equivalent: 20 meq/L are 1.201 g/L."""
_SIGNS = {"below": "<", "at_most": "<=", "at_least": ">=", "above": ">"}
_SUGAR = frozenset(_SIGNS)


class Bounds(Struct, frozen=True):
    """Where a number must lie; None is no bound on that side."""

    below: Decimal | None = None
    at_most: Decimal | None = None
    at_least: Decimal | None = None
    above: Decimal | None = None

    def hold(self, low: Decimal, high: Decimal) -> bool:
        """Whether all from ``low`` to ``high`` lies inside. A measurement told as ``<0.1`` is
        anything from nothing to there."""
        return (
            (self.below is None or high < self.below)
            and (self.at_most is None or high <= self.at_most)
            and (self.at_least is None or low >= self.at_least)
            and (self.above is None or low > self.above)
        )

    def says(self) -> str:
        """As ``>= 2.9, <= 3.8``."""
        parts = [
            f"{sign} {value}"
            for field, sign in (
                ("at_least", ">="),
                ("above", ">"),
                ("below", "<"),
                ("at_most", "<="),
            )
            if (value := getattr(self, field)) is not None
        ]
        return ", ".join(parts)


class Limit(Struct, frozen=True):
    """One limit of a gate. ``styles`` and ``market`` empty: for all; ``sugar`` where it is about
    wine of so much glucose and fructose (g/L) alone; ``pdo`` where it is about wine with a
    protected name; ``severity`` None: that of the gate."""

    bounds: Bounds
    equals: str | None
    styles: tuple[str, ...]
    market: tuple[str, ...]
    pdo: bool
    sugar: Bounds | None
    legal: bool
    severity: str | None
    basis: str
    source: str

    def says(self) -> str:
        """The limit in signs."""
        return self.equals if self.equals is not None else self.bounds.says()


class Gate(Struct, frozen=True):
    """One thing that is looked at. ``max_age_days`` in calendar days; ``styles`` empty: for all;
    ``advisory_for`` the styles for which it stops nothing; ``optional`` where a missing value stops
    nothing; ``needed_after`` the kind of addition that makes it needed; ``membrane`` of the gate
    that is the membrane itself; ``awaited_for`` the styles whose release waits for its result;
    ``changed`` what a winery's own file says otherwise."""

    id: str
    name: str
    asks: str
    quantity: str | None = None
    needs: tuple[str, ...] = ()
    unit: str = ""
    max_age_days: int = 0
    age_basis: str = "proposal"
    void_by: tuple[str, ...] = ()
    severity: str = "blocking"
    when: str = "before"
    styles: tuple[str, ...] = ()
    advisory_for: tuple[str, ...] = ()
    malolactic: str | None = None
    optional: bool = False
    needed_after: str | None = None
    membrane: bool = False
    blocking_with_membrane: bool = False
    days_after: Mapping[str, int] | None = None
    awaited_for: tuple[str, ...] = ()
    note: str = ""
    source: str = ""
    limits: tuple[Limit, ...] = ()
    changed: tuple[str, ...] = ()

    @property
    def proposal(self) -> bool:
        """Whether its age or any of its limits rests on no published figure."""
        return any(limit.basis in ("proposal", "memory") for limit in self.limits)


class Table(Struct, frozen=True):
    """All gates, what is more than a topping, and what a treatment is by its words."""

    gates: tuple[Gate, ...]
    topping_percent: Decimal
    topping_source: str
    words: Mapping[str, tuple[str, ...]]
    own: str | None = None
    """The winery's own file, where there is one."""

    def gate(self, name: str) -> Gate | None:
        """The gate of that id."""
        return next((gate for gate in self.gates if gate.id == name), None)

    def kinds_of(self, named: str) -> tuple[str, ...]:
        """All that a treatment or a material is, by its words; nothing where none is known. What a
        word has named is not looked at again: carbon dioxide is no carbon."""
        left, found = named.lower(), []
        for kind, words in self.words.items():
            here = [word for word in sorted(words, key=len, reverse=True) if word in left]
            for word in here:
                left = left.replace(word, "\n")
            if here:
                found.append(kind)
        return tuple(found)


@cache
def table() -> Table:
    """The gates of this version."""
    text = (folder("cellar_facts") / "gates.toml").read_text(encoding="utf-8")
    return _Reading("gates.toml", text, None).table()


def with_own(path: Path) -> Table:
    """The gates as a winery's own file has them. ``Refused`` with every problem found in it."""
    return own(*_read(path))


def own(name: str, text: str) -> Table:
    """The gates as the text of a winery's own file, of that name, has them."""
    return _Reading(name, text, table()).table()


def beside(ledger: Path) -> tuple[str, str] | None:
    """Name and text of a winery's own file beside its ledger, where there is one."""
    path = ledger.with_suffix(".gates.toml")
    return _read(path) if path.is_file() else None


def _read(path: Path) -> tuple[str, str]:
    try:
        return path.name, path.read_text(encoding="utf-8")
    except OSError as problem:
        raise Refused(f"{path}: {problem.strerror}") from None
    except UnicodeDecodeError as problem:
        raise Refused(f"{path.name} is no TOML: {problem}") from None


class _Reading:
    """Reads a file of gates; what is wrong is gathered, each problem where it stands."""

    def __init__(self, name: str, text: str, base: Table | None) -> None:
        self._name, self._text, self._base = name, text, base
        self._problems: list[Finding] = []

    def table(self) -> Table:
        data = self._data()
        gates = {gate.id: gate for gate in self._base.gates} if self._base else {}
        for index, body in enumerate(data.pop("gate", [])):
            gate = self._gate(body, f"gate {body.get('id', index + 1)}", gates)
            if gate is not None:
                gates[gate.id] = gate
        words = dict(self._base.words) if self._base else {}
        words |= {kind: tuple(found) for kind, found in data.pop("words", {}).items()}
        percent = data.pop("topping_percent", None)
        source = data.pop("topping_source", None) or (self._name if percent else None)
        data.pop("topping_basis", None)
        for key in data:
            self._wrong(key, "is not known", "`gate`, `words` and `topping_percent` are")
        most = self._number(percent, "topping_percent") if percent is not None else None
        if self._problems:
            raise Refused(f"{self._name}: the gates are not changed", self._problems)
        return Table(
            tuple(gates.values()),
            most if most is not None else self._base.topping_percent if self._base else Decimal(1),
            source or (self._base.topping_source if self._base else ""),
            words,
            self._name if self._base else None,
        )

    def _data(self) -> dict[str, Any]:
        try:
            return tomllib.loads(self._text)
        except tomllib.TOMLDecodeError as problem:
            raise Refused(f"{self._name} is no TOML: {problem}") from None

    def _gate(self, body: dict[str, Any], where: str, known: Mapping[str, Gate]) -> Gate | None:
        told = dict(body)
        limits = told.pop("limit", None)
        before = known.get(str(told.get("id"))) if self._base else None
        fields = set(Gate.__struct_fields__) - {"limits", "changed"}
        for key in told.keys() - fields:
            self._wrong(f"{where}, {key}", "is not known", f"fields: {', '.join(sorted(fields))}")
            told.pop(key)
        for key in ("needs", "void_by", "styles", "advisory_for", "awaited_for"):
            if key in told:
                told[key] = tuple(told[key])
        self._among(where, told, "asks", ASKS)
        self._among(where, told, "when", WHEN)
        self._among(where, told, "severity", SEVERITIES)
        for key in ("styles", "advisory_for", "awaited_for"):
            for style in told.get(key, ()):
                if style not in STYLES:
                    self._wrong(f"{where}, {key}", f"`{style}` is no style", ", ".join(STYLES))
        age = told.get("max_age_days", 0)
        if not isinstance(age, int) or isinstance(age, bool) or age < 0:
            self._wrong(f"{where}, max_age_days", f"`{age}`", "a whole number of days is wanted")
        made = tuple(self._limits(limits or [], where))
        if before is None:
            if {"id", "name", "asks"} - told.keys():
                self._wrong(where, "has no `id`, `name` or `asks`", "a new gate needs all three")
                return None
            changed = ("the winery's own gate",) if self._base else ()
            return Gate(**told, limits=made, changed=changed)
        return self._changed(before, told, made if limits is not None else None, where)

    def _changed(
        self, before: Gate, told: dict[str, Any], limits: tuple[Limit, ...] | None, where: str
    ) -> Gate:
        changes = [
            f"{key.replace('_', ' ')} {_told(value)} in place of {_told(getattr(before, key))}"
            for key, value in told.items()
            if value != getattr(before, key)
        ]
        if limits is not None:
            legal = tuple(limit for limit in before.limits if limit.legal)
            for mine in limits:
                self._not_looser(mine, legal, where)
            was = "; ".join(one.says() for one in before.limits if not one.legal) or "none"
            now = "; ".join(one.says() for one in limits) or "none"
            if was != now:
                changes.append(f"limit {now} in place of {was}")
            told["limits"] = (*legal, *(one for one in limits if one not in legal))
        if any(limit.legal for limit in before.limits) and told.get("severity") == "advisory":
            self._wrong(f"{where}, severity", "a legal limit stops a bottling", "leave it out")
        return replace(before, **told, changed=tuple(changes))

    def _not_looser(self, mine: Limit, legal: tuple[Limit, ...], where: str) -> None:
        """A limit of a winery says more than the law, never instead of it."""
        if mine.legal and mine not in legal:
            self._wrong(where, "`legal` is the law's to say", "leave `legal` out")
        for law in legal:
            same = not (law.market or law.sugar or law.pdo) or law.market == mine.market
            looser = (
                mine.bounds.at_most is not None
                and law.bounds.at_most is not None
                and mine.bounds.at_most > law.bounds.at_most
            )
            if same and looser and set(mine.styles or STYLES) & set(law.styles or STYLES):
                self._wrong(
                    where,
                    f"{mine.says()} is looser than the law's {law.says()} ({law.source})",
                    "a legal limit may be made stricter, never looser",
                )

    def _limits(self, bodies: list[dict[str, Any]], where: str) -> Iterator[Limit]:
        known = {*_SIGNS, "at_most_meq", "equals", "styles", "market", "pdo", "sugar", "legal"}
        known |= {"severity", "basis", "source"}
        for body in bodies:
            for key in body.keys() - known:
                self._wrong(f"{where}, limit", f"`{key}` is not known", ", ".join(sorted(known)))
            self._among(f"{where}, limit", body, "severity", SEVERITIES)
            self._among(f"{where}, limit", body, "basis", BASES)
            bounds = self._bounds(body, where)
            if "at_most_meq" in body:
                most = self._number(body["at_most_meq"], f"{where}, at_most_meq")
                bounds = replace(bounds, at_most=most * ACETIC / 1000)
            if bounds == Bounds() and "equals" not in body:
                self._wrong(f"{where}, limit", "says nothing", f"one of {', '.join(_SIGNS)}")
            sugar = body.get("sugar")
            yield Limit(
                bounds,
                body.get("equals"),
                tuple(body.get("styles", ())),
                tuple(body.get("market", ())),
                bool(body.get("pdo", False)),
                self._bounds(sugar, where) if sugar else None,
                bool(body.get("legal", False)),
                body.get("severity"),
                body.get("basis", "winery" if self._base else "proposal"),
                body.get("source", self._name),
            )

    def _bounds(self, body: Mapping[str, Any], where: str) -> Bounds:
        found = {key: self._number(body[key], f"{where}, {key}") for key in _SIGNS if key in body}
        return Bounds(**found)

    def _number(self, value: object, where: str) -> Decimal:
        try:
            if not isinstance(value, str):
                raise InvalidOperation
            found = Decimal(value)
            if not found.is_finite():
                raise InvalidOperation
        except InvalidOperation:
            self._wrong(where, f"`{value}` is no decimal in quotes", 'as in at_most = "45"')
            return Decimal(0)
        return found

    def _among(
        self, where: str, body: Mapping[str, Any], key: str, wanted: tuple[str, ...]
    ) -> None:
        if key in body and body[key] not in wanted:
            self._wrong(f"{where}, {key}", f"`{body[key]}`", f"wanted one of {', '.join(wanted)}")

    def _wrong(self, where: str, says: str, hint: str) -> None:
        self._problems.append(Finding("gates", f"{self._name}, {where}", says, hint))


def _told(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
