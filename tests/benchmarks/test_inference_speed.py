"""All posteriors after one more finding: this engine, pyAgrum and pgmpy side by side.

Run with `pytest tests/benchmarks/test_inference_speed.py --benchmark-enable`. In the normal run
each is called once, which checks that the three agree on what they are timed for.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.inference.compiled import compile_network
from tests.inference.agrum import pyagrum
from tests.inference.networks import published, published_network, sample, to_pyagrum

NAMES = ["alarm", "andes"]


def findings(name: str) -> dict[str, str]:
    """Five findings drawn from the network; the last is the new one."""
    net = published_network(name)
    rng = np.random.default_rng(8)
    state = sample(net, rng)
    return {str(node): state[node] for node in rng.permutation(list(state))[:5]}


def expected(name: str) -> np.ndarray:
    return compile_network(published_network(name)).posterior(findings(name)).marginals


@pytest.mark.parametrize("name", NAMES)
def test_compiled_engine(benchmark, name):
    benchmark.group = f"all posteriors of {name}"
    compiled = compile_network(published_network(name))
    found = findings(name)
    beliefs = benchmark(lambda: compiled.posterior(found))
    np.testing.assert_array_equal(beliefs.marginals, expected(name))


@pytest.mark.parametrize("name", NAMES)
def test_pyagrum_lazy_propagation(benchmark, name):
    benchmark.group = f"all posteriors of {name}"
    net = published_network(name)
    engine = pyagrum.LazyPropagation(to_pyagrum(net))
    found = findings(name)
    before = dict(list(found.items())[:-1])
    nodes = [family.node for family in net.families]

    def ask() -> list:
        engine.setEvidence(found)
        engine.makeInference()
        return [engine.posterior(node).toarray() for node in nodes]

    def setup() -> None:
        engine.setEvidence(before)
        engine.makeInference()

    answers = benchmark.pedantic(ask, setup=setup, rounds=10)
    np.testing.assert_allclose(np.concatenate(answers), expected(name), atol=1e-10)


def test_pgmpy_variable_elimination(benchmark):
    """On alarm only: on andes it takes minutes."""
    from pgmpy.inference import VariableElimination  # noqa: PLC0415 - two seconds

    benchmark.group = "all posteriors of alarm"
    model, net, found = published("alarm"), published_network("alarm"), findings("alarm")
    nodes = [family.node for family in net.families if family.node not in found]

    def ask() -> list:
        engine = VariableElimination(model)
        return [engine.query([node], evidence=found, show_progress=False) for node in nodes]

    answers = benchmark.pedantic(ask, rounds=3)
    beliefs = compile_network(net).posterior(found)
    for node, answer in zip(nodes, answers, strict=True):
        order = [answer.state_names[node].index(s) for s in net.families[net.index[node]].states]
        np.testing.assert_allclose(answer.values[order], beliefs.marginal(node), atol=1e-10)


def outcomes(compiled) -> tuple[list[str], list[str], np.ndarray]:
    """Every leaf, every node without parents, and the codes of all states of the leaves."""
    roots = [node for node in compiled.nodes if not compiled.parents(node)]
    codes = [
        compiled.code(leaf, state) for leaf in compiled.leaves for state in compiled.states(leaf)
    ]
    return list(compiled.leaves), roots, np.array(codes)[:, None]


def test_what_if_of_all_outcomes(benchmark):
    """Posteriors of all roots of alarm after each outcome of each leaf, from one propagation."""
    benchmark.group = "all outcomes of all leaves of alarm"
    compiled = compile_network(published_network("alarm"))
    leaves, roots, codes = outcomes(compiled)
    base = compiled.encode(findings("alarm"))
    answer = benchmark(lambda: compiled.outcomes_of(leaves, roots, base))
    batch = compiled.propagate_many(codes, base)
    possible = np.isfinite(answer.log_evidence)
    columns = [compiled.code(root, state) for root in roots for state in compiled.states(root)]
    np.testing.assert_allclose(
        answer.marginals[possible], batch.marginals[possible][:, columns], atol=1e-12
    )


def test_one_propagation_for_each_outcome(benchmark):
    """The same asked of `propagate_many`, which also answers everything else."""
    benchmark.group = "all outcomes of all leaves of alarm"
    compiled = compile_network(published_network("alarm"))
    _, _, codes = outcomes(compiled)
    base = compiled.encode(findings("alarm"))
    batch = benchmark(lambda: compiled.propagate_many(codes, base))
    assert np.isfinite(batch.log_evidence).any()


def test_one_case_on_deterministic_tables(benchmark):
    """Twenty deterministic nodes of 30 states in a chain, with 20 parts under two causes."""
    benchmark.group = "deterministic chain"
    rng = np.random.default_rng(0)
    compiled = compile_network(deterministic_chain(rng))
    found = compiled.encode(dict.fromkeys(compiled.leaves[:6], "a"))
    beliefs = benchmark(lambda: compiled.beliefs(found))
    benchmark.extra_info["rows"] = compiled.rows
    assert beliefs.marginal("part0").sum() == pytest.approx(1.0)


def deterministic_chain(rng: np.random.Generator):
    from diagnose.inference.families import Family, Network  # noqa: PLC0415

    families = [Family.build(f"cause{n}", ("no", "yes"), (), [0.9, 0.1]) for n in range(2)]
    states = [f"v{n}" for n in range(30)]
    for step in range(20):
        part, path = f"part{step}", f"path{step}"
        rows = rng.dirichlet(np.ones(4), (2, 2))
        families.append(Family.build(part, "abcd", ("cause0", "cause1"), rows))
        if step == 0:
            table = np.eye(30)[rng.integers(0, 30, 4)]
            families.append(Family.build(path, states, (part,), table))
        else:
            reached = rng.integers(0, 30, (30, 4))
            reached[:, 0] = np.arange(30)
            families.append(
                Family.build(path, states, (f"path{step - 1}", part), np.eye(30)[reached])
            )
        rows = rng.dirichlet(np.ones(4), 3)[rng.integers(0, 3, 30)]
        families.append(Family.build(f"test{step}", "abcd", (path,), rows))
    return Network(tuple(families))
