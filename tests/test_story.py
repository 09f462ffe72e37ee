"""What a dossier tells of a wine's way: fermentations, additions, analyses, bottles and shipments,
the label information record, and the trail of very many events."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from msgspec.structs import replace

from ampelog import audience, render, report, sections, trail
from ampelog.facts import Dossier, document
from ampelog.story import Used
from tests import invented
from tests.conftest import Vintage

WINE = """
{"kind": "pick", "at": "2024-09-20", "block": "Hill", "lot": "A", "mass": "1000 kg", "ref": "t1"}
{"kind": "pick", "at": "2024-09-20", "block": "Mill", "lot": "G", "mass": "400 kg"}
{"kind": "crush", "at": "2024-09-22", "from": {"lot": "A", "all": true},
 "to": {"lot": "A", "vessel": "T1", "volume": "600 L"}}
{"kind": "crush", "at": "2024-09-22", "from": {"lot": "G", "all": true},
 "to": {"lot": "G", "vessel": "T2", "volume": "200 L"}}
{"kind": "reading", "at": "2024-09-22T18:00", "lot": "A", "brix": "24.2"}
{"kind": "ferment", "at": "2024-09-23T06:00", "lot": "A", "culture": "alcoholic", "stage": "start",
 "organism": "RM-7", "regime": {"punch_downs_per_day": 2}}
{"kind": "reading", "at": "2024-09-25T06:00", "lot": "A", "brix": "18", "temperature": "68 F"}
{"kind": "ferment", "at": "2024-09-27T06:00", "lot": "A", "culture": "alcoholic",
 "stage": "change", "organism": "RM-7", "regime": {"punch_downs_per_day": 1}}
{"kind": "reading", "at": "2024-09-29T12:00", "lot": "A", "specific_gravity": "1.000",
 "temperature": "25 C"}
{"kind": "ferment", "at": "2024-10-05", "lot": "A", "culture": "alcoholic", "stage": "end"}
{"kind": "treat", "at": "2024-10-06", "lot": "A", "treatment": "sulfur dioxide",
 "material": "metabisulfite", "material_lot": "K-7", "amount": "60 g"}
{"kind": "treat", "at": "2024-10-06", "lot": "G", "treatment": "fining", "material": "bentonite"}
{"kind": "blend", "at": "2024-10-10", "from": [{"lot": "A", "volume": "600 L"},
 {"lot": "G", "volume": "200 L"}], "to": {"lot": "W", "vessel": "T4", "volume": "800 L"}}
{"kind": "lot", "at": "2024-10-10", "name": "W", "label": "Rested"}
{"kind": "analysis", "at": "2025-01-10", "lot": "W", "lab": "Fennel Street", "ref": "R-1",
 "values": {"va": "0.5", "alcohol": "13.5", "other": {"guaiacol": "4.1 ug/L"}}}
{"kind": "bottle", "at": "2025-03-01T07:00", "from": {"lot": "W", "all": true},
 "to": {"lot": "BOT", "bottles": 1060, "format": "750 mL", "code": "L2503", "label": "Rested"},
 "materials": [{"material": "glass", "lot": "G-1", "amount": "1060 pieces"},
               {"material": "cork"}]}
{"kind": "release", "at": "2025-09-01", "lot": "BOT"}
{"kind": "ship", "at": "2025-09-02", "lot": "BOT", "bottles": 60, "to": "Shop",
 "document": "INV-1", "removal": "taxpaid"}
{"kind": "return", "at": "2025-09-09", "lot": "BOT", "bottles": 12, "from_party": "Shop",
 "document": "INV-1"}
"""


def facts(vintage: Vintage, lot: str = "BOT", as_of: str | None = None) -> Dossier:
    return report.dossier(vintage.view(as_of), lot)


def kept(made: Dossier, part: str) -> tuple[str, str]:
    found = [one for one in made.record if part in one.item]
    assert len(found) == 1, [one.item for one in made.record]
    return found[0].state, found[0].says


# ---- what is gathered


def test_a_curve_has_the_readings_of_its_fermentation_by_day(vintage: Vintage) -> None:
    vintage.load(WINE)
    (curve,) = facts(vintage).curves
    assert (curve.lot, curve.vessel, curve.organism) == ("A", "T1", "RM-7")
    assert curve.started_on == "2024-09-23"
    assert abs(Fraction(curve.share) - Fraction(3, 4)) < Fraction(1, 10**25)
    assert [(one.days, one.value) for one in curve.brix[:2]] == [("-0.50", "24.2"), ("2.00", "18")]
    assert curve.brix[2].days == "6.25"
    assert abs(Fraction(curve.brix[2].value)) < Fraction(1, 10), "a gravity of one is no sugar"
    assert [(one.days, one.value) for one in curve.celsius] == [("2.00", "20.0"), ("6.25", "25.0")]
    assert [(one.days, one.says[:1]) for one in curve.worked] == [("0.00", "2"), ("4.00", "1")]


def test_additions_name_material_lot_amount_and_what_of_the_wine_they_went_into(
    vintage: Vintage,
) -> None:
    vintage.load(WINE)
    made = facts(vintage).additions
    assert [(one.lot, one.what) for one in made] == [
        ("A", "alcoholic culture, start"),
        ("A", "alcoholic culture, change"),
        ("A", "sulfur dioxide"),
        ("G", "fining"),
    ]
    assert made[2].used == (Used("metabisulfite", "K-7", "60 g"),)
    assert [Fraction(one.share) for one in made[2:]] == [Fraction(3, 4), Fraction(1, 4)]


def test_analyses_bottling_and_shipments_are_those_of_the_lot(vintage: Vintage) -> None:
    vintage.load(WINE)
    made = facts(vintage)
    (analysis,) = made.analyses
    assert (analysis.lot, analysis.lab, analysis.ref) == ("W", "Fennel Street", "R-1")
    assert analysis.values == (("alcohol", "13.5"), ("va", "0.5"), ("guaiacol", "4.1 ug/L"))
    (filling,) = made.fillings
    assert (filling.bottles, filling.format, filling.code) == ("1060", "750 mL", "L2503")
    assert [(one.lot, one.vessel) for one in filling.of] == [("W", None)]
    assert filling.used == (Used("glass", "G-1", "1060 pieces"), Used("cork"))
    sent, back = made.shipments
    assert (sent.amount, sent.party, sent.document, sent.back) == (
        "60 bottles",
        "Shop",
        "INV-1",
        False,
    )
    assert (back.amount, back.party, back.back) == ("12 bottles", "Shop", True)


def test_bottles_packed_over_bring_their_bottling_and_leave_a_line_where_they_were(
    vintage: Vintage,
) -> None:
    vintage.load(WINE)
    vintage.load("""
    {"kind": "pack", "at": "2025-10-01", "from": {"lot": "BOT", "bottles": 200},
     "to": {"lot": "EXP", "bottles": 200, "format": "750 mL"},
     "materials": [{"material": "label", "lot": "L-9", "amount": "200 pieces"}]}
    {"kind": "loss", "at": "2025-10-02", "lot": "BOT", "bottles": 2, "reason": "breakage"}
    """)
    packed = facts(vintage, "EXP")
    assert [(one.kind, one.lot) for one in packed.fillings] == [("bottle", "BOT"), ("pack", "EXP")]
    assert packed.fillings[0].code == "L2503"
    assert kept(packed, "Each filling")[0] == "held"
    told = [(one.removal, one.amount) for one in facts(vintage).shipments[2:]]
    assert told == [("packed over into EXP", "200 bottles"), ("lost, breakage", "2 bottles")]
    assert kept(facts(vintage), "Each removal") == ("held", "1 removal, complete")


def test_what_was_added_once_the_wine_had_left_is_none_of_it(vintage: Vintage) -> None:
    vintage.load(WINE.replace('{"lot": "A", "volume": "600 L"}', '{"lot": "A", "volume": "500 L"}')
                 .replace('"vessel": "T4", "volume": "800 L"', '"vessel": "T4", "volume": "700 L"')
                 .replace('"bottles": 1060', '"bottles": 920')
                 .replace("1060 pieces", "920 pieces"))  # fmt: skip
    before = facts(vintage).additions
    vintage.load("""
    {"kind": "treat", "at": "2024-12-01", "lot": "A", "treatment": "fining",
     "material": "bentonite"}
    """)
    assert facts(vintage).additions == before
    assert facts(vintage, "A").additions[-1].what == "fining"


def test_the_rest_is_that_of_the_calendar(vintage: Vintage) -> None:
    vintage.load(WINE)
    on_the_way = facts(vintage, as_of="2025-05-01").rest
    assert on_the_way is not None
    assert (on_the_way.state, on_the_way.release_on) == ("resting", "2025-08-28")
    over = facts(vintage, as_of="2025-08-30").rest
    assert over is not None
    assert over.state == "due"
    after = facts(vintage).rest
    assert after is not None
    assert (after.state, after.stated, after.basis) == ("released", "180 days", "label")
    assert facts(vintage, "W").rest is None, "wine does not rest"


def test_a_wine_in_the_cellar_says_which_gates_stop_it(vintage: Vintage) -> None:
    vintage.load(WINE)
    ready = facts(vintage, "W", "2025-02-01").ready
    assert ready is not None
    assert not ready.ready
    assert ready.stops
    assert facts(vintage).ready is None, "bottles are not bottled again"


def test_the_label_information_record_counts_what_is_there(vintage: Vintage) -> None:
    vintage.load(WINE)
    made = facts(vintage)
    assert kept(made, "Each picking") == ("partly", "2 pickings; 1 without a paper")
    assert kept(made, "Who grew it") == (
        "missing",
        "2 sources of fruit; 2 without a grower, or land of its own",
    )
    assert kept(made, "Wine and must received") == ("none", "nothing was received")
    assert kept(made, "Every movement")[0] == "held"
    assert kept(made, "physical inventory") == ("missing", "no count of these lots is recorded")
    state, says = kept(made, "alcohol, volatile acidity")
    assert (state, "total SO2 not among them" in says) == ("partly", True)
    assert kept(made, "Each filling")[0] == "held"
    assert kept(made, "material lots of glass")[0] == "partly"
    assert kept(made, "approval") == ("missing", "none is registered for Rested")
    assert kept(made, "Each removal")[0] == "held"
    assert "until 2028-09-02" in kept(made, "kept")[1], "three years from the last removal"
    # all of it was written down on one day, most of it long after the work
    assert kept(made, "third business day")[0] == "partly"
    for item in made.record:
        assert item.citation


def test_a_market_asks_for_what_its_own_law_wants(vintage: Vintage) -> None:
    vintage.load(WINE)
    vintage.load("""
    {"kind": "label", "at": "2000-01-02", "name": "Rested", "market": ["au"]}
    """)
    made = facts(vintage)
    assert {market for one in made.record for market in one.market.split(", ")} == {"us", "au"}
    assert "until 2032-09-02" in kept(made, "kept")[1], "seven years there, and three at home"


# ---- very many events


def test_of_very_many_events_the_largest_groups_are_counted(
    vintage: Vintage, monkeypatch: pytest.MonkeyPatch
) -> None:
    readings = "\n".join(
        json.dumps(
            {"kind": "reading", "at": f"2024-11-{1 + n // 20:02d}T{n % 20:02d}:00", "lot": "W",
             "temperature": f"{10 + n % 5} C"}
        )
        for n in range(60)
    )  # fmt: skip
    vintage.load(WINE + readings)
    whole = facts(vintage)
    assert whole.summed == ()
    monkeypatch.setattr(trail, "MANY", 20)
    monkeypatch.setattr(trail, "MOST", 40)
    made = facts(vintage)
    (group,) = made.summed
    assert (group.lot, group.kind, group.events) == ("W", "reading", 60)
    assert (group.first_on, group.last_on) == ("2024-11-01", "2024-11-03")
    assert len(made.trail) + group.events == len(whole.trail)
    text = render.html(made, render.Options())
    assert "Events of one kind, summed by lot" in text


def test_long_lists_are_summed_on_the_page_and_say_so() -> None:
    made = invented.dossier()
    many = replace(
        made,
        additions=made.additions * 30,
        shipments=made.shipments * 30,
        analyses=made.analyses * 30,
    )
    (line,) = sections.additions(many.additions)
    assert (line.count, line.position) == (120, None)
    (sent,) = sections.shipments(many.shipments)
    assert (sent.count, sent.amount) == (120, "240 bottles")
    assert len(sections.analyses(many.analyses)) == sections.MOST_LINES
    text = render.html(many, render.Options())
    assert "There are 120; those of one material stand together." in text
    assert "The latest 60 of 120." in text


# ---- for whom


@pytest.mark.parametrize("reader", sorted(audience.STRANGERS))
def test_a_stranger_reads_neither_parties_nor_other_lots(vintage: Vintage, reader: str) -> None:
    vintage.load(WINE)
    made = audience.told(facts(vintage), reader)
    text = json.dumps(document(made))
    for hidden in ("Shop", "INV-1", '"A"', '"G"', '"W"', "lot A", "t1", "R-1", "Ines"):
        assert hidden not in text, hidden
    assert '"lot 1"' in text
    assert [body.name for body in made.genealogy.bodies if body.kind == "lot"] == [
        "lot 1",
        "lot 2",
        "lot 3",
    ]
    ends = {one.target for one in made.genealogy.flows} | {
        one.source for one in made.genealogy.flows
    }
    assert ends <= {body.key for body in made.genealogy.bodies}
    assert made.composition == facts(vintage).composition, "what it is made of is told whole"
    assert made.claims, "the statements of a bottled lot are told"
    assert any("not named" in one for one in made.withheld)


def test_a_buyer_of_bulk_gets_a_certificate_without_a_claim(vintage: Vintage) -> None:
    vintage.load(WINE)
    made = audience.told(facts(vintage, "W", "2025-02-01"), audience.BUYER)
    assert made.claims == ()
    assert made.verdict is None
    assert made.wine.label is None
    assert made.analyses
    text = render.html(made, render.Options())
    assert "Certificate of composition" in text
    assert "Rested" not in text
    importer = audience.told(facts(vintage, "W", "2025-02-01"), audience.IMPORTER)
    assert importer.record


def test_the_owner_gets_names_and_no_trail_and_the_auditor_everything(vintage: Vintage) -> None:
    vintage.load(WINE)
    whole = facts(vintage)
    owner = audience.told(whole, audience.OWNER)
    assert owner.trail == ()
    assert owner.shipments == whole.shipments
    assert audience.told(whole, audience.AUDITOR) == replace(whole, reader="auditor")
    assert audience.told(whole, None) == whole


def test_the_curves_are_drawn_on_one_scale_and_in_the_units_that_are_read() -> None:
    made = invented.dossier()
    us, metric = (render.html(made, render.Options(units)) for units in ("us", "metric"))
    assert "90 F" in us
    assert "90 F" not in metric
    assert "30 C" in metric
    panels, others = sections.curves(made, "us", str)
    assert (len(panels), others) == (4, 0)
    assert len({panel.drawing.count("<text") for panel in panels}) == 1, "the same grid on all"
    assert "pump-over 1 h on, 5 h off" in us
    assert "day 6: none" in us


def test_one_reading_is_a_dot_and_trifles_are_counted() -> None:
    made = invented.dossier()
    short = tuple(replace(one, brix=one.brix[:1]) for one in made.curves)
    panels, others = sections.curves(replace(made, curves=short), "us", str)
    assert (len(panels), others) == (4, 0)
    assert all(panel.drawing.count('class="dot sugar"') == 1 for panel in panels)
    small = (made.curves[0], *(replace(one, share="0.001") for one in made.curves[1:]))
    panels, others = sections.curves(replace(made, curves=small), "us", str)
    assert (len(panels), others) == (1, 3)
