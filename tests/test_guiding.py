"""A record led by questions: scripted answers, what they mean, and what is asked again."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from ampelog import completing, guiding, lines, record_commands
from ampelog.effects import effect, offers
from ampelog.errors import Refused
from ampelog.guiding import Unclear
from tests.conftest import NOW, ZONE, Vintage
from tests.program import Run

pytest_plugins = ("tests.running",)

NAMES = {
    "lot": ["A", "B", "BOT", "24-SY"],
    "vessel": ["T1", "T2"],
    "block": ["Hill", "Flat"],
    "holding": ["A@T1", "B@T2"],
    "bottles": ["BOT"],
    "party": ["Larder & Lantern"],
    "in A": ["T1"],
}


def led(kind: str, answers: list[str], given: dict[str, Any] | None = None) -> dict[str, Any]:
    """The event that these answers lead to; an empty one passes."""
    event = dict(given or {})
    passed: list[str] = []
    while (asked := guiding.question(kind, event, NAMES, passed)) is not None:
        said = answers.pop(0)
        if said:
            event[asked.field] = guiding.answered(kind, asked, said, NAMES)
        else:
            assert not asked.needed
            passed.append(asked.field)
    assert not answers
    return event


@pytest.mark.parametrize(
    ("kind", "answers", "event"),
    [
        (
            "pick",
            ["2", "24-NEW", "1.2 ton", "", "24.5", ""],
            {"block": "Flat", "lot": "24-NEW", "mass": "1.2 ton", "brix": "24.5"},
        ),
        (
            "rack",
            ["1 50 gal", "A@T2 50 gal", ""],
            {
                "from": {"lot": "A", "vessel": "T1", "volume": "50 gal"},
                "to": {"lot": "A", "vessel": "T2", "volume": "50 gal"},
            },
        ),
        (
            "blend",
            ["A@T1 all; B@T2 5 gal", "24-RED@T3 60 gal"],
            {
                "from": [
                    {"lot": "A", "vessel": "T1", "all": True},
                    {"lot": "B", "vessel": "T2", "volume": "5 gal"},
                ],
                "to": {"lot": "24-RED", "vessel": "T3", "volume": "60 gal"},
            },
        ),
        ("reading", ["A", "1", "12.4", "18 C"],
         {"lot": "A", "vessel": "T1", "brix": "12.4", "temperature": "18 C"}),
        ("analysis", ["A", "", "", "ph=3.6, free_so2=28"],
         {"lot": "A", "values": {"ph": "3.6", "free_so2": "28"}}),
        ("gauge", ["A", "T1", "", "", "dip", "120 gal"],
         {"lot": "A", "vessel": "T1", "reason": "dip", "volume": "120 gal"}),
        ("gauge", ["BOT", "", "", "", "inventory", "310"],
         {"lot": "BOT", "reason": "inventory", "bottles": 310}),
        ("reading", ["A", "", "", "", "", "12.4"], {"lot": "A", "brix": "12.4"}),
        ("bottle", ["1 all", "B24", "530", "750 mL", "", "L24", ""],
         {"from": {"lot": "A", "vessel": "T1", "all": True}, "lot": "B24", "bottles": 530,
          "format": "750 mL", "code": "L24"}),
        ("loss", ["A", "lees", "T1", "3 gal"],
         {"lot": "A", "reason": "lees", "vessel": "T1", "volume": "3 gal"}),
    ],
)  # fmt: skip
def test_scripted_answers_lead_to_the_event(
    kind: str, answers: list[str], event: dict[str, Any]
) -> None:
    found = led(kind, answers)
    assert found == event
    whole = lines.typed({"kind": kind, "at": "2026-05-01", **found}, "it", ZONE, NOW)
    assert isinstance(whole, lines.Entry)


def test_what_is_given_is_not_asked() -> None:
    assert led("gauge", ["", ""], {"lot": "A", "volume": "9 gal"}) == {
        "lot": "A",
        "volume": "9 gal",
    }


@pytest.mark.parametrize(
    ("said", "kind"),
    [("Racking", "rack"), ("top up", "top"), ("1", "pick"), ("barrel down", "barrel_down")],
)
def test_kinds_are_known_by_trade_words_and_numbers(said: str, kind: str) -> None:
    assert guiding.kind_of(said) == kind


def test_an_unknown_kind_is_asked_again_with_the_nearest() -> None:
    with pytest.raises(Unclear, match="did you mean `rack`"):
        guiding.kind_of("rackk")


@pytest.mark.parametrize(
    ("kind", "field", "said", "why"),
    [
        ("rack", "from", "24-SV@T1 5 gal", "did you mean `24-SY`"),
        ("rack", "from", "A@T1 5 gl", "no quantity that is known"),
        ("pick", "mass", "8400", "`8400` will not do: wanted"),
        ("reading", "temperature", "y", "wanted a temperature"),
        ("ship", "to", "Larder", "did you mean `Larder & Lantern`"),
        ("reading", "lot", "C", "there is no lot `C`"),
        ("pick", "block", "Hil", "did you mean `Hill`"),
        ("analysis", "values", "3.6", "ph=3.6"),
        ("pick", "vessel", "B-1..B-3", "is one vessel, and `B-1..B-3` is a range"),
    ],
)
def test_an_answer_that_cannot_be_taken_says_what_would_be(
    kind: str, field: str, said: str, why: str
) -> None:
    asked = guiding.Question(field, field)
    with pytest.raises(Unclear, match=why):
        guiding.answered(kind, asked, said, NAMES)


def test_a_number_alone_asks_how_much_and_capitals_do_not_matter() -> None:
    asked = guiding.Question("from", "from", ("A@T1", "B@T2"))
    with pytest.raises(Unclear, match="how much of B@T2"):
        guiding.answered("rack", asked, "2", NAMES)
    block = guiding.Question("block", "block")
    assert guiding.answered("pick", block, "hill", NAMES) == "Hill"
    end = guiding.answered("rack", asked, "24-sy@T1 5 gal", NAMES)
    assert end == {"lot": "24-SY", "vessel": "T1", "volume": "5 gal"}


@pytest.mark.parametrize("bottles", [["1", "10", "2"], ["A", "B", "2@T1"]])
def test_a_number_that_is_a_name_is_that_name(bottles: list[str]) -> None:
    names = {"lot": [*(guiding._lot(one) for one in bottles), "C"], "bottles": bottles}
    asked = guiding.question("ship", {}, names)
    assert asked is not None
    assert not asked.numbered
    assert "number" not in asked.asks
    assert guiding.answered("ship", asked, "2 12 bottles", names) == {"lot": "2", "bottles": 12}
    with pytest.raises(Unclear, match="there is no lot `3`"):
        guiding.answered("ship", asked, "3 12 bottles", names)


def test_a_name_that_no_number_of_the_list_is_leaves_the_numbers() -> None:
    names = {"lot": ["2024", "A"], "bottles": ["2024", "A"]}
    asked = guiding.question("ship", {}, names)
    assert asked is not None
    assert guiding.answered("ship", asked, "2 12 bottles", names) == {"lot": "A", "bottles": 12}
    with pytest.raises(Unclear):
        guiding.answered("ship", asked, "\u00b2 12 bottles", names)
    with pytest.raises(Unclear):
        guiding.kind_of("\u00b2")


def test_what_is_not_offered_is_counted() -> None:
    names = {"block": [f"Block {number}" for number in range(20)]}
    asked = guiding.question("pick", {}, names)
    assert asked is not None
    assert (len(asked.offered), asked.more) == (guiding.MOST_OFFERED, 8)


def test_every_kind_can_be_asked_for_to_its_end() -> None:
    from ampelog.events import KINDS

    for kind in KINDS:
        passed: list[str] = []
        given: dict[str, Any] = {}
        for _ in range(20):
            asked = guiding.question(kind, given, NAMES, passed)
            if asked is None:
                break
            if asked.needed:
                given[asked.field] = "1"
            else:
                passed.append(asked.field)
        else:
            pytest.fail(f"{kind} is asked for without end")


def test_an_effect_is_shown_and_nothing_is_recorded(another: Callable[[], Vintage]) -> None:
    vintage = another()
    vintage.load(
        '{"kind": "receive", "at": "2026-01-01", "lot": "W", "vessel": "T1", "volume": "100 L"}'
    )
    head = vintage.ledger.head
    event = {
        "kind": "rack",
        "at": "2026-02-01",
        "from": {"lot": "W", "vessel": "T1", "volume": "40 L"},
        "to": {"lot": "W", "vessel": "T2", "volume": "30 L"},
    }
    entry = lines.typed(event, "it", ZONE, NOW)
    assert isinstance(entry, lines.Entry)
    found = effect(vintage.ledger, entry, by="Ines", now=NOW)
    assert found.rows == [
        {"lot": "W", "vessel": "T1", "before_l": "100", "after_l": "60"},
        {"lot": "W", "vessel": "T2", "before_l": "0", "after_l": "30"},
    ]
    assert [one.rule for one in found.findings] == ["large shortfall"]
    assert vintage.ledger.head == head
    assert offers(vintage.ledger)["holding"] == ["W@T1"]
    too_much = lines.typed(
        {**event, "from": {"lot": "W", "vessel": "T1", "volume": "101 L"}}, "it", ZONE, NOW
    )
    assert isinstance(too_much, lines.Entry)
    with pytest.raises(Refused):
        effect(vintage.ledger, too_much, by="Ines", now=NOW)


@pytest.fixture
def answering(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Somebody at a terminal who gives these answers; returns those not given yet."""
    import typer

    def sits(*answers: str) -> list[str]:
        left = list(answers)

        def prompt(asks: str, default: str | None = None, **_: Any) -> str:
            said = left.pop(0)
            return said or (default if default is not None else prompt(asks, default))

        monkeypatch.setattr(record_commands, "attended", lambda: True)
        monkeypatch.setattr(typer, "prompt", prompt)
        return left

    return sits


def test_record_alone_leads_to_an_event(cellar: Run, answering: Callable[..., list[str]]) -> None:
    left = answering(
        "moving", "rack", "D@T4 10 gallons", "D@T4 10 gal", "D@T8 10 gal", "WO 4", "2026-01-05"
    )
    told = cellar("record", "--yes")
    assert told.code == 0, told.err
    assert left == []
    assert "there is no kind `moving`" in told.err
    assert "Racked 10 gal of D from T4: 10 gal into D in T8." in told.err
    assert "D in T4: 100.0 gal before, 90.0 gal after" in told.err
    (event,) = cellar("log", "--kind", "rack", "--json").json
    assert (event["at"], event["ref"]) == ("2026-01-05", "WO 4")


def test_a_day_of_two_readings_is_asked_for_in_a_way_that_can_be_answered(
    cellar: Run, answering: Callable[..., list[str]]
) -> None:
    answering("spill", "1/5/2026", "5 Jan 26", "5 Jan 2026")
    told = cellar("record", "loss", "lot=D", "volume=1 gal", "vessel=T4", "--yes")
    assert told.code == 0, told.err
    assert "`1/5/2026` may be 2026-05-01 or 2026-01-05; which one? write days as in" in told.err
    assert "--dates" not in told.err
    (event,) = cellar("log", "--kind", "loss", "--json").json
    assert event["at"] == "2026-01-05"


def test_a_no_records_nothing(
    cellar: Run, answering: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    answering()

    def no(*_: Any) -> None:
        raise Refused("nothing was recorded: you said no")

    monkeypatch.setattr(record_commands, "agreed", no)
    told = cellar("record", "loss", "lot=D", "volume=1 gal", "reason=spill", "at=2026-01-05")
    assert told.code == 2
    assert "99.0 gal after" in told.err
    assert cellar("log", "--kind", "loss", "--json").json == []


def test_nobody_there_is_refused_with_the_kinds(cellar: Run) -> None:
    told = cellar("record")
    assert told.code == 2
    assert "barrel_down" in told.err


def test_a_shell_is_offered_kinds_fields_and_names(cellar: Run) -> None:
    assert cellar("lots").code == 0
    context = SimpleNamespace(parent=None, params={"ledger": "cellar.duckdb", "kind": "rack"})
    assert completing.kinds("ra") == ["rack"]
    assert completing.pairs(context, "fr") == ["from="]
    assert completing.pairs(context, "from=D") == ["from=D"]
    split = SimpleNamespace(parent=None, params={**context.params, "pairs": ["from", "="]})
    assert completing.pairs(split, "D") == ["D"], "a shell that splits at the sign"
    split.params["pairs"] = ["at", "=", "2026-01-01", "from"]
    assert completing.pairs(split, "") == completing.lots(context, "")
    split.params["pairs"] = ["at", "=", "2026-01-01"]
    assert "from=" in completing.pairs(split, "")
    split.params["pairs"] = ["vessel", "="]
    assert "T4" in completing.pairs(split, "T")
    assert completing.lots(context, "C2") == ["C24"]
    assert "T4" in completing.vessels(context, "T")
    gone = SimpleNamespace(parent=None, params={"ledger": "none.duckdb"})
    assert completing.lots(gone, "") == []
