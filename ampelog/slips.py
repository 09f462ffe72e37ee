"""Slips of the pen that the ledger lets pass, because they may be true: asked about when an event
is recorded by hand, noted when a file is loaded, never refused.

Each rule looks at one event and at the cellar as it stands before it, or before the file. The
limits are proposals, wide enough to be quiet on ordinary work, unless a source stands beside them.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from fractions import Fraction
from functools import cached_property
from typing import Any

from msgspec import Struct

from ampelog import again, history, moments, projection, roster
from ampelog.cellar import Cellar
from ampelog.endpoints import vessels_of
from ampelog.errors import Finding
from ampelog.excerpt import vessels_at
from ampelog.ledger import Ledger
from ampelog.lines import Entry
from ampelog.quantities import GALLON, ONE, floor_text, parse

LONG_AGO_DAYS = 60
"""An entry by hand of an older day may have the wrong year."""
NIGHT = range(5)
"""Hours at which an afternoon's may have been meant."""
MOST_TONNES_A_HECTARE = Fraction(30)
"""Common practice, no source: wine grapes above it are rare on any trellis."""
HECTARE = {"ha": Fraction(1), "acre": Fraction(40468564224, 100_000_000_000)}
"""The international acre is 0.40468564224 ha (NIST Handbook 44, Appendix C)."""
GALLON_NEAR = Fraction(3, 100)
RANGES: dict[str, tuple[str, str, str]] = {
    "ph": ("2.5", "4.8", "a wine's pH; is the decimal point in its place?"),
    "ta": ("2", "20", "titratable acidity in g/L; was it read in g/100 mL?"),
    "va": ("0", "4", "volatile acidity in g/L of acetic acid; was it read in mg/L?"),
    "alcohol": ("0", "24", "alcohol in % vol; is it proof, or the decimal point?"),
    "free_so2": ("0", "200", "free sulfur dioxide in mg/L"),
    "total_so2": ("0", "500", "total sulfur dioxide in mg/L"),
    "brix": ("-5", "50", "Brix"),
}
"""By quantity: from and to, and what it is taken for. Proposals."""
GRAVITY = (Decimal("0.97"), Decimal("1.20"))
"""A specific gravity, from finished wine to late harvest (common practice, no source)."""


THIRD_DECIMAL = len("1.095")
"""A Brix is read to a tenth, a gravity to a thousandth."""


MOST_LOOKED_AT = 5_000
"""Events of a load; a larger one is the log of years, and would be slower for it."""
CUSTOM = 4
"""What one in so many events of a load does is how they write there, and no slip."""


class _Ground:
    """The cellar before one event or a load, read once, and what was picked of each block."""

    def __init__(self, ledger: Ledger, entries: Sequence[Entry], now: int) -> None:
        self.ledger, self.now = ledger, now
        self._entries = entries

    @cached_property
    def cellar(self) -> Cellar:
        """The cellar as it stands, with what the events name."""
        names = {name for one in self._entries for name in projection.named(one.event)}
        return projection.standing(self.ledger, history.zone_of(self.ledger), names)

    @cached_property
    def materials(self) -> list[str]:
        """The materials that are registered."""
        rows = self.ledger.rows("register_names")
        return [name for kind, name in rows if kind == "material"]

    @cached_property
    def picks(self) -> dict[str, list[dict[str, Any]]]:
        """The picks by block: recorded ones as they read now, then those of the load so far."""
        events = [one.event for one in self._entries]
        blocks = {one["block"] for one in events if one["kind"] == "pick"}
        mended = history.corrected(self.ledger, self.ledger.head.position)
        found: dict[str, list[dict[str, Any]]] = {block: [] for block in blocks}
        for (body,) in self.ledger.rows(
            "picks_of_blocks", block="\n".join(blocks), upto=self.ledger.head.position
        ):
            event = json.loads(body)
            correction = mended.get(event["id"].lower())
            now = event if correction is None else correction.replacement
            if now is not None and now.get("block") in blocks:
                found[now["block"]].append(now)
        return found


class _Case(Struct, frozen=True):
    ground: _Ground
    entry: Entry

    @property
    def event(self) -> dict[str, Any]:
        return self.entry.event

    @property
    def now(self) -> int:
        return self.ground.now

    @property
    def cellar(self) -> Cellar:
        return self.ground.cellar

    def find(self, rule: str, says: str, hint: str) -> Finding:
        return Finding(rule, self.entry.where, says, hint, self.event.get("id"), None)


def looks_wrong(ledger: Ledger, entry: Entry, now: int) -> list[Finding]:
    """What about one event may be a slip; ``now`` is the instant of recording."""
    if not projection.is_current(ledger) or ledger.head.position == 1:
        return []
    bare = {"id": "", **entry.event}
    asked = Entry(bare, entry.model, entry.instant, entry.where)
    case = _Case(_Ground(ledger, [asked], now), asked)
    found = [one for rule in _RULES for one in rule(case)]
    found += roster.read_alike([asked], roster.names_of(ledger))
    return found + again.same_paper(ledger, [asked])


def among(ledger: Ledger, entries: Sequence[Entry], now: int) -> list[Finding]:
    """What about the new events of a load may be a slip. What many of them do is left out; papers
    and names are looked at where tables are read. Nothing of a load of more than
    ``MOST_LOOKED_AT``, nor of one whose forms are not checked yet; of one into an empty ledger only
    what an event says by itself."""
    few, first = 0 < len(entries) <= MOST_LOOKED_AT, ledger.head.position == 1
    unlooked = any(one.line for one in entries)
    if not few or unlooked or not (first or projection.is_current(ledger)):
        return []
    rules = _ALONE if first else _RULES
    known = ledger.known([str(one.event.get("id")).lower() for one in entries])
    new = [one for one in entries if str(one.event.get("id")).lower() not in known]
    ground, found = _Ground(ledger, new, now), list[Finding]()
    for entry in sorted(new, key=lambda one: one.instant):
        case = _Case(ground, entry)
        found += [one for rule in rules for one in rule(case)]
        if case.event["kind"] == "pick":
            ground.picks[case.event["block"]].append(case.event)
    times = Counter(one.rule for one in found)
    return [one for one in found if times[one.rule] <= max(CUSTOM, len(new) // CUSTOM)]


def _long_ago(case: _Case) -> Iterator[Finding]:
    days = (case.now - case.entry.instant) // moments.DAY
    if days > LONG_AGO_DAYS and case.event["kind"] not in _ASIDE:
        yield case.find(
            "long ago", f"{case.event['at']} is {days:,} days ago", "is the year right?"
        )


_ASIDE = frozenset(
    {"place", "block", "premises", "party", "material", "vessel", "lot", "label", "correct"}
)


def _at_night(case: _Case) -> Iterator[Finding]:
    hour = re.match(r".{10}T([0-9]{2}):", case.event["at"])
    if hour is not None and int(hour[1]) in NIGHT and not _is_now(case):
        later = f"{int(hour[1]) + 12}{case.event['at'][13:16]}"
        yield case.find(
            "at night", f"{case.event['at']} is before five in the morning", f"or was it {later}?"
        )


def _is_now(case: _Case) -> bool:
    return abs(case.now - case.entry.instant) < moments.DAY // 24


def _out_of_range(case: _Case) -> Iterator[Finding]:
    values = {**(case.event.get("values") or {})}
    if case.event["kind"] in ("pick", "reading"):
        values |= {name: case.event[name] for name in ("ph", "ta", "brix") if name in case.event}
    for name, (low, high, what) in RANGES.items():
        value = _decimal(values.get(name))
        if value is not None and not Decimal(low) <= value <= Decimal(high):
            yield case.find("out of range", f"`{name}` is {values[name]}: {what}", "read it again")
    free, total = _decimal(values.get("free_so2")), _decimal(values.get("total_so2"))
    if free is not None and total is not None and free > total:
        says = f"free sulfur dioxide ({free}) is above the total ({total})"
        yield case.find("free above total", says, "were the two exchanged?")


def _decimal(text: object) -> Decimal | None:
    try:
        return None if text is None else Decimal(str(text).lstrip("<"))
    except InvalidOperation:
        return None


def _brix_or_gravity(case: _Case) -> Iterator[Finding]:
    brix, gravity = (_decimal(case.event.get(name)) for name in ("brix", "specific_gravity"))
    if brix is not None and GRAVITY[0] <= brix <= GRAVITY[1] and len(str(brix)) >= THIRD_DECIMAL:
        says = f"`brix` is {brix}, which reads like a specific gravity"
        yield case.find("brix or gravity", says, "is it `specific_gravity`?")
    if gravity is not None and not GRAVITY[0] <= gravity <= GRAVITY[1]:
        says = f"`specific_gravity` is {gravity}, which reads like no gravity of must or wine"
        yield case.find("brix or gravity", says, "is it `brix`?")


def _gallons_or_litres(case: _Case) -> Iterator[Finding]:
    """A measurement that is 3.785 times the book, or a part of it."""
    event = case.event
    if event["kind"] != "gauge" or "volume" not in event:
        return
    lot = case.cellar.lots.get(event["lot"])
    places = vessels_of(case.entry.model)
    if lot is None:
        return
    holdings = lot.holdings
    names = list(holdings) if places is None else [one for one in places if one in holdings]
    book = sum(holdings[one].amount for one in names)
    if not book:
        return
    part = Fraction(parse(event["volume"]).amount, book)
    for times, says in ((GALLON, "litres are typed as gallons"), (1 / GALLON, "gallons as litres")):
        if abs(part / times - 1) <= GALLON_NEAR:
            book_l = floor_text(Fraction(book, ONE), 1)
            told = f"{event['volume']} is {floor_text(part, 2)} times the book ({book_l} L)"
            yield case.find("gallons or litres", f"{told}: as if {says}", "which unit was read?")


def _into_itself(case: _Case) -> Iterator[Finding]:
    drawn, filled = _ends(case.event, "from"), _ends(case.event, "to")
    for lot, vessel in sorted(drawn & filled):
        says = f"`{lot}` in `{vessel}` is in `from` and in `to`"
        yield case.find("into itself", says, "which vessel did it come from, or go to?")


def _ends(event: dict[str, Any], side: str) -> set[tuple[str, str]]:
    said = event.get(side)
    ends = said if isinstance(said, list) else [said]
    return {
        (end["lot"], vessel)
        for end in ends
        if isinstance(end, dict) and end.get("lot")
        for vessel in vessels_at(end)
        if vessel is not None
    }


def _ton_or_tonne(case: _Case) -> Iterator[Finding]:
    if case.event["kind"] != "pick":
        return
    unit = case.event["mass"].split(" ")[1]
    before = {one["mass"].split(" ")[1] for one in case.ground.picks[case.event["block"]]}
    if unit in ("t", "ton") and before and unit not in before:
        units = " and ".join(f"`{one}`" for one in sorted(before))
        says = f"`{case.event['mass']}`: this block was weighed in {units} until now"
        yield case.find("ton or tonne", says, "a `ton` is 907.18474 kg, a `t` 1000 kg")


def _empty_topped(case: _Case) -> Iterator[Finding]:
    """A topping of a vessel in which the lot does not lie."""
    if case.event["kind"] != "top" or not _is_now(case):
        return
    there = {
        (name, vessel)
        for name in projection.named(case.event)
        if (held := case.cellar.lots.get(name)) is not None
        for vessel in held.holdings
    }
    for lot, vessel in sorted(_ends(case.event, "to") - there):
        says = f"`{vessel}` holds no `{lot}` now: there is nothing to top"
        yield case.find("topped while empty", says, "is it that vessel, and that lot?")


def _material_alike(case: _Case) -> Iterator[Finding]:
    """A material that is not registered and reads like one that is."""
    known = case.ground.materials
    used = [case.event.get("material"), *(m["material"] for m in case.event.get("materials") or ())]
    for name in dict.fromkeys(used):
        if isinstance(name, str) and name not in known:
            near = [
                one
                for one in get_close_matches(name, known, n=3)
                if one[:3].casefold() == name[:3].casefold() and abs(len(one) - len(name)) <= 2
            ]
            if near:
                says = f"the material `{name}` is not registered, and reads like `{near[0]}`"
                yield case.find("names alike", says, f"if it is `{near[0]}`, mend the name")


def _more_than_the_block(case: _Case) -> Iterator[Finding]:
    if case.event["kind"] != "pick":
        return
    area = case.cellar.registers.at("block", case.event["block"], case.entry.instant).get("area")
    if area is None:
        return
    figure, unit = area.split(" ")
    hectares = Fraction(figure) * HECTARE[unit]
    year = case.event["at"][:4]
    picked = [one for one in case.ground.picks[case.event["block"]] if one["at"][:4] == year]
    mass = sum(parse(one["mass"]).amount for one in [*picked, case.event])
    tonnes = Fraction(mass, 1000 * ONE) / hectares if hectares else Fraction(0)
    if tonnes > MOST_TONNES_A_HECTARE:
        says = (
            f"with this pick `{case.event['block']}` gave {floor_text(tonnes, 1)} t/ha in {year}, "
            f"of {area}"
        )
        yield case.find("more than the block", says, "look at the tag: weight, unit and block")


_ALONE: tuple[Callable[[_Case], Iterator[Finding]], ...] = (_out_of_range, _brix_or_gravity)
_RULES: tuple[Callable[[_Case], Iterator[Finding]], ...] = (
    _long_ago,
    _at_night,
    _out_of_range,
    _brix_or_gravity,
    _gallons_or_litres,
    _into_itself,
    _ton_or_tonne,
    _empty_topped,
    _material_alike,
    _more_than_the_block,
)
