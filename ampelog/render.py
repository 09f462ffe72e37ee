"""Facts to pages: HTML by the templates, PDF from that HTML.

The same facts give the same bytes: every date comes from the facts, the fonts are the shipped
files, and nothing is fetched. Text from the ledger is data: the templates escape it, what is very
long is cut, and signs that the fonts lack or that would turn text around are printed as code.
"""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ampelog import charts, layout, typeset
from ampelog.errors import Refused
from ampelog.facts import Body, Dossier, Table
from ampelog.phrases import brief
from ampelog.quantities import ONE
from ampelog.resources import folder
from ampelog.typeset import Amounts

if TYPE_CHECKING:
    from jinja2 import Environment
    from weasyprint import Document
    from weasyprint.urls import URLFetcher

FONTS = {"Regular": (400, "normal"), "Semibold": (600, "normal"), "It": (400, "italic")}
"""The shipped files, with CSS weight and style."""
PAPERS = {"letter": "letter", "a4": "A4"}
SCHEME = "ampelog-font:"
PORTRAIT, LANDSCAPE = (490, 600), (680, 428)
"""Room for a drawing in points, on the narrower and the shorter of the two papers."""
MOST_ORIGINS = 9
REGISTERS = ("place", "block", "label")
MOST_HALF_ROWS, MOST_HALF_SIGNS = 14, 36


@dataclass(frozen=True)
class Options:
    """How a dossier is read: ``units`` is ``us`` or ``metric``, ``paper`` ``letter`` or ``a4``."""

    units: str = "us"
    paper: str = "letter"


@dataclass(frozen=True)
class Printed:
    """A PDF and the number of its pages."""

    content: bytes
    pages: int


def html(dossier: Dossier, options: Options) -> str:
    """The dossier as one self-contained page; the fonts are inside it."""
    addresses = {
        one: f"data:font/woff2;base64,{base64.b64encode(_font(one)).decode()}" for one in FONTS
    }
    return _page(dossier, options, addresses, typeset.unhidden)


def pdf(dossier: Dossier, options: Options) -> Printed:
    """The dossier as a tagged PDF."""
    text = _printable(dossier, options)
    identifier = hashlib.sha256(text.encode()).digest()[:16]
    with _source_date(dossier.as_of):
        pages = _laid_out(text)
        content = pages.write_pdf(pdf_identifier=identifier, pdf_variant="pdf/ua-1")
    return Printed(bytes(content), len(pages.pages))


def _printable(dossier: Dossier, options: Options) -> str:
    """The page as it goes into a PDF: fonts by name, only signs that they have."""
    return _page(dossier, options, {one: f"{SCHEME}{one}" for one in FONTS}, _covered)


def _laid_out(text: str) -> Document:
    from weasyprint import HTML

    return HTML(string=text, base_url=SCHEME, url_fetcher=_fetcher()).render()


def write(dossier: Dossier, path: Path, units: str = "us", paper: str = "letter") -> int:
    """Write a ``.pdf`` or ``.html`` file, whole or not at all; returns the number of its pages.

    An HTML file is one page. ``Refused`` for another ending, or where it cannot be written.
    """
    options = Options(units, paper)
    ending = path.suffix.lower()
    if ending not in (".pdf", ".html"):
        raise Refused(f"`{path.name}` is neither a .pdf nor an .html file", hint="-o LOT.pdf")
    made = pdf(dossier, options) if ending == ".pdf" else None
    content = made.content if made else html(dossier, options).encode()
    beside = path.with_name(f"{path.name}.part")
    try:
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as problem:
        beside.unlink(missing_ok=True)
        raise Refused(f"`{path}` cannot be written: {problem.strerror}") from None
    return made.pages if made else 1


def _page(
    dossier: Dossier, options: Options, fonts: dict[str, str], covered: Callable[[str], bool]
) -> str:
    """The filled-in template."""
    amounts = Amounts(options.units, dossier.wine.unit)
    faces = "".join(
        f'@font-face{{font-family:"Source Sans 3";font-weight:{weight};font-style:{style};'
        f"src:url({fonts[one]})}}\n"
        for one, (weight, style) in FONTS.items()
    )
    paper = PAPERS[options.paper]
    sheet = f"@page{{size:{paper}}}@page wide{{size:{paper} landscape}}\n"
    rules = (folder("templates") / "print.css").read_text(encoding="utf-8")
    environment = _environment(dossier, amounts, covered)
    return environment.get_template("dossier.html").render(
        d=dossier,
        style=_ours(faces + sheet + rules),
        unit=f"{'Weight' if dossier.wine.unit == 'kg' else 'Volume'}, {amounts.unit}",
        answer=typeset.answer(dossier),
        lines=typeset.lines(dossier),
        trail=[one for one in dossier.trail if one.kind not in REGISTERS],
        registered=[one for one in dossier.trail if one.kind in REGISTERS],
        written_on=typeset.usual_day(dossier.trail),
        figures=typeset.figures(dossier, amounts),
        heads=_heads(dossier),
        pairs=_pairs([table for table in dossier.composition if _narrow(table)]),
        wholes=[table for table in dossier.composition if not _narrow(table)],
        drawings=_drawings(dossier, amounts, covered),
    )


def _environment(dossier: Dossier, amounts: Amounts, covered: Callable[[str], bool]) -> Environment:
    """Templates that escape everything, fail on what is missing, and show only legible text."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        if isinstance(value, str) and not isinstance(value, Markup):
            return typeset.legible(typeset.shortened(value), covered)
        return value

    made = Environment(
        loader=FileSystemLoader(folder("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
    )
    whole = Fraction(dossier.wine.told_of)
    positions = {fill.event: fill for fill in dossier.wine.fills}

    def fill(event: str) -> str:
        known = positions.get(event)
        return f"of {typeset.day(known.filled_on)} (event {known.position})" if known else event

    made.filters.update(
        bar=lambda share: _ours(charts.share_bar(share, 44, 5)),
        brief=brief,
        day=typeset.day,
        field=typeset.field,
        fill=fill,
        grouped=typeset.grouped,
        largest=typeset.largest,
        prose=typeset.prose,
        margin=typeset.margin,
        moment=typeset.moment,
        name=typeset.name,
        needed=typeset.needed,
        part=lambda share: amounts.plain(Fraction(share) * whole),
        percent=typeset.share,
        share=typeset.part,
        says=typeset.says,
        source=typeset.source,
        verdict=typeset.verdict,
        amount=amounts.amount,
    )
    return made


def _ours(text: str) -> Any:
    """Text that this program wrote itself (drawings, the style sheet), not to be escaped again."""
    from markupsafe import Markup

    return Markup(text)


def _heads(dossier: Dossier) -> dict[str, str]:
    """What each section shows, as its heading."""
    lots = sum(body.kind == "lot" for body in dossier.genealogy.bodies)
    fruit = len(dossier.sources)
    happened = sum(one.kind not in REGISTERS for one in dossier.trail)
    count = typeset.counted
    return {
        "verdicts": "Each statement, the rule it meets or misses, and why",
        "composition": "What the wine is made of",
        "genealogy": f"How it came together: {_many(fruit, 'source')} through {_many(lots, 'lot')}",
        "through": "The lots and fermentations it passed through",
        "sources": f"The {count(fruit)} sources of the wine" if fruit > 1 else "Its source",
        "trail": f"The trail: {_many(happened, 'event')} and their papers",
    }


def _narrow(table: Table) -> bool:
    """Whether a table is short and narrow enough for half the width of the page."""
    return (
        len(table.fields) == 1
        and len(table.rows) <= MOST_HALF_ROWS
        and all(len(row.names[0] or "") <= MOST_HALF_SIGNS for row in table.rows)
    )


def _pairs(tables: list[Table]) -> list[list[Table]]:
    """Two and two, as they stand beside each other."""
    return [tables[at : at + 2] for at in range(0, len(tables), 2)]


def _many(number: int, noun: str) -> str:
    return f"{typeset.counted(number)} {noun}{'' if number == 1 else 's'}"


def _drawings(dossier: Dossier, amounts: Amounts, covered: Callable[[str], bool]) -> dict[str, Any]:
    """The drawings as SVG; amounts in 10^-12 of a litre of this wine."""
    litres = Fraction(dossier.wine.told_of)

    def amount(share: str) -> int:
        return int(Fraction(share) * litres * ONE)

    def says(inside: int) -> str:
        return amounts.amount(Fraction(inside, ONE))

    def legible(text: str) -> str:
        return typeset.legible(typeset.name(text), covered)

    bodies = [_body(body, amount, says, legible) for body in dossier.genealogy.bodies]
    links = [
        layout.Link(
            flow.source, flow.target, amount(flow.share), _edge(dossier, flow.source, flow.fraction)
        )
        for flow in dossier.genealogy.flows
    ]
    deep = max(layout.columns([body.key for body in bodies], links, bodies[-1].key).values())
    wide = deep > 5
    room = LANDSCAPE if wide else PORTRAIT
    one = int(amounts.one * ONE)
    canvas = charts.Canvas(room[0], room[1], says, one, amounts.unit)
    title = f"Genealogy of lot {legible(dossier.wine.lot)}"
    return {
        "wide": wide,
        "genealogy": _ours(charts.genealogy(bodies, links, canvas, title)),
        "origins": _ours(_origins(dossier, legible)),
    }


def _edge(dossier: Dossier, source: str, fraction: str | None) -> str:
    kinds = {body.key: body.kind for body in dossier.genealogy.bodies}
    return "addition" if kinds[source] == "addition" else fraction or ""


def _body(
    body: Body,
    amount: Callable[[str], int],
    says: Callable[[int], str],
    legible: Callable[[str], str],
) -> charts.Body:
    volume = amount(body.share)
    since = typeset.moment(body.since) if body.since else ""
    parts = [body.says, says(volume)] if body.says else [says(volume), since]
    note = ", ".join(part for part in parts if part)
    return charts.Body(
        key=body.key,
        name=legible(body.name),
        note=legible(note),
        volume=volume,
        kind=body.kind,
        lost=amount(body.lost),
        amount=says(volume),
    )


def _origins(dossier: Dossier, legible: Callable[[str], str]) -> str:
    """The largest parts by the fields of ``origins``, the others as one."""
    rows = sorted(dossier.origins.rows, key=lambda row: -Fraction(row.share))
    shown = rows if len(rows) <= MOST_ORIGINS else rows[: MOST_ORIGINS - 1]
    parts = []
    for row in shown:
        known = [one for one in row.names if one is not None]
        parts.append(
            (
                legible(", ".join(known) if known else "not known"),
                f"{typeset.part(row.share)} %",
                Fraction(row.share),
            )
        )
    if len(shown) < len(rows):
        rest = sum((Fraction(row.share) for row in rows[len(shown) :]), Fraction(0))
        parts.append(
            (f"{len(rows) - len(shown)} smaller parts", f"{typeset.part(str(rest))} %", rest)
        )
    return charts.origins(parts, legible(dossier.wine.lot), PORTRAIT[0])


# ---- the deny-all fetcher, fonts and dates


@cache
def _font(weight: str) -> bytes:
    return (folder("templates") / "fonts" / f"SourceSans3-{weight}.woff2").read_bytes()


@cache
def _coverage() -> frozenset[int]:
    """The code points that all shipped fonts have, from ``fonts/coverage.txt``."""
    text = (folder("templates") / "fonts" / "coverage.txt").read_text(encoding="ascii")
    points: set[int] = set()
    for line in text.splitlines():
        if line and not line.startswith("#"):
            first, _, last = line.partition("-")
            points.update(range(int(first, 16), int(last or first, 16) + 1))
    return frozenset(points)


def _covered(sign: str) -> bool:
    return ord(sign) in _coverage() and typeset.unhidden(sign)


def _fetcher() -> URLFetcher:
    """Hands out the shipped fonts from memory and ends the rendering on anything else."""
    from weasyprint.urls import (
        FatalURLFetchingError,
        URLFetcher,
        URLFetcherResponse,
    )

    class Fonts(URLFetcher):  # type: ignore[misc]  # ships no types
        def fetch(self, url: str, headers: Any = None) -> Any:  # noqa: ARG002
            weight = url.removeprefix(SCHEME)
            if url == weight or weight not in FONTS:
                raise FatalURLFetchingError(f"a page asked for `{url}`; nothing is fetched")
            return URLFetcherResponse(url, _font(weight), {"Content-Type": "font/woff2"})

    return Fonts()


@contextmanager
def _source_date(as_of: str) -> Iterator[None]:
    """The date that the PDF carries inside, for as long as it is written."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    days = (date.fromisoformat(as_of[:10]) - date(1970, 1, 1)).days
    os.environ["SOURCE_DATE_EPOCH"] = str(days * 86_400)
    try:
        yield
    finally:
        if before is None:
            del os.environ["SOURCE_DATE_EPOCH"]
        else:
            os.environ["SOURCE_DATE_EPOCH"] = before
