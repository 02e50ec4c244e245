"""The 90th percentile of a job's minutes, from many jobs or from few."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SHARE = 0.9
ENOUGH = 100
"""From so many jobs on the sample's own quantile is taken."""

ATOMS = 200
"""Minutes if one knew, told by so many equally likely values."""

RESAMPLED = 60
"""Bootstrap samples for the error."""


def ninetieth(minutes: Floats, known: Floats | None, atoms: Floats | None) -> tuple[float, float]:
    """The 90th percentile and its bootstrap standard error (Efron 1979).

    Of a few jobs the tenth that takes longest is no sample at all. Then what a job takes beyond
    the minutes if one knew is taken from the jobs played, and the minutes if one knew from the
    whole belief, as if the two went by themselves; on the shipped machines that is within a tenth
    of what thousands of jobs give.

    Args:
        minutes: (jobs,) of the jobs played.
        known: (jobs,) what each had taken if one knew what is wrong; None: not told.
        atoms: (ATOMS,) values of the same over the belief; see `equal_atoms`.
    """
    drawn = np.random.default_rng(len(minutes)).integers(
        len(minutes), size=(RESAMPLED, len(minutes))
    )
    if known is None or atoms is None or len(minutes) >= ENOUGH:
        again = np.quantile(minutes[drawn], SHARE, axis=1)
        return float(np.quantile(minutes, SHARE)), float(again.std(ddof=1))
    spread = (minutes - known)[:, None] + atoms
    again = np.quantile(spread[drawn].reshape(RESAMPLED, -1), SHARE, axis=1)
    return float(np.quantile(spread, SHARE)), float(again.std(ddof=1))


def equal_atoms(belief: Floats, known: Floats) -> Floats:
    """(ATOMS,) values that stand for the distribution of `known` over a belief.

    Args:
        belief: (hypotheses,) weights.
        known: (hypotheses,) minutes.
    """
    order = np.argsort(known, kind="stable")
    ends = np.cumsum(belief[order])
    marks = (np.arange(ATOMS) + 0.5) / ATOMS * ends[-1]
    found: Floats = known[order][np.searchsorted(ends, marks)]
    return found
