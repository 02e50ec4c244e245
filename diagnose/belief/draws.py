"""Some of many, drawn to stand for all: even draws by size, and the error of their sum."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def drawn_evenly(size: Floats, count: int) -> Ints:
    """(count,) places drawn in proportion to their size, at even steps; none if all are 0.

    Args:
        size: (n,) of each, not negative.
        count: how many to draw; a large one may be drawn more than once.
    """
    ends = np.cumsum(size)
    if not count or not len(ends) or not ends[-1] > 0.0:
        return np.zeros(0, dtype=np.int64)
    places: Ints = np.searchsorted(ends, (np.arange(count) + 0.5) / count * ends[-1])
    return places


def error_of_sum(each: Floats, often: Ints) -> float:
    """Standard error of a sum that is estimated from draws.

    Args:
        each: (n,) what each different draw adds to the sum.
        often: (n,) how often it was drawn.
    """
    count = int(often.sum())
    mean, square = float(each.sum()) / count, float((each**2 / often).sum()) / count
    return float(np.sqrt(max(square - mean**2, 0.0) * count))
