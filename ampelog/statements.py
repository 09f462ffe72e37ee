"""What a label states, one statement after the other, as it is put before the rules.

A subject is the grapes, the year, the places of a statement: it says which sources of a wine count
for a rule (``matching``), and puts a measured share into a sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cached_property
from typing import Any

from msgspec import Struct

from ampelog.appellations import (
    Area,
    Places,
    listing,
    names_of,
    neighbours,
    states,
    unnested,
    unregistered,
)
from ampelog.grapes import fold
from ampelog.law import STATEMENT, Dimension, Pack, Rule
from ampelog.likeness import Alike
from ampelog.quantities import ONE, ceiling_text, text
from ampelog.shares import DECIMALS, Body, Fill, Leaf, every, some

Match = Callable[[Leaf], bool | None]
NONE_IS_NONE = frozenset({"role", "fraction", "tags"})
"""Facts that a wine simply may not have."""


class Subject(Alike, frozen=True, eq=False):
    """What is judged: the names (or the year) that are stated, with the appellation of the label
    where there is one. A label with several appellations is judged once for each. ``value`` is
    the statement as it stands, of what is more than names."""

    dimension: Dimension
    names: tuple[str, ...]
    area: Area | None = None
    value: Any = None

    @property
    def claim(self) -> str:
        """The key of the label's statements."""
        return STATEMENT[self.dimension]

    def statement(self, rule: Rule | None = None) -> str:
        """As it is printed, with the appellation where the rule depends on it."""
        by_area = self.dimension != "origin" and (rule is None or rule.by_area)
        places = self.area.names if self.area and by_area else ()
        return ", ".join((*self.names, *places))

    def phrase(self, rule: Rule) -> str:
        """What a share of the wine is or was, as it follows "of the wine"."""
        area = self.area.words if self.area else ""
        grown = f" grown in {area}" if area and rule.joint else ""
        if rule.without:
            return f"is without additions for {listing(rule.without, 'or')}"
        if rule.of or rule.made_in:
            made = " and fermented where it may be" if rule.made_in else ""
            return f"was grown in {listing(rule.of, 'or') or area}{made}"
        if self.dimension == "text":
            return f"is {where_words(self.value)}"
        own = "is of fruit that the winery grew itself, on land it controls"
        phrases: dict[Dimension, str] = {
            "vintage": f"was harvested in {listing(self.names, 'or')}",
            "origin": f"was grown in {area}",
            "vineyard": f"was grown in {self.names[0]}",
            "estate": f"{own},{grown.replace(' grown', '')}" if grown else own,
            "bottler": "was fermented by the bottler, where it was bottled",
        }
        return phrases.get(self.dimension, f"is {listing(self.names, 'or')}{grown}")


class Setting(Struct, frozen=True, dict=True):
    """What a rule needs to know of its pack and of the label beside the statement."""

    pack: Pack
    places: Places
    areas: tuple[Area, ...] = ()
    product: str = "still"

    @cached_property
    def _known(self) -> dict[tuple[str, str], bool | None]:
        return {}

    def same(self, recorded: str, name: str) -> bool | None:
        """Whether a recorded grape is one of what a name on the label stands for."""
        key = (recorded, name)
        if key not in self._known:
            self._known[key] = self._same(recorded, name)
        return self._known[key]

    def _same(self, recorded: str, name: str) -> bool | None:
        group = self.pack.groups.get(name) or next(
            (found for key, found in self.pack.groups.items() if fold(key) == fold(name)), None
        )
        answers = [self.pack.grapes.same(recorded, name)]
        if group is not None and (not group.products or self.product in group.products):
            answers += [self.pack.grapes.same(recorded, each) for each in group.of]
        return some(answers)

    def grown(self, leaf: Leaf, place: str) -> bool | None:
        """Whether a source grew in a place that the pack names; unknown where nobody registered
        it."""
        return leaf.grown_in(place) if self.places.type_of(place) is not None else None


def matching(rule: Rule, subject: Subject, setting: Setting) -> Match:
    """Whether a source counts for the statement. What is no grape never does; where the rule
    leaves it open it is unknown."""
    own = named(subject, setting)
    area = subject.area
    made = fermented(rule, subject, setting) if rule.made_in else None

    def match(leaf: Leaf) -> bool | None:
        if rule.without:
            return leaf.material is None or leaf.role not in rule.without
        if leaf.material is not None and rule.dimension != "text":
            return None if rule.added == "open" else False
        answers = [own(leaf)]
        if rule.of:
            answers = [some(setting.grown(leaf, place) for place in rule.of)]
        elif rule.also == "across" and area:
            answers = [some([*answers, *_across(leaf, area, setting)])]
        if rule.joint and area:
            answers.append(area.grown(leaf))
        if made is not None:
            answers.append(made(leaf))
        return every(answers)

    return match


def named(subject: Subject, setting: Setting, name: str | None = None) -> Match:
    """Whether a source is what a statement says, or one name of it, wherever it may be from."""
    names = subject.names if name is None else (name,)

    def variety(leaf: Leaf) -> bool | None:
        recorded = leaf.variety
        return None if recorded is None else some(setting.same(recorded, each) for each in names)

    def vintage(leaf: Leaf) -> bool | None:
        found = years(leaf, setting.pack)
        if found is None:
            return None
        answers = {str(year) in names for year in found}
        return answers.pop() if len(answers) == 1 else None

    def origin(leaf: Leaf) -> bool | None:
        if name is not None:
            return leaf.grown_in(name)
        return subject.area.grown(leaf) if subject.area else None

    matches: dict[Dimension, Match] = {
        "variety": variety,
        "vintage": vintage,
        "origin": origin,
        "vineyard": lambda leaf: some(leaf.grown_in(each) for each in names),
        "estate": lambda leaf: leaf.own,
        "bottler": lambda leaf: leaf.made_here,
        "text": lambda leaf: is_where(leaf, subject.value, setting),
    }
    return matches[subject.dimension]


def years(leaf: Leaf, pack: Pack) -> frozenset[int] | None:
    """The years that a source may bear under a pack; None where nobody knows."""
    picked = leaf.picked_on
    if picked is not None:
        day = f"{picked:%m-%d}"
        for shift in pack.year_shift:
            there = shift.grown_in is None or leaf.grown_in(shift.grown_in)
            if there is not False and shift.since <= day <= shift.until:
                moved = picked.year + shift.years
                if shift.doubt is None and there:
                    return frozenset({moved})
                if leaf.stated is not None and shift.written:
                    return frozenset({leaf.stated})
                return frozenset({picked.year, moved})
    year = leaf.vintage if leaf.vintage is not None else picked.year if picked else None
    return None if year is None else frozenset({year})


def fermented(rule: Rule, subject: Subject, setting: Setting) -> Match:
    """Whether a source was fermented where the rule wants it."""
    area, places = subject.area, setting.places
    assert area is not None, "where wine was made belongs to an appellation"
    allowed: list[str] = []
    unknown = False
    for name in area.names:
        of = (name,) if places.type_of(name) in ("state", "country") else states(places, name)
        unknown |= not of
        if "itself" in rule.made_in:
            allowed.append(name)
        if "state" in rule.made_in:
            allowed += of
        if "adjacent" in rule.made_in:
            allowed += [each for state in of for each in neighbours(setting.pack.adjacent, state)]

    def made(leaf: Leaf) -> bool | None:
        found = some(leaf.made_in(place) for place in dict.fromkeys(allowed))
        return None if found is False and unknown else found

    return made


def _across(leaf: Leaf, area: Area, setting: Setting) -> Iterator[bool | None]:
    """Whether a source grew in another appellation of the label that lies partly in this one."""
    for other in setting.areas:
        for name in other.names:
            if any(fold(each) in map(fold, area.names) for each in setting.places.spans(name)):
                yield leaf.grown_in(name)


def is_where(leaf: Leaf, said: Mapping[str, Any], setting: Setting) -> bool | None:
    """Whether all that a text statement's ``where`` asks is so of a source."""
    asked = (said.get("where") or {}).items()
    return every(_is(leaf, name, value, setting) for name, value in asked)


def _is(leaf: Leaf, name: str, value: Any, setting: Setting) -> bool | None:
    values = [str(each) for each in (value if isinstance(value, list) else [value])]
    wanted = {fold(each) for each in values}
    if name == "place":
        return some(leaf.grown_in(place) for place in values)
    if name == "variety" and leaf.variety is not None:
        return some(setting.same(leaf.variety, each) for each in values)
    found = leaf.fact(name)
    if found is None:
        return False if name in NONE_IS_NONE or leaf.material is not None else None
    several = found if isinstance(found, (list, tuple)) else (found,)
    return any(fold(str(each)) in wanted for each in several)


def where_words(said: Mapping[str, Any]) -> str:
    """What a text statement is about, in words."""
    return listing([f"{name} {plain_value(value)}" for name, value in said["where"].items()])


def plain_value(value: Any) -> str:
    """A value as it is read."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return listing([str(each) for each in value], "or") if isinstance(value, list) else str(value)


def doubts(rule: Rule, subject: Subject, setting: Setting, body: Body) -> Iterator[str]:
    """Why parts of the wine are unknown to this rule, other than that nobody recorded them."""
    area = subject.area
    if area and area.type is None and rule.joint:
        yield unregistered(area)
    yield from (
        f"`{place}` is not registered as a place."
        for place in rule.of
        if setting.places.type_of(place) is None
    )
    if rule.made_in and area:
        yield from (
            unnested(name)
            for name in area.names
            if setting.places.type_of(name) not in ("state", "country")
            and not states(setting.places, name)
        )
    if rule.added == "open" and any(leaf.material for leaf in body.leaves):
        yield "How an added material counts the rule does not say."
    if subject.dimension == "bottler" and any(
        leaf.made_here is None and leaf.material is None for leaf in body.leaves
    ):
        yield (
            "Where all of it fermented, or where it is bottled, is not recorded: a `ferment` of "
            "the stage `start` says it, with the `premises` of its vessel."
        )
    if subject.dimension == "vintage":
        yield from sorted(set(_doubtful_years(setting.pack, body)))
    if subject.dimension == "variety":
        for recorded in sorted({leaf.variety for leaf in body.leaves if leaf.variety}):
            for name in subject.names:
                if setting.same(recorded, name) is None:
                    yield f"Whether `{recorded}` is `{name}` the list of names does not say."


def _doubtful_years(pack: Pack, body: Body) -> Iterator[str]:
    for leaf in body.leaves:
        day = leaf.picked_on
        for shift in pack.year_shift:
            if leaf.stated is not None and shift.written:
                continue
            if day is None or not shift.since <= f"{day:%m-%d}" <= shift.until:
                continue
            if shift.grown_in is not None and leaf.grown_in(shift.grown_in) is None:
                yield f"Of fruit picked that late it matters whether it grew in {shift.grown_in}."
            elif shift.doubt is not None:
                yield shift.doubt


def statement_text(key: str, value: Any) -> str:
    """A statement in a line, as far as it can be said without its rule."""
    if value is True:
        return key.replace("_", " ")
    if isinstance(value, Mapping):
        if "says" in value:
            return str(value["says"])
        return ", ".join(f"{name} {share} %" for name, share in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(
            str(each["says"]) if isinstance(each, Mapping) and "says" in each else str(each)
            for each in value
        )
    return str(value)


def unknown_part(share: Fraction) -> str:
    """The unknown share, as a clause; nothing where all is known."""
    return f", and of {ceiling_text(share * 100, 1)} % it is not known" if share else ""


def plain(value: Fraction) -> str:
    """A number as the shortest plain decimal, rounded up where it has no end."""
    text = ceiling_text(value, DECIMALS)
    return (text.rstrip("0").rstrip(".") if "." in text else text) or "0"


BY_AREA: tuple[Dimension, ...] = ("variety", "vintage", "vineyard", "estate", "bottler")
"""What is judged once for each appellation of the label."""


def subjects(
    stated: Mapping[str, Any], rules: Sequence[Rule], setting: Setting, fills: Sequence[Fill]
) -> Iterator[Subject]:
    """The subjects of a label that the rules of a pack have a word on."""
    dimensions = {rule.dimension for rule in setting.pack.rule}
    around: list[Area | None] = list(setting.areas) or [None]
    for dimension in BY_AREA:
        key = STATEMENT[dimension]
        names = names_of(stated, key)
        if key == "estate_bottled" and names:
            names = ("estate bottled",)
        if names and dimension in dimensions:
            yield from (Subject(dimension, names, area) for area in around)
    if "origin" in dimensions:
        yield from (Subject("origin", area.names, area) for area in setting.areas)
        yield from _implied(stated, rules, setting)
    if "text" in dimensions:
        for each in stated.get("text", ()):
            yield Subject("text", (str(each.get("says", "")),), None, each)
    if "alcohol" in dimensions and "alcohol" in stated:
        yield Subject("alcohol", (str(stated["alcohol"]),))
    if "format" in dimensions:
        for size in dict.fromkeys(fill.format for fill in fills if fill.format):
            yield Subject("format", (size_text(size),), None, size)


def _implied(
    stated: Mapping[str, Any], rules: Sequence[Rule], setting: Setting
) -> Iterator[Subject]:
    """Places that a text statement names, or the label beside others as one appellation, for the
    rules that look at the whole label."""
    named = {fold(area.names[0]) for area in setting.areas if len(area.names) == 1}
    beside = {fold(name) for area in setting.areas for name in area.names} - named
    wanted = {
        rule.inside: None
        for rule in rules
        if rule.anywhere and rule.inside and fold(rule.inside) not in named
    }
    texts = [fold(str(each.get("says", ""))) for each in stated.get("text", ())]
    for place in wanted:
        if fold(str(place)) in beside or any(fold(str(place)) in text for text in texts):
            yield Subject("origin", (place,), Area((place,), setting.places.type_of(place)))


def size_text(amount: int) -> str:
    """A bottle's size as it is printed."""
    return f"{text(amount)} L" if amount >= ONE else f"{text(amount * 1000)} mL"
