"""Events that say anything: refused in words, or kept lawfully; never a traceback.

What is made here is well formed and seldom lawful. Each event is put after those that were
accepted before it, and the cellar that the accepted ones lead to must keep the laws.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog import lines, upkeep
from ampelog.errors import Refused
from ampelog.questions import View
from ampelog.state import BOTTLES, UNITS
from tests.conftest import NOW, ZONE, Vintage, as_lines, numbered, refused, replayed
from tests.oracles import Event

LOTS = st.sampled_from(["A", "B", "C", "S", "Z", "F", "N"])
VESSELS = st.sampled_from(["T1", "T2", "T3", "B1", "B2"])
VOLUMES = st.sampled_from(["1 L", "3 L", "30 L", "0.000000000001 L", "25 gal", "405 L"])
MASSES = st.sampled_from(["1 kg", "1 t", "0.000000000001 kg"])
FORMATS = st.sampled_from(["750 mL", "1500 mL"])
COUNTS = st.integers(1, 40)
DAYS = st.sampled_from(["2024-10-01", "2024-10-01T09:00", "2024-10-02", "2024-10-03T12:00"])
WHY = st.sampled_from([None, None, "so it was"])
SO = st.sampled_from([None, "so it was", "so it was"])


def some(**fields: st.SearchStrategy[Any]) -> st.SearchStrategy[Event]:
    """An object of these fields; one that draws None is left out."""
    made = st.fixed_dictionaries({key.rstrip("_"): value for key, value in fields.items()})
    return made.map(lambda one: {key: value for key, value in one.items() if value is not None})


def either(*choices: st.SearchStrategy[Event]) -> st.SearchStrategy[Event]:
    return st.one_of(*choices)


QUANTITY = either(some(volume=VOLUMES), some(volume=VOLUMES), some(mass=MASSES))
TAKEN = either(QUANTITY, some(bottles=COUNTS), some(all=st.just(True)), some(all=st.just(True)))
PLACE = either(
    some(),
    some(vessel=VESSELS),
    some(vessel=VESSELS),
    some(vessels=st.lists(VESSELS, min_size=1, max_size=3, unique=True)),
)
ROLES = st.sampled_from([None, None, "water", "dosage", "culture"])
EACH = some(lot=LOTS, vessels=st.lists(VESSELS, min_size=1, max_size=3, unique=True), each=VOLUMES)
WHERE = st.sampled_from([("A", "T1"), ("A", "T2"), ("B", "B1"), ("C", "T3"), ("N", "T4")])
"""Where the liquids lie at first, so that much of what is drawn is there."""


def merged(*parts: st.SearchStrategy[Event]) -> st.SearchStrategy[Event]:
    """One object with the fields of several."""
    return st.tuples(*parts).map(lambda made: {k: v for part in made for k, v in part.items()})


BOTH = merged(some(lot=LOTS), PLACE, TAKEN, some(role=ROLES))
LIKELY = WHERE.map(lambda where: {"lot": where[0], "vessel": where[1]})
SOURCE = either(
    merged(LIKELY, either(some(volume=VOLUMES), some(all=st.just(True)))),
    merged(LIKELY, some(volume=VOLUMES), some(role=ROLES)),
    merged(some(lot=st.sampled_from(["S", "Z"])), some(bottles=COUNTS)),
    merged(some(lot=st.just("F")), either(some(mass=MASSES), some(all=st.just(True)))),
    BOTH,
    EACH,
)
SOURCES = st.lists(SOURCE, min_size=1, max_size=2)
FILLED = merged(some(lot=LOTS), PLACE, QUANTITY)
FILLS = st.lists(either(merged(LIKELY, some(volume=VOLUMES)), FILLED, EACH), min_size=1, max_size=2)
WINE = either(merged(LIKELY, some(volume=VOLUMES)), FILLED)
PRESSED = merged(WINE, some(fraction=st.sampled_from([None, "free run", "hard press", "pomace"])))
TOPPED = merged(WINE, some(full=st.sampled_from([None, True])))
OUTPUTS = st.lists(
    some(lot=st.sampled_from(["S", "Z", "M", "N", "A"]),
         vessel=st.sampled_from([None, None, "T1"]), bottles=COUNTS,
         format=st.one_of(st.none(), FORMATS),
         label=st.sampled_from([None, "Red", "Rested"])),
    min_size=1, max_size=3,
)  # fmt: skip
MOVED = {"at": DAYS, "gain": SO, "loss": WHY, "despite": WHY}
REASONS = st.sampled_from([None, "inventory", "dip", "produced"])


def on_target(*quantities: st.SearchStrategy[Event], **fields: Any) -> st.SearchStrategy[Event]:
    """An event in place, of a lot that may well be there."""
    where = either(LIKELY, LIKELY, merged(some(lot=LOTS), PLACE))
    return merged(some(at=DAYS, **fields), where, either(*quantities))


EVENTS = either(
    some(kind=st.just("pick"), at=DAYS, block=st.sampled_from(["Hill", "Ford"]), lot=LOTS,
         vessel=st.one_of(st.none(), VESSELS), mass=MASSES),
    merged(some(kind=st.just("receive"), at=DAYS,
                state=st.sampled_from([None, None, "must", "juice", "spirit"])), FILLED),
    some(kind=st.just("receive"), at=DAYS, lot=LOTS, bottles=COUNTS, format=FORMATS),
    some(kind=st.sampled_from(["rack", "blend", "barrel_down", "crush"]), from_=SOURCES, to=FILLS,
         at=DAYS, gain=SO, loss=WHY),
    some(kind=st.just("press"), from_=SOURCES, to=st.lists(PRESSED, min_size=1, max_size=3),
         at=DAYS, gain=SO),
    some(kind=st.just("top"), from_=SOURCES, to=st.lists(TOPPED, min_size=1, max_size=3),
         at=DAYS, gain=SO),
    some(kind=st.just("bottle"), from_=SOURCES, to=OUTPUTS, **MOVED),
    some(kind=st.just("pack"), from_=SOURCES, to=OUTPUTS, **MOVED),
    some(kind=st.just("ship"), from_=SOURCE, at=DAYS, to=st.sampled_from([None, "Shop"]),
         removal=st.sampled_from([None, "taxpaid", "in bond", "family"]), despite=WHY),
    on_target(QUANTITY, some(bottles=COUNTS), kind=st.just("return")),
    on_target(QUANTITY, some(bottles=COUNTS), some(each=VOLUMES), some(empty=st.just(True)),
              kind=st.just("gauge"), reason=REASONS),
    on_target(TAKEN, some(each=VOLUMES), kind=st.just("loss"), reason=st.just("spill")),
    on_target(some(), some(adds=VOLUMES, role=st.just("water")), kind=st.just("treat"),
              treatment=st.just("water"), material=st.just("water")),
    on_target(some(), kind=st.just("ferment"), culture=st.just("alcoholic"),
              stage=st.sampled_from(["start", "change", "end"]), organism=st.just("yeast 7")),
    on_target(some(), kind=st.just("hold"), reason=st.just("smoke")),
    on_target(some(), kind=st.just("note"), text=st.just("seen")),
    some(kind=st.just("release"), at=DAYS, lot=LOTS),
    some(kind=st.just("lot"), at=DAYS, name=LOTS,
         of=st.lists(st.builds(lambda lot, place: {**lot, **place}, some(lot=LOTS), PLACE),
                     min_size=1, max_size=2)),
)  # fmt: skip


BASE = """
{"kind": "receive", "at": "2024-09-01T01:00", "lot": "A", "vessels": ["T1", "T2"], "each": "450 L"}
{"kind": "receive", "at": "2024-09-01T01:00", "lot": "B", "vessel": "B1", "volume": "220 L"}
{"kind": "receive", "at": "2024-09-01T01:00", "lot": "C", "vessel": "T3", "volume": "300 L",
 "state": "must"}
{"kind": "pick", "at": "2024-09-01T01:00", "block": "Ford", "lot": "F", "mass": "2 t"}
{"kind": "bottle", "at": "2024-09-02T01:00", "from": {"lot": "A", "vessel": "T1", "volume": "45 L"},
 "to": [{"lot": "S", "bottles": 40, "format": "750 mL", "label": "Red"},
        {"lot": "Z", "bottles": 10, "format": "1500 mL"}]}
{"kind": "bottle", "at": "2024-09-03T01:00", "from": {"lot": "B", "volume": "30 L"},
 "to": [{"lot": "S", "bottles": 40, "format": "750 mL", "label": "Red"}]}
{"kind": "ship", "at": "2024-09-04T01:00", "from": {"lot": "S", "bottles": 20}, "to": "Shop",
 "removal": "taxpaid"}
"""
"""Something of everything, so that much of what follows can have happened."""


def begun() -> list[Event]:
    events = [json.loads(line) for line in as_lines(BASE)]
    return [
        {**event, "id": f"01880000-0000-7000-8000-{number:012d}", "by": "Ines"}
        for number, event in enumerate(events)
    ]


def well_formed(event: Event) -> bool:
    """Whether a line of this event is one (its problems have words of their own otherwise)."""
    entries, problems = lines.read([json.dumps(event).encode()], "lines", ZONE, NOW)
    assert all(problem.says for problem in problems)
    return bool(entries)


def keeps_the_laws(view: View) -> None:
    """Balances, whole bottles, one lot a vessel, fills that sum to their holding."""
    full: set[str] = set()
    for lot in view.all_lots():
        for unit, tally in lot.tallies.items():
            assert tally.held() == (lot.amount if UNITS[lot.sort] == unit else 0)
        for vessel, holding in lot.holdings.items():
            assert holding.amount > 0
            assert sum(amount for _, amount in holding.parts) == holding.amount
            assert all(amount > 0 for _, amount in holding.parts)
            if lot.sort == "volume" and vessel is not None:
                assert vessel not in full
                full.add(vessel)
        if lot.sort == BOTTLES:
            assert lot.amount % lot.format == 0
        if lot.contents():
            assert view.composition(lot).measure(lambda _: 1, Fraction(1)).meets


@settings(max_examples=150)
@given(st.lists(EVENTS, min_size=1, max_size=14))
def test_anything_is_refused_in_words_or_kept_lawfully(made: list[Event]) -> None:
    kept = begun()
    for event in numbered(made):
        if not well_formed(event):
            continue
        refusals = refused([*kept, event])
        assert all(refusal.says and refusal.rule for refusal in refusals)
        if not refusals:
            kept.append(event)
            keeps_the_laws(replayed(kept))


@settings(max_examples=12)
@given(st.lists(EVENTS, min_size=4, max_size=20))
def test_what_loads_of_anything_leave_is_what_a_replay_leaves(
    another: Callable[[], Vintage], made: list[Event]
) -> None:
    vintage = another()
    vintage.record([json.dumps(event).encode() for event in begun()])
    recorded, settled = 0, vintage.ledger.head.position
    for event in numbered(made):
        before = vintage.ledger.head
        try:
            recorded += vintage.record([json.dumps(event).encode()]).recorded
        except Refused:
            assert vintage.ledger.head == before
    assert upkeep.verify(vintage.ledger)["findings"] == []
    keeps_the_laws(vintage.view())
    assert vintage.ledger.head.position == settled + recorded
