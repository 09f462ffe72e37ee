"""An event said in plain words: a sentence or two for each kind, quantities as recorded.

The words leave out what a list shows beside them anyway: when, by whom, and on which papers. They
never fail on an event that the ledger holds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from ampelog.phrases import (
    Record,
    bottles,
    brief,
    component,
    drawn,
    filled,
    given,
    listed,
    lot,
    materials,
    name,
    names,
    percent,
    plantings,
    quantity,
    regime,
    several,
    text_of,
    vessels,
)

Called = Callable[[str], str]

_ANALYSED = {
    "ph": "pH {}",
    "ta": "titratable acidity {} g/L",
    "ta_endpoint": "to an endpoint of pH {}",
    "alcohol": "alcohol {} % vol",
    "va": "volatile acidity {} g/L",
    "free_so2": "free SO2 {} mg/L",
    "total_so2": "total SO2 {} mg/L",
    "glucose_fructose": "glucose and fructose {} g/L",
    "reducing_sugar": "reducing sugar {} g/L",
    "malic": "malic acid {} g/L",
    "turbidity": "turbidity {} NTU",
    "dissolved_oxygen": "dissolved oxygen {} mg/L",
    "co2": "CO2 {} g/L",
    "heat_stability": "heat stability {} NTU rise",
    "cold_stability": "cold stability: {}",
    "copper": "copper {} mg/L",
    "iron": "iron {} mg/L",
    "brix": "{} Brix",
    "specific_gravity": "specific gravity {}",
    "temperature": "at {}",
    "instrument": "by {}",
}


def words(event: Record, called: Called = str) -> str:
    """What an event says, in plain words.

    ``event`` is the event as kept. ``called`` turns the ``id`` of another event into the name the
    reader knows it by ("no. 12"); without it the id itself is printed.
    """
    kind = text_of(event, "kind")
    if kind == "correct":
        said = _correct(event, called)
    elif kind == "clear":
        said = f"Cleared the hold of event {called(text_of(event, 'hold'))}: {_reason(event)}."
    else:
        said = _SAID[kind](event) if kind in _SAID else f"An event of kind {kind}."
    more = (
        "The quantity is an estimate." if event.get("estimated") else "",
        given("Materials: ", materials(event.get("materials") or ()), "."),
        given("Gain: ", text_of(event, "gain").rstrip("."), "."),
        given("Shortfall: ", text_of(event, "loss").rstrip("."), "."),
        given("Done nonetheless: ", text_of(event, "despite").rstrip("."), "."),
        given("Note: ", text_of(event, "note")),
    )
    return " ".join([said, *(part for part in more if part)])


def _reason(event: Record) -> str:
    return (text_of(event, "reason") or "no reason given").rstrip(".")


def _measured(values: Record, fields: Iterable[str]) -> str:
    """Measured values with their units."""
    return ", ".join(
        _ANALYSED.get(field, f"{name(field)} {{}}").replace("{}", brief(values[field]))
        for field in fields
        if values.get(field) is not None
    )


def _target(event: Record) -> str:
    """What an event in place is about."""
    if event.get("lot"):
        return lot(event)
    for field in ("block", "label", "material", "party", "material_lot"):
        if event.get(field):
            return f"{field.replace('_', ' ')} {name(event[field])}"
    return vessels(event) or "the cellar"


def _correct(event: Record, called: Called) -> str:
    new = event.get("replacement")
    now = f"it now reads: {words(new, called)}" if new else "it is struck out."
    return f"Corrected event {called(text_of(event, 'corrects'))} ({_reason(event)}); {now}"


# ---- registers: the name, then the facts stated or cleared


def _registered(event: Record, facts: Iterable[str]) -> str:
    parts = [part for part in facts if part]
    cleared = listed(field.replace("_", " ") for field, value in event.items() if value is None)
    parts += [given("no longer states its ", cleared)] if cleared else []
    return f"{text_of(event, 'kind').capitalize()} {name(event.get('name'))}" + (
        f": {'; '.join(parts)}." if parts else "."
    )


def _place(event: Record) -> str:
    within, spans = names(event, "within"), names(event, "spans")
    kind = {"ava": "viticultural area"}.get(text_of(event, "type"), text_of(event, "type"))
    return _registered(event, (kind, given("within ", within), given("reaching into ", spans)))


def _block(event: Record) -> str:
    control = event.get("control") or {}
    estate = {True: "estate grown", False: "not estate grown"}
    return _registered(
        event,
        (
            given("planted to ", plantings(event.get("plantings") or ())),
            given("within ", names(event, "within")),
            given("reaching into ", names(event, "spans")),
            text_of(event, "area"),
            given("grower ", text_of(event, "grower")),
            estate.get(event["estate"], "") if "estate" in event else "",
            text_of(control, "basis") + given(" from ", text_of(control, "from")),
            "not certified" if event.get("certifications") == [] else "",
            given("certified ", names(event, "certifications")),
        ),
    )


def _premises(event: Record) -> str:
    permit = given("permit ", text_of(event, "permit"))
    return _registered(event, (given("within ", names(event, "within")), permit))


def _party(event: Record) -> str:
    return _registered(
        event, (text_of(event, "address"), given("permit ", text_of(event, "permit")))
    )


def _material(event: Record) -> str:
    return _registered(event, (given("made of ", names(event, "is")),))


def _vessel(event: Record) -> str:
    wood = event.get("cooperage") or {}
    return _registered(
        event,
        (
            text_of(event, "type"),
            given("holds ", text_of(event, "capacity")),
            given("stands at ", text_of(event, "premises")),
            given("cooperage ", ", ".join(brief(value) for value in wood.values() if value)),
            given("retired ", text_of(event, "retired")).replace("retired True", "retired"),
        ),
    )


def _lot(event: Record) -> str:
    return _registered(
        event,
        (
            given("from now on the name of ", listed(lot(end) for end in several(event.get("of")))),
            given("meant for label ", text_of(event, "label")),
            text_of(event, "style"),
            given("owner ", text_of(event, "owner")),
            given("tags ", names(event, "tags")),
        ),
    )


def _stated(value: object) -> str:
    if isinstance(value, Mapping):
        return listed(f"{brief(key)} {brief(share)} %" for key, share in value.items())
    if isinstance(value, list | tuple):
        return listed(
            text_of(one, "says") if isinstance(one, Mapping) else name(one) for one in value
        )
    return "yes" if value is True else brief(value)


def _label(event: Record) -> str:
    says = event.get("statements") or {}
    stated = (f"{key.replace('_', ' ')} {_stated(value)}" for key, value in says.items())
    approved = listed(
        text_of(one, "authority") + given(" ", text_of(one, "number"))
        for one in several(event.get("approvals"))
    )
    return _registered(
        event,
        (
            text_of(event, "style"),
            given("states ", ", ".join(stated)),
            given("for ", names(event, "market")),
            given("rests ", text_of(event, "rest"), " before release"),
            given("approved by ", approved),
        ),
    )


# ---- fruit and wine moving


def _moved(verb: str) -> Callable[[Record], str]:
    def said(event: Record) -> str:
        taken = listed(drawn(end) for end in several(event.get("from")))
        return f"{verb} {taken}: {listed(filled(end) for end in several(event.get('to')))}."

    return said


def _crush(event: Record) -> str:
    method = event.get("method") or {}
    how = listed(f"{percent(share)} {brief(way)}" for way, share in method.items())
    return _moved("Crushed")(event).removesuffix(".") + given(" (", how, ")") + "."


def _pick(event: Record) -> str:
    how = {"hand": "by hand", "machine": "by machine"}.get(text_of(event, "picking"), "")
    return (
        f"Picked {quantity(event)}"
        + given(" of ", plantings(event.get("plantings") or ()))
        + f" in {name(event.get('block'))} into {lot(event)}"
        + given(", ", how)
        + given(", ", _measured(event, ("brix", "ph", "ta")))
        + "."
    )


def _receive(event: Record) -> str:
    supplier = given(" from ", text_of(event, "supplier"))
    if event.get("material"):
        batch = given(" (lot ", text_of(event, "material_lot"), ")")
        return f"Received {quantity(event)} of {name(event['material'])}{batch}{supplier}."
    state = text_of(event, "state")
    made = listed(component(part) for part in several(event.get("composition")))
    return (
        f"Received {quantity(event)}"
        + given(" of ", text_of(event, "format"))
        + given(" of ", "" if state == "bottled" else state)
        + f" as {lot(event)}{supplier or ', on hand from before'}"
        + given(", fermented in ", names(event, "fermented_at"))
        + given(", ", text_of(event, "bond"))
        + (f"; stated to be {made}." if made else "; nothing is stated of what it is made of.")
    )


def _treat(event: Record) -> str:
    material = given("", quantity(event), " of ") + name(event.get("material") or "")
    parts = (
        given("with ", material.removesuffix(" of ")),
        given("lot ", text_of(event, "material_lot")),
        given("at ", text_of(event, "rate")),
        given("adding ", text_of(event, "adds"), given(" as ", text_of(event, "role"))),
    )
    how = ", ".join(part for part in parts if part)
    return f"Treated {_target(event)}: {text_of(event, 'treatment')}{given(' ', how)}."


def _gauge(event: Record) -> str:
    found = "empty" if event.get("empty") else quantity(event)
    return f"Measured {_target(event)}: {found}{given(' (', text_of(event, 'reason'), ')')}."


def _loss(event: Record) -> str:
    return f"Lost {quantity(event)} of {_target(event)}{given(' to ', text_of(event, 'reason'))}."


def _outputs(event: Record) -> str:
    return "; ".join(
        bottles(end.get("bottles"))
        + given(" of ", text_of(end, "format"))
        + f" as {lot(end)}"
        + given(", label ", text_of(end, "label"))
        + given(", code ", text_of(end, "code"))
        for end in several(event.get("to")) or (event,)
    )


def _bottle(event: Record) -> str:
    taken = listed(drawn(end) for end in several(event.get("from")))
    ended = given(" Ended ", text_of(event, "until"), ".")
    return f"Bottled {taken}: {_outputs(event)}.{ended}"


def _pack(event: Record) -> str:
    taken = listed(drawn(end) for end in several(event.get("from")))
    return f"Packed {taken}, the wine untouched: {_outputs(event)}."


def _ship(event: Record) -> str:
    taken = listed(drawn(end) for end in several(event.get("from")) or (event,))
    removal = given(", ", text_of(event, "removal"))
    return f"Shipped {taken}{given(' to ', text_of(event, 'to'))}{removal}."


def _return(event: Record) -> str:
    return (
        f"Took back {quantity(event)} of {lot(event, ' into ')}"
        + given(" from ", text_of(event, "from_party"))
        + given(" (shipped on ", text_of(event, "document"), ")")
        + "."
    )


# ---- in place


def _ferment(event: Record) -> str:
    stage = {"start": "started", "change": "changed", "end": "ended"}
    culture = text_of(event, "culture") or "alcoholic"
    yeast = "native yeast" if event.get("native") else text_of(event, "organism")
    how = [given("with ", yeast), regime(event.get("regime") or {})]
    return (
        f"{culture.capitalize()} fermentation of {_target(event)} "
        + stage.get(text_of(event, "stage"), "recorded")
        + given(": ", "; ".join(part for part in how if part))
        + "."
    )


def _reading(event: Record) -> str:
    fields = ("brix", "specific_gravity", "temperature", "instrument")
    return f"Read {_target(event)}: {_measured(event, fields)}."


def _analysis(event: Record) -> str:
    values = event.get("values") or {}
    other = values.get("other") or event.get("other") or {}
    known = _measured(values, (field for field in values if field != "other"))
    others = ", ".join(f"{brief(key)} {brief(value)}" for key, value in other.items())
    found = ", ".join(part for part in (known, others) if part)
    return f"Analysed {_target(event)}{given(' by ', text_of(event, 'lab'))}: {found}."


def _note(event: Record) -> str:
    gate = given(" Gate ", text_of(event, "gate"), f": {text_of(event, 'result')}.")
    return f"On {_target(event)}: {text_of(event, 'text')}{gate}"


def _hold(event: Record) -> str:
    return f"Put {_target(event)} on hold: {_reason(event)}."


def _release(event: Record) -> str:
    return f"Released {_target(event)}: its bottles may leave."


_SAID: Mapping[str, Callable[[Record], str]] = {
    "place": _place,
    "block": _block,
    "premises": _premises,
    "party": _party,
    "material": _material,
    "vessel": _vessel,
    "lot": _lot,
    "label": _label,
    "pick": _pick,
    "receive": _receive,
    "crush": _crush,
    "press": _moved("Pressed"),
    "rack": _moved("Racked"),
    "barrel_down": _moved("Put into barrel"),
    "top": _moved("Topped with"),
    "blend": _moved("Blended"),
    "treat": _treat,
    "gauge": _gauge,
    "loss": _loss,
    "bottle": _bottle,
    "pack": _pack,
    "ship": _ship,
    "return": _return,
    "ferment": _ferment,
    "reading": _reading,
    "analysis": _analysis,
    "note": _note,
    "hold": _hold,
    "release": _release,
}
