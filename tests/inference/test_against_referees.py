"""The engine, the brute-force joint, pyAgrum and pgmpy must all say the same.

Referees: diagnose's own enumeration (shares no code with the engine), pyAgrum 3.3
LazyPropagation, pgmpy 1.1 VariableElimination. Tolerance 1e-10 throughout.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.errors import ClashError
from diagnose.inference.compiled import compile_network
from tests.inference.enumeration import enumerate_joint
from tests.inference.networks import (
    NAMED,
    published,
    published_network,
    random_findings,
    random_networks,
    sample,
    to_pyagrum,
)
from tests.inference.referees import Agrum, pgmpy_marginals

CLOSE = {"rtol": 0.0, "atol": 1e-10}


def compare_all(net, hard, soft) -> None:
    compiled = compile_network(net)
    beliefs = compiled.posterior(hard, likelihoods=soft)
    joint = enumerate_joint(net, hard, soft)
    agrum = Agrum(net, hard, soft)
    theirs, log_evidence = agrum.marginals()
    assert beliefs.log_evidence == pytest.approx(joint.log_evidence, abs=1e-10)
    assert beliefs.log_evidence == pytest.approx(log_evidence, abs=1e-10)
    for node in compiled.nodes:
        np.testing.assert_allclose(beliefs.marginal(node), joint.marginal(node), **CLOSE)
        np.testing.assert_allclose(beliefs.marginal(node), theirs[node], **CLOSE)
    for node, theirs_too in pgmpy_marginals(net, hard, soft).items():
        np.testing.assert_allclose(beliefs.marginal(node), theirs_too, **CLOSE)
    for node, gain in compiled.gains(compiled.nodes, given=hard, likelihoods=soft).items():
        assert gain == pytest.approx(joint.gain(node), abs=1e-10)
        assert gain == pytest.approx(agrum.gain(node), abs=1e-10)


@pytest.mark.parametrize("name", NAMED)
def test_named_networks_without_findings(name):
    compare_all(NAMED[name](), {}, {})


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", NAMED)
def test_named_networks_with_random_findings(name, seed):
    net = NAMED[name]()
    compare_all(net, *random_findings(net, np.random.default_rng(seed)))


@settings(
    max_examples=200, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
@given(random_networks(), st.integers(0, 2**32 - 1))
def test_random_networks_with_random_findings(net, seed):
    compare_all(net, *random_findings(net, np.random.default_rng(seed)))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(random_networks(5), st.integers(0, 2**32 - 1))
def test_gains_about_named_nodes(net, seed):
    rng = np.random.default_rng(seed)
    hard, soft = random_findings(net, rng)
    nodes = [family.node for family in net.families]
    about = [node for node in nodes if rng.random() < 0.4]
    gains = compile_network(net).gains(nodes, given=hard, likelihoods=soft, about=about)
    joint = enumerate_joint(net, hard, soft)
    for node in nodes:
        assert gains[node] == pytest.approx(joint.gain(node, about), abs=1e-10)
    own = compile_network(net).gains(nodes, given=hard, likelihoods=soft)
    for node in nodes:
        assert own[node] == pytest.approx(joint.gain(node), abs=1e-10)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(random_networks(5), st.integers(0, 2**32 - 1))
def test_any_findings_at_all_are_answered_or_clash(net, seed):
    """Findings drawn without regard to the network, often impossible."""
    rng = np.random.default_rng(seed)
    hard = {
        family.node: str(rng.choice(family.states)) for family in net.families if rng.random() < 0.6
    }
    compiled = compile_network(net)
    try:
        joint = enumerate_joint(net, hard)
    except ClashError:
        with pytest.raises(ClashError) as caught:
            compiled.posterior(hard)
        assert set(caught.value.findings) <= set(hard.items())
        return
    beliefs = compiled.posterior(hard)
    assert beliefs.log_evidence == pytest.approx(joint.log_evidence, abs=1e-10)
    for node in compiled.nodes:
        np.testing.assert_allclose(beliefs.marginal(node), joint.marginal(node), **CLOSE)


PUBLISHED = ["asia", "alarm", "win95pts", "hepar2", "andes"]


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_networks_against_pyagrum(name):
    """Networks of the bnlearn repository (Scutari), as shipped inside pgmpy's package."""
    net = published_network(name)
    compiled = compile_network(net)
    model = to_pyagrum(net)
    rng = np.random.default_rng(20261101)
    for _ in range(2 if name == "andes" else 6):
        state = sample(net, rng)
        nodes = rng.permutation(compiled.nodes)[: rng.integers(0, 9)]
        hard = {str(node): state[node] for node in nodes[::2]}
        soft = {
            str(node): rng.uniform(0.05, 1.0, len(compiled.states(node))).tolist()
            for node in nodes[1::2]
        }
        beliefs = compiled.posterior(hard, likelihoods=soft)
        agrum = Agrum(net, hard, soft, model)
        theirs, log_evidence = agrum.marginals()
        assert beliefs.log_evidence == pytest.approx(log_evidence, abs=1e-10)
        for node in compiled.nodes:
            np.testing.assert_allclose(beliefs.marginal(node), theirs[node], **CLOSE)
        asked = [str(node) for node in rng.permutation(compiled.nodes)[:4]]
        for node, gain in compiled.gains(asked, given=hard, likelihoods=soft).items():
            assert gain == pytest.approx(agrum.gain(node), abs=1e-10)


@pytest.mark.parametrize("name", ["asia", "alarm", "win95pts"])
def test_published_networks_against_pgmpy(name):
    net = published_network(name)
    rng = np.random.default_rng(7)
    state = sample(net, rng)
    hard = {node: state[node] for node in list(state)[:: max(2, len(state) // 5)]}
    beliefs = compile_network(published(name)).posterior(hard)
    for node, theirs in pgmpy_marginals(net, hard, {}, published(name)).items():
        np.testing.assert_allclose(beliefs.marginal(node), theirs, **CLOSE)


def test_asia_prior_marginals():
    """Source: Lauritzen & Spiegelhalter 1988, the worked example's initial probabilities, as
    0.0104, 0.055, 0.45 and 0.4360 (quoted from memory; pyAgrum and enumeration agree above)."""
    beliefs = compile_network(NAMED["asia"]()).posterior()
    assert beliefs["tub"]["yes"] == pytest.approx(0.0104, abs=1e-12)
    assert beliefs["lung"]["yes"] == pytest.approx(0.055, abs=1e-12)
    assert beliefs["bronc"]["yes"] == pytest.approx(0.45, abs=1e-12)
    assert beliefs["dysp"]["yes"] == pytest.approx(0.4360, abs=5e-5)
