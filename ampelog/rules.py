"""Rule packs: the law of labels as data, read from ``rulepacks/*.toml`` and checked.

A pack is one authority's rules; a rule is one permission or one condition, with its citation, the
age of the copy it was read from, how sure that reading is, the days it is in force, and examples
at, above and below its threshold which the tests run. ``claims`` evaluates what stands here and
knows no country.

The schema is wider than this version evaluates. A field that is not evaluated yet is listed in its
model's ``later``; a pack that uses one is refused, so that no part of a law is silently ignored.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    InstanceOf,
    StrictBool,
    StrictInt,
    ValidationError,
    model_validator,
)

from ampelog.errors import Finding, Refused
from ampelog.fields import PlaceType, Role, share_of, wrong
from ampelog.grapes import Grapes, NotAListError
from ampelog.resources import folder
from ampelog.shares import REFUSED, SUPPORTED, Judgement

Dimension = Literal["variety", "vintage", "origin", "holding", "alcohol", "process"]
STATEMENT = {"variety": "variety", "vintage": "vintage", "origin": "appellation"}
"""The key of a label's statements that each dimension judges; the other dimensions come later."""

NOT_YET = "not evaluated by this version"


def _share(text: Any) -> Fraction:
    if not isinstance(text, str):
        raise wrong(f'`{text}` is no share; write it as a text, `"0.75"`, so that it stays exact')
    share = share_of(text)
    if share > 1:
        raise wrong(f'`{text}` is over 1; a share is a part of the whole, as in `"0.75"`')
    return share


def _amount(text: Any) -> Fraction:
    share = _share(text)
    if share == 0:
        raise wrong("a threshold of zero decides nothing")
    return share


Share = Annotated[Fraction, BeforeValidator(_share)]
"""A share from 0 to 1, exact: a decimal or a fraction in quotes, never a bare number."""
Threshold = Annotated[Fraction, BeforeValidator(_amount)]
"""A share above 0."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    later: ClassVar[frozenset[str]] = frozenset()

    def unevaluated(self) -> Iterator[str]:
        """What is used here and not evaluated by this version, as dotted field names."""
        for name in sorted(self.model_fields_set):
            value = getattr(self, name)
            if name in self.later:
                yield name
            elif isinstance(value, _Model):
                yield from (f"{name}.{inner}" for inner in value.unevaluated())


class When(_Model):
    """Where a rule applies. ``origin_types``: the type of the label's appellation;
    ``origin_count_min`` and ``_max``: how many places it joins (an overlap is one place)."""

    later = frozenset({"product_class", "market", "made_in", "release_after", "pure"})
    origin_types: tuple[PlaceType, ...] = ()
    origin_count_min: StrictInt = 0
    origin_count_max: StrictInt | None = None
    product_class: tuple[str, ...] = ()
    market: tuple[str, ...] = ()
    made_in: tuple[str, ...] = ()
    release_after: date | None = None
    pure: StrictBool = False


class Addition(_Model):
    """What is added under a role and leaves the count (``exclude``) or counts as matching
    (``deem``), up to ``cap`` of the wine; ``over`` says what happens beyond the cap."""

    roles: tuple[Role, ...]
    cap: Share | None = None
    classes: tuple[str, ...] = ()
    over: Literal["count", "fail"] = "count"


class YearShift(_Model):
    """Fruit picked from the day ``since`` to ``until`` (``MM-DD``) bears another year."""

    since: str
    until: str
    years: StrictInt
    when: str | None = None


class Elsewhere(_Model):
    """A paragraph that is not evaluated and could still allow what this rule refuses: for a grape
    named here and a share of at least ``min_total`` a refusal becomes undetermined, saying why."""

    names: tuple[str, ...]
    min_total: Threshold
    why: str


class Part(_Model):
    """A part of an example's wine. ``places`` left out: nobody knows where it grew."""

    share: Threshold
    variety: str | None = None
    vintage: StrictInt | None = None
    places: tuple[str, ...] | None = None
    material: str | None = None


class Example(_Model):
    """A wine and a label, and what this rule alone must say of them."""

    label: dict[str, Any]
    verdict: Judgement
    near: Literal["above", "at", "below"] | None = None
    on: date | None = None
    wine: tuple[Part, ...] = (Part.model_construct(share=Fraction(1)),)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        total = sum((part.share for part in self.wine), Fraction(0))
        if total != 1:
            raise wrong(f"the shares of the wine sum to {total}, wanted exactly 1")
        return self


class Rule(_Model):
    """One permission (``min_total``, ``forbid``) or one condition (``requires``, ``listed``,
    ``disclose``, or ``unjudged`` alone).

    Alternatives: a statement stands where any permission that fits it stands and every condition
    does. ``min_total``: the least share of the wine that must match. ``joint``: other statements
    that must hold of the same part of the wine. ``together``: how several places named as one
    appellation count: what grew in any (``union``) or in all of them (``overlap``). ``added``:
    whether a material that is not grape counts against the statement or is left open by the rule.
    ``forbid``: not allowed, and why. ``unjudged``: what this version does not judge and a statement
    needs, so that it is at best undetermined. ``says``: a sentence that every row carries.
    ``review``: why the rule itself is in doubt; then its rows are undetermined.
    """

    later = frozenset(
        {"min_each", "dominance", "remainder_in", "exclude", "deem", "order", "disclose_by"}
        | {"residue_tol", "overrides", "severity"}
    )
    id: str
    title: str
    cite: str
    url: str | None = None
    confidence: Literal["H", "M", "L"]
    source_year: StrictInt
    review: str | None = None
    valid_from: date | None = None
    valid_to: date | None = None
    valid_by: Literal["harvest", "bottling", "label"] = "label"
    dimension: Dimension
    claim: Literal["single", "multi"] | None = None
    area_types: tuple[PlaceType, ...] = ()
    count_min: StrictInt = 1
    count_max: StrictInt | None = None
    when: When = When()
    basis: Literal["wine", "grapes", "contents"] = "wine"
    added: Literal["counts", "open"] = "counts"
    min_total: Threshold | None = None
    joint: tuple[Dimension, ...] = ()
    together: Literal["union", "overlap"] | None = None
    forbid: str | None = None
    listed: StrictBool = False
    disclose: Literal["percent"] | None = None
    disclose_tol: Share = Fraction(0)
    requires: tuple[str, ...] = ()
    elsewhere: Elsewhere | None = None
    unjudged: str | None = None
    says: str | None = None
    min_each: tuple[Share, ...] = ()
    dominance: StrictBool = False
    remainder_in: str | None = None
    exclude: tuple[Addition, ...] = ()
    deem: tuple[Addition, ...] = ()
    order: Literal["desc", "desc_or_percent", "any"] = "any"
    disclose_by: str | None = None
    residue_tol: Share | None = None
    overrides: str | None = None
    severity: Literal["law", "scheme", "advice"] = "law"
    example: tuple[Example, ...]

    @property
    def permits(self) -> bool:
        """A permission, one of several that may carry a statement; else a condition."""
        return self.min_total is not None or self.forbid is not None

    @property
    def by_area(self) -> bool:
        """Judged once for each appellation of the label."""
        return bool(self.joint or self.when.origin_types)

    def in_force(self, on: date) -> bool:
        """Whether the rule stands on that day (of bottling, or of the label)."""
        begun = self.valid_from is None or self.valid_from <= on
        return begun and (self.valid_to is None or on <= self.valid_to)

    def unevaluated(self) -> Iterator[str]:
        yield from super().unevaluated()
        if self.basis != "wine":
            yield f"basis = {self.basis!r}"
        if self.valid_by == "harvest":
            yield "valid_by = 'harvest'"
        if self.dimension not in STATEMENT:
            yield f"dimension = {self.dimension!r}"
        yield from (f"joint = [{each!r}]" for each in self.joint if each != "origin")
        known = set(STATEMENT.values())
        yield from (f"requires = [{each!r}]" for each in self.requires if each not in known)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        effects = (self.min_total, self.forbid, self.listed or None, self.disclose)
        count = sum(effect is not None for effect in effects)
        if count > 1 or not (count or self.requires or self.unjudged):
            raise wrong(
                "a rule has one of `min_total`, `forbid`, `listed`, `disclose`, or at least "
                "`requires` or `unjudged`"
            )
        if self.dimension == "origin" and self.by_area:
            raise wrong("a rule on origin has `area_types`, not `joint` or `when.origin_types`")
        if (self.dimension == "origin") != bool(self.area_types):
            raise wrong("`area_types` belongs to every rule on origin, and to no other")
        several = self.dimension == "origin" and self.claim == "multi" and self.permits
        if several != (self.together is not None):
            raise wrong("`together` belongs to a permission for several places, and to no other")
        if (self.listed or self.elsewhere) and self.dimension != "variety":
            raise wrong("`listed` and `elsewhere` are about grapes: their dimension is `variety`")
        if (self.joint or self.elsewhere) and self.min_total is None:
            raise wrong("`joint` and `elsewhere` belong to a rule with `min_total`")
        self._exemplified()
        return self

    def _exemplified(self) -> None:
        if not self.example:
            raise wrong("a rule has an `example`")
        if self.min_total is None:
            told = {example.verdict for example in self.example}
            if self.unjudged is None and self.forbid is None and not {SUPPORTED, REFUSED} <= told:
                raise wrong("one example is supported and one is refused, at the least")
            return
        wanted = {"at", "below"} if self.min_total == 1 else {"above", "at", "below"}
        missing = wanted - {example.near for example in self.example if example.near}
        if missing:
            raise wrong(f"no example stands {' or '.join(sorted(missing))} the threshold")


class Names(_Model):
    """The pack's list of grape names. ``spellings``: names that are one, by the same reading of
    the list; ``apart``: names that the list keeps apart though they may well be one grape."""

    file: str
    spellings: dict[str, str] = {}
    apart: tuple[tuple[str, str], ...] = ()


class Pack(_Model):
    """One authority's rules. ``example_on`` and ``example_places``: the day and the places, with
    their types, that its examples share. ``grapes`` is read from the file that ``names`` names."""

    later = frozenset(
        {"combine", "groups", "lists", "year_shift", "retention_years", "record_deadline_days"}
        | {"abv"}
    )
    schema_: Literal[1] = Field(alias="schema")
    id: str
    title: str
    authority: str
    scope: str
    names: Names | None = None
    grapes: InstanceOf[Grapes] = Grapes()
    example_on: date
    example_places: dict[str, PlaceType] = {}
    rule: tuple[Rule, ...]
    combine: tuple[str, ...] = ()
    groups: dict[str, tuple[str, ...]] = {}
    lists: dict[str, tuple[str, ...]] = {}
    year_shift: tuple[YearShift, ...] = ()
    retention_years: StrictInt | None = None
    record_deadline_days: StrictInt | None = None
    abv: dict[str, Any] | None = None

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        if not self.rule:
            raise wrong("a pack has a `rule`")
        counts = Counter(rule.id for rule in self.rule)
        twice = sorted(name for name, count in counts.items() if count > 1)
        if twice:
            raise wrong(f"two rules have the id `{twice[0]}`")
        strange = [rule.id for rule in self.rule if not rule.id.startswith(f"{self.id}-")]
        if strange:
            raise wrong(f"the id `{strange[0]}` does not begin with the pack's, `{self.id}-`")
        return self


def known() -> tuple[str, ...]:
    """The packs of this version, by their names in a label's ``market``."""
    return tuple(sorted(path.stem for path in folder("rulepacks").glob("*.toml")))


@cache
def pack(name: str) -> Pack:
    """The pack of that name. Refused where this version has none."""
    if name not in known():
        raise Refused(
            f"there is no rule pack `{name}` in this version",
            hint=f"the packs are: {', '.join(known())}",
        )
    return read(folder("rulepacks") / f"{name}.toml")


def markets(names: Sequence[str]) -> tuple[tuple[Pack, ...], tuple[str, ...]]:
    """The packs of these markets, and the markets that this version has no pack for."""
    once = tuple(dict.fromkeys(names))
    have = set(known())
    packs = tuple(pack(name) for name in once if name in have)
    return packs, tuple(name for name in once if name not in have)


def read(path: Path) -> Pack:
    """Read and check one pack file. Refused with every problem found, each where it stands."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as problem:
        raise _refused(path, [_finding(path, "", f"is no TOML: {problem}")]) from None
    try:
        found = Pack.model_validate(data)
    except ValidationError as problem:
        errors = problem.errors(include_url=False, include_input=False)
        findings = [_finding(path, _where(data, error["loc"]), error["msg"]) for error in errors]
        raise _refused(path, findings) from None
    later = [_finding(path, where, f"`{field}` is {NOT_YET}") for where, field in _later(found)]
    if later:
        raise _refused(path, later)
    if found.id != path.stem:
        says = f"the pack's id is `{found.id}`, wanted the file's name, `{path.stem}`"
        raise _refused(path, [_finding(path, "id", says)])
    if found.names is None:
        return found
    source = path.parent / found.names.file
    try:
        grapes = Grapes.read(source, found.names.spellings, found.names.apart)
    except (OSError, NotAListError) as problem:
        raise _refused(path, [_finding(source, "", str(problem))]) from None
    return found.model_copy(update={"grapes": grapes})


def _later(found: Pack) -> Iterator[tuple[str, str]]:
    yield from (("", field) for field in found.unevaluated())
    for rule in found.rule:
        yield from ((rule.id, field) for field in rule.unevaluated())


def _where(data: dict[str, Any], loc: tuple[int | str, ...]) -> str:
    """Where an error stands, a rule by its id where it has one."""
    parts = [str(part) for part in loc]
    if len(loc) > 1 and loc[0] == "rule" and isinstance(loc[1], int):
        rule = data["rule"][loc[1]]
        named = rule.get("id") if isinstance(rule, dict) else None
        parts[:2] = [str(named or f"rule {loc[1] + 1}")]
    return ".".join(parts)


def _finding(path: Path, where: str, says: str) -> Finding:
    place = f"{path.name}: {where}" if where else path.name
    return Finding("rule pack", place, says, "mend the rule pack")


def _refused(path: Path, findings: list[Finding]) -> Refused:
    return Refused(f"the rule pack `{path.name}` cannot be used", findings)
