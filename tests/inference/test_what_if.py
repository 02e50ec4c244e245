"""What-ifs on one propagation: the same as a propagation for each outcome, and their own edges.

Referees: `propagate_many`, which shares nothing with `outcomes_of` beyond the first propagation,
and the brute-force joint, which shares nothing at all.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import ClashError, UnknownNameError
from diagnose.inference import routes, threads
from diagnose.inference.compiled import CompiledNetwork, compile_network
from diagnose.inference.enumeration import enumerate_joint
from diagnose.inference.whatif import IMPOSSIBLE_BELOW, WhatIf
from tests.inference.networks import (
    NAMED,
    YES_NO,
    network,
    published_network,
    random_findings,
    random_networks,
    sample,
)

SEEDS = st.integers(0, 2**32 - 1)
CLOSE = {"rtol": 0.0, "atol": 1e-12}


def codes_of(compiled: CompiledNetwork, nodes) -> np.ndarray:
    """The codes of all states of some nodes, one node after the other."""
    starts = compiled.state_offsets
    places = [compiled.nodes.index(node) for node in nodes]
    return np.concatenate(
        [np.zeros(0, int), *(np.arange(starts[place], starts[place + 1]) for place in places)]
    )


def check(compiled: CompiledNetwork, tests, nodes, base) -> WhatIf:
    """Every number against one propagation per outcome."""
    answer = compiled.outcomes_of(tests, nodes, base)
    batch = compiled.propagate_many(codes_of(compiled, tests)[:, None], base)
    before = compiled.beliefs(base)
    np.testing.assert_allclose(answer.chance, before.marginals[codes_of(compiled, tests)], **CLOSE)
    possible = answer.chance >= IMPOSSIBLE_BELOW
    columns = codes_of(compiled, nodes)
    np.testing.assert_allclose(
        answer.marginals[possible], batch.marginals[possible][:, columns], **CLOSE
    )
    np.testing.assert_allclose(
        answer.log_evidence[possible], batch.log_evidence[possible], rtol=1e-12, atol=1e-11
    )
    assert (answer.log_evidence[~possible] == -np.inf).all()
    assert not answer.marginals[~possible].any()
    assert np.isfinite(answer.marginals).all()
    return answer


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", NAMED)
def test_named_networks(name, seed):
    net = NAMED[name]()
    compiled = compile_network(net)
    hard, soft = random_findings(net, np.random.default_rng(seed)) if seed else ({}, {})
    base = compiled.encode(hard, likelihoods=soft)
    check(compiled, compiled.nodes, compiled.nodes, base)
    for node in compiled.nodes:
        check(compiled, compiled.nodes, [node], base)
        check(compiled, [node], compiled.nodes, base)
        for other in compiled.nodes:
            check(compiled, [node], [other], base)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(random_networks(), SEEDS)
def test_random_networks(net, seed):
    """Hard and soft findings, readings, and any choice of tests and nodes."""
    rng = np.random.default_rng(seed)
    hard, soft = random_findings(net, rng)
    compiled = compile_network(net)
    readings = {
        leaf: rng.uniform(0.01, 1.0, [len(compiled.states(above)) for above in parents])
        for leaf in compiled.leaves
        for parents in [compiled.parents(leaf)]
        if leaf not in hard and rng.random() < 0.3
    }
    base = compiled.encode(hard, likelihoods=soft, parent_likelihoods=readings)
    tests = [node for node in compiled.nodes if rng.random() < 0.7]
    nodes = [node for node in compiled.nodes if rng.random() < rng.choice([0.2, 0.8])]
    check(compiled, tests, nodes, base)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(random_networks(5), SEEDS)
def test_random_networks_against_the_brute_force_joint(net, seed):
    hard, soft = random_findings(net, np.random.default_rng(seed))
    compiled = compile_network(net)
    base = compiled.encode(hard, likelihoods=soft)
    answer = compiled.outcomes_of(compiled.nodes, compiled.nodes, base)
    for test in compiled.nodes:
        for outcome in compiled.states(test):
            case = answer.case(test, outcome)
            if answer.chance[case] < IMPOSSIBLE_BELOW:
                continue
            joint = enumerate_joint(net, {**hard, test: outcome}, likelihoods=soft)
            if hard.get(test, outcome) == outcome:
                assert answer.log_evidence[case] == pytest.approx(joint.log_evidence, abs=1e-10)
            for node in compiled.nodes:
                np.testing.assert_allclose(
                    answer.marginal(test, outcome, node), joint.marginal(node), atol=1e-10
                )


@pytest.mark.parametrize("name", ["alarm", "win95pts", "hepar2"])
def test_published_networks(name):
    net = published_network(name)
    compiled = compile_network(net)
    state = sample(net, np.random.default_rng(6))
    found = compiled.encode({node: state[node] for node in list(state)[::9]})
    roots = [node for node in compiled.nodes if not compiled.parents(node)]
    check(compiled, compiled.leaves, roots, found)
    check(compiled, compiled.leaves[:2], compiled.nodes, found)


def test_shared_among_threads_it_is_the_same(monkeypatch):
    net = published_network("andes")
    compiled = compile_network(net)
    roots = [node for node in compiled.nodes if not compiled.parents(node)]
    monkeypatch.setattr(threads.os, "sched_getaffinity", lambda _: {0, 1, 2})
    together = compiled.outcomes_of(compiled.leaves[:20], roots)
    monkeypatch.setattr(threads.os, "sched_getaffinity", lambda _: {0})
    alone = compiled.outcomes_of(compiled.leaves[:20], roots)
    np.testing.assert_array_equal(together.marginals, alone.marginals)
    np.testing.assert_array_equal(together.log_evidence, alone.log_evidence)


def test_an_outcome_in_one_tree_leaves_the_others_as_they_were():
    compiled = compile_network(NAMED["forest"]())
    base = compiled.encode({"c": "no"})
    before = compiled.beliefs(base)
    answer = check(compiled, ["x", "y"], ["a", "b", "alone", "only"], base)
    for case in range(4):
        np.testing.assert_allclose(
            answer.marginals[case], before.marginals[codes_of(compiled, answer.nodes)], atol=1e-15
        )
    np.testing.assert_allclose(
        compiled.outcomes_of(["alone"], ["alone"]).marginals, np.eye(3), atol=0.0
    )


def test_outcomes_that_cannot_be_or_hardly_can():
    """In `b` one state cannot occur; in `t` one occurs once in 10^13, below the limit."""
    rare = 1e-13
    compiled = compile_network(
        network(
            ("a", YES_NO, (), [0.4, 0.6]),
            ("b", ("never", "u", "v"), ("a",), [[0, 0.2, 0.8], [0, 0.7, 0.3]]),
            ("t", YES_NO, ("b",), [[0.5, 0.5], [rare, 1 - rare], [rare, 1 - rare]]),
        )
    )
    answer = check(compiled, ["b", "t"], ["a"], compiled.encode())
    for test, outcome in (("b", "never"), ("t", "yes")):
        case = answer.case(test, outcome)
        assert answer.log_evidence[case] == -np.inf
        assert not answer.marginals[case].any()
    assert answer.chance[answer.case("t", "yes")] == pytest.approx(rare)
    assert answer.marginal("b", "u", "a")[0] == pytest.approx(0.08 / 0.5)


def test_an_outcome_already_found_changes_nothing_and_others_cannot_be():
    compiled = compile_network(NAMED["asia"]())
    base = compiled.encode({"xray": "yes", "either": "yes"})
    before = compiled.beliefs(base)
    for nodes in (["tub"], compiled.nodes):
        answer = check(compiled, ["xray", "either"], nodes, base)
        assert answer.chance.tolist() == pytest.approx([1.0, 0.0, 1.0, 0.0], abs=1e-15)
        np.testing.assert_allclose(
            answer.marginal("xray", "yes", "tub"), before.marginal("tub"), atol=1e-15
        )
        assert answer.log_evidence[0] == pytest.approx(before.log_evidence, abs=1e-12)


@pytest.mark.parametrize("count", [30, 600])
def test_hundreds_of_findings_before_do_not_underflow(count):
    """The star of `test_laws`, whose hypotheses pass below 1e-300 of each other on the way, now
    with all but the last finding before and the last as a what-if; logarithms summed here."""
    rng = np.random.default_rng(5)
    likely = rng.uniform(0.001, 0.01, count)
    rows = np.where(np.arange(count) < count // 2, [likely, 1 - likely], [1 - likely, likely])
    families: list[tuple] = [("fault", YES_NO, (), [0.4, 0.6])]
    for place in range(count):
        table = np.stack([rows[:, place], 1.0 - rows[:, place]], axis=-1)
        families.append((f"t{place}", YES_NO, ("fault",), table))
    compiled = compile_network(network(*families))
    last = f"t{count - 1}"
    answer = compiled.outcomes_of(
        [last], ["fault"], compiled.encode({f"t{place}": "yes" for place in range(count - 1)})
    )
    logs = np.log([0.4, 0.6]) + np.log(rows).sum(axis=1)
    assert answer.log_evidence[0] == pytest.approx(np.logaddexp(*logs), rel=1e-12)
    np.testing.assert_allclose(
        answer.marginal(last, "yes", "fault"), np.exp(logs - np.logaddexp(*logs)), rtol=1e-9
    )


def test_a_clique_with_many_neighbours_goes_by_way_of_its_rows():
    """Twice the neighbours are twice the matrices, not four times."""
    rng = np.random.default_rng(1)
    counts = []
    for neighbours in (20, 40):
        families: list[tuple] = [("hub", "uvw", (), [0.2, 0.3, 0.5])]
        for place in range(neighbours):
            families.append((f"c{place}", "uvw", ("hub",), rng.dirichlet(np.ones(3), 3)))
            families.append((f"d{place}", YES_NO, (f"c{place}",), rng.dirichlet(np.ones(2), 3)))
        compiled = compile_network(network(*families))
        base = compiled.encode({"d0": "yes"})
        check(compiled, compiled.leaves, compiled.nodes, base)
        check(compiled, compiled.leaves, ["hub", "c1", "c2"], base)
        tables = tuple(range(len(compiled.plan.tables)))
        counts.append(len(routes.make_routes(compiled.plan, tables, tables).matrices))
    assert counts[1] < 2.1 * counts[0]


def test_nothing_asked_is_nothing_answered():
    compiled = compile_network(NAMED["asia"]())
    assert compiled.outcomes_of([], ["tub"]).marginals.shape == (0, 2)
    assert compiled.outcomes_of(["xray"], []).marginals.shape == (2, 0)


def test_what_cannot_be_asked():
    compiled = compile_network(NAMED["asia"]())
    with pytest.raises(UnknownNameError):
        compiled.outcomes_of(["xrya"], ["tub"])
    with pytest.raises(UnknownNameError):
        compiled.outcomes_of(["xray"], ["tubb"])
    with pytest.raises(ClashError):
        compiled.outcomes_of(["xray"], ["tub"], compiled.encode({"either": "no", "lung": "yes"}))
    answer = compiled.outcomes_of(["xray"], ["tub"])
    for ask in (
        lambda: answer.marginal("dysp", "yes", "tub"),
        lambda: answer.marginal("xray", "yes", "lung"),
        lambda: answer.marginal("xray", "maybe", "tub"),
        lambda: answer.case("tub", "yes"),
    ):
        with pytest.raises(UnknownNameError):
            ask()
    for array in (answer.chance, answer.log_evidence, answer.marginals):
        assert not array.flags.writeable
