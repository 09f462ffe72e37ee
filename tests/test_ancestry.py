"""A dossier's evidence is enough: the part of a log replayed alone gives what the whole gives."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

from hypothesis import given, settings

from ampelog import facts, ledger, report
from ampelog.ancestry import Ancestry, ancestry, closure, told_of
from ampelog.attesting import Attested
from ampelog.borrowed import Borrowed
from ampelog.excerpt import OUTSIDE, lots_of
from ampelog.journal import Line
from ampelog.ledger import Ledger, Record
from ampelog.parcel import Asked
from ampelog.premises import Premises
from ampelog.questions import View
from ampelog.state import Lot
from tests.cellars import Maker, lawful
from tests.conftest import Vintage, replayed
from tests.test_laws import told

pytest_plugins = ("tests.running",)


class Part:
    """Some events of a ledger in memory, for asking without a file."""

    def __init__(self, found: Ancestry, head: ledger.Head) -> None:
        self._records = found.records
        self.within = found.lots
        self.head = head
        self.home = self._records[0].event

    def records(self, first: int = 1, last: int | None = None) -> list[Record]:
        """Those from one position to another."""
        end = self.head.position if last is None else last
        return [one for one in self._records if first <= one.position <= end]

    def rows(self, query: str, /, **parameters: object) -> list[tuple[object, ...]]:
        """Nothing is projected here; of the log what a replay reads."""
        upto = parameters.get("upto")
        if query != "event_bodies" or not isinstance(upto, int):
            return []
        return [(one.position, one.instant, one.body) for one in self.records(1, upto)]


def part(view: View, lot: str) -> View:
    """The same question of a lot's evidence alone."""
    found = ancestry(view, lot, parties=False)
    alone = View(cast(Ledger, Part(found, view.head)))
    assert alone.refusals == []
    return alone


def book(lot: Lot) -> dict[str, Any]:
    """What a lot holds and where, what was lost of it and why, what binds it, what left."""
    return {
        "held": {
            place: (one.amount, one.state, one.holds)
            for place, one in lot.contents().items()
        },
        "tallies": {
            unit: (one.into, one.out, one.gained, dict(one.lost), one.pomace)
            for unit, one in lot.tallies.items()
            if one.into or one.out or one.gained or one.lost
        },
        "sort": (lot.sort, lot.format, lot.label, lot.began, lot.releases),
        "fills": sorted(((f.ended, f.label, f.since) for f in lot.fills.values()), key=str),
        "shipped": [(one.document, sum(amount for _, amount in one.parts)) for one in lot.shipped],
    }  # fmt: skip


@settings(max_examples=60)
@given(made=lawful())
def test_of_every_lot_the_evidence_alone_gives_the_same_wine(made: Maker) -> None:
    view = replayed(made.events)
    for name in view.cellar.lots:
        alone = part(view, name)
        for other in alone.ledger.within or ():
            if other in alone.cellar.lots:
                there, here = view.lot(other), alone.lot(other)
                assert book(here) == book(there), other
        whole, evidence = view.lot(name), alone.lot(name)
        if whole.contents():
            assert told(alone.composition(evidence)) == told(view.composition(whole))


@settings(max_examples=60)
@given(made=lawful())
def test_whatever_filled_a_lot_of_the_evidence_was_drawn_from_its_lots(made: Maker) -> None:
    view = replayed(made.events)
    for name in view.cellar.lots:
        found = ancestry(view, name, parties=False)
        for step in view.steps:
            lots = lots_of(step.event)
            if not lots.fills.isdisjoint(found.lots):
                assert lots.draws <= found.lots
                assert step.position in {one.position for one in found.records}
        again = closure(told_of(found.records, view.zone).values(), name, view.until)
        assert again == found.lots, "the evidence alone says which lots it is about"


@contextmanager
def borrowed(view: View, lot: str) -> Iterator[View]:
    """The view of a lot's evidence, as whoever is handed it asks."""
    found = ancestry(view, lot, parties=False)
    lines = [
        Line(one.position, one.recorded_at, one.hash, one.salt, one.body, json.loads(one.body))
        for one in found.records
    ]
    ledger_id = view.ledger.ledger_id
    opened = Borrowed(ledger_id, view.head, lines, found.lots)
    try:
        yield Attested(opened, Asked(lot, None, view.as_of, view.until))
    finally:
        opened.close()


def same_dossier(view: View, lot: str) -> None:
    """The dossier of the evidence is that of the ledger, in every word and number."""
    with borrowed(view, lot) as alone:
        assert alone.refusals == []
        assert facts.document(report.dossier(alone, lot)) == facts.document(
            report.dossier(view, lot)
        )


def test_a_made_ledger_gives_the_same_dossiers(another: Callable[[], Vintage]) -> None:
    @settings(max_examples=6)
    @given(made=lawful())
    def law(made: Maker) -> None:
        vintage = another()
        vintage.record([json.dumps(one).encode() for one in made.events])
        view = vintage.view()
        names = sorted(one.name for one in view.all_lots())
        for name in names[:: max(1, len(names) // 4)]:
            same_dossier(view, name)

    law()


def test_every_dossier_of_the_example_rests_on_its_evidence(example_ledger: Path) -> None:
    with ledger.opened(example_ledger) as opened:
        view = View(opened)
        for lot in view.all_lots()[::3]:
            same_dossier(view, lot.name)


def test_in_the_past_and_as_known_then_the_evidence_is_enough(example_ledger: Path) -> None:
    with ledger.opened(example_ledger) as opened:
        for day, lot in (("2024-06-01", "22-SY"), ("2024-06-01", "23-SY"), ("2023-12-31", "23-CF")):
            same_dossier(View(opened, as_of=day), lot)


LOSSES = """
{"kind":"receive","at":"2024-01-01","lot":"A","vessel":"T1","volume":"1000 L"}
{"kind":"receive","at":"2024-01-01","lot":"B","vessel":"T2","volume":"500 L"}
{"kind":"receive","at":"2024-01-01","lot":"C","vessel":"T5","volume":"100 L"}
{"kind":"rack","at":"2024-01-02","from":{"lot":"A","volume":"400 L"},"to":{"lot":"W","vessel":"T3","volume":"399 L"}}
"""


def test_a_loss_shared_with_another_lot_is_what_it_was(another: Callable[[], Vintage]) -> None:
    """Half of a loss of 12 L is A's, whether B's part was stated or all that it held."""
    for drawn, pulled in (({"volume": "500 L"}, False), ({"all": True}, True)):
        vintage = another()
        vintage.load(LOSSES)
        both = [{"lot": "A", "volume": "500 L"}, {"lot": "B", **drawn}]
        blend = {"kind": "blend", "at": "2024-02-01", "from": both,
                 "to": {"lot": "X", "vessel": "T4", "volume": "988 L"}}  # fmt: skip
        vintage.load(json.dumps(blend))
        found = ancestry(vintage.view(), "W", parties=False)
        assert found.lots == ({"W", "A", "B"} if pulled else {"W", "A"})
        assert all('"C"' not in one.body for one in found.records)
        with borrowed(vintage.view(), "W") as alone:
            lost = alone.lot("A").tally("volume").lost
            assert lost == vintage.lot("A").tally("volume").lost
            assert sum(lost.values()) == 7 * 10**12  # 1 L racked, and half of 12 L
        same_dossier(vintage.view(), "W")


def test_what_bears_an_outside_name_leaves_its_vessel(vintage: Vintage) -> None:
    """
    {"kind":"receive","at":"2024-01-01","lot":"A","vessels":["T1","T2"],"volume":"1000 L"}
    {"kind":"rack","at":"2024-01-02","from":{"lot":"A","vessel":"T2","volume":"100 L"},"to":{"lot":"W","vessel":"T3","volume":"100 L"}}
    {"kind":"lot","at":"2024-01-03","name":"Z","of":[{"lot":"A","vessel":"T1"}]}
    {"kind":"rack","at":"2024-01-04","from":{"lot":"Z","all":true},"to":{"lot":"Y","vessel":"T9","volume":"500 L"}}
    {"kind":"rack","at":"2024-01-05","from":{"lot":"A","all":true},"to":{"lot":"A","vessel":"T1","volume":"400 L"}}
    """
    found = ancestry(vintage.view(), "W", parties=False)
    assert found.lots == {"W", "A"}
    with borrowed(vintage.view(), "W") as alone:
        assert alone.refusals == []
        assert book(alone.lot("A")) == book(vintage.lot("A"))
        assert [name for name in alone.cellar.lots if name.startswith(OUTSIDE)]
    same_dossier(vintage.view(), "W")


def test_corrections_and_what_they_mended_are_evidence(vintage: Vintage) -> None:
    """
    {"kind":"receive","at":"2024-01-01","lot":"A","vessel":"T1","volume":"1000 L"}
    {"kind":"receive","at":"2024-01-01","lot":"B","vessel":"T2","volume":"500 L"}
    {"kind":"rack","at":"2024-01-02","id":"018f3b5c-0000-7000-8000-00000000000a","from":{"lot":"B","volume":"400 L"},"to":{"lot":"W","vessel":"T3","volume":"400 L"}}
    {"kind":"receive","at":"2024-01-03","lot":"C","vessel":"T4","volume":"500 L"}
    """
    vintage.load(
        '{"kind":"correct","at":"2024-01-09","corrects":"018F3B5C-0000-7000-8000-00000000000A",'
        '"reason":"the wrong tank","replacement":{"kind":"rack","at":"2024-01-02",'
        '"from":{"lot":"A","volume":"400 L"},"to":{"lot":"W","vessel":"T3","volume":"400 L"}}}'
    )
    found = ancestry(vintage.view(), "W", parties=False)
    assert found.lots == {"W", "A", "B"}
    kinds = [one.event["kind"] for one in found.records]
    assert kinds.count("correct") == 1
    same_dossier(vintage.view(), "W")
    same_dossier(vintage.view(), "B")


def test_holds_and_what_clears_them_are_evidence(vintage: Vintage) -> None:
    """
    {"kind":"pick","at":"2024-09-01","block":"Hill","lot":"F","mass":"1000 kg"}
    {"kind":"pick","at":"2024-09-01","block":"Mill","lot":"G","mass":"1000 kg"}
    {"kind":"crush","at":"2024-09-02","from":{"lot":"F","all":true},"to":{"lot":"W","vessel":"T1","volume":"700 L"}}
    {"kind":"treat","at":"2024-09-03","lot":"W","treatment":"fining","material":"clay","material_lot":"K7","amount":"20 g"}
    {"kind":"hold","at":"2024-09-04","id":"018f3b5c-0000-7000-8000-00000000000b","block":"Hill","reason":"smoke"}
    {"kind":"hold","at":"2024-09-04","block":"Mill","reason":"smoke"}
    {"kind":"hold","at":"2024-09-05","material_lot":"K7","reason":"recalled"}
    {"kind":"clear","at":"2024-09-06","hold":"018f3b5c-0000-7000-8000-00000000000b","reason":"fine"}
    """
    found = ancestry(vintage.view(), "W", parties=False)
    told = [(one.event["kind"], one.event.get("block")) for one in found.records]
    assert told.count(("hold", "Hill")) == told.count(("hold", None)) == 1
    assert ("hold", "Mill") not in told
    assert ("clear", None) in told
    with borrowed(vintage.view(), "W") as alone:
        assert report.dossier(alone, "W").wine.on_hold
    same_dossier(vintage.view(), "W")


def test_where_a_vessel_stands_follows_from_its_first_use(vintage: Vintage) -> None:
    """
    {"kind":"receive","at":"2023-01-01","lot":"A","vessel":"T1","volume":"500 L"}
    {"kind":"rack","at":"2023-02-01","from":{"lot":"A","all":true},"to":{"lot":"A","vessel":"T2","volume":"500 L"}}
    {"kind":"receive","at":"2023-05-01","lot":"B","vessel":"T3","volume":"500 L"}
    {"kind":"premises","at":"2023-06-01","name":"Barn","within":["Ash"]}
    {"kind":"pick","at":"2024-09-01","block":"Hill","lot":"F","mass":"1000 kg"}
    {"kind":"crush","at":"2024-09-02","from":{"lot":"F","all":true},"to":{"lot":"W","vessel":"T1","volume":"700 L"}}
    """
    found = ancestry(vintage.view(), "W", parties=False)
    assert found.lots == {"W", "F"}
    named = [one.event.get("lot") for one in found.records]
    assert named.count("A") == 1, "its first use, by another lot"
    assert "B" not in named
    view = vintage.view()
    instant = view.today
    with borrowed(view, "W") as alone:
        assert Premises(alone, instant).of("T1", instant) == "Home"
        assert Premises(view, instant).of("T1", instant) == "Home"
    same_dossier(view, "W")
