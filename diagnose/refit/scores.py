"""How good forecasts were: log score, Brier score and its parts, calibration beside its noise.

Brier 1950; Murphy 1973 for the three parts; Bröcker & Smith 2007 for what a calibrated forecast
would show by chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LEAST = 1e-12
"""No forecast counts as surer than this; a logarithm must stay finite."""

BINS = 10
"""Bins of equal mass in a reliability diagram."""


@dataclass(frozen=True, slots=True)
class Murphy:
    """The Brier score's parts: `brier = reliability - resolution + uncertainty + within`.

    Attributes:
        brier: mean squared error of the forecasts.
        reliability: how far forecasts are from what came, by bin; 0 is best.
        resolution: how far what came differs between bins; more is better.
        uncertainty: of what came, whatever the forecast.
        within: what the spread of forecasts within bins adds (Stephenson and others 2008).
    """

    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float


def brier(chances: Floats, came: NDArray[np.bool_]) -> float:
    """Mean squared error of forecasts of yes and no."""
    return float(np.mean((chances - came) ** 2))


def log_loss(chances: Floats, came: NDArray[np.bool_]) -> float:
    """Mean of minus the natural logarithm of the chance given to what came."""
    given = np.where(came, chances, 1.0 - chances)
    return float(-np.mean(np.log(np.maximum(given, LEAST))))


def in_bins(chances: Floats, bins: int = BINS) -> NDArray[np.int64]:
    """(n,) bin of each forecast, the bins as full as each other; ties stay together."""
    order = np.sort(chances)
    edges = order[np.minimum(np.arange(1, bins) * len(order) // bins, len(order) - 1)]
    return np.searchsorted(np.unique(edges), chances, side="right").astype(np.int64)


def reliability(chances: Floats, came: NDArray[np.bool_], bins: int = BINS) -> pd.DataFrame:
    """One row for each bin: forecasts, mean forecast, share that came, its standard error.

    The error is what a calibrated forecast would show by chance.

    Args:
        chances: (n,) forecasts.
        came: (n,) whether it came.
        bins: how many.
    """
    own = in_bins(chances, bins)
    n = np.bincount(own)
    kept = n > 0
    mean = np.bincount(own, chances)[kept] / n[kept]
    share = np.bincount(own, came)[kept] / n[kept]
    noise = np.sqrt(np.bincount(own, chances * (1.0 - chances))[kept]) / n[kept]
    return pd.DataFrame({"forecasts": n[kept], "forecast": mean, "came": share, "noise": noise})


def murphy(chances: Floats, came: NDArray[np.bool_], bins: int = BINS) -> Murphy:
    """The parts of the Brier score; arguments as of `reliability`."""
    table, n = reliability(chances, came, bins), len(chances)
    share = table["forecasts"] / n
    base = float(np.mean(came))
    off = float((share * (table["forecast"] - table["came"]) ** 2).sum())
    apart = float((share * (table["came"] - base) ** 2).sum())
    whole, uncertain = brier(chances, came), base * (1.0 - base)
    return Murphy(whole, off, apart, uncertain, whole - (off - apart + uncertain))


def calibration_error(
    chances: Floats, came: NDArray[np.bool_], bins: int = BINS
) -> tuple[float, float]:
    """Mean distance of forecasts from what came, by bin, and what chance alone would show.

    Args: as of `reliability`.
    """
    table = reliability(chances, came, bins)
    share = table["forecasts"] / len(chances)
    off = float((share * (table["forecast"] - table["came"]).abs()).sum())
    # The mean distance of a normal error from 0.
    floor = float((share * table["noise"]).sum()) * float(np.sqrt(2.0 / np.pi))
    return off, floor
