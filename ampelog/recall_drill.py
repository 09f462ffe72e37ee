"""The note of a recall drill: how long it took, on what was recalled."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from ampelog import moments
from ampelog.errors import Refused
from ampelog.quantities import ONE, floor_text
from ampelog.recall_answer import counted

Row = dict[str, Any]
_FIELDS = {"block": "block", "grower": "party", "lot": "lot"}


def note(answer: Row, took: int, moment: int, zone: ZoneInfo) -> tuple[str, Row]:
    """The seconds (a decimal string, of microseconds ``took``) and the `note` to record.

    ``Refused`` where nothing stands in the ledger that a note could be about.
    """
    from fractions import Fraction

    seconds = floor_text(Fraction(took, ONE // 10**6), 3)
    found = answer["found"]
    said = (
        f"Recall drill from {_said(answer['origin'])}: found {counted(found['lots'], 'lot')} of "
        f"bottles, {found['bottles']} bottles made, {found['in_stock']} in stock, "
        f"{found['shipped']} shipped to {counted(found['parties'], 'consignee')}, in {seconds} s."
    )
    event = {"kind": "note", "at": moments.day_and_minute(moment, zone), "text": said}
    return seconds, {**event, **_about(answer)}


def _said(origin: Row) -> str:
    name = f" {origin['name']}" if origin["name"] else ""
    return f"{origin['kind'].replace('_', ' ')}{name}"


def _about(answer: Row) -> Row:
    """What the note is about: what was recalled, else the lot or material of its first event."""
    origin = answer["origin"]
    if origin["kind"] in _FIELDS:
        return {_FIELDS[origin["kind"]]: origin["names"][0]}
    if origin["kind"] == "material_lot" and origin["materials"]:
        return {"material": origin["materials"][0]}
    lots = [one["lot"] for one in origin["events"] if one["lot"]]
    lots += [row["lot"] for row in (*answer["lots"], *answer["bulk"])]
    if not lots:
        raise Refused(
            "a drill is noted on what it finds, and this one found nothing",
            hint="drill with a block, a lot, a grower or a lot of material that was used",
        )
    return {"lot": lots[0]}
