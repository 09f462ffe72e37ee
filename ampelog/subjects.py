"""What a statement is about, and how it is said: the grapes, the year, the places of a label.

A subject says which sources of a wine count for a rule (``matching``), and puts a measured share
into a sentence.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ampelog.grapes import Grapes
from ampelog.quantities import ceiling_text, percent
from ampelog.rules import STATEMENT, Dimension, Rule
from ampelog.shares import DECIMALS, REFUSED, Composition, Leaf, Match, Reach, every, some


@dataclass(frozen=True)
class Area:
    """An appellation of the label: one place, or places of one type that are named together."""

    names: tuple[str, ...]
    type: str | None
    overlap: bool = False

    def grown(self, leaf: Leaf) -> bool | None:
        """Whether a source grew there: in any of the places, or in all where they overlap."""
        if self.type is None:
            return None
        answers = (leaf.grown_in(name) for name in self.names)
        return every(answers) if self.overlap else some(answers)

    @property
    def words(self) -> str:
        return listing(self.names, "and" if self.overlap else "or")


@dataclass(frozen=True)
class Subject:
    """What is judged: the names (or the year) that are stated, with the appellation of the label
    where there is one. A label with several appellations is judged once for each."""

    dimension: Dimension
    names: tuple[str, ...]
    area: Area | None = None

    @property
    def claim(self) -> str:
        return STATEMENT[self.dimension]

    def statement(self, rule: Rule | None = None) -> str:
        """As it is printed, with the appellation where the rule depends on it."""
        by_area = self.dimension != "origin" and (rule is None or rule.by_area)
        places = self.area.names if self.area and by_area else ()
        return ", ".join((*self.names, *places))

    def phrase(self, rule: Rule) -> str:
        """What a share of the wine is or was, as it follows "of the wine"."""
        if self.dimension == "vintage":
            return f"was harvested in {self.names[0]}"
        if self.dimension == "origin":
            return f"was grown in {self.area.words if self.area else ''}"
        grown = f" grown in {self.area.words}" if self.area and rule.joint else ""
        return f"is {listing(self.names, 'or')}{grown}"


def matching(rule: Rule, subject: Subject, grapes: Grapes) -> Match:
    """Whether a source counts for the statement. What is no grape never does; where the rule
    leaves it open it is unknown."""
    area, names = subject.area, subject.names

    def own(leaf: Leaf) -> bool | None:
        if subject.dimension == "origin":
            return area.grown(leaf) if area else None
        if subject.dimension == "vintage":
            return None if leaf.vintage is None else str(leaf.vintage) == names[0]
        variety = leaf.variety
        return None if variety is None else some(grapes.same(variety, name) for name in names)

    def match(leaf: Leaf) -> bool | None:
        if leaf.material is not None:
            return None if rule.added == "open" else False
        if rule.joint and area:
            return every((own(leaf), area.grown(leaf)))
        return own(leaf)

    return match


def doubts(rule: Rule, subject: Subject, grapes: Grapes, composition: Composition) -> Iterator[str]:
    """Why parts of the wine are unknown to this rule, other than that nobody recorded them."""
    area = subject.area
    if area and area.type is None and rule.joint:
        yield unregistered(area)
    if rule.added == "open" and any(leaf.material for leaf in composition.leaves):
        yield "How an added material counts the rule does not say."
    if subject.dimension == "variety":
        for recorded in sorted({leaf.variety for leaf in composition.leaves if leaf.variety}):
            for name in subject.names:
                if grapes.same(recorded, name) is None:
                    yield f"Whether `{recorded}` is `{name}` the list of names does not say."


def names_of(stated: Mapping[str, Any], key: str) -> tuple[str, ...]:
    """A statement as names, each once: a text, a year or a list."""
    value = stated.get(key, ())
    several = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(dict.fromkeys(str(each) for each in several))


def statement_text(key: str, value: Any) -> str:
    """A statement in a line, as far as it can be said without its rule."""
    if value is True:
        return key.replace("_", " ")
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {share} %" for name, share in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(
            str(each["says"]) if isinstance(each, Mapping) and "says" in each else str(each)
            for each in value
        )
    return str(value)


def measured(found: Reach, phrase: str) -> str:
    """What is there and what is needed, as a sentence."""
    unknown = unknown_part(found.unknown)
    beyond = ", which even that could not reach" if unknown and found.verdict == REFUSED else ""
    return (
        f"{percent(found.actual)} % of the wine {phrase}{unknown}; "
        f"{plain(found.bound * 100)} % is needed{beyond}."
    )


def unknown_part(share: Fraction) -> str:
    """The unknown share, as a clause; nothing where all is known."""
    return f", and of {ceiling_text(share * 100, 1)} % it is not known" if share else ""


def unregistered(area: Area) -> str:
    return (
        f"`{area.names[0]}` is not registered as a place; register it with its type and with what "
        "it lies within."
    )


def listing(names: Sequence[str], joined: str = "and") -> str:
    """``a, b and c``."""
    return f" {joined} ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def plain(value: Fraction) -> str:
    """A number as the shortest plain decimal, rounded up where it has no end."""
    text = ceiling_text(value, DECIMALS).rstrip("0").rstrip(".")
    return text or "0"
