"""How facts are read on a page: numbers rounded and grouped, dates spelled, text made legible.

Rounding happens here and nowhere before: shares are cut toward refusal, volumes rounded to the
tenth. Nothing here knows a template.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import date
from fractions import Fraction
from textwrap import wrap
from typing import Protocol, TypeVar

from ampelog.facts import Claim, Dossier, Entry, Source
from ampelog.phrases import brief
from ampelog.quantities import GALLON, POUND, SHARE_DECIMALS, floor_text, percent
from ampelog.story import Rest

THIN = "\N{NO-BREAK SPACE}"
"""A fifth of an em in the shipped family, as a thin space should be, and it does not break."""
MINUS = "\N{MINUS SIGN}"
LONGEST_NAME = 96
LONGEST_TEXT = 1200
PIECE = 200
"""Characters that every filter leaves whole."""
LAST_BUT_ONE = Fraction(10, 10**SHARE_DECIMALS)
MANY_ROWS = 60
LEAST_SHARE = Fraction(1, 1000)
"""Of a list of more than ``MANY_ROWS``, rows below this share are counted and not printed."""
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
VERDICTS = {
    "supported": "supported",
    "refused": "not supported by the records",
    "undetermined": "undetermined",
}
WORST = ("refused", "undetermined", "supported")
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_QUANTITY = re.compile(
    r"(?<![\w.])(\d{5,12})(?=(?:\.\d+)? (?:L|hL|mL|gal|kg|g|t|ton|lb|bottles?)\b)"
)


def grouped(number: int | str) -> str:
    """``12 345``: thin spaces between thousands, from five digits on."""
    sign, digits = (MINUS, str(number)[1:]) if str(number).startswith("-") else ("", str(number))
    whole, dot, decimals = digits.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN)
    return f"{sign}{whole}{dot}{decimals}"


def rounded(value: Fraction, decimals: int) -> str:
    """A value rounded half up, as grouped text; what is less than the last digit is told so."""
    shown = floor_text(value + Fraction(1, 2 * 10**decimals), decimals)
    if value and not Fraction(shown):
        return f"<{THIN}{floor_text(Fraction(1, 10**decimals), decimals)}"
    return grouped(shown)


class _Shared(Protocol):
    @property
    def share(self) -> str: ...


Rows = TypeVar("Rows", bound=_Shared)


def largest(rows: Sequence[Rows]) -> Sequence[Rows]:
    """The rows worth their lines: all of a short list, of a long one those of a thousandth."""
    if len(rows) <= MANY_ROWS:
        return rows
    return [row for row in rows if Fraction(row.share) >= LEAST_SHARE]


def counted(number: int) -> str:
    """A small number as a word."""
    return _NUMBERS[number] if number < len(_NUMBERS) else grouped(number)


def legible(text: str, covered: Callable[[str], bool]) -> str:
    """The text with signs that cannot be shown, or that act on other text, as ``[U+202E]``."""
    composed = unicodedata.normalize("NFC", text)
    return "".join(sign if covered(sign) else f"[U+{ord(sign):04X}]" for sign in composed)


def unhidden(sign: str) -> bool:
    """Whether a sign shows itself: no control, direction mark, surrogate or private sign."""
    return sign == "\n" or unicodedata.category(sign) not in ("Cc", "Cf", "Cs", "Co", "Cn")


def day(text: str | None) -> str:
    """``3 October 2024`` of a date or the date part of a time."""
    if not text:
        return ""
    try:
        when = date.fromisoformat(text[:10])
    except ValueError:
        return name(text)
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def moment(text: str) -> str:
    """``3 Oct 2024, 14:20``: a date with its month cut short, and the hour where one is given."""
    spelled = day(text)
    parts = spelled.split(" ")
    if len(parts) == 3 and len(parts[1]) > 4:
        spelled = f"{parts[0]} {parts[1][:3]} {parts[2]}"
    hour = text[11:16] if len(text) > 10 and text[10:11] == "T" else ""
    return f"{spelled}, {hour}" if hour else spelled


def share(text: str | None, decimals: int = 1) -> str:
    """A share as a percentage rounded down, without its sign; other text as it is."""
    if text is None:
        return "\N{EN DASH}"
    try:
        value = Fraction(text)
    except (ValueError, ZeroDivisionError):
        return name(text)
    shown = percent(value, decimals)
    if value > 0 and not Fraction(shown):
        return f"<{THIN}{percent(Fraction(1, 10 ** (decimals + 2)), decimals)}"
    return grouped(shown)


def part(text: str, decimals: int = 1) -> str:
    """A share of a composition as a percentage rounded down.

    Such a share is right to its last decimal but one: a tenth printed as 0.0999...9 is a tenth.
    """
    return share(floor_text(Fraction(text) + LAST_BUT_ONE, SHARE_DECIMALS), decimals)


def needed(text: str | None) -> str:
    """A limit as a percentage, with as many digits as it has."""
    try:
        value = Fraction(text or "")
    except (ValueError, ZeroDivisionError):
        return share(text)
    for decimals in range(7):
        if (value * 100 * 10**decimals).denominator == 1:
            return percent(value, decimals)
    return share(text, 6)


def margin(text: str | None, decimals: int = 1) -> str:
    """A margin with its sign: rounded down, so a shortfall never reads as none."""
    try:
        value = Fraction(text or "")
    except (ValueError, ZeroDivisionError):
        return "\N{EN DASH}" if text is None else name(text)
    shown = percent(value, decimals)
    return grouped(shown) if shown.startswith("-") else f"+{shown}"


def shortened(text: str) -> str:
    """Text cut where it is far longer than any page should carry in one place."""
    return text if len(text) <= LONGEST_TEXT else brief(text, LONGEST_TEXT)


def pieces(text: str) -> list[str]:
    """A long sentence of our own in pieces that a page prints whole."""
    return wrap(text, PIECE, break_long_words=False, break_on_hyphens=False)


def name(text: object, longest: int = LONGEST_NAME) -> str:
    """A name on one line, cut where it is very long."""
    line = " ".join(str(text).split())
    return line if len(line) <= longest else f"{line[:longest].rstrip()}…"


def says(text: str) -> str:
    """Words of an event, with large quantities grouped."""
    return _QUANTITY.sub(lambda found: grouped(found.group(1)), text)


def sentence(words: str) -> str:
    """Words that begin a sentence; the rest keeps its capitals."""
    return words[:1].upper() + words[1:]


def field(text: str) -> str:
    """The name of a field or statement for people."""
    return {"ava": "viticultural area"}.get(text, text.replace("_", " "))


def verdict(text: str) -> str:
    """A verdict for people."""
    return VERDICTS.get(text, text)


def usual_day(entries: Sequence[Entry]) -> str | None:
    """The day on which most of the entries were written down, where that is most of them."""
    days = Counter(entry.recorded_on[:10] for entry in entries)
    if not days:
        return None
    usual, count = max(days.items(), key=lambda item: (item[1], item[0]))
    return usual if 2 * count > len(entries) and count > 1 else None


def prose(text: str) -> str:
    """Words for people: what a terminal shows in backticks stands in quotation marks."""
    return re.sub(
        r"`([^`]*)`",
        "\N{LEFT DOUBLE QUOTATION MARK}\\1\N{RIGHT DOUBLE QUOTATION MARK}",
        brief(text),
    )


def source(one: Source) -> str:
    """The second line of a source: what it is and of which vintage."""
    kinds = {"pick": "picked", "receive": "received", "treat": "added"}
    parts = [kinds.get(one.kind, one.kind), one.role or ""]
    parts += [str(one.vintage) if one.vintage else ""]
    return ", ".join(name(part) for part in parts if part)


class Amounts:
    """Amounts in the units that are read: gallons and pounds (``us``), litres and kilograms
    (``metric``). Amounts come in litres, or in kilograms where ``of`` is ``kg``."""

    def __init__(self, units: str, of: str = "L") -> None:
        self.of, self.units = of, units
        if of == "kg":
            self.unit, self.one = ("lb", POUND) if units == "us" else ("kg", Fraction(1))
        else:
            self.unit, self.one = ("gal", GALLON) if units == "us" else ("L", Fraction(1))

    def plain(self, amount: str | Fraction) -> str:
        """An amount without its unit, to the tenth, for columns."""
        return rounded(Fraction(amount) / self.one, 1)

    def amount(self, amount: str | Fraction) -> str:
        """An amount with its unit, to the tenth where it is not whole."""
        return f"{self.plain(amount).removesuffix('.0')}{THIN}{self.unit}"

    def other(self, amount: str | Fraction) -> str:
        """The same amount in the other system."""
        return Amounts("metric" if self.units == "us" else "us", self.of).amount(amount)


def certificate(dossier: Dossier) -> bool:
    """Whether it is of wine in bulk for a buyer, and judges nothing."""
    return dossier.reader == "buyer" and dossier.wine.bottles is None


def kind(dossier: Dossier) -> str:
    """What the document is called."""
    return "Certificate of composition" if certificate(dossier) else "Lot dossier"


def lines(dossier: Dossier) -> tuple[Claim, ...]:
    """A line a statement: of its rows the worst, and of those the one with the least margin.

    A row without figures gives way to one of the same claim that has them and is no better.
    """
    worst: dict[tuple[str, str], Claim] = {}
    for claim in dossier.claims:
        key = (claim.claim, claim.statement)
        if key not in worst or _severity(claim) < _severity(worst[key]):
            worst[key] = claim
    found = list(worst.values())
    return tuple(
        one
        for one in found
        if one.actual is not None
        or not any(
            other.claim == one.claim
            and other.actual is not None
            and other.statement.startswith(one.statement)
            and WORST.index(other.verdict) <= WORST.index(one.verdict)
            for other in found
        )
    )


def _severity(claim: Claim) -> tuple[int, bool, Fraction]:
    """Sorts the worst first: by verdict, then rows with figures, then by margin."""
    try:
        left = Fraction(claim.margin or "")
    except (ValueError, ZeroDivisionError):
        left = Fraction(0)
    place = WORST.index(claim.verdict) if claim.verdict in WORST else 0
    return (place, claim.margin is None, left)


def answer(dossier: Dossier) -> str:
    """The first sentence of a dossier: what the records support."""
    judged = lines(dossier)
    if certificate(dossier):
        return "What this wine is made of and what was analysed in it, as the records have it."
    if not judged:
        why = "its label states nothing" if dossier.wine.label else "the lot names no label"
        return f"No statement is judged here: {why}."
    count = {one: sum(line.verdict == one for line in judged) for one in WORST}
    if count["supported"] == len(judged):
        if len(judged) == 1:
            return "The one statement of the label is supported by the records."
        every = "Both" if len(judged) == 2 else f"All {counted(len(judged))}"
        return f"{every} statements of the label are supported by the records."
    parts = [
        f"{counted(count['supported'])} of {counted(len(judged))} statements "
        f"{'is' if count['supported'] == 1 else 'are'} supported by the records"
    ]
    if count["refused"]:
        parts.append(f"{counted(count['refused'])} {_is(count['refused'])} not")
    if count["undetermined"]:
        parts.append(f"{counted(count['undetermined'])} cannot be decided from them")
    said = ", ".join(parts[:-1]) + f" and {parts[-1]}."
    return said[0].upper() + said[1:]


def _is(number: int) -> str:
    return "is" if number == 1 else "are"


def figures(dossier: Dossier, amounts: Amounts) -> list[dict[str, str]]:
    """The plain figures of page one: amount, bottles or vessels, bottled, release."""
    wine = dossier.wine
    what = "Weight" if wine.unit == "kg" else "Volume"
    if wine.bottles is not None:
        what = "Volume still here"
    found = [_figure(what, amounts.amount(wine.amount), amounts.other(wine.amount))]
    if wine.amount != wine.told_of:
        found = [_figure(f"{what} when last held", amounts.amount(wine.told_of), "nothing is left")]
    if wine.bottles is not None:
        # Packed into, a lot may have more bottles than were filled for it.
        whole = max(wine.filled or "0", wine.bottles, key=Fraction)
        left = "all still here" if whole == wine.bottles else f"{grouped(wine.bottles)} still here"
        found.append(_figure("Bottles", grouped(whole), f"of {name(wine.format)}; {left}"))
    else:
        vessels = [held.vessel or "no vessel" for held in wine.holdings]
        shown = ", ".join(name(vessel, 24) for vessel in vessels[:3])
        more = f"and {grouped(len(vessels) - 3)} more" if len(vessels) > 3 else ""
        found.append(_figure("Held in", shown or "nothing now", more))
    if wine.fills:
        days = sorted({fill.filled_on for fill in wine.fills})
        more = f"on {counted(len(days))} days, the last {day(days[-1])}" if len(days) > 1 else ""
        found.append(_figure("Bottled", day(days[0]), more))
    if dossier.rest is not None and dossier.rest.stated is not None:
        found.append(_release(dossier.rest, wine.released_on))
    elif wine.released_on:
        found.append(_figure("Released", day(wine.released_on), ""))
    if dossier.ready is not None:
        stops = len(dossier.ready.stops)
        more = (
            f"{counted(stops)} {'gate stops' if stops == 1 else 'gates stop'} it" if stops else ""
        )
        found.append(_figure("Ready to bottle", "yes" if dossier.ready.ready else "not yet", more))
    return found


def _release(rest: Rest, released_on: str | None) -> dict[str, str]:
    """The state of bottles that rest, with the day that the rest comes to."""
    over = f"rest over on {day(rest.release_on)}" if rest.release_on else "no bottling day is known"
    if rest.state == "released" and released_on:
        return _figure("Released", day(released_on), over)
    says = {"resting": "not yet", "due": "due", "held": "held back", "released": "may leave"}
    return _figure("Release", says[rest.state], over)


def _figure(what: str, says: str, more: str) -> dict[str, str]:
    return {"what": what, "says": says, "more": more}
