"""The gates before a bottling, as data: limits, ages, what makes a measurement void, sources.

They stand in ``cellar_facts/gates.toml``. A winery's own file of the same form changes what it
names: a legal limit may be made stricter and never looser, everything else is the winery's to
decide, and what it changed says so.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal, InvalidOperation
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import gate_forms
from ampelog.errors import Finding, Refused
from ampelog.gate_forms import SIGNS, STYLES, Form
from ampelog.resources import folder

WATER, OTHER = "water", "other"
"""Kinds of treatments that no words of the table name."""
_WHOLE = 100
ACETIC = Decimal("60.05")
"""g of acetic acid for an equivalent: 20 meq/L are 1.201 g/L."""
_KEPT = frozenset({"name", "unit", "note", "source", "max_age_days", "age_basis", "void_by"})
"""What a winery may say otherwise of a gate with a legal limit: nothing that decides whether, of
which wine or by what it is asked."""


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

    def kinds(self, event: Mapping[str, Any], used: Iterable[str]) -> Iterable[str]:
        """All that a `treat` was, by the materials ``used`` in it, each judged by its own name. One
        alone whose name says nothing is what the treatment is called; among several, nobody knows
        what it is."""
        names = list(used)
        called = self.kinds_of(str(event["treatment"]))
        found = dict.fromkeys(called)
        for name in names:
            alone = called if len(names) == 1 else ()
            if event.get("role") == WATER and name == event.get("material"):
                alone = (WATER,)
            found |= dict.fromkeys(self.kinds_of(name) or alone or (OTHER,))
        return found or (OTHER,)


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
        data = self._fitting(self._data(), gate_forms.FILE, "the file")
        gates = {gate.id: gate for gate in self._base.gates} if self._base else {}
        for index, body in enumerate(data.get("gate", [])):
            gate = self._gate(body, f"gate {body.get('id', index + 1)}", gates)
            if gate is not None:
                gates[gate.id] = gate
        words = dict(self._base.words) if self._base else {}
        words |= {kind: tuple(found) for kind, found in data.get("words", {}).items()}
        percent = data.get("topping_percent")
        source = data.get("topping_source") or (self._name if percent else None)
        most = self._number(percent, "topping_percent") if percent is not None else None
        if most is not None and not 0 <= most <= _WHOLE:
            self._wrong("topping_percent", f"`{most}`", "wanted a part of the wine, 0 to 100")
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

    def _fitting(
        self, body: Mapping[str, Any], forms: Mapping[str, Form], where: str
    ) -> dict[str, Any]:
        """What of a table looks as it must; the rest is noted."""
        wrong = set()
        for key, says, wanted in gate_forms.misfits(body, forms):
            self._wrong(f"{where}, {key}", says, wanted)
            wrong.add(key)
        return {key: value for key, value in body.items() if key not in wrong}

    def _gate(self, body: dict[str, Any], where: str, known: Mapping[str, Gate]) -> Gate | None:
        told = self._fitting(body, gate_forms.GATE, where)
        limits = told.pop("limit", None)
        before = known.get(told.get("id", "")) if self._base else None
        for key, value in told.items():
            if isinstance(value, list):
                told[key] = tuple(value)
        made = tuple(self._limits(limits or [], where))
        if self._base and "asks" in told:
            self._asks(before, told["asks"], where)
        if before is not None:
            return self._changed(before, told, made if limits is not None else None, where)
        if {"id", "name", "asks"} - body.keys():
            self._wrong(where, "has no `id`, `name` or `asks`", "a new gate needs all three")
        if self._problems:
            return None
        changed = ("the winery's own gate",) if self._base else ()
        return Gate(**told, limits=made, changed=changed)

    def _asks(self, before: Gate | None, asks: str, where: str) -> None:
        """What is computed is what the program has a rule for, and such a rule is not put aside."""
        ruled = before is not None and before.asks == "computed"
        if ruled is not (asks == "computed"):
            says = "the program has a rule for it" if ruled else "there is no rule for it"
            wanted = "leave `asks` out" if before is not None else "value, record or sign-off"
            self._wrong(f"{where}, asks", f"`{asks}`: {says}", wanted)

    def _changed(
        self, before: Gate, told: dict[str, Any], limits: tuple[Limit, ...] | None, where: str
    ) -> Gate:
        changes = [
            f"{key.replace('_', ' ')} {_told(value)} in place of {_told(getattr(before, key))}"
            for key, value in told.items()
            if value != getattr(before, key)
        ]
        if any(limit.legal for limit in before.limits):
            self._not_aside(before, told, where)
        if limits is not None:
            legal = tuple(limit for limit in before.limits if limit.legal)
            for mine in limits:
                self._not_looser(mine, legal, where)
            was = "; ".join(one.says() for one in before.limits if not one.legal) or "none"
            now = "; ".join(one.says() for one in limits) or "none"
            if was != now:
                changes.append(f"limit {now} in place of {was}")
            told["limits"] = (*legal, *(one for one in limits if one not in legal))
        return replace(before, **told, changed=tuple(changes))

    def _not_aside(self, before: Gate, told: Mapping[str, Any], where: str) -> None:
        """A gate of the law is asked of every wine that the law is about, and stops it."""
        for key, value in told.items():
            stricter = (key, value) in (("severity", "blocking"), ("optional", False))
            if key not in _KEPT and value != getattr(before, key) and not stricter:
                says = f"a legal limit stops a bottling: `{_told(value)}` would set it aside"
                self._wrong(f"{where}, {key}", says, "leave it out; add a gate of your own")

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
        for number, told in enumerate(bodies, start=1):
            at = f"{where}, limit {number}"
            body = self._fitting(told, gate_forms.limit(), at)
            bounds = self._bounds(body, at)
            if "at_most_meq" in body:
                most = self._number(body["at_most_meq"], f"{at}, at_most_meq")
                bounds = replace(bounds, at_most=most * ACETIC / 1000)
            if bounds == Bounds() and not {*SIGNS, "at_most_meq", "equals"} & told.keys():
                self._wrong(at, "says nothing", f"one of {', '.join(SIGNS)}")
            sugar = self._fitting(body.get("sugar", {}), gate_forms.SUGAR, f"{at}, sugar")
            yield Limit(
                bounds,
                body.get("equals"),
                tuple(body.get("styles", ())),
                tuple(body.get("market", ())),
                body.get("pdo", False),
                self._bounds(sugar, f"{at}, sugar") if sugar else None,
                body.get("legal", False),
                body.get("severity"),
                body.get("basis", "winery" if self._base else "proposal"),
                body.get("source", self._name),
            )

    def _bounds(self, body: Mapping[str, Any], where: str) -> Bounds:
        found = {key: self._number(body[key], f"{where}, {key}") for key in SIGNS if key in body}
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

    def _wrong(self, where: str, says: str, hint: str) -> None:
        self._problems.append(Finding("gates", f"{self._name}, {where}", says, hint))


def _told(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
