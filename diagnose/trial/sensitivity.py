"""The same machine with other figures than the policy believes: what being wrong costs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.problem import entropy_bits
from diagnose.errors import ValueOutOfRangeError

if TYPE_CHECKING:
    from diagnose.decision.problem import DecisionProblem, Floats


def with_other_priors(problem: DecisionProblem, factors: Floats) -> DecisionProblem:
    """A problem whose faults are that many times as frequent.

    Args:
        problem: as it was.
        factors: (faults,) for the odds of each fault; a fault set takes the product.
    """
    padded = np.append(factors, 1.0)
    prior = problem.prior * padded[problem.tables.faults_of].prod(axis=1)
    return replace(problem, prior=prior / prior.sum())


def with_more_slips(problem: DecisionProblem, times: float) -> DecisionProblem:
    """A problem whose results are that many times as often written down wrong.

    Raises:
        ValueOutOfRangeError: more slips than results.
    """
    tables, slips = problem.tables, problem.tests.slip
    most = float(slips.max(initial=0.0)) * times
    if not 0.0 <= most < 1.0:
        raise ValueOutOfRangeError("share of slips", most, 0.0, 1.0, "")
    like, noise = tables.like.copy(), tables.noise.copy()
    for test, slip in enumerate(slips):
        columns = slice(int(tables.start[test]), int(tables.start[test + 1]))
        n = problem.n_outcomes(test)
        clean = np.maximum(like[:, columns] - slip / n, 0.0) / (1.0 - slip)
        like[:, columns] = (1.0 - times * slip) * clean + times * slip / n
        noise[:, test] = entropy_bits(like[:, columns])
    return replace(
        problem,
        tables=tables._replace(like=like, noise=noise),
        tests=replace(problem.tests, slip=slips * times),
    )
