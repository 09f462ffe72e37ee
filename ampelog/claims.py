"""May these statements be printed? A label's statements before rule packs, on exact shares.

A statement must hold in every fill of the wine, and before every pack. What nobody knows counts
against it: enough that is known supports it, too little even with all that is unknown refuses it,
and in between it is undetermined. Equality meets "not less than"; printed figures are rounded
toward refusal. What no rule judges is said, never dropped.

Nothing here belongs to a country: packs say what is asked (``rules``), ``thresholds`` measures it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from functools import cached_property, partial
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import particulars
from ampelog.appellations import Area, Places, areas, unnested, unregistered
from ampelog.conditions import NEVER, Either, Holds
from ampelog.estate import done, housed, stayed
from ampelog.formalities import (
    Answer,
    beside,
    lacks,
    lie,
    missing,
    on_list,
    required,
    stands_beside,
    word,
)
from ampelog.law import Pack, Rule
from ampelog.percentages import Shares
from ampelog.quantities import floor_text, share
from ampelog.requirements import Question
from ampelog.scope import Label, fits, fitting_count
from ampelog.shares import (
    DECIMALS,
    JUDGED,
    REFUSED,
    SEVERITY,
    SUPPORTED,
    UNDETERMINED,
    Fill,
    worst,
)
from ampelog.statements import BY_AREA, Setting, Subject, plain, statement_text, subjects
from ampelog.thresholds import Reach, reached
from ampelog.verdicts import KEYS, NOTICE, Verdict, qualified, verdict

__all__ = ["KEYS", "NOTICE", "Verdict", "judge", "verdict"]


def judge(
    statements: Mapping[str, Any],
    fills: Sequence[Fill],
    packs: Sequence[Pack],
    places: Places,
    on: date,
    label: Label | None = None,
) -> list[Verdict]:
    """Judge a label's statements (EVENTS.md, ``label``) in every fill, before every pack.

    ``on`` is the day of the claim: of bottling, or the one asked about. A statement that is false,
    null or empty is not on the label. There is at least one fill. ``label`` says what else is
    known of the label.
    """
    assert fills, "a wine has at least one fill"
    stated = {key: value for key, value in statements.items() if value not in (None, False)}
    stated = {key: value for key, value in stated.items() if value not in ([], {}, ())}
    about = label or Label()
    if not about.markets:
        about = replace(about, markets=tuple(pack.id for pack in packs))
    cases = [_Case(pack, stated, fills, places, on, about) for pack in packs]
    rows = [row for case in cases for row in case.rows()]
    judged = {(row.claim, row.statement if row.claim == "text" else "") for row in rows}
    for key, value in stated.items():
        if not about.asks(key):
            continue
        if key == "shares" and isinstance(value, Mapping):
            printed = {name for case in cases for name in case.disclosed()}
            rest = {name: share for name, share in value.items() if name not in printed}
            rows += [_no_rule(key, statement_text(key, {name: rest[name]})) for name in rest]
        elif key == "text":
            texts = [statement_text(key, each) for each in value]
            rows += [_no_rule(key, text) for text in texts if (key, text) not in judged]
        elif (key, "") not in judged:
            rows.append(_no_rule(key, statement_text(key, value)))
    for market in about.missing:
        why = f"This version has no rule pack for the market `{market}`."
        rows.append(Verdict("market", market, UNDETERMINED, why))
    return rows


def _no_rule(claim: str, statement: str) -> Verdict:
    why = f"No rule of this version judges `{claim}` here."
    return Verdict(claim, statement, UNDETERMINED, why)


class _Case(Struct, dict=True):
    """One label before one pack."""

    pack: Pack
    stated: Mapping[str, Any]
    fills: Sequence[Fill]
    places: Places
    on: date
    label: Label

    @cached_property
    def rules(self) -> list[Rule]:
        """The pack's rules that are in force."""
        return [rule for rule in self.pack.rule if rule.in_force(self.on)]

    @cached_property
    def areas(self) -> list[Area]:
        """The appellations of the label."""
        overlapping = {
            type_ for rule in self.rules if rule.together == "overlap" for type_ in rule.area_types
        }
        return areas(self.stated, self.places, frozenset(overlapping))

    @cached_property
    def setting(self) -> Setting:
        """What a rule needs to know beside the statement."""
        return Setting(self.pack, self.places, tuple(self.areas), self.label.product)

    def rows(self) -> list[Verdict]:
        """Every row of this pack, each once."""
        rows: list[Verdict] = []
        for subject in filter(lambda each: self.label.asks(each.claim), self._subjects()):
            open_ = [rule for rule in self.rules if self._fits(rule, subject) is None]
            if open_:
                name = subject.area.names[0] if subject.area else subject.names[0]
                rows.append(self._row(open_[0], subject, (UNDETERMINED, unnested(name))))
            for rule in self.rules:
                if rule.permits or not self._fits(rule, subject):
                    continue
                if fitting_count(rule, subject):
                    rows += (qualified(rule, row) for row in self._condition(rule, subject))
            rows += self._permissions(subject, bool(open_))
        rows = [replace(row, pack=self.pack.id) for row in rows]
        return list(dict.fromkeys(rows))

    def _fits(self, rule: Rule, subject: Subject) -> bool | None:
        return fits(rule, subject, self.setting, self.label)

    def disclosed(self) -> set[str]:
        """The names in the label's ``shares`` that a rule of this pack looks at."""
        found: set[str] = set()
        for subject in self._subjects():
            for rule in self.rules:
                if rule.disclose and self._fits(rule, subject):
                    found |= Shares(rule, subject, self.setting, self.stated).looked_at()
        return found

    def _subjects(self) -> Iterator[Subject]:
        return subjects(self.stated, self.rules, self.setting, self.fills)

    # --- conditions: every one that fits must hold ---

    def _condition(self, rule: Rule, subject: Subject) -> Iterator[Verdict]:
        yield from (self._row(rule, *answer) for answer in self._formal(rule, subject))
        if rule.disclose:
            yield from self._printed(rule, subject)
        if rule.min_total is not None:
            yield from self._musts(rule, subject)
        if rule.by_fill:
            for fill in self.fills:
                yield self._one(rule, subject, fill)
        if rule.unjudged and not (rule.requires or rule.listed or rule.disclose or rule.min_total):
            yield self._row(rule, subject, (SUPPORTED, ""))

    def _formal(self, rule: Rule, subject: Subject) -> Iterator[tuple[Subject, Answer]]:
        """What a rule asks of the label, whatever is in the wine."""
        if rule.requires:
            yield subject, required(rule, self.stated, self.areas, self.label.approvals)
        if rule.beside and subject.area:
            found = beside(rule, subject.area, self.stated, self.places)
            if found is not None:
                yield subject, found
        if rule.listed:
            for name in subject.names:
                yield (
                    Subject(subject.dimension, (name,), None),
                    on_list(self.pack, name, self.on),
                )
        if rule.text and rule.min_total is None:
            stands = Question(rule, subject, self.setting, self.stated).text_stands()
            yield subject, stands_beside(rule, stands)
        if rule.free:
            yield subject, (SUPPORTED, "This may stand.")

    def _musts(self, rule: Rule, subject: Subject) -> Iterator[Verdict]:
        for fill in self.fills:
            if not rule.made_in or fill.placed:
                yield self._measured(rule, subject, fill)

    def _one(self, rule: Rule, subject: Subject, fill: Fill) -> Verdict:
        """A row on what is measured, stated or known of one fill."""
        said = subject.names[0]
        if rule.where:
            return self._where(rule, subject, fill)
        if rule.known:
            test = self._test(rule, subject)
            answer = test(fill)
            row = self._row(rule, subject, (JUDGED[answer[0]], answer[1]))
            proof = fill.stay.events if rule.stayed and fill.stay is not None else ()
            row = replace(row, proof=proof)
            return replace(row, fill=fill.event, stake=Holds(lambda each: test(each)[0]))
        if rule.strength:
            found = particulars.alcohol(rule, said, fill, self.label.product)
        elif rule.limit:
            found = particulars.limit(rule, fill)
        elif rule.allergens or rule.unadded:
            found = particulars.went_in(rule, said, fill)
        else:
            found = particulars.size(rule, fill.format or subject.value)
        row = self._row(rule, subject, (found.verdict, found.says))
        row = replace(row, fill=fill.event, proof=found.proof)
        if rule.allergens or rule.unadded:
            return replace(
                row, stake=Holds(lambda each: particulars.nothing_else(rule, said, each))
            )
        if found.rests_on is None:
            return row
        proof = tuple(fill.analyses.get(found.rests_on, "").split())
        return replace(row, stake=Holds(lambda _: True, alone=True), proof=proof)

    def _test(self, rule: Rule, subject: Subject) -> Callable[[Fill], tuple[bool | None, str]]:
        """What is known of a wine beside its sources: where it has been, what was done to it."""
        if rule.done:
            return partial(done, what=rule.done)
        return stayed if rule.stayed else partial(housed, subject=subject, places=self.places)

    def _where(self, rule: Rule, subject: Subject, fill: Fill) -> Verdict:
        """A text statement about a part of the wine."""
        said = subject.value
        if not said.get("where"):
            says = "What part of the wine it is about is not said (`where`), so nothing was judged."
            return self._row(rule, subject, (UNDETERMINED, says))
        asked = rule.but(min_total=_at_least(said), where=False)
        return replace(self._measured(asked, subject, fill), claim="text")

    def _printed(self, rule: Rule, subject: Subject) -> Iterator[Verdict]:
        shares = Shares(rule, subject, self.setting, self.stated)
        for cell in shares.cells():
            if cell.key is None:
                says = f"`{cell.name}` is named, and its percentage is not printed."
                yield self._row(rule, cell.subject, (REFUSED, says))
                continue
            for fill in self.fills:
                found, says = shares.within(cell, fill)
                row = self._row(rule, cell.subject, (found.verdict, says))
                row = replace(row, claim="shares", statement=f"{cell.key} {cell.percents} %")
                yield self._figures(row, found, fill)

    # --- permissions: one that fits must hold ---

    def _permissions(self, subject: Subject, open_: bool) -> Iterator[Verdict]:
        fitting = [rule for rule in self.rules if rule.permits and self._fits(rule, subject)]
        forbidding = [rule for rule in fitting if rule.forbid]
        count = len(subject.names)
        counted = [rule for rule in fitting if fitting_count(rule, subject)]
        if not fitting:
            if not open_ and subject.dimension in (*BY_AREA, "origin"):
                yield from self._none_fits(subject)
        elif forbidding:
            for rule in forbidding:
                says = str(rule.forbid)
                if subject.dimension == "text":
                    says = particulars.forbidden(rule, subject.names[0])
                yield qualified(rule, self._row(rule, subject, (REFUSED, says)))
        elif not counted:
            rule = fitting[0]
            most = f"at most {rule.count_max}" if rule.count_max else f"at least {rule.count_min}"
            says = f"The label names {count} together; {most} may be."
            yield qualified(rule, self._row(rule, subject, (REFUSED, says)))
        else:
            for fill in self.fills:
                yield self._best([self._permission(rule, subject, fill) for rule in counted])

    def _best(self, rows: list[Verdict]) -> Verdict:
        """The permission that carries the statement best; all that could are at stake."""
        best = min(rows, key=_standing)
        stakes = tuple(row.stake for row in rows if row.stake is not None)
        return replace(best, stake=Either(stakes)) if len(rows) > 1 else best

    def _none_fits(self, subject: Subject) -> Iterator[Verdict]:
        """No permission is about this: undetermined, unless a condition has already refused it. A
        State's law may simply be silent."""
        area = subject.area
        by_deed = any(rule.done and self._fits(rule, subject) for rule in self.rules)
        if self.pack.layer == "state" or by_deed:
            return
        if area is None:
            if any(self._lacking(rule) for rule in self.rules if self._fits(rule, subject)):
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
        wanted = self._lacking(rule)
        if wanted:
            return qualified(rule, self._row(rule, subject, lacks(wanted)))
        return qualified(rule, self._measured(rule, subject, fill))

    def _lacking(self, rule: Rule) -> list[str]:
        return missing(rule, self.stated, self.areas, self.label.approvals)

    def _measured(self, rule: Rule, subject: Subject, fill: Fill) -> Verdict:
        asked = Question(rule, subject, self.setting, self.stated, self.label.grapes(fill))
        found = self._reached(asked, fill)
        judged, says, stake = found.verdict, list(found.says), found.stake
        if subject.area:
            for answer, words in lie(rule, subject.area, self.pack, self.places):
                judged = worst((judged, answer))
                says.append(words)
                stake = NEVER  # whatever is added, the places lie as they do
            if rule.word and (missing_word := word(rule, subject.area)):
                says.append(missing_word)
        if rule.unplaced and not fill.placed:
            says.append(rule.unplaced)
        row = self._row(rule, subject, (judged, " ".join(filter(None, says))))
        return replace(self._figures(row, found, fill), stake=stake, question=asked)

    def _reached(self, asked: Question, fill: Fill) -> Reach:
        """What is measured, once for all labels that ask the same of the wine."""
        known, subject = self.label.known, asked.subject
        if known is None:
            return reached(asked, fill, proof=self.label.proof)
        here = subject.area if asked.rule.by_area or subject.dimension == "origin" else None
        around = tuple(self.areas) if asked.rule.remainder_in or asked.rule.also else ()
        shares = tuple(self.stated.get("shares", {}).items())
        key = (asked.rule.id, subject.names, here, around, shares, fill.event)
        if key not in known:
            known[key] = reached(asked, fill, proof=self.label.proof)
        found: Reach = known[key]
        return found

    def _row(self, rule: Rule, subject: Subject, answer: Answer) -> Verdict:
        judged, why = answer
        return Verdict(
            subject.claim,
            subject.statement(rule),
            judged,
            why,
            rule=rule.id,
            citation=rule.cite,
            confidence=rule.confidence,
            reckoned=judged,
        )

    def _figures(self, row: Verdict, found: Reach, fill: Fill) -> Verdict:
        """The row with the figures of one fill; shares come rounded toward refusal."""
        return replace(
            row,
            required=plain(found.bound),
            actual=floor_text(found.actual, DECIMALS),
            margin=floor_text(found.margin, DECIMALS),
            fill=fill.event,
            proof=found.proof,
            stake=found.stake,
            figures=found.stake,
        )


def _standing(row: Verdict) -> tuple[int, int, Fraction]:
    """Sorts permissions by how well they carry a statement, then by what is missing."""
    severity = SEVERITY[row.verdict]
    missed = -Fraction(row.margin) if severity and row.margin else Fraction(0)
    return severity, SEVERITY[row.reckoned or REFUSED], missed


def _at_least(said: Mapping[str, Any]) -> Fraction:
    """The share that a text statement is about; all of the wine where it does not say."""
    return share(str(said.get("at_least") or "1"))
