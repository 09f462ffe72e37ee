"""The HTML of a dossier, and the same HTML set by WeasyPrint alone: the floor of a dossier's time.

``python -m bench.paper html LEDGER LOT FILE`` writes it, ``... set FILE`` sets it, and
``... lots COUNT FILE`` writes the events of so many small bottled lots.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path


def html(ledger: str, lot: str, file: str) -> None:
    """The page as it goes into the PDF, with what it says of its evidence."""
    from ampelog import ledger as ledgers
    from ampelog import parcel, printing, render
    from ampelog.questions import View

    with ledgers.opened(Path(ledger), write=False, wait=5) as opened:
        asked = parcel.Asked(lot)
        facts = parcel.told(parcel.figured(View(opened), asked), asked)
    page = render.page(facts, "us")(printing.covered)
    Path(file).write_text(printing.printable(page, "letter"), encoding="utf-8")


def set_alone(file: str) -> None:
    """By WeasyPrint alone, with the fonts and the standard of a dossier."""
    from weasyprint import HTML

    from ampelog import printing

    text = Path(file).read_text(encoding="utf-8")
    page = HTML(string=text, base_url=printing.SCHEME, url_fetcher=printing.fetcher())
    Path(file).with_suffix(".pdf").write_bytes(page.write_pdf(pdf_variant="pdf/a-3a"))


def lots(count: str, file: str) -> None:
    """As many wines of one pick each, bottled."""
    events: list[dict[str, object]] = [
        {"kind": "block", "at": "2000-01-01", "name": "Hill", "plantings": [{"variety": "Syrah"}]}
    ]
    for number in range(int(count)):
        fruit, wine, tank = (f"{sign}{number}" for sign in "FWT")
        events += [
            {"kind": "pick", "at": "2024-09-01", "block": "Hill", "lot": fruit, "mass": "1000 kg"},
            {"kind": "crush", "at": "2024-09-02", "from": {"lot": fruit, "all": True},
             "to": {"lot": wine, "vessel": tank, "volume": "700 L"}},
            {"kind": "bottle", "at": "2025-09-02", "from": {"lot": wine, "all": True},
             "to": {"lot": f"B{number}", "bottles": 930, "format": "750 mL"}},
        ]  # fmt: skip
    lines = [json.dumps(event) for event in events]
    Path(file).write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(what: str, *words: str) -> None:
    """One of the three."""
    if what == "html":
        html(*words)
    elif what == "set":
        set_alone(*words)
    else:
        lots(*words)


if __name__ == "__main__":
    main(*sys.argv[1:])
