"""Ranking all tests of a machine after a new finding: this engine, pyAgrum and pgmpy.

Run with `pytest tests/benchmarks/test_machine_speed.py --benchmark-enable -s`; the ratios are
printed at the end. In the normal run each is called once, pgmpy for a few tests only.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief.situation import Situation
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Network
from diagnose.job import Job
from diagnose.export.bif import to_pgmpy
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
    for n in COPIES:
        joined, apart = SECONDS.get(f"{n} joined"), SECONDS.get(f"{n} apart")
        if joined and apart:
            print(  # noqa: T201
                f"  {n} copies of the circuit: {joined * 1e6:,.0f} us in one network, "
                f"{apart * 1e6:,.0f} us one after the other ({joined / apart:.2f} times)"
            )


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


def test_pgmpy_variable_elimination(benchmark):
    """One query for each test's family joint, which is what its gain needs."""
    from pgmpy.inference import VariableElimination  # noqa: PLC0415 - two seconds

    benchmark.group = "ranking after a new finding"
    model = to_pgmpy(network())
    tests = asked()[:3] if benchmark.disabled else asked()
    families = [network().families[network().index[test]] for test in tests]

    def ask() -> list:
        engine = VariableElimination(model)
        return [
            engine.query([f.node, *f.parents], evidence=AFTER, show_progress=False)
            for f in families
        ]

    answers = benchmark.pedantic(ask, rounds=1)
    keep(benchmark, "pgmpy")
    ours = shipped.ready(MACHINE).compiled.posterior(AFTER).gains_bits
    for family, answer in zip(families, answers, strict=True):
        order = [answer.variables.index(name) for name in (*family.parents, family.node)]
        gain = mutual_information(answer.values.transpose(order))
        assert ours[family.node] == pytest.approx(gain, abs=1e-10)


@pytest.mark.parametrize("findings", [0, 4])
@pytest.mark.parametrize("name", shipped.NAMES)
def test_advice(benchmark, name, findings):
    """The whole answer: beliefs, every test with its gate, surprises, doubts and verdict."""
    benchmark.group = f"advice after {findings} findings"
    complaint = "silent" if name == MACHINE else next(iter(shipped.ready(name).machine.complaints))
    job = Job(shipped.ready(name), Situation(complaint))
    for _ in range(findings):
        best = job.advise().tests[0]
        outcome = max(best.outcomes, key=lambda one: one.probability).outcome
        job = job.record(best.test, outcome)
    advice = benchmark(job.advise)
    assert len(advice.findings) == findings
    assert advice == job.advise()


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
    each = max(built.stages.values()) + 1
    stages = {
        f"{node}_{copy}": stage + copy * each
        for copy in range(n)
        for node, stage in built.stages.items()
    }
    return Network(families), stages


def few(benchmark, n: int) -> int:
    """In the normal run, where nothing is timed, two copies show what sixteen would."""
    return min(n, 2) if benchmark.disabled else n


@pytest.mark.parametrize("n", COPIES)
def test_copies_in_one_network(benchmark, n):
    benchmark.group = f"{n:2} copies of the circuit"
    copies = few(benchmark, n)
    net, stages = copied(copies)
    compiled = compile_network(net, stages=stages)
    found = {f"{node}_{copy}": state for copy in range(copies) for node, state in AFTER.items()}
    given = compiled.encode(found)
    beliefs = benchmark(lambda: compiled.beliefs(given))
    keep(benchmark, f"{n} joined")
    one = shipped.ready(MACHINE).compiled.posterior(AFTER)
    assert beliefs.log_evidence == pytest.approx(copies * one.log_evidence, abs=1e-9)
    for copy in range(copies):
        for part in shipped.behaviour(MACHINE).machine.parts:
            np.testing.assert_allclose(
                beliefs.marginal(f"{part}_{copy}"), one.marginal(part), atol=1e-12
            )


@pytest.mark.parametrize("n", COPIES)
def test_copies_one_after_the_other(benchmark, n):
    """What linear means: as many networks of one circuit, in as much memory."""
    benchmark.group = f"{n:2} copies of the circuit"
    built = shipped.built(MACHINE)
    networks = [
        compile_network(built.network, stages=built.stages) for _ in range(few(benchmark, n))
    ]
    given = [one.encode(AFTER) for one in networks]

    def ask() -> list:
        return [one.beliefs(found) for one, found in zip(networks, given, strict=True)]

    answers = benchmark(ask)
    keep(benchmark, f"{n} apart")
    assert len({answer.log_evidence for answer in answers}) == 1
