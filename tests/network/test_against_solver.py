"""The network against the circuit it was made from, on every shipped machine.

The circuit solver has referees of its own (tests/circuit). Here the roots of the network are
forced to a fault set, and the outcome it holds likeliest at every test is compared with the one
that solving the whole circuit for that fault set gives.

Complaints are left to the fault-set referee: their two outcomes are the customer's words, not
something the solver decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from diagnose.faults.words import UNLISTED
from tests import shipped
from tests.network.fault_sets import FaultSetReferee
from tests.network.forward import between

EQUAL = 1e-9
"""Outcomes whose chances differ by less are equally likely; either is right."""


@cache
def referee(name: str) -> FaultSetReferee:
    """No fault, every single fault and every pair."""
    return FaultSetReferee(shipped.behaviour(name), shipped.built(name).network, 0, seed=1)


def circuit_tests(name: str) -> list[str]:
    machine = shipped.behaviour(name).machine
    return [test.id for test in machine.tests.values() if test.cause is None]


def agrees(name: str) -> np.ndarray:
    """(sets, tests) whether the network's likeliest outcome is the circuit's."""
    sets = referee(name)
    found = []
    for test in circuit_tests(name):
        solved, predicted = sets.solved(test), sets.tables(test)
        chosen = np.take_along_axis(solved, predicted.argmax(axis=1)[:, None], axis=1)[:, 0]
        found.append(chosen >= solved.max(axis=1) - EQUAL)
    return np.stack(found, axis=1)


@dataclass(frozen=True)
class Agreement:
    """What share of (fault set, test) the network gets right."""

    singles: int
    singles_right: int
    pairs: int
    pairs_right: int
    weighted: float


@cache
def agreement(name: str) -> Agreement:
    sets, right = referee(name), agrees(name)
    sizes = np.array([len(one) for one in sets.sets])
    weight = sets.weights.sum(axis=1)[sizes == 2]
    return Agreement(
        singles=int(right[sizes <= 1].size),
        singles_right=int(right[sizes <= 1].sum()),
        pairs=int(right[sizes == 2].size),
        pairs_right=int(right[sizes == 2].sum()),
        weighted=float(weight @ right[sizes == 2].mean(axis=1) / weight.sum()),
    )


@pytest.mark.parametrize("name", shipped.NAMES)
def test_every_single_fault_at_every_test(name):
    sets, right = referee(name), agrees(name)
    faults = shipped.behaviour(name).faults
    wrong = [
        ([".".join(faults[f]) for f in sets.sets[row]], circuit_tests(name)[column])
        for row, column in np.argwhere(~right)
        if len(sets.sets[row]) <= 1
    ]
    assert wrong == []


@pytest.mark.parametrize("name", shipped.NAMES)
def test_pairs_of_faults(name, capsys):
    found = agreement(name)
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\n{name}: singles {found.singles_right} of {found.singles}, "
            f"pairs {found.pairs_right} of {found.pairs} "
            f"({found.pairs_right / found.pairs:.2%}, weighted by prior {found.weighted:.2%})"
        )
    assert found.pairs_right >= 0.98 * found.pairs
    assert found.weighted >= 0.995


@pytest.mark.parametrize("name", shipped.NAMES)
def test_what_the_network_gets_wrong_it_does_not_rule_out(name):
    """Where a pair comes out differently, the outcome keeps more than a slip's probability."""
    sets, right = referee(name), agrees(name)
    machine = shipped.behaviour(name).machine
    weight = sets.weights.sum(axis=1)
    kept, total = 0.0, 0.0
    for column, test in enumerate(circuit_tests(name)):
        wrong = ~right[:, column]
        slip = machine.tests[test].slip_percent / 100.0
        truth = sets.solved(test)[wrong].argmax(axis=1)
        chance = sets.tables(test)[wrong][np.arange(wrong.sum()), truth]
        kept += float(weight[wrong] @ (chance > slip))
        total += float(weight[wrong].sum())
    assert kept >= 0.45 * total, (kept, total)


@pytest.mark.parametrize("name", shipped.NAMES)
def test_only_roots_and_leaves_are_random(name):
    network = shipped.built(name).network
    inner = between(network, shipped.behaviour(name).machine)
    assert inner
    for node in inner:
        table = network.families[network.index[node]].table
        assert set(np.unique(table)) <= {0.0, 1.0}
        assert (table.sum(axis=-1) == 1.0).all()


@pytest.mark.parametrize("name", shipped.NAMES)
def test_tests_and_complaints_are_leaves_of_deterministic_nodes_and_roots(name):
    """What lets one propagation give the gain of every test: no test has a child."""
    network = shipped.built(name).network
    machine = shipped.behaviour(name).machine
    leaves = {network.index[one] for one in (*machine.tests, *machine.complaints)}
    for place in leaves:
        assert not network.children[place]
    allowed = {*machine.parts, UNLISTED, *machine.shared_causes}
    allowed |= set(between(network, machine))
    for place in leaves:
        assert set(network.families[place].parents) <= allowed


@pytest.mark.parametrize("name", shipped.NAMES)
def test_engine_reads_the_tables_it_was_given(name):
    """With every root forced, the compiled network's leaves are the rows of the tables."""
    sets, compiled = referee(name), shipped.ready(name).compiled
    behaviour = shipped.behaviour(name)
    rng = np.random.default_rng(5)
    for row in rng.choice(len(sets.sets), 12, replace=False):
        forced = dict.fromkeys(behaviour.machine.parts, "ok") | {UNLISTED: "ok"}
        forced |= {behaviour.faults[f][0]: behaviour.faults[f][1] for f in sets.sets[row]}
        beliefs = compiled.posterior(forced)
        for test in circuit_tests(name):
            np.testing.assert_allclose(
                beliefs.marginal(test), sets.tables(test)[row], rtol=0.0, atol=1e-12
            )
