"""The facts of a dossier: what it gathers, what its trail holds, and that its drawing balances."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from ampelog import ledger, lines, moments, recording, render, report, stock, trail
from ampelog.errors import Refused
from ampelog.facts import Dossier, Entry, document
from ampelog.questions import View
from ampelog.render import Options
from tests.conftest import Vintage

EXAMPLE = Path(__file__).parent.parent / "example_vintage"
NEARLY = Fraction(1, 10**25)

LOT = """
{"kind": "pick", "at": "2024-09-20", "block": "Hill", "lot": "A", "mass": "1000 kg",
 "ref": "tag 1", "papers": [{"title": "scan of tag 1"}]}
{"kind": "pick", "at": "2024-09-21", "block": "Mill", "lot": "G", "mass": "1000 kg",
 "id": "018f3b5c-0000-7000-8000-0000000000aa"}
{"kind": "crush", "at": "2024-09-22", "from": {"lot": "A", "all": true},
 "to": {"lot": "A", "vessel": "T1", "volume": "800 L"}}
{"kind": "crush", "at": "2024-09-22", "from": {"lot": "G", "all": true},
 "to": {"lot": "G", "vessel": "T2", "volume": "800 L"}}
{"kind": "ferment", "at": "2024-09-23", "lot": "A", "culture": "alcoholic", "stage": "start",
 "organism": "RM-7", "regime": {"punch_downs_per_day": 1}}
{"kind": "ferment", "at": "2024-10-05", "lot": "A", "culture": "alcoholic", "stage": "end"}
{"kind": "loss", "at": "2024-10-06", "lot": "A", "volume": "80 L", "reason": "lees"}
{"kind": "receive", "at": "2024-10-06", "lot": "X", "vessel": "T3", "volume": "50 L",
 "state": "wine"}
{"kind": "blend", "at": "2024-10-10",
 "from": [{"lot": "A", "volume": "300 L"}, {"lot": "G", "volume": "90 L"},
          {"lot": "X", "volume": "10 L"}],
 "to": {"lot": "W", "vessel": "T4", "volume": "400 L"}}
{"kind": "lot", "at": "2024-10-10", "name": "W", "label": "Red"}
"""
"""75 % Hill, 22.5 % Mill, 2.5 % of which nothing is stated."""


def facts(vintage: Vintage, lot: str = "W", as_of: str | None = None) -> Dossier:
    return report.dossier(vintage.view(as_of), lot)


def says(made: Dossier) -> list[str]:
    return [entry.says for entry in made.trail]


def entry(made: Dossier, part: str) -> Entry:
    found = [one for one in made.trail if part in one.says and one.kind != "correct"]
    assert len(found) == 1, found
    return found[0]


# ---- what is gathered


def test_the_composition_sources_and_origins_are_those_of_the_wine(vintage: Vintage) -> None:
    vintage.load(LOT)
    made = facts(vintage)
    variety = {row.names[0]: Fraction(row.share) for row in made.composition[0].rows}
    assert set(variety) == {"Syrah", "Grenache", None}
    assert abs(variety["Syrah"] - Fraction(3, 4)) < NEARLY
    assert abs(variety["Grenache"] - Fraction(9, 40)) < NEARLY
    assert abs(variety[None] - Fraction(1, 40)) < NEARLY
    assert [source.name for source in made.sources] == [
        "Hill, Syrah 2024",
        "Mill, Grenache 2024",
        "X, nothing stated",
    ]
    assert made.sources[0].ref == "tag 1"
    assert [row.names[0] for row in made.origins.rows] == [one.name for one in made.sources]
    for table in made.composition:
        if not table.overlap:
            assert sum(Fraction(row.share) for row in table.rows) == 1


def test_a_material_stands_in_no_field_as_unknown(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "treat", "at": "2024-10-11", "lot": "W", "treatment": "amelioration",
     "material": "well water", "adds": "100 L", "role": "water"}
    """)
    made = facts(vintage)
    joint = next(table for table in made.composition if len(table.fields) == 3)
    assert ("well water", "", "") in [row.names for row in joint.rows]
    body = next(one for one in made.genealogy.bodies if one.kind == "addition")
    assert (body.name, body.says) == ("well water", "water")


def test_the_wine_says_what_it_is_and_where_it_lies(vintage: Vintage) -> None:
    vintage.load(LOT)
    wine = facts(vintage).wine
    assert (wine.lot, wine.state, wine.unit, wine.amount) == ("W", "wine", "L", "400")
    assert wine.told_of == wine.amount
    assert [(held.vessel, held.amount) for held in wine.holdings] == [("T4", "400")]
    assert wine.label == "Red"
    assert wine.bottles is None


def test_bottles_tell_their_fills_rest_and_release(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-01T07:00", "until": "2025-03-02T15:00",
     "from": {"lot": "W", "volume": "300 L"}, "lot": "W-B", "bottles": 400, "format": "750 mL",
     "label": "Rested", "code": "L1"}
    {"kind": "release", "at": "2025-09-01", "lot": "W-B"}
    {"kind": "ship", "at": "2025-09-02", "lot": "W-B", "bottles": 100, "to": "Shop",
     "removal": "taxpaid"}
    """)
    wine = facts(vintage, "W-B").wine
    assert (wine.filled, wine.bottles, wine.format, wine.amount) == ("400", "300", "750 mL", "225")
    assert [(fill.filled_on, fill.bottles, fill.code) for fill in wine.fills] == [
        ("2025-03-02", "300", "L1")
    ]
    assert (wine.rest_ends_on, wine.released_on) == ("2025-08-29", "2025-09-01")


def test_a_lot_has_one_state_wherever_it_is_told(vintage: Vintage) -> None:
    """
    {"kind": "receive", "at": "2024-09-01", "lot": "W", "vessel": "T1", "volume": "90 L",
     "state": "must"}
    {"kind": "receive", "at": "2024-09-02", "lot": "W", "vessel": "T2", "volume": "10 L",
     "state": "wine"}
    """
    (row,) = stock.lots(vintage.view())
    assert facts(vintage).wine.state == row["state"] == "must"


def test_filled_counts_the_bottles_filled_for_a_lot_and_not_those_packed_over(
    vintage: Vintage,
) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-01", "from": {"lot": "W", "volume": "300 L"},
     "to": [{"lot": "B", "bottles": 300, "format": "750 mL"},
            {"lot": "C", "bottles": 100, "format": "750 mL"}]}
    {"kind": "pack", "at": "2025-03-02", "from": {"lot": "B", "bottles": 120},
     "to": [{"lot": "C", "bottles": 100}, {"lot": "D", "bottles": 20}]}
    """)
    found = {lot: facts(vintage, lot).wine for lot in ("B", "C", "D")}
    assert {lot: (wine.filled, wine.bottles) for lot, wine in found.items()} == {
        "B": ("300", "180"),
        "C": ("100", "200"),
        "D": (None, "20"),
    }


def test_a_lot_that_is_gone_is_told_of_as_it_was_last_held(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "loss", "at": "2024-12-01", "lot": "W", "all": true, "reason": "destroyed"}
    """)
    made = facts(vintage)
    assert (made.wine.amount, made.wine.told_of) == ("0", "400")
    assert made.composition[0].rows[0].names == ("Syrah",)


def test_a_hold_is_told(vintage: Vintage) -> None:
    vintage.load(LOT)
    assert not facts(vintage).wine.on_hold
    vintage.load("""
    {"kind": "hold", "at": "2024-12-01", "lot": "W", "reason": "a smell",
     "id": "018f3b5c-0000-7000-8000-0000000000bb"}
    """)
    made = facts(vintage)
    assert made.wine.on_hold
    vintage.load("""
    {"kind": "clear", "at": "2024-12-02", "hold": "018f3b5c-0000-7000-8000-0000000000bb",
     "reason": "gone"}
    """)
    made = facts(vintage)
    assert not made.wine.on_hold
    hold = entry(made, "Put W on hold")
    assert f"Cleared the hold of event {hold.position}: gone." in says(made)


def test_statements_are_judged_in_every_fill_and_fills_that_differ_are_told(
    vintage: Vintage,
) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "label", "at": "2025-01-01", "name": "Syrah Red",
     "statements": {"variety": ["Syrah"], "appellation": "Ash", "vintage": 2024}}
    {"kind": "bottle", "at": "2025-03-01", "from": {"lot": "W", "volume": "150 L"}, "lot": "W-B",
     "bottles": 200, "format": "750 mL", "label": "Syrah Red"}
    {"kind": "bottle", "at": "2025-03-02", "from": {"lot": "W", "volume": "75 L"}, "lot": "W-B",
     "bottles": 100, "format": "750 mL", "label": "Syrah Red"}
    """)
    made = facts(vintage, "W-B")
    assert not made.fills_differ
    judged = [one for one in made.claims if one.actual is not None and one.claim == "variety"]
    assert {one.fill for one in judged} == {fill.event for fill in made.wine.fills}
    assert made.verdict in ("supported", "undetermined", "refused")
    vintage.load("""
    {"kind": "bottle", "at": "2025-03-03", "from": {"lot": "G", "volume": "75 L"}, "lot": "W-B",
     "bottles": 100, "format": "750 mL", "label": "Syrah Red"}
    """)
    made = facts(vintage, "W-B")
    assert made.fills_differ
    assert made.verdict == "refused"


def test_an_unknown_lot_is_refused(vintage: Vintage) -> None:
    with pytest.raises(Refused):
        facts(vintage, "nothing")


def test_the_facts_are_json_and_say_as_of_when(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load(
        '{"kind": "loss", "at": "2025-01-01", "lot": "W", "volume": "1 L","reason": "sample"}'
    )
    made = facts(vintage, as_of="2024-12-31")
    assert made.as_of == "2024-12-31"
    assert made.wine.amount == "400"
    assert not [one for one in made.trail if one.at > "2024-12-31"]
    again = json.loads(json.dumps(document(made)))
    assert again["head"]["root"] == vintage.ledger.head.root
    assert again["wine"]["lot"] == "W"


# ---- the trail


def test_the_trail_holds_what_carried_wine_in_and_not_what_went_elsewhere(
    vintage: Vintage,
) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "rack", "at": "2024-10-01", "from": {"lot": "G", "volume": "50 L"},
     "to": {"lot": "Other", "vessel": "T9", "volume": "50 L"}}
    {"kind": "reading", "at": "2024-10-02", "lot": "G", "vessel": "T2", "brix": "4.0"}
    {"kind": "reading", "at": "2024-11-02", "lot": "G", "vessel": "T2", "brix": "-1.0"}
    {"kind": "reading", "at": "2024-11-02", "lot": "W", "brix": "-1.0"}
    {"kind": "rack", "at": "2024-11-03", "from": {"lot": "W", "volume": "5 L"},
     "to": {"lot": "Other2", "vessel": "T8", "volume": "5 L"}}
    {"kind": "note", "at": "2024-11-03", "lot": "Other2", "text": "not ours"}
    """)
    told = says(facts(vintage))
    assert "Read G in T2: 4.0 Brix." in told
    assert "Read G in T2: -1.0 Brix." not in told, "after the blend, G is no business of W"
    assert "Read W: -1.0 Brix." in told
    assert not [one for one in told if "Other in" in one or "not ours" in one]
    assert any("into Other2" in one for one in told), "what leaves the wine itself is its own"
    assert [one for one in told if one.startswith("Picked")] == [
        "Picked 1000 kg in Hill into A.",
        "Picked 1000 kg in Mill into G.",
    ]


def test_the_trail_is_in_order_of_time_with_papers_and_registers(vintage: Vintage) -> None:
    vintage.load(LOT)
    made = facts(vintage)
    assert list(made.trail) == sorted(made.trail, key=lambda one: (one.at, one.position))
    pick = entry(made, "in Hill into A")
    assert (pick.ref, pick.papers[0].title, pick.by) == ("tag 1", "scan of tag 1", "Ines")
    assert pick.recorded_on == "2026-06-01"
    kinds = [one.kind for one in made.trail]
    assert kinds.count("block") == 2
    assert "Place Ash: county; within North." in says(made)
    assert not [one for one in says(made) if "Two Fords" in one], "no fruit of it is in the wine"


def test_a_corrected_event_and_its_corrections_point_to_each_other(vintage: Vintage) -> None:
    vintage.load(LOT)
    for mass in ("900 kg", "950 kg"):
        vintage.load(
            f"""
        {{"kind": "correct", "at": "2024-11-01",
         "corrects": "018f3b5c-0000-7000-8000-0000000000aa",
         "reason": "misread", "replacement": {{"kind": "pick", "at": "2024-09-21",
         "block": "Mill", "lot": "G", "mass": "{mass}"}}}}
        """,
            ["resolved anew"],
        )
    made = facts(vintage)
    original = entry(made, "Picked 1000 kg in Mill")
    first, second = (one for one in made.trail if one.kind == "correct")
    assert original.corrected_by == second.position
    assert first.corrected_by == second.position
    assert second.corrected_by is None
    assert first.corrects == second.corrects == original.position
    assert second.says == (
        f"Corrected event {original.position} (misread); it now reads: "
        "Picked 950 kg in Mill into G."
    )


def test_a_lot_that_only_a_correction_brought_in_is_in_the_trail(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "receive", "at": "2024-10-06", "lot": "Y", "vessel": "T7", "volume": "50 L",
     "state": "wine"}
    {"kind": "top", "at": "2024-10-12", "from": {"lot": "X", "volume": "4 L"},
     "to": {"lot": "W", "vessel": "T4", "volume": "4 L"},
     "id": "018f3b5c-0000-7000-8000-0000000000cc"}
    {"kind": "correct", "at": "2024-10-13", "corrects": "018f3b5c-0000-7000-8000-0000000000cc",
     "reason": "it was Y", "replacement": {"kind": "top", "at": "2024-10-12",
     "from": {"lot": "Y", "volume": "4 L"}, "to": {"lot": "W", "vessel": "T4", "volume": "4 L"}}}
    """)
    made = facts(vintage)
    assert any("as Y in T7" in one for one in says(made))
    assert entry(made, "Topped with 4 L of X").corrected_by is not None


def test_many_events_leave_out_those_of_lots_hardly_in_the_wine(
    vintage: Vintage, monkeypatch: pytest.MonkeyPatch
) -> None:
    vintage.load(LOT)
    readings = "\n".join(
        f'{{"kind": "reading", "at": "2024-10-08T{hour:02d}:00", "lot": "X", "brix": "-1.{hour}"}}'
        for hour in range(10, 20)
    )
    vintage.load(readings)
    vintage.load("""
    {"kind": "blend", "at": "2024-12-01", "from": [{"lot": "W", "volume": "1 L"},
     {"lot": "G", "volume": "99 L"}], "to": {"lot": "V", "vessel": "T6", "volume": "100 L"}}
    """)
    whole = facts(vintage, "V")
    assert whole.summed == ()
    monkeypatch.setattr(trail, "MANY", 5)
    made = facts(vintage, "V")
    assert [(one.lot, one.events) for one in made.summed] == [("X", 11)]
    assert Fraction(made.summed[0].share) == Fraction(1, 4000)
    assert len(made.trail) + 11 == len(whole.trail)
    assert not [one for one in says(made) if one.startswith("Read X")]


# ---- the drawing


def flow(made: Dossier) -> tuple[dict[str, Fraction], dict[str, Fraction]]:
    """What enters and what leaves each body."""
    into = {body.key: Fraction(0) for body in made.genealogy.bodies}
    out = dict(into)
    for one in made.genealogy.flows:
        into[one.target] += Fraction(one.share)
        out[one.source] += Fraction(one.share)
    return into, out


def test_the_drawing_follows_the_wine_from_fruit_to_lot(vintage: Vintage) -> None:
    vintage.load(LOT)
    made = facts(vintage)
    bodies = {body.name: body for body in made.genealogy.bodies}
    assert made.genealogy.bodies[-1].name == "W"
    assert bodies["Hill"].says == "Syrah 2024"
    assert bodies["on hand before"].says == "nothing stated"
    assert bodies["A"].since == "2024-09-20"
    assert Fraction(bodies["A"].share) == Fraction(3, 4)
    # 80 of 800 L were lost, so a ninth of what went on: 3/4 * 80/720
    assert abs(Fraction(bodies["A"].lost) - Fraction(1, 12)) < NEARLY
    assert bodies["A"].reasons == ("lees",)


def test_press_fractions_and_roles_stand_on_the_flows(vintage: Vintage) -> None:
    vintage.load(LOT)
    vintage.load("""
    {"kind": "press", "at": "2024-10-06T12:00", "from": {"lot": "G", "volume": "300 L"},
     "to": [{"lot": "GF", "vessel": "T5", "volume": "200 L", "fraction": "free run"},
            {"lot": "GP", "vessel": "T6", "volume": "50 L", "fraction": "hard press"}]}
    {"kind": "blend", "at": "2024-12-02", "from": [{"lot": "GF", "all": true},
     {"lot": "GP", "all": true}, {"lot": "W", "volume": "5 L", "role": "sweetening"}],
     "to": {"lot": "V", "vessel": "T8", "volume": "255 L"}}
    """)
    made = facts(vintage, "V")
    found = {(one.source, one.target, one.fraction, one.role) for one in made.genealogy.flows}
    assert ("lot G", "lot GP", "hard press", None) in found
    assert ("lot G", "lot GF", "free run", None) in found
    assert ("lot W", "lot V", None, "sweetening") in found


def test_fermentations_on_the_way_are_told_with_yeast_and_regime(vintage: Vintage) -> None:
    vintage.load(LOT)
    made = facts(vintage)
    passed = {one.lot: one for one in made.through}
    assert Fraction(passed["A"].share) == Fraction(3, 4)
    ferment = passed["A"].ferments[0]
    assert (ferment.vessel, ferment.organism, ferment.regime) == (
        "T1",
        "RM-7",
        "1 punch-down a day",
    )


@pytest.fixture(scope="session")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example vintage, loaded."""
    path = tmp_path_factory.mktemp("example") / "cellar.duckdb"
    zone = ZoneInfo("America/Los_Angeles")
    home = {
        "kind": "premises",
        "at": "1900-01-01",
        "id": "018f3b5c-0000-7000-8000-000000000001",
        "name": "Quernmoor Cellar",
        "timezone": zone.key,
        "by": "Ilse Tarrow",
    }
    now = moments.instant("2026-11-25T12:00", zone)
    first = ledger.Draft(home, moments.instant("1900-01-01", zone))
    ledger.create(path, first, moments.to_stamp(now))
    with ledger.opened(path, write=True) as opened:
        for file in sorted(EXAMPLE.glob("*.jsonl")):
            loaded = file.read_bytes().splitlines()
            entries, problems = lines.read(loaded, file.name, zone, now)
            recording.record(opened, entries, problems, by="Ilse Tarrow", now=now)
    return path


def test_of_every_lot_of_the_example_the_drawing_balances_and_the_page_is_made(
    example: Path,
) -> None:
    """As much enters each lot as leaves it, and one whole wine arrives."""
    with ledger.opened(example) as opened:
        view = View(opened)
        lots = view.all_lots()
        assert len(lots) > 60
        for lot in lots:
            made = report.dossier(view, lot.name)
            into, out = flow(made)
            for body in made.genealogy.bodies:
                if body.kind == "lot":
                    assert abs(into[body.key] - out[body.key]) < NEARLY, (lot.name, body.key)
            own = made.genealogy.bodies[-1].key
            assert abs(into[own] - out[own] - 1) < NEARLY, lot.name
            assert lot.name in render.html(made, Options())


def test_the_same_ledger_gives_the_same_facts(example: Path) -> None:
    with ledger.opened(example) as opened:
        made = [report.dossier(View(opened), "BSY23") for _ in range(2)]
        replayed = report.dossier(View(opened, as_of="2026-11-25"), "BSY23")
    assert made[0] == made[1]
    assert replace(replayed, as_of=made[0].as_of) == made[0]
