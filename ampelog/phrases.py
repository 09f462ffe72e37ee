"""The parts of an event that many kinds share, in words: quantities, endpoints, vessels, shares.

Everything is said as it was recorded; nothing is converted or rounded. Long free text is cut with
its length told, so that a trail of hundreds of events stays readable.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

Record = Mapping[str, Any]

LONGEST_TEXT = 240
LONGEST_NAME = 80
VESSELS_NAMED = 4


def brief(text: object, longest: int = LONGEST_TEXT) -> str:
    """Free text on one line, cut where it is longer than ``longest`` characters."""
    line = " ".join(str(text).split())
    if len(line) <= longest:
        return line
    return f"{line[:longest].rstrip()}… ({len(line)} characters, whole in the ledger)"


def name(text: object) -> str:
    """A name on one line."""
    return brief(text, LONGEST_NAME)


def text_of(record: Record, field: str) -> str:
    """A field's text, or nothing where it is absent or cleared."""
    value = record.get(field)
    return "" if value is None or value is False else brief(value)


def given(before: str, text: str, after: str = "") -> str:
    """``before`` and ``after`` around the text, or nothing where there is no text."""
    return f"{before}{text}{after}" if text else ""


def listed(items: Iterable[str]) -> str:
    """``a, b and c``."""
    names = [item for item in items if item]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def names(record: Record, field: str) -> str:
    """The names a field lists."""
    value = record.get(field) or ()
    return listed(name(one) for one in ((value,) if isinstance(value, str) else value))


def several(value: Any) -> Sequence[Record]:
    """Records given alone or in a list."""
    if value is None:
        return ()
    return (value,) if isinstance(value, Mapping) else tuple(value)


def vessels(where: Record) -> str:
    """The vessels an endpoint names: the first few, and how many more."""
    if where.get("vessel"):
        return name(where["vessel"])
    every = [name(one) for one in where.get("vessels") or ()]
    if len(every) > VESSELS_NAMED + 1:
        return f"{', '.join(every[:VESSELS_NAMED])} and {len(every) - VESSELS_NAMED} more vessels"
    return listed(every)


def bottles(count: object) -> str:
    """``1 bottle``, ``12 bottles``."""
    return f"{count} bottle" if count == 1 else f"{count} bottles"


def quantity(where: Record) -> str:
    """The amount an endpoint or target states, as recorded."""
    if where.get("all"):
        return "all"
    if where.get("each") is not None:
        each = where["each"]
        return f"{bottles(each) if isinstance(each, int) else brief(each)} each"
    if where.get("bottles") is not None:
        return bottles(where["bottles"])
    for field in ("volume", "mass", "amount"):
        if where.get(field) is not None:
            return brief(where[field]) + given(" at ", text_of(where, "temperature"))
    return ""


def lot(where: Record, preposition: str = " in ") -> str:
    """The lot of an endpoint, with its vessels."""
    return name(where.get("lot")) + given(preposition, vessels(where))


def drawn(where: Record) -> str:
    """An endpoint of ``from``."""
    return (
        given("", quantity(where), " of ")
        + lot(where, " from ")
        + given(" as ", text_of(where, "role"))
    )


def filled(where: Record) -> str:
    """An endpoint of ``to``; a press output says its fraction."""
    fraction = text_of(where, "fraction")
    if fraction == "pomace":
        return f"{quantity(where)} of pomace" + given(" as ", text_of(where, "lot"))
    full = ", until full" if where.get("full") else ""
    return f"{quantity(where)} into {lot(where)}{full}" + given(" (", fraction, ")")


def percent(share: object) -> str:
    """A stated share as percent where its digits end, else as it was stated (``1/3``)."""
    try:
        value = Fraction(str(share)) * 100
    except (ValueError, ZeroDivisionError):
        return brief(share)
    if 10**12 % value.denominator:
        return brief(share)
    whole, rest = divmod(value.numerator * 10**12 // value.denominator, 10**12)
    return f"{whole}{given('.', f'{rest:012d}'.rstrip('0'))} %"


def plantings(planted: Iterable[Record]) -> str:
    """``60 % Syrah clone 877 and 40 % Viognier``."""
    return listed(
        given("", percent(one["share"]) if one.get("share") else "", " ")
        + name(one.get("variety"))
        + given(" clone ", text_of(one, "clone"))
        for one in planted
    )


def component(part: Record) -> str:
    """One part of a stated composition."""
    known = (
        text_of(part, "variety"),
        text_of(part, "vintage"),
        given("block ", text_of(part, "block")),
        given("from ", names(part, "within")),
        given("harvested ", text_of(part, "harvested")),
    )
    share = percent(part["share"]) if part.get("share") else ""
    return given("", share, " ") + (" ".join(item for item in known if item) or "not known")


def materials(used: Iterable[Record]) -> str:
    """``120 g of yeast nutrient (lot N-4) and 2 kg of bentonite``."""
    return listed(
        given("", text_of(one, "amount"), " of ")
        + name(one.get("material"))
        + given(" (lot ", text_of(one, "lot"), ")")
        for one in used
    )


def regime(kept: Record, *, noted: bool = True) -> str:
    """A cap regime: pump-overs, punch-downs and whatever else was written down, in whatever order.

    Without ``noted`` its note is left out, unless it is all there is: then two stretches that were
    worked alike are one regime.
    """
    pump = kept.get("pump_over") or {}
    hours = (
        given("", text_of(pump, "on_hours"), " h on"),
        given("", text_of(pump, "off_hours"), " h off"),
    )
    parts = [
        given("pump-over ", ", ".join(part for part in hours if part)),
        _punched(text_of(kept, "punch_downs_per_day")),
        *(
            f"{name(field).replace('_', ' ')} {brief(value)}"
            for field, value in sorted(kept.items())
            if field not in ("pump_over", "punch_downs_per_day", "note") and value is not None
        ),
    ]
    worked = "; ".join(part for part in parts if part)
    note = text_of(kept, "note")
    return "; ".join(part for part in (worked, note) if part) if noted else worked or note


def _punched(times: str) -> str:
    if times in ("", "0"):
        return "no punch-downs" if times else ""
    return f"{times} punch-down{'' if times == '1' else 's'} a day"
