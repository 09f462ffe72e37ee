"""How long bottles rest: as their label says, else a default by style that binds nothing."""

from __future__ import annotations

import tomllib
from datetime import date
from functools import cache
from typing import Any

from msgspec import Struct

from ampelog import moments
from ampelog.questions import View
from ampelog.resources import folder
from ampelog.state import Lot

LABEL, DEFAULT = "label", "style default"


class Rest(Struct, frozen=True):
    """The rest of a bottled lot. ``bottled_on`` is the day on which the latest bottling of what it
    holds, or last held, ended; None where none is known. ``release_on`` is the day that the rest
    comes to: the bottles may leave on it. ``basis`` is ``label`` or ``style default``; only a label
    binds. ``anchor`` is what is published near a default."""

    bottled_on: date | None
    stated: str | None = None
    release_on: date | None = None
    basis: str | None = None
    anchor: str | None = None

    @property
    def days(self) -> int | None:
        """Calendar days from the bottling to the release."""
        if self.bottled_on is None or self.release_on is None:
            return None
        return (self.release_on - self.bottled_on).days

    @property
    def binds(self) -> bool:
        """Whether bottles that leave before are refused."""
        return self.basis == LABEL


def rest_of(view: View, lot: Lot) -> Rest:
    """The rest of a lot of bottles, by the label that it bears on the day asked of."""
    ended = lot.bottled()
    bottled = None if ended is None else moments.day(ended, view.zone)
    registers = view.cellar.registers
    name = view.cellar.label_of(lot, view.today)
    label = registers.at("label", name, view.today) if name is not None else {}
    stated, basis, anchor = label.get("rest"), LABEL, None
    if stated is None:
        style = style_of(view, lot)
        default = next((one for one in defaults() if style in one["styles"]), None)
        if default is None:
            return Rest(bottled)
        stated, basis = str(default["rest"]), DEFAULT
        anchor = f"{default['basis']}; {default['anchor']}"
    over = moments.rest_over(stated, bottled)
    return Rest(bottled, stated, None if over is None else date.fromisoformat(over), basis, anchor)


def style_of(view: View, lot: Lot) -> str | None:
    """The style of a lot, by its own register or its label's."""
    registers, name = view.cellar.registers, view.cellar.label_of(lot, view.today)
    own = registers.at("lot", lot.name, view.today).get("style")
    style = own or (registers.at("label", name, view.today).get("style") if name else None)
    return None if style is None else str(style)


@cache
def defaults() -> tuple[dict[str, Any], ...]:
    """The defaults of ``cellar_facts/rests.toml``."""
    text = (folder("cellar_facts") / "rests.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["rest"])
