"""Laws of the cellar, on ledgers that hypothesis makes: against an oracle that shares no code.

The oracle (``tests/oracles.py``) follows every litre in exact fractions, as a linear system
(scipy.sparse) and as a graph (networkx).
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ampelog import projection, stands, transfers, upkeep
from ampelog.composition import Composition
from ampelog.errors import Refused
from ampelog.genealogy import Kinds
from ampelog.ledger import Ledger
from ampelog.quantities import ONE
from ampelog.questions import View
from ampelog.sources import Leaf
from ampelog.stands import SPAN
from ampelog.state import UNITS
from tests.cellars import CAPACITIES, PLANTINGS, Maker, lawful, liters
from tests.conftest import Vintage, numbered, refused, replayed
from tests.oracles import UNIT, Cellar, Event, Key, units

NEAR = Fraction(1, 2**200)
"""How far a share may be below the true one (``Composition.share``)."""
HAIR = Fraction(1, 10**90)


def key_of(leaf: Leaf) -> Key:
    """What the oracle calls a source."""
    return (leaf.event, leaf.part, leaf.role)


def told(composition: Composition) -> dict[Key, Fraction]:
    """Shares by source, part and role."""
    shares: dict[Key, Fraction] = {}
    for leaf in composition.leaves:
        shares[key_of(leaf)] = shares.get(key_of(leaf), Fraction(0)) + composition.share(leaf)
    return shares


def followed(events: list[Event]) -> Cellar:
    """The oracle's cellar after these events, in order of time."""
    oracle = Cellar(CAPACITIES, PLANTINGS)
    for event in sorted(events, key=lambda one: str(one["at"])):
        oracle.apply(event)
    return oracle


def agrees(view: View, oracle: Cellar) -> None:
    """Every lot holds what the oracle says, and is made of it, to within the proven error."""
    for name, expected in oracle.lots.items():
        lot = view.lot(name)
        holds = {vessel: holding.amount for vessel, holding in lot.holdings.items()}
        assert holds == oracle.holds(name)
        if expected.bodies():
            shares, exact = told(view.composition(lot)), oracle.shares(name)
            assert shares.keys() == exact.keys()
            assert all(0 <= exact[key] - share < NEAR for key, share in shares.items())


# --- against the oracle ---


@settings(max_examples=200)
@given(made=lawful())
def test_holdings_and_compositions_are_those_of_the_oracle(made: Maker) -> None:
    view = replayed(made.events)
    agrees(view, made.oracle)


@settings(max_examples=15)
@given(made=lawful())
def test_every_share_is_decided_exactly(made: Maker) -> None:
    """The oracle's share is met as a threshold, and the same and a hair more is not."""
    view = replayed(made.events)
    for name, expected in made.oracle.lots.items():
        if not expected.bodies():
            continue
        composition = view.composition(view.lot(name))
        for key, share in made.oracle.shares(name).items():

            def is_it(leaf: Leaf, key: Key = key) -> int:
                return int(key_of(leaf) == key)

            assert composition.measure(is_it, share).meets
            assert composition.measure(is_it, max(Fraction(0), share - HAIR)).meets
            assert not composition.measure(is_it, share + HAIR).meets


@settings(max_examples=25)
@given(made=lawful())
def test_a_bottled_lot_is_its_fills_each_as_it_was_filled(made: Maker) -> None:
    view = replayed(made.events)
    for name, expected in made.oracle.lots.items():
        if expected.sort != "bottles" or not expected.holdings:
            continue
        lot = view.lot(name)
        content = view.content(lot)
        bodies = list(expected.holdings[None].values())
        assert [amount for _, amount in content] == [body.amount for body in bodies]
        compositions = view.compositions(lot, [[part] for part in content])
        for body, composition in zip(bodies, compositions, strict=True):
            exact = {key: of / body.amount for key, of in body.parts.items() if of}
            shares = told(composition)
            assert shares.keys() == exact.keys()
            assert all(0 <= exact[key] - share < NEAR for key, share in shares.items())


@settings(max_examples=25)
@given(made=lawful())
def test_what_is_in_a_lot_is_what_reaches_it(made: Maker) -> None:
    """Against reachability (networkx): a source has a positive share where a path leads."""
    view = replayed(made.events)
    for name, expected in made.oracle.lots.items():
        if expected.bodies():
            shares = told(view.composition(view.lot(name)))
            assert {event for event, _, _ in shares} == made.oracle.reaches(name)


@settings(max_examples=25)
@given(made=lawful())
def test_how_much_is_in_a_lot_is_what_a_linear_solve_says(made: Maker) -> None:
    """Against scipy.sparse, to its own digits."""
    view = replayed(made.events)
    for name, expected in made.oracle.lots.items():
        if expected.bodies():
            shares: dict[str, Fraction] = {}
            for (event, _, _), share in told(view.composition(view.lot(name))).items():
                shares[event] = shares.get(event, Fraction(0)) + share
            solved = made.oracle.solved(name)
            assert all(abs(solved[event] - float(share)) < 1e-9 for event, share in shares.items())


# --- conservation ---


@settings(max_examples=200)
@given(made=lawful())
def test_every_balance_is_exactly_zero(made: Maker) -> None:
    view = replayed(made.events)
    for lot in view.all_lots():
        for unit, tally in lot.tallies.items():
            assert tally.held() == (lot.amount if UNITS[lot.sort] == unit else 0)
            assert min(tally.into, tally.out, tally.gained, tally.pomace, *tally.lost.values()) >= 0
        assert all(holding.amount > 0 for holding in lot.holdings.values())


@settings(max_examples=30)
@given(made=lawful())
def test_shares_sum_to_exactly_one(made: Maker) -> None:
    view = replayed(made.events)
    for lot in view.all_lots():
        if not lot.contents():
            continue
        composition = view.composition(lot)
        assert composition.sign(lambda _: 0) == 0
        assert composition.measure(lambda _: 1, Fraction(1)).meets
        for fields in (("variety", "role"), ("event",), ("vintage", "block", "variety")):

            def values(leaf: Leaf, fields: tuple[str, ...] = fields) -> tuple[Any, ...]:
                return tuple(getattr(leaf, field) for field in fields)

            rows = composition.rows(values)
            assert sum(int(share.replace(".", "")) for _, share in rows) == 10**30


@settings(max_examples=40)
@given(made=lawful(bottles=False))
def test_a_vessel_holds_one_lot(made: Maker) -> None:
    view = replayed(made.events)
    held = [
        vessel
        for lot in view.held_lots()
        if lot.sort == "volume"
        for vessel in lot.holdings
        if vessel is not None
    ]
    assert len(held) == len(set(held))


# --- order ---

ALL = Kinds(True, True, True)


def marked(composition: Composition) -> dict[tuple[object, ...], Fraction]:
    """Shares by source and by all that the wine took on its way."""
    shares: dict[tuple[object, ...], Fraction] = {}
    for leaf in composition.leaves:
        key = (*key_of(leaf), leaf.fraction, leaf.organism)
        shares[key] = shares.get(key, Fraction(0)) + composition.share(leaf)
    return shares


def turned(event: Event) -> Event:
    """The event with its endpoints in the opposite order."""
    return {
        key: value[::-1] if key in ("from", "to", "of") and isinstance(value, list) else value
        for key, value in event.items()
    }


@settings(max_examples=40)
@given(made=lawful(bottles=False, named=True))
def test_the_order_of_endpoints_never_matters(made: Maker) -> None:
    one = replayed(made.events)
    two = replayed([turned(event) for event in made.events])
    for lot in one.all_lots():
        other = two.lot(lot.name)
        assert {
            vessel: (held.amount, held.state, held.holds) for vessel, held in lot.holdings.items()
        } == {
            vessel: (held.amount, held.state, held.holds) for vessel, held in other.holdings.items()
        }
        for vessel in lot.holdings:
            first = one.composition(lot, one.content(lot, vessel), kinds=ALL)
            second = two.composition(other, two.content(other, vessel), kinds=ALL)
            shares, again = marked(first), marked(second)
            assert shares.keys() == again.keys()
            assert all(abs(again[key] - share) < NEAR for key, share in shares.items())


@settings(max_examples=25)
@given(made=lawful(), cut=st.integers(0, 40))
def test_every_prefix_of_a_lawful_ledger_is_lawful(made: Maker, cut: int) -> None:
    view = replayed(made.events[:cut])
    agrees(view, followed(made.events[:cut]))


@settings(max_examples=25)
@given(made=lawful(), data=st.data())
def test_the_order_of_lines_does_not_matter_where_times_differ(
    made: Maker, data: st.DataObject
) -> None:
    shuffled = data.draw(st.permutations(made.events))
    view = replayed(shuffled)
    agrees(view, made.oracle)


# --- what is kept equals what is replayed ---


def projected(ledger: Ledger) -> dict[str, Any]:
    """All that the projection holds, but for how it came to be told in spans."""
    lots = [row[0] for row in ledger.rows("lot_names")]
    vessels = {
        vessel
        for _, body in ledger.rows("lot_states", lot="\n".join(lots))
        for alike, _ in [*json.loads(body)[3], *json.loads(body)[4]]
        for vessel in alike
        if vessel is not None
    }
    state = ledger.rows("projection_state")[0]
    return {
        "nodes": ledger.rows("nodes", node=2**40),
        "edges": sorted(ledger.rows("edges", node=2**40)),
        "marks": ledger.rows("marks", node=2**40),
        "ferments": ledger.rows("ferments", first=0),
        "lots": sorted(ledger.rows("lot_states", lot="\n".join(lots))),
        "vessels": sorted(ledger.rows("vessel_states", vessel="\n".join(sorted(vessels)))),
        "state": (*state[:3], {**json.loads(state[3]), "span": ()}),
    }


def is_as_if_replayed(vintage: Vintage) -> None:
    """What the loads have left in the projection is what a replay of the log writes there."""
    assert upkeep.verify(vintage.ledger)["findings"] == []
    kept = projected(vintage.ledger)
    projection.rebuild(vintage.ledger)
    assert projected(vintage.ledger) == kept
    assert upkeep.verify(vintage.ledger)["findings"] == []


@pytest.fixture
def spans(monkeypatch: pytest.MonkeyPatch) -> Callable[[st.DataObject], None]:
    """Lets the log be told in spans of some length: no made ledger is as long as a real one."""
    return lambda data: monkeypatch.setattr(
        stands, "SPAN", data.draw(st.sampled_from((3, 7, SPAN)))
    )


def load(vintage: Vintage, events: list[Event], data: st.DataObject) -> None:
    """Record events in loads of any size."""
    lines = [json.dumps(event).encode() for event in events]
    while lines:
        size = data.draw(st.integers(1, 12))
        vintage.record(lines[:size])
        lines = lines[size:]


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_many_small_loads_are_as_good_as_one(
    another: Callable[[], Vintage],
    spans: Callable[[st.DataObject], None],
    made: Maker,
    data: st.DataObject,
) -> None:
    spans(data)
    vintage = another()
    load(vintage, made.events, data)
    agrees(vintage.view(), made.oracle)
    is_as_if_replayed(vintage)


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_late_entries_are_as_good_as_timely_ones(
    another: Callable[[], Vintage],
    spans: Callable[[st.DataObject], None],
    made: Maker,
    data: st.DataObject,
) -> None:
    """Some events without which the rest is lawful are recorded last."""
    late: list[Event] = []
    for _ in range(3):
        one = data.draw(st.sampled_from(made.events))
        rest = [event for event in made.events if event is not one and event not in late]
        if one not in late and refused(rest) == []:
            late.append(one)
    assume(late)
    spans(data)
    vintage = another()
    load(vintage, [event for event in made.events if event not in late], data)
    head = vintage.ledger.head
    # each was taken out of a lawful ledger, so they go back in the opposite order
    load(vintage, late[::-1], data)
    agrees(vintage.view(), made.oracle)
    is_as_if_replayed(vintage)
    # what was known before them is still known
    before = [event for event in made.events if event not in late]
    agrees(vintage.view(known_on=str(head.position)), followed(before))


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_a_corrected_ledger_is_the_ledger_that_was_right_at_once(
    another: Callable[[], Vintage],
    spans: Callable[[st.DataObject], None],
    made: Maker,
    data: st.DataObject,
) -> None:
    """More came in than was written down; where that makes later events unlawful, the correction
    alone is refused by exactly those."""
    sources = [event for event in made.events if event["kind"] in ("pick", "receive")]
    wrong = data.draw(st.sampled_from(sources))
    unit = "mass" if "mass" in wrong else "volume"
    dimension = " kg" if unit == "mass" else " L"
    doubled = liters(2 * units(wrong[unit])).replace(" L", dimension)
    right = {**wrong, unit: doubled}
    spans(data)
    vintage = another()
    load(vintage, made.events, data)
    replacement = {key: value for key, value in right.items() if key != "id"}
    correction = {"kind": "correct", "at": "2026-01-01", "corrects": wrong["id"],
                  "reason": "read anew", "replacement": replacement}  # fmt: skip
    events = [right if event is wrong else event for event in made.events]
    refusals = refused(events)
    if refusals:
        with pytest.raises(Refused) as caught:
            vintage.record([json.dumps(correction).encode()])
        assert [one.event for one in caught.value.findings] == [one.event for one in refusals]
        agrees(vintage.view(), made.oracle)
        return
    vintage.record([json.dumps(correction).encode()])
    is_as_if_replayed(vintage)
    agrees(vintage.view(), followed(events))


@settings(max_examples=12)
@given(made=lawful(), data=st.data())
def test_a_day_in_the_past_is_the_ledger_up_to_it(
    another: Callable[[], Vintage], made: Maker, data: st.DataObject
) -> None:
    vintage = another()
    load(vintage, made.events, data)
    day = str(data.draw(st.sampled_from(made.events))["at"])[:10]
    agrees(vintage.view(as_of=day), followed([e for e in made.events if str(e["at"])[:10] <= day]))


def test_the_laws_are_tried_on_ledgers_of_every_movement() -> None:
    """The generator makes all that it can make, so that no law is kept by never being tried."""
    kinds: set[str] = set()
    most = 0

    @settings(max_examples=150, database=None, derandomize=True)
    @given(made=lawful())
    def look(made: Maker) -> None:
        nonlocal most
        kinds.update(str(event["kind"]) for event in made.events)
        most = max(most, len(made.events))

    look()
    assert kinds == {
        *("pick", "receive", "crush", "press", "rack", "blend", "top", "treat", "gauge", "loss"),
        *("bottle", "pack", "ship", "return", "ferment", "hold", "lot"),
    }
    assert most > 15
    assert UNIT == 10**12


BARRELS = ["R-1", "R-2", "R-3"]


def toppings(chance: random.Random) -> Iterator[Event]:
    """Three barrels of a lot, topped again and again: mostly together and from wine of one other
    lot or two, now and then one alone, with a loss, to the last drop, or after a look."""
    said = {"at": "2024-01-01", "state": "wine"}
    for lot, vessel in (("A", "T-A"), ("C", "T-C")):
        yield {"kind": "receive", **said, "lot": lot, "vessel": vessel, "volume": "60 L"}
    yield {"kind": "lot", "at": "2024-01-01", "name": "C", "owner": "Guest"}
    for number, vessel in enumerate(BARRELS):
        volume = f"{200 + number * chance.randrange(2)} L"
        yield {"kind": "receive", **said, "lot": "B", "vessel": vessel, "volume": volume}
    left = {"A": 60, "C": 60}
    for month in range(1, 25):
        lot = chance.choice("AAC")
        at = f"{2024 + month // 13}-{(month - 1) % 12 + 1:02}-15"
        drawn = {"lot": lot, "vessel": f"T-{lot}", "volume": "6 L"}
        to: Event = {"lot": "B"}
        if chance.random() < 0.2 or left[lot] <= 6:
            yield {
                "kind": "gauge",
                "at": at,
                "lot": "B",
                "vessel": "R-2",
                "volume": "195 L",
                "reason": "inventory",
            }
            continue
        left[lot] -= 6
        each = "2 L" if chance.random() < 0.8 else "1.9 L"
        if chance.random() < 0.9:
            to |= {"vessels": BARRELS, "each": each}
        else:
            to |= {"vessel": chance.choice(BARRELS), "volume": "6 L"}
        yield {"kind": "top", "at": at, "from": drawn, "to": to}


def test_a_press_is_weighed_though_it_comes_as_a_topping_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What a press yielded stands on a node of its own."""
    monkeypatch.setattr(transfers, "_topped", lambda *_: pytest.fail("a press is no topping"))
    said = {"kind": "receive", "at": "2024-01-01"}
    events: list[Event] = [
        {**said, "lot": "B", "vessel": vessel, "volume": "200 L", "state": "wine"}
        for vessel in BARRELS
    ]
    events.append({**said, "lot": "M", "vessel": "T-M", "volume": "60 L", "state": "must"})
    ends = {
        "from": {"lot": "M", "vessel": "T-M", "volume": "6 L"},
        "to": {"lot": "B", "vessels": BARRELS, "each": "2 L"},
    }
    events.append({"kind": "press", "at": "2024-02-01", **ends})
    cellar = replayed(numbered(events)).cellar
    assert [node.volume for node in cellar.graph.nodes if node.volume] == [6 * ONE]


@pytest.mark.parametrize("seed", range(12))
def test_what_most_toppings_are_is_what_any_movement_is(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    events = numbered(toppings(random.Random(seed)))
    taken: list[bool] = []
    real = transfers._topped

    def seen(*given: Any) -> bool:
        taken.append(real(*given))
        return taken[-1]

    monkeypatch.setattr(transfers, "_topped", seen)
    one = replayed(events).cellar
    monkeypatch.setattr(transfers, "_topped", lambda *_: False)
    other = replayed(events).cellar
    assert {True, False} <= set(taken)
    assert {name: lot.dump() for name, lot in one.lots.items()} == {
        name: lot.dump() for name, lot in other.lots.items()
    }
    assert (one.graph.nodes, one.vessels) == (other.graph.nodes, other.vessels)
    assert (one.findings, list(one.changed)) == (other.findings, list(other.changed))
    assert one.lots["B"].owners == frozenset({None, "Guest"})
