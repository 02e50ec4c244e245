"""The exported network against the circuit it was made from, on every shipped machine.

The circuit solver has referees of its own (tests/circuit). Here the roots of the network are
forced to a fault set, and what its tables say of every test is compared with what solving the
whole circuit for that fault set gives.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose.export.classes import NEARLY_SAME
from diagnose.faults.words import UNLISTED
from tests.export import machines
from tests.export.tables import JOINTS, Tables, between

pytestmark = pytest.mark.parametrize("name", machines.NAMES)

EQUAL = 1e-9
"""Outcomes whose chances differ by less are equally likely; either is right."""


STILL_MERGED = {("compact_tractor", "dash_ground", "loose")}
"""Known shortfall: in the exported network it stops the gauge less often than in the circuit, 0.25
of the time where 0.6 is right."""


@cache
def tables(name: str) -> Tables:
    return Tables(machines.exported(name), machines.pairs(name))


@cache
def agrees(name: str) -> np.ndarray:
    """(sets, tests) whether the network's likeliest outcome is the circuit's."""
    right = []
    for test in machines.circuit_tests(name):
        solved, walked = tables(name).solved(test), tables(name).walked(test)
        chosen = np.take_along_axis(solved, walked.argmax(axis=1)[:, None], axis=1)[:, 0]
        right.append(chosen >= solved.max(axis=1) - EQUAL)
    return np.stack(right, axis=1)


@cache
def sizes(name: str) -> np.ndarray:
    return np.array([len(faults) for faults in machines.pairs(name).sets])


def test_every_single_fault_at_every_test(name):
    """The likeliest outcome is the circuit's, and no chance is far from it.

    What shares a state may differ by `NEARLY_SAME`, and a pair of rare faults may sit in it."""
    single = (sizes(name) <= 1) & ~np.isin(np.arange(len(sizes(name))), set_apart(name))
    assert agrees(name)[single].all()
    apart = np.array(
        [
            np.abs(tables(name).solved(test) - tables(name).walked(test))[single].max()
            for test in machines.circuit_tests(name)
        ]
    )
    assert apart.max() <= 2.0 * NEARLY_SAME
    assert np.median(apart) <= 0.01


def set_apart(name: str) -> list[int]:
    """Rows of the single faults that share a state with others all the same."""
    faults = machines.pairs(name).behaviour.faults
    return [
        row
        for row, one in enumerate(machines.pairs(name).sets)
        if len(one) == 1 and (name, *faults[one[0]]) in STILL_MERGED
    ]


def test_pairs_of_faults(name, figures):
    pair = sizes(name) == 2
    right = agrees(name)[pair]
    prior = machines.pairs(name).prior[pair]
    weighted = float(prior @ right.mean(axis=1) / prior.sum())
    figures(
        "networks against the circuit, pairs of faults",
        f"{name}: {right.sum()} of {right.size} ({right.mean():.2%}, weighted by prior "
        f"{weighted:.2%})",
    )
    assert right.mean() >= 0.99
    assert weighted >= 0.995


def test_only_roots_and_leaves_are_random(name):
    network = machines.exported(name)
    inner = between(network, machines.machine(name))
    assert inner
    for node in inner:
        table = network.families[network.index[node]].table
        assert set(np.unique(table)) <= {0.0, 1.0}
        assert (table.sum(axis=-1) == 1.0).all()
        assert table.ndim <= 3


def test_tests_and_complaints_are_leaves_of_deterministic_nodes_and_roots(name):
    network, machine = machines.with_joints(name), machines.machine(name)
    allowed = {*machine.parts, UNLISTED, *machine.shared_causes, *between(network, machine)}
    allowed.add(JOINTS)
    for leaf in (*machine.tests, *machine.complaints):
        assert not network.children[network.index[leaf]]
        assert set(network.families[network.index[leaf]].parents) <= allowed


def test_the_engine_reads_the_tables_it_was_given(name):
    """With every root forced, the compiled network's leaves are the rows of the tables."""
    pairs, compiled = machines.pairs(name), machines.compiled(name)
    coarse = Tables(machines.network(name), pairs)
    rng = np.random.default_rng(5)
    for row in rng.choice(len(pairs.sets), 6, replace=False):
        forced = dict.fromkeys(machines.machine(name).parts, "ok") | {UNLISTED: "ok"}
        forced |= dict(pairs.behaviour.faults[fault] for fault in pairs.sets[row])
        beliefs = compiled.posterior(forced)
        for test in machines.circuit_tests(name):
            np.testing.assert_allclose(
                beliefs.marginal(test), coarse.walked(test)[row], rtol=0.0, atol=1e-12
            )
