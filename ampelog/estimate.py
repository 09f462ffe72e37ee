"""What an analysis of a blend would find, reckoned from the readings of the wines in it.

Alcohol, residual sugar, titratable and volatile acidity and total sulfur dioxide mix by volume
(table wines contract by less than 0.1 % vol; with spirit the rule is wrong, and alcohol is then
not reckoned). pH is logarithmic and buffered, free sulfur dioxide binds anew, and two stable wines
can be unstable together: those are never averaged, and must be measured again.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction
from typing import Any

from msgspec import Struct

from ampelog import history, moments
from ampelog.biography import Body, Measured, Telling
from ampelog.excerpt import alone
from ampelog.gates import table
from ampelog.measurements import number
from ampelog.particulars import figure
from ampelog.phrases import listed
from ampelog.questions import View
from ampelog.recipe import LINEAR

_MOST = Fraction(1, 2)
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
    to be below. ``since``: the kinds of events that changed the wine after it was taken."""

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
        assert found is not None, "what mixes by volume is a figure"
        return found

    def as_json(self) -> dict[str, Any]:
        """The reading as a row of what an estimate rests on."""
        keys = ("lot", "vessel", "measured_on", "event")
        row = {key: getattr(self, key) for key in keys}
        return {**row, "value": self.text, "since": list(self.since)}


class Readings:
    """What is known by measuring of the wines of some lots at a moment, by their ``biography``: a
    reading counts while most of the wine is what it was made on."""

    def __init__(self, view: View, instant: int, lots: Collection[str]) -> None:
        story = alone([step for step in view.steps if step.instant <= instant], lots)
        telling = Telling(view, table(), story.names)
        with history.still():
            telling.happen(story.steps)
        self._bodies, self._zone = telling.known.bodies, view.zone
        self._events = {step.id: step.event for step in story.steps}

    def of(self, lot: str, vessel: str | None) -> dict[str, Reading]:
        """The latest reading of each quantity that tells of a lot in a vessel."""
        body = self._bodies.get((lot, vessel), Body())
        return {
            quantity: self._reading(lot, vessel, body, one)
            for quantity in (*LINEAR, *AGAIN)
            if (one := body.measured.get(quantity)) is not None
            and one.kept > _MOST
            and (quantity in AGAIN or _is_figure(one.value))
        }

    def _reading(self, lot: str, vessel: str | None, body: Body, one: Measured) -> Reading:
        after = [each for each in body.changes if each.order > one.order]
        later = [self._events[each.event]["kind"] for each in after]
        values = self._events[one.event].get("values") or {}
        return Reading(
            lot,
            vessel,
            one.value,
            moments.day(one.instant, self._zone).isoformat(),
            one.event,
            values.get("ta_endpoint") if one.quantity == "ta" else None,
            tuple(dict.fromkeys([*later, *one.mixed])),
        )


def _is_figure(text: str) -> bool:
    """Whether a value is told as a laboratory tells its own; what stands beside those is text."""
    return " " not in text and number(text.removeprefix("<")) is not None


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
    whole, rest = divmod(abs(scaled), 10**decimals)
    sign = "-" if scaled < 0 else ""
    return f"{sign}{whole}.{rest:0{decimals}d}" if decimals else f"{sign}{whole}"


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
