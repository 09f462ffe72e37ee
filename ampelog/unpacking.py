"""The evidence attached to a dossier, read and held against its own hashes and proof.

Nothing here is trusted: every form is looked at before it is used, and what is wrong is a finding
that names the file, the line or the position.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Mapping
from hashlib import sha256
from typing import Any

from msgspec import Struct, field

from ampelog import chain, proof, rules
from ampelog.errors import Finding, Refused
from ampelog.journal import Head, Line
from ampelog.parcel import CHECKED, EVIDENCE, FIGURES, FORM, HEAD, MANIFEST, PROOF, RULES, Asked
from ampelog.recalled import NotFacts, recall

LARGEST = 1_000_000_000
"""Bytes that evidence may unpack to: some millions of events."""
NO_HEAD = Head(0, chain.EMPTY_ROOT)
NAMED = 20
"""Findings of one sort that are named before the rest is only counted."""
_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", re.ASCII)
_HEX = re.compile(r"[0-9a-f]*", re.ASCII)
_WHOLE = {"position", "recorded_at", "check", "salt", "event"}
_MASKED = {"position", "recorded_at", "check", "private", "stated", "event"}


class Unpacked(Struct):
    """What could be read, and what is wrong. ``lines`` are in order of position."""

    findings: list[Finding] = field(default_factory=list)
    ledger_id: str = ""
    head: Head = NO_HEAD
    lines: list[Line] = field(default_factory=list)
    asked: Asked | None = None
    figures: dict[str, Any] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    files: frozenset[str] = frozenset()

    def wrong(self, rule: str, where: str, says: str, hint: str = "") -> None:
        """Note a finding."""
        self.findings.append(Finding(rule, where, says, hint))


def unpacked(attached: Mapping[str, bytes]) -> Unpacked:
    """Read what is attached. ``Refused`` where there is no evidence at all."""
    if MANIFEST not in attached:
        raise Refused(
            "no evidence is attached to this file",
            hint="a dossier written without --no-evidence carries it",
        )
    found = Unpacked(files=frozenset(attached))
    _manifest(found, attached)
    _head(found, attached)
    _figures(found, attached)
    _evidence(found, attached)
    if not found.findings:
        _prove(found, attached)
    _rules(found, attached)
    return found


def _object(found: Unpacked, attached: Mapping[str, bytes], name: str) -> dict[str, Any]:
    """A JSON file, or nothing and a finding."""
    try:
        value = json.loads(attached[name].decode())
        if isinstance(value, dict):
            return value
        says = "is no JSON object"
    except KeyError:
        says = "is not attached"
    except (ValueError, RecursionError):
        says = "is no JSON"
    found.wrong("attachment unreadable", name, f"{name} {says}")
    return {}


def _manifest(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    manifest = _object(found, attached, MANIFEST)
    files: Any = manifest.get("files")
    versions: Any = manifest.get("versions")
    formed = isinstance(files, dict) and isinstance(versions, dict)
    if not formed or manifest.get("form") != FORM:
        found.wrong("attachment unreadable", MANIFEST, f"it is not of the form `{FORM}`")
        return
    found.versions = versions
    for name in sorted(files.keys() | attached.keys() - {MANIFEST}):
        if name not in attached:
            found.wrong("attachment missing", name, f"{MANIFEST} lists it, and it is not attached")
        elif name not in files:
            found.wrong(
                "attachment not listed", name, f"it is attached, and {MANIFEST} does not list it"
            )
        elif sha256(attached[name]).hexdigest() != files[name]:
            says = f"its SHA-256 is not the one that {MANIFEST} lists"
            found.wrong("attachment changed", name, says)


def _head(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    head = _object(found, attached, HEAD)
    ledger, position, root = (head.get(one) for one in ("ledger", "position", "root"))
    if isinstance(ledger, str) and type(position) is int and isinstance(root, str):
        found.ledger_id, found.head = ledger, Head(position, root)
    elif head:
        found.wrong("attachment unreadable", HEAD, "it names no ledger, position and root")


def _figures(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    value = _object(found, attached, FIGURES)
    figures = value.get("figures")
    try:
        asked = recall(Asked, value.get("asked"))
    except NotFacts as fault:
        found.wrong("attachment unreadable", FIGURES, f"what was asked for cannot be read: {fault}")
        return
    if isinstance(figures, dict):
        found.asked, found.figures = asked, figures
    else:
        found.wrong("attachment unreadable", FIGURES, "it holds no figures")


# ---- the events


def _evidence(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    private = found.asked is not None and found.asked.private
    last, wrong = 0, 0
    for number, raw in enumerate(_raw_lines(found, attached), start=1):
        try:
            line = _line(raw, private)
            if line.position <= last:
                raise ValueError("it stands out of order of position")
            last = line.position
            found.lines.append(line)
        except (ValueError, KeyError, IndexError, TypeError, RecursionError) as fault:
            wrong += 1
            if wrong <= NAMED:
                where = f"{EVIDENCE}, line {number}{_position(raw)}"
                found.wrong("event changed", where, f"{fault}")
    if wrong > NAMED:
        found.wrong("event changed", EVIDENCE, f"and {wrong - NAMED} more of this sort")
    if not wrong and (not found.lines or found.lines[0].position != 1):
        says = "the first event, the home premises, is missing: the time zone rests on it"
        found.wrong("event missing", EVIDENCE, says)


def _raw_lines(found: Unpacked, attached: Mapping[str, bytes]) -> list[bytes]:
    packed = attached.get(EVIDENCE)
    if packed is None:
        found.wrong("attachment missing", EVIDENCE, f"{EVIDENCE} is not attached")
        return []
    try:
        unpacking = zlib.decompressobj(wbits=31)
        content = unpacking.decompress(packed, LARGEST)
        if not unpacking.eof or unpacking.unused_data:
            raise ValueError("it does not end where it should, or is too large")
    except (zlib.error, ValueError) as fault:
        found.wrong("attachment unreadable", EVIDENCE, f"it cannot be unpacked: {fault}")
        return []
    return content.splitlines()


def _position(raw: bytes) -> str:
    """The position that a line names, where it can be found in it."""
    named = re.search(rb'"position":\s*(\d{1,18})[,}]', raw)
    return f" (position {named.group(1).decode()})" if named else ""


def _line(raw: bytes, private: bool) -> Line:
    """A line as the event that it proves; raises ``ValueError`` with what is wrong."""
    value = json.loads(raw.decode())
    if not isinstance(value, dict) or value.keys() != (_WHOLE if private else _MASKED):
        raise ValueError("it has not the fields that it should have")
    position, at, event = value["position"], value["recorded_at"], value["event"]
    if type(position) is not int or position < 1 or not isinstance(event, dict):
        raise ValueError("a field of it has the wrong type")
    if not isinstance(at, str) or not _STAMP.fullmatch(at):
        raise ValueError("its time of recording is not in UTC with microseconds")
    if private:
        salt = _hex(value["salt"], 2 * chain.SALT_BYTES)
        body, leaf = chain.entry(event, position, at, salt)
    else:
        salt = ""
        leaf = chain.leaf_hash(event, _hex(value["private"], 64), position, at)
        event = _stated(event, value["stated"])
        body = chain.canonical(event)
    if leaf[:CHECKED] != value["check"]:
        raise ValueError("its content does not match its hash")
    return Line(position, at, leaf, salt, body, event)


def _hex(text: Any, digits: int) -> str:
    if not isinstance(text, str) or len(text) != digits or not _HEX.fullmatch(text):
        raise ValueError(f"wanted {digits} digits of lower-case hex")
    return text


def _stated(public: dict[str, Any], stated: Any) -> dict[str, Any]:
    """The event with what is told in place of its private text, and with nothing else."""
    if not isinstance(stated, dict) or not all(isinstance(one, str) for one in stated.values()):
        raise ValueError("what stands for its private text is no text")
    event = chain.whole(public, stated)
    again, hidden = chain.part(event)
    if again != public or hidden != stated:
        raise ValueError("something is told in place of text that is not private")
    return event


# ---- that they belong together


def _prove(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    value = _object(found, attached, PROOF)
    size, nodes = value.get("size"), value.get("nodes")
    if type(size) is not int or not isinstance(nodes, list) or not _texts(nodes):
        found.wrong("attachment unreadable", PROOF, "it holds no proof")
        return
    leaves = {line.position - 1: line.hash for line in found.lines}
    if size != found.head.position or proof.root_of(leaves, size, nodes) != found.head.root:
        says = "these events are not those that the tree under this head was made of"
        found.wrong("proof fails", f"{EVIDENCE}, {PROOF}, {HEAD}", says)


def _texts(values: list[Any]) -> bool:
    return all(isinstance(one, str) for one in values)


def _rules(found: Unpacked, attached: Mapping[str, bytes]) -> None:
    """The attached packs are those of this program, which is to apply them."""
    known = rules.files()
    for name, content in attached.items():
        pack = name.removeprefix(RULES)
        if name.startswith(RULES) and known.get(pack) != content:
            made = found.versions.get("ampelog", "an unknown version")
            says = f"the rules in {pack} are not those of this program; the dossier is of {made}"
            found.wrong("other rules", name, says, "verify it with the version that wrote it")
