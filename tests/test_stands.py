"""The cellar as it stood at some moments of a long log, from which what comes late is told."""

from __future__ import annotations

import pytest

from ampelog import moments, projection, retelling, stands, upkeep
from ampelog.cellar import Cellar
from ampelog.ledger import Ledger
from ampelog.stands import Stand
from ampelog.stood import stood
from tests.conftest import ZONE, Vintage

SPAN = 4


def month_by_month(first: int, last: int) -> str:
    """A tank that another is topped from, each month of a year."""
    return "\n".join(
        f'{{"kind": "top", "at": "2024-{month:02d}-01", "from": {{"lot": "T", "vessel": "TT", '
        f'"volume": "1 L"}}, "to": {{"lot": "A", "vessel": "V-1", "volume": "1 L"}}}}'
        for month in range(first, last + 1)
    )


WINE = """
{"kind": "receive", "at": "2023-11-01", "lot": "T", "vessel": "TT", "volume": "500 L", "state": "wine"}
{"kind": "receive", "at": "2023-11-02", "lot": "A", "vessel": "V-1", "volume": "200 L", "state": "wine"}
{"kind": "receive", "at": "2023-11-03", "lot": "C", "vessel": "V-3", "volume": "90 L", "state": "wine"}
"""  # fmt: skip
LATE = """
{"kind": "loss", "at": "2024-07-15", "lot": "T", "vessel": "TT", "volume": "2 L", "reason": "spill"}
"""


@pytest.fixture(autouse=True)
def short_spans(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stands, "SPAN", SPAN)


@pytest.fixture
def begun_from(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The spans at whose ends the telling of a late load began."""
    found: list[int] = []

    def seen(ledger: Ledger, stand: Stand, zone: object) -> Cellar:
        assert zone == ZONE
        found.append(stand.span)
        return stood(ledger, stand, ZONE)

    monkeypatch.setattr(retelling, "stood", seen)
    return found


def spans(vintage: Vintage) -> list[tuple[int, int]]:
    """The stands of the ledger as it is, each with the instant of its last step."""
    return [(row[0], int(row[1])) for row in vintage.ledger.rows("stands")]


def whole(vintage: Vintage) -> None:
    assert upkeep.verify(vintage.ledger)["findings"] == []


def held(vintage: Vintage, lot: str) -> int:
    return vintage.view().lot(lot).amount // 10**12


def test_what_is_late_is_told_from_the_last_stand_before_it(
    vintage: Vintage, begun_from: list[int]
) -> None:
    projection.rebuild(vintage.ledger)
    vintage.load(WINE + month_by_month(1, 12))
    before = spans(vintage)
    assert len(before) == vintage.ledger.head.position // SPAN
    vintage.load(LATE)
    late = moments.instant("2024-07-15", ZONE)
    earlier = [span for span, instant in before if instant < late]
    assert begun_from == earlier[-1:]
    assert len(earlier) > 1
    assert len(earlier) < len(before)
    assert held(vintage, "T") == 500 - 12 - 2
    assert held(vintage, "A") == 212
    assert spans(vintage)[: len(earlier)] == before[: len(earlier)]
    whole(vintage)


def test_what_is_recorded_one_by_one_has_a_stand_every_so_often(vintage: Vintage) -> None:
    projection.rebuild(vintage.ledger)
    begun = len(spans(vintage))
    told = vintage.ledger.head.position
    for month in ("", *range(1, 13)):
        vintage.load(WINE if month == "" else month_by_month(month, month))
    more = vintage.ledger.head.position - told
    assert len(spans(vintage)) in (begun + more // SPAN, begun + more // SPAN + 1)
    whole(vintage)


def test_of_one_load_the_last_stands_are_noted(vintage: Vintage) -> None:
    vintage.load(WINE + month_by_month(1, 12))
    projection.rebuild(vintage.ledger)
    assert vintage.ledger.head.position > (stands.MOST + 1) * SPAN
    kept = spans(vintage)
    assert len(kept) == stands.MOST + 1, "the last of them is the end"
    assert kept[-1][1] == moments.instant("2024-12-01", ZONE)
    whole(vintage)


def test_what_comes_before_a_stand_and_is_not_late_forgets_it(
    vintage: Vintage, begun_from: list[int]
) -> None:
    """A release looks ahead; wine of another lot that moves before it is in order."""
    vintage.load(
        WINE
        + """
{"kind": "receive", "at": "2023-11-04", "lot": "B", "bottles": 12, "format": "750 mL", "state": "bottled"}
{"kind": "release", "at": "2024-02-20", "lot": "B"}
{"kind": "note", "at": "2024-02-21", "lot": "B", "text": "Boxes are here."}
{"kind": "note", "at": "2024-02-22", "lot": "B", "text": "Labels are here."}
{"kind": "note", "at": "2024-02-23", "lot": "B", "text": "Corks are here."}
"""
    )
    before = spans(vintage)
    vintage.load(month_by_month(1, 2))
    assert spans(vintage) != before
    assert spans(vintage)[:-1] == before[: len(spans(vintage)) - 1]
    whole(vintage)
    vintage.load(month_by_month(3, 9))
    vintage.load(LATE)
    assert held(vintage, "T") == 500 - 9 - 2
    whole(vintage)
    assert begun_from


def test_a_stand_that_is_not_what_happened_is_found(vintage: Vintage) -> None:
    vintage.load(WINE + month_by_month(1, 12))
    connection = vintage.ledger._database._connection
    found = connection.execute("select lot, span, body from lot_before where lot = 'T'").fetchall()
    assert found, "the topping wine changed in several spans"
    lot, span, body = found[0]
    asked = [body.replace('"TT"', '"TX"'), lot, span]
    connection.execute("update lot_before set body = ? where lot = ? and span = ?", asked)
    says = [one["says"] for one in upkeep.verify(vintage.ledger)["findings"]]
    assert says == [f"the stand {span} differs from a fresh replay"]
