"""A belief over thousands of fault sets, told by a few hundred.

Optimal resampling (Fearnhead & Clifford 2003, "On-line inference for hidden Markov models via
particle filters", section 3.2): whatever weighs more than a threshold c is kept as it is; of the
rest, a few are drawn by systematic sampling and weigh c each. The threshold is the solution of
`sum_i min(w_i / c, 1) = n`. Every expectation over the belief stays what it was, on average over
the draw.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OFFSET = 0.5
"""Where systematic sampling begins, as a part of its step; fixed, so that answers repeat."""


def thinned(belief: Floats, most: int, offset: float = OFFSET) -> Floats:
    """The belief with at most `most` fault sets that have weight.

    Args:
        belief: (sets,) weights, not all zero.
        most: at least 1.
        offset: where systematic sampling begins, 0 to 1 of its step.

    Returns:
        (sets,) weights of the same sum.
    """
    if np.count_nonzero(belief) <= most:
        return belief
    least = threshold(belief, most)
    light = belief < least
    found = np.where(light, 0.0, belief)
    ends = np.cumsum(np.where(light, belief, 0.0))
    marks = np.arange(offset * least, ends[-1], least)
    found[np.searchsorted(ends, marks, side="right")] = least
    rescaled: Floats = found * (belief.sum() / found.sum())
    return rescaled


def threshold(belief: Floats, most: int) -> float:
    """The c with `sum_i min(w_i / c, 1) = most`."""
    falling = np.sort(belief)[::-1]
    rest = falling.sum() - np.cumsum(falling) + falling
    kept = np.arange(most)
    candidates = rest[:most] / (most - kept)
    # With k of them kept whole, c = (the others' sum) / (most - k); right when w[k] < c.
    fits = falling[:most] < candidates
    return float(candidates[int(np.argmax(fits))] if fits.any() else falling[most - 1])
