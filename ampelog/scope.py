"""Whether a rule is about a statement: by its kind, its names, its places and the rest of the
label."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

from ampelog.appellations import Area, inside, states
from ampelog.formalities import nested
from ampelog.grapes import fold
from ampelog.law import Rule
from ampelog.likeness import Alike
from ampelog.particulars import mentioned
from ampelog.shares import Fill
from ampelog.statements import Setting, Subject


class Label(Alike, frozen=True, eq=False):
    """What is known of a label beside its statements.

    ``markets`` are the packs that it must satisfy, ``missing`` those of its markets that have no
    pack (``rules.markets``); ``approvals`` the authorities that approved it;
    ``adding`` is wine that may be added, whose grapes are asked about too; ``only`` the statements
    that are asked about, where not all of them. Without ``proof`` no row names its events;
    ``known`` keeps what was measured already, where many labels are put before the same wine.
    """

    product: str = "still"
    markets: tuple[str, ...] = ()
    approvals: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    adding: Fill | None = None
    only: frozenset[str] | None = None
    proof: bool = True
    known: dict[Hashable, Any] | None = None

    def asks(self, claim: str) -> bool:
        """Whether a statement is asked about."""
        return self.only is None or claim in self.only

    def grapes(self, fill: Fill) -> tuple[str, ...]:
        """The varieties recorded of a wine and of what may be added to it."""
        found: dict[str, None] = {}
        for each in (fill, self.adding):
            for leaf in each.composition.leaves if each is not None else ():
                if leaf.variety is not None:
                    found[leaf.variety] = None
        return tuple(found)


def fits(rule: Rule, subject: Subject, setting: Setting, label: Label) -> bool | None:
    """Whether a rule is about this subject, None where the nesting of a place decides and is not
    registered; how many names it allows is asked after (``fitting_count``)."""
    if rule.dimension != subject.dimension or not _by_name(rule, subject):
        return False
    if not _by_label(rule, setting, label) or not _by_area(rule, subject, setting):
        return False
    return _by_nesting(rule, subject, setting)


def fitting_count(rule: Rule, subject: Subject) -> bool:
    """Whether a rule allows so many names."""
    return rule.count_min <= len(subject.names) <= (rule.count_max or len(subject.names))


def _by_name(rule: Rule, subject: Subject) -> bool:
    names = {fold(name) for name in subject.names}
    if rule.claim not in (None, "multi" if len(subject.names) > 1 else "single"):
        return False
    if rule.names and not names <= {fold(name) for name in rule.names}:
        return False
    if rule.except_names and names & {fold(name) for name in rule.except_names}:
        return False
    if rule.words and not names <= {fold(name) for name in rule.words}:
        return False
    if rule.where and not subject.value.get("where"):
        return False
    return not rule.mentions or any(mentioned(rule, subject.names[0]))


def _by_label(rule: Rule, setting: Setting, label: Label) -> bool:
    when = rule.when
    together = max((len(area.names) for area in setting.areas if not area.overlap), default=0)
    most = when.origin_count_max
    return (
        when.origin_count_min <= together
        and (most is None or together <= most)
        and (not when.product or setting.product in when.product)
        and (not when.market or bool(set(when.market) & set(label.markets)))
        and (when.approved is None or fold(when.approved) in map(fold, label.approvals))
    )


def _by_area(rule: Rule, subject: Subject, setting: Setting) -> bool:
    area = subject.area
    type_ = area.type if area else None
    if rule.area_types and type_ not in rule.area_types:
        return bool(rule.anywhere and area and rule.inside and _is(area, rule.inside))
    if rule.when.origin_types and type_ not in rule.when.origin_types:
        return False
    if rule.nested is not None and rule.nested != (area is not None and _contained(area, setting)):
        return False
    if rule.also == "across" and not (area and _crossed(area, setting)):
        return False
    return area is not None or not (rule.joint or rule.when.origin_inside or rule.housed)


def _is(area: Area, place: str) -> bool:
    return all(fold(name) == fold(place) for name in area.names)


def _contained(area: Area, setting: Setting) -> bool:
    """Whether another appellation of the label contains this one. A country contains all of its
    places, and none is a part of it for that."""
    around = (other for other in setting.areas if other != area and other.type != "country")
    others = {name for other in around for name in other.names}
    return all((setting.places.up(name) - {name}) & others for name in area.names)


def _crossed(area: Area, setting: Setting) -> bool:
    """Whether another appellation of the label lies partly in this one."""
    here = {fold(name) for name in area.names}
    others = (name for other in setting.areas for name in other.names)
    return any(fold(each) in here for name in others for each in setting.places.spans(name))


def _by_nesting(rule: Rule, subject: Subject, setting: Setting) -> bool | None:
    answers: list[bool | None] = []
    place = subject.area
    if rule.dimension == "vineyard":
        place = Area(subject.names, setting.places.type_of(subject.names[0]))
    if place is not None and (rule.inside or rule.across):
        answers.append(nested(rule, place, setting.places))
    when, area = rule.when, subject.area
    if when.origin_inside and area:
        answers += [inside(setting.places, name, when.origin_inside) for name in area.names]
    if when.origin_across and area:
        for name in area.names:
            spans = setting.places.spans(name)
            partly = any(fold(each) == fold(when.origin_across) for each in spans)
            known = states(setting.places, name) or setting.places.type_of(name) == "country"
            answers.append(partly if partly or known else None)
    if False in answers:
        return False
    return None if None in answers else True
