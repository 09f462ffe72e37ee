"""Shares that a label prints: each within a tolerance, which never softens a threshold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

from msgspec import Struct
from msgspec.structs import asdict

from ampelog.appellations import Area
from ampelog.conditions import All, Line, total
from ampelog.grapes import fold
from ampelog.law import Rule
from ampelog.quantities import ceiling_text, floor_text
from ampelog.shares import (
    REFUSED,
    SUPPORTED,
    UNDETERMINED,
    Body,
    Fill,
    Judgement,
    every,
    inverse,
    remembered,
)
from ampelog.statements import Match, Setting, Subject, matching, named, plain, unknown_part
from ampelog.thresholds import Reach, share_floor


class Cell(Struct, frozen=True):
    """One share that must be printed: of a name, or of a name from a place. ``key`` is that of the
    label's ``shares``, None where it is not printed."""

    name: str
    subject: Subject
    key: str | None
    percents: str = ""
    place: str | None = None


class Shares(Struct, frozen=True):
    """The printed shares that a rule looks at."""

    rule: Rule
    subject: Subject
    setting: Setting
    stated: Mapping[str, Any]

    def looked_at(self) -> set[str]:
        """The keys of the label's ``shares`` that are judged."""
        return {cell.key for cell in self.cells() if cell.key is not None}

    def cells(self) -> Iterator[Cell]:
        """Every share that must be printed."""
        places: tuple[str | None, ...] = (None,)
        if self.rule.disclose_by == "origin" and self.subject.area:
            places = self.subject.area.names
        for name in self.subject.names:
            for place in places:
                wanted = name if place is None else f"{name}, {place}"
                key = self._key(wanted)
                area = Area((name,), self.subject.area.type) if self.subject.area else None
                if place is not None:
                    area = Area((place,), self.setting.places.type_of(place))
                one = Subject(self.subject.dimension, (name,), area)
                percents = str(self.stated["shares"][key]) if key is not None else ""
                yield Cell(wanted, one, key, percents, place)

    def _key(self, name: str) -> str | None:
        """The key of the label's ``shares`` that names this grape or place."""
        keys = (key for key in self.stated.get("shares", {}) if fold(key) == fold(name))
        return next(keys, None)

    def within(self, cell: Cell, fill: Fill) -> tuple[Reach, str]:
        """Whether what is there is within the tolerance of what is printed, and the sentence."""
        off = self.rule.disclose_tol
        match = remembered(self._match(cell))
        found, upper = within(fill, match, Fraction(cell.percents) / 100, off)
        text = ceiling_text if upper else floor_text
        from_ = f" from {cell.place}" if cell.place is not None else ""
        says = (
            f"{text(found.actual * 100, 1)} % of the wine {cell.subject.phrase(self.rule)}{from_}"
            f"{unknown_part(found.unknown)}; {cell.percents} % is printed, and "
            f"{plain(off * 100)} points either way are allowed."
        )
        return found, says

    def _match(self, cell: Cell) -> Match:
        if cell.place is None:
            return matching(self.rule, cell.subject, self.setting)
        place, own = cell.place, named(cell.subject, self.setting)
        return lambda leaf: (
            False if leaf.material is not None else every((own(leaf), leaf.grown_in(place)))
        )


def within(fill: Fill, match: Match, printed: Fraction, off: Fraction) -> tuple[Reach, bool]:
    """Whether what matches is within ``off`` of the printed share; the edges are within. The reach
    shows the nearer bound; whether it is the upper one is said beside it."""
    body = fill.composition
    low, high = max(printed - off, Fraction(0)), min(printed + off, Fraction(1))

    def never(leaf: Any) -> bool | None:
        return inverse(match(leaf))

    above, below = total(match, _all, low), total(never, _all, 1 - high)
    stake = All((above, below))
    answers = [match(leaf) for leaf in body.leaves]
    sure = _share(body, [answer is True for answer in answers])
    other = _share(body, [answer is False for answer in answers])
    known = _share(body, [answer is not None for answer in answers])
    upper = low <= 0 or (high < 1 and other - (1 - high) < sure - low)
    bound, actual = (high, 1 - other) if upper else (low, sure)
    proof = body.events([answer is True for answer in answers])
    reach = Reach(bound, actual, 1 - known, _decided(fill, stake), (), proof, stake)
    return (_Upper(**asdict(reach)) if upper else reach), upper


class _Upper(Reach, frozen=True):
    """A share against a bound that it must not pass."""

    @property
    def margin(self) -> Fraction:
        return self.bound - self.actual


def _all(_: Any) -> bool:
    return True


def _share(body: Body, counts: list[bool]) -> Fraction:
    return share_floor(body, [int(each) for each in counts], [1] * len(counts))


def _decided(fill: Fill, stake: All) -> Judgement:
    line = Line(fill)
    if line.holds(stake, 0):
        return SUPPORTED
    return UNDETERMINED if line.holds(stake, 0, possibly=True) else REFUSED
