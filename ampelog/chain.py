"""Canonical bytes, leaf hashes and the Merkle tree over them. Pure: no files, no database.

An event becomes a leaf, ``SHA-256(0x00 || canonical({"event", "position", "private",
"recorded_at"}))``. ``event`` there is its public part; ``private`` is the SHA-256 of a random salt
and the private part, so that a paper for a stranger can leave the private part out and the leaf
can still be recomputed. The tree over the leaves is that of RFC 9162, section 2.1.

Texts are canonical JSON (RFC 8785). Hashes, salts and roots are lower-case hex wherever they
cross a border of this module.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from hashlib import sha256
from typing import Any

import msgspec

PRIVATE = frozenset(
    (
        *("by", "note", "text", "reason", "despite", "ref", "papers", "document", "supplier"),
        *("grower", "to", "from_party", "owner", "carrier", "address", "phone", "permit"),
        *("farmed_by", "lab", "sample"),
    )
)
"""Keys whose text is private, at any depth except inside ``statements``."""

OPEN = "statements"
"""What a label says is public whatever its keys are called."""

SALT_BYTES = 16
EMPTY_ROOT = sha256(b"").hexdigest()
"""The root of a tree without leaves (RFC 9162, 2.1.1)."""

_SAFE = 2**53 - 1  # the integers every JSON reader agrees on (RFC 7493, 2.2)
_BARE, _MIXED, _OTHER = 0, 1, 2
_write = msgspec.json.Encoder(order="deterministic").encode


class NotCanonical(ValueError):
    """The value has no canonical text: a lone surrogate, or a number past 2^53."""


def _encode(value: Any) -> str:
    try:
        return _write(value).decode()
    except UnicodeEncodeError:
        raise NotCanonical("text with a lone surrogate is no Unicode text") from None


# --- canonical text -------------------------------------------------------------------------


def canonical(value: Any) -> str:
    """The RFC 8785 text of a JSON value; raises ``NotCanonical``.

    A plain encoder writes the same bytes, many times faster, for text, integers, truth values and
    null under ASCII keys; whatever else there is goes to the reference writer.
    """
    return _text(value, plain=_look(value) != _OTHER)


def _text(value: Any, *, plain: bool) -> str:
    if not plain:
        return _reference(value)
    text = _encode(value)
    return text if text.isascii() or _sorted_alike(value) else _reference(value)


def _look(value: Any) -> int:
    """Whether the standard encoder writes the value's numbers canonically (else ``_OTHER``), and
    whether private text may lie in it (``_MIXED``, else ``_BARE``)."""
    kind = type(value)
    if kind is dict:
        found = _BARE if PRIVATE.isdisjoint(value) else _MIXED
        parts = value.values()
    elif kind is list:
        found, parts = _BARE, value
    else:
        plain = kind is str or value is None or kind is bool
        return _BARE if plain or (kind is int and -_SAFE <= value <= _SAFE) else _OTHER
    for item in parts:
        if type(item) is not str:
            look = _look(item)
            if look > found:  # noqa: PLR1730 - half the time of `max`, for every endpoint
                found = look
    return found


def _sorted_alike(value: Any) -> bool:
    """Whether all keys are ASCII: others are sorted by code point by the standard encoder, by
    UTF-16 code unit in canonical text."""
    if type(value) is dict:
        return all(key.isascii() and _sorted_alike(item) for key, item in value.items())
    return type(value) is not list or all(map(_sorted_alike, value))


def _reference(value: Any) -> str:
    import rfc8785

    try:
        return rfc8785.dumps(value).decode()
    except (rfc8785.CanonicalizationError, UnicodeError) as fault:
        raise NotCanonical(str(fault)) from None


# --- leaves ---------------------------------------------------------------------------------


def part(event: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """The public part of an event and its private part.

    The public part is a copy without the keys of ``PRIVATE`` that hold text, and shares with the
    event what has none; the private part has their texts by JSON pointer (RFC 6901).
    """
    private: dict[str, str] = {}
    return _without(event, "", private)[0], private


def whole(public: Mapping[str, Any], private: Mapping[str, str]) -> dict[str, Any]:
    """The event again from its two parts (raises ``KeyError``, ``IndexError`` or ``ValueError``
    where a pointer leads nowhere)."""
    event: dict[str, Any] = json.loads(_encode(public))
    for pointer, text in private.items():
        *path, last = [
            step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]
        ]
        node: Any = event
        for step in path:
            node = node[int(step)] if isinstance(node, list) else node[step]
        node[last] = text
    return event


def _without(
    node: Mapping[str, Any], pointer: str, private: dict[str, str]
) -> tuple[dict[str, Any], bool]:
    """An object without its private texts, which are noted; and whether it is plain (``_look``)."""
    public, plain = {}, True
    for key, value in node.items():
        if type(value) is str:
            if key in PRIVATE:
                private[f"{pointer}/{key}"] = value
                continue
        else:
            look = _look(value)
            plain = plain and look != _OTHER
            if look != _BARE and key != OPEN:
                public[key] = _within(value, f"{pointer}/{_escaped(key)}", private)
                continue
        public[key] = value
    return public, plain


def _within(node: Any, pointer: str, private: dict[str, str]) -> Any:
    if type(node) is dict:
        return _without(node, pointer, private)[0]
    if type(node) is list:
        return [_within(item, f"{pointer}/{index}", private) for index, item in enumerate(node)]
    return node


def _escaped(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


def private_hash(salt: str, private: Mapping[str, str]) -> str:
    """SHA-256 of the salt's bytes and the private part's canonical text."""
    return sha256(bytes.fromhex(salt) + _text(private, plain=True).encode()).hexdigest()


def leaf_hash(public: Mapping[str, Any], private: str, position: int, recorded_at: str) -> str:
    """The leaf of an event from its public part and the hash of its private part."""
    return _leaf(canonical(public), private, position, recorded_at)


def _leaf(public: str, private: str, position: int, recorded_at: str) -> str:
    text = (
        f'{{"event":{public},"position":{position},"private":"{private}",'
        f'"recorded_at":{_encode(recorded_at)}}}'
    )
    return sha256(b"\0" + text.encode()).hexdigest()


def entry(event: Mapping[str, Any], position: int, recorded_at: str, salt: str) -> tuple[str, str]:
    """The canonical text of a whole event and its leaf hash; raises ``NotCanonical``."""
    private: dict[str, str] = {}
    public, plain = _without(event, "", private)
    shown = _text(public, plain=plain)
    leaf = _leaf(shown, private_hash(salt, private), position, recorded_at)
    return _text(event, plain=plain), leaf


# --- the tree -------------------------------------------------------------------------------


def node(left: bytes, right: bytes) -> bytes:
    """The hash of a node over its two children: RFC 9162, 2.1.1."""
    return sha256(b"\1" + left + right).digest()


class Peaks:
    """A growing tree, kept as the roots of its complete subtrees, largest first.

    There is one for each one-bit of ``size``; adding a leaf merges equal ones, which is constant
    time on average. They are all that is needed to go on and to name the root.
    """

    __slots__ = ("_peaks", "size")

    def __init__(self, size: int = 0, peaks: Iterable[str] = ()) -> None:
        self.size = size
        self._peaks = [bytes.fromhex(peak) for peak in peaks]
        if size < 0 or len(self._peaks) != size.bit_count():
            raise ValueError(f"a tree of {size} leaves has not {len(self._peaks)} peaks")

    def add(self, leaf: str) -> None:
        """Append a leaf hash."""
        peak = bytes.fromhex(leaf)
        merges = self.size
        while merges & 1:
            peak = node(self._peaks.pop(), peak)
            merges >>= 1
        self._peaks.append(peak)
        self.size += 1

    def root(self) -> str:
        """The root of the leaves so far."""
        if not self._peaks:
            return EMPTY_ROOT
        root = self._peaks[-1]
        for peak in self._peaks[-2::-1]:
            root = node(peak, root)
        return root.hex()

    def hashes(self) -> tuple[str, ...]:
        """The peaks, largest first, to go on from later."""
        return tuple(peak.hex() for peak in self._peaks)


class Tree:
    """A tree of known leaves, with every level kept, for roots and proofs.

    Each level pairs the one below; an odd last node is promoted unchanged, which is the same as
    splitting at the largest power of two.
    """

    def __init__(self, leaves: Iterable[str]) -> None:
        level = [bytes.fromhex(leaf) for leaf in leaves]
        self.size = len(level)
        self._levels = [level]
        while len(level) > 1:
            odd = [level[-1]] if len(level) % 2 else []
            level = [node(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)] + odd
            self._levels.append(level)

    def at(self, level: int, index: int) -> str:
        """The hash of a node: level 0 are the leaves, the last is the root alone."""
        return self._levels[level][index].hex()

    def root(self) -> str:
        """The root of all leaves."""
        return self._levels[-1][0].hex() if self.size else EMPTY_ROOT

    def proof(self, index: int) -> list[str]:
        """The inclusion proof of the leaf at ``index`` (from 0): RFC 9162, 2.1.3.1."""
        if not 0 <= index < self.size:
            raise IndexError(f"no leaf {index} in a tree of {self.size}")
        path = []
        for level in self._levels[:-1]:
            sibling = index ^ 1
            if sibling < len(level):
                path.append(level[sibling].hex())
            index >>= 1
        return path


def proved(leaf: str, index: int, size: int, path: Sequence[str], root: str) -> bool:
    """Whether an inclusion proof leads to the root: RFC 9162, 2.1.3.2.

    The claim is that ``leaf`` stands at ``index`` (from 0) among the ``size`` leaves under it.
    """
    last = size - 1
    if not 0 <= index <= last:
        return False
    here = bytes.fromhex(leaf)
    for step in map(bytes.fromhex, path):
        if last == 0:
            return False
        if index & 1 or index == last:
            here = node(step, here)
            while not index & 1 and index:
                index >>= 1
                last >>= 1
        else:
            here = node(here, step)
        index >>= 1
        last >>= 1
    return last == 0 and here.hex() == root
