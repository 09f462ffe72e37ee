"""Where a vintage's wine is and where it went, by volume: what came in is what is there, what left
and what was lost."""

from __future__ import annotations

from typing import Any

from ampelog import stock
from ampelog.composition import shared
from ampelog.genealogy import BITS, Genealogy, forward
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.state import BOTTLES, MASS
from ampelog.year import Fate

LOST = "pomace, lees, evaporation and other losses"


def fates(view: View, year: int) -> tuple[tuple[Fate, ...], int]:
    """The fates of a year's fruit and of wine bought in as of it, and all that came in
    (10^-12 L). The parts sum to it exactly: what is neither there nor left was lost."""
    parts: dict[str, int] = {}
    lots = view.all_lots()
    content = [part for lot in lots for part in view.content(lot)]
    content += [part for lot in lots for each in lot.shipped for part in each.parts]
    genealogy = view.genealogy(content)
    origins, bought = _origins(view, genealogy, year)
    shares = forward(genealogy, origins)

    def of_year(found: list[tuple[int, int]]) -> int:
        return sum(shares.get(node, 0) * amount for node, amount in found) >> BITS

    top = len(genealogy.parents) - 1
    entered = bought + sum(
        shares.get(node, 0) * volume >> BITS for node, mass, volume in view.pools(top) if mass
    )
    for lot in lots:
        if lot.sort == MASS:
            continue
        held = of_year([part for holding in lot.holdings.values() for part in holding.parts])
        kind = "in bottles" if lot.sort == BOTTLES else f"in the cellar as {stock.state(lot)}"
        parts[kind] = parts.get(kind, 0) + held
        for each in lot.shipped:
            if each.sort != MASS:
                left = "left in bottles" if each.sort == BOTTLES else "left in bulk"
                parts[left] = parts.get(left, 0) + of_year(each.parts)
    parts[LOST] = entered - sum(parts.values())
    there = {what: amount for what, amount in parts.items() if amount}
    shares_of = shared(there)
    return tuple(
        Fate(what, text(amount), shares_of[what])
        for what, amount in sorted(there.items(), key=lambda one: -one[1])
    ), entered


def _origins(view: View, genealogy: Genealogy, year: int) -> tuple[list[int], int]:
    """The source nodes of a year, and the litres of those that came in as juice or wine."""
    sources = [node for node, parents in enumerate(genealogy.parents) if not parents]
    positions = view.positions(sources)
    events = view.events(positions.values())
    found, bought = [], 0
    for node in sources:
        event = events.get(positions.get(node, 0))
        if event is None:
            continue
        if event["kind"] == "pick" and int(event["at"][:4]) == year:
            found.append(node)
        elif received_as(event, year):
            found.append(node)
            bought += _volume(event)
    return found, bought


def received_as(event: dict[str, Any], year: int) -> bool:
    """Whether an event is a receipt that says of all its parts that they are of a year."""
    parts = event.get("composition") if event["kind"] == "receive" else None
    return isinstance(parts, list) and all(part.get("vintage") == year for part in parts)


def _volume(event: dict[str, object]) -> int:
    from ampelog.quantities import parse

    if "volume" in event:
        return parse(str(event["volume"])).amount
    if "bottles" in event:
        return int(str(event["bottles"])) * parse(str(event["format"])).amount
    return 0
