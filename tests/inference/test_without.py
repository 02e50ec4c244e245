"""A finding taken back on paper against a propagation without it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import UnknownNameError
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network
from diagnose.inference.without import log_evidence_without
from tests.inference.networks import random_findings, random_networks


@settings(max_examples=120, deadline=None, derandomize=True)
@given(random_networks(), st.integers(0, 2**32 - 1))
def test_random_networks(net, seed):
    """Outcomes, weights and readings of leaves, one after the other taken back."""
    rng = np.random.default_rng(seed)
    hard, soft = random_findings(net, rng)
    compiled = compile_network(net)
    readings = {
        leaf: rng.uniform(0.01, 1.0, [len(compiled.states(above)) for above in parents])
        for leaf in compiled.leaves
        for parents in [compiled.parents(leaf)]
        if leaf not in hard and leaf not in soft and rng.random() < 0.5
    }
    given_all = compiled.encode(hard, likelihoods=soft, parent_likelihoods=readings)
    beliefs = compiled.beliefs(given_all)
    for leaf in set(compiled.leaves) & {*hard, *soft, *readings}:
        left = compiled.encode(
            {node: state for node, state in hard.items() if node != leaf},
            likelihoods={node: own for node, own in soft.items() if node != leaf},
            parent_likelihoods={node: own for node, own in readings.items() if node != leaf},
        )
        found = log_evidence_without(compiled, given_all, beliefs, leaf)
        if found is not None:
            assert found == pytest.approx(compiled.beliefs(left).log_evidence, abs=1e-9)


def never_wrong(slip: float) -> Network:
    part = Family.build("part", ["ok", "broken"], (), [0.9, 0.1])
    rows = [[1.0 - slip, slip], [slip, 1.0 - slip]]
    return Network((part, Family.build("test", ["good", "bad"], ["part"], rows)))


def test_by_hand():
    # P(good) = 0.9 * 0.98 + 0.1 * 0.02; without the finding nothing is found, so P = 1
    compiled = compile_network(never_wrong(0.02))
    found = compiled.encode({"test": "good"})
    beliefs = compiled.beliefs(found)
    assert beliefs.log_evidence == pytest.approx(np.log(0.9 * 0.98 + 0.1 * 0.02))
    assert log_evidence_without(compiled, found, beliefs, "test") == pytest.approx(0.0, abs=1e-12)


def test_what_was_ruled_out_is_not_known_any_more():
    compiled = compile_network(never_wrong(0.0))
    found = compiled.encode({"test": "good"})
    assert log_evidence_without(compiled, found, compiled.beliefs(found), "test") is None


def test_only_findings_about_leaves_can_be_taken_back():
    compiled = compile_network(never_wrong(0.02))
    found = compiled.encode({"part": "ok"})
    for name in ("part", "test", "tset"):
        with pytest.raises(UnknownNameError):
            log_evidence_without(compiled, found, compiled.beliefs(found), name)
