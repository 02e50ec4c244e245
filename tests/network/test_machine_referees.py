"""A whole machine's network: this engine, pyAgrum and pgmpy asked the same; BIF round trips."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from diagnose.errors import NetworkError
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network, from_pgmpy
from diagnose.export.bif import BIF_WORDS, to_pgmpy, write_bif
from tests import shipped
from tests.inference.agrum import pyagrum
from tests.inference.networks import by_names, mutual_information, sample, to_pyagrum

VEHICLE = "utility_vehicle"
CLOSE = 1e-10


@cache
def network() -> Network:
    return shipped.built(VEHICLE).network


@cache
def other_library() -> pyagrum.LazyPropagation:
    """One engine for all cases, with the joints asked for that the gains need."""
    engine = pyagrum.LazyPropagation(to_pyagrum(network()))
    for leaf in ASKED:
        family = network().families[network().index[leaf]]
        engine.addJointTarget({leaf, *family.parents})
    for family in network().families:
        engine.addTarget(family.node)
    return engine


ASKED = (
    "battery_cranking",
    "trigger_volts",
    "listen_relay",
    "starter_amps",
    "main_fuse_ohms",
    "look_nest",
    "wiggle_plus_post",
    "substitute_relay",
    "ground_side_drop",
    "silent",
)
"""Tests whose gains are compared: from every corner of the circuit, with one and two parents."""


def evidence(seed: int) -> dict[str, str]:
    """One complaint and some test outcomes of one state drawn from the network."""
    machine = shipped.behaviour(VEHICLE).machine
    rng = np.random.default_rng(seed)
    state = sample(network(), rng)
    free = [test for test in machine.tests if test not in ASKED]
    chosen = rng.choice(free, int(rng.integers(2, 7)), replace=False)
    complaint = [one for one in machine.complaints if one not in ASKED][seed % 4]
    return {str(node): state[str(node)] for node in (complaint, *chosen)}


@pytest.mark.parametrize("seed", range(4))
def test_posteriors_evidence_and_gains_against_pyagrum(seed):
    given = evidence(seed)
    beliefs = shipped.ready(VEHICLE).compiled.posterior(given)
    engine = other_library()
    engine.setEvidence(given)
    engine.makeInference()
    assert beliefs.log_evidence == pytest.approx(math.log(engine.evidenceProbability()), abs=CLOSE)
    for family in network().families:
        np.testing.assert_allclose(
            beliefs.marginal(family.node), engine.posterior(family.node).toarray(), atol=CLOSE
        )
    for leaf in ASKED:
        parents = network().families[network().index[leaf]].parents
        joint = by_names(engine.jointPosterior({leaf, *parents}), (*parents, leaf))
        assert beliefs.gains_bits[leaf] == pytest.approx(mutual_information(joint), abs=CLOSE)


@pytest.fixture(scope="module")
def bif(tmp_path_factory):
    path = tmp_path_factory.mktemp("bif") / "vehicle.bif"
    write_bif(network(), path)
    return path


def assert_same(found: Network, expected: Network) -> None:
    """The same nodes, states, parents and tables, in whatever order."""
    assert set(found.index) == set(expected.index)
    for family in expected.families:
        other = found.families[found.index[family.node]]
        assert other.states == family.states
        assert set(other.parents) == set(family.parents)
        axes = [other.parents.index(parent) for parent in family.parents]
        table = other.table.transpose([*axes, len(axes)])
        np.testing.assert_allclose(table, family.table, rtol=0.0, atol=1e-15)


def test_bif_read_by_pgmpy(bif):
    from pgmpy.readwrite import BIFReader  # noqa: PLC0415 - two seconds

    model = BIFReader(path=str(bif)).get_model()
    assert model.check_model()
    back = from_pgmpy(model)
    assert_same(back, network())
    given = evidence(11)
    expected = shipped.ready(VEHICLE).compiled.posterior(given)
    stages = shipped.built(VEHICLE).stages
    beliefs = compile_network(back, stages=stages).posterior(given)
    assert beliefs.log_evidence == pytest.approx(expected.log_evidence, abs=CLOSE)
    for node in expected:
        np.testing.assert_allclose(beliefs.marginal(node), expected.marginal(node), atol=CLOSE)


def test_bif_read_by_pyagrum(bif):
    """Its reader keeps numbers as doubles; posteriors of the model it read equal ours."""
    engine = pyagrum.LazyPropagation(pyagrum.loadBN(str(bif)))
    given = evidence(12)
    engine.setEvidence(given)
    for part in shipped.behaviour(VEHICLE).machine.parts:
        engine.addTarget(part)
    engine.makeInference()
    beliefs = shipped.ready(VEHICLE).compiled.posterior(given)
    for part in shipped.behaviour(VEHICLE).machine.parts:
        variable = engine.BN().variableFromName(part)
        assert tuple(variable.labels()) == shipped.ready(VEHICLE).compiled.states(part)
        np.testing.assert_allclose(
            beliefs.marginal(part), engine.posterior(part).toarray(), atol=CLOSE
        )


@pytest.mark.parametrize("name", shipped.NAMES)
def test_every_machine_as_a_pgmpy_network(name):
    """Parts, tests and complaints keep their ids, modes and outcomes theirs."""
    model = to_pgmpy(shipped.built(name).network)
    assert model.check_model()
    assert_same(from_pgmpy(model), shipped.built(name).network)
    machine = shipped.behaviour(name).machine
    for part in machine.parts.values():
        assert model.get_cpds(part.id).state_names[part.id] == list(part.modes)
    for test in machine.tests.values():
        outcomes = [outcome.id for outcome in test.outcomes]
        assert model.get_cpds(test.id).state_names[test.id] == outcomes
    for complaint in machine.complaints:
        assert model.get_cpds(complaint).state_names[complaint] == ["yes", "no"]


@pytest.mark.parametrize("name", shipped.NAMES)
def test_every_machine_as_bif(name, tmp_path):
    path = tmp_path / "machine.bif"
    write_bif(shipped.built(name).network, path)
    model = pyagrum.loadBN(str(path))
    assert set(model.names()) == set(shipped.built(name).network.index)


@pytest.mark.parametrize("name", [*sorted(BIF_WORDS), "two words", "a{b", "", "1st"])
def test_a_name_that_bif_cannot_carry_is_refused(name, tmp_path):
    for family in (
        Family.build(name, ("ok", "bad"), (), [0.5, 0.5]),
        Family.build("part", ("ok", name), (), [0.5, 0.5]),
    ):
        with pytest.raises(NetworkError):
            write_bif(Network((family,)), tmp_path / "x.bif")
    assert not (tmp_path / "x.bif").exists()
