"""What is attached to a dossier so that it can be worked out again without the ledger.

The files: ``evidence.jsonl.gz``, a line an event, in order of position; ``head.json``, where the
log ended; ``proof.json``, one proof that all these events are in the tree under that head;
``figures.json``, the facts on the pages and what they were asked for; ``rules-NAME``, the rule
packs as they stand; ``manifest.json``, the SHA-256 of each other file and the versions that made
them. The same facts and versions give the same bytes.

A line of evidence has ``position``, ``recorded_at``, ``check`` (the first 16 digits of the leaf's
hash, so that a changed line can be named) and either the whole ``event`` with the ``salt`` of its
private part, or its public part with ``private``, the salted hash, and ``stated``, what is told in
place of private text (``masking``).
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable, Mapping
from hashlib import sha256
from typing import Any

from msgspec import Struct, to_builtins
from msgspec.structs import replace

from ampelog import __version__, audience, chain, proof, report, rules
from ampelog.ancestry import Ancestry, ancestry
from ampelog.facts import Dossier, document
from ampelog.gates import own
from ampelog.labelling import Labelled
from ampelog.ledger import Record
from ampelog.masking import Masks
from ampelog.printing import Attached, stack
from ampelog.questions import View

FORM = "ampelog evidence 1"
EVIDENCE, FIGURES, HEAD, PROOF, MANIFEST = (
    *("evidence.jsonl.gz", "figures.json", "head.json", "proof.json", "manifest.json"),
)
RULES = "rules-"
CHECKED = 16
"""Digits of a leaf's hash that stand on its line."""
CARRIED = (
    "Attached to this file are the events that its figures rest on, a proof that they stand in the "
    "ledger's tree under this head, the rules that were applied, and the figures. The command "
    "ampelog verify --dossier works out every figure again from them and compares it with these "
    "pages, without the ledger. That no event was left out can be seen with the ledger alone."
)
MASKED = (
    "Names, remarks and the numbers of papers are masked in the attached events: that they were "
    "there is proved, and what they say only to an auditor, whose file holds them. Why something "
    "was lost or gauged is told there without that proof. The titles of scanned papers, the names "
    "of lots, vessels, blocks and labels, and what was moved, filled and shipped, without to whom, "
    "are not masked: with --no-evidence nothing of it is handed on."
)
NOT_CARRIED = (
    "The events that the figures rest on are not attached here. They can be checked with the "
    "ledger, or with a PDF of this dossier that carries its evidence."
)
_TYPES = {".gz": "application/gzip", ".json": "application/json", ".toml": "application/toml"}
_SAYS = {
    EVIDENCE: "The events that the figures rest on, a line each",
    FIGURES: "The facts on the pages",
    HEAD: "Where the ledger ended: its id, the last position, the root of its tree",
    PROOF: "One inclusion proof of all the events (RFC 9162)",
    MANIFEST: "The SHA-256 of each other file, and the versions that made them",
}


class Asked(Struct, frozen=True):
    """What a dossier was asked for: enough to make it again.

    ``reader`` is whom it is for (``audience``), ``gates`` name and text of the winery's own gates.
    ``as_of`` is a day that was named, ``until`` the last instant that counts (us UTC; None where
    nothing is dated ahead), ``private`` whether private text is handed on.
    """

    lot: str
    label: str | None = None
    as_of: str | None = None
    until: int | None = None
    units: str = "us"
    paper: str = "letter"
    private: bool = False
    reader: str | None = None
    gates: tuple[str, str] | None = None


def figured(view: View, asked: Asked) -> Dossier:
    """The facts of the dossier that was asked for, as its reader gets them."""
    table = None if asked.gates is None else own(*asked.gates)
    return audience.told(report.dossier(view, asked.lot, asked.label, gates=table), asked.reader)


def told(dossier: Dossier, asked: Asked | None) -> Dossier:
    """The dossier with what its pages say of the evidence; ``asked`` is None where none is
    attached."""
    if asked is None:
        return replace(dossier, proves_not=(*dossier.proves_not, NOT_CARRIED))
    says = (CARRIED,) if asked.private else (CARRIED, MASKED)
    return replace(dossier, proves=(*dossier.proves, *says))


def parcel(view: View, dossier: Dossier, asked: Asked) -> tuple[Attached, ...]:
    """The files to attach to a dossier, which is ``told`` already."""
    found = ancestry(view, asked.lot, asked.label, parties=asked.private)
    head = {
        "ledger": dossier.head.ledger,
        "position": dossier.head.position,
        "root": dossier.head.root,
    }
    figures = {"asked": to_builtins(asked), "figures": document(dossier)}
    files = {
        EVIDENCE: _packed(_lines(found.records, asked.private)),
        FIGURES: _json(figures),
        HEAD: _json(head),
        PROOF: _json(_proof(found)),
        **{f"{RULES}{name}": content for name, content in packs(view, asked).items()},
    }
    hashes = {name: sha256(content).hexdigest() for name, content in files.items()}
    versions = {"ampelog": __version__, **stack()}
    files[MANIFEST] = _json({"form": FORM, "versions": versions, "files": hashes})
    return in_order(files)


def packs(view: View, asked: Asked) -> dict[str, bytes]:
    """The rule packs that the lot's label is put before, by file name; none without a label."""
    lot = view.lot(asked.lot)
    if asked.label is None and view.cellar.label_of(lot, view.claimed(lot)) is None:
        return {}
    labelled = Labelled(view, lot, asked.label)
    return rules.sources(pack.id for pack in labelled.market.packs)


def in_order(files: Mapping[str, bytes]) -> tuple[Attached, ...]:
    """Files as they are attached: those of every dossier, the rules, the manifest."""
    first = [name for name in (EVIDENCE, FIGURES, HEAD, PROOF) if name in files]
    rest = sorted(files.keys() - {*first, MANIFEST})
    last = [MANIFEST] if MANIFEST in files else []
    return tuple(_attached(name, files[name]) for name in (*first, *rest, *last))


def _attached(name: str, content: bytes) -> Attached:
    mime = _TYPES.get(f".{name.rpartition('.')[2]}", "text/csv")
    says = _SAYS.get(name, f"The rules as applied: {name.removeprefix(RULES)}")
    return Attached(name, mime, says, content)


def _json(value: Mapping[str, Any]) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=1) + "\n").encode()


def _proof(found: Ancestry) -> dict[str, Any]:
    tree = chain.Tree(found.leaves)
    nodes = proof.together(tree, [one.position - 1 for one in found.records])
    return {"size": tree.size, "nodes": nodes}


def _lines(records: Iterable[Record], private: bool) -> Iterable[str]:
    masks = Masks()
    for record in records:
        line: dict[str, Any] = {
            "position": record.position,
            "recorded_at": record.recorded_at,
            "check": record.hash[:CHECKED],
        }
        if private:
            line |= {"salt": record.salt, "event": record.event}
        else:
            public, hidden = chain.part(record.event)
            line |= {
                "event": public,
                "private": chain.private_hash(record.salt, hidden),
                "stated": masks.stated(record.event, hidden),
            }
        yield chain.canonical(line)


def _packed(lines: Iterable[str]) -> bytes:
    """Lines, compressed, with neither a time nor a name nor a system in the header (RFC 1952)."""
    packed = bytearray(gzip.compress("".join(f"{one}\n" for one in lines).encode(), 9, mtime=0))
    packed[9] = 255
    return bytes(packed)
