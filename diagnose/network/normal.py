"""The normal distribution, without a heavy import."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_erf = np.frompyfunc(math.erf, 1, 1)


def normal_cdf(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """P(Z <= z) of a standard normal variable, elementwise: (1 + erf(z / sqrt 2)) / 2."""
    return 0.5 * (1.0 + np.asarray(_erf(np.asarray(z) / math.sqrt(2.0)), dtype=np.float64))


def normal_pdf(
    x: float, mean: NDArray[np.float64], deviation: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Density of a normal variable at `x`, per unit of `x`, elementwise over the parameters."""
    z = (x - mean) / deviation
    found: NDArray[np.float64] = np.exp(-0.5 * z * z) / (deviation * math.sqrt(2.0 * math.pi))
    return found
