"""The least expected minutes that any policy can reach, for small machines.

Exact dynamic programming over beliefs (Bellman 1957): a state is the outcome of every test done
and the set of repairs that failed; which areas are open follows from what was done. With one fault
at a time, perfect checks and every test done at most once, the belief does not depend on the order,
so that is all there is to know. States are met from the start downwards, each worked out once; an
action is passed over only where even knowing the fault afterwards could not make it the best.
Handing over costs its own minutes and, on top, the work on what is wrong, everything opened for it.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

from diagnose.errors import ValueOutOfRangeError
from diagnose.rule.repair_kernels import opening_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.ahead.problem import DecisionProblem
    from diagnose.rule.costs import Costs

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

MOST_STATES = 8_000_000


class Prices(NamedTuple):
    """What the recursion reads.

    Attributes:
        like: (hypotheses, outcomes) P(outcome | hypothesis).
        start: (tests + 1,) first outcome of each test.
        place: (tests + 1,) place value of each test in the number of a state.
        test_minutes: (tests,) opening not included.
        test_way: (tests,) areas to be open, as bits.
        repair_minutes: (repairs,) with price and check, opening not included.
        repair_way: (repairs,) areas to be open, as bits.
        cured: (repairs, hypotheses) whether each ends the complaint.
        area_minutes: (areas,) to open.
        least: (hypotheses,) minutes that each takes if it is known and everything is open.
        escalate: handing over.
        elsewhere: (hypotheses,) minutes of the work on each, whoever it is handed over to.
    """

    like: Floats
    start: Ints
    place: NDArray[np.int64]
    test_minutes: Floats
    test_way: NDArray[np.int64]
    repair_minutes: Floats
    repair_way: NDArray[np.int64]
    cured: NDArray[np.bool_]
    area_minutes: Floats
    least: Floats
    escalate: float
    elsewhere: Floats


def optimal_minutes(problem: DecisionProblem) -> float:
    """Expected minutes of the best policy.

    Raises:
        ValueOutOfRangeError: too many states, or a problem whose belief depends on the order of
            what was done: several faults at once, new parts that may be bad, checks that slip.
    """
    costs = problem.costs
    base = np.array([problem.n_outcomes(t) + 1 for t in range(costs.n_tests)], dtype=np.int64)
    states = 2.0**costs.n_repairs * float(np.prod(base, dtype=np.float64))
    if states > MOST_STATES:
        raise ValueOutOfRangeError("states", states, 1.0, float(MOST_STATES), "states")
    width = int((problem.tables.members < problem.n_faults).sum(axis=1).max())
    runs = problem.checks[:, 0]
    if width > 1 or problem.bad.any() or not np.isin(runs, (0.0, 1.0)).all():
        raise ValueOutOfRangeError("faults at once", float(width), 0.0, 1.0, "")
    own = costs.tables.repair_own
    cured = runs[problem.after] == 1.0
    hand_over = costs.hand_over_minutes
    work = np.where(cured, own[:, None] + _everything_opened(costs)[:, None], np.inf)
    work[:, runs == 1.0] = 0.0
    work = work.min(axis=0, initial=np.inf)
    work = np.where(np.isfinite(work), work, 0.0)
    prices = Prices(
        like=problem.tables.like,
        start=problem.tables.start.astype(np.int64),
        place=np.concatenate([[1], np.cumprod(base)]).astype(np.int64),
        test_minutes=costs.tests.minutes,
        test_way=costs.ways[costs.tests.area],
        repair_minutes=own,
        repair_way=costs.tables.repair_way,
        cured=cured,
        area_minutes=costs.tables.area_minutes,
        least=np.minimum(
            np.where(cured, own[:, None], np.inf).min(axis=0, initial=np.inf), hand_over + work
        ),
        escalate=hand_over,
        elsewhere=work,
    )
    return float(_best(prices, np.full(int(states), np.nan), 0, 0, 0, problem.prior.copy()))


def _everything_opened(costs: Costs) -> Floats:
    """(repairs,) minutes to open all that lies on the way to each."""
    areas = costs.tables.area_minutes
    return np.array(
        [sum(m for a, m in enumerate(areas) if way >> a & 1) for way in costs.tables.repair_way]
    )


@njit
def _best(prices, memo, evidence, failed, open_areas, joint):
    """Least expected minutes from a state on.

    Args:
        prices: of the problem.
        memo: (states,) minutes of the states met, NaN elsewhere.
        evidence: outcomes found, one digit for each test.
        failed: repairs tried, as bits.
        open_areas: areas that stand open, as bits.
        joint: (hypotheses,) probability of each together with all that was found.
    """
    index = evidence + failed * prices.place[-1]
    if not np.isnan(memo[index]):
        return memo[index]
    total = joint.sum()
    known = (joint * prices.least).sum() / total
    best = prices.escalate + (joint * prices.elsewhere).sum() / total
    for t in range(prices.test_minutes.shape[0]):
        if evidence // prices.place[t] % (prices.place[t + 1] // prices.place[t]):
            continue
        spent = prices.test_minutes[t]
        spent += opening_of(prices.test_way[t], open_areas, prices.area_minutes)
        if spent + known < best:
            spent += _after_test(prices, memo, evidence, failed, open_areas, joint, t) / total
            best = min(best, spent)
    for r in range(prices.repair_minutes.shape[0]):
        if failed >> r & 1:
            continue
        spent = prices.repair_minutes[r]
        spent += opening_of(prices.repair_way[r], open_areas, prices.area_minutes)
        rest = np.where(prices.cured[r], 0.0, joint)
        left = rest.sum()
        if left < total and spent + (rest * prices.least).sum() / total < best:
            if left > 0.0:
                opened = open_areas | prices.repair_way[r]
                then = _best(prices, memo, evidence, failed | 1 << r, opened, rest)
                spent += left / total * then
            best = min(best, spent)
    memo[index] = best
    return best


@njit
def _after_test(prices, memo, evidence, failed, open_areas, joint, test):
    """Minutes after a test, summed over its outcomes with their joint probabilities."""
    spent = 0.0
    opened = open_areas | prices.test_way[test]
    for o in range(prices.start[test + 1] - prices.start[test]):
        after = joint * prices.like[:, prices.start[test] + o]
        chance = after.sum()
        if chance > 0.0:
            found = evidence + prices.place[test] * (o + 1)
            spent += chance * _best(prices, memo, found, failed, opened, after)
    return spent
