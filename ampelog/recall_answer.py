"""The words of a recall that its sheet, its page and its note share."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

Row = dict[str, Any]
NOUNS = {
    "block": "block",
    "grower": "grower",
    "pick": "picking",
    "lot": "lot",
    "material_lot": "material lot",
    "vessel": "vessel",
    "dates": "what was picked, received or bottled",
}
NOTICE = (
    "This sheet reports what the records show. Whether, how and how far to recall is for the "
    "regulator and counsel to decide with you: 21 CFR 7.40 to 7.59 is the FDA's guidance; a wine's "
    "label and removal are the TTB's; elsewhere the competent authority (in the EU, Regulation "
    "(EC) 178/2002 art. 19)."
)


def counted(number: int, noun: str) -> str:
    """``1 lot``, ``2 lots``, ``no lots``; a noun in -y becomes -ies."""
    plural = f"{noun[:-1]}ies" if noun.endswith("y") else f"{noun}s"
    return f"{number or 'no'} {noun if number == 1 else plural}"


def grouped(number: str) -> str:
    """Bottles for reading: ``4,812``; a part of one is cut to a tenth."""
    value = Decimal(number)
    whole = value == value.to_integral_value()
    return f"{int(value):,}" if whole else f"{int(value * 10) / Decimal(10):,}"


def headline(answer: Row) -> str:
    """The answer in a sentence."""
    found = answer["found"]
    if not found["lots"]:
        first = "No bottles are touched"
    else:
        lots = counted(found["lots"], "lot")
        first = (
            f"{lots} of bottles, {grouped(found['bottles'])} bottles made, "
            f"{grouped(found['in_stock'])} in stock, {grouped(found['shipped'])} shipped to "
            f"{counted(found['parties'], 'party')}"
        )
    if found["lots"] and Decimal(found["returned"]):
        first += f", of which {grouped(found['returned'])} came back"
    return f"{first}; {counted(found['bulk'], 'lot')} in bulk." if found["bulk"] else f"{first}."


def origin(answer: Row) -> str:
    """What is recalled: ``Material lot G-2307``."""
    one = answer["origin"]
    said = " ".join(part for part in (NOUNS[one["kind"]], one["name"]) if part)
    if one["since"]:
        said += f" from {one['since']}"
    if one["until"]:
        said += f" up to {one['until']}"
    return said[:1].upper() + said[1:]
