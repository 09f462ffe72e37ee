"""A verdict on a statement: one row of the answer, and the worst of several."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar

from msgspec.structs import replace

from ampelog.conditions import NEVER, Condition
from ampelog.law import Rule
from ampelog.likeness import Alike
from ampelog.requirements import Question
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Judgement, worst

NOTICE = "Decision support, not legal advice. Check current law; the authority decides."
"""Stands on every page and under every table that states a verdict."""

KEYS = (
    *("claim", "statement", "rule", "citation", "required"),
    *("actual", "margin", "verdict", "fill", "why"),
)
"""The keys of a row in JSON, in order."""


class Verdict(Alike, frozen=True, eq=False):
    """One row: what is claimed, what is asked, what is there, and why.

    ``claim`` is the key of the label's statements that the row judges. ``required``, ``actual``
    and ``margin`` are shares as decimal strings, ``margin`` below zero where the statement fails;
    None where no share is asked. ``rule`` and ``citation`` are None where no rule judges. ``fill``
    is the event of the fill, None for a bulk lot and where the fill makes no difference. ``proof``
    are the events of the sources that carry the statement, ``confidence`` how sure the reading of
    the rule is: H, M or L. ``reckoned`` is the verdict by the figures alone, where the rule itself
    is in doubt. ``stake`` is what the verdict rests on, None where nothing in the wine could change
    it; ``figures`` the same of the figures alone.
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
    reckoned: Judgement | None = None
    pack: str | None = None
    stake: Condition | None = None
    figures: Condition | None = None
    question: Question | None = None

    carried: ClassVar[int] = 3

    def as_json(self) -> dict[str, str | None]:
        """The row under the keys of the command line."""
        return {key: getattr(self, key) for key in KEYS}

    def proved(self) -> dict[str, Any]:
        """The row with ``events``: those of the sources that carry the statement, by their ids."""
        return {**self.as_json(), "events": list(self.proof)}


def verdict(rows: Iterable[Verdict]) -> Judgement:
    """The worst row. A label that states nothing is undetermined: nothing was judged."""
    judgements = [row.verdict for row in rows]
    return worst(judgements) if judgements else UNDETERMINED


def qualified(rule: Rule, row: Verdict) -> Verdict:
    """The row with what the rule itself leaves open."""
    judged, says, stake = row.verdict, [row.why], row.stake
    if rule.unjudged and judged == SUPPORTED:
        judged, stake = UNDETERMINED, NEVER
        says.append(rule.unjudged)
    if rule.doubt and judged == REFUSED:
        judged = UNDETERMINED
        says.append(rule.doubt)
    reckoned = judged
    weak = "How this rule is read is uncertain." if rule.confidence == "L" else None
    doubt = rule.review or weak
    if doubt:
        judged, stake = UNDETERMINED, NEVER
        says.append(doubt)
    if rule.says:
        says.append(rule.says)
    why = " ".join(filter(None, says))
    return replace(row, verdict=judged, why=why, reckoned=reckoned, stake=stake)
