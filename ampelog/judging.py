"""A lot before the gates: its plan, what is known of its wine, when a measurement holds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any

from msgspec import Struct

from ampelog import moments, sulfur
from ampelog.biography import BLEND, Body, Change, Measured, note_of
from ampelog.errors import Refused
from ampelog.gate_forms import STYLES
from ampelog.gates import Gate, Limit, Table
from ampelog.labelling import HOME_MARKET, claims
from ampelog.measurements import number
from ampelog.quantities import floor_text
from ampelog.questions import View
from ampelog.state import Lot

PASS, FAIL, MISSING, STALE, WAIVED, ADVICE = (
    "pass",
    "fail",
    "missing",
    "stale",
    "waived",
    "advice",
)
_HUNDREDTHS, _THOUSANDTHS = Decimal("0.01"), Decimal("0.001")
SWEET, RED = "sweet", "dry red"


class Found(Struct, frozen=True):
    """A verdict on one gate of one holding; ``says`` why, or what to do."""

    verdict: str
    says: str
    value: str | None = None
    limit: str | None = None
    measured: Measured | None = None
    source: str | None = None
    basis: str | None = None
    legal: bool = False
    more: Mapping[str, Any] | None = None
    severity: str | None = None
    """Where a limit weighs otherwise than its gate."""


class Plan(Struct, frozen=True):
    """What the wine is meant for: what a label or a register says of it."""

    label: str | None
    style: str | None
    malolactic: str | None
    markets: tuple[str, ...]
    pdo: bool


def plan_of(view: View, lot: Lot, label: str | None) -> Plan:
    """The plan of a lot: the label named, else that registered for it. ``Refused`` where no label
    of that name is registered."""
    registers, instant = view.cellar.registers, view.today
    name = label or view.cellar.label_of(lot, instant)
    if label is not None and not registers.knows("label", label):
        known = ", ".join(f"`{one}`" for one in registers.names("label"))
        raise Refused(f"there is no label `{label}`", hint=f"labels: {known or 'none'}")
    told = registers.at("label", name, instant) if name is not None else {}
    own = registers.at("lot", lot.name, instant).get("style")
    style = told.get("style") if label is not None else own or told.get("style")
    statements = told.get("statements") or {}
    return Plan(
        name,
        style or own,
        told.get("malolactic"),
        tuple(told.get("market") or (HOME_MARKET,)),
        bool(statements.get("appellation")),
    )


class Judging:
    """The gates of one lot on one day, over its holdings."""

    def __init__(self, view: View, lot: Lot, plan: Plan, table: Table, today: date) -> None:
        self.view, self.lot, self.plan, self.table, self.today = view, lot, plan, table, today
        self.style = plan.style if plan.style in STYLES else None
        self.bodies: Mapping[str | None, Body] = {}
        self.unexplained = 0
        """What measuring found more or less in the lot and nobody explained, in 10^-12 L."""

    def day(self, instant: int) -> date:
        """The day of an instant at the premises."""
        return moments.day(instant, self.view.zone)

    @cached_property
    def gates(self) -> tuple[Gate, ...]:
        """The gates that apply to this style and plan."""
        return tuple(gate for gate in self.table.gates if self._applies(gate))

    @cached_property
    def unlike(self) -> list[tuple[str | None, Body]]:
        """The bodies that are not alike, each with the first vessel that holds it: twenty barrels
        filled, topped and measured together are judged once."""
        found: dict[tuple[object, ...], tuple[str | None, Body]] = {}
        for vessel, body in self.bodies.items():
            key = (tuple(body.measured.items()), body.changes)
            found.setdefault(key, (vessel, body))
        return list(found.values())

    def _applies(self, gate: Gate) -> bool:
        if gate.styles and self.style is not None and self.style not in gate.styles:
            return False
        if gate.membrane and not self.membrane_needed:
            return any(note_of(gate.id) in body.measured for body in self.bodies.values())
        if gate.malolactic is not None:
            planned = self.plan.malolactic or ("complete" if self.style == RED else "blocked")
            return gate.malolactic == planned
        return True

    def severity(self, gate: Gate) -> str:
        """How much a gate weighs in this style."""
        if self.style in gate.advisory_for:
            return "advisory"
        if gate.blocking_with_membrane and self.membrane_needed:
            return "blocking"
        return gate.severity

    # What stands in the way of a rule

    @cached_property
    def membrane_needed(self) -> str | None:
        """Why an absolute membrane is needed, None where it is not."""
        if self.style == SWEET:
            return "the wine is sweet"
        for quantity, least, inclusive, why in (
            ("glucose_fructose", Decimal(1), True, "sugar is left"),
            ("malic", Decimal("0.30"), False, "malic acid is left"),
        ):
            for body in self.bodies.values():
                one = body.measured.get(quantity)
                if one is None:
                    continue
                known = interval(one.value)
                if known is None:
                    return f"nobody can say from `{one.value}` whether {why}"
                low, high = known
                if high > least or (inclusive and low == least):
                    return f"{why} ({one.value} g/L)"
        return None

    @cached_property
    def labelled(self) -> tuple[str, str]:
        """The verdict on the planned label, and why it is not supported."""
        answer = claims(self.view, self.lot.name, self.plan.label)
        worst = [one for one in answer["claims"] if one["verdict"] == answer["verdict"]]
        why = f"{worst[0]['statement']}: {worst[0]['why']}" if worst else "it states nothing"
        return str(answer["verdict"]), why

    def signed(self, gate: str) -> Measured | None:
        """The latest note on a gate that holds in every holding; None where one has none."""
        found = []
        for body in self.bodies.values():
            one = body.measured.get(note_of(gate))
            if one is None or one.void is not None:
                return None
            found.append(one)
        return min(found, key=lambda one: one.order, default=None)

    def timely(self, gate: Gate, body: Body, one: Measured) -> Found | None:
        """Why a measurement is stale, None where it is valid and young enough."""
        change = body.since(one, gate.void_by)
        if change is not None:
            return Found(STALE, self.voided(one, change), one.value, measured=one)
        age = (self.today - self.day(one.instant)).days
        if age > gate.max_age_days:
            most = (
                "on the day itself" if not gate.max_age_days else f"{_days(gate.max_age_days)} hold"
            )
            signed = one.quantity == note_of(gate.id)
            did, again = ("signed", "sign") if signed else ("measured", "measure")
            says = f"{did} {_days(age)} ago, {most}: {again} again"
            return Found(STALE, says, one.value, measured=one)
        return None

    def voided(self, one: Measured, change: Change) -> str:
        """What made a measurement void, in words."""
        part = ""
        if change.kind == BLEND and one.kept < 1:
            part = f" ({floor_text((1 - one.kept) * 100, 1)} % is other wine)"
        when = self.day(change.instant)
        again = "sign" if one.quantity.startswith("note ") else "measure"
        return f"void since {when}, when {change.says}{part}: {again} again"

    def limits(self, gate: Gate) -> Iterator[Limit]:
        """The limits of a gate that are about this wine."""
        for limit in gate.limits:
            if limit.styles and self.style not in limit.styles:
                continue
            if limit.market and not set(limit.market) & set(self.plan.markets):
                continue
            if limit.pdo and not self.plan.pdo:
                continue
            if limit.sugar is not None and not self._sugar_is(limit):
                continue
            yield limit

    def _sugar_is(self, limit: Limit) -> bool:
        """Whether a limit about so much sugar is about this wine; unknown counts as dry, but for a
        sweet wine."""
        assert limit.sugar is not None
        values = [
            known[1]
            for body in self.bodies.values()
            for name in ("glucose_fructose", "reducing_sugar")
            if name in body.measured and (known := interval(body.measured[name].value))
        ]
        if not values:
            sugar = Decimal(5) if self.style == SWEET else Decimal(0)
            return limit.sugar.hold(sugar, sugar)
        highest = max(values)
        return limit.sugar.hold(highest, highest)

    def needs_style(self, gate: Gate) -> bool:
        """Whether a gate cannot be judged because the style is not known."""
        return self.style is None and any(limit.styles for limit in gate.limits)


def interval(value: str) -> tuple[Decimal, Decimal] | None:
    """What a recorded value may be: itself, or of ``<0.1`` anything from nothing to there; None
    where it is no number."""
    told = value.strip()
    found = number(told.removeprefix("<").lstrip())
    if found is None:
        return None
    return (Decimal(0) if told.startswith("<") else found), found


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def molecular(free: str, ph: str) -> tuple[sulfur.Molecular, sulfur.Molecular] | None:
    """The least and the most molecular sulfur dioxide (mg/L, pKa 1.81) that recorded values of
    free (mg/L) and pH allow; None where either is none that can be."""
    amount, acidity = interval(free), interval(ph)
    if amount is None or acidity is None or not sulfur.reckons(amount[1], acidity[1]):
        return None
    low, high, acid, flat = *amount, *acidity
    return sulfur.computed(low, flat), sulfur.computed(high, acid)


def shown(value: Decimal) -> str:
    """A computed value with three decimals, rounded down: never over a limit that it misses."""
    from decimal import ROUND_DOWN

    return str(value.quantize(_THOUSANDTHS, ROUND_DOWN))
