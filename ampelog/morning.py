"""The morning: the fermentations going on, a row each, and what else needs a look that day."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from typing import Any

from msgspec import Struct

from ampelog import fermenting, moments, releases, vessels
from ampelog.phrases import brief
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.state import VOLUME, Holding, Lot

Row = dict[str, Any]
MUCH_ROOM = Fraction(5, 100)
"""Of a vessel's capacity: wine that does not ferment is told where more is empty. A proposal:
common practice, no source."""


class Morning(Struct, frozen=True):
    """``ferments``: a row each, the stuck first. ``over`` and ``room``: vessels with ``lot``,
    ``volume_l``, ``capacity_l``, ``room_l`` (L) and ``part`` of the capacity that is empty (below
    zero where it is over). ``holds``: those that bind something held. ``bottles``: see
    ``releases.awaiting``."""

    ferments: list[Row]
    over: list[Row]
    room: list[Row]
    holds: list[Row]
    bottles: list[Row]

    @property
    def looks(self) -> int:
        """How many things need a look beside the fermentations."""
        return len(self.over) + len(self.room) + len(self.holds) + len(self.bottles)


def morning(view: View, today: date) -> Morning:
    """What a cellar has to be walked to on a day."""
    lying = vessels.contents(view)
    vessels.registered(view, lying)
    rooms = [row for name, found in lying.items() for row in _rooms(view, name, found)]
    rooms.sort(key=lambda row: (-abs(row["part"]), row["vessel"]))
    return Morning(
        ferments=ferments(view, today),
        over=[row for row in rooms if row["part"] < 0],
        room=[row for row in rooms if row["part"] > MUCH_ROOM and row["still"]],
        holds=_holds(view),
        bottles=releases.awaiting(view, today),
    )


def ferments(view: View, today: date) -> list[Row]:
    """A row a fermentation: that of its sugar, with ``temperature`` and ``temperature_on`` (None
    where none was read)."""
    rows = fermenting.sheet(view, today)
    warm = {(row["lot"], row["vessel"]): row for row in rows if row["quantity"] == "temperature"}
    found = []
    for row in rows:
        if row["quantity"] == "brix":
            read = warm.get((row["lot"], row["vessel"]), {})
            more = {"temperature": read.get("value"), "temperature_on": read.get("measured_on")}
            found.append(row | more)
    return found


def _rooms(view: View, vessel: str, lying: list[tuple[Lot, Holding]]) -> Iterator[Row]:
    """How full a vessel is with what is liquid, where its capacity is known."""
    capacity = view.cellar.capacity(vessel, view.today)
    for lot, holding in lying:
        if lot.sort == VOLUME and capacity:
            yield {
                "vessel": vessel,
                "lot": lot.name,
                "volume_l": text(holding.amount),
                "capacity_l": text(capacity),
                "room_l": text(capacity - holding.amount),
                "part": Fraction(capacity - holding.amount, capacity),
                "still": holding.state == "wine" and holding.ferment is None,
            }


def _holds(view: View) -> list[Row]:
    """The holds that bind something in the cellar: since when, why, and what; the oldest first."""
    bound: dict[str, list[tuple[str, str | None]]] = {}
    for lot in view.held_lots():
        for vessel, holding in lot.holdings.items():
            for hold in view.cellar.holds.binding(holding.holds):
                bound.setdefault(hold, []).append((lot.name, vessel))
    if not bound:
        return []
    said = {event["id"].lower(): event for event in view.said(("hold",)).values()}
    found = []
    for hold, places in bound.items():
        event = said[hold]
        since = moments.day(moments.instant(event["at"], view.zone), view.zone)
        found.append(
            {
                "hold": event["id"],
                "since": since.isoformat(),
                "reason": brief(event["reason"]),
                "lots": list(dict.fromkeys(lot for lot, _ in places)),
                "vessels": sorted({vessel for _, vessel in places if vessel is not None}),
            }
        )
    return sorted(found, key=lambda row: (row["since"], row["hold"]))
