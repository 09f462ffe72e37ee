"""One proof for many leaves, against the proofs of the single leaves and a verifier written apart.

The tree and the single proofs are those of RFC 9162, 2.1.
"""

from __future__ import annotations

from hashlib import sha256

from hypothesis import given
from hypothesis import strategies as st

from ampelog import chain, proof


def leaves(count: int) -> list[str]:
    return [sha256(f"{one}".encode()).hexdigest() for one in range(count)]


@st.composite
def chosen(draw: st.DrawFn) -> tuple[int, list[int]]:
    size = draw(st.integers(1, 70))
    return size, draw(st.lists(st.integers(0, size - 1), min_size=1, unique=True))


def root(parts: dict[int, str], low: int, high: int, given: list[str]) -> str:
    """RFC 9162, 2.1.1, as it is written: by the largest power of two below the number of leaves.

    What no leaf lies under is taken from ``given``, which names the nodes that are there.
    """
    if not any(low <= one < high for one in parts):
        return given.pop(0)
    if high - low == 1:
        return parts[low]
    split = 1 << (high - low - 1).bit_length() - 1
    left = root(parts, low, low + split, given)
    right = root(parts, low + split, high, given)
    return sha256(b"\1" + bytes.fromhex(left) + bytes.fromhex(right)).hexdigest()


def wanted(parts: set[int], low: int, high: int, level: int, found: list[tuple[int, int]]) -> None:
    """(level, first leaf) of the subtrees beside known ones that hold no known leaf."""
    if not any(low <= one < high for one in parts):
        found.append((level, low))
        return
    if high - low > 1:
        split = 1 << (high - low - 1).bit_length() - 1
        wanted(parts, low, low + split, (split - 1).bit_length(), found)
        wanted(parts, low + split, high, (high - low - split - 1).bit_length(), found)


@given(made=chosen())
def test_the_proof_is_the_least_and_leads_to_the_root(made: tuple[int, list[int]]) -> None:
    size, indexes = made
    tree = chain.Tree(leaves(size))
    nodes = proof.together(tree, indexes)
    parts = {one: leaves(size)[one] for one in indexes}
    assert proof.root_of(parts, size, nodes) == tree.root()
    single = {node for one in indexes for node in tree.proof(one)}
    assert set(nodes) <= single, "every node stands in the proof of some leaf"
    assert len(nodes) == len(set(nodes))
    places: list[tuple[int, int]] = []
    wanted(set(indexes), 0, size, (size - 1).bit_length(), places)
    assert len(places) == len(nodes), "no more than the subtrees without a known leaf"
    order = [node for _, node in sorted(zip(_by_level(size, indexes), nodes, strict=True))]
    assert root(parts, 0, size, order) == tree.root()


def _by_level(size: int, indexes: list[int]) -> list[int]:
    """The first leaf under each node of a proof, in the order in which it has them."""
    found, known, wide, level = [], sorted(set(indexes)), size, 0
    while wide > 1:
        there = set(known)
        found += [(one ^ 1) << level for one in known if one ^ 1 not in there and one ^ 1 < wide]
        known = list(dict.fromkeys(one >> 1 for one in known))
        wide, level = (wide + 1) // 2, level + 1
    return found


@given(made=chosen(), at=st.integers(0, 400), data=st.data())
def test_no_other_leaves_and_no_other_nodes_lead_there(
    made: tuple[int, list[int]], at: int, data: st.DataObject
) -> None:
    size, indexes = made
    tree = chain.Tree(leaves(size))
    nodes = proof.together(tree, indexes)
    parts = {one: leaves(size)[one] for one in indexes}
    other = sha256(b"other").hexdigest()
    changed = indexes[at % len(indexes)]
    assert proof.root_of({**parts, changed: other}, size, nodes) != tree.root()
    less = {one: leaf for one, leaf in parts.items() if one != changed}
    assert proof.root_of(less, size, nodes) != tree.root()
    assert proof.root_of(parts, size, [*nodes, other]) is None
    if nodes:
        assert proof.root_of(parts, size, nodes[:-1]) is None
        spot = data.draw(st.integers(0, len(nodes) - 1))
        mended = [*nodes[:spot], other, *nodes[spot + 1 :]]
        assert proof.root_of(parts, size, mended) != tree.root()


def test_what_is_no_hash_proves_nothing() -> None:
    assert proof.root_of({0: leaves(1)[0]}, 2, ["zz"]) is None
    assert proof.root_of({0: leaves(1)[0].upper()}, 1, []) is None
    assert proof.root_of({}, 2, leaves(2)) is None
    assert proof.root_of({2: leaves(1)[0]}, 2, leaves(1)) is None
