"""What a label says that is measured and not mixed: strength, sulfites, the size of the bottle."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

from msgspec import Struct

from ampelog.appellations import listing
from ampelog.grapes import fold
from ampelog.law import Rule
from ampelog.quantities import ONE, parse
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Fill, Judgement, Used
from ampelog.statements import plain, size_text
from ampelog.terms import Band, Strength

ALCOHOL = "alcohol"
_NUMBER = r"(\d{1,3}(?:[.,]\d{1,3})?)"
_RANGE = re.compile(rf"{_NUMBER}\s*(?:%[^\d]*)?(?:-|\u2013|to)\s*{_NUMBER}", re.ASCII)
_POINT = re.compile(_NUMBER, re.ASCII)


class Measured(Struct, frozen=True):
    """A judgement on something measured, the quantity whose analysis it rests on, and the events
    beside that tell of it."""

    verdict: Judgement
    says: str
    rests_on: str | None = None
    proof: tuple[str, ...] = ()


def figure(found: str | None) -> tuple[Fraction, bool] | None:
    """A recorded value, and whether it is only known to be below it (``<10``)."""
    if not found:
        return None
    below = found.startswith("<")
    return Fraction(found.removeprefix("<")), below


def printed(said: str) -> tuple[Fraction, Fraction] | None:
    """The strength that a label prints, as a range; None where it prints no number."""
    both = _RANGE.search(said)
    if both:
        low, high = (Fraction(each.replace(",", ".")) for each in both.groups())
        return low, high
    one = _POINT.search(said)
    if one is None:
        return None
    value = Fraction(one.group(1).replace(",", "."))
    return value, value


def alcohol(rule: Rule, said: str, fill: Fill, product: str) -> Measured:
    """Whether a statement of alcohol is right."""
    strength = rule.strength
    assert strength is not None, "a rule on alcohol says what it asks"
    if strength.never:
        return _words(strength, said)
    stated = printed(said)
    if stated is None:
        return _numberless(strength, said, fill)
    if strength.step is not None:
        return _stepped(strength.step, said, stated)
    if strength.numberless:
        return Measured(SUPPORTED, f"`{said}` gives a number.")
    if any(len({below(value) for value in stated}) > 1 for _, below in _lines(strength)):
        return _sides(strength, stated, stated[0])
    return _compared(strength, stated, fill, product)


def _compared(
    strength: Strength,
    stated: tuple[Fraction, Fraction],
    fill: Fill,
    product: str,
) -> Measured:
    """What is printed against what was analysed."""
    actual = figure(fill.measured.get(ALCOHOL))
    if actual is None:
        return _unknown(fill, ALCOHOL, "the wine's alcohol")
    if actual[1]:
        return Measured(UNDETERMINED, "Of the wine's alcohol only an upper bound is recorded.")
    if strength.lines or strength.floors:
        return _sides(strength, stated, actual[0])
    return _near(strength, stated, actual[0], product)


def _words(strength: Strength, said: str) -> Measured:
    """Whether no word stands in a statement that may not."""
    for word in strength.never:
        if re.search(rf"\b{re.escape(word)}\b", said, re.IGNORECASE):
            return Measured(REFUSED, f"`{word}` may not stand in a statement of alcohol.")
    return Measured(SUPPORTED, f"No word stands in `{said}` that may not.")


def _stepped(step: Fraction, said: str, stated: tuple[Fraction, Fraction]) -> Measured:
    """Whether a strength is printed in steps."""
    if any(value % step for value in stated):
        return Measured(REFUSED, f"The strength is printed in steps of {plain(step)} %.")
    return Measured(SUPPORTED, f"`{said}` is a multiple of {plain(step)} %.")


def _unknown(fill: Fill, quantity: str, name: str) -> Measured:
    """Why nothing is known of a quantity."""
    says = fill.unmeasured.get(quantity)
    return Measured(UNDETERMINED, says or f"No analysis of {name} is recorded.")


def _numberless(strength: Strength, said: str, fill: Fill) -> Measured:
    actual = figure(fill.measured.get(ALCOHOL))
    found = [(word, most) for word, most in strength.numberless.items() if word in said.casefold()]
    if not found:
        if strength.numberless:
            return Measured(
                REFUSED, f"`{said}` gives no number, and is no word that may stand for one."
            )
        return Measured(SUPPORTED, f"`{said}` gives no number to compare.")
    word, most = found[0]
    if actual is None:
        return _unknown(fill, ALCOHOL, "the wine's alcohol")
    judged = SUPPORTED if actual[0] <= most else UNDETERMINED if actual[1] else REFUSED
    return Measured(
        judged,
        f"The wine has {plain(actual[0])} %; `{word}` stands for a number up to {plain(most)} %.",
        ALCOHOL,
    )


def _lines(strength: Strength) -> Iterator[tuple[Fraction, Callable[[Fraction], bool]]]:
    """Each line with whether a strength is on its lower side."""
    for line in strength.lines:
        yield line, line.__ge__
    for floor in strength.floors:
        yield floor, floor.__gt__


def _sides(strength: Strength, stated: tuple[Fraction, Fraction], actual: Fraction) -> Measured:
    """Wine and statement stand on one side of every line."""
    for line, below in _lines(strength):
        if len({below(value) for value in stated}) > 1:
            says = f"A line runs at {plain(line)} %, and the printed range lies on both its sides."
            return Measured(REFUSED, says)
        if below(stated[0]) != below(actual):
            return Measured(
                REFUSED,
                f"The wine has {plain(actual)} %, and a line runs at {plain(line)} %: the "
                "statement must stand on the wine's side of it.",
                ALCOHOL,
            )
    return Measured(SUPPORTED, f"The wine has {plain(actual)} %; no line runs between.", ALCOHOL)


def _near(
    strength: Strength, stated: tuple[Fraction, Fraction], actual: Fraction, product: str
) -> Measured:
    band = next((each for each in strength.bands if _fits(each, actual, product)), None)
    if band is None:
        return Measured(UNDETERMINED, f"No rule says how far {plain(actual)} % may be printed off.")
    low, high = stated
    if low != high:
        return _ranged(band, low, high, actual)
    off = abs(actual - low)
    return Measured(
        SUPPORTED if off <= band.off else REFUSED,
        f"The wine has {plain(actual)} %; {plain(low)} % is printed, and {plain(band.off)} points "
        "either way are allowed.",
        ALCOHOL,
    )


def _ranged(band: Band, low: Fraction, high: Fraction, actual: Fraction) -> Measured:
    """A printed range; where the rule knows of none, each of its ends is a number."""
    has = f"The wine has {plain(actual)} %"
    if band.width is None:
        if max(abs(actual - low), abs(actual - high)) > band.off:
            ends = f"a number may be {plain(band.off)} points off, and an end of the range is more"
            return Measured(REFUSED, f"{has}; {ends}.", ALCOHOL)
        says = f"{has}; the rule speaks of one number, and not of a range."
        return Measured(UNDETERMINED, says, ALCOHOL)
    if high - low > band.width:
        says = f"The range is {plain(high - low)} points wide; {plain(band.width)} may be."
        return Measured(REFUSED, says)
    within = low <= actual <= high
    says = f"{has}, {'within' if within else 'outside'} the range."
    return Measured(SUPPORTED if within else REFUSED, says, ALCOHOL)


def _fits(band: Band, actual: Fraction, product: str) -> bool:
    return (band.up_to is None or actual <= band.up_to) and (
        not band.products or product in band.products
    )


def limit(rule: Rule, fill: Fill) -> Measured:
    """Whether a measured value is below a limit."""
    asked = rule.limit
    assert asked is not None, "a rule on a limit has one"
    name = {"total_so2": "total sulfur dioxide", "free_so2": "free sulfur dioxide"}[asked.quantity]
    actual = figure(fill.measured.get(asked.quantity))
    if actual is None:
        return _unknown(fill, asked.quantity, name)
    value, only_below = actual
    met = value < asked.below or (only_below and value <= asked.below)
    judged = SUPPORTED if met else UNDETERMINED if only_below else REFUSED
    sign = "under " if only_below else ""
    return Measured(
        judged,
        f"The wine has {sign}{plain(value)} mg/L of {name}; it must be under {plain(asked.below)}.",
        asked.quantity,
    )


def size(rule: Rule, amount: int) -> Measured:
    """Whether bottles may have this size (10^-12 L)."""
    allowed = {parse(each).amount for each in rule.sizes}
    said = size_text(amount)
    from_ = rule.whole_litres_from
    whole = from_ is not None and amount >= from_ * ONE and amount % ONE == 0
    if amount in allowed or whole:
        return Measured(SUPPORTED, f"{said} is a size that bottles may have.")
    return Measured(REFUSED, f"{said} is no size that bottles may have.")


def went_in(rule: Rule, said: str, fill: Fill) -> Measured:
    """Whether a statement is right about what went into the wine, by the materials recorded."""
    return _allergens(rule, said, fill) if rule.allergens else _unadded(rule, fill)


def nothing_else(rule: Rule, said: str, fill: Fill) -> bool | None:
    """The same, as an answer."""
    judged = went_in(rule, said, fill).verdict
    return None if judged == UNDETERMINED else judged == SUPPORTED


def _allergens(rule: Rule, said: str, fill: Fill) -> Measured:
    """Whether a text that names an allergen names all that went in."""
    lacking: list[str] = []
    proof: list[str] = []
    for allergen, words in rule.allergens.items():
        used = [name for name, one in fill.materials.items() if _made_of(name, one, words)]
        if used and fold(allergen) not in fold(said):
            lacking.append(f"{allergen} ({listing([f'`{name}`' for name in used])})")
            proof += [event for name in used for event in fill.materials[name].events]
    if lacking:
        says = f"The wine had {listing(lacking)} too, and it is not named."
        return Measured(REFUSED, says, proof=tuple(dict.fromkeys(proof)))
    words = tuple(word for each in rule.allergens.values() for word in each)
    return _untold(rule, fill, words) or Measured(
        SUPPORTED, "No other allergen is recorded to have gone in.", proof=_used(fill)
    )


def _unadded(rule: Rule, fill: Fill) -> Measured:
    """Whether nothing went in that must not have."""
    used = [name for name, one in fill.materials.items() if _made_of(name, one, rule.unadded)]
    if used:
        events = [event for name in used for event in fill.materials[name].events]
        says = f"{listing([f'`{name}`' for name in used])} went in."
        return Measured(REFUSED, says, proof=tuple(dict.fromkeys(events)))
    return _untold(rule, fill, rule.unadded) or Measured(
        SUPPORTED, "Nothing of the kind is recorded to have gone in.", proof=_used(fill)
    )


def _made_of(name: str, used: Used, words: Sequence[str]) -> bool:
    """Whether a material has one of these words in its make, or in what it was used for; in its
    name, where its make is not known."""
    texts = (*(used.made or (name,)), *used.treatments)
    return any(_has(word, text) for word in words for text in texts)


def _untold(rule: Rule, fill: Fill, words: Sequence[str]) -> Measured | None:
    """What may have gone in besides, of which the records do not tell."""
    if rule.silent:
        return None
    unknown = [
        f"`{name}`"
        for name, used in fill.materials.items()
        if used.made is None and not _made_of(name, used, words)
    ]
    says = list(fill.untold)
    if unknown:
        says.append(f"What {listing(unknown)} is made of is not registered (`is`).")
    return Measured(UNDETERMINED, " ".join(says), proof=_used(fill)) if says else None


def _used(fill: Fill) -> tuple[str, ...]:
    events = (event for used in fill.materials.values() for event in used.events)
    return tuple(dict.fromkeys(events))


def mentioned(rule: Rule, said: str) -> Iterator[str]:
    """The words of a rule that a text statement contains."""
    for word in rule.mentions:
        if _has(word, said):
            yield word


def _has(word: str, said: str) -> bool:
    """Whether a word, or words, stand in a text as words of their own."""
    return re.search(rf"(?<!\w){re.escape(word)}(?!\w)", said, re.IGNORECASE) is not None


def forbidden(rule: Rule, said: str) -> str:
    """Why a text may not stand."""
    found = listing([f"`{word}`" for word in mentioned(rule, said)])
    return f"{found}: {rule.forbid}" if found else str(rule.forbid)
