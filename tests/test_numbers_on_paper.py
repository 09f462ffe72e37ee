"""Every number on a dossier's pages is one that a command answers: rounded as the page says, in the
units that are read, or counted.

Two things on the pages are answered by no command, and are left out here: how long the wine lay
(``test_ageing``) and the scales of the curves (``test_story``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from ampelog import ledger as ledgers
from ampelog import parcel, pdf_file, printing, render, report, typeset
from ampelog.facts import Dossier
from ampelog.quantities import SHARE_DECIMALS, floor_text
from ampelog.questions import View
from tests.program import Run

pytest_plugins = ("tests.running",)

NUMBER = re.compile(r"[<+\N{MINUS SIGN}-]?\d+(?:\.\d+)?%?")
LEFT_OUT = (
    ("Where it lay, and how long", "What was added, and what was done to it"),
    ("How it fermented", "The lots and fermentations it passed through"),
)
"""Sections of which no command tells: from this heading to that."""
QUESTIONS = (
    ("claims", "{lot}"),
    ("trace", "{lot}"),
    ("calendar", "--all"),
    ("balance",),
    ("log",),
    *(("composition", "{lot}", "--by", ",".join(fields)) for _, fields in report.TABLES),
)


def numbers(text: str) -> set[str]:
    """The words of a text that are numbers, without the thin spaces between thousands."""
    joined = re.sub(r"(?<=\d)\N{NO-BREAK SPACE}(?=\d{3})", "", text)
    words = (word.strip("()[],;:.“”") for word in re.split(r"[\s\N{NO-BREAK SPACE}]+", joined))
    return {word for word in words if NUMBER.fullmatch(word)}


def scalars(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for each in value.values():
            yield from scalars(each)
    elif isinstance(value, list):
        yield str(len(value))
        for each in value:
            yield from scalars(each)
    elif value is not None:
        yield str(value)


def printed(value: str) -> Iterator[str]:
    """How a page may print a value: as it is, and a share, a margin or litres as it rounds them."""
    yield from numbers(value)
    day = re.match(r"(\d{4})-\d\d-(\d\d)", value)
    if day:
        yield from (day.group(1), str(int(day.group(2))))
    try:
        known = Fraction(value)
    except (ValueError, ZeroDivisionError):
        return
    for decimals in (0, 1, 2, 4):
        if abs(known) <= 1:
            yield from numbers(typeset.share(value, decimals))
            yield from numbers(typeset.part(value, decimals))
            yield from numbers(typeset.margin(value, decimals))
    if abs(known) <= 1:
        yield from numbers(typeset.needed(value))
    for units in ("us", "metric"):
        yield from amount(typeset.Amounts(units), known)


def amount(amounts: typeset.Amounts, value: Fraction) -> Iterator[str]:
    """An amount as it stands in a column, and in words."""
    yield from numbers(amounts.plain(value))
    yield from numbers(amounts.amount(value))


def shares_of(answers: dict[str, Any]) -> set[Fraction]:
    found: set[Fraction] = set()
    for name, answer in answers.items():
        if name.startswith(("composition", "trace")):
            found |= {Fraction(row["share"]) for row in answer.get("shares", ())}
            found |= {Fraction(row["share"]) for row in answer.get("sources", ())}
            found |= {Fraction(row["share"]) for row in answer.get("through", ())}
    return found


def derived(answers: dict[str, Any], volume: Fraction) -> Iterator[str]:
    """The volume of every share, of shares that stand together on the drawing, and of what was
    lost on the way in proportion."""
    amounts = typeset.Amounts("us")
    for share in shares_of(answers):
        yield from amount(amounts, share * volume)
    trace = answers["trace"]
    by_event, by_block, by_name = (
        ("event", "lot"),
        ("block", "vintage"),
        ("block", "variety", "vintage"),
    )
    named: list[Fraction] = []
    for fields in (by_event, by_block, by_name):
        sums: dict[tuple[Any, ...], Fraction] = {}
        for row in trace["sources"]:
            # what came from no block is told by its event
            key = (*(row[field] for field in fields), row["block"] or row["event"])
            sums[key] = sums.get(key, Fraction(0)) + Fraction(row["share"])
        named = sorted(sums.values(), reverse=True)
        for share in named:
            yield from amount(amounts, share * volume)
            yield from numbers(typeset.part(_decimal(share), 1))
            yield from numbers(typeset.part(_decimal(share), 2))
    smaller = sum(named[8:], Fraction(0))
    yield from numbers(typeset.part(_decimal(smaller)))
    lost = {row["lot"]: row for row in answers["balance"]}
    for row in trace["through"]:
        known = lost[row["lot"]]
        kept = Fraction(known["in"]) + Fraction(known["gained"]) - Fraction(known["lost"])
        if kept > 0:
            part = Fraction(row["share"]) * Fraction(known["lost"]) / kept
            yield from amount(amounts, part * volume)


def _decimal(share: Fraction) -> str:
    return floor_text(share, SHARE_DECIMALS)


def counted(made: Dossier) -> Iterator[str]:
    """What is counted on the pages: lines of lists, of the trail and of the record."""
    happened = sum(one.kind not in render.REGISTERS for one in made.trail)
    counts = (happened, len(made.trail), len(made.sources), len(made.origins.rows) - 8)
    yield from (str(one) for one in counts)
    yield str(sum(body.kind == "lot" for body in made.genealogy.bodies))
    for one in made.record:
        yield from numbers(one.says)
        yield from numbers(one.citation)


def text_of(made: Dossier) -> str:
    """The text of the pages, without their feet and the sections of which no command tells."""
    told = parcel.told(made, None)
    content = printing.pdf(render.page(told, "us"), "letter").content
    sheets = pdf_file.parts(content, "dossier.pdf").sheets
    text = "\n".join(re.sub(r"\d+\s+of\s+\d+\s*$", "", sheet.text.strip()) for sheet in sheets)
    text = re.sub(r"\d+ of \d+(?=\n|$)", "", text)
    for first, last in LEFT_OUT:
        start = text.find(first)
        if start >= 0:
            text = text[:start] + text[text.index(last, start) :]
    return text


def unanswered(made: Dossier, answers: dict[str, Any], volume: Fraction) -> set[str]:
    allowed: set[str] = set()
    for answer in answers.values():
        for value in scalars(answer):
            allowed |= set(printed(value))
    allowed |= set(derived(answers, volume))
    allowed |= set(counted(made))
    return numbers(text_of(made)) - allowed


def facts(ledger: Path, lot: str) -> tuple[Dossier, Fraction]:
    """The facts of a dossier, and the volume that its shares are of."""
    with ledgers.opened(ledger, write=False, wait=5) as opened:
        made = report.dossier(View(opened), lot)
    return made, Fraction(made.wine.told_of)


def asked(example: Run, lot: str) -> dict[str, Any]:
    found = {}
    for words in QUESTIONS:
        answer = example(*(word.format(lot=lot) for word in words), "--json")
        found[" ".join(words)] = answer.json
    found["trace"] = found.pop("trace {lot}")
    return found


@pytest.mark.parametrize("lot", ["STL24", "BSY23"])
def test_every_number_on_the_pages_is_an_answer(
    example: Run, example_ledger: Path, lot: str
) -> None:
    made, volume = facts(example_ledger, lot)
    found = unanswered(made, asked(example, lot), volume)
    assert found == set()
    changed = replace(made, sources=(replace(made.sources[0], share="0.123456"), *made.sources[1:]))
    assert unanswered(changed, asked(example, lot), volume) == {"12.34"}, "the check can fail"
