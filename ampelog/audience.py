"""For whom a dossier is: which sections a reader gets, and what is not named to them.

An auditor reads everything. The owner of the wine reads its story without the list of events. A
buyer and an importer read what the wine is; other parties are not named to them, and the other lots
of the cellar go by numbers. Of wine in bulk a buyer gets a certificate: what it is made of and what
was analysed in it, and never what a label may say.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec.structs import replace

from ampelog.facts import Body, Dossier, Source, Table
from ampelog.phrases import listed

AUDITOR, BUYER, IMPORTER, OWNER = "auditor", "buyer", "importer", "owner"
READERS = (AUDITOR, BUYER, IMPORTER, OWNER)
STRANGERS = frozenset({BUYER, IMPORTER})
"""To whom parties and other lots are not named."""
WITHOUT: dict[str, tuple[str, ...]] = {
    BUYER: ("curves", "through", "shipments", "record", "trail", "summed"),
    IMPORTER: ("curves", "through", "shipments", "trail", "summed"),
    OWNER: ("through", "record", "trail", "summed"),
}
"""The sections that a reader does not get."""
_SECTIONS = {
    "curves": "the fermentations",
    "through": "the lots it passed through",
    "shipments": "shipments",
    "record": "the label information record",
    "trail": "the trail of events",
}
UNNAMED = (
    "Suppliers, growers, customers and the numbers of their papers are not named on these pages, "
    "and other lots of the cellar go by numbers. Where events are attached, these name the lots "
    "and what befell them, and the titles of scanned papers; the last page says what is masked."
)
NO_CLAIM = (
    "It is of wine in bulk: it says what the wine is made of, and nothing that a label may state. "
    "Whoever bottles it judges the label on the wine as it is then."
)
_SUPPLIER = "received"


def told(dossier: Dossier, reader: str | None) -> Dossier:
    """The dossier as a reader gets it, saying what was left out; None and the auditor get all."""
    if reader is None or reader == AUDITOR:
        return replace(dossier, reader=reader)
    left_out = WITHOUT[reader]
    says = [f"Not printed for this reader: {listed(_named(left_out))}."]
    empty: dict[str, Any] = dict.fromkeys(left_out, ())
    made = replace(dossier, reader=reader, **empty)
    if reader in STRANGERS:
        made = _unnamed(replace(made, ready=None))
        says.append(UNNAMED)
    if reader == BUYER and dossier.wine.bottles is None:
        wine = replace(made.wine, label=None)
        made = replace(made, claims=(), verdict=None, title=wine.lot, wine=wine)
        says.append(NO_CLAIM)
    return replace(made, withheld=tuple(says))


def _named(sections: tuple[str, ...]) -> Iterator[str]:
    return (_SECTIONS[one] for one in sections if one in _SECTIONS)


def _unnamed(dossier: Dossier) -> Dossier:
    """Without parties and the names of other lots."""
    numbers = _Numbers(dossier)
    genealogy = replace(
        dossier.genealogy,
        bodies=tuple(numbers.body(one) for one in dossier.genealogy.bodies),
        flows=tuple(
            replace(one, source=numbers.key(one.source), target=numbers.key(one.target))
            for one in dossier.genealogy.flows
        ),
    )
    return replace(
        dossier,
        wine=replace(dossier.wine, owner=None),
        genealogy=genealogy,
        origins=numbers.table(dossier.origins),
        sources=tuple(numbers.source(one) for one in dossier.sources),
        additions=tuple(replace(one, lot=numbers.lot(one.lot)) for one in dossier.additions),
        analyses=tuple(
            replace(one, lot=numbers.lot(one.lot), ref=None) for one in dossier.analyses
        ),
        fillings=tuple(
            replace(
                one,
                lot=numbers.lot(one.lot),
                of=tuple(replace(each, lot=numbers.lot(each.lot)) for each in one.of),
            )
            for one in dossier.fillings
        ),
        rest=_without_reason(dossier.rest),
    )


def _without_reason(rest: Any) -> Any:
    """Why something is held is the winery's own word."""
    if rest is None or not rest.why.startswith("on hold"):
        return rest
    return replace(rest, why="on hold")


class _Numbers:
    """A number for every other lot, in the order in which the wine came through them."""

    def __init__(self, dossier: Dossier) -> None:
        own = dossier.wine.lot
        names = [body.name for body in dossier.genealogy.bodies if body.kind == "lot"]
        names += [one.lot for one in dossier.sources if one.lot is not None]
        names += [one.lot for one in dossier.additions]
        names += [one.lot for one in dossier.analyses]
        names += [one.lot for one in dossier.fillings]
        names += [each.lot for one in dossier.fillings for each in one.of]
        self._numbers: dict[str, int] = {}
        for name in names:
            if name != own:
                self._numbers.setdefault(name, len(self._numbers) + 1)

    def lot(self, name: str) -> str:
        """What a lot is called."""
        number = self._numbers.get(name)
        return name if number is None else f"lot {number}"

    def key(self, key: str) -> str:
        """A key of the drawing, without the name in it."""
        return self.lot(key[4:]) if key.startswith("lot ") and key[4:] in self._numbers else key

    def body(self, one: Body) -> Body:
        """A body of the drawing."""
        if one.kind == "lot":
            return replace(one, key=self.key(one.key), name=self.lot(one.name))
        return replace(one, name=_SUPPLIER) if one.kind == "received" else one

    def source(self, one: Source) -> Source:
        """A source without its paper."""
        lot = None if one.lot is None else self.lot(one.lot)
        return replace(one, lot=lot, name=self._within(one.name), ref=None)

    def table(self, found: Table) -> Table:
        """A table of sources, some of which are called after their lot."""
        rows = (
            replace(row, names=tuple(None if n is None else self._within(n) for n in row.names))
            for row in found.rows
        )
        return replace(found, rows=tuple(rows))

    def _within(self, name: str) -> str:
        """The name of a source of which nothing is stated begins with that of its lot."""
        lot = name.removesuffix(", nothing stated")
        return name if lot == name else f"{self.lot(lot)}, nothing stated"
