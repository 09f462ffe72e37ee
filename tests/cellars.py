"""Lawful ledgers, made by hypothesis: one event after another, the oracle keeping the book.

A made ledger is lawful because the oracle says what can be drawn. The setting of ``conftest``
gives the blocks, the party and the barrels.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from typing import Any

from hypothesis import strategies as st

from tests.oracles import UNIT, Cellar, Event

CAPACITIES = {"B1": 225 * UNIT, "B2": 225 * UNIT, "B3": 225 * UNIT}
PLANTINGS = {
    "Hill": [Fraction(1)],
    "Mill": [Fraction(1)],
    "Ford": [Fraction(1, 3), Fraction(2, 3)],
}
ML = UNIT // 1000
RECEIPTS: tuple[list[Event] | None, ...] = (
    None,
    [{"share": "0.3", "variety": "Merlot"}, {"share": "0.7"}],
    [{"share": "1/3", "variety": "Syrah", "vintage": 2022}, {"share": "2/3", "within": ["Ash"]}],
    [{"share": "1", "block": "Hill", "harvested": "2022-09-30"}],
)


def liters(amount: int) -> str:
    """Units of 10^-12 as a quantity."""
    whole, rest = divmod(amount, UNIT)
    return f"{whole}.{rest:012d} L"


class Maker:
    """Makes events; ``at`` and ``id`` count up.

    Without ``bottles`` nothing is bottled. With ``named`` every share is over vessels in the order
    in which the event names them.
    """

    def __init__(
        self, draw: Callable[[Any], Any], bottles: bool = True, named: bool = False
    ) -> None:
        self.draw = draw
        self.named = named
        self.oracle = Cellar(CAPACITIES, PLANTINGS)
        self.events: list[Event] = []
        self.moves = [
            self.pick, self.receive, self.press, self.rack, self.rack, self.blend, self.even,
            self.top, self.top, self.measure, self.lose, self.water, self.treat, self.hold,
            self.ferment, self.rename, self.send,
        ]  # fmt: skip
        if bottles:
            self.moves += [
                self.bottle, self.bottle, self.pack, self.ship, self.disgorge, self.count,
            ]  # fmt: skip

    def __repr__(self) -> str:
        return "\n".join(json.dumps(event) for event in self.events)

    # Choosing

    def number(self, low: int, high: int) -> int:
        """A number that hypothesis draws."""
        return int(self.draw(st.integers(low, high)))

    def choose(self, things: list[Any]) -> Any:
        """One of several things."""
        return things[self.number(0, len(things) - 1)]

    def some(self, held: int) -> int:
        """Part of an amount in units: a round part, all but a unit, one unit, any, or all."""
        part = self.choose([held // 2, held // 3, held - 1, 1, held, self.number(1, held)])
        return max(1, int(part))

    def add(self, **event: Any) -> None:
        """An event, an hour after the one before it."""
        number = len(self.events)
        whole = {
            **{key.rstrip("_"): value for key, value in event.items()},
            "at": f"2024-{1 + number // 600:02d}-{1 + number // 24:02d}T{number % 24:02d}:00",
            "id": f"01890000-0000-7000-8000-{number:012d}",
            "by": "Ines",
        }
        self.oracle.apply(whole)
        self.events.append(whole)

    def new(self) -> str:
        """A lot's name: a new one, or that of a lot that was emptied."""
        empty = [
            name for name, lot in self.oracle.lots.items()
            if not lot.holdings and lot.sort == "volume"
        ]  # fmt: skip
        if empty and self.number(0, 3) == 0:
            return str(self.choose(empty))
        return f"L{len(self.events)}"

    def liquids(self) -> list[tuple[str, str, int]]:
        """(lot, vessel, units) of all that is held by volume in a vessel."""
        return [
            (name, vessel, lot.held(vessel))
            for name, lot in self.oracle.lots.items()
            if lot.sort == "volume"
            for vessel in lot.holdings
            if vessel is not None
        ]

    def fruit(self) -> list[tuple[str, int]]:
        """(lot, units) of all that is held by mass."""
        return [
            (name, lot.held(None))
            for name, lot in self.oracle.lots.items()
            if lot.sort == "mass" and lot.holdings
        ]

    def bottled(self) -> list[str]:
        """The lots that hold bottles."""
        return [
            name for name, lot in self.oracle.lots.items()
            if lot.sort == "bottles" and lot.holdings
        ]  # fmt: skip

    def target(self, away: str) -> Event:
        """Where wine can go: to a lot that is, in a new place or its own, or to a new lot."""
        held = [(lot, vessel) for lot, vessel, _ in self.liquids() if vessel != away]
        fresh = f"V{len(self.events)}"
        choice = self.number(0, 2)
        if choice == 0 and held:
            lot, vessel = self.choose(held)
            return {"lot": lot, "vessel": vessel}
        if choice == 1 and held:
            return {"lot": self.choose(held)[0], "vessel": fresh}
        return {"lot": self.new(), "vessel": fresh}

    # Coming in

    def begin(self) -> None:
        """Fruit of three blocks crushed, and wine of which little is known."""
        for number, block in enumerate(PLANTINGS):
            kilograms = self.number(300, 900)
            self.add(kind="pick", block=block, lot=f"F{number}", mass=f"{kilograms} kg")
            to = {"lot": f"M{number}", "vessel": f"T{number}", "volume": f"{kilograms * 700} mL"}
            self.add(kind="crush", from_={"lot": f"F{number}", "all": True}, to=to)
        self.receive()

    def pick(self) -> None:
        """More fruit, into a lot of its own or one that waits."""
        waiting = [lot for lot, _ in self.fruit()]
        lot = self.choose([*waiting, f"F{len(self.events)}"])
        block = self.choose(sorted(PLANTINGS))
        self.add(kind="pick", block=block, lot=lot, mass=f"{self.number(1, 2_000_000)} g")

    def receive(self) -> None:
        """Wine from elsewhere, into one vessel or shared over three."""
        number = len(self.events)
        event: Event = {"lot": self.new(), "volume": f"{self.number(1, 900_000)} mL"}
        if self.number(0, 2) == 0:
            event["vessels"] = [f"V{number}", f"W{number}", f"X{number}"]
        else:
            event["vessel"] = f"V{number}"
        parts = self.choose(list(RECEIPTS))
        if parts is not None:
            event["composition"] = parts
        self.add(kind="receive", **event)

    # Moving

    def press(self) -> None:
        """Fruit or must gives free run, hard press and pomace."""
        number = len(self.events)
        source: Event
        fruit = self.fruit()
        if fruit and self.number(0, 1):
            lot, held = self.choose(fruit)
            source, yielded = {"lot": lot, "all": True}, max(2, held // 2)
        else:
            lot, vessel, held = self.choose(self.liquids())
            if held < 100:
                return
            source = {"lot": lot, "vessel": vessel, "volume": liters(held)}
            yielded = held - held // 7
        free = yielded // 3
        to: list[Event] = [
            {"lot": f"L{number}", "vessel": f"V{number}", "volume": liters(yielded - free),
             "fraction": "free run"},
            {"lot": f"L{number}", "vessel": f"W{number}", "volume": liters(free),
             "fraction": "hard press"},
            {"lot": f"P{number}", "mass": "7 kg", "fraction": "pomace"},
        ]  # fmt: skip
        self.add(kind="press", from_=source, to=to)

    def rack(self) -> None:
        """Some or all of a holding goes elsewhere, a little is lost."""
        lot, vessel, held = self.choose(self.liquids())
        amount = self.some(held)
        source: Event = {"lot": lot, "vessel": vessel, "volume": liters(amount)}
        if self.number(0, 3) == 0:
            source, amount = {"lot": lot, "vessel": vessel, "all": True}, held
        if self.number(0, 4) == 0:
            source["role"] = self.choose(["culture", "sweetening", "dosage"])
        arrives = max(1, amount - self.number(0, amount // 40))
        to = {**self.target(vessel), "volume": liters(arrives)}
        ends = [source]
        if "all" not in source and amount > 1 and self.number(0, 3) == 0:
            part = amount // 3 or 1
            rest = {**source, "volume": liters(amount - part)}
            ends = [{"lot": lot, "vessel": vessel, "volume": liters(part)}, rest]
        self.add(kind="rack", from_=ends, to=to)

    def blend(self) -> None:
        """Two holdings become one body in three vessels, or go back into their own."""
        held = self.liquids()
        if len(held) < 2:
            return
        first = self.number(0, len(held) - 2)
        ends = [held[first], held[first + 1]]
        amounts = [self.some(amount) for _, _, amount in ends]
        source: list[Event] = [
            {"lot": lot, "vessel": vessel, "volume": liters(amount)}
            for (lot, vessel, _), amount in zip(ends, amounts, strict=True)
        ]
        if amounts[0] > 2 and self.number(0, 2) == 0:
            lot, vessel, _ = ends[0]
            part = amounts[0] // 3
            source[0]["volume"] = liters(amounts[0] - part)
            source.append({"lot": lot, "vessel": vessel, "volume": liters(part)})
        number = len(self.events)
        to: Any = {
            "lot": f"L{number}",
            "vessels": [f"V{number}", f"W{number}", f"X{number}"],
            "volume": liters(sum(amounts)),
        }
        if self.number(0, 1) or sum(amounts) < 3:
            to = [
                {"lot": lot, "vessel": vessel, "volume": liters(amount)}
                for (lot, vessel, _), amount in zip(ends, amounts[::-1], strict=True)
            ]
        self.add(kind="blend", from_=source, to=to)

    def even(self) -> None:
        """All of a lot goes into one tank, or one quantity is shared over its vessels."""
        lot, _, _ = self.choose(self.liquids())
        book = self.oracle.lots[lot]
        vessels = sorted(vessel for vessel in book.holdings if vessel is not None)
        to: Event = {"lot": f"L{len(self.events)}", "vessel": f"V{len(self.events)}"}
        whole = sum(book.held(vessel) for vessel in vessels)
        if self.number(0, 1):
            self.add(kind="rack", from_={"lot": lot, "all": True},
                     to={**to, "volume": liters(whole)})  # fmt: skip
            return
        amount = max(1, min(book.held(vessel) for vessel in vessels) // 2) * len(vessels)
        self.add(kind="rack", from_={"lot": lot, "vessels": vessels, "volume": liters(amount)},
                 to={**to, "volume": liters(amount)})  # fmt: skip

    def top(self) -> None:
        """A barrel is topped full from elsewhere."""
        barrel = self.choose(sorted(CAPACITIES))
        inside = [lot for lot, vessel, _ in self.liquids() if vessel == barrel]
        others = [end for end in self.liquids() if end[1] != barrel]
        if not others:
            return
        lot, vessel, held = self.choose(others)
        amount = self.some(min(held, CAPACITIES[barrel]))
        name = inside[0] if inside else f"L{len(self.events)}"
        to = {"lot": name, "vessel": barrel, "volume": liters(amount), "full": True}
        source = {"lot": lot, "vessel": vessel, "volume": liters(amount)}
        self.add(kind="top", from_=source, to=to)

    # In place

    def measure(self) -> None:
        """A lot is gauged over all its vessels, up or down."""
        lot, vessel, held = self.choose(self.liquids())
        place = {"vessel": vessel} if self.named else {}
        held = held if self.named else sum(self.oracle.holds(lot).values())
        measured = self.number(max(1, held // 2), held * 2)
        self.add(kind="gauge", lot=lot, volume=liters(measured), reason="inventory", **place)

    def lose(self) -> None:
        """Some of a holding is lost, or a vessel is found empty."""
        lot, vessel, held = self.choose(self.liquids())
        if self.number(0, 5) == 0:
            self.add(kind="gauge", lot=lot, vessel=vessel, empty=True)
            return
        self.add(kind="loss", lot=lot, vessel=vessel, volume=liters(self.some(held)),
                 reason="spill")  # fmt: skip

    def water(self) -> None:
        """Something that is no grape is added."""
        lot, vessel, _ = self.choose(self.liquids())
        place = {"vessel": vessel} if self.named else {}
        self.add(
            kind="treat",
            lot=lot,
            **place,
            treatment="addition",
            material="water",
            role="water",
            adds=f"{self.number(1, 5000)} mL",
        )

    def treat(self) -> None:
        """A treatment that moves nothing."""
        lot, _, _ = self.choose(self.liquids())
        self.add(kind="treat", lot=lot, treatment="fining", material="clay", amount="20 g")

    def hold(self) -> None:
        """Wine is held; what is bottled or sold of it says ``despite``."""
        lot, vessel, _ = self.choose(self.liquids())
        self.add(kind="hold", lot=lot, vessel=vessel, reason="smoke")

    def ferment(self) -> None:
        """A stretch of fermentation begins, changes, or ends."""
        lot, vessel, _ = self.choose(self.liquids())
        stage = self.choose(["start", "change", "end"])
        self.add(kind="ferment", lot=lot, vessel=vessel, culture="alcoholic", stage=stage,
                 organism=self.choose(["yeast 7", "yeast 8"]))  # fmt: skip

    def rename(self) -> None:
        """A vessel's wine bears another name."""
        lot, vessel, _ = self.choose(self.liquids())
        self.add(kind="lot", name=f"L{len(self.events)}", of=[{"lot": lot, "vessel": vessel}])

    # Leaving, and bottles

    def send(self) -> None:
        """Wine leaves in bulk, and some comes back into a vessel of its own."""
        lot, vessel, held = self.choose(self.liquids())
        self.add(kind="ferment", lot=lot, culture="alcoholic", stage="end")
        amount, document = self.some(held), f"D{len(self.events)}"
        self.add(kind="ship", from_={"lot": lot, "vessel": vessel, "volume": liters(amount)},
                 to="Shop", removal="in bond", document=document)  # fmt: skip
        if self.number(0, 1):
            self.add(kind="return", lot=lot, vessel=f"V{len(self.events)}",
                     volume=liters(self.some(amount)), document=document)  # fmt: skip

    def bottle(self) -> None:
        """A holding becomes bottles of two formats."""
        lot, vessel, held = self.choose(self.liquids())
        if held < 6000 * ML:
            return
        bottles = self.number(1, held // (3000 * ML))
        to: list[Event] = [
            {"lot": self.choose(["Bo1", "Bo2"]), "bottles": bottles, "format": "750 mL"},
            {"lot": "Mag", "bottles": max(1, bottles // 2), "format": "1500 mL"},
        ]
        self.add(kind="bottle", from_={"lot": lot, "vessel": vessel, "all": True}, to=to,
                 despite="the line was booked")  # fmt: skip

    def disgorge(self) -> None:
        """Bottles and a dosage become new fills."""
        names, wines = self.bottled(), self.liquids()
        wines = [end for end in wines if end[2] >= UNIT]
        if not names or not wines:
            return
        name = self.choose(names)
        book = self.oracle.lots[name]
        lot, vessel, _ = self.choose(wines)
        count = book.held(None) // book.format
        source: list[Event] = [
            {"lot": name, "all": True},
            {"lot": lot, "vessel": vessel, "volume": "1 L", "role": "dosage"},
        ]
        to = [{"lot": f"S{len(self.events)}", "bottles": count, "format": liters(book.format)}]
        self.add(kind="bottle", from_=source, to=to, despite="the line was booked")

    def pack(self) -> None:
        """Bottles are parted into two lots."""
        names = self.bottled()
        if not names:
            return
        name = self.choose(names)
        lot = self.oracle.lots[name]
        count = self.number(1, lot.held(None) // lot.format)
        rest = self.number(0, count - 1)
        to: list[Event] = [{"lot": f"P{len(self.events)}", "bottles": count - rest}]
        if rest:
            to.append({"lot": f"Q{len(self.events)}", "bottles": rest})
        source: list[Event] = [{"lot": name, "bottles": count}]
        alike = [one for one in names if self.oracle.lots[one].format == lot.format]
        other = self.choose(alike)
        if other != name:
            more = self.oracle.lots[other].held(None) // lot.format
            source.append({"lot": other, "all": True})
            to.append({"lot": f"R{len(self.events)}", "bottles": more})
        self.add(kind="pack", from_=source, to=to)

    def ship(self) -> None:
        """Bottles leave, and some come back."""
        names = self.bottled()
        if not names:
            return
        name = self.choose(names)
        lot = self.oracle.lots[name]
        count = self.number(1, lot.held(None) // lot.format)
        document = f"D{len(self.events)}"
        source = {"lot": name, "bottles": count}
        self.add(kind="ship", from_=source, to="Shop", removal="taxpaid", document=document,
                 despite="a wedding")  # fmt: skip
        back = self.number(0, count)
        if back:
            self.add(kind="return", lot=name, bottles=back, document=document)
        if count - back and self.number(0, 1):
            self.add(kind="return", lot=name, bottles=self.number(1, count - back),
                     document=document)  # fmt: skip

    def count(self) -> None:
        """Bottles are counted, and some are broken."""
        names = self.bottled()
        if not names:
            return
        name = self.choose(names)
        lot = self.oracle.lots[name]
        held = lot.held(None) // lot.format
        if self.number(0, 1):
            self.add(kind="loss", lot=name, bottles=self.number(1, held), reason="breakage")
        else:
            self.add(kind="gauge", lot=name, bottles=self.number(1, held), reason="inventory")


@st.composite
def lawful(draw: Any, bottles: bool = True, named: bool = False) -> Maker:
    """A lawful ledger and the oracle that has followed it."""
    maker = Maker(draw, bottles, named)
    maker.begin()
    for _ in range(maker.number(3, 22)):
        if maker.liquids():
            maker.choose(maker.moves)()
    return maker
