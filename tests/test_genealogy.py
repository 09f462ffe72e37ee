"""Passes over the graph of contents, on graphs of any shape.

Against all paths written out with fractions, against reachability (networkx), and against a
sparse linear solve (scipy) to its own digits.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import spsolve

from ampelog.genealogy import (
    BITS,
    NO_MARK,
    Genealogy,
    Kinds,
    Mark,
    back,
    fixed,
    flows,
    forward,
    modulo,
    through,
)
from ampelog.sources import Leaf
from tests.conftest import Vintage

ONE = 1 << BITS
ROLES = (True, False, False)
PRIME = 2**61 - 1
"""A Mersenne prime."""


@dataclass(frozen=True)
class Path:
    """One way from a wine back to a source: the nodes nearest the bottle first, and its weight."""

    nodes: tuple[int, ...]
    weight: Fraction


def paths(parents: Sequence[Any], content: Any) -> Iterator[Path]:
    """Every way from a content to a source."""
    whole = sum(amount for _, amount in content)
    ahead = [Path((node,), Fraction(amount, whole)) for node, amount in content]
    while ahead:
        path = ahead.pop()
        here = parents[path.nodes[-1]]
        if not here:
            yield path
            continue
        total = sum(amount for _, amount in here)
        ahead += [
            Path((*path.nodes, node), path.weight * Fraction(amount, total))
            for node, amount in here
        ]


@st.composite
def graphs(draw: Any, most: int = 12) -> Genealogy:
    """A graph with its marks and labels; the last node is the wine that is asked about."""
    sources = draw(st.integers(1, 4))
    size = draw(st.integers(sources, most))
    parents: list[Any] = [()] * sources
    for node in range(sources, size):
        chosen = draw(st.lists(st.integers(0, node - 1), min_size=1, max_size=3, unique=True))
        amounts = st.integers(1, 10**15)
        parents.append(tuple((parent, draw(amounts)) for parent in chosen))
    marks: dict[int, Mark] = {}
    for node in range(size):
        if draw(st.integers(0, 3)) == 0:
            marks[node] = (
                draw(st.sampled_from([None, "dosage", "water"])),
                draw(st.sampled_from([None, "free run"])),
                draw(st.sampled_from([None, 0, 7])),
            )
    labels = [(draw(st.sampled_from(["A", "B", "C", None])), None) for _ in range(size)]
    ferments = [node for node, mark in marks.items() if mark[2] is not None]
    begins = draw(st.sets(st.sampled_from(ferments))) if ferments else set()
    return Genealogy(parents, marks, labels, begins)


def content_of(genealogy: Genealogy) -> list[tuple[int, int]]:
    return [(len(genealogy.parents) - 1, 1)]


def by_source(genealogy: Genealogy) -> dict[int, Fraction]:
    """The exact share of each source, over all paths."""
    shares: dict[int, Fraction] = {}
    for path in paths(genealogy.parents, content_of(genealogy)):
        shares[path.nodes[-1]] = shares.get(path.nodes[-1], Fraction(0)) + path.weight
    return shares


# --- shares ---


@given(graphs())
def test_the_pass_proves_its_own_error(genealogy: Genealogy) -> None:
    weights = back(genealogy, content_of(genealogy), ONE, fixed, (False, False, False))
    lost = ONE - sum(weights.values())
    exact = by_source(genealogy)
    assert {node for node, _ in weights} == set(exact)
    assert 0 <= lost < 2**20
    for (node, mark), weight in weights.items():
        assert mark == NO_MARK
        assert weight <= exact[node] * ONE <= weight + lost


@given(graphs())
def test_modulo_a_prime_the_pass_is_exact(genealogy: Genealogy) -> None:
    weights = back(genealogy, content_of(genealogy), 1, modulo(PRIME), (False, False, False))
    for node, share in by_source(genealogy).items():
        residue = share.numerator * pow(share.denominator, -1, PRIME) % PRIME
        assert weights[node, NO_MARK] % PRIME == residue


def test_a_total_without_an_inverse_is_no_answer() -> None:
    genealogy = Genealogy([(), (), ((0, 3), (1, 4))])
    with pytest.raises(ValueError, match="not invertible"):
        back(genealogy, [(2, 1)], 1, modulo(7), ROLES)


@given(graphs())
def test_what_has_a_share_is_what_a_path_leads_to(genealogy: Genealogy) -> None:
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(genealogy.parents)))
    for node, parents in enumerate(genealogy.parents):
        graph.add_edges_from((parent, node) for parent, _ in parents)
    top = len(genealogy.parents) - 1
    reached = nx.ancestors(graph, top) | {top}
    weights = back(genealogy, [(top, 1)], ONE, fixed, ROLES)
    assert {node for node, _ in weights} == {n for n in reached if not genealogy.parents[n]}
    assert all(weights.values())


@settings(max_examples=30)
@given(graphs(most=40))
def test_a_linear_solve_says_the_same(genealogy: Genealogy) -> None:
    size = len(genealogy.parents)
    mixing = np.zeros((size, size))
    for node, parents in enumerate(genealogy.parents):
        for parent, amount in parents:
            mixing[node, parent] = amount / sum(part for _, part in parents)
    start = np.zeros(size)
    start[-1] = 1
    flow = spsolve((identity(size) - csr_matrix(mixing)).T.tocsc(), start)
    for (node, _), weight in back(
        genealogy, content_of(genealogy), ONE, fixed, (False, False, False)
    ).items():
        assert abs(float(Fraction(weight, ONE)) - flow[node]) < 1e-12


def test_a_solera_is_found_where_paths_cannot_be_counted() -> None:
    """Two bodies cross-mixed 200 times: 2^200 paths, 400 nodes."""
    parents: list[Any] = [(), ()]
    for step in range(200):
        one, two = 2 * step, 2 * step + 1
        parents += [((one, 2), (two, 1)), ((one, 1), (two, 3))]
    weights = back(Genealogy(parents), [(401, 1)], ONE, fixed, ROLES)
    assert sum(weights.values()) <= ONE
    # the rows of [[2/3, 1/3], [1/4, 3/4]] to a high power are its stationary shares, 3/7 and 4/7
    for node, share in ((0, Fraction(3, 7)), (1, Fraction(4, 7))):
        assert abs(Fraction(weights[node, NO_MARK], ONE) - share) < Fraction(1, 2**200)


# --- marks: the one nearest the bottle ---


@given(graphs(), st.builds(Kinds, st.booleans(), st.booleans(), st.booleans()))
def test_each_kind_of_mark_is_the_one_nearest_the_bottle(
    genealogy: Genealogy, kinds: Kinds
) -> None:
    """Of fermentations it is the nearest that began in the wine, where any did."""
    expected: dict[tuple[int, Mark], Fraction] = {}
    for path in paths(genealogy.parents, content_of(genealogy)):
        found: list[Any] = [None, None, None]
        for node in path.nodes:
            mark = genealogy.marks.get(node, NO_MARK)
            for index in range(3):
                if kinds[index] and found[index] is None:
                    found[index] = mark[index]
        began = [genealogy.marks[node][2] for node in path.nodes if node in genealogy.begins]
        if kinds[2] and began:
            found[2] = began[0]
        key = (path.nodes[-1], (found[0], found[1], found[2]))
        expected[key] = expected.get(key, Fraction(0)) + path.weight
    weights = back(genealogy, content_of(genealogy), ONE, fixed, kinds)
    lost = ONE - sum(weights.values())
    assert weights.keys() == expected.keys()
    assert all(w <= expected[key] * ONE <= w + lost for key, w in weights.items())


# --- through which lots, and forward ---


@given(graphs())
def test_what_crossed_out_of_a_lot_is_counted_as_often_as_it_left(genealogy: Genealogy) -> None:
    crossed: dict[str, Fraction] = {}
    ferments: dict[tuple[str, int], Fraction] = {}
    for path in paths(genealogy.parents, content_of(genealogy)):
        into, later = "A", None
        for node in path.nodes:
            lot = genealogy.labels[node][0]
            if lot is None:
                continue
            if lot != into:
                crossed[lot] = crossed.get(lot, Fraction(0)) + path.weight
            stretch = genealogy.marks.get(node, NO_MARK)[2]
            if stretch is not None and stretch != later:
                key = (lot, stretch)
                ferments[key] = ferments.get(key, Fraction(0)) + path.weight
            into, later = lot, stretch
    passages = through(genealogy, "A", content_of(genealogy))
    for lot, passage in passages.items():
        share = crossed.get(lot, Fraction(0))
        assert abs(Fraction(passage.crossed, ONE) - share) < Fraction(1, 2**200)
        for stretch, amount in passage.ferments.items():
            exact = ferments[lot, stretch]
            assert abs(Fraction(amount, ONE) - exact) < Fraction(1, 2**200)
    assert crossed.keys() <= passages.keys()
    drawn: dict[str, int] = {}
    for flow in flows(genealogy, "A", content_of(genealogy)):
        assert flow.source != flow.into
        drawn[flow.source] = drawn.get(flow.source, 0) + flow.amount
    for lot, share in crossed.items():
        assert abs(Fraction(drawn[lot], ONE) - share) < Fraction(1, 2**200)


@given(graphs(), st.data())
def test_forward_is_backward_from_the_other_end(genealogy: Genealogy, data: Any) -> None:
    sources = [node for node, parents in enumerate(genealogy.parents) if not parents]
    origins = data.draw(st.lists(st.sampled_from(sources), unique=True))
    share = forward(genealogy, origins)
    for node in range(len(genealogy.parents)):
        weights = back(genealogy, [(node, 1)], ONE, fixed, (False, False, False))
        came = sum(weights.get((origin, NO_MARK), 0) for origin in origins)
        assert abs(share.get(node, 0) - came) < 2**20


# --- the graph that a cellar draws ---


STORY = """
{"kind": "pick", "at": "2024-10-01", "block": "Hill", "lot": "F", "mass": "1 t"}
{"kind": "crush", "at": "2024-10-02", "from": {"lot": "F", "all": true},
 "to": {"lot": "M", "vessel": "T1", "volume": "700 L"}}
{"kind": "ferment", "at": "2024-10-03", "lot": "M", "culture": "alcoholic", "stage": "start",
 "organism": "yeast 7", "regime": {"pump_over": {"on_hours": 1, "off_hours": 5}}}
{"kind": "ferment", "at": "2024-10-10", "lot": "M", "culture": "alcoholic", "stage": "end"}
{"kind": "press", "at": "2024-10-11", "from": {"lot": "M", "all": true},
 "to": [{"lot": "W", "vessel": "T2", "volume": "500 L", "fraction": "free run"},
        {"lot": "H", "vessel": "T3", "volume": "100 L", "fraction": "hard press"}]}
{"kind": "receive", "at": "2024-10-12", "lot": "X", "vessel": "T4", "volume": "300 L"}
{"kind": "blend", "at": "2024-11-01", "from": [{"lot": "W", "volume": "240 L"},
 {"lot": "H", "volume": "30 L"}, {"lot": "X", "volume": "30 L"}],
 "to": {"lot": "B", "vessel": "T5", "volume": "300 L"}}
{"kind": "lot", "at": "2024-12-01", "name": "N", "of": [{"lot": "B"}]}
{"kind": "bottle", "at": "2025-06-01", "from": {"lot": "N", "volume": "75 L"}, "lot": "S",
 "bottles": 100, "format": "750 mL"}
"""


def test_a_bottle_tells_the_lots_it_passed_through(vintage: Vintage) -> None:
    vintage.load(STORY)
    view = vintage.view()
    content = view.content(view.lot("S"))
    genealogy = view.genealogy(content, labels=True)
    passed = {
        lot: Fraction(passage.crossed, ONE).limit_denominator(1000)
        for lot, passage in through(genealogy, "S", content).items()
        if passage.crossed
    }
    assert passed == {
        "N": 1,
        "B": 1,
        "W": Fraction(8, 10),
        "H": Fraction(1, 10),
        "X": Fraction(1, 10),
        "M": Fraction(9, 10),
        "F": Fraction(9, 10),
    }
    crossing = {
        (flow.source, flow.into, flow.mark[1]): Fraction(flow.amount, ONE).limit_denominator(1000)
        for flow in flows(genealogy, "S", content)
    }
    assert crossing["M", "W", "free run"] == Fraction(8, 10)
    assert crossing["M", "H", "hard press"] == Fraction(1, 10)
    assert crossing["X", "B", None] == Fraction(1, 10)


def test_a_bottle_tells_the_ferments_it_was_made_by(vintage: Vintage) -> None:
    vintage.load(STORY)
    shares = vintage.shares(
        "S", by=lambda leaf: (leaf.organism, leaf.regime), kinds=Kinds(True, True, True)
    )
    assert shares == {
        ("yeast 7", "pump-over 1 h on, 5 h off"): Fraction(9, 10),
        (None, None): Fraction(1, 10),
    }


def test_a_change_of_regime_begins_a_stretch_and_keeps_the_yeast(vintage: Vintage) -> None:
    vintage.load(STORY.split('{"kind": "ferment", "at": "2024-10-10"', maxsplit=1)[0])
    vintage.load("""
    {"kind": "rack", "at": "2024-10-05", "from": {"lot": "M", "volume": "100 L"},
     "to": {"lot": "Q", "vessel": "T8", "volume": "100 L"}}
    {"kind": "ferment", "at": "2024-10-06", "lot": "M", "culture": "alcoholic", "stage": "change",
     "regime": {"punch_downs_per_day": 3}}
    {"kind": "rack", "at": "2024-10-08", "from": {"lot": "M", "volume": "100 L"},
     "to": {"lot": "R", "vessel": "T9", "volume": "100 L"}}
    """)
    everything = Kinds(True, True, True)

    def both(leaf: Leaf) -> tuple[str | None, str | None]:
        return (leaf.organism, leaf.regime)

    assert vintage.shares("Q", by=both, kinds=everything) == {
        ("yeast 7", "pump-over 1 h on, 5 h off"): 1
    }
    assert vintage.shares("R", by=both, kinds=everything) == {("yeast 7", "3 punch-downs a day"): 1}


def test_a_place_among_nodes_is_after_all_it_is_made_of(vintage: Vintage) -> None:
    vintage.load(STORY)
    view = vintage.view()
    genealogy = view.genealogy(view.content(view.lot("S")))
    for node, parents in enumerate(genealogy.parents):
        assert all(parent < node and amount > 0 for parent, amount in parents)
