"""Laws that hold whatever the network: order, names, bounds, independence, the chain rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network
from tests.inference.networks import (
    NAMED,
    YES_NO,
    bits,
    network,
    random_findings,
    random_networks,
    sample,
)

SEEDS = st.integers(0, 2**32 - 1)
LAW = settings(max_examples=60, deadline=None, derandomize=True)


@LAW
@given(random_networks(), SEEDS)
def test_order_of_findings_is_irrelevant(net, seed):
    hard, soft = random_findings(net, np.random.default_rng(seed))
    compiled = compile_network(net)
    one = compiled.posterior(hard, likelihoods=soft)
    other = compiled.posterior(
        dict(reversed(hard.items())), likelihoods=dict(reversed(soft.items()))
    )
    assert dict(one) == dict(other)
    assert one.log_evidence == other.log_evidence


@LAW
@given(random_networks(), SEEDS)
def test_renaming_and_reordering_nodes_changes_nothing(net, seed):
    rng = np.random.default_rng(seed)
    hard, soft = random_findings(net, rng)
    new = {name: f"renamed {place}" for place, name in enumerate(rng.permutation(list(net.index)))}
    families = [
        Family.build(
            new[f.node], [s.upper() for s in f.states], [new[p] for p in f.parents], f.table
        )
        for f in net.families
    ]
    renamed = Network(tuple(families[place] for place in rng.permutation(len(families))))
    before, after = compile_network(net), compile_network(renamed)
    new_hard = {new[n]: s.upper() for n, s in hard.items()}
    new_soft = {new[n]: w for n, w in soft.items()}
    one = before.posterior(hard, likelihoods=soft)
    other = after.posterior(new_hard, likelihoods=new_soft)
    assert one.log_evidence == pytest.approx(other.log_evidence, abs=1e-12)
    for node in one:
        np.testing.assert_allclose(one.marginal(node), other.marginal(new[node]), atol=1e-12)
    gains = after.gains(after.nodes, given=new_hard, likelihoods=new_soft)
    for node, gain in before.gains(before.nodes, given=hard, likelihoods=soft).items():
        assert gain == pytest.approx(gains[new[node]], abs=1e-12)


@LAW
@given(random_networks(), SEEDS)
def test_a_gain_lies_between_nothing_and_the_entropy_of_the_test(net, seed):
    hard, soft = random_findings(net, np.random.default_rng(seed))
    compiled = compile_network(net)
    beliefs = compiled.posterior(hard, likelihoods=soft)
    for node, gain in compiled.gains(compiled.nodes, given=hard, likelihoods=soft).items():
        assert 0.0 <= gain <= bits(beliefs.marginal(node)) + 1e-14
        if node in hard:
            assert gain == pytest.approx(0.0, abs=1e-14)
    for node in beliefs:
        assert np.isfinite(beliefs.marginal(node)).all()
        assert beliefs.marginal(node).sum() == pytest.approx(1.0, abs=1e-12)


@LAW
@given(random_networks(5), random_networks(4), SEEDS)
def test_a_test_in_another_tree_tells_nothing(net, other, seed):
    """Two networks side by side are d-separated whatever was found."""
    moved = [
        Family.build(f"far {f.node}", f.states, [f"far {p}" for p in f.parents], f.table)
        for f in other.families
    ]
    both = Network((*net.families, *moved))
    hard, soft = random_findings(both, np.random.default_rng(seed))
    compiled = compile_network(both)
    about = [net.families[0].node]
    gains = compiled.gains([f.node for f in moved], given=hard, likelihoods=soft, about=about)
    assert max(gains.values()) == pytest.approx(0.0, abs=1e-12)


def test_a_test_behind_an_observed_node_tells_nothing_about_what_lies_before_it():
    """Chain a -> b -> c -> d: b observed d-separates d from a."""
    compiled = compile_network(NAMED["chain"]())
    assert compiled.gains(["d"], about=["a"])["d"] > 1e-4
    blocked = compiled.gains(["d"], given={"b": "mid"}, about=["a"])["d"]
    assert blocked == pytest.approx(0.0, abs=1e-14)


@LAW
@given(random_networks(), SEEDS)
def test_log_evidence_adds_up_along_the_chain_rule(net, seed):
    """log P(e1, e2, ...) = sum of log P(e_i | e_1 ... e_i-1)."""
    state = sample(net, np.random.default_rng(seed))
    compiled = compile_network(net)
    found: dict[str, str] = {}
    total = 0.0
    for node, value in state.items():
        total += np.log(compiled.posterior(found)[node][value])
        found[node] = value
        assert compiled.posterior(found).log_evidence == pytest.approx(total, abs=1e-10)


@LAW
@given(random_networks(), SEEDS)
def test_scaling_weights_only_shifts_log_evidence(net, seed):
    hard, soft = random_findings(net, np.random.default_rng(seed))
    scaled = {node: (np.array(weights) * 1000.0).tolist() for node, weights in soft.items()}
    compiled = compile_network(net)
    one = compiled.posterior(hard, likelihoods=soft)
    other = compiled.posterior(hard, likelihoods=scaled)
    for node in one:
        np.testing.assert_allclose(one.marginal(node), other.marginal(node), atol=1e-12)
    shift = len(soft) * np.log(1000.0)
    assert other.log_evidence == pytest.approx(one.log_evidence + shift, abs=1e-10)


def twelve_balls(on_each_pan: int) -> Network:
    """One of 12 balls is odd, heavy or light: 24 hypotheses alike; `n` balls on each pan."""
    hypotheses = [f"{ball} {kind}" for ball in range(12) for kind in ("heavy", "light")]
    table = np.zeros((24, 3))
    for place in range(24):
        ball, light = divmod(place, 2)
        pan = 0 if ball < on_each_pan else 1 if ball < 2 * on_each_pan else 2
        outcome = 2 if pan == 2 else pan ^ light
        table[place, outcome] = 1.0
    return network(
        ("odd", hypotheses, (), np.full(24, 1 / 24)),
        ("weighing", ("left", "right", "balance"), ("odd",), table),
    )


def test_the_first_weighing_of_twelve_balls():
    """Source: MacKay, "Information Theory, Inference, and Learning Algorithms", section 4.1: the
    best first weighing is four against four, all three outcomes alike: log2 3 bits."""
    gains = {
        pan: compile_network(twelve_balls(pan)).gains(["weighing"])["weighing"]
        for pan in (3, 4, 5, 6)
    }
    assert gains[4] == pytest.approx(np.log2(3), abs=1e-12)
    assert gains[6] == pytest.approx(1.0, abs=1e-12)
    assert gains[3] < gains[4]
    assert gains[5] < gains[4]
    assert gains[6] < gains[4]


@pytest.mark.parametrize("inner", [False, True], ids=["leaves", "nodes with children"])
@pytest.mark.parametrize("count", [220, 600])
def test_hundreds_of_findings_do_not_underflow(inner, count):
    """A naive Bayes star, against the sum of logarithms written out here. With 600 findings each
    hypothesis passes below 1e-300 of the other on the way, first the one, then the other."""
    rng = np.random.default_rng(5)
    likely = rng.uniform(0.001, 0.01, count)
    rows = np.where(np.arange(count) < count // 2, [likely, 1 - likely], [1 - likely, likely])
    families: list[tuple] = [("fault", YES_NO, (), [0.4, 0.6])]
    for place in range(count):
        table = np.stack([rows[:, place], 1.0 - rows[:, place]], axis=-1)
        families.append((f"t{place}", YES_NO, ("fault",), table))
        if inner:
            families.append((f"after{place}", YES_NO, (f"t{place}",), np.full((2, 2), 0.5)))
    beliefs = compile_network(network(*families)).posterior(
        {f"t{place}": "yes" for place in range(count)}
    )
    logs = np.log([0.4, 0.6]) + np.log(rows).sum(axis=1)
    total = np.logaddexp(*logs)
    assert total < -500.0
    assert beliefs.log_evidence == pytest.approx(total, rel=1e-12)
    np.testing.assert_allclose(beliefs.marginal("fault"), np.exp(logs - total), rtol=1e-9)


def test_a_long_memory_carries_small_numbers_across_cliques():
    """A state that never changes, seen 400 times through a poor instrument, one way and then the
    other: the same star, but the small numbers travel along a chain of cliques."""
    families: list[tuple] = [("x0", YES_NO, (), [0.5, 0.5])]
    for step in range(1, 401):
        families.append((f"x{step}", YES_NO, (f"x{step - 1}",), np.eye(2)))
        families.append((f"seen{step}", YES_NO, (f"x{step}",), [[0.999, 0.001], [0.001, 0.999]]))
    seen = {f"seen{step}": "yes" if step <= 199 else "no" for step in range(1, 401)}
    beliefs = compile_network(network(*families)).posterior(seen)
    against = 201 * np.log(0.999) + 199 * np.log(0.001)
    favour = 199 * np.log(0.999) + 201 * np.log(0.001)
    logs = np.log(0.5) + np.array([favour, against])
    assert beliefs.log_evidence == pytest.approx(np.logaddexp(*logs), rel=1e-12)
    np.testing.assert_allclose(
        beliefs.marginal("x200"), np.exp(logs - np.logaddexp(*logs)), rtol=1e-9
    )
