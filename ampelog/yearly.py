"""Gathers the facts of a vintage: what was picked, what became of it, and the cellar's year."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from ampelog import audit, cooperage, moments, stock
from ampelog.errors import Refused
from ampelog.facts import Head
from ampelog.fates import fates, received_as
from ampelog.fermenting import points
from ampelog.gates import Table, table
from ampelog.listing import Wanted, log
from ampelog.measurements import taken
from ampelog.phrases import regime
from ampelog.plausible import plausible
from ampelog.quantities import SHORT_TON, floor_text, parse, text
from ampelog.questions import View
from ampelog.releases import calendar
from ampelog.sources import came_as
from ampelog.stages import stages
from ampelog.state import BOTTLES, Lot
from ampelog.words import words
from ampelog.year import Bottled, Fermented, Found, Harvested, Mended, Oak, Stocked, Year, Yielded

_MOST_VARIETIES = 3
MOST_TOLD = 3
"""Findings of one sort that the report tells in words; the others are counted."""
HECTARES_AN_ACRE = Fraction("0.40468564224")
"""The international acre (NIST Handbook 44, Appendix C)."""


def vintage(view: View, year: int, today: date, gates: Table | None = None) -> Year:
    """The report of a year. ``Refused`` where nothing was picked in it and nothing made of it.

    ``gates`` are those that its bottlings are put before; None: those of this version.
    """
    picks = [step.event for step in view.steps if _is_of(step.event, year)]
    bought = [step.event for step in view.steps if _fruit_of(step.event, year)]
    fate, entered = fates(view, year)
    stocked_on = min(f"{year}-12-31", view.day.isoformat())
    corrections = tuple(_corrections(view, year))
    if not picks and not entered:
        raise Refused(
            f"nothing was picked in {year}, and no wine of that year came in",
            hint="name the year of a harvest, as in `ampelog vintage 2024 -o 2024.pdf`",
        )
    names = {str(event["lot"]) for event in picks}
    wine = _downstream(view, names)
    received = {str(step.event["lot"]) for step in view.steps if received_as(step.event, year)}
    return Year(
        year=year,
        premises=str(view.ledger.home["name"]),
        as_of=view.day.isoformat(),
        head=Head(view.ledger.ledger_id, view.head.position, view.head.root),
        mass_kg=text(sum(parse(event["mass"]).amount for event in (*picks, *bought))),
        entered_l=text(entered),
        harvest=(*_harvest(view, picks), *_bought(bought)),
        yields=tuple(
            Yielded(one.lot, one.day.isoformat(), one.judged.says, one.judged.verdict)
            for one in plausible(view)
            if one.lot in wine and one.judged.quantity in ("wine", "must") and one.day.year == year
        ),
        fates=fate,
        stages=stages(view, year, _downstream(view, names | received)),
        ferments=tuple(_ferments(view, year)),
        oak=tuple(_oak(view, wine)),
        bottlings=tuple(_bottlings(view, year, today)),
        stock_on=stocked_on,
        stock=tuple(_stock(view, stocked_on)),
        corrections=corrections,
        holds=tuple(sorted({hold for lot in view.held_lots() for hold in _held(view, lot)})),
        findings=tuple(_findings(view, year, gates or table())),
    )


def _findings(view: View, year: int, gates: Table) -> Iterator[Found]:
    """What the audit finds in the calendar year, by heading; holds and corrections stand apart."""
    found: dict[str, list[str]] = {}
    for row in audit.audit(view, gates, f"{year}-01-01", f"{year}-12-31"):
        # what has no day is of the whole book, and no year's
        apart = ("hold in force", "correction", "shortfall explained")
        if row["on"] is not None and row["finding"] not in apart:
            where = f"{row['lot']}: " if row["lot"] else ""
            found.setdefault(audit.group(row["finding"])[0], []).append(f"{where}{row['says']}")
    for heading, says in found.items():
        yield Found(heading, len(says), tuple(says[:MOST_TOLD]))


def _is_of(event: Mapping[str, Any], year: int) -> bool:
    return event["kind"] == "pick" and int(event["at"][:4]) == year


def _downstream(view: View, names: set[str]) -> set[str]:
    """These lots and all that took in anything of them, in the order of the events."""
    found = set(names)
    for step in view.steps:
        model = step.model
        drawn = {end.lot for end in (*(model.from_ or ()), *(model.of or ()))}
        if drawn & found:
            into = [end.lot for end in model.to or () if not isinstance(end, str) and end.lot]
            found.update([step.event["name"]] if model.of else into)
    return found


# ---- harvest


def _harvest(view: View, picks: list[dict[str, Any]]) -> Iterator[Harvested]:
    """By block and what grows there, the largest first."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for event in picks:
        instant = moments.instant(event["at"], view.zone)
        block = view.cellar.registers.at("block", event["block"], instant)
        planted = event.get("plantings") or block.get("plantings") or []
        grown = dict.fromkeys(str(each["variety"]) for each in planted)
        variety = ", ".join(grown) or "not known"
        groups.setdefault((event["block"], variety), []).append(event)
    rows = [_harvested(view, key, events) for key, events in groups.items()]
    yield from sorted(rows, key=lambda row: (-Decimal(row.mass_kg), row.block))


def _fruit_of(event: Mapping[str, Any], year: int) -> bool:
    """Whether it is fruit that came in weighed, all of it of the year."""
    return received_as(dict(event), year) and came_as(event) == "grapes"


def _bought(events: list[dict[str, Any]]) -> Iterator[Harvested]:
    """Fruit that came in from others, a row a receipt."""
    for event in events:
        parts = event["composition"]
        blocks = dict.fromkeys(str(part["block"]) for part in parts if part.get("block"))
        grown = dict.fromkeys(str(part["variety"]) for part in parts if part.get("variety"))
        yield Harvested(
            block=f"{', '.join(blocks) or 'no block named'}, received",
            grower=event.get("supplier"),
            variety=", ".join(grown) or "not known",
            mass_kg=text(_weighed(event)),
            pickings=1,
            first_on=event["at"][:10],
            last_on=event["at"][:10],
            brix=None,
            tons_per_acre=None,
        )


def _weighed(event: Mapping[str, Any]) -> int:
    """What came in, in 10^-12 kg."""
    if "mass" in event:
        return parse(event["mass"]).amount
    return parse(event["each"]).amount * len(event["vessels"])


def _harvested(view: View, key: tuple[str, str], events: list[dict[str, Any]]) -> Harvested:
    name, variety = key
    instant = moments.instant(events[-1]["at"], view.zone)
    block = view.cellar.registers.at("block", name, instant)
    mass = sum(parse(event["mass"]).amount for event in events)
    days = sorted(event["at"][:10] for event in events)
    read = sorted({Decimal(event["brix"]) for event in events if event.get("brix")})
    brix = None if not read else str(read[0]) if len(read) == 1 else f"{read[0]} to {read[-1]}"
    return Harvested(
        block=name,
        grower=block.get("grower"),
        variety=variety,
        mass_kg=text(mass),
        pickings=len(events),
        first_on=days[0],
        last_on=days[-1],
        brix=brix,
        tons_per_acre=_per_acre(mass, block.get("area")),
    )


def _per_acre(mass: int, area: str | None) -> str | None:
    """Short tons an acre, to the tenth, rounded down; None where no area is registered."""
    if area is None:
        return None
    number, _, unit = area.partition(" ")
    acres = Fraction(number) if unit == "acre" else Fraction(number) / HECTARES_AN_ACRE
    return floor_text(Fraction(mass, 10**12) / SHORT_TON / acres, 1)


# ---- the cellar


def _ferments(view: View, year: int) -> Iterator[Fermented]:
    """Every alcoholic fermentation that began in the year, with its first and last Brix."""
    stretches = list(view.ferments().values())
    events = view.events({one.position for one in stretches})
    started = [one for one in stretches if events.get(one.position, {}).get("stage") == "start"]
    began = {
        one.position: moments.instant(events[one.position]["at"], view.zone) for one in started
    }
    begun = [one for one in started if events[one.position]["at"].startswith(str(year))]
    told = taken(view, {one.lot for one in begun})
    for one in sorted(begun, key=lambda one: (events[one.position]["at"], one.lot)):
        # what was read of the must before its yeast, and not of what the lot held another time
        since = began[one.position]
        later = [began[other.position] for other in started if other.lot == one.lot]
        upto = min((at for at in later if at > since), default=view.ends)
        before = since - 2 * moments.DAY
        here = [each for each in told.get(one.lot, []) if before <= each.instant <= upto]
        read = points(view, here, one.vessel, view.day)
        readings = [str(each.brix) for each in read]
        yield Fermented(
            lot=one.lot,
            vessel=one.vessel,
            started_on=events[one.position]["at"][:10],
            organism=one.organism,
            regime=regime(one.regime, noted=False) if one.regime else None,
            first_brix=readings[0] if readings else None,
            last_brix=readings[-1] if len(readings) > 1 else None,
        )


def _oak(view: View, lots: set[str]) -> Iterator[Oak]:
    """The barrels that took the vintage's wine, by cooper, wood and age when filled."""
    filled: dict[str, int] = {}
    for step in view.steps:
        if step.event["kind"] not in ("barrel_down", "rack"):
            continue
        for end in step.model.to or ():
            if end.lot in lots:
                for vessel in end.vessels or [end.vessel]:
                    if vessel is not None:
                        filled.setdefault(vessel, step.instant)
    groups: dict[tuple[str, str, str], int] = {}
    for vessel, instant in filled.items():
        known = view.cellar.registers.at("vessel", vessel, instant)
        if known.get("type") != "barrel" and not known.get("cooperage"):
            continue
        made = known.get("cooperage") or {}
        first = cooperage.first_filled(known)
        when = moments.day(instant, view.zone).year
        age = "not known" if first is None else "new" if first >= when else f"since {first}"
        wood = cooperage.wood(known) or "not known"
        key = (str(made.get("cooper") or "not known"), wood, age)
        groups[key] = groups.get(key, 0) + 1
    for (cooper, wood, age), count in sorted(groups.items()):
        yield Oak(cooper, wood, age, count)


def _bottlings(view: View, year: int, today: date) -> Iterator[Bottled]:
    """The bottled lots of which the year is the largest part."""
    for row in calendar(view, today, emptied=True):
        lot = view.lot(row["lot"])
        composition = view.composition(lot)
        by_year = composition.rows(lambda leaf: (leaf.vintage,))
        if not by_year or by_year[0][0] != (year,):
            continue
        varieties = [
            (str(variety or "not known"), share)
            for (variety,), share in composition.rows(lambda leaf: (leaf.variety,))
        ]
        verdict, refused = _label(view, lot)
        contents = sum(holding.amount for holding in lot.contents().values())
        filled = sum(part for each in lot.shipped for _, part in each.left if each.sort == BOTTLES)
        if not lot.holdings and not filled:
            continue  # packed over whole: the wine is told of under its other names
        yield Bottled(
            lot=lot.name,
            label=row["label"],
            bottled_on=row["bottled_on"],
            cases=floor_text(
                Fraction((contents if lot.holdings else 0) + filled, stock.CASE_L * 10**12), 1
            ),
            varieties=tuple(varieties[:_MOST_VARIETIES]),
            vintage_share=by_year[0][1],
            verdict=verdict,
            refused=refused,
            release_on=row["release_on"],
            state=row["state"],
        )


def _label(view: View, lot: Lot) -> tuple[str | None, tuple[str, ...]]:
    """The verdict on a lot's label, and the statements that are not supported."""
    from ampelog.labelling import claims

    if view.cellar.label_of(lot, view.claimed(lot)) is None:
        return None, ()
    told = claims(view, lot.name)
    refused = [one["statement"] for one in told["claims"] if one["verdict"] == "refused"]
    return str(told["verdict"]), tuple(dict.fromkeys(refused))


def _stock(view: View, day: str) -> Iterator[Stocked]:
    """What every lot held at the end of a day."""
    then = view if day == view.day.isoformat() else View(view.ledger, day, str(view.head.position))
    for row in stock.lots(then):
        yield Stocked(
            row["lot"], row["state"], row.get("volume_l"), row.get("mass_kg"), row.get("cases")
        )


def _corrections(view: View, year: int) -> Iterator[Mended]:
    """The corrections decided in the calendar year, in order of the ledger."""
    for row in log(view, Wanted(kind="correct")):
        if row["at"].startswith(str(year)) and "corrects_position" in row:
            after = row["replacement"]
            says = f"now reads: {words(after)}" if after else "struck"
            yield Mended(
                row["position"], row["at"][:10], row["corrects_position"], says, row["reason"]
            )


def _held(view: View, lot: Lot) -> Iterator[str]:
    holds = stock.on_hold(view, lot)
    for record in view.ledger.known(holds).values() if holds else ():
        yield f"{lot.name}: {str(record.event['reason']).rstrip('.')}."
