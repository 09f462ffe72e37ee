"""One frozen model per kind of event (EVENTS.md). Unknown keys are refused.

A model holds what the event says, quantities as exact integers; it knows nothing of the cellar.
The text that is kept and hashed is the event as received, never the model. Models build when
first used: a command that meets three kinds pays for three.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StringConstraints, model_validator

from ampelog.fields import (
    AnyQuantity,
    Approval,
    Bottles,
    Certifications,
    Components,
    Control,
    Cooperage,
    Day,
    Destination,
    Each,
    Filled,
    Found,
    Further,
    Holding,
    Mass,
    MaterialUse,
    Measured,
    Name,
    Names,
    OneOrMore,
    Paper,
    Plantings,
    Pressed,
    Regime,
    Source,
    Statements,
    Temperature,
    Text,
    Topped,
    Uuid,
    Volume,
    Year,
    Zone,
    check_place,
    wrong,
)
from ampelog.graph import Role
from ampelog.places import PlaceType
from ampelog.told import unfolded

Bond = Literal["in bond", "taxpaid", "imported"]
State = Literal["grapes", "juice", "must", "wine", "spirit", "concentrate", "bottled"]
Removal = Literal[
    "taxpaid",
    "in bond",
    "export",
    "tasting",
    "testing",
    "family",
    "distilling",
    "vinegar",
    "destroyed",
]
LossReason = Literal[
    "evaporation",
    "lees",
    "pomace",
    "spill",
    "filter",
    "line",
    "sample",
    "breakage",
    "theft",
    "destroyed",
    "inventory",
]
Sources = Annotated[list[Source], Field(min_length=1), OneOrMore]
Destinations = Annotated[list[Destination], Field(min_length=1), OneOrMore]
Outputs = Annotated[list[Filled], Field(min_length=1), OneOrMore]
Rest = Annotated[str, StringConstraints(pattern=r"^[1-9][0-9]{0,4} (days|months)$")] | Day


class Event(BaseModel):
    """What every event may say."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    kind: str
    at: str
    until: str | None = None
    id: Uuid | None = None
    by: Text | None = None
    ref: Text | None = None
    papers: list[Paper] | None = None
    note: Text | None = None
    estimated: StrictBool | None = None
    despite: Text | None = None


class Register(Event):
    """A register event; later ones change the fields they name, ``null`` clears one."""

    name: Name


class Place(Register):
    type: PlaceType | None = None
    within: Names | None = None
    spans: Names | None = None


class Block(Register):
    plantings: Plantings | None = None
    within: Names | None = None
    spans: Names | None = None
    grower: Name | None = None
    estate: StrictBool | None = None
    control: Control | None = None
    certifications: Certifications | None = None
    area: Annotated[str, StringConstraints(pattern=r"^[0-9]{1,9}(\.[0-9]{1,12})? (ha|acre)$")] | (
        None
    ) = None
    rootstock: Text | None = None
    planted: Text | Year | None = None
    tags: list[Text] | None = None


class Premises(Register):
    within: Names | None = None
    permit: Text | None = None
    timezone: Zone | None = None


class Party(Register):
    address: Text | None = None
    phone: Text | None = None
    permit: Text | None = None


class Material(Register):
    is_: list[Text] | None = Field(default=None, alias="is")


class Vessel(Register):
    type: Text | None = None
    capacity: Volume | None = None
    premises: Name | None = None
    cooperage: Cooperage | None = None
    retired: StrictBool | Day | None = None


class Lot(Register):
    label: Name | None = None
    style: Text | None = None
    owner: Name | None = None
    tags: list[Text] | None = None
    of: Annotated[list[Holding], Field(min_length=1), OneOrMore] | None = None


class Label(Register):
    style: Literal["dry red", "dry white", "rose", "sweet", "sparkling", "fortified"] | None = None
    malolactic: Literal["complete", "blocked"] | None = None
    market: Annotated[list[Text], Field(min_length=1)] | None = None
    statements: Statements | None = None
    rest: Rest | None = None
    approvals: list[Approval] | None = None


class Pick(Event):
    block: Name
    lot: Name
    mass: Mass
    vessel: Name | None = None
    plantings: Plantings | None = None
    picking: Literal["hand", "machine"] | None = None
    brix: Measured | None = None
    ph: Measured | None = None
    ta: Measured | None = None
    tags: list[Text] | None = None
    vintage: Year | None = None


class Receive(Event):
    lot: Name | None = None
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None
    volume: Volume | None = None
    mass: Mass | None = None
    bottles: Bottles | None = None
    each: Each | None = None
    temperature: Temperature | None = None
    format: Volume | None = None
    label: Name | None = None
    code: Text | None = None
    state: State | None = None
    supplier: Name | None = None
    document: Text | None = None
    bond: Bond | None = None
    fermented_at: Names | None = None
    composition: Components | None = None
    material: Name | None = None
    material_lot: Text | None = None
    amount: AnyQuantity | None = None

    @model_validator(mode="after")
    def _wine_or_material(self) -> Receive:
        if self.material is not None:
            if self.lot is not None:
                raise wrong("a receipt is of a `lot` or of a `material`, not of both")
            return self
        if self.lot is None:
            raise wrong("no `lot` and no `material`; what came in?")
        if not check_place(self):
            raise wrong("no quantity; wanted `volume`, `mass` or `bottles`")
        if self.bottles is not None and self.format is None:
            raise wrong('`bottles` need their `format`, as in "750 mL"')
        return self


class Movement(Event):
    """What moves wine or fruit from holdings into holdings."""

    from_: Sources = Field(alias="from")
    to: Destinations
    loss: Text | None = None
    gain: Text | None = None


class Crush(Movement):
    method: dict[str, Further] | None = None


class Press(Movement):
    to: Annotated[list[Pressed], Field(min_length=1), OneOrMore]  # type: ignore[assignment]


class Rack(Movement):
    pass


class BarrelDown(Movement):
    pass


class Top(Movement):
    to: Annotated[list[Topped], Field(min_length=1), OneOrMore]  # type: ignore[assignment]


class Blend(Movement):
    pass


class Bottle(Event):
    from_: Sources = Field(alias="from")
    to: Outputs
    statements: Statements | None = None
    materials: list[MaterialUse] | None = None
    loss: Text | None = None
    gain: Text | None = None


class Pack(Event):
    from_: Sources = Field(alias="from")
    to: Outputs
    materials: list[MaterialUse] | None = None
    loss: Text | None = None
    gain: Text | None = None


class Targeted(Event):
    """What happens in place: to a lot, in some of its vessels or in all it lies in."""

    lot: Name
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Targeted:
        if self.vessels is not None and self.vessel is not None:
            raise wrong("`vessel` and `vessels` are both given; name the vessels in one of them")
        return self


class Treat(Targeted):
    treatment: Text
    material: Name | None = None
    material_lot: Text | None = None
    materials: list[MaterialUse] | None = None
    amount: AnyQuantity | None = None
    rate: Text | None = None
    each: Each | None = None
    adds: Volume | None = None
    role: Role | None = None
    temperature: Temperature | None = None

    @model_validator(mode="after")
    def _adds(self) -> Treat:
        if (self.adds or self.role) and (self.role is None or self.material is None):
            raise wrong("`adds` needs its `material` and a `role`: laws count what was added by it")
        if self.adds is not None and self.each is not None:
            raise wrong("`adds` and `each` are both given; `each` is what every vessel gets")
        return self


class Gauge(Targeted):
    volume: Volume | None = None
    mass: Mass | None = None
    bottles: Annotated[Bottles, Field(ge=0)] | None = None
    each: Each | None = None
    empty: Literal[True] | None = None
    reason: Literal["dip", "inventory", "produced", "contraction"] | None = None
    temperature: Temperature | None = None

    @model_validator(mode="after")
    def _measured(self) -> Gauge:
        if not check_place(self, self.empty):
            raise wrong("nothing measured; wanted `volume`, `mass`, `bottles`, `each` or `empty`")
        return self


class Loss(Targeted):
    volume: Volume | None = None
    mass: Mass | None = None
    bottles: Bottles | None = None
    each: Each | None = None
    all: Literal[True] | None = None
    reason: LossReason
    temperature: Temperature | None = None

    @model_validator(mode="after")
    def _lost(self) -> Loss:
        if not check_place(self, self.all):
            raise wrong("no quantity; wanted `volume`, `mass`, `bottles`, `each` or `all`")
        return self


class Ship(Event):
    from_: Annotated[list[Source], Field(min_length=1, max_length=1), OneOrMore] = Field(
        alias="from"
    )
    to: Name | None = None
    document: Text | None = None
    carrier: Text | None = None
    code: Text | None = None
    removal: Removal | None = None


class Return(Event):
    lot: Name
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None
    volume: Volume | None = None
    mass: Mass | None = None
    bottles: Bottles | None = None
    each: Each | None = None
    temperature: Temperature | None = None
    from_party: Name | None = None
    document: Text | None = None

    @model_validator(mode="after")
    def _quantity(self) -> Return:
        if not check_place(self):
            raise wrong("no quantity; wanted `volume`, `mass` or `bottles`")
        return self


class Ferment(Targeted):
    culture: Literal["alcoholic", "malolactic"]
    stage: Literal["start", "change", "end"]
    organism: Text | None = None
    native: StrictBool | None = None
    regime: Regime | None = None
    method: dict[str, Further] | None = None
    materials: list[MaterialUse] | None = None


class Reading(Targeted):
    brix: Measured | None = None
    specific_gravity: Measured | None = None
    instrument: Literal["hydrometer", "refractometer"] | None = None
    temperature: Temperature | None = None

    @model_validator(mode="after")
    def _read(self) -> Reading:
        if self.brix is not None and self.specific_gravity is not None:
            raise wrong(
                "`brix` and `specific_gravity` are both given; what did the instrument show?"
            )
        if self.brix is None and self.specific_gravity is None and self.temperature is None:
            raise wrong("nothing read; wanted `brix`, `specific_gravity` or `temperature`")
        return self


class Values(BaseModel):
    """What a laboratory found; decimal strings, a leading ``<`` allowed. Units: EVENTS.md."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    ph: Found | None = None
    ta: Found | None = None
    ta_endpoint: Literal["7.0", "8.2"] | None = None
    alcohol: Found | None = None
    va: Found | None = None
    free_so2: Found | None = None
    total_so2: Found | None = None
    glucose_fructose: Found | None = None
    reducing_sugar: Found | None = None
    malic: Found | None = None
    turbidity: Found | None = None
    dissolved_oxygen: Found | None = None
    co2: Found | None = None
    heat_stability: Found | None = None
    cold_stability: Literal["pass", "fail"] | None = None
    copper: Found | None = None
    iron: Found | None = None
    other: dict[str, Further] | None = None


class About(Event):
    """What is about a lot's wine, or about something else that is named."""

    lot: Name | None = None
    vessel: Name | None = None
    vessels: Annotated[Names, Field(min_length=1)] | None = None
    block: Name | None = None

    def _subjects(self) -> tuple[str, ...]:
        return ("lot", "block")

    @model_validator(mode="after")
    def _one_subject(self) -> About:
        subjects = self._subjects()
        named = [name for name in subjects if getattr(self, name) is not None]
        if len(named) != 1:
            seen = " and ".join(f"`{name}`" for name in named) or "none"
            wanted = ", ".join(f"`{name}`" for name in subjects)
            raise wrong(f"{seen} given; wanted exactly one of {wanted}")
        if self.lot is None and (self.vessel or self.vessels):
            raise wrong("a vessel is named without its `lot`")
        if self.vessels is not None and self.vessel is not None:
            raise wrong("`vessel` and `vessels` are both given; name the vessels in one of them")
        return self


class Analysis(About):
    lab: Text | None = None
    sample: Text | None = None
    method: Text | dict[str, Further] | None = None
    values: Values | None = None
    other: dict[str, Further] | None = None

    @model_validator(mode="after")
    def _found(self) -> Analysis:
        if self.values is None and self.other is None:
            raise wrong("no `values`; what did the laboratory find?")
        return self


class Note(About):
    label: Name | None = None
    material: Name | None = None
    party: Name | None = None
    text: Text | None = None
    gate: Text | None = None
    result: Literal["pass", "fail", "waived"] | None = None

    def _subjects(self) -> tuple[str, ...]:
        return ("lot", "block", "label", "material", "party")


class Hold(About):
    material_lot: Text | None = None
    reason: Text

    def _subjects(self) -> tuple[str, ...]:
        return ("lot", "block", "material_lot")


class Clear(Event):
    hold: Uuid
    reason: Text


class Release(Event):
    lot: Name


class Correct(Event):
    corrects: Uuid
    reason: Text
    replacement: dict[str, Any] | None

    @model_validator(mode="after")
    def _replacement(self) -> Correct:
        if self.replacement is not None and "id" in self.replacement:
            raise wrong("a `replacement` has no `id`; it keeps that of the event it replaces")
        return self


KINDS: dict[str, type[Event]] = {
    "place": Place,
    "block": Block,
    "premises": Premises,
    "party": Party,
    "material": Material,
    "vessel": Vessel,
    "lot": Lot,
    "label": Label,
    "pick": Pick,
    "receive": Receive,
    "crush": Crush,
    "press": Press,
    "rack": Rack,
    "barrel_down": BarrelDown,
    "top": Top,
    "blend": Blend,
    "treat": Treat,
    "gauge": Gauge,
    "loss": Loss,
    "bottle": Bottle,
    "pack": Pack,
    "ship": Ship,
    "return": Return,
    "ferment": Ferment,
    "reading": Reading,
    "analysis": Analysis,
    "note": Note,
    "hold": Hold,
    "clear": Clear,
    "release": Release,
    "correct": Correct,
}
LOOK_AHEAD = frozenset({"label", "release", "lot"})
"""Kinds whose ``at`` may lie more than a day after the recording."""


def model_of(event: dict[str, Any]) -> Event:
    """The model of an event whose ``kind`` is known; raises pydantic's ``ValidationError``."""
    return KINDS[event["kind"]].model_validate(unfolded(event))
