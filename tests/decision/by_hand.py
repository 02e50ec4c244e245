"""The best policy by plain recursion over beliefs: no memory, no bounds, nothing clever."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem


def best_minutes(
    problem: DecisionProblem,
    belief: np.ndarray | None = None,
    tests: frozenset[int] = frozenset(),
    repairs: frozenset[int] = frozenset(),
    is_open: frozenset[int] = frozenset(),
) -> float:
    """Bellman's equation as it is written down."""
    now = problem.prior if belief is None else belief
    ways = [problem.escalate_minutes]
    for r in set(range(problem.n_repairs)) - repairs:
        way = _way(problem, int(problem.repairs.area[r]))
        spent = problem.repairs.minutes[r] + problem.check_minutes
        spent += sum(problem.area_minutes[a] for a in way - is_open)
        left = np.where(np.arange(len(now)) == r, 0.0, now)
        if left.sum() > 0.0:
            rest = left / left.sum()
            spent += left.sum() * best_minutes(problem, rest, tests, repairs | {r}, is_open | way)
        ways.append(spent)
    for t in set(range(problem.n_tests)) - tests:
        way = _way(problem, int(problem.tests.area[t]))
        spent = problem.tests.minutes[t]
        spent += sum(problem.area_minutes[a] for a in way - is_open)
        for o in range(problem.tables.start[t], problem.tables.start[t + 1]):
            joint = now * problem.tables.like[:, o]
            if joint.sum() > 0.0:
                rest = joint / joint.sum()
                later = best_minutes(problem, rest, tests | {t}, repairs, is_open | way)
                spent += joint.sum() * later
        ways.append(spent)
    return float(min(ways))


def _way(problem: DecisionProblem, area: int) -> frozenset[int]:
    found = set()
    while area >= 0:
        found.add(area)
        area = int(problem.area_parent[area])
    return frozenset(found)
