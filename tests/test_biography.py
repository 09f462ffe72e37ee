"""What is known of a wine by its own story is what the whole log tells of it, on made ledgers and on
the example's."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

from hypothesis import given, settings

from ampelog import biography
from ampelog.excerpt import alone, upstream
from ampelog.gates import table
from ampelog.questions import View
from tests.cellars import Maker, lawful
from tests.conftest import Vintage
from tests.oracles import Event


def by_the_whole(view: View, lot: str) -> biography.Biographies:
    """The events of all lots happen once more, and what concerns this one is handed on."""
    telling = biography.Telling(view, table(), upstream(view.steps, [lot]))
    telling.happen(view.steps)
    bodies = {key: body for key, body in telling.known.bodies.items() if key[0] == lot}
    return biography.Biographies(bodies, telling.known.unexplained)


def agrees(view: View, lot: str) -> int:
    told, whole = biography.biographies(view, {lot}, table()), by_the_whole(view, lot)
    assert told.unexplained.get(lot, 0) == whole.unexplained.get(lot, 0)
    assert told.bodies.keys() == whole.bodies.keys()
    for key, body in whole.bodies.items():
        assert told.bodies[key].measured == body.measured
        assert told.bodies[key].changes == body.changes
    return sum(len(body.measured) for body in whole.bodies.values())


def _measured(events: list[Event]) -> Iterator[Event]:
    """The events, with an analysis of every liquid just after it came to be, if it lies there."""
    for number, event in enumerate(events):
        yield event
        if event["kind"] == "receive" and "volume" in event:
            values = {"ph": f"3.{number}", "free_so2": str(20 + number)}
            yield {"kind": "analysis", "at": event["at"], "lot": event["lot"], "values": values}


@settings(max_examples=30)
@given(made=lawful(named=True))
def test_a_made_wine_is_known_by_its_own_story(another: Callable[[], Vintage], made: Maker) -> None:
    vintage = another()
    vintage.record([json.dumps(event).encode() for event in _measured(made.events)])
    view = vintage.view()
    for lot in view.all_lots():
        agrees(view, lot.name)


TOPPED = """
{"kind": "receive", "at": "2024-01-01", "lot": "T", "vessel": "TT", "volume": "500 L", "state": "wine"}
{"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B-1", "volume": "200 L", "state": "wine"}
{"kind": "receive", "at": "2024-01-01", "lot": "B", "vessel": "B-2", "volume": "200 L", "state": "wine"}
{"kind": "analysis", "at": "2024-01-02", "lot": "T", "values": {"ph": "3.4"}}
{"kind": "analysis", "at": "2024-01-02", "lot": "A", "values": {"ph": "3.5"}}
{"kind": "top", "at": "2024-02-01", "from": {"lot": "T", "vessel": "TT", "volume": "5 L"}, "to": {"lot": "B", "vessel": "B-2", "volume": "5 L"}}
{"kind": "top", "at": "2024-03-01", "from": {"lot": "T", "vessel": "TT", "volume": "6 L"}, "to": {"lot": "B", "vessel": "B-2", "volume": "6 L"}}
{"kind": "rack", "at": "2024-03-02", "from": {"lot": "A", "vessel": "B-1", "volume": "90 L"}, "to": {"lot": "T", "vessel": "TT", "volume": "90 L"}}
{"kind": "top", "at": "2024-04-01", "from": {"lot": "T", "vessel": "TT", "volume": "7 L"}, "to": {"lot": "B", "vessel": "B-2", "volume": "7 L"}}
"""  # fmt: skip


def test_what_a_topping_wine_gave_to_others_is_one_quantity_between_two_events(
    vintage: Vintage,
) -> None:
    vintage.load(TOPPED)
    view = vintage.view()
    names, steps, _ = alone(view.steps, ["T"])
    assert names == {"T", "A"}
    losses = [step.event for step in steps if step.event["kind"] == "loss"]
    assert [(one["lot"], one["volume"]) for one in losses] == [("T", "11 L"), ("T", "7 L")]
    assert agrees(view, "T") == 1, "of T's pH 489 of 579 L are left, of A's 90: T's speaks for it"
