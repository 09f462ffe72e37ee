"""Canonical text, leaves and the tree, against published vectors and second computations."""

from __future__ import annotations

import json
from hashlib import sha256
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ampelog import chain

# RFC 6962, section 2.1 (the tree that RFC 9162 keeps), over the eight test leaves published with
# the Certificate Transparency reference implementation: heads of the first n of them.
LEAVES = [
    bytes.fromhex(leaf)
    for leaf in (
        *("", "00", "10", "2021", "3031", "40414243", "5051525354555657"),
        "606162636465666768696a6b6c6d6e6f",
    )
]
HEADS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAF_L123456 = "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
NODE_N123_N456 = "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"

SALT = "000102030405060708090a0b0c0d0e0f"
AT = "2026-03-01T08:00:00.000000Z"


def hashed(data: bytes) -> str:
    """A leaf hash as RFC 9162, 2.1.1 has it."""
    return sha256(b"\0" + data).hexdigest()


def numbered(count: int) -> list[str]:
    return [hashed(str(number).encode()) for number in range(count)]


def test_a_tree_that_grows_has_the_published_heads() -> None:
    peaks = chain.Peaks()
    assert peaks.root() == HEADS[0]
    for leaf, head in zip(LEAVES, HEADS[1:], strict=True):
        peaks.add(hashed(leaf))
        assert peaks.root() == head


@pytest.mark.parametrize("size", range(9))
def test_a_tree_of_levels_has_the_published_heads(size: int) -> None:
    assert chain.Tree(map(hashed, LEAVES[:size])).root() == HEADS[size]


def test_leaf_and_node_have_the_published_hashes() -> None:
    assert hashed(b"L123456") == LEAF_L123456
    # A node's children are any 32 bytes elsewhere; the published pair is shorter, and hashed alike.
    assert chain.node(b"N123", b"N456").hex() == NODE_N123_N456


def test_peaks_go_on_from_where_they_were_kept() -> None:
    leaves = numbered(70)
    peaks = chain.Peaks()
    for size, leaf in enumerate(leaves):
        again = chain.Peaks(size, peaks.hashes())
        assert again.root() == peaks.root() == chain.Tree(leaves[:size]).root()
        peaks.add(leaf)
        again.add(leaf)
        assert again.hashes() == peaks.hashes()


@pytest.mark.parametrize(("size", "count"), [(0, 1), (3, 1), (4, 2), (-1, 0)])
def test_peaks_of_another_size_are_refused(size: int, count: int) -> None:
    with pytest.raises(ValueError, match="peaks"):
        chain.Peaks(size, numbered(count))


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 13, 33])
def test_each_leaf_is_proved_and_nothing_else(size: int) -> None:
    leaves = numbered(size)
    tree = chain.Tree(leaves)
    root = tree.root()
    for index, leaf in enumerate(leaves):
        path = tree.proof(index)
        assert chain.proved(leaf, index, size, path, root)
        assert not chain.proved(hashed(b"other"), index, size, path, root)
        assert not chain.proved(leaf, index, size, path, hashed(b"other"))
        assert not chain.proved(leaf, index, size, [*path, leaf], root)
        assert not chain.proved(leaf, size, size, path, root)
        assert not chain.proved(leaf, -1, size, path, root)
        if path:
            assert not chain.proved(leaf, index, size, path[:-1], root)
            assert not chain.proved(leaf, index ^ 1, size, path, root)


def test_a_leaf_beyond_the_tree_has_no_proof() -> None:
    with pytest.raises(IndexError, match="no leaf 3"):
        chain.Tree(numbered(3)).proof(3)


def test_keys_are_sorted_as_rfc_8785_shows() -> None:
    # RFC 8785, section 3.2.3: the example of sorting by UTF-16 code units.
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(chain.canonical(dict.fromkeys(names, "")))) == order


@pytest.mark.parametrize(
    ("value", "text"),
    [
        # RFC 8785, section 3.2.2.2: what is escaped, and how; everything else stands for itself.
        (
            "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\u005c\u0022\u002f",
            '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"',
        ),
        ("\u007f\u2028\b\t\f", '"\u007f\u2028\\b\\t\\f"'),
        (24.0, "24"),
        ([None, True, False, 0, -7], "[null,true,false,0,-7]"),
        ({"b": {}, "a": []}, '{"a":[],"b":{}}'),
        (2**53 - 1, "9007199254740991"),
    ],
)
def test_canonical_text(value: Any, text: str) -> None:
    assert chain.canonical(value) == text


@pytest.mark.parametrize(
    "value",
    ["\ud800", {"\udc00": "x"}, {"é": "\ud800"}, 2**53, {"a": [-(2**53)]}, {"a": 1e999}, b"x"],
)
def test_what_has_no_canonical_text(value: Any) -> None:
    with pytest.raises(chain.NotCanonical):
        chain.canonical(value)
    with pytest.raises(chain.NotCanonical):
        chain.entry({"kind": "x", "other": value}, 1, AT, SALT)


KEYS = st.sampled_from(
    ["by", "to", "lot", "note", "statements", "a/b", "a~b", "ü", "\U0001f600", "ﬁ"]
)
TEXTS = st.text(max_size=12)
VALUES = st.recursive(
    TEXTS | st.integers(-(2**53) + 1, 2**53 - 1) | st.booleans() | st.none(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS | TEXTS, inner, max_size=5),
    max_leaves=12,
)
EVENTS = st.dictionaries(KEYS | TEXTS, VALUES, max_size=7)


@given(VALUES)
def test_canonical_text_is_that_of_the_reference_writer(value: Any) -> None:
    assert chain.canonical(value).encode() == rfc8785.dumps(value)


@given(EVENTS)
def test_the_parts_make_up_the_event(event: dict[str, Any]) -> None:
    before = json.dumps(event)
    public, private = chain.part(event)
    assert chain.whole(public, private) == event
    assert json.dumps(event) == before


def parted(node: Any, inside: bool = False) -> tuple[Any, dict[tuple[Any, ...], str]]:
    """The two parts once more, as plainly as the rule reads."""
    if isinstance(node, list):
        pairs: list[tuple[Any, Any]] = list(enumerate(node))
    elif isinstance(node, dict):
        pairs = list(node.items())
    else:
        return node, {}
    shown, hidden = {}, {}
    for key, value in pairs:
        if (
            isinstance(node, dict)
            and key in chain.PRIVATE
            and isinstance(value, str)
            and not inside
        ):
            hidden[(key,)] = value
            continue
        shown[key], below = parted(value, inside or key == "statements")
        hidden.update({(key, *path): text for path, text in below.items()})
    return (list(shown.values()) if isinstance(node, list) else shown), hidden


@given(EVENTS, st.integers(1, 10**9))
def test_a_leaf_is_what_the_rule_says(event: dict[str, Any], position: int) -> None:
    shown, hidden = parted(event)
    pointers = {
        "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path): text
        for path, text in hidden.items()
    }
    private = sha256(bytes.fromhex(SALT) + rfc8785.dumps(pointers)).hexdigest()
    leaf = {"event": shown, "position": position, "private": private, "recorded_at": AT}
    body, found = chain.entry(event, position, AT, SALT)
    assert body.encode() == rfc8785.dumps(event)
    assert found == hashed(rfc8785.dumps(leaf))
    assert found == chain.leaf_hash(shown, chain.private_hash(SALT, pointers), position, AT)


def test_private_text_is_left_out_wherever_it_stands() -> None:
    event = {
        "kind": "correct",
        "by": "Rui",
        "reason": "slip",
        "replacement": {
            "kind": "ship",
            "to": "a customer",
            "text": [{"says": "not private: no text"}],
            "regime": {"note": "gently"},
        },
        "statements": {"text": "old vines", "where": {"grower": "shown"}},
        "to": [{"lot": "A", "owner": "someone"}],
        "papers": [{"title": "weigh tag", "sha256": "00"}],
    }
    public, private = chain.part(event)
    assert private == {
        "/by": "Rui",
        "/reason": "slip",
        "/replacement/to": "a customer",
        "/replacement/regime/note": "gently",
        "/to/0/owner": "someone",
    }
    assert public == {
        "kind": "correct",
        "replacement": {
            "kind": "ship",
            "text": [{"says": "not private: no text"}],
            "regime": {},
        },
        "statements": {"text": "old vines", "where": {"grower": "shown"}},
        "to": [{"lot": "A"}],
        "papers": [{"title": "weigh tag", "sha256": "00"}],
    }


def test_a_salt_hides_equal_words() -> None:
    words = {"/note": "the same"}
    assert chain.private_hash(SALT, words) != chain.private_hash(SALT[::-1], words)
