"""How each gate is judged in one holding: by its kind, and some by rules of their own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from ampelog import density, sulfur
from ampelog.biography import Body, Change, Measured, note_of
from ampelog.gates import Bounds, Gate, Limit
from ampelog.judging import (
    ADVICE,
    FAIL,
    MISSING,
    PASS,
    STALE,
    WAIVED,
    Found,
    Judging,
    interval,
    molecular,
    shown,
)
from ampelog.measurements import number
from ampelog.phrases import listed
from ampelog.quantities import ONE, floor_text

Rule = Callable[[Judging, Gate, Body], Found]
_TENTH = Decimal("0.1")
_LAST_SO2 = frozenset({"so2", "filtration", "cold", "gas"})
"""Treatments after which no rest is asked: the last adjustment is made the day before."""
_WITH_MEMBRANE = Bounds(at_most=Decimal("0.30"))
_NO_SUGAR = Bounds(below=Decimal(2))
UNASKED = "not measured; nothing here asks for it"
STYLE = "register its `style`, or a label that has one: the limit depends on it"


def value(judging: Judging, gate: Gate, body: Body) -> Found:
    """A measurement that must be there, valid, young enough and within every limit."""
    limits = list(judging.limits(gate))
    told = "; ".join(limit.says() for limit in limits) or None
    one = body.measured.get(gate.quantity or gate.id)
    if one is None:
        return _not_measured(judging, gate, body, told)
    stale = judging.timely(gate, body, one)
    if stale is not None:
        return replace(stale, limit=told)
    if judging.needs_style(gate):
        return Found(MISSING, STYLE, one.value, None, one)
    return _within(gate, limits, one)


def _not_measured(judging: Judging, gate: Gate, body: Body, told: str | None) -> Found:
    added = any(change.kind == gate.needed_after for change in body.changes)
    if gate.optional and not added:
        return Found(ADVICE, UNASKED, limit=told)
    if judging.needs_style(gate):
        return Found(MISSING, STYLE)
    why = f"; {gate.needed_after} was added" if added else ""
    return Found(MISSING, f"no measurement on record{why}: have it measured", limit=told)


def _within(gate: Gate, limits: list[Limit], one: Measured) -> Found:
    """A valid measurement against every limit: the worst of them is told."""
    worst: Found | None = None
    for limit in limits:
        if _holds(limit, one.value):
            continue
        says = f"{one.value} is outside {limit.says()}"
        found = _failed(limit, gate, says, one)
        if worst is None or (_weight(found) > _weight(worst)):
            worst = found
    if worst is not None:
        return worst
    told = "; ".join(limit.says() for limit in limits) or None
    decisive = limits[0] if limits else None
    return Found(
        PASS,
        "within the limit" if limits else "on record",
        one.value,
        told,
        one,
        decisive.source if decisive else None,
        decisive.basis if decisive else None,
    )


def _weight(found: Found) -> tuple[bool, bool]:
    return found.legal, found.severity != "advisory"


def _failed(limit: Limit, gate: Gate, says: str, one: Measured) -> Found:
    return Found(
        FAIL,
        says,
        one.value,
        limit.says(),
        one,
        limit.source,
        limit.basis,
        limit.legal,
        severity=limit.severity or gate.severity,
    )


def _lies(bounds: Bounds, told: str) -> bool:
    """Whether a recorded value is a number that lies inside, whatever it is."""
    known = interval(told)
    return known is not None and bounds.hold(*known)


def _holds(limit: Limit, told: str) -> bool:
    if limit.equals is not None:
        return told == limit.equals
    return _lies(limit.bounds, told)


def sugar(judging: Judging, gate: Gate, body: Body) -> Found:
    """Fermentable sugar; where only reducing sugar is known, its limit; waived by a membrane."""
    found = value(judging, gate, body)
    reducing = body.measured.get("reducing_sugar")
    if (
        found.verdict == MISSING
        and reducing is not None
        and body.measured.get("glucose_fructose") is None
    ):
        stale = judging.timely(gate, body, reducing)
        dry = _lies(_NO_SUGAR, reducing.value)
        if stale is None and dry and judging.style is not None:
            says = "reducing sugar, pentoses included, in place of glucose and fructose"
            found = Found(PASS, says, reducing.value, _NO_SUGAR.says(), reducing, gate.source)
    return _past_membrane(judging, found)


def _past_membrane(judging: Judging, found: Found) -> Found:
    signed = judging.signed("B17")
    if found.verdict == FAIL and signed is not None and signed.value == "pass":
        says = f"{found.says}; waived by the absolute membrane of {judging.day(signed.instant)}"
        return replace(found, verdict=WAIVED, says=f"{says}, with cells counted after the filler")
    return found


def malic(judging: Judging, gate: Gate, body: Body) -> Found:
    """Malic acid: little of it, or an absolute membrane."""
    found = value(judging, gate, body)
    if found.verdict != FAIL or found.value is None:
        return found
    signed = judging.signed("B17")
    if signed is None or signed.value != "pass":
        return replace(found, says=f"{found.says} without an absolute membrane")
    if _lies(_WITH_MEMBRANE, found.value):
        says = f"with the absolute membrane of {judging.day(signed.instant)}"
        return replace(found, verdict=PASS, says=says, limit=_WITH_MEMBRANE.says())
    if gate.malolactic == "blocked":
        says = f"for this the wine goes through the membrane of {judging.day(signed.instant)}"
        return replace(found, verdict=PASS, says=says, limit="<= 0.30, or an absolute membrane")
    return _past_membrane(judging, found)


def molecular_so2(judging: Judging, gate: Gate, body: Body) -> Found:
    """Molecular sulfur dioxide from free and pH, each valid; its pKa stands beside it."""
    limits = list(judging.limits(gate))
    told = "; ".join(limit.says() for limit in limits) or None
    free, ph = body.measured.get("free_so2"), body.measured.get("ph")
    if free is None or ph is None:
        lacking = [name for name, one in (("free sulfur dioxide", free), ("pH", ph)) if one is None]
        return Found(MISSING, f"no {listed(lacking)} on record: have it measured", limit=told)
    acidity = judging.table.gate("B05")
    stale = judging.timely(gate, body, free)
    if stale is None and acidity is not None:
        stale = judging.timely(acidity, body, ph)
    reckoned = molecular(free.value, ph.value)
    if reckoned is None:
        says = f"not computable from {free.value} mg/L free at pH {ph.value}: measure again"
        return Found(MISSING, f"{says}, or correct what was recorded", limit=told, measured=free)
    low, _ = reckoned
    more: dict[str, Any] = {"pka": str(sulfur.PKA), "free_so2": free.value, "ph": ph.value}
    if stale is not None:
        return replace(stale, value=shown(low.value), limit=told, more=more)
    if judging.needs_style(gate):
        return Found(MISSING, STYLE, shown(low.value), None, free, more=more)
    for limit in limits:
        target = limit.bounds.at_least
        if target is not None and not low.meets(target):
            says, added = _to_add(judging, low, target)
            return replace(
                _failed(limit, gate, says, free), value=shown(low.value), more=more | added
            )
    found = _within(gate, limits, replace(free, value=shown(low.value)))
    return replace(found, verdict=PASS, says=f"{free.value} mg/L free at pH {ph.value}", more=more)


def _to_add(judging: Judging, low: sulfur.Molecular, target: Decimal) -> tuple[str, dict[str, str]]:
    """What free sulfur dioxide is needed, and what that is in powder for the whole lot."""
    wanted = sulfur.needed(target, low.ph).value
    litres = Decimal(judging.lot.amount) / ONE
    dose = sulfur.addition(litres, low.free, wanted)
    free = wanted.quantize(_TENTH, "ROUND_UP")
    grams = dose.metabisulfite_g.quantize(_TENTH, "ROUND_UP")
    says = (
        f"{low.free} mg/L free at pH {low.ph}, {free} are needed: {grams} g of potassium "
        f"metabisulfite in all of the lot, if nothing of it bound"
    )
    return says, {"needed_free": str(free), "add_metabisulfite_g": str(grams)}


def free_so2(judging: Judging, gate: Gate, body: Body) -> Found:
    """The ceiling of free sulfur dioxide, and the nose's for the molecular part."""
    found = value(judging, gate, body)
    free, ph = body.measured.get("free_so2"), body.measured.get("ph")
    if found.verdict != PASS or free is None or ph is None:
        return found
    reckoned = molecular(free.value, ph.value)
    if reckoned is not None and reckoned[1].value > sulfur.NOSE:
        says = f"{shown(reckoned[1].value)} mg/L molecular can be smelled from {sulfur.NOSE}"
        return replace(found, verdict=ADVICE, says=says)
    return found


def alcohol(judging: Judging, gate: Gate, body: Body) -> Found:
    """Alcohol at 20 C, and on the 60 F basis of the tax classes beside it."""
    found = value(judging, gate, body)
    told = None if found.value is None else number(found.value)
    if told is None or not 0 < told < 100:
        return found
    basis = str(density.on_60f(told).quantize(Decimal("0.01")))
    says = f"{found.says}; {basis} % on the 60 F basis"
    return replace(found, says=says, more={"alcohol_60f": basis})


def sign_off(judging: Judging, gate: Gate, body: Body) -> Found:
    """What a note says of the gate; in the run and after it nothing can be asked for before."""
    note = body.measured.get(note_of(gate.id))
    if gate.membrane and judging.membrane_needed:
        why = f": needed, as {judging.membrane_needed}"
    else:
        why = ""
    if note is None:
        if gate.when != "before":
            where = "in the run" if gate.when == "in run" else "after the filling"
            return Found(ADVICE, f"{where}: {gate.note}")
        return Found(MISSING, f"no note of it{why}: record a `note` with its gate and result")
    if note.value == "waived":
        return Found(WAIVED, f"waived on {judging.day(note.instant)}{why}", "waived", "pass", note)
    if note.value == "fail":
        return Found(FAIL, f"noted as failed on {judging.day(note.instant)}", "fail", "pass", note)
    stale = judging.timely(gate, body, note)
    if stale is not None and gate.when == "before":
        return replace(stale, limit="pass")
    return Found(PASS, f"signed on {judging.day(note.instant)}", "pass", "pass", note)


def newer(judging: Judging, gate: Gate, body: Body) -> Found:
    """Whether the tests that a blend undoes are newer than the last change of composition."""
    old: list[tuple[str, Change]] = []
    some = False
    for name in gate.needs:
        other = judging.table.gate(name)
        if other is None or judging.severity(other) != "blocking" or not other.quantity:
            continue
        if other not in judging.gates:
            continue
        one = body.measured.get("free_so2" if other.needs else other.quantity)
        note = body.measured.get(note_of(name))
        latest = max((each for each in (one, note) if each), key=lambda e: e.order, default=None)
        some = some or latest is not None
        change = body.since(latest, other.void_by) if latest is not None else None
        if change is not None:
            old.append((other.name, change))
    if old:
        last = max((change for _, change in old), key=lambda change: change.order)
        names = listed(name for name, _ in old)
        says = f"older than what happened on {judging.day(last.instant)} ({last.says}): {names}"
        return Found(STALE, says)
    if not some:
        return Found(MISSING, "none of these tests is on record")
    return Found(PASS, "every test is newer than the last change of the wine")


def rested(judging: Judging, gate: Gate, body: Body) -> Found:
    """The days since an addition: more after copper."""
    days: Mapping[str, int] = gate.days_after or {}
    for kind in ("copper", "other"):
        least = days.get(kind, 0)
        added = [
            change
            for change in body.changes
            if change.voids
            and (change.kind == "copper") is (kind == "copper")
            and change.kind not in _LAST_SO2
        ]
        if not added:
            continue
        last = max(added, key=lambda change: change.order)
        age = (judging.today - judging.day(last.instant)).days
        if age < least:
            ready = judging.day(last.instant).toordinal() + least
            on = type(judging.today).fromordinal(ready)
            says = f"{last.says} on {judging.day(last.instant)}: wait until {on}"
            severity = "blocking" if kind == "copper" else "advisory"
            return Found(FAIL, says, str(age), f">= {least} days", severity=severity)
    return Found(PASS, "no addition that still has to rest")


def label(judging: Judging, gate: Gate, body: Body) -> Found:  # noqa: ARG001  a rule has one form
    """The planned label's statements, computed anew."""
    name = judging.plan.label
    if name is None:
        return Found(MISSING, "no label is planned: register the lot's `label`, or name one")
    verdict, why = judging.labelled
    limit = "supported"
    if verdict == "supported":
        return Found(PASS, f"every statement of `{name}` is supported", verdict, limit)
    if verdict == "refused":
        return Found(FAIL, f"`{name}`: {why}", "not supported", limit)
    return Found(MISSING, f"`{name}` is undetermined: {why}", verdict, limit)


def balance(judging: Judging, gate: Gate, body: Body) -> Found:  # noqa: ARG001  as above
    """What measuring found more or less and nobody explained, of all that came in."""
    came = judging.lot.tally("volume").into
    percent = Fraction(judging.unexplained * 100, came) if came else Fraction(0)
    told = floor_text(percent, 3)
    found = Found(PASS, "explained", told, "<= 0.5")
    for limit in gate.limits:
        most = limit.bounds.at_most
        if most is not None and percent > Fraction(most):
            says = f"{told} % was found more or less by measuring, and nobody said why"
            severity = limit.severity or gate.severity
            return Found(
                FAIL, says, told, limit.says(), None, limit.source, limit.basis, severity=severity
            )
    return found


RULES: dict[str, Rule] = {
    "value": value,
    "record": value,
    "sign-off": sign_off,
    "B01": sugar,
    "B03": malic,
    "B04": malic,
    "B06": molecular_so2,
    "B07": free_so2,
    "B10": alcohol,
    "B28": newer,
    "B29": rested,
    "B31": label,
    "B32": balance,
}
"""By the gate's id, or by what it asks."""
