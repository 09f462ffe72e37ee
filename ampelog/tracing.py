"""Back to the sources, and through which lots; forward to what came of a lot."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from ampelog.composition import decimals
from ampelog.errors import Refused
from ampelog.genealogy import BITS, Passage, forward, through
from ampelog.graph import Ferment
from ampelog.phrases import regime
from ampelog.quantities import SHARE_DECIMALS, text
from ampelog.questions import View
from ampelog.state import Lot


def printed(amount: int) -> str:
    """An amount of ``2**BITS`` as a share with 30 decimals, rounded down.

    What rounding in the pass lost is far below the last decimal: a whole is printed as one.
    """
    nearly = amount + (1 << (BITS - 110))
    return decimals(nearly * 10**SHARE_DECIMALS >> BITS)


def back(view: View, name: str) -> dict[str, Any]:
    """The sources of a lot, each with its share, and the lots that its wine passed through."""
    lot = view.lot(name)
    content = view.content(lot)
    composition = view.composition(lot, content)
    found = composition.rows(lambda leaf: (leaf,))
    sources = [
        {
            "event": leaf.event,
            "kind": leaf.kind,
            "lot": leaf.lot,
            "block": leaf.block,
            "variety": leaf.variety,
            "vintage": leaf.vintage,
            "picked_on": leaf.picked_on.isoformat() if leaf.picked_on else None,
            "role": leaf.role,
            **({"clone": leaf.clone} if leaf.clone else {}),
            **({"material": leaf.material} if leaf.material else {}),
            "share": share,
        }
        for (leaf,), share in found
    ]
    passages = passed(view, lot, content)
    return {"lot": lot.name, "sources": sources, "through": rows(view, lot, passages)}


def passed(view: View, lot: Lot, content: list[tuple[int, int]]) -> dict[str, Passage]:
    """What crossed from each lot on the way to this one, and fermented there."""
    return through(view.genealogy(content, labels=True), lot.name, content)


def rows(view: View, lot: Lot, passages: Mapping[str, Passage]) -> list[dict[str, Any]]:
    """The lots passed through, largest share first, each with its fermentation."""
    ferments = view.ferments()
    found = [
        {
            "lot": name,
            "share": printed(passage.crossed),
            "ferment": [
                _stretch(ferments[n], passage.ferments[n]) for n in sorted(passage.ferments)
            ],
        }
        for name, passage in passages.items()
        if passage.crossed or (passage.ferments and name == lot.name)
    ]
    return sorted(found, key=lambda row: (-int(row["share"].replace(".", "")), row["lot"]))


def _stretch(ferment: Ferment, amount: int) -> dict[str, Any]:
    return {
        "vessel": ferment.vessel,
        "organism": ferment.organism,
        "regime": ferment.regime,
        "regime_in_words": regime(ferment.regime, noted=False) if ferment.regime else None,
        "share": printed(amount),
    }


def ahead(view: View, name: str) -> dict[str, Any]:
    """The lots that a lot's wine is in now (or was last), with its share of them."""
    lot = view.lot(name)
    contents = {other.name: (other, view.content(other)) for other in view.all_lots()}
    everything = [part for _, content in contents.values() for part in content]
    genealogy = view.genealogy(everything, labels=True)
    origins = [node for node, label in enumerate(genealogy.labels) if label[0] == lot.name]
    shares = forward(genealogy, origins)
    reaches = []
    for other, content in contents.values():
        total = sum(amount for _, amount in content)
        came = sum(shares.get(node, 0) * amount for node, amount in content)
        if came and other.name != lot.name:
            reaches.append(
                {
                    "lot": other.name,
                    "share": printed(came // total),
                    "volume_l" if other.sort != "mass" else "mass_kg": text(other.amount),
                }
            )
    reaches.sort(key=lambda row: (-int(row["share"].replace(".", "")), row["lot"]))
    return {"lot": lot.name, "reaches": reaches}


def coded(view: View, code: str) -> str:
    """The lot whose bottles bear a mark."""
    rows = view.ledger.rows("events_coded", code=json.dumps(code, ensure_ascii=False))
    corrected = view.ledger.known([row[1] for row in rows if row[1] is not None])
    positions = {row[0] for row in rows} | {record.position for record in corrected.values()}
    found: set[str] = set()
    for event in view.events(p for p in positions if p <= view.head.position).values():
        to = event.get("to", event)
        ends = to if isinstance(to, list) else [to]
        ends = [end for end in [*ends, event] if isinstance(end, dict)]
        found |= {end["lot"] for end in ends if end.get("code") == code and "lot" in end}
    if len(found) == 1:
        return found.pop()
    if not found:
        raise Refused(f"no bottles bear the code `{code}`", hint="`ampelog lots --bottled`")
    names = ", ".join(f"`{name}`" for name in sorted(found))
    raise Refused(f"the code `{code}` stands on several lots: {names}", hint="name the lot")
