"""Pages to files: HTML with everything inside it, PDF from that HTML.

The same page gives the same bytes: every date comes from it, the fonts are the shipped files, and
nothing is fetched. Text from the ledger is data: the templates escape it, what is very long is
cut, and signs that the fonts lack or that would turn text around are printed as code.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field

from ampelog import outlet, typeset
from ampelog.errors import Refused
from ampelog.resources import folder

if TYPE_CHECKING:
    from jinja2 import Environment
    from weasyprint import Document
    from weasyprint.urls import URLFetcher

FONTS = {"Regular": (400, "normal"), "Semibold": (600, "normal"), "It": (400, "italic")}
"""The shipped files, with CSS weight and style."""
PAPERS = {"letter": "letter", "a4": "A4"}
SCHEME = "ampelog-font:"
_ACCESSIBLE = b"""<rdf:Description xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/"
 rdf:about="" pdfuaid:part="1"/><rdf:Description
 xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#"
 xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#" rdf:about=""><pdfaExtension:schemas>
<rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA identification</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix><pdfaSchema:property><rdf:Seq>
<rdf:li rdf:parseType="Resource"><pdfaProperty:name>part</pdfaProperty:name>
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>The part of ISO 14289</pdfaProperty:description></rdf:li>
</rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>
"""

Covered = Callable[[str], bool]
"""Whether the page at hand can show a sign: a PDF has the shipped fonts alone."""


class Page(Struct, frozen=True):
    """A template of ``templates/`` with what fills it.

    ``as_of`` is the day (ISO 8601) that the document carries inside; the templates see it as
    ``as_of`` beside ``values``. ``filters`` are those of this page, beside those of all.
    """

    template: str
    as_of: str
    values: Mapping[str, Any]
    filters: Mapping[str, Callable[..., Any]] = field(default_factory=dict)


class Attached(Struct, frozen=True):
    """A file inside a PDF: its name, MIME type, what it is, and its bytes."""

    name: str
    mime: str
    says: str
    content: bytes


Made = Callable[[Covered], Page]
"""A page for what its reader can show: drawings are text too."""


class Printed(Struct, frozen=True):
    """A PDF and the number of its pages."""

    content: bytes
    pages: int


def html(made: Made, paper: str = "letter") -> str:
    """The page as one self-contained file; the fonts are inside it."""
    addresses = {
        one: f"data:font/woff2;base64,{base64.b64encode(_font(one)).decode()}" for one in FONTS
    }
    return _filled(made(typeset.unhidden), paper, addresses, typeset.unhidden)


def pdf(made: Made, paper: str = "letter", attached: Sequence[Attached] = ()) -> Printed:
    """The page as a tagged PDF, lawful by PDF/A-3a and PDF/UA-1, with files inside it."""
    page = made(covered)
    text = printable(page, paper)
    identifier = hashlib.sha256(text.encode())
    for one in attached:
        identifier.update(hashlib.sha256(one.content).digest())
    with source_date(page.as_of), _ends_told():
        pages = laid_out(text)
        _both_standards(pages.metadata)
        try:
            content = pages.write_pdf(
                pdf_identifier=identifier.digest()[:16],
                pdf_variant="pdf/a-3a",
                attachments=[_inside(one, page.as_of) for one in attached],
            )
        finally:  # the program ends without collecting, and the fonts unpacked would stay behind
            pages.font_config.__del__()
    return Printed(bytes(content), len(pages.pages))


@contextmanager
def _ends_told() -> Iterator[None]:
    """Streams whose end is told apart from their last byte: after a carriage return a strict reader
    takes a lone line feed for the second half of a line's end, and misses a byte of the stream
    (ISO 32000-1, 7.3.8.1; ISO 19005-3, 6.1.7.1). One document in five has such a stream."""
    from pydyf import Stream

    whole, end = Stream.data, b"\nendstream"

    def data(stream: Any) -> bytes:
        text: bytes = whole.fget(stream)
        told = text.removesuffix(end)
        return told + b"\r" + end if told.endswith(b"\r") else text

    Stream.data = property(data)
    try:
        yield
    finally:
        Stream.data = whole


def _both_standards(metadata: Any) -> None:
    """Let the metadata name PDF/UA-1 beside PDF/A-3a: one run writes one variant's, and tags are
    the same for both. A property of another standard is declared where it is used (ISO 19005-3,
    6.6.2.3). Not compressed, as stricter validators ask."""
    describe, include = metadata.generate_rdf_metadata, metadata.include_in_pdf

    def both(*args: Any) -> bytes:
        return bytes(describe(*args)).replace(b"</rdf:RDF>", _ACCESSIBLE + b"</rdf:RDF>")

    def plain(pdf: Any, variant: Any, version: Any, conformance: Any, compress: bool) -> None:
        del compress
        include(pdf, variant, version, conformance, False)

    metadata.generate_rdf_metadata, metadata.include_in_pdf = both, plain


def _inside(one: Attached, as_of: str) -> Any:
    """A file as WeasyPrint attaches it: its type is said and not looked up on the machine."""
    from weasyprint import Attachment

    day = datetime.fromisoformat(as_of[:10]).replace(tzinfo=UTC)
    made = Attachment(
        string=one.content,
        name=one.name,
        description=one.says,
        created=day,
        modified=day,
        relationship="Data",
        url_fetcher=fetcher(),
    )
    made.source = nullcontext((io.BytesIO(one.content), None, None, one.mime))
    return made


def stack() -> dict[str, str]:
    """The versions that decide how a page is set and which bytes a PDF has."""
    from importlib.metadata import version

    from weasyprint.text.ffi import harfbuzz_subset, pango

    names = ("weasyprint", "pydyf", "fonttools")
    subset = "fonttools" if harfbuzz_subset is None else "harfbuzz"
    found = {name: version(name) for name in names}
    more = {"pango": str(pango.pango_version()), "subset": subset, "this program": _build()}
    return found | more


def _build() -> str:
    """What tells this program from another build of the same version: a hash of its modules and
    templates."""
    found = hashlib.sha256()
    for folder_, pattern in ((Path(__file__).parent, "*.py"), (folder("templates"), "*.*")):
        for path in sorted(folder_.glob(pattern), key=lambda one: one.name):
            found.update(path.name.encode() + path.read_bytes())
    return found.hexdigest()[:16]


def printable(page: Page, paper: str) -> str:
    """The page as it goes into a PDF: fonts by name, only signs that they have."""
    return _filled(page, paper, {one: f"{SCHEME}{one}" for one in FONTS}, covered)


def laid_out(text: str) -> Document:
    """Pages, set by the shipped fonts."""
    from weasyprint import HTML

    return HTML(string=text, base_url=SCHEME, url_fetcher=fetcher()).render()


def check_name(path: Path, example: str) -> None:
    """``Refused`` where a file's ending is neither ``.pdf`` nor ``.html``."""
    if path.suffix.lower() not in (".pdf", ".html"):
        raise Refused(f"`{path.name}` is neither a .pdf nor an .html file", hint=f"-o {example}")


def check_paper(paper: str) -> None:
    """``Refused`` for a paper that is not known."""
    if paper not in PAPERS:
        raise Refused(f"--paper {paper}: wanted {' or '.join(PAPERS)}")


def write(made: Made, path: Path, paper: str = "letter", attached: Sequence[Attached] = ()) -> int:
    """Write a ``.pdf`` or ``.html`` file, whole or not at all; returns the number of its pages.

    An HTML file is one page, and nothing is attached to it. ``Refused`` for another ending, or
    where it cannot be written.
    """
    check_name(path, "FILE.pdf")
    if path.suffix.lower() == ".html":
        outlet.keep(html(made, paper).encode(), path)
        return 1
    printed = pdf(made, paper, attached)
    outlet.keep(printed.content, path)
    return printed.pages


def _filled(page: Page, paper: str, fonts: Mapping[str, str], shows: Covered) -> str:
    """The filled-in template."""
    faces = "".join(
        f'@font-face{{font-family:"Source Sans 3";font-weight:{weight};font-style:{style};'
        f"src:url({fonts[one]})}}\n"
        for one, (weight, style) in FONTS.items()
    )
    size = PAPERS[paper]
    sheet = f"@page{{size:{size}}}@page wide{{size:{size} landscape}}\n"
    rules = (folder("templates") / "print.css").read_text(encoding="utf-8")
    template = _environment(page, shows).get_template(page.template)
    return template.render(as_of=page.as_of, style=ours(faces + sheet + rules), **page.values)


def _environment(page: Page, shows: Covered) -> Environment:
    """Templates that escape everything, fail on what is missing, and show only legible text."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        if isinstance(value, str) and not isinstance(value, Markup):
            return typeset.legible(typeset.shortened(value), shows)
        return value

    made = Environment(
        loader=FileSystemLoader(folder("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
    )
    made.filters.update(
        day=typeset.day,
        field=typeset.field,
        grouped=typeset.grouped,
        moment=typeset.moment,
        name=typeset.name,
        pieces=typeset.pieces,
        prose=typeset.prose,
        says=typeset.says,
        sentence=typeset.sentence,
    )
    made.filters.update(page.filters)
    return made


def ours(text: str) -> Any:
    """Text that this program wrote itself (drawings, the style sheet), not to be escaped again."""
    from markupsafe import Markup

    return Markup(text)


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


def covered(sign: str) -> bool:
    """Whether the shipped fonts have a sign that prints as itself."""
    return ord(sign) in _coverage() and typeset.unhidden(sign)


def fetcher() -> URLFetcher:
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
def source_date(as_of: str) -> Iterator[None]:
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
