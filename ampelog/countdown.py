"""What has to be measured or done before a bottling day, not before and not after which day.

The days come from the gates: a measurement must be young enough on the day. The usual order of a
bottling (final blend, tests of stability, adjustment) is that of study notes of a wine-trade
diploma: of low authority, and told as advice.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from ampelog.gate_rules import UNASKED
from ampelog.gates import Gate
from ampelog.judging import PASS, WAIVED, Judging
from ampelog.readiness import STOPS, judge

PLATES = 7
"""Days until cells can be counted on a plate: 5 to 7 (from memory)."""
WHEN = {"in run": "in the run", "after": "after the filling"}
USUAL = (
    (112, 56, "the final blend, and all analyses of it"),
    (56, 56, "adjustments of acid, sugar and tannin"),
    (42, 42, "protein stability"),
    (42, 28, "tartrate stability"),
    (28, 28, "both stabilities once more"),
    (14, 7, "sweetening, and the tests that it undoes"),
    (3, 2, "filterability"),
    (1, 1, "free sulfur dioxide, adjusted and measured"),
)
"""Days before the filling, first and last, and what is usually done then (study notes of a
wine-trade diploma; consistent with AWRI and school texts; low authority)."""


def countdown(judging: Judging, today: date) -> list[dict[str, Any]]:
    """What is to be done for a bottling on the day that ``judging`` judges, by last days.

    ``not_before`` and ``not_after`` are days; ``holds`` says whether what is on record will still
    be valid then, ``stops`` whether a bottling waits for it, ``over`` whether its days have passed.
    """
    on = judging.today
    asked = [gate for gate in judging.gates if gate.asks != "computed"]
    rows = [row for gate in asked if (row := _row(judging, gate, on)) is not None]
    rows += [_usual(first, last, what, on) for first, last, what in USUAL]
    for row in rows:
        row["over"] = row["not_after"] < today.isoformat()
    return sorted(rows, key=lambda row: (row["not_after"], row["not_before"], row["gate"] or ""))


def _row(judging: Judging, gate: Gate, on: date) -> dict[str, Any] | None:
    """A gate with its days; None where it was not measured and nothing asks for it."""
    _, found = judge(judging, gate)
    if found.says == UNASKED:
        return None
    after = gate.when == "after"
    first = on if after else on - timedelta(days=gate.max_age_days)
    last = on + timedelta(days=PLATES) if after else on
    holds = found.verdict in (PASS, WAIVED)
    weighs = judging.severity(gate) == "blocking" or found.legal
    one = found.measured
    says = found.says if gate.when == "before" else WHEN[gate.when]
    return {
        "gate": gate.id,
        "what": gate.name,
        "not_before": first.isoformat(),
        "not_after": last.isoformat(),
        "holds": holds,
        "stops": found.verdict in STOPS and weighs,
        "measured_on": judging.day(one.instant).isoformat() if one is not None else None,
        "says": "still valid on that day" if holds else says,
        "source": gate.source,
    }


def _usual(first: int, last: int, what: str, on: date) -> dict[str, Any]:
    return {
        "gate": None,
        "what": what,
        "not_before": (on - timedelta(days=first)).isoformat(),
        "not_after": (on - timedelta(days=last)).isoformat(),
        "holds": None,
        "stops": False,
        "measured_on": None,
        "says": "as is usual",
        "source": "study notes of a wine-trade diploma; low authority",
    }
