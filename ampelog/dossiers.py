"""The dossiers of every bottled lot, written by as many processes as there are cores.

Each process opens the ledger for itself, reads, and writes one file at a time: memory does not grow
with the number of dossiers.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from msgspec import Struct

from ampelog import outlet, printing
from ampelog.audience import AUDITOR
from ampelog.facts import Dossier, Head
from ampelog.gates import beside
from ampelog.parcel import Asked
from ampelog.printing import Attached
from ampelog.questions import View
from ampelog.state import BOTTLES

_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")
_ODD = re.compile(r"[^A-Za-z0-9_-]+")
SHORTEST = 60


class Order(Struct, frozen=True):
    """What one dossier is made from, for another process: nothing in it is open."""

    ledger: Path
    lot: str
    file: Path
    as_of: str | None
    known_on: str | None
    units: str
    paper: str
    reader: str | None
    evidence: bool
    wait: int


class Written(Struct, frozen=True):
    """A dossier that was written."""

    lot: str
    file: Path
    pages: int
    title: str
    says: str


def bottled(view: View) -> list[str]:
    """Every lot that holds bottles, or last held some, by name."""
    return [lot.name for lot in view.all_lots() if lot.sort == BOTTLES and lot.contents()]


def file_name(lot: str) -> str:
    """The name of a lot's file: the lot's own where it is plain, else its plain signs and a hash:
    no name leaves the folder, and no two lots share a file."""
    if _PLAIN.fullmatch(lot):
        return f"{lot}.pdf"
    mark = hashlib.sha256(lot.encode()).hexdigest()[:8]
    return f"{_ODD.sub('-', lot).strip('-')[:SHORTEST] or 'lot'}-{mark}.pdf"


def write(orders: Sequence[Order], done: Callable[[int], None]) -> list[Written]:
    """Write them all, told how many are ``done``; in the order of the orders."""
    found: dict[str, Written] = {}
    cores = min(len(orders), os.cpu_count() or 1)
    if cores < 2:
        for order in orders:
            found[order.lot] = one(order)
            done(len(found))
    else:
        for written in _side_by_side(orders, cores):
            found[written.lot] = written
            done(len(found))
    return [found[order.lot] for order in orders]


def _side_by_side(orders: Sequence[Order], cores: int) -> Iterator[Written]:
    # a fresh process each: threads of the database do not survive a fork
    with ProcessPoolExecutor(cores, mp_context=get_context("spawn")) as pool:
        for each in as_completed([pool.submit(one, order) for order in orders]):
            yield each.result()


def one(order: Order) -> Written:
    """Write one dossier."""
    from ampelog import ledger as ledgers
    from ampelog import render, typeset

    with ledgers.opened(order.ledger, write=False, wait=order.wait) as ledger:
        view = View(ledger, order.as_of, order.known_on)
        wanted = asked(view, order, None)
        facts, attached = made(view, wanted, order.evidence)
    pages = render.write(facts, order.file, order.units, order.paper, attached)
    return Written(order.lot, order.file, pages, facts.title, typeset.answer(facts))


def asked(view: View, order: Order, label: str | None) -> Asked:
    """What an order asks for, as a view is asked for it."""
    return Asked(
        order.lot,
        label,
        view.as_of,
        view.until,
        order.units,
        order.paper,
        private=order.reader == AUDITOR,
        reader=order.reader,
        gates=beside(order.ledger),
    )


def made(view: View, wanted: Asked, carries: bool) -> tuple[Dossier, tuple[Attached, ...]]:
    """The facts of a dossier, and what is attached to it where it ``carries`` its evidence."""
    from ampelog import parcel

    facts = parcel.figured(view, wanted)
    if not carries:
        return parcel.told(facts, None), ()
    facts = parcel.told(facts, wanted)
    return facts, parcel.parcel(view, facts, wanted)


def index(written: Sequence[Written], head: Head, premises: str, as_of: str, folder: Path) -> Path:
    """The page that names them all, in their folder."""
    values = {"written": written, "head": head, "premises": premises}
    path = folder / "index.html"
    text = printing.html(lambda _: printing.Page("dossiers.html", as_of, values))
    outlet.keep(text.encode("utf-8"), path)
    return path
