"""Ranking all tests of a machine after a new finding: this engine, pyAgrum and pgmpy.

Run with `pytest tests/benchmarks/test_machine_speed.py --benchmark-enable -s`; the ratios are
printed at the end. In the normal run each is called once, on little.

pgmpy's VariableElimination answers one query at a time, and one joint of a test with its parents
takes it so long, and so much memory, that ranking all tests is out of reach. It is asked for the
posterior of one part, the cheapest query there is, and the figure multiplies that by the number
of queries: one for each test's family joint. The true figure is higher.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Network
from diagnose.network.export import to_pgmpy
from tests import shipped
from tests.inference.agrum import pyagrum
from tests.inference.networks import by_names, mutual_information, to_pyagrum

if TYPE_CHECKING:
    from collections.abc import Iterator

MACHINE = "utility_vehicle"
BEFORE = {"silent": "yes", "look_display": "on", "look_headlamp": "bright"}
AFTER = {**BEFORE, "listen_pump": "runs"}
COPIES = (1, 2, 4, 8, 16)

SECONDS: dict[str, float] = {}
"""What was measured, for the ratios at the end; empty when timing is off."""


@pytest.fixture(scope="module", autouse=True)
def ratios() -> Iterator[None]:
    yield
    ours = SECONDS.get("ours")
    if ours is None:
        return
    print(f"\nranking all tests of {MACHINE}: {ours * 1e6:,.0f} us")  # noqa: T201
    for other in ("pyagrum", "pgmpy"):
        if other in SECONDS:
            print(f"  {other}: {SECONDS[other] / ours:,.0f} times as long")  # noqa: T201
    base = SECONDS.get("1 copies")
    for n in COPIES:
        took = SECONDS.get(f"{n} copies")
        if base and took:
            print(f"  {n} copies: {took / base:.2f} times one copy")  # noqa: T201


def keep(benchmark, name: str) -> None:
    if benchmark.stats is not None:
        SECONDS[name] = benchmark.stats.stats.median


@cache
def network() -> Network:
    return shipped.built(MACHINE).network


def asked() -> list[str]:
    """Every test that could be done next."""
    return [test for test in shipped.behaviour(MACHINE).machine.tests if test not in AFTER]


def test_ours(benchmark):
    benchmark.group = "ranking after a new finding"
    compiled = shipped.ready(MACHINE).compiled
    beliefs = benchmark(lambda: compiled.posterior(AFTER))
    keep(benchmark, "ours")
    assert min(beliefs.gains_bits[test] for test in asked()) >= 0.0


def test_pyagrum_lazy_propagation(benchmark):
    """All family joints, from which the gains follow, and all test marginals."""
    benchmark.group = "ranking after a new finding"
    engine = pyagrum.LazyPropagation(to_pyagrum(network()))
    families = [network().families[network().index[test]] for test in asked()]
    for family in families:
        engine.addJointTarget({family.node, *family.parents})
        engine.addTarget(family.node)

    def ask() -> tuple[list, list]:
        engine.setEvidence(AFTER)
        engine.makeInference()
        joints = [engine.jointPosterior({f.node, *f.parents}) for f in families]
        return joints, [engine.posterior(f.node) for f in families]

    def setup() -> None:
        engine.setEvidence(BEFORE)
        engine.makeInference()

    joints, _ = benchmark.pedantic(ask, setup=setup, rounds=3)
    keep(benchmark, "pyagrum")
    ours = shipped.ready(MACHINE).compiled.posterior(AFTER).gains_bits
    for family, joint in zip(families, joints, strict=True):
        gain = mutual_information(by_names(joint, (*family.parents, family.node)))
        assert ours[family.node] == pytest.approx(gain, abs=1e-10)


@cache
def part_of_the_network() -> Network:
    """What one query needs: the ancestors of the part asked about and of the findings.

    All else is barren and pgmpy is spared it.
    """
    needed: set[int] = set()
    ahead = [network().index[node] for node in (ASKED_OF_PGMPY, *FINDING_FOR_PGMPY)]
    while ahead:
        node = ahead.pop()
        if node not in needed:
            needed.add(node)
            ahead.extend(network().parents[node])
    return Network(tuple(network().families[node] for node in sorted(needed)))


ASKED_OF_PGMPY = "fuel_pump"
FINDING_FOR_PGMPY = {"listen_pump": "runs"}


def test_pgmpy_variable_elimination(benchmark):
    """One query about one part after one finding, times the number of tests to rank."""
    from pgmpy.inference import VariableElimination  # noqa: PLC0415 - two seconds

    benchmark.group = "ranking after a new finding"
    model = to_pgmpy(part_of_the_network())
    engine = VariableElimination(model)

    def ask():
        return engine.query(
            [ASKED_OF_PGMPY],
            evidence=FINDING_FOR_PGMPY,
            elimination_order="MinFill",
            show_progress=False,
        )

    answer = benchmark.pedantic(ask, rounds=1)
    if benchmark.stats is not None:
        SECONDS["pgmpy"] = benchmark.stats.stats.median * len(asked())
    expected = shipped.ready(MACHINE).compiled.posterior(FINDING_FOR_PGMPY)[ASKED_OF_PGMPY]
    for state, chance in expected.items():
        assert answer.get_value(**{ASKED_OF_PGMPY: state}) == pytest.approx(chance, abs=1e-10)


def test_compile(benchmark):
    benchmark.group = "compile"
    built = shipped.built(MACHINE)
    compiled = benchmark.pedantic(
        lambda: compile_network(built.network, stages=built.stages), rounds=3
    )
    assert compiled.nodes == shipped.ready(MACHINE).compiled.nodes


def copied(n: int) -> tuple[Network, dict[str, int]]:
    """The circuit n times side by side in one network, and when to sum its nodes out."""
    built = shipped.built(MACHINE)
    families = tuple(
        replace(
            family,
            node=f"{family.node}_{copy}",
            parents=tuple(f"{parent}_{copy}" for parent in family.parents),
        )
        for copy in range(n)
        for family in built.network.families
    )
    stages = {f"{node}_{copy}": at for copy in range(n) for node, at in built.stages.items()}
    return Network(families), stages


@pytest.mark.parametrize("n", COPIES)
def test_copies_of_the_circuit(benchmark, n):
    """Each with findings of its own; propagation must cost no more than n times one copy."""
    benchmark.group = "copies of the circuit"
    if benchmark.disabled:
        n = min(n, 2)  # what is timed in earnest is only checked here
    net, stages = copied(n)
    compiled = compile_network(net, stages=stages)
    found = {f"{node}_{copy}": state for copy in range(n) for node, state in AFTER.items()}
    given = compiled.encode(found)
    beliefs = benchmark(lambda: compiled.beliefs(given))
    keep(benchmark, f"{n} copies")
    one = shipped.ready(MACHINE).compiled.posterior(AFTER)
    assert beliefs.log_evidence == pytest.approx(n * one.log_evidence, abs=1e-9)
    for copy in range(n):
        for part in shipped.behaviour(MACHINE).machine.parts:
            np.testing.assert_allclose(
                beliefs.marginal(f"{part}_{copy}"), one.marginal(part), atol=1e-12
            )
