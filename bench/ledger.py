"""Makes the events of a large invented winery, for measuring: lines of JSON, in order of time.

A vintage is some 2,000 picks that become 685 lots of 20 barrels. Every lot is topped monthly for
18 months and then bottled. The topping wine of a vintage is a blend of thirty lots of the one
before, which were themselves topped until that day: the genealogy is as deep as the ledger is old.
Other sizes are as many vintages, each narrower or wider.

The first wine of all comes in as opening stock. Nothing here is drawn at random: the same
arguments make the same bytes.
"""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from heapq import merge
from pathlib import Path
from typing import Any

FIRST_YEAR = 2014
VINTAGES = 10
EVENTS_A_VINTAGE = 16_900
LOTS_A_VINTAGE = 685
PICKS_A_VINTAGE = 2_000
TOPPING_LOTS = 30
WAVES = 7
"""A tank is filled this often in one harvest, a week apart."""

BARRELS = 20
PRESSED = 3
"""The last barrels of a lot hold its press wine."""

TOPPINGS = 18
UNTIL_BLENDED = 12
"""Toppings of a lot that becomes topping wine."""

BLOCKS = 40
VARIETIES = ("Syrah", "Grenache", "Viognier", "Mourvedre", "Roussanne")
FILL = 215_768  # mL, 57 gal to the millilitre
TOP = 500  # mL
BOTTLE = 750  # mL

EQUAL, UNEQUAL, APART = "equal", "unequal", "apart"
"""Barrels that take the same; barrels of their own sizes, topped alike; each topped by its own."""

Event = dict[str, Any]


@dataclass(frozen=True)
class Made:
    """What was written: how much, and the names to ask about.

    ``legs`` are the rows that the plain query unfolds: one for each vessel that is named, and one
    for each endpoint that names none.
    """

    events: int
    legs: int
    bottled: str
    in_barrels: str
    barrels: list[str]
    topping: str
    topping_vessel: str
    last_day: str
    late: dict[str, str]
    """A topping that nobody recorded, three years before the last day."""


@dataclass(frozen=True)
class Winery:
    """How large the winery is, and what its barrels take (``EQUAL``, ``UNEQUAL``, ``APART``)."""

    vintages: int
    lots: int
    barrels: str = EQUAL

    @property
    def picks(self) -> int:
        return max(self.lots, PICKS_A_VINTAGE * self.lots // LOTS_A_VINTAGE)

    @property
    def kept(self) -> int:
        """The lots of a vintage that become topping wine."""
        return -(-TOPPING_LOTS * self.lots // LOTS_A_VINTAGE)

    @property
    def tanks(self) -> int:
        return -(-self.lots // WAVES)


def sized(events: int, vintages: int, barrels: str) -> Winery:
    """The winery that makes about so many events in so many vintages."""
    lots = round(LOTS_A_VINTAGE * events / (EVENTS_A_VINTAGE * vintages))
    return Winery(vintages, max(2, lots), barrels)


# Names


def _lot(year: int, number: int) -> str:
    return f"{year % 100:02d}-L{number:04d}"


def _bottled(year: int, number: int) -> str:
    return f"{_lot(year, number)}-B"


def _topping(year: int) -> str:
    return f"TOP-{year}"


def _tank(year: int) -> str:
    """Where the topping wine lies."""
    return f"TT-{year}"


def _barrels(year: int, number: int) -> list[str]:
    """The barrels of a lot; they are free again two years later."""
    return [f"B{year % 2}-{number:04d}-{barrel:02d}" for barrel in range(BARRELS)]


def _litres(millilitres: int) -> str:
    whole, rest = divmod(millilitres, 1000)
    return f"{whole}.{rest:03d} L" if rest else f"{whole} L"


# What each barrel takes


def _fills(winery: Winery, number: int) -> list[int]:
    """What each barrel of a lot is filled with, in mL."""
    return [FILL] * BARRELS if winery.barrels == EQUAL else _spread(FILL, number, 0)


def _tops(winery: Winery, number: int, month: int) -> list[int]:
    """What each barrel of a lot is topped with, in mL."""
    return _spread(TOP, number, month + 1) if winery.barrels == APART else [TOP] * BARRELS


def _spread(middle: int, number: int, step: int) -> list[int]:
    """Amounts around a middle, their sum that of as many middles."""
    width = middle // 10
    apart = [(37 * number + 101 * step + 53 * pair) % width for pair in range(BARRELS // 2)]
    return [middle + by for off in apart for by in (off, -off)]


def _held(winery: Winery, number: int, months: int) -> int:
    """What a lot holds after so many toppings, in mL."""
    topped = sum(sum(_tops(winery, number, month)) for month in range(months))
    return sum(_fills(winery, number)) + topped


def _into(lot: str, barrels: list[str], amounts: list[int], **more: str) -> list[Event]:
    """The endpoints that fill barrels: one for all where they take the same, else one each."""
    if len(set(amounts)) == 1:
        return [{"lot": lot, "vessels": barrels, "each": _litres(amounts[0]), **more}]
    return [
        {"lot": lot, "vessel": barrel, "volume": _litres(amount), **more}
        for barrel, amount in zip(barrels, amounts, strict=True)
    ]


# The events


def registers() -> Iterator[Event]:
    """Places, people, blocks and labels."""
    at = f"{FIRST_YEAR}-01-01"
    yield {"kind": "place", "at": at, "name": "Washington", "type": "state"}
    for county in ("Benton County", "Walla Walla County"):
        yield {
            "kind": "place",
            "at": at,
            "name": county,
            "type": "county",
            "within": ["Washington"],
        }
    for number in range(BLOCKS // 4):
        county = "Benton County" if number % 3 == 0 else "Walla Walla County"
        yield {
            "kind": "place",
            "at": at,
            "name": f"Vineyard {number}",
            "type": "vineyard",
            "within": [county],
        }
        yield {"kind": "party", "at": at, "name": f"Grower {number}"}
    for number in range(BLOCKS):
        yield {
            "kind": "block",
            "at": at,
            "name": f"Block {number}",
            "plantings": _plantings(number),
            "within": [f"Vineyard {number // 4}"],
            "grower": f"Grower {number // 4}",
        }
    yield {"kind": "label", "at": at, "name": "Hill Red", "style": "dry red", "market": ["us"]}


def _plantings(block: int) -> list[Event]:
    variety = VARIETIES[block % len(VARIETIES)]
    if block % 8:
        return [{"variety": variety}]
    other = VARIETIES[(block + 1) % len(VARIETIES)]
    return [{"variety": variety, "share": "2/3"}, {"variety": other, "share": "1/3"}]


def tanks(winery: Winery) -> Iterator[Event]:
    """The tanks; barrels go unregistered."""
    at = f"{FIRST_YEAR}-01-01"
    for number in range(winery.tanks):
        yield {
            "kind": "vessel",
            "at": at,
            "name": f"T{number}",
            "type": "tank",
            "capacity": "1600 gal",
        }


def opening(winery: Winery) -> Iterator[Event]:
    """The wine that tops the first vintage."""
    yield {
        "kind": "receive",
        "at": f"{FIRST_YEAR}-01-02",
        "lot": _topping(FIRST_YEAR),
        "vessel": _tank(FIRST_YEAR),
        "volume": _litres(winery.lots * BARRELS * TOPPINGS * TOP),
        "state": "wine",
        "composition": [
            {"share": "0.7", "variety": "Syrah", "vintage": FIRST_YEAR - 1},
            {"share": "0.3", "variety": "Grenache", "vintage": FIRST_YEAR - 2},
        ],
    }


def vintage(winery: Winery, year: int) -> list[Event]:
    """The events of one vintage, from picking to bottling, in order of time."""
    found: list[Event] = []
    for number in range(winery.lots):
        found += harvest(winery, year, number)
        found += cellar(winery, year, number)
    if year > FIRST_YEAR:
        found.append(blend(winery, year))
    found.sort(key=lambda event: event["at"])
    return found


def harvest(winery: Winery, year: int, number: int) -> Iterator[Event]:
    """From the vine to the barrel."""
    lot, grapes, tank = _lot(year, number), f"{_lot(year, number)}-G", f"T{number % winery.tanks}"
    first = date(year, 9, 1) + timedelta(days=7 * (number // winery.tanks))
    share = winery.picks / winery.lots
    for pick in range(int(number * share), int((number + 1) * share)):
        yield {
            "kind": "pick",
            "at": first.isoformat(),
            "block": f"Block {(7 * pick + year) % BLOCKS}",
            "lot": grapes,
            "mass": f"{2 + pick % 5 / 10:.1f} ton",
            "picking": "hand",
        }
    crushed, drawn = first + timedelta(days=1), first + timedelta(days=6)
    white = number % 3 == 0
    whole = [{"lot": grapes, "all": True}]
    in_tank = {"lot": lot, "vessel": tank}
    if white:
        yield {
            "kind": "press",
            "at": f"{crushed}T08:00",
            "from": whole,
            "to": [
                {**in_tank, "volume": "1150 gal", "fraction": "free run"},
                {**in_tank, "volume": "110 gal", "fraction": "light press"},
            ],
        }
    else:
        to = [{**in_tank, "volume": "1400 gal"}]
        yield {"kind": "crush", "at": f"{crushed}T08:00", "from": whole, "to": to}
    if number % 2:
        working = {"kind": "ferment", "lot": lot, "culture": "alcoholic"}
        yield {
            **working,
            "at": f"{crushed}T18:00",
            "stage": "start",
            "organism": "native",
            "regime": {"punch_downs_per_day": 1 + number % 3},
        }
        yield {**working, "at": f"{drawn}T07:00", "stage": "end"}
    barrels, amounts = _barrels(year, number), _fills(winery, number)
    free, hard = slice(BARRELS - PRESSED), slice(BARRELS - PRESSED, None)
    yield {
        "kind": "barrel_down" if white else "press",
        "at": f"{drawn}T09:00",
        "from": [{**in_tank, "all": True}],
        "to": _into(lot, barrels, amounts)
        if white
        else [
            *_into(lot, barrels[free], amounts[free], fraction="free run"),
            *_into(lot, barrels[hard], amounts[hard], fraction="light press"),
        ],
        **({"loss": "lees"} if white else {}),
    }


def cellar(winery: Winery, year: int, number: int) -> Iterator[Event]:
    """Eighteen months in barrels, and the bottling; or a year, for topping wine."""
    lot, barrels = _lot(year, number), _barrels(year, number)
    becomes_topping = number < winery.kept
    for month in range(UNTIL_BLENDED if becomes_topping else TOPPINGS):
        amounts = _tops(winery, number, month)
        years, months = divmod(11 + month, 12)
        drawn = {"lot": _topping(year), "vessel": _tank(year), "volume": _litres(sum(amounts))}
        yield {
            "kind": "top",
            "at": f"{year + years}-{months + 1:02d}-05",
            "from": [drawn],
            "to": _into(lot, barrels, amounts),
        }
    if not becomes_topping:
        yield {
            "kind": "bottle",
            "at": f"{year + 2}-06-{1 + 28 * number // winery.lots:02d}",
            "from": [{"lot": lot, "vessels": barrels, "all": True}],
            "to": [
                {
                    "lot": _bottled(year, number),
                    "bottles": _held(winery, number, TOPPINGS) // BOTTLE - 5,
                    "format": "750 mL",
                    "label": "Hill Red",
                }
            ],
        }


def blend(winery: Winery, year: int) -> Event:
    """The topping wine of a vintage, from lots of the one before."""
    kept = range(winery.kept)
    held = sum(_held(winery, number, UNTIL_BLENDED) for number in kept)
    return {
        "kind": "blend",
        "at": f"{year}-12-01",
        "from": [
            {"lot": _lot(year - 1, number), "vessels": _barrels(year - 1, number), "all": True}
            for number in kept
        ],
        "to": [{"lot": _topping(year), "vessel": _tank(year), "volume": _litres(held)}],
    }


def events(winery: Winery) -> Iterator[Event]:
    """All the events, in order of time."""
    yield from registers()
    yield from tanks(winery)
    yield from opening(winery)
    years = range(FIRST_YEAR, FIRST_YEAR + winery.vintages)
    yield from merge(*(_late(winery, year) for year in years), key=lambda event: event["at"])


def _late(winery: Winery, year: int) -> Iterator[Event]:
    """A vintage whose events are made when the merge comes to it."""
    yield {
        "kind": "note",
        "at": f"{year}-01-03",
        "label": "Hill Red",
        "text": f"Plan for {year}.",
    }
    yield from vintage(winery, year)


def _plain(event: Event) -> Event:
    """The event as people write it: one endpoint stands alone, several in a list."""
    alone = {side: event[side][0] for side in ("from", "to") if len(event.get(side, ())) == 1}
    return {**event, **alone}


def _legs(event: Event) -> int:
    """The rows that the plain query unfolds an event into."""
    if event["kind"] in ("pick", "receive"):
        return 1
    ends = event.get("from", []) + event.get("to", [])
    return sum(len(end.get("vessels", "1")) for end in ends)


def write(path: Path, winery: Winery) -> Made:
    """Write the events to a file."""
    count = legs = 0
    with path.open("w", encoding="utf-8") as target:
        for event in events(winery):
            target.write(json.dumps(_plain(event)) + "\n")
            count += 1
            legs += _legs(event)
    last = FIRST_YEAR + winery.vintages - 1
    past, number = max(FIRST_YEAR, last - 2), winery.lots - 1
    late = {
        "at": f"{past + 1}-06-20",
        "from": _topping(past),
        "from_vessel": _tank(past),
        "to": _lot(past, number),
        "to_vessel": _barrels(past, number)[0],
    }
    return Made(
        count,
        legs,
        _bottled(last, winery.lots - 1),
        _lot(last, 0),
        _barrels(last, 0),
        _topping(last),
        _tank(last),
        f"{last + 2}-07-01",
        late,
    )


def main() -> None:
    """``python -m bench.ledger FILE EVENTS``: prints what was made as JSON."""
    parser = ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("events", type=int)
    parser.add_argument("--vintages", type=int, default=VINTAGES)
    parser.add_argument("--barrels", choices=(EQUAL, UNEQUAL, APART), default=EQUAL)
    asked = parser.parse_args()
    winery = sized(asked.events, asked.vintages, asked.barrels)
    json.dump(asdict(write(asked.file, winery)), sys.stdout)
    sys.stdout.write("\n")


if __name__ == "__main__":
    main()
