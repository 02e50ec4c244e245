"""Orders that know of deterministic nodes, and merged cliques."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.inference.cliques import build_forest, scopes_to_cover, spanning_forest
from diagnose.inference.order import (
    absorbed,
    eliminate,
    free_weight,
    maximal_cliques,
    min_fill,
    min_rows,
    moral_graph,
)
from tests.inference.enumeration import enumerate_joint
from tests.inference.networks import (
    NAMED,
    YES_NO,
    network,
    random_networks,
)

if TYPE_CHECKING:
    from diagnose.inference.families import Network

SEEDS = st.integers(0, 2**32 - 1)
LAW = settings(max_examples=80, deadline=None, derandomize=True)


def inner_nodes(net: Network) -> list[int]:
    return [node for node in range(len(net.cards)) if node not in net.leaves]


def cliques_of(net: Network, score) -> list[frozenset[int]]:
    graph = moral_graph(inner_nodes(net), scopes_to_cover(net))
    return maximal_cliques(eliminate(graph, score))


def is_clique_forest(cliques, edges) -> bool:
    """Running intersection: the cliques that hold a node are one piece of the forest."""
    return all(
        sum(node in clique for clique in cliques)
        - sum(node in cliques[one] & cliques[two] for one, two in edges)
        == 1
        for node in frozenset[int]().union(*cliques)
    )


def test_deterministic_nodes_are_known_with_their_parents():
    net = NAMED["worst_of_three"]()
    found = {
        net.families[node].node: {net.families[parent].node for parent in parents}
        for node, parents in net.functions.items()
    }
    assert found == {"path1": {"fuse", "wire"}, "path2": {"path1", "joint"}}
    assert NAMED["chain"]().functions == {}


def test_a_node_without_parents_is_never_deterministic():
    """Its table may be 0 and 1, but there is nothing that determines it in a clique."""
    assert network(("sure", YES_NO, (), [1, 0])).functions == {}


def test_free_weight_counts_what_is_not_determined():
    net = NAMED["worst_of_three"]()
    index, weights = net.index, np.log(net.cards)

    def rows(*nodes: str) -> float:
        return math.exp(free_weight([index[node] for node in nodes], weights, net.functions))

    assert rows("fuse", "wire") == pytest.approx(9.0)
    assert rows("fuse", "wire", "path1") == pytest.approx(9.0)
    assert rows("fuse", "path1") == pytest.approx(9.0)
    assert rows("fuse", "wire", "joint", "path1", "path2") == pytest.approx(27.0)


@LAW
@given(random_networks(), SEEDS)
def test_no_set_of_nodes_has_more_possible_rows_than_its_free_weight(net, seed):
    """Against the brute-force joint."""
    rng = np.random.default_rng(seed)
    chosen = [node for node in range(len(net.cards)) if rng.random() < 0.6] or [0]
    shares = enumerate_joint(net).marginal(*(net.families[node].node for node in chosen))
    bound = math.exp(free_weight(chosen, np.log(net.cards), net.functions))
    assert (shares > 0.0).sum() <= bound * (1.0 + 1e-12)


@LAW
@given(random_networks())
def test_an_order_by_rows_makes_the_graph_chordal(net):
    """networkx's `is_chordal` (Tarjan & Yannakakis 1984) is the referee."""
    cliques = cliques_of(net, min_rows(np.log(net.cards), net.functions))
    graph = nx.Graph()
    graph.add_nodes_from(inner_nodes(net))
    for clique in cliques:
        graph.add_edges_from((a, b) for a in clique for b in clique if a < b)
    assert len(graph) == 0 or nx.is_chordal(graph)
    for scope in scopes_to_cover(net):
        assert any(scope <= clique for clique in cliques)


@LAW
@given(random_networks(), st.sampled_from(["fill", "rows"]))
def test_merged_cliques_are_a_clique_forest_with_no_more_rows(net, order):
    weights = np.log(net.cards)
    score = min_fill(weights) if order == "fill" else min_rows(weights, net.functions)
    cliques = cliques_of(net, score)

    def rows(clique: frozenset[int]) -> float:
        return math.exp(free_weight(clique, weights, net.functions))

    before = [rows(clique) for clique in cliques]
    merged = absorbed(cliques, spanning_forest(cliques, before), rows)
    after = [rows(clique) for clique in merged]
    assert is_clique_forest(merged, spanning_forest(merged, after))
    assert all(any(clique <= whole for whole in merged) for clique in cliques)
    assert sum(after) <= sum(before) * (1.0 + 1e-12)
    assert len(merged) <= len(cliques)


def test_merging_keeps_the_forest_it_was_given():
    """The edges that are left need not be looked for anew: here they are contracted by hand."""
    cliques = [frozenset({0, 1}), frozenset({1, 2}), frozenset({2, 3}), frozenset({3, 4})]
    edges = [(0, 1), (1, 2), (2, 3)]
    assert absorbed(cliques, edges, lambda clique: 4.0 ** len(clique)) == cliques
    assert absorbed(cliques, edges, lambda _: 1.0) == [frozenset(range(5))]
    middle = absorbed(
        cliques, edges, lambda clique: 1.0 if {1, 2, 3} >= clique else 9.0 ** len(clique)
    )
    assert middle == [frozenset({0, 1}), frozenset({1, 2, 3}), frozenset({3, 4})]
    assert absorbed(cliques, edges, len, spare=-1.0) == [frozenset(range(5))]
    assert absorbed(cliques, edges, len, spare=-2.0) == cliques
    assert absorbed([frozenset({0}), frozenset({1})], [], lambda _: 1.0) == [
        frozenset({0}),
        frozenset({1}),
    ]


def test_a_chain_of_deterministic_nodes_is_one_clique():
    """Each node is the one before, turned round: all of them have as many rows as the first."""
    turned = np.eye(5)[:, ::-1]
    families: list[tuple] = [("x0", "abcde", (), np.full(5, 0.2))]
    families += [(f"x{step}", "abcde", (f"x{step - 1}",), turned) for step in range(1, 9)]
    forest = build_forest(network(*families), 10_000)
    assert len(forest.relations) == 1
    assert forest.rows == 5
