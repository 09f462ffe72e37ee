"""Laws of the cellar, on ledgers that hypothesis makes: against an oracle that shares no code.

The oracle (``tests/oracles.py``) follows every litre in exact fractions, as a linear system
(scipy.sparse) and as a graph (networkx). A made ledger is lawful because the oracle says what can
be drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog import upkeep
from ampelog.composition import Composition
from ampelog.genealogy import NO_MARK, Genealogy, Mark
from ampelog.sources import Leaf
from ampelog.state import UNITS, Lot
from tests.conftest import ZONE, Vintage, replayed
from tests.oracles import UNIT, Cellar, Event

__all__ = ["ZONE"]

CAPACITIES = {"B1": 225 * UNIT, "B2": 225 * UNIT, "B3": 225 * UNIT}
PLANTINGS = {
    "Hill": [Fraction(1)],
    "Mill": [Fraction(1)],
    "Ford": [Fraction(1, 3), Fraction(2, 3)],
}
ML = UNIT // 1000


class Maker:
    """Makes one lawful event after another; the oracle keeps the book."""

    def __init__(self, draw: Callable[[Any], Any]) -> None:
        self.draw = draw
        self.oracle = Cellar(CAPACITIES, PLANTINGS)
        self.events: list[Event] = []

    def number(self, low: int, high: int) -> int:
        """A number that hypothesis draws."""
        return int(self.draw(st.integers(low, high)))

    def choose(self, things: list[Any]) -> Any:
        """One of several things."""
        return things[self.number(0, len(things) - 1)]

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

    def liquids(self) -> list[tuple[str, str, int]]:
        """(lot, vessel, millilitres) of all that is held by volume and is worth drawing on."""
        return [
            (name, vessel, lot.held(vessel) // ML)
            for name, lot in self.oracle.lots.items()
            if lot.sort == "volume"
            for vessel in lot.holdings
            if vessel is not None and lot.held(vessel) > 10 * ML
        ]

    def bottled(self) -> list[str]:
        """The lots that hold bottles, whole ones."""
        return [
            name
            for name, lot in self.oracle.lots.items()
            if lot.sort == "bottles" and lot.held(None) >= lot.format * 2
        ]

    def target(self, away: str) -> dict[str, str]:
        """Where wine can go: a new place for a lot that is, an old place, or a new lot."""
        held = [(lot, vessel) for lot, vessel, _ in self.liquids() if vessel != away]
        fresh = f"V{len(self.events)}"
        choice = self.number(0, 2)
        if choice == 0 and held:
            lot, vessel = self.choose(held)
            return {"lot": lot, "vessel": vessel}
        if choice == 1 and held:
            return {"lot": self.choose(held)[0], "vessel": fresh}
        return {"lot": f"L{len(self.events)}", "vessel": fresh}

    def begin(self) -> None:
        """Fruit of three blocks, and wine of which nothing is known."""
        for number, block in enumerate(PLANTINGS):
            kilograms = self.number(300, 900)
            self.add(kind="pick", block=block, lot=f"F{number}", mass=f"{kilograms} kg")
            to = {"lot": f"M{number}", "vessel": f"T{number}", "volume": f"{kilograms * 7} hL"}
            to["volume"] = f"{kilograms * 700} mL"
            self.add(kind="crush", from_={"lot": f"F{number}", "all": True}, to=to)
        parts = [{"share": "0.3", "variety": "Merlot"}, {"share": "0.7"}]
        self.add(kind="receive", lot="X", vessel="T9", volume="400 L", composition=parts)

    def rack(self) -> None:
        """Some or all of a holding goes elsewhere, a little is lost."""
        lot, vessel, held = self.choose(self.liquids())
        amount = self.number(2, held)
        source: Event = {"lot": lot, "vessel": vessel, "volume": f"{amount} mL"}
        if self.number(0, 3) == 0:
            source, amount = {"lot": lot, "vessel": vessel, "all": True}, held
        if self.number(0, 4) == 0:
            source["role"] = self.choose(["culture", "sweetening", "dosage"])
        arrives = max(1, amount - self.number(0, amount // 40))
        to = {**self.target(vessel), "volume": f"{arrives} mL"}
        self.add(kind="rack", from_=source, to=to)

    def blend(self) -> None:
        """Two holdings become one body in two vessels."""
        held = self.liquids()
        if len(held) < 2:
            return
        first = self.number(0, len(held) - 2)
        ends = [held[first], held[first + 1]]
        amounts = [self.number(2, amount) for _, _, amount in ends]
        out = [
            {"lot": lot, "vessel": vessel, "volume": f"{amount} mL"}
            for (lot, vessel, _), amount in zip(ends, amounts, strict=True)
        ]
        number = len(self.events)
        to = {
            "lot": f"L{number}",
            "vessels": [f"V{number}", f"W{number}", f"X{number}"],
            "volume": f"{sum(amounts) - self.number(0, 1)} mL",
        }
        self.add(kind="blend", from_=out, to=to)

    def top(self) -> None:
        """A barrel is topped full from elsewhere."""
        barrel = self.choose(["B1", "B2", "B3"])
        inside = [lot for lot, vessel, _ in self.liquids() if vessel == barrel]
        others = [end for end in self.liquids() if end[1] != barrel]
        others = [end for end in others if not inside or end[0] != inside[0] or end[1] != barrel]
        if not others:
            return
        lot, vessel, held = self.choose(others)
        amount = self.number(1, min(held, 225_000))
        name = inside[0] if inside else f"L{len(self.events)}"
        to = {"lot": name, "vessel": barrel, "volume": f"{amount} mL", "full": True}
        source = {"lot": lot, "vessel": vessel, "volume": f"{amount} mL"}
        self.add(kind="top", from_=source, to=to)

    def measure(self) -> None:
        """A lot is gauged over all its vessels, up or down."""
        lot, _, held = self.choose(self.liquids())
        measured = self.number(max(1, held // 2), held * 2)
        self.add(kind="gauge", lot=lot, volume=f"{measured} mL", reason="inventory")

    def lose(self) -> None:
        """Some of a lot is lost over all its vessels."""
        lot, vessel, held = self.choose(self.liquids())
        self.add(
            kind="loss", lot=lot, vessel=vessel, volume=f"{self.number(1, held)} mL", reason="spill"
        )

    def water(self) -> None:
        """Something that is no grape is added."""
        lot, _, _ = self.choose(self.liquids())
        self.add(
            kind="treat",
            lot=lot,
            treatment="addition",
            material="water",
            role="water",
            adds=f"{self.number(1, 5000)} mL",
        )

    def rename(self) -> None:
        """A vessel's wine bears another name."""
        lot, vessel, _ = self.choose(self.liquids())
        self.add(kind="lot", name=f"L{len(self.events)}", of=[{"lot": lot, "vessel": vessel}])

    def bottle(self) -> None:
        """A holding becomes bottles of two formats."""
        lot, vessel, held = self.choose(self.liquids())
        if held < 6000:
            return
        bottles = self.number(1, held // 3000)
        to = [
            {"lot": self.choose(["Bo1", "Bo2"]), "bottles": bottles, "format": "750 mL"},
            {"lot": "Mag", "bottles": max(1, bottles // 2), "format": "1500 mL"},
        ]
        self.add(kind="bottle", from_={"lot": lot, "vessel": vessel, "all": True}, to=to)

    def pack(self) -> None:
        """Bottles are parted; some are lost on the way."""
        names = self.bottled()
        if not names:
            return
        name = self.choose(names)
        lot = self.oracle.lots[name]
        count = self.number(1, lot.held(None) // lot.format)
        to = [{"lot": f"P{len(self.events)}", "bottles": count}]
        self.add(kind="pack", from_={"lot": name, "bottles": count}, to=to)

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
        self.add(kind="ship", from_=source, to="Shop", removal="taxpaid", document=document)
        if self.number(0, 1):
            self.add(kind="return", lot=name, bottles=self.number(1, count), document=document)


OPERATIONS = ("rack", "rack", "blend", "top", "top", "measure", "lose", "water", "rename",
              "bottle", "pack", "ship")  # fmt: skip


@st.composite
def lawful(draw: Any) -> Maker:
    """A lawful ledger and the oracle that has followed it."""
    maker = Maker(draw)
    maker.begin()
    for _ in range(maker.number(3, 22)):
        if maker.liquids():
            getattr(maker, maker.choose(list(OPERATIONS)))()
    return maker


def told(composition: Composition) -> dict[tuple[str, int, str | None], Fraction]:
    """Shares by source, part and role."""
    shares: dict[tuple[str, int, str | None], Fraction] = {}
    for leaf in composition.leaves:
        key = (leaf.event, leaf.part, leaf.role)
        shares[key] = shares.get(key, Fraction(0)) + composition.share(leaf)
    return shares


NEAR = Fraction(1, 2**200)


@settings(max_examples=60)
@given(made=lawful())
def test_holdings_and_compositions_are_those_of_the_oracle(made: Maker) -> None:
    view, refusals = replayed(made.events)
    assert refusals == []
    for name, expected in made.oracle.lots.items():
        lot = view.lot(name)
        holds = {vessel: holding.amount for vessel, holding in lot.holdings.items()}
        assert holds == made.oracle.holds(name)
        if not expected.bodies():
            continue
        composition = view.composition(lot)
        shares, exact = told(composition), made.oracle.shares(name)
        assert shares.keys() == exact.keys()
        assert all(0 <= exact[key] - share < NEAR for key, share in shares.items())
        for key, share in exact.items():

            def is_it(leaf: Leaf, key: tuple[str, int, str | None] = key) -> int:
                return int((leaf.event, leaf.part, leaf.role) == key)

            assert composition.measure(is_it, share).meets, "a tie meets"
            hair = Fraction(1, 10**90)
            if share + hair <= 1:
                assert not composition.measure(is_it, share + hair).meets
            assert composition.measure(is_it, max(Fraction(0), share - hair)).meets


@settings(max_examples=25)
@given(made=lawful())
def test_what_is_in_a_lot_is_what_reaches_it_and_how_much_a_solve_says(made: Maker) -> None:
    view, _ = replayed(made.events)
    for name, expected in made.oracle.lots.items():
        if expected.bodies():
            shares: dict[str, Fraction] = {}
            for (event, _, _), share in told(view.composition(view.lot(name))).items():
                shares[event] = shares.get(event, Fraction(0)) + share
            assert shares.keys() == made.oracle.reaches(name)
            solved = made.oracle.solved(name)
            assert all(abs(solved[event] - float(share)) < 1e-9 for event, share in shares.items())


@settings(max_examples=60)
@given(made=lawful())
def test_every_balance_is_exactly_zero_and_shares_sum_to_one(made: Maker) -> None:
    view, _ = replayed(made.events)
    for lot in view.all_lots():
        for unit, tally in lot.tallies.items():
            assert tally.held() == (lot.amount if UNITS[lot.sort] == unit else 0)
        if lot.contents():
            rows = view.composition(lot).rows(lambda leaf: (leaf.variety, leaf.role))
            assert sum(int(share.replace(".", "")) for _, share in rows) == 10**30


@settings(max_examples=15)
@given(made=lawful(), data=st.data())
def test_the_order_of_endpoints_never_matters(made: Maker, data: st.DataObject) -> None:
    turned = [
        {**event, "from": event["from"][::-1]} if isinstance(event.get("from"), list) else event
        for event in made.events
    ]
    first, second = replayed(made.events)[0], replayed(turned)[0]
    lots = [lot.name for lot in first.all_lots() if lot.contents()]
    name = data.draw(st.sampled_from(lots))
    one, two = (told(view.composition(view.lot(name))) for view in (first, second))
    assert one.keys() == two.keys()
    assert all(abs(one[key] - two[key]) < NEAR for key in one)


@settings(max_examples=15)
@given(made=lawful(), cut=st.integers(1, 40))
def test_every_prefix_of_a_lawful_ledger_is_lawful(made: Maker, cut: int) -> None:
    assert replayed(made.events[:cut])[1] == []


def dumped(lots: list[Lot]) -> dict[str, str]:
    """Each lot as the projection writes it."""
    return {lot.name: lot.dump() for lot in lots}


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_many_small_loads_are_as_good_as_one(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    """What is kept after each load equals a fresh replay of everything (``verify``)."""
    import json

    vintage = another()
    lines = [json.dumps(event).encode() for event in made.events]
    while lines:
        size = data.draw(st.integers(1, 12))
        vintage.record(lines[:size])
        lines = lines[size:]
    assert upkeep.verify(vintage.ledger)["findings"] == []
    fresh, _ = replayed(made.events)
    kept = vintage.view()
    for lot in fresh.all_lots():
        holds = {v: h.amount for v, h in kept.lot(lot.name).holdings.items()}
        assert holds == {v: h.amount for v, h in lot.holdings.items()}


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_a_late_note_of_what_came_in_changes_nothing_else(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    """A late receipt into a lot of its own leaves every other lot as it was; all is replayed."""
    import json

    vintage = another()
    vintage.record([json.dumps(event).encode() for event in made.events])
    before = {lot.name: lot.amount for lot in vintage.view().all_lots()}
    day = data.draw(st.integers(1, 28))
    vintage.load(
        f'{{"kind": "receive", "at": "2023-06-{day:02d}", "lot": "Late", "vessel": "Y", '
        '"volume": "5 L"}'
    )
    after = {lot.name: lot.amount for lot in vintage.view().all_lots()}
    assert after == {**before, "Late": 5 * UNIT}
    assert upkeep.verify(vintage.ledger)["findings"] == []


# The exact decision, on graphs made for it


def wine(parents: list[Any], leaves: dict[int, str]) -> Composition:
    """A composition over a bare graph; the last node is the wine."""

    def expand(node: int, mark: Mark) -> list[tuple[Leaf, Fraction]]:
        assert mark == NO_MARK
        leaf = Leaf(leaves[node], node, 0, "pick", None, variety=leaves[node])
        return [(leaf, Fraction(1))]

    return Composition(Genealogy(parents), [(len(parents) - 1, 1)], expand, "head/lot")


def is_a(leaf: Leaf) -> int:
    """The share that is asked about."""
    return int(leaf.variety == "a")


@given(ratio=st.tuples(st.integers(1, 10**9), st.integers(1, 10**9)), steps=st.integers(0, 12))
def test_a_tie_is_told_from_a_hair(ratio: tuple[int, int], steps: int) -> None:
    """However deep the graph, the share is a/(a+b); equality meets, 10^-90 more does not."""
    a, b = ratio
    parents: list[Any] = [(), (), ((0, a), (1, b))]
    for number in range(steps):
        parents.append(((2 + number, 7), (2, 13)))
    made = wine(parents, {0: "a", 1: "b"})
    share = Fraction(a, a + b)
    assert made.measure(is_a, share).meets
    assert not made.measure(is_a, share + Fraction(1, 10**90)).meets
    assert made.measure(is_a, share - Fraction(1, 10**90)).meets


def test_a_needle_of_ten_to_the_minus_ninety_is_found() -> None:
    """Topping a wine thirty times leaves a share of 10^-90 that no binary float can hold."""
    parents: list[Any] = [(), (), ((0, 1), (1, 999))]
    for number in range(29):
        parents.append(((2 + number, 1), (1, 999)))
    made = wine(parents, {0: "a", 1: "b"})
    needle = Fraction(1, 1000**30)
    assert made.measure(is_a, needle).meets
    assert not made.measure(is_a, needle + Fraction(1, 10**120)).meets
    assert not made.measure(lambda leaf: int(leaf.variety == "b"), Fraction(1)).meets
    assert made.measure(lambda _: 1, Fraction(1)).meets


@pytest.mark.parametrize(("gallons", "meets"), [("75", True), ("74.999", False)])
def test_seventy_five_gallons_of_a_hundred(
    another: Callable[[], Vintage], gallons: str, meets: bool, tmp_path: Path
) -> None:
    """27 CFR 4.23(b): not less than 75 percent."""
    del tmp_path
    vintage = another()
    rest = "25" if gallons == "75" else "25.001"
    vintage.load(f"""
    {{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "{gallons} gal",
     "composition": [{{"variety": "Syrah"}}]}}
    {{"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "{rest} gal",
     "composition": [{{"variety": "Merlot"}}]}}
    {{"kind": "blend", "at": "2024-10-02", "from": [{{"lot": "A", "all": true}},
     {{"lot": "B", "all": true}}], "to": {{"lot": "C", "vessel": "T3", "volume": "100 gal"}}}}
    """)
    view = vintage.view()
    composition = view.composition(view.lot("C"))
    found = composition.measure(lambda leaf: int(leaf.variety == "Syrah"), Fraction(3, 4))
    assert found.meets is meets
