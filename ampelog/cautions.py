"""Cautions for work that can kill: what to do first, where a sheet or an answer touches it.

They are reminders in our own words. Local codes, the safety data sheet of the product and the
site's own safety plan decide; where they ask for more, they are followed. The limits are those of
the United States from memory, not read again: 29 CFR 1910.1000 Table Z-1 (carbon dioxide 5,000 ppm,
sulfur dioxide 5 ppm), 29 CFR 1910.146 (permit-required confined spaces).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from msgspec import Struct

CARBON_DIOXIDE, INERT_GAS, DRY_ICE = "carbon dioxide", "inert gas", "dry ice"
SULFUR_DIOXIDE, METABISULFITE = "sulfur dioxide", "metabisulfite and acid"
CONFINED_SPACE = "confined space"

DECIDES = (
    "These are reminders. Local codes, the product's safety data sheet and the site's own safety "
    "plan decide."
)


class Caution(Struct, frozen=True):
    """``first``: what to do before anything else; ``why``: the danger; ``source`` of its figures,
    empty where it has none."""

    first: str
    why: str
    source: str = ""

    @property
    def says(self) -> str:
        """The whole caution on one line."""
        return f"{self.first} {self.why}"


_Z1 = "29 CFR 1910.1000 Table Z-1 (from memory)"
CAUTIONS: Mapping[str, Caution] = MappingProxyType(
    {
        CARBON_DIOXIDE: Caution(
            "Ventilate and read the gas meter before you enter a cellar with ferments.",
            "Carbon dioxide has no smell, lies low, and can take consciousness without warning. "
            "The workplace limit in the United States is 5,000 ppm over eight hours.",
            _Z1,
        ),
        INERT_GAS: Caution(
            "Never lean into or enter a tank that was blanketed; ventilate, and read the oxygen "
            "meter first.",
            "Nitrogen, argon and carbon dioxide displace air: one breath without oxygen can fell "
            "a person.",
        ),
        DRY_ICE: Caution(
            "Wear insulated gloves and eye protection, ventilate, and never close dry ice into a "
            "tight container or a closed car.",
            "It burns skin by cold, turns into a large volume of carbon dioxide, and bursts what "
            "holds it.",
        ),
        SULFUR_DIOXIDE: Caution(
            "Wear the respirator, goggles and gloves of the safety plan, open to the air, with "
            "nobody downwind.",
            "Sulfur dioxide burns eyes and lungs and can close the airways of people with asthma. "
            "The workplace limit in the United States is 5 ppm over eight hours.",
            _Z1,
        ),
        METABISULFITE: Caution(
            "Weigh metabisulfite under ventilation, and never let it meet acid outside the wine.",
            "With acid, or in acid water, it gives off sulfur dioxide at once.",
        ),
        CONFINED_SPACE: Caution(
            "Do not enter a tank, vat or pit without the permit, the gas readings, an attendant "
            "outside and a way to be pulled out. Never go in after someone who fell.",
            "The air in it may not be breathable, gives no warning, and fells a helper like the "
            "first. In the United States such spaces are permit-required confined spaces.",
            "29 CFR 1910.146 (from memory)",
        ),
    }
)
"""By topic, in the order in which they are printed."""


def lines(topics: Iterable[str]) -> tuple[str, ...]:
    """The cautions of some topics, each once, in a fixed order, and at the end who decides; nothing
    for no topic. ``KeyError`` for a topic that has none: a caution is never left out in silence."""
    wanted = set(topics)
    unknown = wanted - CAUTIONS.keys()
    if unknown:
        raise KeyError(f"no caution for {sorted(unknown)}; there are {list(CAUTIONS)}")
    if not wanted:
        return ()
    return (*(one.says for topic, one in CAUTIONS.items() if topic in wanted), DECIDES)
