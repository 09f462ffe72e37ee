"""The records that a rule of law is written with: exact numbers, wines, labels, substances.

An example is a wine, a label, and what one rule alone must say of them; the tests run every one.
"""

from copy import copy
from datetime import date
from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from msgspec import Meta, Struct, field
from msgspec.structs import force_setattr

from ampelog.graph import Role
from ampelog.places import PlaceType
from ampelog.quantities import share
from ampelog.shares import Judgement

AreaType = PlaceType | Literal["pdo", "pgi"]
ProductClass = Literal["still", "sparkling", "fortified"]


class Figure(Fraction):
    """Any number that is not below zero, exact, in quotes."""

    __slots__ = ()

    @classmethod
    def read(cls, text: object) -> Self:
        """From what stands in a pack; ``ValueError`` where it may not."""
        if not isinstance(text, str):
            raise ValueError(f'`{text}` is bare; write it as a text, `"0.75"`, to stay exact')
        return cls(share(text))


class Share(Figure):
    """A share from 0 to 1: a decimal or a fraction in quotes, never a bare number."""

    __slots__ = ()

    @classmethod
    def read(cls, text: object) -> Self:
        """From what stands in a pack; ``ValueError`` where it may not."""
        found = super().read(text)
        if found > 1:
            raise ValueError(f'`{text}` is over 1; a share is a part of the whole, as in `"0.75"`')
        return found


class Threshold(Share):
    """A share above 0."""

    __slots__ = ()

    @classmethod
    def read(cls, text: object) -> Self:
        """From what stands in a pack; ``ValueError`` where it may not."""
        found = super().read(text)
        if not found:
            raise ValueError("a threshold of zero decides nothing")
        return found


class Model(Struct, frozen=True, forbid_unknown_fields=True):
    """A record of a pack; unknown keys are refused."""

    def but(self, **changes: Any) -> Self:
        """The same but for these fields, which are not checked."""
        twin = copy(self)
        for name, value in changes.items():
            force_setattr(twin, name, value)
        return twin


class Part(Model, frozen=True):
    """A part of an example's wine. ``places`` left out: nobody knows where it grew; ``made_in``:
    where it was fermented, by whom the wine is bottled if ``made_here``; ``weight``: kilograms of
    grapes behind a litre."""

    share: Threshold
    variety: str | None = None
    vintage: int | None = None
    picked: date | None = None
    places: tuple[str, ...] | None = None
    material: str | None = None
    role: Role | None = None
    own: bool | None = None
    made_in: tuple[str, ...] | None = None
    made_here: bool | None = None
    weight: Figure | None = None
    picking: str | None = None


class Premises(Model, frozen=True):
    """Where an example's wine has been: the places of the premises, and what broke the stay."""

    places: tuple[str, ...] = ()
    left: str | None = None


class Example(Model, frozen=True):
    """A wine and a label, and what this rule alone must say of them. ``near``: where the share that
    decides stands by what is asked of it."""

    label: dict[str, Any]
    verdict: Judgement
    near: Literal["above", "at", "below"] | None = None
    on: date | None = None
    wine: tuple[Part, ...] = (Part(share=Threshold(1)),)
    product: ProductClass = "still"
    markets: tuple[str, ...] = ()
    approvals: tuple[str, ...] = ()
    measured: dict[str, str] = field(default_factory=dict)
    format: str | None = None
    premises: Premises | None = None
    done: tuple[str, ...] = ()
    materials: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        total = sum((part.share for part in self.wine), Fraction(0))
        if total != 1:
            raise ValueError(f"the shares of the wine sum to {total}, wanted exactly 1")


class When(Model, frozen=True):
    """Where a rule applies. ``origin_types``: the type of the label's appellation;
    ``origin_count_min`` and ``_max``: how many places it joins (an overlap is one place);
    ``origin_inside``: it lies wholly in that place, or is it; ``origin_across``: it lies partly in
    it; ``product``: the class of the wine; ``market``: another pack that the label must satisfy;
    ``approved``: the label has an approval of that authority."""

    origin_types: tuple[AreaType, ...] = ()
    origin_count_min: int = 0
    origin_count_max: int | None = None
    origin_inside: str | None = None
    origin_across: str | None = None
    product: tuple[ProductClass, ...] = ()
    market: tuple[str, ...] = ()
    approved: str | None = None


class Addition(Model, frozen=True):
    """What is added under a role and leaves the count (``exclude``) or counts as matching
    (``deem``), up to ``cap`` of the wine; ``over`` says what happens beyond the cap."""

    roles: tuple[Role, ...]
    cap: Share | None = None
    products: tuple[ProductClass, ...] = ()
    over: Literal["count", "fail"] = "count"


class YearShift(Model, frozen=True):
    """Fruit picked from the day ``since`` to ``until`` (``MM-DD``) bears another year;
    ``grown_in``: where it grew there. ``doubt``: it may bear either, and why: then the day does not
    decide, and a year that is ``written`` beside it does, where that settles the doubt."""

    since: Annotated[str, Meta(pattern=r"^\d\d-\d\d$")]
    until: Annotated[str, Meta(pattern=r"^\d\d-\d\d$")]
    years: int
    grown_in: str | None = None
    doubt: str | None = None
    written: bool = True


class Band(Model, frozen=True):
    """How far a printed strength may be from the wine's, in points: where the wine has at most
    ``up_to`` and is of ``products``; ``width``: how wide a printed range may be."""

    off: Figure
    width: Figure | None = None
    up_to: Figure | None = None
    products: tuple[ProductClass, ...] = ()


class Strength(Model, frozen=True):
    """What a statement of alcohol must be. ``lines``: wine and statement stand on one side of each,
    the line itself on the lower, of ``floors`` on the upper; ``numberless``: words that may stand
    for a number up to a strength; ``never``: words that may not stand in it; ``step``: what the
    number is a multiple of."""

    bands: tuple[Band, ...] = ()
    lines: tuple[Figure, ...] = ()
    floors: tuple[Figure, ...] = ()
    numberless: dict[str, Figure] = field(default_factory=dict)
    never: tuple[str, ...] = ()
    step: Figure | None = None

    def __post_init__(self) -> None:
        asked = (self.bands, self.lines or self.floors, self.numberless, self.never, self.step)
        if sum(bool(each) for each in asked) != 1:
            raise ValueError("a rule asks one thing of a strength")


class Beside(Model, frozen=True):
    """A text that must stand on the label too, any of ``says``; not needed where the share of the
    name, wherever it grew, is at least ``unless_total``."""

    says: tuple[str, ...]
    unless_total: Threshold | None = None


class Limit(Model, frozen=True):
    """A measured value that must be below a limit (mg/L)."""

    quantity: Literal["total_so2", "free_so2"]
    below: Figure


class Substance(Model, frozen=True):
    """What a material may be made of (``names``), and what that is on a list of ingredients:
    ``kind``, the ``term`` and the ``group`` that it stands under there, and its ``allergen``."""

    names: tuple[str, ...]
    kind: Literal["ingredient", "additive", "aid", "gas", "package"]
    term: str
    group: str | None = None
    allergen: str | None = None


class Ingredients(Model, frozen=True):
    """How a market wants ingredients told: by what law, from which day on, with what ``first``.

    ``roles`` are the terms under which additions of those roles stand; sulfites are declared
    from ``sulfites_from`` on (mg/L of total sulfur dioxide); ``says`` stands beside every answer.
    """

    cite: str
    valid_from: date
    first: str
    sulfites_from: Figure
    says: tuple[str, ...]
    roles: dict[str, str]
    substance: tuple[Substance, ...]
