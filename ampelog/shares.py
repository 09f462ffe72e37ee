"""What the law may see of a wine: its sources with exact shares, and the three answers.

A question asked of a source is answered yes, no, or None: nobody knows. What is unknown counts
against a statement, and leaves it open where it could change the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Any, Literal, Protocol

from msgspec import Struct, field

from ampelog.quantities import ONE, SHARE_DECIMALS

Judgement = Literal["supported", "refused", "undetermined"]
SUPPORTED: Judgement = "supported"
REFUSED: Judgement = "refused"
UNDETERMINED: Judgement = "undetermined"
JUDGED: dict[bool | None, Judgement] = {True: SUPPORTED, False: REFUSED, None: UNDETERMINED}
"""What an answer of yes, no, or that nobody knows is judged."""
SEVERITY: dict[Judgement, int] = {SUPPORTED: 0, UNDETERMINED: 1, REFUSED: 2}

DECIMALS = SHARE_DECIMALS
"""The decimals of a share that is printed."""


class Leaf(Protocol):
    """A source of the wine, or sources that look alike. None is unknown, but for ``material``
    (what is no grape has one, and all else has none) and ``role`` (None: it has none).

    ``vintage`` is the year of picking, ``stated`` the one that somebody wrote down beside the day;
    ``own``: grown on land that the winery controls; ``made_here``: fermented by the bottler, where
    it is bottled.
    """

    @property
    def variety(self) -> str | None: ...
    @property
    def vintage(self) -> int | None: ...
    @property
    def stated(self) -> int | None: ...
    @property
    def picked_on(self) -> date | None: ...
    @property
    def material(self) -> str | None: ...
    @property
    def role(self) -> str | None: ...
    @property
    def own(self) -> bool | None: ...
    @property
    def made_here(self) -> bool | None: ...
    def grown_in(self, place: str, /) -> bool | None:
        """Whether it grew in that registered place; None where nobody knows."""
        ...

    def made_in(self, place: str, /) -> bool | None:
        """Whether it was fermented in that registered place; None where nobody knows."""
        ...

    def fact(self, name: str, /) -> Any:
        """Anything else that is recorded of it, by the names of a composition's fields."""
        ...


class Nothing(Struct, frozen=True):
    """A source of which nothing is known: wine of any kind, from anywhere."""

    variety: str | None = None
    vintage: int | None = None
    stated: int | None = None
    picked_on: date | None = None
    material: str | None = None
    role: str | None = None
    own: bool | None = None
    made_here: bool | None = None

    def grown_in(self, _: str, /) -> bool | None:
        """Nobody knows."""
        return None

    def made_in(self, _: str, /) -> bool | None:
        """Nobody knows."""
        return None

    def fact(self, _: str, /) -> Any:
        """Nobody knows."""
        return None


NOTHING = Nothing()


class Body(Protocol):
    """What a wine is made of: leaves with exact shares (``composition``).

    ``grapes`` is the same by the weight of the grapes behind a litre of the wine (kg): its sums
    are of ``weigh * weight * share``. None where the weight behind some of it is unknown.
    """

    @property
    def grapes(self) -> Body | None: ...

    @property
    def leaves(self) -> Sequence[Leaf]: ...
    @property
    def seed(self) -> str: ...
    def enclose(
        self, weigh: Sequence[int | Fraction], bits: int = ..., /
    ) -> tuple[Fraction, Fraction]:
        """Bounds of the sum of ``weigh * share``, a weight for each leaf in order."""
        ...

    def residue(self, weigh: Sequence[int | Fraction], prime: int, /) -> int:
        """The same sum modulo a prime."""
        ...

    def events(self, counts: Sequence[bool], /) -> tuple[str, ...]:
        """The events of the sources in the leaves that count."""
        ...


class Stay(Struct, frozen=True):
    """Where a wine has been since it was crushed: the places of the premises, and what speaks
    against one unbroken stay there. ``left`` are the events that broke it, each a sentence;
    ``unknown`` says what nobody knows; ``events`` are those that broke it, else those that the
    wine went through."""

    places: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    unknown: str | None = None
    events: tuple[str, ...] = ()


class Used(Struct, frozen=True):
    """A material that went into a wine: what it is made of (None: not registered), the events that
    used it, and the treatments that those were."""

    made: tuple[str, ...] | None
    events: tuple[str, ...] = ()
    treatments: tuple[str, ...] = ()


class Fill(Struct, frozen=True):
    """A fill of a bottled lot, or a bulk lot as a whole (then ``event`` is None).

    ``amount`` is its volume in 10^-12 L. ``placed``: whether the places of the premises are
    registered, so that it can be asked where the wine was made. ``measured``: the latest value of
    each quantity that was analysed, as recorded; ``unmeasured`` why none stands of others;
    ``analyses`` their events. ``done``: what was done to the wine at the bottler's (``treated``,
    ``blended``), as far as it was looked up. ``format``: of its bottles, in 10^-12 L.
    ``materials``: what went into it, by name; ``untold``: sentences on what may have gone in
    besides, of which the records do not tell.
    """

    event: str | None
    composition: Body
    amount: int = ONE
    placed: bool = False
    stay: Stay | None = None
    measured: Mapping[str, str] = field(default_factory=dict)
    format: int | None = None
    done: frozenset[str] = frozenset()
    materials: Mapping[str, Used] = field(default_factory=dict)
    untold: tuple[str, ...] = ()
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    analyses: Mapping[str, str] = field(default_factory=dict)


def remembered(match: Callable[[Leaf], bool | None]) -> Callable[[Leaf], bool | None]:
    """The same answers, each asked once. A leaf that was asked about is kept, so that no other
    can take its place in memory."""
    known: dict[int, tuple[Leaf, bool | None]] = {}

    def asked(leaf: Leaf) -> bool | None:
        found = known.get(id(leaf))
        if found is None:
            found = known[id(leaf)] = (leaf, match(leaf))
        return found[1]

    return asked


def every(answers: Iterable[bool | None]) -> bool | None:
    """No where one is no, else unknown where one is unknown, else yes."""
    found = list(answers)
    if False in found:
        return False
    return None if None in found else True


def some(answers: Iterable[bool | None]) -> bool | None:
    """Yes where one is yes, else unknown where one is unknown, else no."""
    found = list(answers)
    if True in found:
        return True
    return None if None in found else False


def inverse(answer: bool | None) -> bool | None:
    """No for yes, yes for no; the unknown stays unknown."""
    return None if answer is None else not answer


def worst(judgements: Iterable[Judgement]) -> Judgement:
    """The worst of several: refused, then undetermined, then supported."""
    return max(judgements, key=SEVERITY.__getitem__, default=SUPPORTED)
