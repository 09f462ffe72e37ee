"""A PDF, taken apart: what is attached to it, and what stands on its pages."""

from __future__ import annotations

import io
import logging
import zlib
from collections.abc import Callable
from hashlib import sha256
from typing import TYPE_CHECKING, Any, TypeVar

from msgspec import Struct

from ampelog.errors import Refused

if TYPE_CHECKING:
    from pypdf import PageObject, PdfReader
    from pypdf.generic import EmbeddedFile

T = TypeVar("T")
_BROKEN = (
    *(ValueError, TypeError, LookupError, AttributeError, OSError, ArithmeticError),
    *(AssertionError, RuntimeError, zlib.error),
)
"""What a reader of damaged bytes may raise beside its own errors."""


class Sheet(Struct, frozen=True):
    """A page: its text, the bytes that draw it, and what else decides how it is shown (``framed``:
    its boxes, annotations, fonts and images, as one hash)."""

    text: str
    drawn: bytes
    framed: str = ""


class Parts(Struct, frozen=True):
    """The attachments by name, and the pages; what cannot be read of either is empty."""

    attached: dict[str, bytes]
    sheets: tuple[Sheet, ...]


def parts(content: bytes, name: str) -> Parts:
    """Take a PDF apart. ``Refused`` where the file is no PDF that can be read, or holds two
    attachments of one name."""
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what is wrong is told by what differs
    try:
        reader = PdfReader(io.BytesIO(content))
        attached = _attached(reader)
        pages = list(reader.pages)
    except (PyPdfError, *_BROKEN) as fault:
        raise Refused(f"{name} is no PDF that can be read: {fault}") from None
    names = [one for one, _ in attached]
    twice = [one for one in names if names.count(one) > 1]
    if twice:
        raise Refused(f"{name} holds more than one attachment named {twice[0]}")
    framed, nothing = _Shapes(), Sheet("", b"")
    return Parts(dict(attached), tuple(_tried(_sheet(one, framed), nothing) for one in pages))


def _attached(reader: PdfReader) -> list[tuple[str, bytes]]:
    return [(one.name, _tried(_content(one), b"")) for one in reader.attachment_list]


def _content(one: EmbeddedFile) -> Callable[[], bytes]:
    return lambda: one.content


def _sheet(page: PageObject, framed: _Shapes) -> Callable[[], Sheet]:
    def read() -> Sheet:
        drawn = page.get_contents()
        data = b"" if drawn is None else drawn.get_data()
        return Sheet(page.extract_text(), data, framed.of_page(page))

    return read


_APART = frozenset({"/Type", "/Parent", "/Contents", "/StructParents", "/StructParent", "/P"})
"""What of a page is compared by itself, or leads away from it."""
_PACKED = frozenset({"/Length", "/Filter", "/DecodeParms"})


class _Shapes:
    """Hashes of what objects say, whatever their numbers and however they are packed."""

    def __init__(self) -> None:
        self._known: dict[int, str] = {}

    def of_page(self, page: PageObject) -> str:
        """All that a page leads to, but for what draws it and for other pages."""
        return self._fields(page, _APART)

    def _of(self, value: Any) -> str:
        from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject, StreamObject

        if isinstance(value, IndirectObject):
            if value.idnum not in self._known:
                self._known[value.idnum] = "itself"  # where it leads back to where it began
                self._known[value.idnum] = self._of(value.get_object())
            return self._known[value.idnum]
        if isinstance(value, StreamObject):
            data = sha256(value.get_data()).hexdigest()
            return _hash([data, self._fields(value, _APART | _PACKED)])
        if isinstance(value, DictionaryObject):
            return "a page" if value.get("/Type") == "/Page" else self._fields(value, _APART)
        if isinstance(value, ArrayObject):
            return _hash([self._of(one) for one in value])
        return repr(value)

    def _fields(self, value: Any, but: frozenset[str]) -> str:
        names = sorted(value.keys() - but)
        return _hash([f"{name} {self._of(value.raw_get(name))}" for name in names])


def _hash(parts: list[str]) -> str:
    return sha256("\0".join(parts).encode("utf-8", "surrogatepass")).hexdigest()


def _tried(read: Callable[[], T], otherwise: T) -> T:
    from pypdf.errors import PyPdfError

    try:
        return read()
    except (PyPdfError, *_BROKEN):
        return otherwise
