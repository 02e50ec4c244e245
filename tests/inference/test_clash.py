"""Impossible findings are refused, naming a smallest set that clashes."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diagnose.errors import ClashError
from diagnose.inference.compiled import compile_network
from tests.inference.enumeration import enumerate_joint
from tests.inference.networks import YES_NO, asia, network, random_networks, worst_of_three


def clash_of(net, **kwargs):
    with pytest.raises(ClashError) as caught:
        compile_network(net).posterior(**kwargs)
    return set(caught.value.findings)


def test_two_of_many_findings_clash():
    """In asia, `either` is true exactly when `tub` or `lung` is."""
    found = {"tub": "yes", "either": "no", "smoke": "no", "bronc": "yes", "xray": "no"}
    assert clash_of(asia(), evidence=found) == {("tub", "yes"), ("either", "no")}


def test_three_findings_that_only_clash_together():
    found = {"smoke": "yes", "tub": "no", "lung": "no", "either": "yes", "dysp": "no"}
    assert clash_of(asia(), evidence=found) == {
        ("tub", "no"),
        ("lung", "no"),
        ("either", "yes"),
    }


def test_a_smaller_clash_is_preferred_to_the_one_met_first():
    """Leaving findings out one by one from the front keeps the last clash; the pair is smaller
    than the triple behind it."""
    worst = np.eye(2)[[[1, 1], [1, 0]]]
    families = [(name, YES_NO, (), [0.5, 0.5]) for name in ("a", "c", "d")]
    net = network(
        *families,
        ("same", YES_NO, ("a",), np.eye(2)),
        ("both", YES_NO, ("c", "d"), worst),
        ("after", YES_NO, ("same",), np.eye(2)),
        ("after2", YES_NO, ("both",), np.eye(2)),
    )
    found = {"a": "yes", "same": "no", "c": "no", "d": "no", "both": "no"}
    assert clash_of(net, evidence=found) == {("a", "yes"), ("same", "no")}


def test_a_state_that_cannot_occur_clashes_alone():
    assert clash_of(worst_of_three(), evidence={"nest": "yes", "fuse": "poor"}) == {
        ("fuse", "poor")
    }


def test_weights_are_named_too():
    net = worst_of_three()
    assert clash_of(net, evidence={"fuse": "open"}, likelihoods={"path1": [1.0, 1.0, 0.0]}) == {
        ("fuse", "open"),
        ("path1", "(likelihood)"),
    }
    assert clash_of(net, likelihoods={"nest": [0.0, 0.0]}) == {("nest", "(likelihood)")}


@settings(max_examples=120, deadline=None, derandomize=True)
@given(random_networks(6), st.integers(0, 2**32 - 1))
def test_clashes_are_smallest(net, seed):
    """Against all subsets, each asked of the brute-force joint."""
    rng = np.random.default_rng(seed)
    found = {f.node: str(rng.choice(f.states)) for f in net.families if rng.random() < 0.8}

    def possible(findings) -> bool:
        try:
            enumerate_joint(net, dict(findings))
        except ClashError:
            return False
        return True

    assume(not possible(found.items()))
    named = clash_of(net, evidence=found)
    assert named <= set(found.items())
    assert not possible(named)
    assert all(possible(named - {one}) for one in named)
    if len(named) <= 4:
        smaller = combinations(found.items(), len(named) - 1)
        assert all(possible(findings) for findings in smaller)
