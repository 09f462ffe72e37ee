"""One inclusion proof for many leaves of the tree of RFC 9162: no node is in it twice.

It is the inclusion proofs of the single leaves (2.1.3) taken together, without what can be worked
out from the leaves themselves. The nodes stand level by level from the leaves up, and on each level
from left to right: wherever one child of a node is known and its sibling is not, the sibling is
given. An odd last node goes up unchanged, as in the tree.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from ampelog.chain import Tree, node


def together(tree: Tree, indexes: Sequence[int]) -> list[str]:
    """The nodes that prove the leaves at these indexes (from 0); at least one, all in the tree."""
    known = sorted(set(indexes))
    if not known or known[0] < 0 or known[-1] >= tree.size:
        raise IndexError(f"no such leaves in a tree of {tree.size}")
    found = []
    for level, size in enumerate(_sizes(tree.size)):
        there = set(known)
        siblings = [one ^ 1 for one in known]
        found += [tree.at(level, one) for one in siblings if one not in there and one < size]
        known = list(dict.fromkeys(one >> 1 for one in known))
    return found


def root_of(leaves: Mapping[int, str], size: int, nodes: Sequence[str]) -> str | None:
    """The root that leaves, by index, and nodes come to in a tree of ``size`` leaves.

    None where they are not exactly what a proof of these leaves consists of.
    """
    if not leaves or min(leaves) < 0 or max(leaves) >= size:
        return None
    try:
        given = iter([_read(one) for one in nodes])
        here = {index: _read(leaf) for index, leaf in sorted(leaves.items())}
        for wide in _sizes(size):
            here = _above(here, wide, given)
    except (ValueError, StopIteration):
        return None
    return here[0].hex() if next(given, None) is None else None


def _read(text: str) -> bytes:
    found = bytes.fromhex(text)
    if len(found) != 32 or found.hex() != text:
        raise ValueError("it is no hash in lower-case hex")
    return found


def _sizes(size: int) -> Iterator[int]:
    """How many nodes each level has, but for the root's."""
    while size > 1:
        yield size
        size = (size + 1) // 2


def _above(here: dict[int, bytes], size: int, given: Iterator[bytes]) -> dict[int, bytes]:
    """The nodes one level up; ``StopIteration`` where a sibling is missing."""
    found: dict[int, bytes] = {}
    for index, hash_ in here.items():  # in order: a left child comes before its sibling
        if index >> 1 in found:
            continue
        if index == size - 1 and not index & 1:
            found[index >> 1] = hash_
            continue
        sibling = here[index ^ 1] if index ^ 1 in here else next(given)
        pair = (sibling, hash_) if index & 1 else (hash_, sibling)
        found[index >> 1] = node(*pair)
    return found
