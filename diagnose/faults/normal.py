"""The density of the normal distribution."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def normal_pdf(
    x: float, mean: NDArray[np.float64], deviation: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Density of a normal variable at `x`, per unit of `x`, elementwise over the parameters."""
    z = (x - mean) / deviation
    found: NDArray[np.float64] = np.exp(-0.5 * z * z) / (deviation * math.sqrt(2.0 * math.pi))
    return found
