"""Which of the fault sets that were looked at are surveyed, and what that leaves out."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.belief.belief import believe
from diagnose.belief.search import search
from tests.belief.lift import job, lift


def weights(seed: int) -> np.ndarray:
    """Share of the belief of every set that was looked at, largest first."""
    found = search(lift().sets, job(seed, 0))
    weight = np.bincount(found.replay.now, found.replay.weight * found.factor)
    return np.sort(weight)[::-1] / weight.sum()


def so_many(weight: np.ndarray, share: float) -> int:
    """How many of the heaviest leave out no more than a share."""
    kept, left = 0, 1.0
    while left > share:
        left -= weight[kept]
        kept += 1
    return kept


@pytest.mark.parametrize("seed", range(4))
def test_the_lightest_with_a_thousandth_together_are_not_surveyed(seed: int) -> None:
    weight, belief = weights(seed), believe(lift().sets, job(seed, 0))
    kept = so_many(weight, 1e-3)
    assert len(belief.members) == kept
    # the figure matters: with half as much again, or less by a third, it would be other ones
    assert so_many(weight, 1.5e-3) < kept < so_many(weight, 1e-3 / 1.5)
    np.testing.assert_allclose(belief.weight, weight[:kept] / weight[:kept].sum())
    left = search(lift().sets, job(seed, 0)).left_out + weight[kept:].sum()
    assert belief.left_out == pytest.approx(min(left, 1.0), rel=1e-9)
