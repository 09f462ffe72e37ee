"""What an invented wine went through, for the tests of pages."""

from __future__ import annotations

from typing import Any

from ampelog.story import (
    Addition,
    Analysis,
    Curve,
    Drawn,
    Filling,
    Kept,
    Lain,
    Point,
    Rest,
    Shipment,
    Used,
    Worked,
)


def story(text: str | None = None, lines: int = 4) -> dict[str, Any]:
    """The fields of a dossier that tell it; ``text`` stands in every place that takes text from a
    ledger, ``lines`` is how long its lists are."""

    def named(words: str) -> str:
        return words if text is None else text

    return {
        "rest": Rest("180 days", "label", None, "2026-11-08", "released", named("it is over")),
        "curves": tuple(_curve(named, number) for number in range(lines)),
        "ageing": (
            Lain(named("barrel"), named("oak, France"), True, "0.35", "14.25"),
            Lain(named("puncheon"), named("oak, France"), False, "0.65", "13.5"),
            Lain(named("tank"), None, None, "1", "1.75"),
        ),
        "additions": tuple(
            Addition(300 + number, "2024-10-02T09:00", named("24-F01"), named("T4"),
                     named("sulfur dioxide"),
                     (Used(named("potassium metabisulfite"), named("K-7"), named("150 g")),), "0.4")
            for number in range(lines)
        ),
        "analyses": tuple(
            Analysis(400 + number, "2026-04-20", named("24-F01"), None, named("Fennel Street"),
                     (("ph", "3.71"), ("alcohol", "13.84"), (named("guaiacol"), named("4.1 ug/L"))),
                     named("R-118"))
            for number in range(lines)
        ),
        "fillings": (
            Filling(812, "bottle", named("24-SY-R"), "2026-05-12T07:30", (Drawn(named("24-F01"), named("T7")),),
                    "6500", "750 mL", named("L2612"),
                    (Used(named("glass"), named("G-7"), named("6500 pieces")),)),
        ),
        "shipments": tuple(
            Shipment(900 + number, "2026-11-11", False, named("Corner Cellars"), named("INV-4"),
                     "taxpaid", "2 bottles")
            for number in range(lines)
        ),
        "record": (
            Kept("Each picking: day, weight, block", "us", "held", "4 pickings, complete", "24.314"),
            Kept("Each filling", "us", "partly", "1 filling; 1 without a mark", "24.311(c)"),
            Kept("The label's approval", "us", "missing", named("none is registered"), "4.50"),
            Kept("Wine received", "us", "none", "nothing was received", "24.314"),
        ),
    }  # fmt: skip


def _curve(named: Any, number: int) -> Curve:
    return Curve(
        lot=named(f"24-F{number:02d}"),
        vessel=named("T4"),
        share="0.25",
        started_on="2024-09-24",
        organism=named("yeast R-14"),
        worked=(Worked("0", named("pump-over 1 h on, 5 h off")), Worked("6.5", named("none"))),
        brix=(Point("-0.5", "24.1"), Point("4", f"{11 + number}.5"), Point("13.25", "-1.6")),
        celsius=(Point("0", "18"), Point("4", "29.5"), Point("13.25", "24")),
    )
