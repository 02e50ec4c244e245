"""A whole machine's network in other libraries: as a pgmpy object and as a BIF file."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.circuit.wiring import make_trees
from diagnose.errors import NetworkError
from diagnose.export.bif import BIF_WORDS, to_pgmpy, write_bif
from diagnose.export.compact import network_of
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network, from_pgmpy
from tests.export import machines
from tests.inference.agrum import pyagrum
from tests.inference.networks import sample
from tests.inference.referees import Agrum

PUMP = "standby_pump"
"""The smallest of the shipped machines."""


def evidence(seed: int) -> dict[str, str]:
    """One complaint and some test outcomes of one state drawn from the network."""
    machine, network = machines.machine(PUMP), machines.network(PUMP)
    rng = np.random.default_rng(seed)
    state = sample(network, rng)
    complaint = list(machine.complaints)[seed % len(machine.complaints)]
    chosen = rng.choice(list(machine.tests), int(rng.integers(2, 7)), replace=False)
    return {str(node): state[str(node)] for node in (complaint, *chosen)}


def assert_same(met: Network, expected: Network) -> None:
    """The same nodes, states, parents and tables, in whatever order."""
    assert set(met.index) == set(expected.index)
    for family in expected.families:
        other = met.families[met.index[family.node]]
        assert other.states == family.states
        assert set(other.parents) == set(family.parents)
        axes = [other.parents.index(parent) for parent in family.parents]
        table = other.table.transpose([*axes, len(axes)])
        np.testing.assert_allclose(table, family.table, rtol=0.0, atol=1e-15)


@pytest.fixture(scope="module")
def bif(tmp_path_factory):
    path = tmp_path_factory.mktemp("bif") / "pump.bif"
    write_bif(machines.network(PUMP), path)
    return path


def test_read_by_pgmpy(bif):
    """The engine says the same of what pgmpy read as of what was written."""
    from pgmpy.readwrite import BIFReader  # noqa: PLC0415 - two seconds

    model = BIFReader(path=str(bif)).get_model()
    assert model.check_model()
    back = from_pgmpy(model)
    assert_same(back, machines.network(PUMP))
    given = evidence(11)
    expected = machines.compiled(PUMP).posterior(given)
    beliefs = compile_network(back).posterior(given)
    assert beliefs.log_evidence == pytest.approx(expected.log_evidence, abs=1e-10)
    for node in expected:
        np.testing.assert_allclose(beliefs.marginal(node), expected.marginal(node), atol=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_posteriors_against_pyagrum(seed):
    """pyAgrum's LazyPropagation on the same tables: all posteriors and P(findings)."""
    given = evidence(seed)
    compiled = machines.compiled(PUMP)
    agrum = Agrum(machines.network(PUMP), given)
    theirs, log_evidence = agrum.marginals()
    beliefs = compiled.posterior(given)
    assert beliefs.log_evidence == pytest.approx(log_evidence, abs=1e-10)
    for node in compiled.nodes:
        np.testing.assert_allclose(beliefs.marginal(node), theirs[node], atol=1e-10)
    asked = [test for test in machines.circuit_tests(PUMP) if test not in given][::12]
    for test, gain in compiled.gains(asked, given=given).items():
        assert gain == pytest.approx(agrum.gain(test), abs=1e-10)


def test_read_by_pyagrum(bif):
    """Its reader keeps numbers in single precision: 24 bits, 6e-8 (IEEE 754)."""
    model = pyagrum.loadBN(str(bif))
    network = machines.network(PUMP)
    assert set(model.names()) == set(network.index)
    for family in network.families[:: len(network.families) // 20]:
        cpt = model.cpt(family.node)
        held = [*family.parents, family.node]
        axes = [held.index(name) for name in reversed(cpt.names)]
        np.testing.assert_allclose(cpt.toarray(), family.table.transpose(axes), atol=1e-7)


@pytest.mark.parametrize("name", machines.NAMES)
def test_every_machine_as_a_pgmpy_network(name):
    """Parts, tests and complaints keep their ids, modes and outcomes theirs."""
    model = to_pgmpy(machines.network(name))
    assert model.check_model()
    assert_same(from_pgmpy(model), machines.network(name))
    machine = machines.machine(name)
    for part in machine.parts.values():
        assert model.get_cpds(part.id).state_names[part.id] == list(part.modes)
    for test in machine.tests.values():
        outcomes = [outcome.id for outcome in test.outcomes]
        assert model.get_cpds(test.id).state_names[test.id] == outcomes
    for complaint in machine.complaints:
        assert model.get_cpds(complaint).state_names[complaint] == ["yes", "no"]


@pytest.mark.parametrize("name", machines.MESHED)
def test_no_network_of_wiring_that_closes_a_loop(name):
    """The network goes along the wiring as along a tree; the parts in the way are named."""
    trees = make_trees(machines.machine(name))
    with pytest.raises(NetworkError, match="close a loop") as refused:
        network_of(machines.pairs(name), machines.COARSE)
    assert str(trees.across[0][0]) in str(refused.value)


def test_which_machines_have_wiring_that_is_no_tree():
    """A stop switch across the magneto; the boat's grounds and tilt relays. Common practice."""
    assert machines.MESHED == ("push_mower", "work_boat")


@pytest.mark.parametrize("name", [*sorted(BIF_WORDS), "two words", "a{b", "", "1st"])
def test_a_name_that_bif_cannot_carry_is_refused(name, tmp_path):
    for family in (
        Family.build(name, ("ok", "bad"), (), [0.5, 0.5]),
        Family.build("part", ("ok", name), (), [0.5, 0.5]),
    ):
        with pytest.raises(NetworkError):
            write_bif(Network((family,)), tmp_path / "x.bif")
    assert not (tmp_path / "x.bif").exists()
