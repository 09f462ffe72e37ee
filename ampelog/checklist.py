"""The label information record: what the records must hold for a label, and what they do hold.

The table of items is ``cellar_facts/records.toml``. A check counts what there is and what of it is
complete; it does not say whether what was written is true.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from functools import cache
from typing import Any

from msgspec import Struct

from ampelog import moments
from ampelog.facts import Dossier
from ampelog.oddities import BUSINESS_DAYS, NOT_WORK, business_days
from ampelog.phrases import listed, several
from ampelog.questions import View
from ampelog.resources import folder
from ampelog.sources import Leaf
from ampelog.state import UNITS
from ampelog.story import Kept, Shipment
from ampelog.trail import Effect

HELD, PARTLY, MISSING, NONE = "held", "partly", "missing", "none"
ANALYSED = ("alcohol", "va", "total_so2")
YEAR = 366
HOME = "us"
"""The law that a wine is made under, where its label names no market."""


class Records(Struct, frozen=True):
    """What is looked at: the facts gathered so far, the sources, and the events behind them."""

    view: View
    dossier: Dossier
    leaves: Sequence[Leaf]
    effects: Sequence[Effect]
    markets: frozenset[str]
    approvals: int


def record(records: Records) -> tuple[Kept, ...]:
    """The items of the markets of a label, and how long all of it is to be kept."""
    table = _table()
    markets = records.markets & {one["market"] for one in table["keep"]} or frozenset({HOME})
    found = []
    for item in table["item"]:
        asked = [one for one in item["markets"] if one in markets]
        if asked:
            state, says = CHECKS[item["asks"]](records)
            market = ", ".join(asked)
            found.append(Kept(item["says"], market, state, says, item["citation"]))
    return (*found, _kept(records, table["keep"], markets))


@cache
def _table() -> dict[str, Any]:
    text = (folder("cellar_facts") / "records.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _kept(records: Records, keep: Iterable[Mapping[str, Any]], markets: frozenset[str]) -> Kept:
    """Until when the records are to be kept: the longest of the markets, from the last removal, or
    from the last event of the wine while none was."""
    longest = max((one for one in keep if one["market"] in markets), key=lambda one: one["years"])
    days = [one.on[:10] for one in _removed(records)]
    last = date.fromisoformat(max(days)) if days else records.view.day
    ends = _years_on(last, longest["years"])
    since = "the last removal" if days else "the day of this dossier; nothing was removed yet"
    return Kept(
        "How long all of it is to be kept, at the least",
        longest["market"],
        HELD,
        f"until {ends}: {longest['years']} years from {since} ({longest['says']}). "
        "The ledger keeps its events for good",
        longest["citation"],
    )


def _removed(records: Records) -> list[Shipment]:
    """What left the premises: not what was packed over, lost or counted."""
    shipped = {one.position for one in records.effects if one.event["kind"] == "ship"}
    return [one for one in records.dossier.shipments if one.position in shipped]


def _years_on(day: date, years: int) -> date:
    leap = day.month == 2 and day.day == 29
    return day.replace(year=day.year + years, day=28 if leap else day.day)


Answer = tuple[str, str]
"""The state of an item, and what the records hold, in words."""


def _counted(
    thing: str, lacks: Sequence[tuple[str, int]], whole: int, none: str = "nothing of the kind"
) -> Answer:
    """How many of a thing there are (``one|several``), and what how many of them lack."""
    if not whole:
        return NONE, none
    things = thing.split("|")[whole > 1]
    missing = [(what, count) for what, count in lacks if count]
    if not missing:
        return HELD, f"{whole} {things}, complete"
    says = listed(f"{count} without {what}" for what, count in missing)
    # what all of them lack is not there at all
    state = MISSING if all(count == whole for _, count in lacks) else PARTLY
    return state, f"{whole} {things}; {says}"


def _of(records: Records, *kinds: str) -> list[Mapping[str, Any]]:
    return [one.event for one in records.effects if one.event["kind"] in kinds]


def _without(events: Iterable[Mapping[str, Any]], *names: str) -> int:
    """How many events say none of these."""
    return sum(not any(event.get(name) for name in names) for event in events)


def _pickings(records: Records) -> Answer:
    picks = _of(records, "pick")
    return _counted("picking|pickings", [("a paper", _without(picks, "ref", "papers"))], len(picks))


def _fruit(records: Records) -> list[Leaf]:
    return [leaf for leaf in records.leaves if leaf.kind == "pick"]


def _grown(records: Records) -> Answer:
    fruit = _fruit(records)
    lacks = [
        ("a variety", sum(leaf.variety is None for leaf in fruit)),
        ("a place", sum(not leaf.named for leaf in fruit)),
    ]
    return _counted("source of fruit|sources of fruit", lacks, len(fruit))


def _growers(records: Records) -> Answer:
    fruit = _fruit(records)
    lacks = sum(not (leaf.grower or leaf.estate) for leaf in fruit)
    return _counted(
        "source of fruit|sources of fruit", [("a grower, or land of its own", lacks)], len(fruit)
    )


def _receipts(records: Records) -> Answer:
    found = [one for one in _of(records, "receive") if "lot" in one]
    lacks = [
        ("a supplier", _without(found, "supplier")),
        ("a document", _without(found, "document", "ref", "papers")),
        ("what it is made of", _without(found, "composition")),
    ]
    return _counted("receipt|receipts", lacks, len(found), "nothing was received")


def _ferments(records: Records) -> Answer:
    found = [one for one in _of(records, "ferment") if one["culture"] == "alcoholic"]
    begun = {str(one["lot"]) for one in found if one["stage"] == "start"}
    ended = {str(one["lot"]) for one in found if one["stage"] == "end"}
    ended |= {str(one["lot"]) for one in _of(records, "gauge") if one.get("reason") == "produced"}
    ended |= _drawn(records)  # what was pressed or racked off goes on under another name
    return _counted(
        "lot that fermented|lots that fermented", [("an end", len(begun - ended))], len(begun)
    )


def _drawn(records: Records) -> set[str]:
    found = set()
    for event in _of(records, "press", "rack", "blend"):
        found |= {str(end.get("lot")) for end in several(event["from"])}
    return found


def _movements(records: Records) -> Answer:
    """A movement states what it draws and fills; the books of the lots on the way must close."""
    moved = _of(records, "crush", "press", "rack", "barrel_down", "top", "blend", "bottle", "pack")
    names = {body.name for body in records.dossier.genealogy.bodies if body.kind in ("lot", "wine")}
    open_books = 0
    for name in sorted(names):
        lot = records.view.lot(name)
        held = sum(tally.held() for unit, tally in lot.tallies.items() if unit == UNITS[lot.sort])
        open_books += held != lot.amount
    if not moved:
        return NONE, "nothing was moved"
    if open_books:
        return PARTLY, f"{len(moved)} movements; the books of {open_books} lots do not close"
    return HELD, f"{len(moved)} movements; the books of {_lots(len(names))} close exactly"


def _lots(count: int) -> str:
    return "the lot" if count == 1 else f"all {count} lots"


def _certificates(records: Records) -> Answer:
    fruit = _fruit(records)
    lacks = sum(not leaf.certifications for leaf in fruit)
    return _counted("source of fruit|sources of fruit", [("a certificate", lacks)], len(fruit))


def _inventory(records: Records) -> Answer:
    days = sorted(
        str(one["at"])[:10] for one in _of(records, "gauge") if one.get("reason") == "inventory"
    )
    if not days:
        return MISSING, "no count of these lots is recorded"
    late = (records.view.day - date.fromisoformat(days[-1])).days > YEAR
    counts = "one count" if len(days) == 1 else f"{len(days)} counts"
    return (PARTLY if late else HELD), f"{counts}, the last on {days[-1]}"


def _additions(records: Records) -> Answer:
    used = [use for one in records.dossier.additions for use in one.used]
    lacks = [
        ("the material's lot", sum(use.lot is None for use in used)),
        ("an amount", sum(use.amount is None for use in used)),
    ]
    return _counted("material added|materials added", lacks, len(used), "nothing was added")


def _analyses(records: Records) -> Answer:
    found = records.dossier.analyses
    measured = {name for one in found for name, _ in one.values}
    lacks = [name for name in ANALYSED if name not in measured]
    words = listed(name.replace("_", " ").replace("so2", "SO2") for name in lacks)
    if not found:
        return MISSING, f"no analysis; {words} wanted"
    labs = sum(one.lab is None for one in found)
    says = f"{len(found)} analyses" if len(found) > 1 else "one analysis"
    if labs:
        says += f", {labs} without a laboratory"
    if lacks:
        return PARTLY if len(lacks) < len(ANALYSED) else MISSING, f"{says}; {words} not among them"
    return (PARTLY if labs else HELD), says


def _fillings(records: Records) -> Answer:
    found = records.dossier.fillings
    bottled = [one for one in found if one.kind == "bottle"] or found
    lacks = [("a mark", sum(one.code is None for one in bottled))]
    return _counted("filling or packing|fillings and packings", lacks, len(found), "not bottled")


def _packaging(records: Records) -> Answer:
    found = records.dossier.fillings
    used = [use for one in found for use in one.used]
    lacks = [
        ("materials", sum(not one.used for one in found)),
    ]
    if used:
        lacks.append(("a lot of some material", sum(_some_lack(one.used) for one in found)))
    return _counted("filling or packing|fillings and packings", lacks, len(found), "not bottled")


def _some_lack(used: Iterable[Any]) -> bool:
    return any(use.lot is None for use in used)


def _approvals(records: Records) -> Answer:
    if records.dossier.wine.label is None:
        return NONE, "no label is named"
    if records.approvals:
        return HELD, f"{records.approvals} registered for {records.dossier.wine.label}"
    return MISSING, f"none is registered for {records.dossier.wine.label}"


def _removals(records: Records) -> Answer:
    found = _removed(records)
    named = [one for one in found if one.removal not in ("tasting", "family", "destroyed")]
    lacks = [
        ("a consignee", sum(one.party is None for one in named)),
        ("a document", sum(one.document is None for one in found)),
    ]
    return _counted("removal|removals", lacks, len(found), "nothing has left yet")


def _composition(records: Records) -> Answer:
    grapes = [leaf for leaf in records.leaves if leaf.material is None]
    lacks = [
        ("a variety", sum(leaf.variety is None for leaf in grapes)),
        ("a vintage", sum(leaf.vintage is None for leaf in grapes)),
        ("a place", sum(not leaf.named for leaf in grapes)),
    ]
    return _counted("part|parts", lacks, len(grapes))


def _posting(records: Records) -> Answer:
    zone = records.view.zone
    work = [one for one in records.effects if one.event["kind"] not in NOT_WORK]
    late = 0
    for one in work:
        done = str(one.event.get("until") or one.event["at"])
        day = moments.day(moments.instant(done, zone), zone)
        entered = moments.day(moments.from_stamp(one.records[0].recorded_at), zone)
        late += business_days(day, entered) > BUSINESS_DAYS
    if not late:
        return HELD, f"{len(work)} entries, all in time"
    return PARTLY, f"{len(work)} entries; {late} later than that, which is told and not hidden"


CHECKS: Mapping[str, Callable[[Records], Answer]] = {
    "pickings": _pickings,
    "grown": _grown,
    "growers": _growers,
    "receipts": _receipts,
    "ferments": _ferments,
    "movements": _movements,
    "certificates": _certificates,
    "inventory": _inventory,
    "additions": _additions,
    "analyses": _analyses,
    "fillings": _fillings,
    "packaging": _packaging,
    "approvals": _approvals,
    "removals": _removals,
    "composition": _composition,
    "posting": _posting,
}
"""How each item is looked at, by what the table asks."""
