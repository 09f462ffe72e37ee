"""How a wine stands before a rule with a threshold: the share, the verdict, the sentence.

Where a rule is about the grapes used, the wine is measured by volume and, where the weights behind
every part of it are recorded, by the weight of the grapes too: where the two fall apart, nothing is
decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import floor

from msgspec import Struct
from msgspec.structs import replace

from ampelog.appellations import listing
from ampelog.composition import sign
from ampelog.conditions import All, ByGrapes, Condition, Either, Line, by_grapes, total
from ampelog.quantities import percent
from ampelog.requirements import Question, Way, checks, ways
from ampelog.shares import (
    DECIMALS,
    REFUSED,
    SUPPORTED,
    UNDETERMINED,
    Body,
    Fill,
    Judgement,
    worst,
)
from ampelog.statements import doubts, plain, unknown_part

_GRID = 10**DECIMALS


class Reach(Struct, frozen=True):
    """A share against a threshold.

    ``bound`` is the threshold; ``actual`` the share that certainly matches, rounded down to 30
    decimals; ``unknown`` the share of which nobody knows, rounded up. ``proof`` are the events of
    the sources that match, ``says`` the sentences, ``stake`` the condition that the verdict is
    about.
    """

    bound: Fraction
    actual: Fraction
    unknown: Fraction
    verdict: Judgement
    says: tuple[str, ...] = ()
    proof: tuple[str, ...] = ()
    stake: Condition | None = None

    @property
    def margin(self) -> Fraction:
        """What is over the threshold, below zero where it is missed."""
        return self.actual - self.bound


def reached(asked: Question, fill: Fill, *, proof: bool = False) -> Reach:
    """How a wine stands before a rule with a threshold."""
    rule = asked.rule
    assert rule.min_total is not None, "a rule that is measured has a threshold"
    found_ways = list(ways(asked))
    line = Line(fill)
    way = next(each for each in found_ways if each.guard is None or line.holds(each.guard, 0))
    asked_for = checks(asked, way)
    main, rest = asked_for[0].condition, asked_for[1:]
    found = _measured(fill.composition, way, rule.min_total)
    judged = _judged(line, main)
    says = [_sentence(asked, way, found, fill.composition, judged)]
    if way.fails:
        judged, says = REFUSED, [*says, way.fails]
    if judged == REFUSED and rule.residue_tol and not way.fails:
        nearly = total(way.match, way.counts, rule.min_total - rule.residue_tol)
        if line.holds(nearly, 0, possibly=True):
            judged = UNDETERMINED
            says.append(
                f"Up to {plain(rule.residue_tol * 100)} % less may stand where it is what another "
                "wine left in the line; whether it is, the records do not say."
            )
    for one in rest:
        this = _judged(line, one.condition)
        if this == SUPPORTED:
            continue
        if one.match and one.least and worst((judged, this)) != judged:  # its share decides
            found = _measured(fill.composition, replace(way, match=one.match), one.least)
        judged = worst((judged, this))
        says.append(one.words + ("" if this == REFUSED else " What is unknown leaves that open."))
    if rule.basis == "grapes":
        if fill.composition.grapes is not None:
            judged, more = _both(judged, _judged(line, _by_grapes(asked, way)))
            says += more
        elif judged == SUPPORTED:
            says.append(
                "Judged by the volume of the wine: the weight of the grapes behind all of it is "
                "not recorded."
            )
    if judged != SUPPORTED:
        says += doubts(rule, asked.subject, asked.setting, fill.composition)
    events = fill.composition.events(_yes(fill.composition, way)) if proof else ()
    stake = _stake(asked, found_ways)
    return Reach(found.bound, found.actual, found.unknown, judged, tuple(says), events, stake)


def _judged(line: Line, condition: Condition) -> Judgement:
    if line.holds(condition, 0):
        return SUPPORTED
    return UNDETERMINED if line.holds(condition, 0, possibly=True) else REFUSED


def _stake(asked: Question, over: Sequence[Way]) -> Condition:
    """All that the verdict rests on, whichever way is the one to count."""
    found = []
    for way in over:
        parts = [way.guard] if way.guard else []
        parts += [each.condition for each in checks(asked, way)]
        if asked.rule.basis == "grapes":
            parts.append(ByGrapes(_by_grapes(asked, way)))
        if not way.fails:
            found.append(All(tuple(parts)))
    return found[0] if len(found) == 1 else Either(tuple(found))


# --- on the weight of the grapes ---


def _by_grapes(asked: Question, way: Way) -> Condition:
    return All(tuple(by_grapes(each.condition) for each in checks(asked, way)))


def _both(judged: Judgement, by_weight: Judgement) -> tuple[Judgement, list[str]]:
    """The verdict where the wine and the grapes behind it are both measured."""
    if by_weight == judged:
        return judged, []
    words = {SUPPORTED: "it is met", REFUSED: "it is missed", UNDETERMINED: "it is left open"}
    return UNDETERMINED, [
        f"By the weight of the grapes used {words[by_weight]}, by the volume of the wine "
        f"{words[judged]}; the rule is about the grapes, and the two fall apart."
    ]


# --- figures and sentences ---


def _yes(body: Body, way: Way) -> list[bool]:
    return [way.match(leaf) is True and way.counts(leaf) is not False for leaf in body.leaves]


def _measured(body: Body, way: Way, bound: Fraction) -> Reach:
    counts = [way.counts(leaf) for leaf in body.leaves]
    matches = [way.match(leaf) for leaf in body.leaves]
    whole = [int(each is not False) for each in counts]
    pairs = list(zip(counts, matches, strict=True))
    sure = [int(count is True and match is True) for count, match in pairs]
    known = [int(count is True and match is not None) for count, match in pairs]
    actual = share_floor(body, sure, whole)
    unknown = Fraction(0)
    if known != whole:
        unknown = 1 - share_floor(body, known, whole)
    return Reach(bound, actual, unknown, SUPPORTED)


def share_floor(body: Body, part: Sequence[int], whole: Sequence[int]) -> Fraction:
    """What share of a whole a part is, rounded down to 30 decimals, exactly. Of nothing it is
    all."""
    if list(part) == list(whole):
        return Fraction(1)
    if not any(part):
        return Fraction(0)
    least, most = body.enclose(part)
    under, over = body.enclose(whole)
    low, high = least / over, most / under
    # A share that is a short decimal may lie a hair above ``low``: ask, rather than print 0.7999.
    decimal = Fraction(floor(high * _GRID), _GRID)
    if low < decimal:
        beyond = [one - decimal * all_ for one, all_ in zip(part, whole, strict=True)]
        if sign([(body, beyond)], body.seed) >= 0:
            return decimal
    return Fraction(floor(low * _GRID), _GRID)


def _sentence(asked: Question, way: Way, found: Reach, body: Body, judged: Judgement) -> str:
    """What is there and what is needed."""
    unknown = unknown_part(found.unknown)
    beyond = ", which even that could not reach" if unknown and judged == REFUSED else ""
    return (
        f"{percent(found.actual)} % of the {_of_what(asked, way, body)} "
        f"{asked.subject.phrase(asked.rule)}{unknown}; "
        f"{plain(found.bound * 100)} % is needed{beyond}."
    )


def _of_what(asked: Question, way: Way, body: Body) -> str:
    rule = asked.rule
    if rule.valid_by == "harvest" and rule.valid_from:
        return f"wine of fruit harvested from {rule.valid_from} on"
    there = [role for role in way.left if any(leaf.role == role for leaf in body.leaves)]
    return f"wine without {listing(there, 'or')}" if there else "wine"
