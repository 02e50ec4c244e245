"""Answers to many cases at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Answers to many cases at once; impossible cases have zeros and a log of -inf.

    Attributes:
        marginals: shape (cases, all states), see `CompiledNetwork.state_offsets`.
        gains: bits, shape (cases, leaves), in the order of `CompiledNetwork.leaves`.
        log_evidence: natural log P(findings of the case), shape (cases,).
    """

    marginals: NDArray[np.float64]
    gains: NDArray[np.float64]
    log_evidence: NDArray[np.float64]


def woven(where: NDArray[np.bool_], chosen: Batch, others: Batch) -> Batch:
    """One batch with the cases of `chosen` where the mask says so and `others` elsewhere."""

    def weave(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
        whole = np.empty((len(where), *one.shape[1:]))
        whole[where], whole[~where] = one, other
        return whole

    return Batch(
        weave(chosen.marginals, others.marginals),
        weave(chosen.gains, others.gains),
        weave(chosen.log_evidence, others.log_evidence),
    )
