"""Modes that no test done tells apart: their sum is known, how it splits is not.

In units of what was known before, the information of the orders has eigenvectors: directions about
which they tell more or less, an eigenvalue e standing for a share e / (1 + e) learnt. Those of
which at least half is learnt span what the orders tell. A mode that lies in it by itself is known
by itself. Modes that only share a direction in it, all of them one and the same, are known by their
sum, since that is what the direction stands for. Two modes share one where the angle between their
shadows on what the orders tell is small (principal directions: Golub & Van Loan, Matrix
Computations, 4th edition, section 8.7, for the pair of matrices).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

if TYPE_CHECKING:
    from diagnose.refit.fit import Scaled
    from diagnose.refit.model import RateModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HALF = 0.5
"""Below this share learnt a figure is as good as the one shipped."""

SAME_DIRECTION = 0.7
"""Cosine from which on two shadows are taken for one direction; half a right angle."""

KNOWN = 0.9
"""A mode of which so much is learnt needs no group."""

LEAST_SHADOW = 0.05
"""A mode of which less than this lies in what the orders tell has no shadow worth a direction."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """What orders tell, direction by direction, the clearest first.

    Attributes:
        learnt: (directions,) share of the variance before that is gone.
        vectors: (parameters, directions) orthonormal, in units of what was known before.
    """

    learnt: Floats
    vectors: Floats

    def told(self) -> Floats:
        """(parameters, parameters) projection on what at least half is learnt of."""
        own = self.vectors[:, self.learnt >= HALF]
        found: Floats = own @ own.T
        return found


def directions_of(known: Scaled) -> Directions:
    """The directions of some fitted rates.

    The overall scale, which is held, is none of them.

    Args:
        known: fitted rates.
    """
    values, vectors = np.linalg.eigh(known.prior_covariance)
    held = values > 1e-9 * values.max()
    # The symmetric root keeps a mode's own axis nearly its own; the scale drops out of it.
    root = (vectors[:, held] / np.sqrt(values[held])) @ vectors[:, held].T
    left, axes = np.linalg.eigh(root @ known.covariance @ root)
    inside = np.linalg.norm(vectors[:, held].T @ axes, axis=0) > 0.5
    learnt = np.clip(1.0 - left[inside], 0.0, 1.0)
    order = np.argsort(-learnt, kind="stable")
    return Directions(learnt[order], axes[:, inside][:, order])


def groups_of(model: RateModel, known: Scaled) -> list[Together]:
    """The groups among the modes that are not known one by one.

    Args:
        model: of the rates.
        known: fitted rates.
    """
    n, learnt = model.n_faults, known.learnt
    told = directions_of(known).told()[:n, :n]
    shadow = np.diag(told)
    weak = np.flatnonzero((learnt[:n] < KNOWN) & (shadow > LEAST_SHADOW))
    if len(weak) < 2:
        return []
    rates = model.marginal * np.exp(known.log_ratio[:n])
    label = _alike(told[np.ix_(weak, weak)])
    found = []
    for name in np.unique(label).tolist():
        group = _best(known, rates, weak[label == name])
        if group is not None:
            found.append(group)
    return sorted(found, key=lambda group: group.members)


def _alike(told: Floats) -> Ints:
    """(modes,) which direction each belongs to, by average linkage of the angles."""
    size = np.sqrt(np.diag(told))
    apart = np.clip(1.0 - told / np.outer(size, size), 0.0, 2.0)
    np.fill_diagonal(apart, 0.0)
    tree = linkage(squareform(0.5 * (apart + apart.T), checks=False), "average")
    return np.asarray(fcluster(tree, 1.0 - SAME_DIRECTION, "distance"), dtype=np.int64)


def _best(known: Scaled, rates: Floats, members: Ints) -> Together | None:
    """The group of some modes, those left out of which it would be known better; None for none."""
    own = members
    while len(own) > 1:
        learnt = learnt_of_sum(known, rates, own)
        # The sum of what is a group leaves no more than half of what its best member leaves.
        if learnt >= HALF and 1.0 - learnt <= HALF * float(1.0 - known.learnt[own].max()):
            variance = sum_variance(known.covariance, rates, own)
            return Together(tuple(sorted(own.tolist())), variance, learnt)
        without = [learnt_of_sum(known, rates, np.delete(own, k)) for k in range(len(own))]
        if max(without) <= learnt:
            return None
        own = np.delete(own, int(np.argmax(without)))
    return None


def learnt_of_sum(known: Scaled, rates: Floats, members: Ints) -> float:
    """Share of the variance of the logarithm of the sum of some rates that is gone, 0 to 1."""
    after = sum_variance(known.covariance, rates, members)
    before = sum_variance(known.prior_covariance, rates, members)
    return 1.0 - after / max(before, 1e-300)


def sum_variance(covariance: Floats, rates: Floats, members: Ints) -> float:
    """Variance of the logarithm of the sum of some rates.

    Args:
        covariance: (parameters, parameters) of the logarithms.
        rates: (faults,) the rates.
        members: numbers of those that are summed.
    """
    share = rates[members] / rates[members].sum()
    return float(share @ covariance[np.ix_(members, members)] @ share)
