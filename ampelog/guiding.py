"""A record led by questions: which field comes next, what is offered, and what an answer means.

Nothing is asked or printed here. Answers are what `key=value` takes, so that who has answered a few
times can type the event in one line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from msgspec import Struct

from ampelog import shorthand
from ampelog.errors import Refused
from ampelog.events import KINDS, Register

Names = Mapping[str, Sequence[str]]
"""What the ledger holds, by what it is: ``lot``, ``vessel``, ``block``, ``party`` ..."""

COMMON = {
    "pick": "picked fruit came in",
    "crush": "fruit crushed or destemmed into a vessel",
    "reading": "Brix or gravity and temperature",
    "ferment": "a fermentation started, changed or ended",
    "press": "pressed",
    "rack": "moved from vessel to vessel",
    "barrel_down": "put into barrels",
    "top": "barrels topped",
    "treat": "an addition, fining, filtration",
    "analysis": "a laboratory's figures",
    "gauge": "a measured volume",
    "blend": "blended",
    "bottle": "bottled",
    "ship": "left the winery",
    "receive": "came in from elsewhere",
    "loss": "lost: lees, spill, evaporation",
    "note": "seen or decided",
    "hold": "put on hold",
    "clear": "a hold ended",
    "release": "bottles may leave",
}
"""The kinds asked for first, in the words of the trade; the others follow by their names."""
TRADE = {
    "racking": "rack", "transfer": "rack", "move": "rack", "topping": "top", "top up": "top",
    "addition": "treat", "so2": "treat", "sulfur": "treat", "fining": "treat", "filter": "treat",
    "lab": "analysis", "sample": "analysis", "brix": "reading", "gravity": "reading",
    "dip": "gauge", "measure": "gauge", "count": "gauge", "weigh": "pick", "harvest": "pick",
    "pressing": "press", "crushing": "crush", "destem": "crush", "barreling": "barrel_down",
    "bottling": "bottle", "shipping": "ship", "sale": "ship", "purchase": "receive",
    "inoculate": "ferment", "spill": "loss", "lees": "loss",
}  # fmt: skip
OPTIONAL = {
    "pick": ("vessel", "brix", "ref"),
    "receive": ("lot", "vessel", "volume", "state", "supplier", "ref"),
    "reading": ("vessel", "brix", "specific_gravity", "temperature"),
    "ferment": ("vessel", "organism"),
    "treat": ("vessel", "material", "amount", "material_lot"),
    "analysis": ("lot", "vessel", "lab", "values"),
    "gauge": ("vessel", "volume", "bottles", "reason"),
    "loss": ("vessel", "volume", "bottles"),
    "rack": ("ref",),
    "bottle": ("lot", "bottles", "format", "label", "code", "ref"),
    "pack": ("lot", "bottles", "label", "code", "ref"),
    "ship": ("to", "removal", "document"),
    "note": ("lot",),
    "hold": ("lot",),
}
"""Fields that may stay empty and are asked for, by kind."""
MEASURES = ("volume", "mass", "bottles", "empty", "all", "each")
ONE_OF: Mapping[str, Sequence[Sequence[str]]] = {
    "gauge": (MEASURES,),
    "loss": (MEASURES,),
    "analysis": (("lot", "block"), ("values", "other")),
    "reading": (("brix", "specific_gravity", "temperature"),),
    "hold": (("lot", "block", "material_lot"),),
    "bottle": (("lot", "to"), ("bottles", "to"), ("format", "to")),
    "pack": (("lot", "to"), ("bottles", "to")),
    "receive": (("lot", "material"), (*MEASURES, "amount")),
}
"""By kind: of each of these fields one has to be there; who passed all is asked the first again."""
_BY_NUMBER = ", or a number and how much"
WORDS = {
    "at": "When (a day, or a day and an hour)",
    "block": "Which block",
    "mass": "Net weight, as in 1.25 ton",
    "volume": "Volume, as in 120 gal",
    "lot": "Which lot",
    "vessel": "In which vessel",
    "from": f"From, as in 24-SY@T1 100 gal{_BY_NUMBER}; several with ; between",
    "to": "Into, as in 24-SY@B-1..B-4 each 60 gal; several with ; between",
    "treatment": "What was done",
    "material": "With what material",
    "amount": "How much of it, as in 60 g",
    "values": "What was found, as in ph=3.6, free_so2=28",
    "bottles": "How many bottles",
    "format": "Of what size, as in 750 mL",
    "label": "Which label",
    "code": "The mark on glass or case",
    "text": "What was seen or decided",
    "reason": "Why",
    "ref": "Which paper (tag, order)",
    "name": "Its name",
    "hold": "The id of the hold",
    "temperature": "Temperature, as in 24 C",
    "to party": "To whom",
}
_OFFERED = {
    "lot": "lot",
    "vessel": "vessel",
    "block": "block",
    "material": "material",
    "supplier": "party",
    "label": "label",
}
"""By field: the names that are offered."""
_BRINGS = frozenset({"pick", "receive", "bottle", "pack"})
"""Kinds whose lot may be a new one."""
_PARTY = ("ship", "to")
_FLAT = {"bottle": ("to",), "pack": ("to",)}
"""Kinds whose one output is asked for field by field."""
_LIQUID = frozenset({"treat", "reading", "ferment"})
"""Kinds that are about must or wine alone."""
MOST_OFFERED = 12


class Question(Struct, frozen=True):
    """What to ask: the field, in words, what is offered, whether it may stay empty."""

    field: str
    asks: str
    offered: tuple[str, ...] = ()
    needed: bool = True
    more: int = 0
    """How many other names there are that are not offered."""
    numbered: bool = True
    """Whether an offer may be taken by its number: not where that could be the name of another."""


class Unclear(ValueError):
    """An answer that cannot be taken; the message says why, and what to write instead."""


def kind_of(said: str) -> str:
    """The kind that somebody means; ``Unclear`` with the nearest where there is none."""
    word = " ".join(said.lower().replace("_", " ").split())
    under = word.replace(" ", "_")
    if under in KINDS:
        return under
    if word in TRADE:
        return TRADE[word]
    listed = list(COMMON)
    if word.isdecimal() and 0 < int(word) <= len(listed):
        return listed[int(word) - 1]
    near = get_close_matches(word, [*KINDS, *TRADE], n=1)
    hint = f"did you mean `{TRADE.get(near[0], near[0])}`?" if near else "one of the list"
    raise Unclear(f"there is no kind `{said}`: {hint}")


def fields(kind: str) -> list[tuple[str, bool]]:
    """The fields to ask of a kind, in order, and whether each is needed."""
    model = KINDS[kind]
    needed = [
        one.alias or name
        for name, one in model.model_fields.items()
        if one.is_required() and name not in ("kind", "at", *_FLAT.get(kind, ()))
    ]
    asked = [(name, True) for name in needed]
    asked += [(name, False) for name in OPTIONAL.get(kind, ()) if name not in needed]
    return asked


def question(
    kind: str, given: Mapping[str, Any], names: Names, passed: Sequence[str] = ()
) -> Question | None:
    """The next question of an event that is half given; None where nothing is left to ask.

    ``passed`` are fields that were asked and left empty.
    """
    for name, needed in fields(kind):
        if name in given or name in passed or _given_otherwise(kind, name, given):
            continue
        return _asked(kind, name, given, names, needed or _alone(kind, name))
    for group in ONE_OF.get(kind, ()):
        if not set(group) & given.keys():
            return _asked(kind, _first(group, given, names), given, names, True)
    return None


def _alone(kind: str, name: str) -> bool:
    """Whether a field has to be there because none of its others is asked for."""
    asked = {field for field, _ in fields(kind)}
    return any(set(group) & asked == {name} for group in ONE_OF.get(kind, ()))


def whole(kind: str, given: Mapping[str, Any]) -> bool:
    """Whether all is given that an event of the kind needs, so that nothing has to be asked."""
    needed = all(name in given for name, needed in fields(kind) if needed)
    return needed and all(set(group) & given.keys() for group in ONE_OF.get(kind, ()))


def _first(group: Sequence[str], given: Mapping[str, Any], names: Names) -> str:
    """The field of a group that is asked for: of bottles their number."""
    counts = any(_lot(one) == given.get("lot") for one in names.get("bottles", ()))
    return "bottles" if counts and "bottles" in group else group[0]


def _lot(place: str) -> str:
    return place.partition("@")[0]


def _asked(kind: str, name: str, given: Mapping[str, Any], names: Names, needed: bool) -> Question:
    offered = _offers(kind, name, given, names)
    words = WORDS["to party"] if (kind, name) == ("ship", "to") else WORDS.get(name)
    asks = words or name.replace("_", " ").capitalize()
    shown = tuple(offered[:MOST_OFFERED])
    numbers = {str(number) for number in range(1, len(shown) + 1)}
    numbered = numbers.isdisjoint(_lot(one) for one in offered)
    asks = asks if numbered else asks.replace(_BY_NUMBER, "")
    return Question(name, asks, shown, needed, len(offered) - len(shown), numbered)


def _offers(kind: str, name: str, given: Mapping[str, Any], names: Names) -> Sequence[str]:
    """What may well be the answer: names, holdings, or the words of which the field is one."""
    if name == "from" or (name == "to" and kind in ("top", "rack", "blend")):
        what = {"crush": "fruit", "press": "fruit", "ship": "bottles", "pack": "bottles"}
        there = list(names.get(what.get(kind, "holding"), ()))
        return [*there, *names.get("holding", ())] if kind == "press" else there
    if (kind, name) == ("ship", "to"):
        return names.get("party", ())
    if name == "lot" and kind in _LIQUID:
        return list(dict.fromkeys(_lot(one) for one in names.get("holding", ())))
    if name == "lot" and kind in ("bottle", "pack"):
        return list(dict.fromkeys(_lot(one) for one in names.get("bottles", ())))
    if name == "vessel" and f"in {given.get('lot')}" in names:
        return names[f"in {given['lot']}"]
    return names.get(_OFFERED.get(name, ""), ()) or _choices(kind, name)


def _given_otherwise(kind: str, name: str, given: Mapping[str, Any]) -> bool:
    """Whether another field says the same already, so that this one need not be asked."""
    others = {
        "vessel": {"vessels"},
        "volume": set(MEASURES),
        "bottles": set(MEASURES) | {"to"},
        "format": {"to"},
        "label": {"to"},
        "code": {"to"},
        "brix": {"specific_gravity"},
        "specific_gravity": {"brix"},
    }
    if kind == "receive" and "material" in given:
        return name in ("lot", "vessel", "volume", "state")
    return bool(others.get(name, set()) & given.keys())


def _choices(kind: str, name: str) -> tuple[str, ...]:
    """The words of which a field is one."""
    from ampelog.columns import plain, taken

    column = taken(kind).get(plain(name))
    return () if column is None else column.choices


def answered(kind: str, asked: Question, said: str, names: Names) -> Any:
    """What an answer means for its field; ``Unclear`` where it cannot be taken."""
    text = said.strip()
    offered = asked.offered
    first, _, rest = text.partition(" ")
    counted = asked.numbered and first.isdecimal() and 0 < int(first) <= len(offered)
    if counted and asked.field in ("from", "to") and not rest and (kind, asked.field) != _PARTY:
        raise Unclear(f"how much of {offered[int(first) - 1]}? `{first} 50 gal`, or `{first} all`")
    if counted and (asked.field in ("from", "to") or not rest):
        text = f"{offered[int(first) - 1]} {rest}".strip()
    try:
        if asked.field in ("from", "to") and kind != "ship":
            found = [shorthand.endpoint(one) for one in text.split(";")]
            found = [_end(one, names, asked.field) for one in found]
            return found[0] if len(found) == 1 else found
        if asked.field == "from":
            return _end(shorthand.endpoint(text), names, "from")
        if asked.field == "values":
            return _values(text)
        value = shorthand.value(kind, asked.field, text)
    except Refused as problem:
        hint = f": {problem.hint}" if problem.hint else ""
        raise Unclear(f"{problem.says}{hint}") from None
    _check_form(kind, asked.field, value)
    return _named(kind, asked.field, value, names)


def _check_form(kind: str, field: str, value: Any) -> None:
    """``Unclear`` where a value is not of the form of its field."""
    from ampelog.lines import wants

    wanted = wants(kind, field, value)
    if wanted is not None:
        raise Unclear(f"`{value}` will not do: {wanted}")


def _values(text: str) -> dict[str, str]:
    found = {}
    for part in text.split(","):
        name, equals, figure = part.partition("=")
        if not equals:
            raise Unclear(f"`{part.strip()}` is no figure: write ph=3.6, free_so2=28")
        found[name.strip()] = figure.strip()
    return found


def _end(end: dict[str, Any], names: Names, side: str) -> dict[str, Any]:
    """What is drawn from must be there; what is filled may be new."""
    return {**end, "lot": _known("lot", end["lot"], names)} if side == "from" else end


def _named(kind: str, field: str, value: Any, names: Names) -> Any:
    """A name as it is registered, where it has to be there."""
    known = "party" if (kind, field) == _PARTY else _OFFERED.get(field)
    new = (field == "lot" and kind in _BRINGS) or field in ("vessel", "material")
    if known is None or new or not isinstance(value, str) or issubclass(KINDS[kind], Register):
        return value
    return _known(known, value, names)


def _known(what: str, name: str, names: Names) -> str:
    """The name, or the one that differs from it in capitals alone."""
    there = list(names.get(what, ()))
    alike = [one for one in there if one.casefold() == name.casefold()]
    if name in there or len(alike) == 1:
        return name if name in there else alike[0]
    near = get_close_matches(name, there, n=3)
    near = near or [one for one in there if name.casefold() in one.casefold()][:3]
    hint = f"did you mean {' or '.join(f'`{one}`' for one in near)}?" if near else "none is near"
    raise Unclear(f"there is no {what} `{name}`: {hint}")
