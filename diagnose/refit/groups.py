"""Modes that no test done tells apart: their sum is known, how it splits is not.

Two modes belong together where the orders have told at least half of what is to be known of their
sum, and less than half of how it splits; groups are what such pairs link together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from diagnose.refit.fit import Scaled
    from diagnose.refit.model import RateModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HALF = 0.5
"""Below this share learnt a figure is as good as the one shipped."""


@dataclass(frozen=True, slots=True)
class Together:
    """A group.

    Attributes:
        members: numbers of its modes.
        log_sum_variance: variance of the logarithm of their sum.
        learnt: of the sum, 0 to 1.
    """

    members: tuple[int, ...]
    log_sum_variance: float
    learnt: float


def groups_of(model: RateModel, known: Scaled) -> list[Together]:
    """The groups among the modes that are not learnt one by one.

    Args:
        model: of the rates.
        known: fitted rates.
    """
    n, learnt = model.n_faults, known.learnt
    rates = model.marginal * np.exp(known.log_ratio[:n])
    weak = np.flatnonzero(learnt[:n] < HALF)
    label = np.arange(n)
    after, before = known.covariance, known.prior_covariance
    for place, first in enumerate(weak.tolist()):
        others = weak[place + 1 :]
        split = 1.0 - _split(after, first, others) / _split(before, first, others)
        total = 1.0 - _total(after, rates, first, others) / _total(before, rates, first, others)
        better = total > np.maximum(learnt[first], learnt[others])
        for other in others[(split < HALF) & (total >= HALF) & better].tolist():
            label[label == label[other]] = label[first]
    found = []
    for name in np.unique(label[weak]).tolist():
        members = np.flatnonzero(label == name)
        if len(members) > 1:
            own = _sum_variance(after, rates, members)
            share = 1.0 - own / _sum_variance(before, rates, members)
            if share >= HALF:
                found.append(Together(tuple(members.tolist()), own, share))
    return found


def _split(covariance: Floats, first: int, others: Ints) -> Floats:
    """(others,) variance of the logarithm of one rate over another."""
    found: Floats = (
        covariance[first, first] + np.diag(covariance)[others] - 2.0 * covariance[first, others]
    )
    return found


def _total(covariance: Floats, rates: Floats, first: int, others: Ints) -> Floats:
    """(others,) variance of the logarithm of the sum of two rates."""
    share = rates[first] / (rates[first] + rates[others])
    found: Floats = (
        share**2 * covariance[first, first]
        + (1.0 - share) ** 2 * np.diag(covariance)[others]
        + 2.0 * share * (1.0 - share) * covariance[first, others]
    )
    return found


def _sum_variance(covariance: Floats, rates: Floats, members: Ints) -> float:
    """Variance of the logarithm of the sum of some rates."""
    share = rates[members] / rates[members].sum()
    return float(share @ covariance[np.ix_(members, members)] @ share)
