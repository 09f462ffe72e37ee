"""The types of the fields that events bear: names, quantities, decimals, small records.

Quantities are read here into exact integers (``ampelog.quantities``), so that an event that has
passed its model can be replayed without parsing anything again.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    InstanceOf,
    StrictBool,
    StrictInt,
    StringConstraints,
    model_validator,
)
from pydantic_core import PydanticCustomError

from ampelog import quantities
from ampelog.graph import Role
from ampelog.moments import NotATime, zone_of
from ampelog.quantities import BOTTLES, MASS, VOLUME, NotAQuantity, Quantity

MOST_BOTTLES = 1_000_000_000


def wrong(says: str) -> PydanticCustomError:
    """An error whose words are ours and reach the reader as they stand."""
    return PydanticCustomError("ampelog", "{says}", {"says": says})


def _quantity(text: Any) -> Quantity:
    if not isinstance(text, str):
        raise wrong(f'`{text}` has no unit; a quantity is a text with its unit, as in "60 gal"')
    try:
        return quantities.parse(text)
    except NotAQuantity as problem:
        raise wrong(str(problem)) from None


def _of(dimension: str) -> Callable[[Any], int]:
    def amount(text: Any) -> int:
        quantity = _quantity(text)
        if quantity.dimension != dimension:
            raise wrong(f"`{text}` is a {quantity.dimension}, wanted a {dimension}")
        return quantity.amount

    return amount


def _each(value: Any) -> Quantity:
    if isinstance(value, int) and not isinstance(value, bool):
        if not 0 < value <= MOST_BOTTLES:
            raise wrong(f"`{value}` bottles each: wanted a whole number above zero")
        return Quantity(BOTTLES, value)
    return _quantity(value)


def share_of(text: str) -> Fraction:
    """The exact value of a share, or an error in our words."""
    try:
        return quantities.share(text)
    except NotAQuantity as problem:
        raise wrong(str(problem)) from None


def _part(text: str) -> str:
    if share_of(text) > 1:
        raise wrong(f"`{text}` is over 1; wanted a part of the whole, as in `0.75`")
    return text


def _zone(name: str) -> str:
    try:
        zone_of(name)
    except NotATime as problem:
        raise wrong(str(problem)) from None
    return name


def _date(text: str) -> str:
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
            raise ValueError
        date.fromisoformat(text)
    except ValueError:
        raise wrong(f"`{text}` is no date; wanted one like `2024-10-03`") from None
    return text


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


Name = Annotated[
    str,
    StringConstraints(
        min_length=1, max_length=64, pattern=r"^[^\s\p{Cc}](?:[^\p{Cc}]*[^\s\p{Cc}])?$"
    ),
]
Text = Annotated[str, StringConstraints(min_length=1, max_length=20_000)]
Uuid = Annotated[
    str,
    StringConstraints(
        pattern=r"^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}$"
    ),
]
Volume = Annotated[int, BeforeValidator(_of(VOLUME))]
Mass = Annotated[int, BeforeValidator(_of(MASS))]
AnyQuantity = Annotated[InstanceOf[Quantity], BeforeValidator(_quantity)]
Each = Annotated[InstanceOf[Quantity], BeforeValidator(_each)]
Bottles = Annotated[StrictInt, Field(gt=0, le=MOST_BOTTLES)]
Measured = Annotated[str, StringConstraints(pattern=r"^-?[0-9]{1,12}(\.[0-9]{1,12})?$")]
Found = Annotated[str, StringConstraints(pattern=r"^<?-?[0-9]{1,12}(\.[0-9]{1,12})?$")]
Temperature = Annotated[str, StringConstraints(pattern=r"^-?[0-9]{1,3}(\.[0-9]{1,12})? [CF]$")]
Share = Annotated[str, AfterValidator(lambda text: (share_of(text), text)[1])]
Day = Annotated[str, AfterValidator(_date)]
Zone = Annotated[Text, AfterValidator(_zone)]
Year = Annotated[StrictInt, Field(ge=1800, le=2200)]
Hours = Annotated[StrictInt, Field(ge=0, le=10_000)] | Measured
Further = Text | Annotated[StrictInt, Field(ge=-(2**53) + 1, le=2**53 - 1)]
Names = list[Name]
Certifications = list[Text]


class Part(BaseModel):
    """A record inside an event; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Paper(Part):
    title: Text
    sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")] | None = None


class MaterialUse(Part):
    material: Name
    lot: Text | None = None
    amount: AnyQuantity | None = None


class Planting(Part):
    variety: Text
    share: Share | None = None
    clone: Text | None = None


def _plantings(plantings: list[Planting]) -> list[Planting]:
    if not plantings:
        raise wrong("at least one planting is wanted")
    if len(plantings) == 1 and plantings[0].share is None:
        return plantings
    if any(planting.share is None for planting in plantings):
        raise wrong("each of several plantings needs a `share`")
    total = sum((share_of(planting.share or "0") for planting in plantings), Fraction(0))
    if total != 1:
        raise wrong(f"the shares of the plantings sum to {total}, wanted exactly 1")
    return plantings


Plantings = Annotated[list[Planting], AfterValidator(_plantings)]


class Component(Part):
    """One part of what a received body of wine or fruit is made of."""

    share: Share | None = None
    variety: Text | None = None
    vintage: Year | None = None
    within: Names | None = None
    block: Name | None = None
    harvested: Day | None = None
    certifications: Certifications | None = None
    tags: list[Text] | None = None


def _components(parts: list[Component]) -> list[Component]:
    if len(parts) == 1 and parts[0].share is None:
        return parts
    if not parts or any(part.share is None for part in parts):
        raise wrong("each part of a composition needs a `share`")
    if any(share_of(part.share or "0") == 0 for part in parts):
        raise wrong("a part of a composition has a `share` above zero")
    total = sum((share_of(part.share or "0") for part in parts), Fraction(0))
    if total != 1:
        raise wrong(f"the shares of the composition sum to {total}, wanted exactly 1")
    return parts


Components = Annotated[list[Component], AfterValidator(_components)]


class Control(Part):
    basis: Literal["owned", "leased"]
    from_: Day | None = Field(default=None, alias="from")
    to: Day | None = None
    farmed_by: Text | None = None


class Cooperage(Part):
    origin: Text | None = None
    wood: Text | None = None
    cooper: Text | None = None
    toast: Text | None = None
    first_filled: Text | None = None


class Where(Part):
    """The lot and the vessels a quantity is taken from, put into, or found in."""

    lot: Name
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None
    volume: Volume | None = None
    mass: Mass | None = None
    bottles: Bottles | None = None
    each: Each | None = None
    temperature: Temperature | None = None


def check_place(where: Any, *others: object) -> int:
    """Refuse what no endpoint or target may say: both forms of vessel, two quantities.

    ``others`` are the quantities beside the usual four (``all``, ``empty``). Returns how many
    quantities are stated, 0 or 1.
    """
    vessels = where.vessels
    if vessels is not None:
        if where.vessel is not None:
            raise wrong("`vessel` and `vessels` are both given; name the vessels in one of them")
        if len(set(vessels)) != len(vessels):
            raise wrong("a vessel is named twice in `vessels`")
    stated = 4 - [where.volume, where.mass, where.bottles, where.each].count(None)
    stated += len(others) - others.count(None)
    if stated > 1:
        raise wrong("more than one quantity is given; one is wanted")
    return stated


def _each_of(endpoint: Where) -> None:
    if endpoint.each is not None and endpoint.vessels is None:
        raise wrong("`each` needs `vessels`: it is the quantity of each of them")


class Source(Where):
    """An endpoint of ``from``."""

    all: Literal[True] | None = None
    role: Role | None = None

    @model_validator(mode="after")
    def _quantity(self) -> Source:
        if not check_place(self, self.all):
            raise wrong("no quantity; wanted `volume`, `mass`, `bottles`, `each` or `all`")
        _each_of(self)
        return self


class Destination(Where):
    """An endpoint of ``to``; its quantity is always stated."""

    @model_validator(mode="after")
    def _quantity(self) -> Destination:
        if not check_place(self):
            raise wrong('no quantity; in `to` it is always stated, there is no "the rest"')
        _each_of(self)
        return self


class Topped(Destination):
    """An output of ``top``: ``full`` fills the vessel to its registered capacity."""

    full: Literal[True] | None = None


class Pressed(Destination):
    """An output of ``press``, which may name its fraction."""

    lot: Name | None = None  # type: ignore[assignment]  # pomace may go nameless
    fraction: Literal["free run", "light press", "hard press", "pomace"] | None = None

    @model_validator(mode="after")
    def _named(self) -> Pressed:
        if self.lot is None and self.fraction != "pomace":
            raise wrong("an output needs its `lot`; only pomace may go without")
        return self


class Filled(Part):
    """An output of ``bottle`` or ``pack``."""

    lot: Name
    vessel: Name | None = None
    bottles: Bottles
    format: Volume | None = None
    label: Name | None = None
    code: Text | None = None


class Holding(Part):
    """An endpoint without quantity, in ``lot`` ``of``."""

    lot: Name
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Holding:
        if self.vessels is not None and self.vessel is not None:
            raise wrong("`vessel` and `vessels` are both given; name the vessels in one of them")
        return self


class PumpOver(Part):
    on_hours: Hours | None = None
    off_hours: Hours | None = None


class Regime(BaseModel):
    """How a cap is worked; may bear further names."""

    model_config = ConfigDict(frozen=True, extra="allow", defer_build=True)
    __pydantic_extra__: dict[str, Further]

    pump_over: PumpOver | None = None
    punch_downs_per_day: Annotated[StrictInt, Field(ge=0, le=100)] | Measured | None = None
    note: Text | None = None


class Approval(Part):
    authority: Text
    number: Text | None = None
    date: Day | None = None


Fact = Literal[
    "variety",
    "vintage",
    "block",
    "vineyard",
    "grower",
    "estate",
    "place",
    "role",
    "certification",
    "picked_on",
    "picking",
    "clone",
    "tags",
    "fraction",
    "organism",
    "regime",
]
"""What a wine may be told apart by: the fields of a composition (COMMANDS.md)."""


class Says(Part):
    """A text statement of a label, with what part of the wine it is about."""

    says: Text
    where: dict[Fact, Any] | None = None
    at_least: Annotated[Share, AfterValidator(_part)] | None = None


class Statements(Part):
    variety: list[Text] | None = None
    shares: dict[str, Measured] | None = None
    vintage: Year | None = None
    appellation: Name | Annotated[Names, Field(min_length=1)] | None = None
    vineyard: Name | None = None
    estate_bottled: StrictBool | None = None
    alcohol: Text | None = None
    bottler: Literal["produced", "made", "blended", "cellared", "vinted", "prepared"] | None = None
    text: list[Says] | None = None


OneOrMore = BeforeValidator(_as_list)
"""An endpoint may be given alone or in a list."""
