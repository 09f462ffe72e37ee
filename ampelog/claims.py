"""May these statements be printed? A label's statements before rule packs, on exact shares.

A statement must hold in every fill of the wine, and before every pack. What nobody knows counts
against it: enough that is known supports it, too little even with all that is unknown refuses it,
and in between it is undetermined. Equality meets "not less than"; printed figures are rounded
toward refusal. What no rule judges is said, never dropped.

Nothing here belongs to a country: packs say what is asked (``rules``), ``shares`` measures it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any, Protocol

from ampelog.grapes import ADMINISTRATIVE, EXPIRED, TYPE_DESIGNATION, fold
from ampelog.quantities import ceiling_text, floor_text
from ampelog.rules import STATEMENT, Dimension, Pack, Rule
from ampelog.shares import (
    DECIMALS,
    REFUSED,
    SEVERITY,
    SUPPORTED,
    UNDETERMINED,
    Composition,
    Fill,
    Judgement,
    Printed,
    Reach,
    reach,
    within,
    worst,
)
from ampelog.subjects import (
    Area,
    Subject,
    doubts,
    listing,
    matching,
    measured,
    names_of,
    plain,
    statement_text,
    unknown_part,
    unregistered,
)

NOTICE = "Decision support, not legal advice. Check current law; the authority decides."
"""Stands on every page and under every table that states a verdict."""

KEYS = (
    *("claim", "statement", "rule", "citation", "required"),
    *("actual", "margin", "verdict", "fill", "why"),
)
"""The keys of a row in JSON, in order."""


class Places(Protocol):
    """The places in force on the day of the claim."""

    def type_of(self, name: str, /) -> str | None:
        """The type of a place; None where it is not registered."""
        ...


@dataclass(frozen=True)
class Verdict:
    """One row: what is claimed, what is asked, what is there, and why.

    ``claim`` is the key of the label's statements that the row judges. ``required``, ``actual``
    and ``margin`` are shares as decimal strings, ``margin`` below zero where the statement fails;
    None where no share is asked. ``rule`` and ``citation`` are None where no rule judges. ``fill``
    is the event of the fill, None for a bulk lot and where the fill makes no difference. ``proof``
    are the events of the sources that carry the statement, ``confidence`` how sure the reading of
    the rule is: H, M or L.
    """

    claim: str
    statement: str
    verdict: Judgement
    why: str
    rule: str | None = None
    citation: str | None = None
    required: str | None = None
    actual: str | None = None
    margin: str | None = None
    fill: str | None = None
    proof: tuple[str, ...] = ()
    confidence: str | None = None

    def as_json(self) -> dict[str, str | None]:
        """The row under the keys of the command line."""
        return {key: getattr(self, key) for key in KEYS}


def verdict(rows: Iterable[Verdict]) -> Judgement:
    """The worst row. A label that states nothing is undetermined: nothing was judged."""
    judgements = [row.verdict for row in rows]
    return worst(judgements) if judgements else UNDETERMINED


def judge(
    statements: Mapping[str, Any],
    fills: Sequence[Fill],
    packs: Sequence[Pack],
    places: Places,
    on: date,
    *,
    missing: Sequence[str] = (),
) -> list[Verdict]:
    """Judge a label's statements (EVENTS.md, ``label``) in every fill, before every pack.

    ``on`` is the day of the claim: of bottling, or the one asked about. ``missing`` are markets
    of the label that have no pack (``rules.markets``). A statement that is false, null or empty is
    not on the label. There is at least one fill.
    """
    assert fills, "a wine has at least one fill"
    stated = {key: value for key, value in statements.items() if value not in (None, False)}
    stated = {key: value for key, value in stated.items() if value not in ([], {}, ())}
    cases = [_Case(pack, stated, fills, places, on) for pack in packs]
    rows = [row for case in cases for row in case.rows()]
    judged = {row.claim for row in rows}
    for key, value in stated.items():
        if key == "shares" and isinstance(value, Mapping):
            printed = {name for case in cases for name in case.disclosed()}
            rest = {name: share for name, share in value.items() if name not in printed}
            rows += [_no_rule(key, statement_text(key, {name: rest[name]})) for name in rest]
        elif key not in judged:
            rows.append(_no_rule(key, statement_text(key, value)))
    for market in missing:
        why = f"This version has no rule pack for the market `{market}`."
        rows.append(Verdict("market", market, UNDETERMINED, why))
    return rows


def _no_rule(claim: str, statement: str) -> Verdict:
    why = f"No rule of this version judges `{claim}` here."
    return Verdict(claim, statement, UNDETERMINED, why)


@dataclass
class _Case:
    """One label before one pack."""

    pack: Pack
    stated: Mapping[str, Any]
    fills: Sequence[Fill]
    places: Places
    on: date
    rules: list[Rule] = field(init=False)
    areas: list[Area] = field(init=False)

    def __post_init__(self) -> None:
        self.rules = [rule for rule in self.pack.rule if rule.in_force(self.on)]
        self.areas = list(self._areas())

    def rows(self) -> list[Verdict]:
        """Every row of this pack, each once."""
        rows: list[Verdict] = []
        for subject in self._subjects():
            for rule in self.rules:
                if rule.permits or not self._fits(rule, subject):
                    continue
                if self._counts(rule, subject):
                    rows += (_qualified(rule, row) for row in self._condition(rule, subject))
            rows += self._permissions(subject)
        return list(dict.fromkeys(rows))

    def disclosed(self) -> set[str]:
        """The names in the label's ``shares`` that a rule of this pack looks at."""
        found = set()
        for subject in self._subjects():
            if any(rule.disclose and self._fits(rule, subject) for rule in self.rules):
                found |= {key for name in subject.names if (key := self._share_key(name))}
        return found

    def _areas(self) -> Iterator[Area]:
        names = names_of(self.stated, "appellation")
        types = {name: self.places.type_of(name) for name in names}
        for name, type_ in types.items():
            alike = tuple(each for each, other in types.items() if other == type_)
            if type_ is None or len(alike) == 1:
                yield Area((name,), type_)
            elif name == alike[0]:
                together = {rule.together for rule in self.rules if type_ in rule.area_types}
                yield Area(alike, type_, "overlap" in together)

    def _subjects(self) -> Iterator[Subject]:
        dimensions = {rule.dimension for rule in self.pack.rule}
        areas: list[Area | None] = list(self.areas) or [None]
        by_area: tuple[Dimension, ...] = ("variety", "vintage")
        for dimension in by_area:
            names = names_of(self.stated, STATEMENT[dimension])
            if names and dimension in dimensions:
                yield from (Subject(dimension, names, area) for area in areas)
        if "origin" in dimensions:
            yield from (Subject("origin", area.names, area) for area in self.areas)

    def _fits(self, rule: Rule, subject: Subject) -> bool:
        """Whether a rule is about this subject; how many it allows is asked after (``_counts``)."""
        type_ = subject.area.type if subject.area else None
        together = max((len(area.names) for area in self.areas if not area.overlap), default=0)
        most = rule.when.origin_count_max
        return (
            rule.dimension == subject.dimension
            and rule.claim in (None, "multi" if len(subject.names) > 1 else "single")
            and (not rule.area_types or type_ in rule.area_types)
            and (not rule.when.origin_types or type_ in rule.when.origin_types)
            and (not rule.joint or subject.area is not None)
            and rule.when.origin_count_min <= together
            and (most is None or together <= most)
        )

    def _counts(self, rule: Rule, subject: Subject) -> bool:
        return rule.count_min <= len(subject.names) <= (rule.count_max or len(subject.names))

    def _missing(self, rule: Rule) -> list[str]:
        return [key for key in rule.requires if key not in self.stated]

    # --- conditions: every one that fits must hold ---

    def _condition(self, rule: Rule, subject: Subject) -> Iterator[Verdict]:
        if rule.requires:
            missing = self._missing(rule)
            says = _lacks(missing) if missing else f"The label states its {listing(rule.requires)}."
            yield _row(rule, subject, REFUSED if missing else SUPPORTED, says)
        if rule.listed:
            for name in subject.names:
                one = Subject(subject.dimension, (name,), None)
                yield _row(rule, one, *self._on_list(name))
        if rule.disclose:
            for name in subject.names:
                yield from self._printed(rule, subject, name)
        if rule.unjudged and not (rule.requires or rule.listed or rule.disclose):
            yield _row(rule, subject, SUPPORTED, "")

    def _on_list(self, name: str) -> tuple[Judgement, str]:
        found = self.pack.grapes.listed(name)
        if found is None:
            near = self.pack.grapes.nearest(name)
            hint = f" Is `{near}` meant?" if near else ""
            return UNDETERMINED, f"`{name}` is not on the list of grape names.{hint}"
        if found.status == TYPE_DESIGNATION:
            says = "is no variety of the list but a designation with a rule of its own"
            return UNDETERMINED, f"`{name}` {says} ({found.source}), not judged by this version."
        if found.status == EXPIRED and found.bottled_before:
            ended = self.on >= found.bottled_before
            says = f"`{name}` may stand only on wine bottled before {found.bottled_before}"
            return REFUSED if ended else SUPPORTED, f"{says} ({found.source})."
        if found.status == ADMINISTRATIVE:
            return SUPPORTED, f"`{name}` is approved administratively ({found.source})."
        return SUPPORTED, f"`{name}` is on the list of grape names ({found.source})."

    def _share_key(self, name: str) -> str | None:
        """The key of the label's ``shares`` that names this grape or place."""
        keys = (key for key in self.stated.get("shares", {}) if fold(key) == fold(name))
        return next(keys, None)

    def _printed(self, rule: Rule, subject: Subject, name: str) -> Iterator[Verdict]:
        key = self._share_key(name)
        area = Area((name,), subject.area.type) if subject.area else None
        one = Subject(subject.dimension, (name,), area)
        if key is None:
            says = f"`{name}` is named, and its percentage is not printed."
            yield _row(rule, one, REFUSED, says)
            return
        percents = str(self.stated["shares"][key])
        match = matching(rule, one, self.pack.grapes)
        for fill in self.fills:
            share = Fraction(percents) / 100
            found = within(fill.composition, match, share, rule.disclose_tol)
            text = ceiling_text if found.upper else floor_text
            says = (
                f"{text(found.actual * 100, 1)} % of the wine {one.phrase(rule)}"
                f"{unknown_part(found.unknown)}; {percents} % is printed, and "
                f"{plain(rule.disclose_tol * 100)} points either way are allowed."
            )
            row = _row(rule, one, found.verdict, says)
            row = replace(row, claim="shares", statement=f"{key} {percents} %")
            yield _figures(row, found, fill)

    # --- permissions: one that fits must hold ---

    def _permissions(self, subject: Subject) -> Iterator[Verdict]:
        fitting = [rule for rule in self.rules if rule.permits and self._fits(rule, subject)]
        forbidding = [rule for rule in fitting if rule.forbid]
        count = len(subject.names)
        counted = [rule for rule in fitting if self._counts(rule, subject)]
        if not fitting:
            yield from self._none_fits(subject)
        elif forbidding:
            for rule in forbidding:
                yield _qualified(rule, _row(rule, subject, REFUSED, rule.forbid or ""))
        elif not counted:
            rule = fitting[0]
            most = f"at most {rule.count_max}" if rule.count_max else f"at least {rule.count_min}"
            says = f"The label names {count} together; {most} may be."
            yield _qualified(rule, _row(rule, subject, REFUSED, says))
        else:
            for fill in self.fills:
                rows = [self._permission(rule, subject, fill) for rule in counted]
                yield min(rows, key=lambda row: SEVERITY[row.verdict])

    def _none_fits(self, subject: Subject) -> Iterator[Verdict]:
        """No permission is about this: undetermined, unless a condition has already refused it."""
        area = subject.area
        if area is None:
            conditions = (rule for rule in self.rules if self._fits(rule, subject))
            if any(self._missing(rule) for rule in conditions):
                return
            says = f"No rule of the pack `{self.pack.id}` judges this without an appellation."
        elif area.type is None:
            says = unregistered(area)
        else:
            kind = "several places" if len(area.names) > 1 else "a place"
            says = (
                f"No rule of the pack `{self.pack.id}` in force on {self.on} judges this with "
                f"{kind} of the type `{area.type}` as appellation."
            )
        yield Verdict(subject.claim, subject.statement(), UNDETERMINED, says)

    def _permission(self, rule: Rule, subject: Subject, fill: Fill) -> Verdict:
        assert rule.min_total is not None, "a permission that does not forbid has a threshold"
        missing = self._missing(rule)
        if missing:
            return _qualified(rule, _row(rule, subject, REFUSED, _lacks(missing)))
        match = matching(rule, subject, self.pack.grapes)
        found = reach(fill.composition, match, rule.min_total)
        says = [measured(found, subject.phrase(rule))]
        judged = found.verdict
        if judged == REFUSED and self._elsewhere(rule, subject, fill.composition):
            judged = UNDETERMINED
            says.append(rule.elsewhere.why if rule.elsewhere else "")
        if judged != SUPPORTED:
            says += doubts(rule, subject, self.pack.grapes, fill.composition)
        row = _row(rule, subject, judged, " ".join(says))
        return _qualified(rule, _figures(row, found, fill))

    def _elsewhere(self, rule: Rule, subject: Subject, composition: Composition) -> bool:
        """Whether a paragraph that is not judged could still allow what this rule refuses."""
        other = rule.elsewhere
        if other is None:
            return False
        same = self.pack.grapes.same
        if not all(any(same(name, each) for each in other.names) for name in subject.names):
            return False
        match = matching(rule, subject, self.pack.grapes)
        return reach(composition, match, other.min_total).verdict != REFUSED


def _lacks(missing: Sequence[str]) -> str:
    return f"The label states no {listing(missing, 'and no')}, which this needs."


def _row(rule: Rule, subject: Subject, judged: Judgement, why: str) -> Verdict:
    return Verdict(
        subject.claim,
        subject.statement(rule),
        judged,
        why,
        rule=rule.id,
        citation=rule.cite,
        confidence=rule.confidence,
    )


def _figures(row: Verdict, found: Reach | Printed, fill: Fill) -> Verdict:
    """The row with the figures of one fill; shares come rounded toward refusal."""
    return replace(
        row,
        required=plain(found.bound),
        actual=floor_text(found.actual, DECIMALS),
        margin=floor_text(found.margin, DECIMALS),
        fill=fill.event,
        proof=found.proof,
    )


def _qualified(rule: Rule, row: Verdict) -> Verdict:
    """The row with what the rule itself leaves open."""
    judged, says = row.verdict, [row.why]
    if rule.unjudged and judged == SUPPORTED:
        judged = UNDETERMINED
        says.append(rule.unjudged)
    weak = "How this rule is read is uncertain." if rule.confidence == "L" else None
    doubt = rule.review or weak
    if doubt:
        judged = UNDETERMINED
        says.append(doubt)
    if rule.says:
        says.append(rule.says)
    return replace(row, verdict=judged, why=" ".join(filter(None, says)))
