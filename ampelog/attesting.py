"""Whether a dossier follows from the evidence attached to it, and whether that is of a ledger.

First the evidence by itself: its hashes and its proof. Then every figure is worked out again from
it and held against the figures attached, and these against the pages. Where there is a ledger, the
events are held against it: that they are its own, that they are all that it holds of the wine as of
the dossier's head, and that it comes to the same figures. Words and numbers may differ only where
the evidence is masked.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator
from typing import Any

from ampelog import lines, masking, moments, pdf_file, printing, recalled, render
from ampelog.ancestry import ancestry, closure, told_of
from ampelog.borrowed import Borrowed
from ampelog.errors import AmpelogError, Finding
from ampelog.facts import Dossier, document
from ampelog.journal import Line, Record
from ampelog.ledger import Ledger
from ampelog.parcel import RULES, Asked, figured, in_order, packs, told
from ampelog.pdf_file import Parts
from ampelog.questions import View
from ampelog.unpacking import NAMED, Unpacked, unpacked

CHANGED = "figure differs"
LEFT_OUT = "left out"
WRITE_ANEW = "do not rely on these pages; ask for the dossier again"
_FORGED = (AmpelogError, AssertionError, AttributeError, LookupError, TypeError, ValueError)
"""What a log that no ledger wrote may come to; one of a ledger comes to none of it."""
_CALLED = ("title", "statement", "names", "name", "lot", "position", "event", "vessel")


class Attested(View):
    """The view that a dossier was made of, on its evidence alone."""

    def __init__(self, ledger: Ledger, asked: Asked) -> None:
        self._ends = asked.until
        super().__init__(ledger, asked.as_of)

    def _look_ahead(self) -> None:
        self.until = self._ends


def verify(content: bytes, name: str, ledger: Ledger | None) -> dict[str, Any]:
    """What was checked, and what is wrong with a dossier's PDF (``ok``, ``checked``,
    ``findings``).

    ``Refused`` where the file is no PDF or carries no evidence.
    """
    parts = pdf_file.parts(content, name)
    found = unpacked(parts.attached)
    checked = {"attachments": len(parts.attached), "events": len(found.lines)}
    figures, texts = 0, 0
    if found.findings:
        checked["events"] = 0
    else:
        figures, texts = _figures(found)
    checked |= {"figures": figures, "masked": texts}
    checked["pages"] = _pages(found, parts, content) if found.figures else 0
    if ledger is not None:
        checked["ledger"] = _belongs(found, ledger)
    return {
        "ok": not found.findings,
        "checked": checked,
        "findings": [one.row() for one in found.findings],
    }


# ---- the figures


def _figures(found: Unpacked) -> tuple[int, int]:
    """Work the figures out again; how many were compared, and how many are partly masked."""
    asked = found.asked
    assert asked is not None, "unpacked without a finding"
    if not _formed(found):
        return 0, 0
    try:
        again = _again(found, asked)
    except _FORGED as fault:
        says = getattr(fault, "says", None) or f"{type(fault).__name__}: {fault}"
        found.wrong("cannot be worked out", "the evidence", f"it does not make a dossier: {says}")
        return 0, 0
    if again is None:
        return 0, 0
    return _compared(found, again, "the evidence", CHANGED)


def _compared(found: Unpacked, again: dict[str, Any], source: str, rule: str) -> tuple[int, int]:
    """Hold the figures against those of a source; as ``_figures``."""
    count = masks = differ = 0
    for where, recorded, one in _pairs(found.figures, again, ()):
        count += 1
        masks += masking.masked(one)
        if not masking.same(recorded, one):
            differ += 1
            if differ <= NAMED:
                says = f"the dossier says {_said(recorded)}; {source} comes to {_said(one)}"
                found.wrong(rule, ", ".join(where), says)
    if differ > NAMED:
        found.wrong(rule, "figures.json", f"and {differ - NAMED} more figures differ")
    return count, masks


def _formed(found: Unpacked) -> bool:
    """Whether each event has the form of one: nothing but a forged log has others."""
    zone_name = found.lines[0].event.get("timezone")
    try:
        zone = moments.zone_of(zone_name if isinstance(zone_name, str) else "")
    except moments.NotATime as fault:
        found.wrong("event changed", "position 1", f"{fault}")
        return False
    good = True
    for line in found.lines:
        where = f"position {line.position}"
        now = moments.from_stamp(line.recorded_at)
        forms = [(line.event, where)]
        if line.event.get("kind") == "correct" and isinstance(line.event.get("replacement"), dict):
            forms.append((line.event["replacement"], f"{where}, replacement"))
        for form, there in forms:
            read = lines.entry(form, there, zone, now)
            if not isinstance(read, lines.Entry):
                good = False
                found.findings += read
    return good


def _again(found: Unpacked, asked: Asked) -> dict[str, Any] | None:
    """The document that the evidence comes to; None where the evidence cannot be replayed."""
    zone = moments.zone_of(found.lines[0].event["timezone"])
    records = [_record(line, zone) for line in found.lines]
    within = closure(told_of(records, zone).values(), asked.lot, asked.until)
    borrowed = Borrowed(found.ledger_id, found.head, found.lines, within)
    try:
        view = Attested(borrowed, asked)
        if view.refusals:
            found.findings += [
                Finding("event missing", one.where, one.says, "an event was left out", lot=one.lot)
                for one in view.refusals[:NAMED]
            ]
            return None
        again = _document(view, asked)
        _same_rules(found, packs(view, asked))
    finally:
        borrowed.close()
    return again


def _document(view: View, asked: Asked) -> dict[str, Any]:
    """The figures of a view, as they are attached."""
    value: dict[str, Any] = json.loads(json.dumps(document(told(figured(view, asked), asked))))
    return value


def _record(line: Line, zone: Any) -> Record:
    instant = moments.instant(line.event["at"], zone)
    return Record(line.position, line.recorded_at, line.hash, line.salt, instant, line.body)


def _same_rules(found: Unpacked, applied: dict[str, bytes]) -> None:
    attached = {one.removeprefix(RULES) for one in found.files if one.startswith(RULES)}
    for name in sorted(attached ^ applied.keys()):
        says = "was applied and is not attached" if name in applied else "is attached, not applied"
        found.wrong("other rules", f"{RULES}{name}", f"{name} {says}")


def _pairs(
    recorded: Any, again: Any, where: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """Every plain value of two documents, side by side; what only one has beside None."""
    if isinstance(recorded, dict) and isinstance(again, dict):
        for key in [*again, *(key for key in recorded if key not in again)]:
            yield from _pairs(recorded.get(key), again.get(key), (*where, str(key)))
    elif isinstance(recorded, list) and isinstance(again, list):
        if len(recorded) != len(again):
            yield (*where, "how many"), len(recorded), len(again)
        for number, (one, other) in enumerate(zip(recorded, again, strict=False), start=1):
            yield from _pairs(one, other, (*where, _called(other, number)))
    else:
        yield where, recorded, again


def _called(value: Any, number: int) -> str:
    """What a row is called where something in it differs."""
    if isinstance(value, dict):
        for key in _CALLED:
            if value.get(key):
                name = value[key]
                return " ".join(str(one) for one in name) if isinstance(name, list) else str(name)
    return f"{number}"


def _said(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, dict | list):
        return f"{len(value)} values"
    return f"`{value}`"


# ---- the pages


def _pages(found: Unpacked, parts: Parts, content: bytes) -> int:
    """Print the figures attached once more, and hold the pages against these; how many agree."""
    assert found.asked is not None, "read together with the figures"
    try:
        stated = {key: value for key, value in found.figures.items() if key != "form"}
        dossier = recalled.recall(Dossier, stated)
        options = render.Options(found.asked.units, found.asked.paper)
        printing.check_paper(options.paper)
        printed = render.pdf(dossier, options, in_order(parts.attached))
    except (AmpelogError, LookupError, TypeError, ValueError) as fault:
        found.wrong("cannot be printed", "figures.json", f"the figures make no page: {fault}")
        return 0
    if printed.content == content:
        return printed.pages
    return _differing(found, parts, pdf_file.parts(printed.content, "the page printed again"))


def _differing(found: Unpacked, parts: Parts, again: Parts) -> int:
    before = len(found.findings)
    if len(parts.sheets) != len(again.sheets):
        says = f"it has {len(parts.sheets)} pages; its figures fill {len(again.sheets)}"
        found.wrong("page differs", "the pages", says, _hint(found))
    pairs = zip(parts.sheets, again.sheets, strict=False)
    for number, (sheet, one) in enumerate(pairs, start=1):
        if sheet.text != one.text:
            says = _words(sheet.text, one.text)
            found.wrong("page differs", f"page {number}", says, _hint(found))
        elif sheet.drawn != one.drawn:
            says = "its text is that of the figures, yet it is drawn otherwise"
            found.wrong("page differs", f"page {number}", says, _hint(found))
        elif sheet.framed != one.framed:
            says = (
                "its text is that of the figures, yet what is shown of it may be other: it is cut, "
                "turned or written over, or has other fonts or images"
            )
            found.wrong("page differs", f"page {number}", says, _hint(found))
    if len(found.findings) == before:
        says = "the pages are those of the figures, yet other bytes of the file are not"
        found.wrong("file differs", "the file", says, _hint(found))
    return max(0, min(len(parts.sheets), len(again.sheets)) - (len(found.findings) - before))


def _hint(found: Unpacked) -> str:
    here = printing.stack()
    other = [name for name in here if found.versions.get(name) != here[name]]
    if not other:
        return ""
    return f"it was set with other versions of {', '.join(other)}, which may be why"


def _words(page: str, figures: str) -> str:
    """The first words in which a page differs from what its figures print."""
    ours, theirs = figures.split(), page.split()
    for kind, first, last, start, end in difflib.SequenceMatcher(
        None, ours, theirs, autojunk=False
    ).get_opcodes():
        if kind != "equal":
            on_page = " ".join(theirs[start:end][:12]) or "nothing"
            wanted = " ".join(ours[first:last][:12]) or "nothing"
            return f"the page says `{on_page}` where the figures print `{wanted}`"
    return "its words are spaced otherwise"


# ---- the ledger


def _belongs(found: Unpacked, ledger: Ledger) -> int:
    """Hold the events against the ledger; how many are those that it holds."""
    name = ledger.path.name
    if ledger.ledger_id != found.ledger_id:
        says = f"the dossier is of the ledger {found.ledger_id}, {name} is {ledger.ledger_id}"
        found.wrong("another ledger", name, says, "name its own ledger with --ledger")
        return 0
    position = found.head.position
    if position > ledger.head.position:
        says = f"the dossier's head is position {position}; {name} ends at {ledger.head.position}"
        found.wrong("not in the ledger", name, says, "events were lost, or it is an older copy")
        return 0
    before = len(found.findings)
    if position < 1 or ledger.sealed(position) != found.head:
        says = f"{name} had another head at position {position}"
        found.wrong("not in the ledger", name, says, "the ledger or the dossier was changed")
    hashes = {one.position: one.hash for one in ledger.records(1, position)}
    same = 0
    for line in found.lines:
        same += hashes.get(line.position) == line.hash
        if hashes.get(line.position) != line.hash:
            says = f"position {line.position} is another event in {name}"
            found.wrong("not in the ledger", name, says)
    if len(found.findings) == before and found.lines and found.asked is not None:
        _is_all(found, found.asked, ledger)
    return same


def _is_all(found: Unpacked, asked: Asked, ledger: Ledger) -> None:
    """Look whether the evidence is all that the ledger holds of the wine as of the dossier's head,
    and whether the ledger comes to the same figures."""
    name = ledger.path.name
    try:
        view = View(ledger, asked.as_of, str(found.head.position))
        whole = ancestry(view, asked.lot, asked.label, parties=asked.private).records
        again = _document(view, asked)
    except _FORGED as fault:
        says = getattr(fault, "says", None) or f"{type(fault).__name__}: {fault}"
        found.wrong(LEFT_OUT, name, f"{name} makes no such dossier: {says}")
        return
    attached = {line.position for line in found.lines}
    missing = [one for one in whole if one.position not in attached]
    for one in missing[:NAMED]:
        event = one.event
        says = f"the {event['kind']} of {event['at']} is evidence of this wine and is not attached"
        found.wrong(LEFT_OUT, f"{name}, position {one.position}", says, WRITE_ANEW)
    if len(missing) > NAMED:
        found.wrong(LEFT_OUT, name, f"and {len(missing) - NAMED} more are not attached")
    if not any(one.rule == CHANGED for one in found.findings):
        _compared(found, again, name, LEFT_OUT)
