"""Trials: blends that are thought of, tried as if they had been recorded.

Each candidate is a `blend` event that is supposed (``recording.supposed``): composition and claims
are then asked of the cellar with it, as they would be after recording it. Nothing is mixed here but
the estimated analysis.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from fractions import Fraction
from itertools import groupby
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from msgspec import Struct
from msgspec.structs import replace

from ampelog import claimable, composing, lines, moments
from ampelog.composition import shared
from ampelog.errors import Refused
from ampelog.estimate import Draw, Readings, estimate
from ampelog.history import zone_of
from ampelog.labelling import Labelled
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.quantities import NotAQuantity, floor_text, parse, split, text
from ampelog.questions import View, end_of
from ampelog.recipe import Candidate, Recipe
from ampelog.recipe_values import UNIT_KEYS
from ampelog.recording import supposed
from ampelog.shorthand import endpoint
from ampelog.state import VOLUME
from ampelog.verdicts import Verdict, verdict

ANSWER = "answer"
"""The name of the blend that answers the targets, among the candidates."""
MONEY = 4
"""Decimals of a cost."""


class Asking(Struct, frozen=True):
    """Who asks when, of which day, and what else is supposed."""

    by: str
    now: int
    as_of: str | None = None
    entries: tuple[Entry, ...] = ()


class Tried(Struct, frozen=True):
    """A candidate after its trial: the answer as JSON, and the verdicts it rests on."""

    candidate: Candidate
    answer: dict[str, Any]
    rows: tuple[Verdict, ...] = ()


class Trial:
    """A recipe in a cellar."""

    def __init__(self, ledger: Ledger, recipe: Recipe, asking: Asking) -> None:
        self.ledger, self.recipe, self.asking = ledger, recipe, asking
        self.zone = zone_of(ledger)
        self.until = end_of(ledger, asking.as_of)
        self._readings: Readings | None = None

    @contextmanager
    def cellar(self, candidate: Candidate | None = None) -> Iterator[View]:
        """The cellar, with a candidate blended in it where one is named."""
        asking = self.asking
        entries = list(asking.entries)
        if candidate is not None:
            entries += self._entries(candidate)
        with supposed(
            self.ledger, entries, by=asking.by, now=asking.now, until=self.until
        ) as findings:
            view = View(self.ledger, asking.as_of)
            self.findings = findings
            yield view

    # The event

    @property
    def at(self) -> str:
        """When the blend takes place."""
        if self.recipe.at is not None:
            return self.recipe.at
        if self.asking.as_of is not None:
            return f"{self.asking.as_of}T23:59:59.999999"
        return moments.day_and_minute(self.asking.now, self.zone)

    def event(self, candidate: Candidate) -> dict[str, Any]:
        """The `blend` event that a candidate would be recorded as. Its `id` is that of the recipe:
        recorded twice, it is known."""
        recipe = self.recipe
        into: dict[str, Any] = {"lot": recipe.into}
        if recipe.vessel is not None:
            into["vessel"] = recipe.vessel
        sources = [dict(source) for source in candidate.sources]
        with self.cellar() as view:
            for source in sources:
                view.lot(str(source.get("lot")))
            drawn = draws(view, candidate)
            self.check_into(view, drawn)
        whole = sum(draw.amount for draw in drawn)
        # Where nothing can be drawn the event is refused for that, whatever it would fill.
        into["volume"] = said(whole, unit_of(candidate)) if whole else "1 L"
        event = {
            "kind": "blend",
            "at": self.at,
            "from": sources if len(sources) > 1 else sources[0],
            "to": into,
            "id": id_of(self.ledger, self.recipe, candidate.name),
        }
        return event if recipe.ref is None else {**event, "ref": recipe.ref}

    def check_into(self, view: View, drawn: Sequence[Draw] = ()) -> None:
        """``Refused`` where the blend would mix with wine that is in its lot: of that the answer
        would not be."""
        into = view.cellar.lots.get(self.recipe.into)
        if into is None or into.sort != VOLUME:
            return
        if into.amount > sum(draw.amount for draw in drawn if draw.lot == into.name):
            raise Refused(
                f"`{into.name}` holds wine already",
                hint="name the blend anew in `into`, and let that lot be one of those to draw on",
            )

    def _entries(self, candidate: Candidate) -> list[Entry]:
        where = f"{self.recipe.name}, candidate {candidate.name}"
        events = [self.event(candidate)]
        if self.recipe.register is not None:
            events.insert(0, {"at": self.at, **self.recipe.register, "kind": "label"})
        found = [lines.typed(event, where, self.zone, self.asking.now) for event in events]
        problems = [one for each in found if not isinstance(each, Entry) for one in each]
        if problems:
            raise Refused(f"candidate {candidate.name} is no blend", problems)
        return [each for each in found if isinstance(each, Entry)]

    # The answer

    def tried(self, candidate: Candidate) -> Tried:
        """Everything about one candidate."""
        if not candidate.sources:
            raise Refused(f"candidate {candidate.name} draws on nothing")
        event = self.event(candidate)
        with self.cellar(candidate) as view:
            findings = [one.row() for one in self.findings]
            lot = view.lot(self.recipe.into)
            made = composing.composition(view, lot.name, composing.fields(",".join(self.recipe.by)))
            label, rows, told = self._claims(view)
        with self.cellar() as view:
            drawn = draws(view, candidate)
            if not drawn:
                raise Refused(f"candidate {candidate.name} draws on no wine that is held by volume")
            analysis = estimate(drawn, self.readings(view))
        answer = {
            "name": candidate.name,
            "lot": self.recipe.into,
            "volume_l": made["volume_l"],
            "components": self._components(drawn),
            "composition": made["shares"],
            "analysis": analysis,
            "label": label,
            "verdict": verdict(rows) if label is not None else None,
            "claims": told,
            "cost": self._cost(drawn),
            "event": event,
            "findings": findings,
        }
        return Tried(candidate, answer, tuple(rows))

    def readings(self, view: View) -> Readings:
        """What is known by measuring of all the wines that the file names, told once."""
        if self._readings is None:
            recipe = self.recipe
            lots = {str(end.get("lot")) for one in recipe.candidates for end in one.sources}
            if recipe.target is not None:
                lots |= {endpoint(use, quantity=False)["lot"] for use in recipe.target.use}
            self._readings = Readings(view, moments.instant(self.at, self.zone), lots)
        return self._readings

    def _claims(self, view: View) -> tuple[str | None, list[Verdict], list[dict[str, Any]]]:
        """The label and what it may say; without one, what could be said in the markets."""
        lot, markets = view.lot(self.recipe.into), self.recipe.markets
        label = self.recipe.label or view.cellar.label_of(lot, view.claimed(lot))
        if label is not None:
            labelled = Labelled(view, lot, label, markets)
            rows = labelled.rows()
            return label, rows, [row.proved() for row in rows]
        if not markets:
            return None, [], []
        return None, [], claimable.claimable(view, lot.name, None, markets)["claims"]

    def _components(self, drawn: Sequence[Draw]) -> list[dict[str, Any]]:
        """What goes in, a row an endpoint of the blend."""
        groups = [list(group) for _, group in groupby(drawn, key=lambda draw: draw.source)]
        amounts = [sum(draw.amount for draw in parts) for parts in groups]
        shares = shared(dict(enumerate(amounts)))
        return [
            {
                "lot": parts[0].lot,
                "vessels": [draw.vessel for draw in parts if draw.vessel is not None],
                "volume_l": text(amount),
                "share": shares[at],
            }
            for at, (parts, amount) in enumerate(zip(groups, amounts, strict=True))
        ]

    def _cost(self, drawn: Sequence[Draw]) -> dict[str, Any] | None:
        """What the wine in a blend costs; None where the file states no cost."""
        if not self.recipe.cost:
            return None
        costs = [(draw, self.cost_of(draw.lot, draw.vessel)) for draw in drawn]
        missing = sorted({draw.lot for draw, cost in costs if cost is None})
        told = {"currency": self.recipe.currency, "per": self.recipe.cost_per, "missing": missing}
        if missing:
            return {**told, "total": None, "mean": None}
        unit = parse(f"1 {self.recipe.cost_per}").amount
        total = sum((draw.amount * (cost or Fraction(0)) for draw, cost in costs), Fraction(0))
        whole = sum(draw.amount for draw in drawn)
        figures = {"total": total / unit, "mean": total / whole}
        return {**told, **{key: _money(value) for key, value in figures.items()}}

    def cost_of(self, lot: str, vessel: str | None) -> Fraction | None:
        """What a lot costs, by its own name or as it lies in a vessel."""
        cost: Mapping[str, Fraction] = self.recipe.cost
        return cost.get(f"{lot}@{vessel}", cost.get(lot))


def _money(value: Fraction) -> str:
    """The nearest with four decimals: a cost is no threshold."""
    return floor_text(value + Fraction(1, 2 * 10**MONEY), MONEY)


def id_of(ledger: Ledger, recipe: Recipe, name: str) -> str:
    """The `id` under which a candidate of a recipe is recorded in a ledger."""
    whole = json.dumps([ledger.ledger_id, name, recipe.text])
    return str(uuid5(NAMESPACE_URL, f"ampelog:trial:{whole}"))


def recorded_before(ledger: Ledger, recipe: Recipe, name: str | None) -> dict[str, Any] | None:
    """The event that a candidate of this recipe was recorded as already: of the one that is named,
    else of the one that answers the targets, else of the only one."""
    names = [candidate.name for candidate in recipe.candidates]
    if name is None:
        name = ANSWER if recipe.target is not None else names[0] if len(names) == 1 else None
    if name is None:
        return None
    for record in ledger.known([id_of(ledger, recipe, name)]).values():
        return record.event
    return None


def draws(view: View, candidate: Candidate) -> list[Draw]:
    """What a candidate takes of each holding. Empty where it draws on what has no volume, or names
    no quantity: the trial of it says so."""
    found: list[Draw] = []
    for number, source in enumerate(candidate.sources):
        with suppress(NotAQuantity):
            found += [replace(draw, source=number) for draw in _draws(view, source)]
    return found


def _draws(view: View, source: Mapping[str, Any]) -> Iterator[Draw]:
    lot = view.cellar.lots.get(str(source.get("lot")))
    if lot is None or lot.sort != VOLUME:
        return
    vessels = _vessels(source, list(lot.holdings))
    held = [lot.holdings[vessel].amount if vessel in lot.holdings else 0 for vessel in vessels]
    if source.get("all"):
        amounts = held
    elif "each" in source:
        amounts = [parse(str(source["each"])).amount] * len(vessels)
    elif "volume" in source and vessels:
        amounts = split(parse(str(source["volume"])).amount, [1] * len(vessels))
    else:
        return
    for vessel, amount in zip(vessels, amounts, strict=True):
        spirit = vessel in lot.holdings and lot.holdings[vessel].state == "spirit"
        yield Draw(lot.name, vessel, amount, spirit)


def _vessels(source: Mapping[str, Any], held: list[str | None]) -> list[str | None]:
    """The vessels that an endpoint draws on."""
    if "vessels" in source:
        return list(source["vessels"])
    if "vessel" in source:
        return [source["vessel"]]
    return held if source.get("all") or len(held) == 1 else []


def said(amount: int, unit: str) -> str:
    """An amount of 10^-12 L as a quantity in a unit; in litres where the unit cannot say it."""
    value = Fraction(amount, parse(f"1 {unit}").amount)
    if 10**12 % value.denominator:
        return f"{text(amount)} L"
    figure = floor_text(value, 12)
    return f"{figure.rstrip('0').rstrip('.')} {unit}"


def unit_of(candidate: Candidate) -> str:
    """The unit in which a candidate is told: that of its first quantity."""
    for source in candidate.sources:
        unit = str(source.get("volume") or source.get("each") or "").rpartition(" ")[2]
        if unit in UNIT_KEYS:
            return unit
    return "L"
