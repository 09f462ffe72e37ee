"""A PDF, taken apart: what is attached to it, and what stands on its pages."""

from __future__ import annotations

import io
import logging
import zlib
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

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
    """A page: its text, and the bytes that draw it."""

    text: str
    drawn: bytes


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
    return Parts(dict(attached), tuple(_tried(_sheet(one), Sheet("", b"")) for one in pages))


def _attached(reader: PdfReader) -> list[tuple[str, bytes]]:
    return [(one.name, _tried(_content(one), b"")) for one in reader.attachment_list]


def _content(one: EmbeddedFile) -> Callable[[], bytes]:
    return lambda: one.content


def _sheet(page: PageObject) -> Callable[[], Sheet]:
    def read() -> Sheet:
        drawn = page.get_contents()
        return Sheet(page.extract_text(), b"" if drawn is None else drawn.get_data())

    return read


def _tried(read: Callable[[], T], otherwise: T) -> T:
    from pypdf.errors import PyPdfError

    try:
        return read()
    except (PyPdfError, *_BROKEN):
        return otherwise
