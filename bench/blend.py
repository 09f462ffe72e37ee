"""The best blend of sixty lots, their compositions given, against HiGHS alone on equal numbers.

In one process, the best of several turns: what conditions of a label become, the look for a blend,
and the exact proof of it; then the same call of HiGHS with its numbers ready. Prints seconds.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from random import Random
from typing import Any

from ampelog import rules
from ampelog.blend_goals import Aim, Every, Sum, Wines
from ampelog.blend_solver import Plan, Rows, solve
from ampelog.claims import judge
from ampelog.shares import Fill
from tests.wines import PLACES, QB, Source, Wine

LOTS, PICKS, HELD, WANTED, TURNS = 60, 40, 800, 4000, 7
LABEL = {"variety": ["Merlot"], "vintage": 2024, "appellation": QB}


def lot(random: Random, number: int) -> Wine:
    """A lot of many picks: mostly of the grape, the year and the place, some of others."""
    weights = [random.randint(1, 1000) for _ in range(PICKS)]
    merlot, year, there = (random.uniform(0.5, 1) for _ in range(3))
    return Wine(
        tuple(
            Source(
                Fraction(weight, sum(weights)),
                f"event-{number}-{pick}",
                "Merlot" if random.random() < merlot else "Cabernet Sauvignon",
                2024 if random.random() < year else 2023,
                (QB,) if random.random() < there else (),
            )
            for pick, weight in enumerate(weights)
        )
    )


def best(turn: Callable[[], Any]) -> float:
    """The shortest of several turns."""
    took = []
    for _ in range(TURNS):
        began = time.perf_counter()
        turn()
        took.append(time.perf_counter() - began)
    return min(took)


def main() -> None:
    """Measure both, and print them."""
    from scipy.optimize import milp

    random = Random(60)
    fills = [Fill(None, lot(random, number)) for number in range(LOTS)]
    sources = [leaf for fill in fills for leaf in fill.composition.leaves]
    parts = [Source(Fraction(1, len(sources)), each.event, each.variety, each.vintage, each.places)
             for each in sources if isinstance(each, Source)]  # fmt: skip
    whole = Fill(None, Wine(tuple(parts)))
    rows = judge(LABEL, [whole], [rules.pack("us")], PLACES, date(2026, 11, 25))
    stakes = [(row.claim, row.stake) for row in rows if row.stake is not None]
    costs = tuple(Fraction(random.randint(500, 2500), 100) for _ in range(LOTS))
    values = [Fraction(random.randint(130, 150), 10) for _ in range(LOTS)]

    def plan() -> Plan:
        wines = Wines(fills, whole)
        ones, minus = (Fraction(1),) * LOTS, (Fraction(-1),) * LOTS
        volume = Every((Sum(ones, Fraction(WANTED)), Sum(minus, Fraction(-WANTED))))
        most = Sum(tuple(Fraction(14) - value for value in values))
        aims = [Aim("volume", volume), Aim("alcohol", most)]
        aims += [Aim(claim, wines.goal(stake)) for claim, stake in stakes]
        return Plan((HELD,) * LOTS, tuple(aims), costs)

    asked = plan()
    found = solve(asked)
    assert found.amounts is not None, found.collide
    ready = Rows(asked, {})
    for aim in asked.aims:
        ready.goal(aim.goal)
    numbers = ready.numbers(seek=True)
    told = {
        "solver": best(lambda: solve(plan())),
        "bare": best(lambda: milp(**numbers)),
        "lots": sum(map(bool, found.amounts)),
        "proved": found.proved,
    }
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main()
