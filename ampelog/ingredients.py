"""What went into a wine besides grapes: the list of ingredients and the allergens of a market.

Read from the treatments, the ferments and the bottling that the wine went through, and from what
the materials are registered to be. What the records do not show is said, never left out: materials
of unknown make, and wine that came in with none of its own treatments told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct, field

from ampelog import moments
from ampelog.analysed import Analysed, of_lot
from ampelog.cellar_work import materials, passed, untold
from ampelog.errors import Refused
from ampelog.grapes import fold
from ampelog.particulars import figure
from ampelog.questions import View
from ampelog.rules import known, pack
from ampelog.statements import plain
from ampelog.terms import Ingredients, Substance

LISTED = ("ingredient", "additive")
SULFITES = "sulfites"


class _Used(Struct):
    """One thing that went in, with the materials and events that tell of it."""

    substance: Substance
    materials: dict[str, None] = field(default_factory=dict)
    events: dict[str, None] = field(default_factory=dict)


def ingredients(view: View, name: str, market: str) -> dict[str, Any]:
    """The ingredients and allergens of a lot for a market, and what the records do not show."""
    law = _law(market)
    lot = view.lot(name)
    instant = view.claimed(lot)
    events = passed(view, lot, view.content(lot))
    found = _Found(view, law, instant)
    for event in events:
        found.take(event)
    found.sulfites(of_lot(view, lot))
    day = moments.day(instant, view.zone)
    return {
        "lot": name,
        "market": market,
        "citation": law.cite,
        "statement": found.statement(),
        "ingredients": found.listed(),
        "allergens": found.allergens(),
        "aids": found.of_kind("aid"),
        "unknown": list(found.unknown),
        "says": [*_not_yet(law, day), *law.says],
    }


def _law(market: str) -> Ingredients:
    found = pack(market).ingredients
    if found is None:
        having = [each for each in known() if pack(each).ingredients is not None]
        raise Refused(
            f"the pack `{market}` has no rules on ingredients",
            hint=f"packs that have: {', '.join(having)}",
        )
    return found


def _not_yet(law: Ingredients, day: Any) -> Iterator[str]:
    if day < law.valid_from:
        yield f"On {day} no list was asked for: that began on {law.valid_from}."


class _Found:
    """What was found to be in the wine."""

    def __init__(self, view: View, law: Ingredients, instant: int) -> None:
        self._registers, self._law, self._instant = view.cellar.registers, law, instant
        self._used: dict[str, _Used] = {}
        self.unknown: dict[str, None] = {}
        self._by_name = {fold(n): each for each in law.substance for n in each.names}
        self._said: list[str] = []
        self._below = False

    def take(self, event: Mapping[str, Any]) -> None:
        """Look at one event that the wine went through."""
        says = untold(event)
        if says is not None:
            self.unknown[says] = None
        role = self._law.roles.get(str(event.get("role")))
        for material in materials(event):
            self._material(material, str(event["id"]), role)
        for end in _ends(event):
            term = self._law.roles.get(str(end.get("role")))
            if term is not None:
                self._add(
                    Substance(names=(), kind="ingredient", term=term), end["lot"], event["id"]
                )

    def _material(self, name: str, event: str, role: str | None) -> None:
        made = self._registers.at("material", name, self._instant).get("is")
        if role is not None:
            self._add(_ingredient(role), name, event)
        if not made and fold(name) not in self._by_name:
            self.unknown[f"What `{name}` is made of is not registered (`is`)."] = None
        for each in made or (name,):
            substance = self._by_name.get(fold(str(each)))
            if substance is not None:
                self._add(substance, name, event)
            elif made:
                says = f"`{each}`, in `{name}`, is not in the table of substances."
                self.unknown[says] = None

    def _add(self, substance: Substance, material: str, event: str) -> None:
        used = self._used.setdefault(substance.term, _Used(substance))
        used.materials[material] = None
        used.events[event] = None

    def sulfites(self, fills: Sequence[Analysed]) -> None:
        """What analyses of the fills say of sulfites: from a limit on they are declared, and the
        fill that has most decides."""
        known = [found for one in fills if (found := figure(one.values.get("total_so2")))]
        limit = self._law.sulfites_from
        there = any(used.substance.allergen == SULFITES for used in self._used.values())
        if len(known) < len(fills):
            why = [one.why["total_so2"] for one in fills if "total_so2" in one.why]
            if there or why:
                says = why[0] if why else "No analysis of total sulfur dioxide is recorded."
                self._said.append(says)
            return
        value, below = max(known)
        self._below = value < limit or (below and value <= limit)
        self._said.append(
            f"Total sulfur dioxide {'under ' if below else ''}{plain(value)} mg/L; sulfites are "
            f"declared from {plain(limit)} on."
        )
        if not self._below and not there:
            substance = self._by_name.get(fold(SULFITES))
            if substance is not None:
                self._used[substance.term] = _Used(substance)

    def listed(self) -> list[dict[str, Any]]:
        """The ingredients in the order of a list: grapes, what else is wine or sugar, additives."""
        first: dict[str, Any] = {
            "term": self._law.first,
            "group": None,
            "materials": [],
            "events": [],
        }
        kinds = [self.of_kind(kind) for kind in LISTED]
        return [first, *(row for rows in kinds for row in rows)]

    def of_kind(self, kind: str) -> list[dict[str, Any]]:
        """What of one kind was used."""
        return [_row(used) for used in self._used.values() if used.substance.kind == kind]

    def allergens(self) -> list[dict[str, Any]]:
        """The allergens, each with whether it must be declared, as far as that is known."""
        found = []
        for used in self._used.values():
            allergen = used.substance.allergen
            if allergen is None:
                continue
            declare, says = True, "It was used as an additive."
            if allergen == SULFITES:
                declare, says = not self._below, " ".join(self._said)
            elif used.substance.kind == "aid":
                says = "It was used as an aid: declared unless an analysis finds none of it."
            found.append(
                {
                    "allergen": allergen,
                    "declare": declare,
                    "materials": list(used.materials),
                    "events": list(used.events),
                    "why": says,
                }
            )
        return found

    def statement(self) -> str:
        """The list as it could stand on a label, as far as the records go."""
        groups: dict[str, list[str]] = {}
        plain_: list[str] = []
        for row in self.listed():
            if row["group"] is None:
                plain_.append(row["term"])
            else:
                groups.setdefault(row["group"], []).append(row["term"])
        parts = [*plain_, *(f"{group}: {', '.join(terms)}" for group, terms in groups.items())]
        said = [f"Ingredients: {'; '.join(parts)}."]
        named = [row["allergen"] for row in self.allergens() if row["declare"]]
        if named:
            said.append(f"Contains {', '.join(dict.fromkeys(named))}.")
        said += [f"{row['term'].capitalize()}." for row in self.of_kind("gas")]
        return " ".join(said)


def _row(used: _Used) -> dict[str, Any]:
    return {
        "term": used.substance.term,
        "group": used.substance.group,
        "materials": list(used.materials),
        "events": list(used.events),
    }


def _ingredient(term: str) -> Substance:
    return Substance(names=(), kind="ingredient", term=term)


def _ends(event: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    ends = event.get("from")
    for end in ends if isinstance(ends, list) else [ends]:
        if isinstance(end, Mapping):
            yield end
