"""A work sheet of planned events: what is to be done, what to measure, and what to beware of.

The events are a file as for `load`; nothing is recorded. A topic of ``cautions`` stands on the
sheet where an event comes near it: rather once too often.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ampelog import cautions
from ampelog.words import words

Row = dict[str, Any]
MEASURES = {
    "pick": ("net weight", "Brix", "weigh tag"),
    "receive": ("quantity", "seal", "document"),
    "crush": ("volume in the tank",),
    "press": ("free run", "press", "pomace"),
    "rack": ("from, before", "to, after", "left behind"),
    "barrel_down": ("from, before", "barrels filled", "left behind"),
    "top": ("used in all", "barrels short"),
    "blend": ("from, before", "to, after"),
    "treat": ("weighed out", "material lot"),
    "gauge": ("measured",),
    "loss": ("measured",),
    "bottle": ("bottles", "wine left", "glass lot"),
    "pack": ("bottles",),
    "ship": ("quantity", "document"),
    "return": ("quantity", "document"),
    "ferment": ("Brix", "temperature", "yeast lot"),
    "reading": ("Brix or gravity", "temperature"),
    "analysis": ("pH", "free SO2", "sample no."),
}
"""By kind: the figures that the sheet has boxes for (common practice, no source)."""
_TO_DO = {
    "Picked": "Pick",
    "Received": "Receive",
    "Crushed": "Crush",
    "Pressed": "Press",
    "Racked": "Rack",
    "Topped": "Top",
    "Blended": "Blend",
    "Treated": "Treat",
    "Measured": "Measure",
    "Bottled": "Bottle",
    "Packed": "Pack",
    "Shipped": "Ship",
    "Took": "Take",
    "Analysed": "Analyse",
    "Released": "Release",
    "Cleared": "Clear",
}
"""How an event's words begin when it has happened, and before that."""
_STAGES = {" started": " to start", " changed": " to change", " ended": " to end"}
_STAGE = re.compile(r" (?:started|changed|ended)(?=[:.])")
_GAS = re.compile(r"nitrogen|argon|inert|blanket|sparg|\bN2\b|\bCO2\b", re.IGNORECASE)
_ICE = re.compile(r"dry[ -]ice", re.IGNORECASE)
_SULFUR = re.compile(r"sul[fp](ur|ph|ite)|\bSO2\b|bisul", re.IGNORECASE)
_META = re.compile(r"bisul|sul[fp]h?ite|\bKMBS\b", re.IGNORECASE)
_ENTERED = re.compile(r"enter|shovel|dig out|rake out|inside the tank", re.IGNORECASE)


def rows(events: Sequence[Mapping[str, Any]]) -> list[Row]:
    """A row an event: when, what, and the names of the figures to write down."""
    return [
        {
            "at": event["at"],
            "kind": str(event["kind"]).replace("_", " "),
            "says": to_do(event),
            "ref": event.get("ref") or "",
            "measures": MEASURES.get(event["kind"], ()),
        }
        for event in events
    ]


def to_do(event: Mapping[str, Any]) -> str:
    """An event's words as they are said to whoever is to do it."""
    said = words(event)
    if event["kind"] == "ferment":
        return _STAGE.sub(lambda found: _STAGES[found[0]], said, count=1)
    verb, space, rest = said.partition(" ")
    return _TO_DO.get(verb, verb) + space + rest


def beware(events: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """The cautions that these events come near, and who decides."""
    return cautions.lines({topic for event in events for topic in _topics(event)})


def _topics(event: Mapping[str, Any]) -> Iterator[str]:
    kind, said = event["kind"], " ".join(_texts(event))
    if kind in ("crush", "press", "ferment", "reading"):
        yield cautions.CARBON_DIOXIDE
    if kind in ("press", "rack", "barrel_down", "blend") or _ENTERED.search(said):
        yield cautions.CONFINED_SPACE
    if _GAS.search(said):
        yield cautions.INERT_GAS
    if _ICE.search(said):
        yield cautions.DRY_ICE
        yield cautions.CARBON_DIOXIDE
    if kind in ("treat", "crush", "press", "bottle", "note") and _SULFUR.search(said):
        yield cautions.SULFUR_DIOXIDE
    if _META.search(said):
        yield cautions.METABISULFITE


def _texts(thing: Any) -> Iterator[str]:
    if isinstance(thing, str):
        yield thing
    elif isinstance(thing, Mapping):
        for value in thing.values():
            yield from _texts(value)
    elif isinstance(thing, list):
        for value in thing:
            yield from _texts(value)
