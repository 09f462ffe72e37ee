"""What a rule asks of the label itself, whatever is in the wine: names, words, what stands beside.

Each function answers with a judgement and a sentence.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import combinations
from typing import Any

from ampelog.appellations import (
    Area,
    Places,
    inside,
    listing,
    names_of,
    states,
    touching,
    unnested,
)
from ampelog.grapes import ADMINISTRATIVE, EXPIRED, TYPE_DESIGNATION, GrapeName, fold
from ampelog.law import Pack, Rule
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Judgement

Answer = tuple[Judgement, str]


def missing(
    rule: Rule, stated: Mapping[str, Any], areas: Sequence[Area], approvals: Sequence[str]
) -> list[str]:
    """What the label lacks of what a rule requires: other statements, an appellation of one of
    some types (``appellation: pdo, pgi``), or an approval of an authority (``approval: NAME``)."""
    found = []
    for key in rule.requires:
        kind, _, which = key.partition(": ")
        if kind == "approval":
            if not any(fold(which) == fold(each) for each in approvals):
                found.append(f"approval by {which}")
        elif kind not in stated:
            found.append(kind)
        elif which and not any(area.type in which.split(", ") for area in areas):
            found.append(f"{kind} of the type {listing(which.split(', '), 'or')}")
    return found


def required(
    rule: Rule, stated: Mapping[str, Any], areas: Sequence[Area], approvals: Sequence[str]
) -> Answer:
    """Whether the label has what a rule requires."""
    wanted = missing(rule, stated, areas, approvals)
    if wanted:
        return lacks(wanted)
    if any(each.startswith("approval:") for each in rule.requires):
        return SUPPORTED, "The approval is recorded."
    return SUPPORTED, f"The label states its {listing(rule.requires)}."


def stands_beside(rule: Rule, stands: bool) -> Answer:
    """Whether a text that a rule wants stands on the label."""
    texts = rule.text.says if rule.text else ()
    wanted = listing([f"`{each}`" for each in texts], "or")
    says = f"The label {'says' if stands else 'must say'} {wanted}."
    return SUPPORTED if stands else REFUSED, says


def lacks(wanted: Sequence[str]) -> Answer:
    """An approval that is not recorded may yet exist; a statement that is not there does not."""
    says = f"The label states no {listing(wanted, 'and no')}, which this needs."
    if all(each.startswith("approval by") for each in wanted):
        return UNDETERMINED, f"No {listing(wanted, 'and no')} is recorded, which this needs."
    return REFUSED, says


def on_list(pack: Pack, name: str, on: date) -> Answer:
    """Whether a name is on the pack's list of grapes, on that day."""
    found = pack.grapes.listed(name)
    other = pack.names.instead_of if pack.names else None
    if found is None or (other is not None and _is_group(pack, name)):
        return _not_listed(pack, name)
    if other is not None:
        return _instead(found, name, other)
    if found.status == TYPE_DESIGNATION:
        says = "is no variety of the list but a designation with a rule of its own"
        return SUPPORTED, f"`{name}` {says} ({found.source})."
    if found.status == EXPIRED and found.bottled_before:
        ended = on >= found.bottled_before
        says = f"`{name}` may stand only on wine bottled before {found.bottled_before}"
        return REFUSED if ended else SUPPORTED, f"{says} ({found.source})."
    administrative = found.status == ADMINISTRATIVE
    how = "approved administratively" if administrative else "on the list of grape names"
    return SUPPORTED, f"`{name}` is {how} ({found.source})."


def _is_group(pack: Pack, name: str) -> bool:
    return any(fold(name) == fold(each) for each in pack.groups)


def _not_listed(pack: Pack, name: str) -> Answer:
    if _is_group(pack, name):
        return SUPPORTED, f"`{name}` stands for several grapes under this pack."
    near = pack.grapes.nearest(name)
    hint = f" Is `{near}` meant?" if near else ""
    return UNDETERMINED, f"`{name}` is not on the list of grape names.{hint}"


def _instead(found: GrapeName, name: str, other: str) -> Answer:
    if found.status in (EXPIRED, TYPE_DESIGNATION):
        return UNDETERMINED, f"Whether `{name}` is on {other} was not looked up: it is not shipped."
    says = f"`{name}` is on the list of the United States ({found.source}), and counts as listed"
    return SUPPORTED, f"{says}; {other} is not shipped and was not looked up."


def beside(rule: Rule, area: Area, stated: Mapping[str, Any], places: Places) -> Answer | None:
    """Whether another appellation stands on the label too, or the ``word`` in the name itself that
    spares it; None where the rule is not about this one."""
    there = {fold(name) for name in names_of(stated, "appellation")}
    if rule.beside == "parent":
        above = sorted(
            name
            for name in places.up(area.names[0]) - {area.names[0]}
            if places.type_of(name) == area.type
        )
        if not above:
            return None
        stands = any(fold(name) in there for name in above)
        named = listing([f"`{name}`" for name in above], "or")
    else:
        wanted = rule.beside or ""
        if any(fold(name) == fold(wanted) for name in area.names):
            return None
        own = rule.word is not None and word(rule, area) is None
        stands, named = own or fold(wanted) in there, f"`{wanted}`"
    says = f"{named} {'stands' if stands else 'must stand'} on the label too."
    return SUPPORTED if stands else REFUSED, says


def word(rule: Rule, area: Area) -> str | None:
    """A sentence on the word that must stand in the name as it is printed, where it does not."""
    wanted = rule.word or ""
    lacking = [name for name in area.names if fold(wanted) not in fold(name)]
    if not lacking:
        return None
    return f"The label must print the word {wanted} beside {listing(lacking)}."


def nested(rule: Rule, area: Area, places: Places) -> bool | None:
    """Whether a rule is about a place by where it lies; None where its nesting is not registered.
    Of several places each must lie so."""
    answers: list[bool | None] = []
    for name in area.names:
        if rule.inside is not None:
            answers.append(inside(places, name, rule.inside))
        if rule.across is not None:
            partly = any(fold(each) == fold(rule.across) for each in places.spans(name))
            open_ = not partly and not states(places, name) and places.type_of(name) != "country"
            answers.append(None if open_ else partly)
    if False in answers:
        return False
    return None if None in answers else True


def lie(rule: Rule, area: Area, pack: Pack, places: Places) -> Iterator[Answer]:
    """How places that are named together must lie to each other, where the rule asks."""
    if rule.one_state:
        found = [states(places, name) for name in area.names]
        unknown = [name for name, of in zip(area.names, found, strict=True) if not of]
        if unknown:
            yield UNDETERMINED, unnested(unknown[0])
        elif len({fold(each) for of in found for each in of}) > 1:
            yield REFUSED, "The places lie in different States; they must lie in one."
    if rule.touching:
        yield from _touch(area, pack)


def _touch(area: Area, pack: Pack) -> Iterator[Answer]:
    """All of several States must touch; a chain of them is left open."""
    pairs = list(combinations(area.names, 2))
    found = {pair: touching(pack.adjacent, pack.corners, *pair) for pair in pairs}
    unknown = [pair for pair, answer in found.items() if answer is None]
    apart = [pair for pair, answer in found.items() if answer is False]
    if unknown:
        one, other = unknown[0]
        yield (
            UNDETERMINED,
            f"Whether `{one}` and `{other}` touch is not known: one of them is not in the table "
            "of States, or they meet at a corner only.",
        )
    elif apart:
        one, other = apart[0]
        says = f"`{one}` and `{other}` do not touch"
        if len(found) - len(apart) >= len(area.names) - 1:
            yield UNDETERMINED, f"{says}, though each touches another: the rule leaves that open."
        else:
            yield REFUSED, f"{says}; States that are named together must."
