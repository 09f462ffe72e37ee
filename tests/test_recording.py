"""Loads: whole or not at all; ids and repeats; late entries and corrections; holds and releases."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction

import pytest

from ampelog import history, lines, moments, projection, recording, upkeep
from ampelog.errors import Refused
from ampelog.quantities import ONE
from ampelog.replay import fresh
from tests.conftest import NOW, ZONE, Vintage, as_lines

DAY = moments.DAY


def an_id(number: int) -> str:
    return f"018f3b5c-0000-7000-8000-{number:012d}"


def strike(number: int, at: str = "2026-05-01", reason: str = "slip") -> str:
    return (
        f'{{"kind": "correct", "at": "{at}", "corrects": "{an_id(number)}", '
        f'"reason": "{reason}", "replacement": null}}'
    )


def replace(number: int, replacement: str, at: str = "2026-05-01", reason: str = "slip") -> str:
    whole = " ".join(replacement.split())
    return (
        f'{{"kind": "correct", "at": "{at}", "corrects": "{an_id(number)}", '
        f'"reason": "{reason}", "replacement": {whole}}}'
    )


def receive(number: int, lot: str, vessel: str, volume: str, at: str = "2024-10-01") -> str:
    return (
        f'{{"kind": "receive", "at": "{at}", "id": "{an_id(number)}", "lot": "{lot}", '
        f'"vessel": "{vessel}", "volume": "{volume}"}}'
    )


def rack(source: str, to: str, volume: str, at: str, number: int | None = None) -> str:
    """A racking; ``source`` is written like ``A@T1`` and ``to`` like ``B@T2``."""
    lot, _, vessel = source.partition("@")
    taken = '"all": true' if volume == "all" else f'"volume": "{volume}"'
    place = f', "vessel": "{vessel}"' if vessel else ""
    lot_to, _, vessel_to = to.partition("@")
    filled, _, tank = vessel_to.partition("=")
    given = f', "id": "{an_id(number)}"' if number is not None else ""
    return (
        f'{{"kind": "rack", "at": "{at}"{given}, "from": {{"lot": "{lot}"{place}, {taken}}}, '
        f'"to": {{"lot": "{lot_to}", "vessel": "{filled}", "volume": "{tank or volume}"}}}}'
    )


# --- all or nothing ---


def test_a_load_is_all_or_nothing_and_tells_everything_at_once(vintage: Vintage) -> None:
    found = vintage.refused("""
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100"}
    {"kind": "pick", "at": "2024-10-01", "block": "Nohill", "lot": "F", "mass": "1 t"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "volume": "101 L"},
     "to": {"lot": "C", "vessel": "T3", "volume": "101 L"}}
    """)
    assert [(one.where, one.rule) for one in found] == [
        ("lines:2", "form"),
        ("lines:3", "not registered"),
        ("lines:4", "more drawn than held"),
    ]


def test_a_refused_event_does_nothing_to_those_after_it(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "S", "bottles": 12, "format": "750 mL"}
    """
    found = vintage.refused("""
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "all": true},
     "to": {"lot": "A", "vessel": "T2", "volume": "100 L"}}
    {"kind": "loss", "at": "2024-10-03", "lot": "A", "vessel": "T1", "volume": "100 L",
     "reason": "spill"}
    {"kind": "pack", "at": "2024-10-04", "from": {"lot": "S", "all": true},
     "to": {"lot": "B", "bottles": 12}}
    {"kind": "loss", "at": "2024-10-05", "lot": "S", "bottles": 12, "reason": "breakage"}
    {"kind": "bottle", "at": "2024-10-06", "from": {"lot": "B", "volume": "9 L"},
     "to": [{"lot": "Z", "bottles": 2, "format": "1.5 L"}, {"lot": "B", "bottles": 6,
     "format": "750 mL"}], "loss": "trial"}
    {"kind": "rack", "at": "2024-10-07", "from": {"lot": "B", "volume": "100 L"},
     "to": {"lot": "D", "vessel": "T4", "volume": "100 L"}}
    """)
    assert [one.where for one in found] == ["lines:1", "lines:3", "lines:5"]


def test_a_dry_run_checks_and_records_nothing(vintage: Vintage) -> None:
    words = """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "B1", "volume": "230 L"}
    """
    entries, problems = lines.read(as_lines(words), "lines", ZONE, NOW)
    head = vintage.ledger.head
    done = recording.record(vintage.ledger, entries, problems, by="Ines", now=NOW, dry_run=True)
    assert [finding.rule for finding in done.findings] == ["over capacity"]
    assert vintage.ledger.head == head
    assert vintage.view().cellar.lots.get("A") is None
    assert vintage.load(words, odd=["over capacity"]).recorded == 1


# --- ids and repeats ---


def test_the_same_id_with_the_same_content_changes_nothing(vintage: Vintage) -> None:
    event = receive(1, "A", "T1", "100 L")
    assert vintage.load(event).recorded == 1
    head = vintage.ledger.head
    again = vintage.load(event)
    assert (again.recorded, again.known, again.head) == (0, 1, head)
    # keys in another order, and the id in capitals, are the same content
    turned = json.dumps(dict(reversed(json.loads(event).items())))
    for same in (turned, event.replace(an_id(1), an_id(1).upper())):
        done = vintage.record([same.encode()])
        assert (done.recorded, done.known) == (0, 1)


def test_the_same_id_with_other_content_is_refused(vintage: Vintage) -> None:
    event = receive(1, "A", "T1", "100 L")
    vintage.load(event)
    for other in (
        event.replace("100 L", "101 L"),
        event.replace('"volume"', '"note": "cold", "volume"'),
        event.replace('"volume"', '"by": "Otto", "volume"'),
    ):
        found = vintage.refusal(other)
        assert found.rule == "same id, other content"
        assert "correct" in found.hint
    twice = vintage.refusal(receive(2, "B", "T2", "1 L") + "\n" + receive(2, "B", "T2", "2 L"))
    assert twice.rule == "same id, other content"


def test_one_load_may_hold_an_event_twice_by_its_id(vintage: Vintage) -> None:
    event = receive(1, "A", "T1", "100 L")
    done = vintage.load(f"{event}\n{event}")
    assert (done.recorded, done.known) == (1, 1)
    assert vintage.holds("A") == {"T1": "100"}


def test_who_recorded_it_is_filled_in_and_is_no_other_content(vintage: Vintage) -> None:
    event = receive(1, "A", "T1", "100 L")
    done = vintage.record(as_lines(event), by="Otto")
    assert vintage.ledger.records(done.head.position)[0].event["by"] == "Otto"
    assert vintage.record(as_lines(event), by="Ines").known == 1


def test_an_event_without_id_that_equals_a_recorded_one_is_a_likely_repeat(
    vintage: Vintage,
) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    again = '{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "WHAT"}'
    found = vintage.refusal(again.replace("WHAT", "100 L"))
    assert found.rule == "likely repeat"
    assert "id" in found.hint
    vintage.load(again.replace("WHAT", '99 L", "note": "second tanker'))
    vintage.load(again.replace("WHAT", f'100 L", "id": "{an_id(9)}'))
    assert vintage.holds("A") == {"T1": "299"}


def test_an_event_that_equals_what_a_correction_says_is_a_likely_repeat(vintage: Vintage) -> None:
    vintage.load(receive(1, "A", "T1", "100 L"))
    now = json.loads(receive(1, "A", "T1", "90 L"))
    del now["id"]
    correct = {"kind": "correct", "at": "2024-10-05", "corrects": an_id(1), "reason": "misread"}
    vintage.load(json.dumps(correct | {"replacement": now}))
    found = vintage.refusal(json.dumps(now))
    assert found.rule == "likely repeat"
    assert "the replacement in event" in found.says
    vintage.load(json.dumps(now | {"note": "second tanker"}))
    assert vintage.holds("A") == {"T1": "180"}


def test_a_repeat_by_another_hand_is_none(vintage: Vintage) -> None:
    event = '{"kind": "party", "at": "2024-10-01", "name": "Mole", "by": "%s"}'
    vintage.record(as_lines(event % "Otto"))
    assert vintage.record(as_lines(event % "Ines")).recorded == 1


def test_who_loads_a_file_makes_no_difference_to_a_repeat(vintage: Vintage) -> None:
    event = '{"kind": "party", "at": "2024-10-01", "name": "Mole"}'
    vintage.record(as_lines(event), by="Otto")
    with pytest.raises(Refused) as caught:
        vintage.record(as_lines(event), by="Ines")
    assert [one.rule for one in caught.value.findings] == ["likely repeat"]


# --- order of time ---


def test_events_take_effect_in_the_order_of_at_then_of_the_ledger(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                rack("A@T1", "B@T2", "100 L", "2024-10-02T08:00"),
                receive(1, "A", "T1", "100 L", at="2024-10-02T07:00"),
            ]
        )
    )
    assert vintage.holds("B") == {"T2": "100"}
    vintage.load(
        "\n".join(
            [
                receive(2, "C", "T1", "100 L", at="2024-10-03"),
                rack("C@T1", "D@T3", "100 L", "2024-10-03T00:00"),
            ]
        )
    )
    assert vintage.holds("D") == {"T3": "100"}


def test_an_event_that_took_long_takes_effect_at_its_beginning(vintage: Vintage) -> None:
    vintage.load("""
    {"kind": "receive", "at": "2024-10-01T08:00", "until": "2024-10-01T20:00", "lot": "A",
     "vessel": "T1", "volume": "100 L"}
    {"kind": "loss", "at": "2024-10-01T09:00", "lot": "A", "volume": "1 L", "reason": "sample"}
    """)
    assert vintage.holds("A") == {"T1": "99"}


def test_an_offset_orders_as_the_instant_it_is(vintage: Vintage) -> None:
    vintage.load("""
    {"kind": "receive", "at": "2024-10-01T23:00+02:00", "lot": "A", "vessel": "T1",
     "volume": "100 L"}
    {"kind": "loss", "at": "2024-10-01T14:01", "lot": "A", "volume": "1 L", "reason": "sample"}
    """)
    assert (
        vintage.refusal("""
    {"kind": "loss", "at": "2024-10-01T13:59", "lot": "A", "volume": "1 L", "reason": "sample"}
    """).rule
        == "unknown lot"
    )


def test_a_refusal_that_a_time_of_day_would_mend_says_so(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "10 L"}
    """
    mended = "times of day"
    assert (
        mended
        in vintage.refusal(
            "\n".join(
                [
                    rack("A@T1", "B@T2", "15 L", "2024-10-02"),
                    receive(1, "A", "T1", "10 L", at="2024-10-02"),
                ]
            )
        ).hint
    )
    assert (
        mended
        in vintage.refusal(
            "\n".join(
                [
                    rack("A@T1", "B@T2", "15 L", "2024-10-02"),
                    receive(1, "A", "T1", "10 L", at="2024-10-02T09:00"),
                ]
            )
        ).hint
    )
    assert (
        mended
        not in vintage.refusal(
            "\n".join(
                [
                    rack("A@T1", "B@T2", "15 L", "2024-10-02"),
                    receive(1, "A", "T1", "10 L", at="2024-10-03"),
                ]
            )
        ).hint
    )
    assert (
        mended
        not in vintage.refusal(
            "\n".join(
                [
                    rack("A@T1", "B@T2", "15 L", "2024-10-02T08:00"),
                    receive(1, "A", "T1", "10 L", at="2024-10-02T09:00"),
                ]
            )
        ).hint
    )
    assert (
        mended
        not in vintage.refusal(
            "\n".join(
                [
                    rack("A@T1", "B@T2", "15 L", "2024-10-02"),
                    receive(1, "C", "T3", "10 L", at="2024-10-02"),
                ]
            )
        ).hint
    )


# --- late entries ---


LATE = "\n".join(
    [
        receive(1, "A", "T1", "100 L"),
        receive(2, "B", "T2", "100 L"),
        rack("A@T1", "C@T3=95 L", "all", "2024-10-10", 3),
    ]
)


def test_a_late_entry_takes_its_place_in_time(vintage: Vintage) -> None:
    vintage.load(LATE)
    vintage.load(
        """
    {"kind": "loss", "at": "2024-10-05", "lot": "A", "volume": "2 L", "reason": "sample"}
    """,
        odd=["resolved anew"],
    )
    assert vintage.holds("A", as_of="2024-10-06") == {"T1": "98"}
    assert vintage.holds("A") == {}
    assert vintage.lot("A").tally("volume").lost == {"sample": 2 * ONE, "rack": 3 * ONE}


def test_what_is_unlawful_with_a_late_entry_is_refused_by_its_older_events(
    vintage: Vintage,
) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                rack("A@T1", "C@T3", "100 L", "2024-10-10", 3),
            ]
        )
    )
    found = vintage.refusal("""
    {"kind": "loss", "at": "2024-10-05", "lot": "A", "volume": "2 L", "reason": "sample"}
    """)
    assert (found.rule, found.event) == ("more drawn than held", an_id(3))
    assert found.where.startswith("event ")


def test_a_late_entry_resolves_all_anew_and_names_the_older_event(vintage: Vintage) -> None:
    vintage.load(LATE)
    done = vintage.load(
        "\n".join([rack("B@T2", "A@T1", "10 L", "2024-10-05")]),
        odd=["resolved anew", "large shortfall"],
    )
    (named,) = [finding for finding in done.findings if finding.rule == "resolved anew"]
    assert named.event == an_id(3)
    assert "100 L in `T1` is now 110 L in `T1`" in named.says
    assert vintage.shares("C") == {"A": Fraction(10, 11), "B": Fraction(1, 11)}


def test_a_late_entry_resolves_gauges_and_full_toppings_anew(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B1", "volume": "225 L"}
    {"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}
    {"kind": "top", "at": "2024-03-01", "from": {"lot": "K", "volume": "5 L"},
     "to": {"lot": "A", "vessel": "B1", "volume": "5 L", "full": true}}
    {"kind": "gauge", "at": "2024-03-02", "lot": "K", "volume": "44 L", "reason": "dip"}
    """
    assert vintage.lot("A").tally("volume").lost == {"evaporation": 5 * ONE}
    done = vintage.load(
        """
    {"kind": "loss", "at": "2024-02-01", "lot": "A", "volume": "2 L", "reason": "sample"}
    {"kind": "loss", "at": "2024-02-01", "lot": "K", "volume": "0.5 L", "reason": "sample"}
    """,
        odd=["resolved anew", "resolved anew"],
    )
    assert {finding.where.split(" (")[1].split(" of")[0] for finding in done.findings} == {
        "top",
        "gauge",
    }
    assert vintage.lot("A").tally("volume").lost == {"evaporation": 3 * ONE, "sample": 2 * ONE}
    assert vintage.holds("A") == {"B1": "225"}
    assert vintage.holds("K") == {"T1": "44"}
    assert vintage.lot("K").tally("volume").lost == {"sample": ONE // 2, "dip": ONE // 2}


def test_a_late_entry_that_moves_wine_changes_an_unnamed_vessel(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                rack("A", "C@T3", "10 L", "2024-10-10", 3),
            ]
        )
    )
    done = vintage.load(rack("A@T1", "A@T5=100 L", "all", "2024-10-05"), odd=["resolved anew"])
    assert done.findings[0].event == an_id(3)
    assert "`T1`" in done.findings[0].says
    assert "`T5`" in done.findings[0].says
    assert vintage.holds("A") == {"T5": "90"}


def test_quantities_that_were_stated_stay_as_they_are(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                rack("A@T1", "C@T3", "10 L", "2024-10-10", 3),
            ]
        )
    )
    vintage.load("""
    {"kind": "loss", "at": "2024-10-05", "lot": "A", "volume": "2 L", "reason": "sample"}
    """)
    assert vintage.holds("C") == {"T3": "10"}
    assert vintage.holds("A") == {"T1": "88"}


@pytest.mark.parametrize(
    "event",
    [
        '{"kind": "analysis", "at": "2024-09-01", "lot": "A", "values": {"ph": "3.5"}}',
        '{"kind": "note", "at": "2024-09-01", "lot": "A", "text": "ripe"}',
        '{"kind": "note", "at": "2024-09-01", "lot": "S", "text": "ripe"}',
        '{"kind": "release", "at": "2024-09-01", "lot": "S"}',
        '{"kind": "release", "at": "2024-10-01T12:00", "lot": "S"}',
    ],
)
def test_what_is_said_of_a_lot_before_it_was_is_refused_whenever_it_is_loaded(
    vintage: Vintage, another: Callable[[], Vintage], event: str
) -> None:
    words = """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "10 L"}
    {"kind": "bottle", "at": "2024-10-02", "from": {"lot": "A", "volume": "9 L"}, "lot": "S",
     "bottles": 12, "format": "750 mL"}
    """
    assert another().refusal(f"{words}\n{event}").rule in ("unknown lot", "wrong sort")
    vintage.load(words)
    assert vintage.refusal(event).rule in ("unknown lot", "wrong sort")


def test_a_ledger_takes_late_entries_after_a_release_that_looks_ahead(
    vintage: Vintage, another: Callable[[], Vintage]
) -> None:
    words = [
        """
        {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "90 L"}
        {"kind": "bottle", "at": "2025-01-02", "from": {"lot": "A", "volume": "9 L"}, "lot": "S",
         "bottles": 12, "format": "750 mL", "label": "Rested"}
        """,
        '{"kind": "release", "at": "2026-12-01", "lot": "S"}',
        """
        {"kind": "loss", "at": "2026-03-01", "lot": "S", "all": true, "reason": "breakage"}
        {"kind": "bottle", "at": "2026-03-02", "from": {"lot": "A", "volume": "9 L"}, "lot": "S",
         "bottles": 12, "format": "750 mL", "label": "Rested"}
        """,
    ]
    for load in words:
        vintage.load(load)
    whole = another()
    whole.load("\n".join(words))
    assert vintage.lot("S").dump() == whole.lot("S").dump()


def test_a_renaming_that_looks_ahead_has_not_happened_yet(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "90 L"}
    {"kind": "lot", "at": "2027-01-01", "name": "N", "of": [{"lot": "A"}]}
    """
    assert [lot.name for lot in vintage.view().held_lots()] == ["A"]
    assert vintage.holds("A") == {"T1": "90"}
    assert vintage.holds("N", as_of="2027-01-02") == {"T1": "90"}
    vintage.load("""
    {"kind": "loss", "at": "2026-05-01", "lot": "A", "volume": "1 L", "reason": "sample"}
    """)
    assert vintage.holds("A") == {"T1": "89"}


# --- corrections ---


def test_a_struck_event_did_not_happen_and_stays_in_the_log(vintage: Vintage) -> None:
    vintage.load("\n".join([receive(1, "A", "T1", "100 L"), receive(2, "A", "T1", "7 L")]))
    position = vintage.ledger.head.position
    vintage.load(strike(2))
    assert vintage.holds("A") == {"T1": "100"}
    assert vintage.ledger.records(position, position)[0].event["volume"] == "7 L"
    view = vintage.view(known_on=str(position))
    assert view.lot("A").amount == 107 * ONE


def test_a_replacement_takes_effect_at_its_own_time(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                receive(2, "B", "T2", "50 L", at="2024-10-05"),
                rack("B@T2", "A@T1", "50 L", "2024-10-06"),
            ]
        )
    )
    vintage.load(
        replace(
            2,
            """
    {"kind": "receive", "at": "2024-10-03", "lot": "B", "vessel": "T2", "volume": "60 L"}
    """,
        )
    )
    assert vintage.holds("B", as_of="2024-10-03") == {"T2": "60"}
    assert vintage.holds("B") == {"T2": "10"}
    too_late = replace(
        2,
        """
    {"kind": "receive", "at": "2024-10-07", "lot": "B", "vessel": "T2", "volume": "60 L"}
    """,
    )
    assert vintage.refusal(too_late).rule == "unknown lot"


def test_a_replacement_keeps_the_originals_place_among_events_of_one_moment(
    vintage: Vintage,
) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L", at="2024-10-05"),
                rack("A@T1", "B@T2=100 L", "all", "2024-10-05", 2),
            ]
        )
    )
    vintage.load(
        replace(
            1,
            """
    {"kind": "receive", "at": "2024-10-05", "lot": "A", "vessel": "T1", "volume": "101 L"}
    """,
        ),
        odd=["resolved anew"],
    )
    assert vintage.holds("B") == {"T2": "100"}
    assert vintage.lot("A").tally("volume").lost == {"rack": ONE}


def test_the_corrections_own_time_orders_nothing(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                rack("A@T1", "B@T2", "90 L", "2024-10-06"),
            ]
        )
    )
    vintage.load(
        replace(
            1,
            """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "95 L"}
    """,
            at="1990-01-01",
        )
    )
    assert vintage.holds("A") == {"T1": "5"}
    assert vintage.holds("A", as_of="2024-10-05") == {"T1": "95"}


def test_correcting_the_same_id_again_replaces_the_earlier_correction(vintage: Vintage) -> None:
    vintage.load(receive(1, "A", "T1", "100 L"))
    wine = '{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "WHAT"}'
    vintage.load(replace(1, wine.replace("WHAT", "90 L")))
    vintage.load(replace(1, wine.replace("WHAT", "80 L"), at="2026-04-01"))
    assert vintage.holds("A") == {"T1": "80"}
    vintage.load(strike(1))
    assert vintage.view().cellar.lots.get("A") is None
    vintage.load(replace(1, wine.replace("WHAT", "70 L")))
    assert vintage.holds("A") == {"T1": "70"}


def test_another_kind_is_struck_and_recorded_anew_in_the_same_load(vintage: Vintage) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "A", "T1", "100 L"),
                rack("A@T1", "B@T2", "10 L", "2024-10-02", 2),
                rack("B@T2", "C@T3", "5 L", "2024-10-03"),
            ]
        )
    )
    blend = """{"kind": "blend", "at": "2024-10-02", "from": {"lot": "A", "volume": "10 L"},
     "to": {"lot": "B", "vessel": "T2", "volume": "10 L"}}"""
    found = vintage.refusal(replace(2, blend))
    assert found.rule == "correction"
    assert "strike" in found.hint
    vintage.load(f"{strike(2)}\n{blend}")
    assert vintage.holds("B") == {"T2": "5"}


def test_a_wrong_lot_name_is_mended_by_one_load_and_the_first_alone_lists_the_rest(
    vintage: Vintage,
) -> None:
    vintage.load(
        "\n".join(
            [
                receive(1, "AA", "T1", "100 L"),
                rack("AA@T1", "B@T2", "10 L", "2024-10-02", 2),
                '{"kind": "loss", "at": "2024-10-03", "id": "ID", "lot": "AA", "volume": "1 L", '
                '"reason": "sample"}'.replace("ID", an_id(3)),
                rack("B@T2", "C@T3", "5 L", "2024-10-04", 4),
            ]
        )
    )
    first = replace(
        1,
        """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """,
    )
    found = vintage.refused(first)
    assert {an_id(2), an_id(3)} <= {one.event for one in found}
    vintage.load(
        "\n".join(
            [
                first,
                replace(2, rack("A@T1", "B@T2", "10 L", "2024-10-02")),
                replace(
                    3,
                    '{"kind": "loss", "at": "2024-10-03", "lot": "A", "volume": "1 L", '
                    '"reason": "sample"}',
                ),
            ]
        )
    )
    assert vintage.holds("A") == {"T1": "89"}
    assert vintage.shares("C") == {"A": 1}


@pytest.mark.parametrize(
    ("correction", "says"),
    [
        (strike(77), "no event has the id"),
        (replace(1, '{"kind": "receive", "at": "2024-10-01", "lot": "A", "volume": "1"}'), "unit"),
        (
            replace(1, '{"kind": "receive", "at": "2030-10-01", "lot": "A", "volume": "1 L"}'),
            "more than a day",
        ),
        (
            replace(
                1,
                '{"kind": "receive", "at": "2024-10-01", "lot": "A", "colour": "red", '
                '"volume": "1 L"}',
            ),
            "`colour`",
        ),
        (replace(1, '{"lot": "A"}'), "the replacement is a"),
        (replace(1, '"gone"'), "replacement"),
    ],
)
def test_a_correction_that_says_nothing_lawful_is_refused(
    vintage: Vintage, correction: str, says: str
) -> None:
    vintage.load(receive(1, "A", "T1", "100 L"))
    assert says in vintage.refusal(correction).says


def test_a_correction_is_corrected_by_correcting_its_original_again(vintage: Vintage) -> None:
    vintage.load(receive(1, "A", "T1", "100 L"))
    vintage.load(strike(1).replace('"at"', f'"id": "{an_id(2)}", "at"', 1))
    found = vintage.refusal(strike(2))
    assert found.rule == "correction"
    assert "again" in found.hint


def test_one_load_may_hold_an_event_and_its_correction(vintage: Vintage) -> None:
    vintage.load(
        "\n".join([strike(1), receive(1, "A", "T1", "100 L"), receive(2, "B", "T1", "9 L")])
    )
    assert vintage.holds("B") == {"T1": "9"}


def test_ids_in_capitals_are_the_same_ids(vintage: Vintage) -> None:
    """RFC 9562, section 4: hexadecimal digits of a UUID are read in either case."""
    upper = "018F3B5C-ABCD-7000-8000-0000000000AB"
    event = receive(1, "A", "T1", "100 L").replace(an_id(1), upper)
    hold = f'{{"kind": "hold", "at": "2024-10-02", "id": "{upper[:-2]}AC", "lot": "A", '
    vintage.load(event + "\n" + hold + '"reason": "smoke"}')
    vintage.load(
        f'{{"kind": "clear", "at": "2024-10-03", "hold": "{upper[:-2].lower()}ac", '
        '"reason": "tested"}'
    )
    vintage.load(
        replace(
            1,
            """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "90 L"}
    """,
        ).replace(an_id(1), upper.lower())
    )
    assert vintage.holds("A") == {"T1": "90"}


def test_a_register_can_be_corrected(vintage: Vintage) -> None:
    vintage.load(f"""
    {{"kind": "vessel", "at": "2024-01-01", "id": "{an_id(1)}", "name": "B9", "capacity": "225 L"}}
    {{"kind": "receive", "at": "2024-01-01", "lot": "A", "vessel": "B9", "volume": "225 L"}}
    {{"kind": "receive", "at": "2024-01-01", "lot": "K", "vessel": "T1", "volume": "50 L"}}
    {{"kind": "top", "at": "2024-02-01", "from": {{"lot": "K", "volume": "5 L"}},
     "to": {{"lot": "A", "vessel": "B9", "volume": "5 L", "full": true}}}}
    """)
    vintage.load(
        replace(
            1,
            """
    {"kind": "vessel", "at": "2024-01-01", "name": "B9", "capacity": "228 L"}
    """,
        ),
        odd=["resolved anew"],
    )
    assert vintage.holds("A") == {"B9": "228"}


# --- what should not have happened ---


HELD = """
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
{"kind": "hold", "at": "2024-10-02", "id": "HOLD", "lot": "A", "reason": "smoke"}
{"kind": "rack", "at": "2024-10-03", "from": {"lot": "A", "volume": "50 L"},
 "to": {"lot": "B", "vessel": "T2", "volume": "50 L"}}
{"kind": "receive", "at": "2024-10-03", "lot": "C", "vessel": "T3", "volume": "100 L"}
{"kind": "top", "at": "2024-10-04", "from": {"lot": "B", "volume": "0.001 L"},
 "to": {"lot": "C", "vessel": "T3", "volume": "0.001 L"}}
""".replace("HOLD", an_id(7))

CLEAR = f'{{"kind": "clear", "at": "2025-01-01", "hold": "{an_id(7)}", "reason": "tested"}}'


def bottle(lot: str, to: str, at: str, more: str = "") -> str:
    return (
        f'{{"kind": "bottle", "at": "{at}", "from": {{"lot": "{lot}", "volume": "9 L"}}, '
        f'"lot": "{to}", "bottles": 12, "format": "750 mL"{more}}}'
    )


def ship(lot: str, at: str, removal: str = "taxpaid", more: str = "") -> str:
    return (
        f'{{"kind": "ship", "at": "{at}", "lot": "{lot}", "bottles": 1, "to": "Shop", '
        f'"removal": "{removal}"{more}}}'
    )


@pytest.mark.parametrize("lot", ["A", "B", "C"])
def test_a_hold_follows_the_wine_and_binds_bottling(vintage: Vintage, lot: str) -> None:
    vintage.load(HELD)
    found = vintage.refusal(bottle(lot, "S", "2024-12-01"))
    assert found.rule == "bottled on hold"
    assert an_id(7) in found.says
    assert "despite" in found.hint
    vintage.load(CLEAR)
    vintage.load(bottle(lot, "S", "2025-01-02"))
    assert vintage.refusal(bottle(lot, "Q", "2024-12-31")).rule == "bottled on hold"


def test_what_happened_despite_a_hold_stays_a_finding_and_stays_held(vintage: Vintage) -> None:
    vintage.load(HELD)
    vintage.load(
        bottle("A", "S", "2024-12-01", ', "despite": "bottles were booked"'),
        odd=["bottled on hold"],
    )
    assert vintage.refusal(ship("S", "2024-12-02")).rule == "left on hold"
    assert vintage.refusal(ship("S", "2024-12-02", "export")).rule == "left on hold"
    vintage.load(ship("S", "2024-12-02", "in bond"))
    vintage.load(ship("S", "2024-12-03", "tasting"))
    vintage.load(CLEAR)
    vintage.load(ship("S", "2025-01-02"))
    assert vintage.odd() == ["bottled on hold"]


def test_a_hold_on_one_vessel_binds_what_is_in_it(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessels": ["T1", "T2"], "each": "100 L"}
    {"kind": "hold", "at": "2024-10-02", "lot": "A", "vessel": "T1", "reason": "smoke"}
    """
    free = bottle("A", "S", "2024-12-01").replace('"lot": "A"', '"lot": "A", "vessel": "T2"')
    vintage.load(free)
    assert vintage.refusal(free.replace("T2", "T1").replace("12-01", "12-02")).rule == (
        "bottled on hold"
    )


def test_a_hold_binds_the_wine_that_was_there_then(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "rack", "at": "2024-10-02", "from": {"lot": "A", "volume": "50 L"},
     "to": {"lot": "B", "vessel": "T2", "volume": "50 L"}}
    {"kind": "hold", "at": "2024-10-03", "lot": "A", "reason": "smoke"}
    {"kind": "loss", "at": "2024-10-04", "lot": "A", "all": true, "reason": "destroyed"}
    {"kind": "receive", "at": "2024-10-05", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    vintage.load(bottle("A", "S", "2024-12-01"))
    vintage.load(bottle("B", "Q", "2024-12-01"))


def test_a_hold_on_a_block_reaches_all_its_fruit(vintage: Vintage) -> None:
    """
    {"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
    {"kind": "pick", "at": "2024-10-01", "block": "Mill", "lot": "G", "mass": "1 t"}
    {"kind": "crush", "at": "2024-10-02", "from": [{"lot": "F", "mass": "1 kg"},
     {"lot": "G", "mass": "500 kg"}], "to": {"lot": "M", "vessel": "T1", "volume": "400 L"}}
    {"kind": "crush", "at": "2024-10-02", "from": {"lot": "G", "all": true},
     "to": {"lot": "N", "vessel": "T2", "volume": "400 L"}}
    {"kind": "receive", "at": "2024-10-02", "lot": "R", "vessel": "T3", "volume": "100 L",
     "composition": [{"share": "1/10", "block": "Hill"}, {"share": "9/10"}]}
    """
    vintage.load(f"""
    {{"kind": "hold", "at": "2024-10-03", "id": "{an_id(7)}", "block": "Hill", "reason": "smoke"}}
    """)
    for lot in "MR":
        assert vintage.refusal(bottle(lot, "S", "2024-12-01")).rule == "bottled on hold"
    vintage.load(bottle("N", "Q", "2024-12-01"))
    vintage.load(bottle("M", "S", "2024-10-02T12:00"))
    vintage.load(CLEAR)
    vintage.load(bottle("R", "Z", "2025-01-02"))


def test_a_hold_on_a_material_lot_reaches_what_it_touched(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    {"kind": "receive", "at": "2024-10-01", "lot": "B", "vessel": "T2", "volume": "100 L"}
    {"kind": "treat", "at": "2024-10-02", "lot": "A", "treatment": "fining",
     "material": "bentonite", "material_lot": "X-1", "amount": "50 g"}
    """
    corks = ', "materials": [{"material": "cork", "lot": "X-2"}]'
    vintage.load(bottle("B", "S", "2024-11-01", corks))
    vintage.load(f"""
    {{"kind": "hold", "at": "2024-11-02", "id": "{an_id(7)}", "material_lot": "X-1",
     "reason": "recall"}}
    {{"kind": "hold", "at": "2024-11-02", "id": "{an_id(8)}", "material_lot": "X-2",
     "reason": "recall"}}
    """)
    assert vintage.refusal(bottle("A", "Q", "2024-11-03")).rule == "bottled on hold"
    assert vintage.refusal(bottle("B", "Q", "2024-11-03", corks)).rule == "bottled on hold"
    assert vintage.refusal(ship("S", "2024-11-03")).rule == "left on hold"
    vintage.load(bottle("B", "Q", "2024-11-03"))
    vintage.load(ship("Q", "2024-11-04"))
    vintage.load(CLEAR)
    vintage.load(bottle("A", "Z", "2025-01-02"))


def test_a_hold_written_down_later_makes_the_older_events_findings(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
    """
    vintage.load(bottle("A", "S", "2024-12-01"))
    vintage.load(
        '{"kind": "hold", "at": "2024-11-01", "lot": "A", "reason": "smoke"}',
        odd=["bottled on hold"],
    )
    assert vintage.odd() == ["bottled on hold"]


def test_there_is_nothing_to_clear_without_a_hold(vintage: Vintage) -> None:
    vintage.load(HELD)
    assert vintage.refusal(CLEAR.replace(an_id(7), an_id(8))).rule == "no such hold"
    assert vintage.refusal(CLEAR.replace("2025-01-01", "2024-10-01T12:00")).rule == "no such hold"


def test_a_despite_that_nothing_needs_does_nothing(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L",
     "despite": "rain"}
    """
    vintage.load(bottle("A", "S", "2024-12-01", ', "despite": "rain"'))
    assert vintage.odd() == []


def test_a_despite_does_not_make_what_cannot_have_happened_lawful(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "1 L"}
    """
    assert vintage.refusal(bottle("A", "S", "2024-12-01", ', "despite": "rain"')).rule == (
        "more drawn than held"
    )


# --- rest and release ---


RESTING = """
{"kind": "receive", "at": "2024-10-01", "lot": "A", "vessel": "T1", "volume": "100 L"}
{"kind": "bottle", "at": "2025-03-01T08:00", "until": "2025-03-02T17:00",
 "from": {"lot": "A", "volume": "9 L"}, "lot": "S", "bottles": 12, "format": "750 mL",
 "label": "Rested"}
"""
"""Bottled by 2 March 2025, so the rest of 180 days comes to 29 August."""


def released(at: str, lot: str = "S") -> str:
    return f'{{"kind": "release", "at": "{at}", "lot": "{lot}"}}'


def test_bottles_that_rest_leave_on_the_day_it_comes_to_and_are_released(
    vintage: Vintage,
) -> None:
    vintage.load(RESTING)
    found = vintage.refusal(ship("S", "2025-09-15"))
    assert found.rule == "left before its release"
    assert "2025-08-29" in found.says
    vintage.load(released("2025-08-01"))
    assert vintage.refusal(ship("S", "2025-08-28T23:59")).rule == "left before its release"
    vintage.load(ship("S", "2025-08-29"))
    vintage.load(ship("S", "2025-08-29", "export"))


def test_a_release_counts_from_its_time_on(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load(released("2025-10-01T12:00"))
    assert vintage.refusal(ship("S", "2025-10-01T11:59")).rule == "left before its release"
    vintage.load(ship("S", "2025-10-01T12:00"))


@pytest.mark.parametrize(
    "removal", ["in bond", "tasting", "testing", "family", "distilling", "vinegar", "destroyed"]
)
def test_other_removals_are_free(vintage: Vintage, removal: str) -> None:
    vintage.load(RESTING)
    vintage.load(ship("S", "2025-03-03", removal))


def test_what_left_before_its_release_despite_it_stays_a_finding(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load(
        ship("S", "2025-04-01", more=', "despite": "a wedding"'), odd=["left before its release"]
    )
    vintage.load(released("2025-08-29"))
    assert vintage.odd() == ["left before its release"]


def test_without_a_rest_nothing_needs_a_release(vintage: Vintage) -> None:
    vintage.load(RESTING.replace("Rested", "Red"))
    vintage.load(ship("S", "2025-03-03"))


def test_the_rest_is_that_of_the_label_on_the_day(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load("""
    {"kind": "label", "at": "2025-05-01", "name": "Rested", "rest": "1 months"}
    {"kind": "release", "at": "2025-03-02T18:00", "lot": "S"}
    """)
    assert vintage.refusal(ship("S", "2025-04-30")).rule == "left before its release"
    vintage.load(ship("S", "2025-05-02"))
    vintage.load('{"kind": "label", "at": "2025-06-01", "name": "Red", "rest": "2030-01-01"}')


def test_the_label_of_a_lot_is_asked_where_its_bottles_bear_none(vintage: Vintage) -> None:
    vintage.load(RESTING.replace(',\n "label": "Rested"', ""))
    vintage.load('{"kind": "lot", "at": "2025-03-10", "name": "S", "label": "Rested"}')
    assert vintage.refusal(ship("S", "2025-03-11")).rule == "left before its release"


def test_the_latest_bottling_of_a_lot_starts_its_rest(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load(bottle("A", "S", "2025-06-01", ', "label": "Rested"'))
    vintage.load(released("2025-06-02"))
    assert "2025-11-28" in vintage.refusal(ship("S", "2025-11-27")).says
    vintage.load(ship("S", "2025-11-28"))


def test_packing_starts_no_rest(vintage: Vintage) -> None:
    vintage.load(RESTING.replace(',\n "label": "Rested"', ""))
    vintage.load("""
    {"kind": "pack", "at": "2025-08-01", "from": {"lot": "S", "all": true},
     "to": {"lot": "X", "bottles": 12, "label": "Rested"}}
    {"kind": "release", "at": "2025-08-02", "lot": "X"}
    """)
    assert vintage.refusal(ship("X", "2025-08-28")).rule == "left before its release"
    vintage.load(ship("X", "2025-08-29"))


def test_moving_bottles_within_their_lot_keeps_label_and_release(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load(released("2025-03-03"))
    vintage.load("""
    {"kind": "pack", "at": "2025-04-01", "from": {"lot": "S", "all": true},
     "to": {"lot": "S", "vessel": "Cage 1", "bottles": 12}}
    """)
    assert vintage.lot("S").label == "Rested"
    assert vintage.refusal(ship("S", "2025-04-02")).rule == "left before its release"
    vintage.load(ship("S", "2025-08-29"))


def test_parted_bottles_keep_the_label_they_bear(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load("""
    {"kind": "pack", "at": "2025-04-01", "from": {"lot": "S", "bottles": 6},
     "to": {"lot": "X", "bottles": 6}}
    """)
    assert vintage.refusal(ship("X", "2025-04-02")).rule == "left before its release"


def test_an_emptied_lot_begins_its_rest_and_release_afresh(vintage: Vintage) -> None:
    vintage.load(RESTING)
    vintage.load(released("2025-08-29"))
    vintage.load("""
    {"kind": "ship", "at": "2025-08-30", "lot": "S", "all": true, "to": "Shop",
     "removal": "taxpaid"}
    """)
    vintage.load(bottle("A", "S", "2025-09-01", ', "label": "Rested"'))
    assert vintage.refusal(ship("S", "2026-04-01")).rule == "left before its release"


def test_a_rest_written_down_later_makes_the_older_events_findings(vintage: Vintage) -> None:
    vintage.load(RESTING.replace("Rested", "Red"))
    vintage.load(ship("S", "2025-03-10"))
    vintage.load('{"kind": "label", "at": "2025-01-01", "name": "Red", "rest": "90 days"}')
    vintage.load(
        ship("S", "2025-03-11", more=', "despite": "a wedding"'), odd=["left before its release"]
    )
    assert vintage.odd() == ["left before its release"] * 2


def test_only_bottles_are_released(vintage: Vintage) -> None:
    vintage.load(RESTING)
    assert vintage.refusal(released("2025-03-10", "A")).rule == "wrong sort"
    assert vintage.refusal(released("2025-03-10", "Q")).rule == "unknown lot"


# --- the projection ---


def test_any_text_may_stand_where_text_is_kept(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-10-01", "lot": "M", "vessel": "T1", "volume": "100 L",
     "state": "must"}
    """
    for number, name in enumerate(("two\nlines", "\x1f", 'a "b"', "\u2028", "x" * 5000, "\\N")):
        vintage.load(
            json.dumps(
                {
                    "kind": "ferment",
                    "at": f"2024-10-02T0{number}:00",
                    "lot": "M",
                    "culture": "alcoholic",
                    "stage": "start",
                    "organism": name,
                    "regime": {"note": name},
                }
            )
        )
        ferments = vintage.view().ferments()
        last = ferments[max(ferments)]
        assert (last.organism, last.regime) == (name, {"note": name})
        assert last.lot == "M"


def test_a_ledger_read_anew_gives_the_projection_it_kept(vintage: Vintage) -> None:
    vintage.load(HELD)
    vintage.load(bottle("A", "S", "2024-12-01", ', "despite": "booked"'), odd=["bottled on hold"])
    kept = vintage.lot("S").dump()
    cellar, refusals = fresh(history.steps_of(vintage.ledger), ZONE)
    assert not refusals
    assert cellar.lots["S"].dump() == kept
    projection.rebuild(vintage.ledger)
    assert vintage.lot("S").dump() == kept


def test_nothing_lies_too_far_ahead_of_the_ledger(vintage: Vintage) -> None:
    event = '{"kind": "receive", "at": "2026-06-03", "lot": "A", "vessel": "T1", "volume": "1 L"}'
    assert vintage.refusal(event).rule == "time"
    assert vintage.load(event, now=NOW + DAY).recorded == 1


def test_a_refusal_says_how_much_is_to_be_mended(vintage: Vintage) -> None:
    with pytest.raises(Refused, match="one thing must be mended"):
        vintage.record([b"{"])
    with pytest.raises(Refused, match="2 things must be mended"):
        vintage.record([b"{", b"["])


@pytest.mark.parametrize(
    "said",
    [
        '{"kind": "note", "at": "2024-10-05", "lot": "A", "vessel": "T1", "text": "clear"}',
        '{"kind": "analysis", "at": "2024-10-05", "lot": "A", "vessel": "T1", "values": {"ph": "3.6"}}',
    ],
)
def test_what_was_said_of_a_wine_that_was_gone_is_found(vintage: Vintage, said: str) -> None:
    """A movement that is told late, before what is recorded of the lot: it is looked at anew."""
    vintage.load(receive(1, "A", "T1", "100 L", at="2024-10-01"))
    vintage.load(said)
    refusals = vintage.refused(rack("A@T1", "B@T2", "100 L", "2024-10-03"))
    assert [one.rule for one in refusals] == ["nothing there"]
    vintage.load(rack("A@T1", "B@T2", "60 L", "2024-10-03"))
    assert upkeep.verify(vintage.ledger)["findings"] == []


def test_what_was_said_of_the_same_moment_is_not_later(
    vintage: Vintage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sheet of a day's analyses is typed with the day alone; a corrected note of long ago is no
    later either. Neither is told from the beginning."""
    said = '{"kind": "note", "at": "2024-10-05", "lot": "A", "text": "clear"'
    vintage.load(f'{receive(1, "A", "T1", "100 L")}\n{said}, "id": "{an_id(2)}"}}')
    vintage.load(replace(2, said.replace("-05", "-06") + "}"))

    def told_anew(*_: object) -> None:
        raise AssertionError("nothing here is late")

    monkeypatch.setattr(recording._Load, "_anew", told_anew)
    for number in range(2):
        vintage.load(
            '{"kind": "analysis", "at": "2024-10-06", "lot": "A", '
            f'"values": {{"ph": "3.{number}"}}}}'
        )
    lost = '"lot": "A", "volume": "1 L", "reason": "spill"}'
    vintage.load(f'{{"kind": "loss", "at": "2024-10-06", {lost}')
    with pytest.raises(AssertionError, match="nothing here is late"):
        vintage.load(f'{{"kind": "loss", "at": "2024-10-05T23:00", {lost}')
