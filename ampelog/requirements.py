"""What a rule counts and what it asks of a label's names, as conditions on a wine.

A rule becomes conditions on the sources of a wine (``conditions``): its threshold, and what it
asks of each name, of their order, of the rest. Where it leaves an addition out up to a cap there
are two ways to count, each under its guard.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from itertools import combinations, pairwise
from typing import Any, NamedTuple

from msgspec import Struct, field
from msgspec.structs import replace

from ampelog.appellations import listing
from ampelog.conditions import NEVER, Condition, Either, Least, Span, compared, total
from ampelog.law import Rule
from ampelog.shares import Leaf, remembered, some
from ampelog.statements import Match, Setting, Subject, matching, named, plain, years
from ampelog.terms import Addition

_RANKS = ("first", "second", "third", "fourth", "fifth", "sixth")


class Question(Struct, frozen=True):
    """A rule that is asked of a subject, with what it needs beside the wine.

    ``stated`` is the whole label; ``grapes`` are the varieties that may be met, those of wine that
    is to be added included.
    """

    rule: Rule
    subject: Subject
    setting: Setting
    stated: Mapping[str, Any] = field(default_factory=dict)
    grapes: tuple[str, ...] = ()

    def text_stands(self) -> bool:
        """Whether the text that the rule wants stands on the label."""
        beside = self.rule.text
        if beside is None:
            return True
        texts = [str(each.get("says", "")).casefold() for each in self.stated.get("text", ())]
        fields = {"name": self.subject.names[0] if self.subject.names else ""}
        wanted = [text.format(**fields).casefold() for text in beside.says]
        return any(want in text for want in wanted for text in texts)


class Check(NamedTuple):
    """What a rule asks, and the words for where it fails; ``match`` and ``least`` where that is a
    share of its own."""

    condition: Condition
    words: str = ""
    match: Match | None = None
    least: Fraction | None = None


class Way(Struct, frozen=True):
    """One way to count: what is in the count, what matches, and when this way is the one."""

    guard: Condition | None
    counts: Match
    match: Match
    left: tuple[str, ...] = ()
    fails: str | None = None


# --- the ways to count ---


def ways(asked: Question) -> Iterator[Way]:
    rule, product = asked.rule, asked.setting.product
    left = [one for one in rule.exclude if not one.products or product in one.products]
    deemed = [one for one in rule.deem if not one.products or product in one.products]
    capped = next((one for one in (*left, *deemed) if one.cap is not None), None)
    if capped is None:
        yield _way(asked, None, left, deemed)
        return
    yield _way(asked, _within(capped), left, deemed)
    left, deemed = ([one for one in some_ if one is not capped] for some_ in (left, deemed))
    fails = None
    if capped.over == "fail":
        fails = f"More than {plain((capped.cap or Fraction(0)) * 100)} % of the wine was added."
    beyond = _way(asked, _beyond(capped), left, deemed)
    yield replace(beyond, fails=fails)


def _within(one: Addition) -> Least:
    cap = one.cap or Fraction(0)
    return Least(lambda leaf: _twice(cap - int(leaf.role in one.roles)))


def _beyond(one: Addition) -> Least:
    cap = one.cap or Fraction(0)
    return Least(lambda leaf: _twice(int(leaf.role in one.roles) - cap), strict=True)


def _twice(value: Fraction) -> Span:
    return value, value


def _way(
    asked: Question,
    guard: Condition | None,
    left: Sequence[Addition],
    deemed: Sequence[Addition],
) -> Way:
    rule, pack = asked.rule, asked.setting.pack
    out = {role for one in left for role in one.roles}
    given = {role for one in deemed for role in one.roles}
    match = matching(rule, asked.subject, asked.setting)

    def counts(leaf: Leaf) -> bool | None:
        if leaf.role in out or (rule.basis == "grapes" and leaf.material is not None):
            return False
        if rule.valid_by != "harvest":
            return True
        return _harvested(rule, leaf, years(leaf, pack))

    def deem(leaf: Leaf) -> bool | None:
        return True if leaf.role in given else match(leaf)

    return Way(guard, counts, remembered(deem if given else match), tuple(sorted(out)))


def _harvested(rule: Rule, leaf: Leaf, found: frozenset[int] | None) -> bool | None:
    """Whether a rule that goes by the harvest is about a source."""
    if leaf.material is not None:
        return True
    if leaf.picked_on is not None:
        return rule.covers(leaf.picked_on)
    if found is None:
        return None
    ends = {rule.covers(day) for year in found for day in _ends_of(year)}
    return ends.pop() if len(ends) == 1 else None


def _ends_of(year: int) -> tuple[date, date]:
    return date(year, 1, 1), date(year, 12, 31)


# --- what a rule asks ---


def checks(asked: Question, way: Way) -> list[Check]:
    """The threshold first, then all else that the rule asks."""
    rule, subject = asked.rule, asked.subject
    assert rule.min_total is not None, "a rule that is measured has a threshold"
    found = [Check(total(way.match, way.counts, rule.min_total))]
    if len(subject.names) > 1 and rule.permits and rule.together != "overlap":
        found += [*_one_twice(asked), *_none_of_it(asked, way)]
    if rule.min_each:
        found += _least_of_each(asked, way)
    if rule.order == "desc" or (rule.order == "desc_or_percent" and not _printed(asked)):
        found += _in_order(asked, way)
    if rule.dominance:
        found += _dominant(asked, way)
    if rule.pure:
        of_one = tuple(total(_is(asked, grape), way.counts, Fraction(1)) for grape in asked.grapes)
        found.append(Check(Either(of_one), "Only a wine of one variety may say so."))
    if rule.remainder_in:
        found.append(_rest(asked, way))
    if rule.text and not asked.text_stands():
        unless = rule.text.unless_total
        wanted = listing([f"`{text}`" for text in rule.text.says], "or")
        wanted = wanted.format(name=subject.names[0] if subject.names else "")
        enough: Condition = NEVER
        if unless is not None:
            enough = total(named(subject, asked.setting), way.counts, unless)
        found.append(Check(enough, f"The label must say {wanted}."))
    return found


def _one_twice(asked: Question) -> Iterator[Check]:
    """Several names are of several grapes, whichever rule lets them stand."""
    if asked.subject.dimension != "variety":
        return
    for one, other in combinations(asked.subject.names, 2):
        same = some(asked.setting.same(*pair) for pair in ((one, other), (other, one)))
        if same:
            yield Check(NEVER, f"`{one}` and `{other}` are one grape, which is named twice.")
        elif same is None:
            words = f"Whether `{one}` and `{other}` are one grape the list of names does not say."
            yield Check(Least(lambda _: (-1, 1)), words)


def _none_of_it(asked: Question, way: Way) -> Iterator[Check]:
    """What is named is in the wine."""
    for name in asked.subject.names:
        some_of_it = _deemed_not(named(asked.subject, asked.setting, name))
        words = f"`{name}` is named, and the records show none of it in the wine."
        yield Check(compared(some_of_it, lambda _: False, way.counts, strict=True), words)


def _least_of_each(asked: Question, way: Way) -> Iterator[Check]:
    least = asked.rule.min_each
    for rank, name in enumerate(asked.subject.names):
        wanted = least[min(rank, len(least) - 1)]
        if wanted:
            match = _deemed_not(named(asked.subject, asked.setting, name))
            words = (
                f"`{name}` is named {_RANKS[rank] if rank < len(_RANKS) else 'last'} and needs "
                f"at least {plain(wanted * 100)} %."
            )
            yield Check(total(match, way.counts, wanted), words, match, wanted)


def _deemed_not(match: Match) -> Match:
    return lambda leaf: False if leaf.material is not None else match(leaf)


def _in_order(asked: Question, way: Way) -> Iterator[Check]:
    names = asked.subject.names
    for one, other in pairwise(names):
        more, less = (named(asked.subject, asked.setting, name) for name in (one, other))
        words = f"`{one}` stands before `{other}`, and there is more `{other}` in the wine."
        yield Check(compared(_deemed_not(more), _deemed_not(less), way.counts), words)


def _dominant(asked: Question, way: Way) -> Iterator[Check]:
    """Each name more than any grape that is not named, and more than what is unknown."""
    setting, subject = asked.setting, asked.subject
    others: list[Match] = [lambda leaf: _unknown(leaf.variety is None)]
    words = ["grape that is not known"]
    for grape in asked.grapes:
        if not any(setting.same(grape, name) for name in subject.names):
            others.append(_is(asked, grape))
            words.append(f"`{grape}`")
    for name in subject.names:
        more = _deemed_not(named(subject, setting, name))
        for less, word in zip(others, words, strict=True):
            says = f"`{name}` is named and there is not more of it than of {word}, which is not."
            if word.startswith("grape"):
                says = f"There may be as much of a {word} as of `{name}`."
            yield Check(compared(more, _deemed_not(less), way.counts, strict=True), says)


def _unknown(open_: bool) -> bool | None:
    return None if open_ else False


def _is(asked: Question, grape: str) -> Match:
    def match(leaf: Leaf) -> bool | None:
        if leaf.variety is None:
            return False if leaf.material is not None else None
        return asked.setting.pack.grapes.same(leaf.variety, grape)

    return match


def _rest(asked: Question, way: Way) -> Check:
    """What does not match must be from around."""
    around = list(_around(asked))

    def near(leaf: Leaf) -> bool | None:
        if leaf.material is not None:
            return True
        if not around:
            return some((way.match(leaf), None))
        return some([way.match(leaf), *(asked.setting.grown(leaf, place) for place in around)])

    where = listing(around, "or") or "what contains it, which is not registered"
    words = f"The rest must be from {where}; not all of it is."
    return Check(total(near, way.counts, Fraction(1)), words)


def _around(asked: Question) -> Iterator[str]:
    rule, places = asked.rule, asked.setting.places
    names = asked.subject.area.names if asked.subject.area else ()
    if rule.remainder_in == "spanned":
        for name in names:
            yield from (each for each in places.spans(name) if places.type_of(each) == "state")
    elif rule.remainder_in == "parent":
        stated = {each for area in asked.setting.areas for each in area.names}
        for name in names:
            above = {
                each
                for each in places.up(name) - {name}
                if each in stated and places.type_of(each) != "country"
            }
            yield from sorted(above)
    elif rule.remainder_in == "appellation":
        yield from names
    elif rule.remainder_in:
        yield rule.remainder_in


def _printed(asked: Question) -> bool:
    return all(name in asked.stated.get("shares", {}) for name in asked.subject.names)
