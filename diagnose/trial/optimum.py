"""The least expected minutes that any policy can reach, for small machines.

Exact dynamic programming over beliefs (Bellman 1957): a state is the outcome of every test done
and the set of repairs that failed; which areas are open follows from what was done. With one fault
at a time, perfect checks and every test done at most once, the belief does not depend on the order,
so that is all there is to know. States are met from the start downwards, each worked out once.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from diagnose.errors import ValueOutOfRangeError
from diagnose.trial.problem import area_ways

if TYPE_CHECKING:
    from diagnose.trial.problem import DecisionProblem

MOST_STATES = 8_000_000


def optimal_minutes(problem: DecisionProblem) -> float:
    """Expected minutes of the best policy.

    Raises:
        ValueOutOfRangeError: too many states, or a problem whose belief depends on the order of
            what was done: several faults at once, new parts that may be bad, checks that slip.
    """
    states = (2.0**problem.n_repairs) * np.prod(
        [problem.n_outcomes(t) + 1.0 for t in range(problem.n_tests)]
    )
    if states > MOST_STATES:
        raise ValueOutOfRangeError("states", float(states), 1.0, float(MOST_STATES), "states")
    width = int((problem.tables.faults_of >= 0).sum(axis=1).max())
    if width > 1 or problem.repairs.bad.any() or not np.isin(problem.same, (0.0, 1.0)).all():
        raise ValueOutOfRangeError("faults at once", float(width), 0.0, 1.0, "")
    base = np.array([problem.n_outcomes(t) + 1 for t in range(problem.n_tests)], dtype=np.int64)
    place = np.concatenate([[1], np.cumprod(base)]).astype(np.int64)
    memo = np.full(int(states), np.nan)
    tests, repairs = problem.tests, problem.repairs
    way = area_ways(problem.area_parent)
    cured = problem.same[repairs.after] == 0.0
    return float(
        _best(
            memo,
            0,
            0,
            0,
            problem.prior.copy(),
            problem.tables.like,
            problem.tables.start,
            tests.minutes,
            way[tests.area],
            repairs.minutes + problem.check_minutes,
            way[repairs.area],
            cured,
            problem.area_minutes,
            place,
            problem.escalate_minutes,
        )
    )


@njit(cache=True)
def _opening(way, open_areas, area_minutes):
    total = 0.0
    for a in range(area_minutes.shape[0]):
        if (way & ~open_areas) >> a & 1:
            total += area_minutes[a]
    return total


@njit
def _best(  # noqa: C901, PLR0913, PLR0917 - flat arrays for the compiler
    memo,
    evidence,
    failed,
    open_areas,
    joint,
    like,
    start,
    test_minutes,
    test_way,
    repair_minutes,
    repair_way,
    cured,
    area_minutes,
    place,
    escalate,
):
    n_tests, n_repairs = test_minutes.shape[0], repair_minutes.shape[0]
    index = evidence + failed * place[n_tests]
    if not np.isnan(memo[index]):
        return memo[index]
    total = joint.sum()
    best = escalate
    for r in range(n_repairs):
        if failed >> r & 1:
            continue
        spent = repair_minutes[r] + _opening(repair_way[r], open_areas, area_minutes)
        if spent >= best:
            continue
        rest = np.where(cured[r], 0.0, joint)
        left = rest.sum()
        if left == total:
            continue
        if left > 0.0:
            spent += (
                left
                / total
                * _best(
                    memo,
                    evidence,
                    failed | 1 << r,
                    open_areas | repair_way[r],
                    rest,
                    like,
                    start,
                    test_minutes,
                    test_way,
                    repair_minutes,
                    repair_way,
                    cured,
                    area_minutes,
                    place,
                    escalate,
                )
            )
        best = min(best, spent)
    for t in range(n_tests):
        if evidence // place[t] % (place[t + 1] // place[t]):
            continue
        spent = test_minutes[t] + _opening(test_way[t], open_areas, area_minutes)
        for o in range(start[t + 1] - start[t]):
            if spent >= best:
                break
            after = joint * like[:, start[t] + o]
            chance = after.sum()
            if chance > 0.0:
                spent += (
                    chance
                    / total
                    * _best(
                        memo,
                        evidence + place[t] * (o + 1),
                        failed,
                        open_areas | test_way[t],
                        after,
                        like,
                        start,
                        test_minutes,
                        test_way,
                        repair_minutes,
                        repair_way,
                        cured,
                        area_minutes,
                        place,
                        escalate,
                    )
                )
        best = min(best, spent)
    memo[index] = best
    return best
