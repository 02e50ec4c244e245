"""All posteriors after one more finding: this engine, pyAgrum and pgmpy side by side.

Run with `pytest tests/benchmarks/test_inference_speed.py --benchmark-enable -n 0 -s`; the ratios
are printed at the end. In the normal run each is called once, which checks that the three agree on
what they are timed for.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.export.bif import to_pgmpy
from diagnose.export.compact import network_of
from diagnose.inference.compiled import compile_network
from tests.export import machines
from tests.inference.agrum import pyagrum
from tests.inference.networks import published_network, sample, to_pyagrum

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.families import Network

PUBLISHED = ("alarm", "andes")
MACHINES = ("standby_pump", "utility_vehicle")
"""The smallest and the largest of the shipped machines, coarser than exported: see
`tests.export.machines`. As exported, pyAgrum needs gigabytes for all posteriors at once."""

COARSE = {"standby_pump": machines.COARSE, "utility_vehicle": 5e-2}
"""Budget of each: so coarse that pyAgrum has memory enough."""

SECONDS: dict[tuple[str, str], float] = {}
"""What was measured, by network and engine; empty when timing is off."""


@pytest.fixture(scope="module", autouse=True)
def ratios() -> Iterator[None]:
    yield
    for (name, engine), seconds in SECONDS.items():
        times = seconds / SECONDS[name, "ours"]
        print(f"\n{name}: {engine} {seconds * 1e3:,.1f} ms, {times:,.1f} times ours")  # noqa: T201


def keep(benchmark, name: str, engine: str) -> None:
    if benchmark.stats is not None:
        SECONDS[name, engine] = benchmark.stats.stats.median


@cache
def network(name: str) -> Network:
    if name in MACHINES:
        return network_of(machines.pairs(name), COARSE[name])
    return published_network(name)


@cache
def compiled(name: str) -> CompiledNetwork:
    return compile_network(network(name))


def findings(name: str) -> dict[str, str]:
    """Five findings drawn from the network; the last is the new one. On a machine the complaint
    and four tests."""
    net = network(name)
    rng = np.random.default_rng(8)
    state = sample(net, rng)
    if name not in MACHINES:
        return {str(node): state[node] for node in rng.permutation(list(state))[:5]}
    machine = machines.machine(name)
    tests = rng.permutation(list(machine.tests))[:4]
    return {str(node): state[str(node)] for node in (next(iter(machine.complaints)), *tests)}


@pytest.mark.parametrize("name", [*PUBLISHED, *MACHINES])
def test_ours(benchmark, name):
    benchmark.group = f"all posteriors of {name}"
    engine, found = compiled(name), findings(name)
    beliefs = benchmark(lambda: engine.posterior(found))
    keep(benchmark, name, "ours")
    assert dict(beliefs) == dict(engine.posterior(found))


@pytest.mark.parametrize("name", [*PUBLISHED, *MACHINES])
def test_pyagrum_lazy_propagation(benchmark, name):
    benchmark.group = f"all posteriors of {name}"
    net, found = network(name), findings(name)
    engine = pyagrum.LazyPropagation(to_pyagrum(net))
    before = dict(list(found.items())[:-1])

    def ask() -> dict:
        engine.setEvidence(found)
        engine.makeInference()
        return {node: engine.posterior(node).toarray() for node in net.index}

    def setup() -> None:
        engine.setEvidence(before)
        engine.makeInference()

    answers = benchmark.pedantic(ask, setup=setup, rounds=3)
    keep(benchmark, name, "pyAgrum")
    beliefs = compiled(name).posterior(found)
    for node, answer in answers.items():
        np.testing.assert_allclose(answer, beliefs.marginal(node), atol=1e-10)


@pytest.mark.parametrize("name", ["alarm", "standby_pump"])
def test_pgmpy_variable_elimination(benchmark, name):
    """On alarm and the smallest machine only, and there for some parts: one query each."""
    from pgmpy.inference import VariableElimination  # noqa: PLC0415 - two seconds

    benchmark.group = f"all posteriors of {name}"
    net, found = network(name), findings(name)
    model = to_pgmpy(net)
    nodes = [family.node for family in net.families if family.node not in found]
    if name in MACHINES:
        nodes = list(machines.machine(name).parts)[: 3 if benchmark.disabled else None]

    def ask() -> list:
        engine = VariableElimination(model)
        return [engine.query([node], evidence=found, show_progress=False) for node in nodes]

    answers = benchmark.pedantic(ask, rounds=1)
    keep(benchmark, name, f"pgmpy, {len(nodes)} nodes,")
    beliefs = compiled(name).posterior(found)
    for node, answer in zip(nodes, answers, strict=True):
        order = [answer.state_names[node].index(s) for s in net.families[net.index[node]].states]
        np.testing.assert_allclose(answer.values[order], beliefs.marginal(node), atol=1e-10)
