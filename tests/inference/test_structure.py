"""Orders, cliques, forests and supports: what must hold of each, and what is refused."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from itertools import product

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings

from diagnose.errors import (
    NetworkError,
    NetworkTooLargeError,
    UnknownNameError,
    ValueOutOfRangeError,
)
from diagnose.inference.cliques import build_forest, scopes_to_cover
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network, from_pgmpy
from diagnose.inference.order import eliminate, maximal_cliques, min_fill
from tests.inference.enumeration import enumerate_joint
from tests.inference.networks import (
    NAMED,
    YES_NO,
    asia,
    network,
    published_network,
    random_networks,
    sample,
    to_pgmpy,
)


def check_forest(net: Network) -> None:
    forest = build_forest(net, 1_000_000)
    scopes = [set(relation.scope) for relation in forest.relations]
    for scope in scopes_to_cover(net):
        assert any(scope <= held for held in scopes)
    assert all(above < place for place, above in enumerate(forest.parent))
    for node in range(len(net.cards)):  # running intersection: one top clique per node
        holding = [place for place, scope in enumerate(scopes) if node in scope]
        tops = [p for p in holding if forest.parent[p] < 0 or node not in scopes[forest.parent[p]]]
        assert len(tops) == (0 if node in net.leaves else 1)


@pytest.mark.parametrize("name", ["alarm", "win95pts", "hepar2"])
def test_forests_of_published_networks(name):
    check_forest(published_network(name))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(random_networks())
def test_rows_kept_are_exactly_the_possible_ones(net):
    """Against the brute-force joint: a row is kept iff its combination has P > 0."""
    check_forest(net)
    joint = enumerate_joint(net)
    for relation in build_forest(net, 1_000_000).relations:
        shares = joint.marginal(*(net.families[node].node for node in relation.scope))
        kept = {tuple(row) for row in relation.rows.tolist()}
        assert len(kept) == len(relation.rows)
        for combination in product(*(range(net.cards[node]) for node in relation.scope)):
            assert (combination in kept) == (shares[combination] > 0.0)


def test_min_fill_finds_no_fill_in_a_chordal_graph_and_its_cliques():
    """networkx's `chordal_graph_cliques` (Gavril 1972) is the referee for the maximal cliques."""
    graph = nx.random_labeled_tree(30, seed=4)
    chordal, _ = nx.complete_to_chordal_graph(nx.power(graph, 2))
    near = {node: set(chordal[node]) for node in chordal}
    made = eliminate(near, min_fill([1.0] * 30))
    cliques = set(maximal_cliques(made))
    assert cliques == {frozenset(clique) for clique in nx.chordal_graph_cliques(chordal)}


def test_the_brute_force_joint_has_a_limit():
    with pytest.raises(NetworkTooLargeError) as caught:
        enumerate_joint(network(*((f"n{i}", YES_NO, (), [0.5, 0.5]) for i in range(21))))
    assert caught.value.rows == 2**21


def test_a_network_that_does_not_fit_is_refused_with_its_sizes():
    """A 2-dimensional grid of coupled nodes of four states has no small cliques."""
    rng = np.random.default_rng(0)
    families = []
    for row, column in product(range(9), range(9)):
        above = [f"n{row - 1},{column}"] * (row > 0) + [f"n{row},{column - 1}"] * (column > 0)
        table = rng.dirichlet(np.ones(4), size=(4,) * len(above))
        families.append(Family.build(f"n{row},{column}", "abcd", above, table))
    with pytest.raises(NetworkTooLargeError) as caught:
        compile_network(Network(tuple(families)), max_rows=50_000)
    assert caught.value.rows > caught.value.limit == 50_000
    assert len(caught.value.nodes) > 5


def test_gains_about_too_many_combinations_are_refused():
    families = [(f"n{i}", YES_NO, (), [0.5, 0.5]) for i in range(30)]
    net = network(*families, ("t", YES_NO, ("n0",), np.eye(2)), ("u", YES_NO, ("t",), np.eye(2)))
    compiled = compile_network(net)
    with pytest.raises(NetworkTooLargeError):
        compiled.gains(["t"], about=[f"n{i}" for i in range(30)])
    assert compiled.gains(["t"], about=["n0"])["t"] == pytest.approx(1.0)


def test_a_leaf_asked_about_more_than_its_parents_costs_one_propagation():
    """Given its parents a leaf depends on nothing else, so no combination is tried."""
    families = [(f"n{i}", YES_NO, (), [0.5, 0.5]) for i in range(40)]
    compiled = compile_network(network(*families, ("t", YES_NO, ("n0",), np.eye(2))))
    assert compiled.gains(["t"], about=[f"n{i}" for i in range(40)])["t"] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ([0.5, float("nan")], "NaN"),
        ([1.5, -0.5], "negative"),
        ([0.5, 0.49], "sum"),
        ([0.2, 0.3, 0.5], "shape"),
        (["x", "y"], "numbers"),
    ],
)
def test_tables_that_are_refused(table, message):
    with pytest.raises(NetworkError, match=message) as caught:
        Family.build("node", YES_NO, (), table)
    assert caught.value.node == "node"


def test_rows_are_renormalised_exactly_and_frozen():
    family = Family.build("node", "abc", (), [0.1, 0.2, 0.7 + 5e-10])
    assert family.table.sum() == pytest.approx(1.0, abs=2e-16)
    with pytest.raises(ValueError, match="read-only"):
        family.table[0] = 1.0


@pytest.mark.parametrize(
    ("families", "message"),
    [
        ([("a", YES_NO, ("b",), np.eye(2)), ("b", YES_NO, ("a",), np.eye(2))], "circle"),
        ([("a", YES_NO, ("zz",), np.eye(2))], "not a node"),
        ([("a", YES_NO, (), [1, 0]), ("a", YES_NO, (), [1, 0])], "two nodes"),
        ([("a", "xyz", (), [1, 0, 0]), ("b", YES_NO, ("a",), np.eye(2))], "3 states"),
        ([("a", YES_NO, ("a",), np.eye(2))], "itself"),
        ([("a", ("x", "x"), (), [1, 0])], "different"),
    ],
)
def test_networks_that_are_refused(families, message):
    with pytest.raises(NetworkError, match=message):
        network(*families)


def test_a_network_without_nodes_is_refused():
    with pytest.raises(NetworkError, match="at least one node"):
        compile_network(Network(()))


def test_a_pgmpy_model_and_its_families_are_the_same():
    net = asia()
    again = from_pgmpy(to_pgmpy(net))
    for family in net.families:
        other = again.families[again.index[family.node]]
        assert other.states == family.states
        axes = [*(other.parents.index(p) for p in family.parents), len(family.parents)]
        np.testing.assert_allclose(other.table.transpose(axes), family.table, atol=1e-15)


class _Table:
    def __init__(self, variables, values, state_names) -> None:
        self.variables, self.values, self.state_names = variables, np.array(values), state_names


class _Model:
    def __init__(self, *tables) -> None:
        self.tables = {table.variables[0]: table for table in tables}
        self.nodes = [*self.tables]

    def get_cpds(self, node):
        return self.tables[node]


def test_printed_tables_may_be_off_by_a_hundredth_but_no_more():
    near = from_pgmpy(_Model(_Table(["a"], [0.33, 0.66], {"a": ["x", "y"]})))
    assert near.families[0].table.sum() == pytest.approx(1.0, abs=1e-15)
    with pytest.raises(NetworkError, match="sum"):
        from_pgmpy(_Model(_Table(["a"], [0.33, 0.6], {"a": ["x", "y"]})))


def test_a_model_whose_tables_number_states_differently_is_refused():
    parent = _Table(["a"], [0.3, 0.7], {"a": ["x", "y"]})
    child = _Table(["b", "a"], np.eye(2), {"b": ["u", "v"], "a": ["y", "x"]})
    with pytest.raises(NetworkError, match="lists the states"):
        from_pgmpy(_Model(parent, child))
    missing = _Model(parent, child)
    missing.tables["b"] = None
    with pytest.raises(NetworkError, match="no table"):
        from_pgmpy(missing)


def test_names_that_do_not_exist_come_with_the_nearest():
    compiled = compile_network(asia())
    with pytest.raises(UnknownNameError) as caught:
        compiled.posterior({"xrya": "yes"})
    assert caught.value.nearest == "xray"
    with pytest.raises(UnknownNameError) as caught:
        compiled.posterior({"xray": "yess"})
    assert caught.value.nearest == "yes"
    beliefs = compiled.posterior()
    for ask in (
        lambda: beliefs["nobody"],
        lambda: beliefs.marginal("nobody"),
        lambda: compiled.gains(["nobody"]),
        lambda: compiled.gains(["xray"], about=["nobody"]),
        lambda: compiled.states("nobody"),
        lambda: compiled.parents("nobody"),
        lambda: compiled.posterior(likelihoods={"nobody": [1.0]}),
    ):
        with pytest.raises(UnknownNameError):
            ask()


@pytest.mark.parametrize("bad", [-0.1, float("nan"), float("inf")])
def test_weights_outside_their_range_are_refused(bad):
    compiled = compile_network(asia())
    with pytest.raises(ValueOutOfRangeError):
        compiled.posterior(likelihoods={"xray": [0.5, bad]})


def test_weights_of_a_wrong_shape_are_refused():
    compiled = compile_network(asia())
    with pytest.raises(NetworkError, match="shape"):
        compiled.posterior(likelihoods={"xray": [0.5, 0.5, 0.5]})
    with pytest.raises(NetworkError, match="not an array"):
        compiled.posterior(likelihoods={"xray": ["a", "b"]})


def test_answers_and_networks_cannot_be_changed():
    compiled = compile_network(asia())
    before = compiled.posterior()["xray"]
    beliefs = compiled.posterior({"dysp": "yes"})
    assert not any(beliefs.marginal(node).flags.writeable for node in beliefs)
    beliefs["xray"]["yes"] = 1.0
    assert beliefs["xray"]["yes"] < 1.0
    assert compiled.posterior()["xray"] == before


@pytest.mark.parametrize("name", NAMED)
def test_beliefs_read_like_a_mapping(name):
    compiled = compile_network(NAMED[name]())
    beliefs = compiled.posterior()
    assert list(beliefs) == list(compiled.nodes)
    assert len(beliefs) == len(compiled.nodes)
    assert "nobody" not in beliefs
    for node, states in beliefs.items():
        assert list(states) == list(compiled.states(node))
        assert list(states.values()) == beliefs.marginal(node).tolist()
    assert beliefs.log_evidence == 0.0


def test_many_threads_get_the_answers_of_one():
    net = published_network("win95pts")
    compiled = compile_network(net)
    rng = np.random.default_rng(11)
    cases = []
    for _ in range(40):
        state = sample(net, rng)
        cases.append({str(n): state[n] for n in rng.permutation(compiled.nodes)[:6]})
    alone = [dict(compiled.posterior(case)) for case in cases]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda case: dict(compiled.posterior(case)), cases * 5))
    for place, told in enumerate(together):
        assert told == alone[place % len(cases)]


def test_importing_the_engine_stays_light():
    """Nothing that takes seconds to import, and no compiler, not even for an answer."""
    heavy = ("networkx", "pgmpy", "pandas", "scipy", "numba")
    code = (
        "import sys, diagnose.inference.compiled;"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
