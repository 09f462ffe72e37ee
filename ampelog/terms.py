"""The records that a rule of law is written with: exact numbers, wines, labels, substances.

An example is a wine, a label, and what one rule alone must say of them; the tests run every one.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    model_validator,
)

from ampelog.fields import PlaceType, Role, share_of, wrong
from ampelog.shares import Judgement

AreaType = PlaceType | Literal["pdo", "pgi"]
ProductClass = Literal["still", "sparkling", "fortified"]


def _share(text: Any) -> Fraction:
    if not isinstance(text, str):
        raise wrong(f'`{text}` is no share; write it as a text, `"0.75"`, so that it stays exact')
    share = share_of(text)
    if share > 1:
        raise wrong(f'`{text}` is over 1; a share is a part of the whole, as in `"0.75"`')
    return share


def _amount(text: Any) -> Fraction:
    share = _share(text)
    if share == 0:
        raise wrong("a threshold of zero decides nothing")
    return share


def _number(text: Any) -> Fraction:
    if not isinstance(text, str):
        raise wrong(f'`{text}` is no text; write a number as one, `"14"`, so that it stays exact')
    return share_of(text)


Share = Annotated[Fraction, BeforeValidator(_share)]
"""A share from 0 to 1, exact: a decimal or a fraction in quotes, never a bare number."""
Threshold = Annotated[Fraction, BeforeValidator(_amount)]
"""A share above 0."""
Figure = Annotated[Fraction, BeforeValidator(_number)]
"""Any number, exact, in quotes."""


class Model(BaseModel):
    """A record of a pack; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Part(Model):
    """A part of an example's wine. ``places`` left out: nobody knows where it grew; ``made_in``:
    where it was fermented, by whom the wine is bottled if ``made_here``; ``weight``: kilograms of
    grapes behind a litre."""

    share: Threshold
    variety: str | None = None
    vintage: StrictInt | None = None
    picked: date | None = None
    places: tuple[str, ...] | None = None
    material: str | None = None
    role: Role | None = None
    own: StrictBool | None = None
    made_in: tuple[str, ...] | None = None
    made_here: StrictBool | None = None
    weight: Figure | None = None
    picking: str | None = None


class Premises(Model):
    """Where an example's wine has been: the places of the premises, and what broke the stay."""

    places: tuple[str, ...] = ()
    left: str | None = None


class Example(Model):
    """A wine and a label, and what this rule alone must say of them."""

    label: dict[str, Any]
    verdict: Judgement
    near: Literal["above", "at", "below"] | None = None
    on: date | None = None
    wine: tuple[Part, ...] = (Part.model_construct(share=Fraction(1)),)
    product: ProductClass = "still"
    markets: tuple[str, ...] = ()
    approvals: tuple[str, ...] = ()
    measured: dict[str, str] = Field(default_factory=dict)
    format: str | None = None
    premises: Premises | None = None
    done: tuple[str, ...] = ()
    materials: dict[str, tuple[str, ...]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        total = sum((part.share for part in self.wine), Fraction(0))
        if total != 1:
            raise wrong(f"the shares of the wine sum to {total}, wanted exactly 1")
        return self


class When(Model):
    """Where a rule applies. ``origin_types``: the type of the label's appellation;
    ``origin_count_min`` and ``_max``: how many places it joins (an overlap is one place);
    ``origin_inside``: it lies wholly in that place, or is it; ``origin_across``: it lies partly in
    it; ``product``: the class of the wine; ``market``: another pack that the label must satisfy;
    ``approved``: the label has an approval of that authority."""

    origin_types: tuple[AreaType, ...] = ()
    origin_count_min: StrictInt = 0
    origin_count_max: StrictInt | None = None
    origin_inside: str | None = None
    origin_across: str | None = None
    product: tuple[ProductClass, ...] = ()
    market: tuple[str, ...] = ()
    approved: str | None = None


class Addition(Model):
    """What is added under a role and leaves the count (``exclude``) or counts as matching
    (``deem``), up to ``cap`` of the wine; ``over`` says what happens beyond the cap."""

    roles: tuple[Role, ...]
    cap: Share | None = None
    products: tuple[ProductClass, ...] = ()
    over: Literal["count", "fail"] = "count"


class YearShift(Model):
    """Fruit picked from the day ``since`` to ``until`` (``MM-DD``) bears another year;
    ``grown_in``: where it grew there. ``doubt``: it may bear either, and why: then the day does not
    decide."""

    since: Annotated[str, Field(pattern=r"^\d\d-\d\d$")]
    until: Annotated[str, Field(pattern=r"^\d\d-\d\d$")]
    years: StrictInt
    grown_in: str | None = None
    doubt: str | None = None


class Band(Model):
    """How far a printed strength may be from the wine's, in points: where the wine has at most
    ``up_to`` and is of ``products``; ``width``: how wide a printed range may be."""

    off: Figure
    width: Figure | None = None
    up_to: Figure | None = None
    products: tuple[ProductClass, ...] = ()


class Strength(Model):
    """What a statement of alcohol must be. ``lines``: wine and statement stand on one side of each,
    the line itself on the lower; ``numberless``: words that may stand for a number up to a
    strength; ``never``: words that may not stand in it; ``step``: what the number is a multiple
    of."""

    bands: tuple[Band, ...] = ()
    lines: tuple[Figure, ...] = ()
    numberless: dict[str, Figure] = Field(default_factory=dict)
    never: tuple[str, ...] = ()
    step: Figure | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        asked = (self.bands, self.lines, self.numberless, self.never, self.step)
        if sum(bool(each) for each in asked) != 1:
            raise wrong("a rule asks one thing of a strength")
        return self


class Beside(Model):
    """A text that must stand on the label too, any of ``says``; not needed where the share of the
    name, wherever it grew, is at least ``unless_total``."""

    says: tuple[str, ...]
    unless_total: Threshold | None = None


class Limit(Model):
    """A measured value that must be below a limit (mg/L)."""

    quantity: Literal["total_so2", "free_so2"]
    below: Figure


class Substance(Model):
    """What a material may be made of (``names``), and what that is on a list of ingredients:
    ``kind``, the ``term`` and the ``group`` that it stands under there, and its ``allergen``."""

    names: tuple[str, ...]
    kind: Literal["ingredient", "additive", "aid", "gas", "package"]
    term: str
    group: str | None = None
    allergen: str | None = None


class Ingredients(Model):
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
