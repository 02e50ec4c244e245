"""Optimal resampling (Fearnhead & Clifford 2003), by its own laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from diagnose.ahead.thinning import thinned, threshold

SEEDS = range(6)
MOST = 12


def belief(seed: int, n: int = 200) -> np.ndarray:
    found = np.random.default_rng(seed).lognormal(0.0, 2.0, n)
    return found / found.sum()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_threshold_solves_its_equation(seed: int) -> None:
    # sum_i min(w_i / c, 1) = n, solved by a root finder of scipy's.
    weights = belief(seed)
    wanted = brentq(lambda c: np.minimum(weights / c, 1.0).sum() - MOST, 1e-9, 1.0, xtol=1e-14)
    assert threshold(weights, MOST) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_weighs_much_is_kept_and_the_sum_stays(seed: int) -> None:
    weights = belief(seed)
    found = thinned(weights, MOST)
    heavy = weights >= threshold(weights, MOST)
    assert np.count_nonzero(found) <= MOST
    assert found.sum() == pytest.approx(weights.sum())
    np.testing.assert_allclose(found[heavy], weights[heavy], rtol=0.15)


@pytest.mark.parametrize("seed", SEEDS)
def test_on_average_over_the_draw_nothing_changes(seed: int) -> None:
    weights = belief(seed, 60)
    offsets = (np.arange(2000) + 0.5) / 2000
    mean = np.mean([thinned(weights, MOST, offset) for offset in offsets], axis=0)
    np.testing.assert_allclose(mean, weights, atol=2e-3)


def test_a_short_belief_is_left_alone() -> None:
    weights = np.array([0.5, 0.0, 0.3, 0.2])
    np.testing.assert_array_equal(thinned(weights, 3), weights)
    np.testing.assert_allclose(thinned(weights, 1).max(), 1.0)
