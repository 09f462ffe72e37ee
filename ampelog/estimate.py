"""What an analysis of a blend would find, reckoned from the readings of the wines in it.

Alcohol, residual sugar, titratable and volatile acidity and total sulfur dioxide mix by volume
(table wines contract by less than 0.1 % vol; with spirit the rule is wrong, and alcohol is then
not reckoned). pH is logarithmic and buffered, free sulfur dioxide binds anew, and two stable wines
can be unstable together: those are never averaged, and must be measured again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from ampelog import moments
from ampelog.cellar_work import Dealing, dealings
from ampelog.particulars import figure
from ampelog.phrases import listed, several
from ampelog.questions import View
from ampelog.recipe import LINEAR

UNITS = {
    "alcohol": "% vol",
    "glucose_fructose": "g/L",
    "reducing_sugar": "g/L",
    "ta": "g/L",
    "va": "g/L",
    "total_so2": "mg/L",
}
AGAIN = {
    "ph": "pH is a logarithm and is buffered",
    "free_so2": "free SO2 binds anew",
    "heat_stability": "two stable wines can be unstable together",
    "cold_stability": "two stable wines can be unstable together",
}
"""What does not mix by volume, and why."""


class Draw(Struct, frozen=True):
    """What a blend takes of one holding: an amount in 10^-12 L."""

    lot: str
    vessel: str | None
    amount: int
    spirit: bool = False
    source: int = 0
    """Which of the blend's endpoints it belongs to."""


class Reading(Struct, frozen=True):
    """A recorded value of a wine: between ``low`` and ``high``, which differ where it is only known
    to be below. ``since``: what came into the wine after it was taken."""

    lot: str
    vessel: str | None
    text: str
    measured_on: str
    event: str
    endpoint: str | None = None
    since: tuple[str, ...] = ()

    @property
    def low(self) -> Fraction:
        """The least that it can be."""
        value, below = self._figure
        return Fraction(0) if below else value

    @property
    def high(self) -> Fraction:
        """The most that it can be."""
        return self._figure[0]

    @property
    def _figure(self) -> tuple[Fraction, bool]:
        found = figure(self.text)
        assert found is not None, "a recorded value is a figure"
        return found

    def as_json(self) -> dict[str, Any]:
        """The reading as a row of what an estimate rests on."""
        keys = ("lot", "vessel", "measured_on", "event")
        row = {key: getattr(self, key) for key in keys}
        return {**row, "value": self.text, "since": list(self.since)}


class Readings:
    """The latest readings of wines at a moment, each lot's records gone through once."""

    def __init__(self, view: View, instant: int) -> None:
        self._view, self._instant = view, instant
        self._courses: dict[tuple[str, int], _Course] = {}

    def of(self, lot: str, vessel: str | None) -> dict[str, Reading]:
        """The latest reading of each quantity that tells of a lot in a vessel."""
        return self._course(lot, self._instant).of(vessel)

    def _course(self, lot: str, until: int) -> _Course:
        key = (lot, until)
        if key not in self._courses:
            found = self._courses[key] = _Course(lot)
            for one in dealings(self._view, [lot], until):
                if one.event["kind"] == "lot" and one.event.get("name") == lot:
                    self._named(found, one)
                else:
                    day = moments.day(one.instant, self._view.zone).isoformat()
                    found.take(one.event, day)
        return self._courses[key]

    def _named(self, found: _Course, one: Dealing) -> None:
        """What bore another name keeps its measurements."""
        for end in several(one.event.get("of")):
            before = self._course(str(end["lot"]), one.instant)
            for vessel in _vessels(end) or list(before.known):
                found.known[vessel] = before.of(vessel)


class _Course:
    """A lot through its records: what is known of it in each vessel. ``wide`` is what was measured
    of all of it."""

    def __init__(self, lot: str) -> None:
        self.lot = lot
        self.known: dict[str | None, dict[str, Reading]] = {}
        self.wide: dict[str, Reading] = {}

    def of(self, vessel: str | None) -> dict[str, Reading]:
        """What is known of it in a vessel."""
        found = self.known.get(vessel, self.wide)
        return {name: replace(reading, vessel=vessel) for name, reading in found.items()}

    def take(self, event: Mapping[str, Any], day: str) -> None:
        """One event further."""
        if event["kind"] == "analysis" and event.get("lot") == self.lot:
            self._measured(event, day)
        elif event["kind"] == "treat" and event.get("lot") == self.lot:
            for vessel in _vessels(event) or list(self.known):
                self._mixed(vessel, "treat")
            if not _vessels(event):
                self.wide = _since(self.wide, "treat")
        elif event["kind"] in ("rack", "blend", "top", "barrel_down"):
            self._moved(event)

    def _measured(self, event: Mapping[str, Any], day: str) -> None:
        values = event.get("values") or {}
        found = {
            quantity: Reading(
                self.lot,
                None,
                str(values[quantity]),
                day,
                event["id"],
                values.get("ta_endpoint") if quantity == "ta" else None,
            )
            for quantity in (*LINEAR, *AGAIN)
            if quantity in values
        }
        vessels = _vessels(event)
        for vessel in vessels or list(self.known):
            self.known[vessel] = {**self.known.get(vessel, self.wide), **found}
        if not vessels:
            self.wide = {**self.wide, **found}

    def _moved(self, event: Mapping[str, Any]) -> None:
        """Wine of the lot that goes into another vessel takes with it what all of it has; what
        comes in from elsewhere is told of the reading."""
        kind = event["kind"]
        ends = several(event["from"])
        own = [end for end in ends if end["lot"] == self.lot]
        others = len(own) < len(ends)
        sources = [v for end in own for v in (_vessels(end) or list(self.known) or [None])]
        carried = self._shared(sources) if own else {}
        for end in several(event["to"]):
            if end["lot"] != self.lot:
                continue
            for vessel in _vessels(end) or [None]:
                if vessel not in self.known and own:
                    self.known[vessel] = carried
                if others or vessel not in sources:
                    self._mixed(vessel, kind)

    def _shared(self, vessels: Sequence[str | None]) -> dict[str, Reading]:
        """What is known alike of all of these vessels."""
        each = [self.known.get(vessel, self.wide) for vessel in vessels]
        first, rest = each[0], each[1:]
        return {
            quantity: reading
            for quantity, reading in first.items()
            if all(quantity in one and one[quantity].event == reading.event for one in rest)
        }

    def _mixed(self, vessel: str | None, kind: str) -> None:
        self.known[vessel] = _since(self.known.get(vessel, self.wide), kind)


def _since(found: Mapping[str, Reading], kind: str) -> dict[str, Reading]:
    return {
        name: one if kind in one.since else replace(one, since=(*one.since, kind))
        for name, one in found.items()
    }


def _vessels(end: Mapping[str, Any]) -> list[str | None]:
    """The vessels that an endpoint or a target names; none means all there are."""
    if "vessels" in end:
        return list(end["vessels"])
    return [end["vessel"]] if "vessel" in end else []


def estimate(draws: Sequence[Draw], readings: Readings) -> list[dict[str, Any]]:
    """Each quantity of a blend: its value and what that rests on, or why there is none. Of reducing
    sugar nothing is said where nobody measured it."""
    each = [(draw, readings.of(draw.lot, draw.vessel)) for draw in draws]
    rows = []
    for quantity in LINEAR:
        found = [(draw, known.get(quantity)) for draw, known in each]
        if quantity != "reducing_sugar" or any(reading for _, reading in found):
            rows.append(_mixed(quantity, found))
    for quantity, why in AGAIN.items():
        rests = [known[quantity] for _, known in each if quantity in known]
        row = _row(quantity, None, rests, [])
        rows.append({**row, "says": f"measure again: {why}"})
    return rows


def _mixed(quantity: str, found: Sequence[tuple[Draw, Reading | None]]) -> dict[str, Any]:
    missing = [(draw.lot, draw.vessel) for draw, reading in found if not reading]
    rests = [reading for _, reading in found if reading is not None]
    if missing:
        row = _row(quantity, None, rests, missing)
        return {**row, "says": f"no reading of {listed(sorted({lot for lot, _ in missing}))}"}
    if quantity == "alcohol" and any(draw.spirit for draw, _ in found):
        row = _row(quantity, None, rests, [])
        return {**row, "says": "measure again: wine and spirit contract when they mix"}
    if len({reading.endpoint for reading in rests}) > 1:
        row = _row(quantity, None, rests, [])
        return {**row, "says": "titrated to different end points, which are never averaged"}
    total = sum(draw.amount for draw, _ in found)
    low, high = (
        sum((draw.amount * getattr(one, side) for draw, one in found), Fraction(0)) / total
        for side in ("low", "high")
    )
    decimals = max(len(reading.text.partition(".")[2]) for reading in rests)
    row = _row(quantity, _nearest(high, decimals), rests, [])
    return {**row, "below": low != high, "says": ""}


def _row(
    quantity: str,
    value: str | None,
    rests: Sequence[Reading],
    missing: Sequence[tuple[str, str | None]],
) -> dict[str, Any]:
    return {
        "quantity": quantity,
        "unit": UNITS.get(quantity),
        "value": value,
        "below": False,
        "measure_again": quantity in AGAIN,
        "rests_on": [reading.as_json() for reading in rests],
        "missing": [{"lot": lot, "vessel": vessel} for lot, vessel in missing],
    }


def _nearest(value: Fraction, decimals: int) -> str:
    """As many digits as the readings have, the nearest."""
    scaled = round(value * 10**decimals)
    whole, rest = divmod(scaled, 10**decimals)
    return f"{whole}.{rest:0{decimals}d}" if decimals else str(whole)


def spans(
    draws: Sequence[Draw], readings: Readings, quantity: str
) -> tuple[Fraction, Fraction] | None:
    """The least and the most that a quantity can be in such draws, exactly; None where it is not
    known of all of them, or does not mix by volume here."""
    found = [(draw, readings.of(draw.lot, draw.vessel).get(quantity)) for draw in draws]
    known = [(draw, reading) for draw, reading in found if reading is not None]
    total = sum(draw.amount for draw, _ in known)
    spirit = quantity == "alcohol" and any(draw.spirit for draw in draws)
    if len(known) < len(found) or not total or spirit:
        return None
    if len({reading.endpoint for _, reading in known}) > 1:
        return None
    low = sum((draw.amount * reading.low for draw, reading in known), Fraction(0)) / total
    high = sum((draw.amount * reading.high for draw, reading in known), Fraction(0)) / total
    return low, high
