"""The best policy by plain recursion over beliefs: no memory, no bounds, nothing clever."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem


def best_minutes(
    problem: DecisionProblem,
    area_parent: tuple[int, ...] = (),
    belief: np.ndarray | None = None,
    tests: frozenset[int] = frozenset(),
    repairs: frozenset[int] = frozenset(),
    is_open: frozenset[int] = frozenset(),
) -> float:
    """Bellman's equation as it is written down; repair i puts set i right.

    Who gets it handed over knows what is wrong, and has to open everything for it.
    """
    costs, areas = problem.costs, problem.costs.tables.area_minutes
    now = problem.prior if belief is None else belief
    ways = [costs.hand_over_minutes]
    for r in range(costs.n_repairs):
        work = costs.repairs.minutes[r] + costs.check_minutes
        work += sum(areas[a] for a in _way(area_parent, int(costs.repairs.area[r])))
        ways[0] += now[r] * work
    for r in set(range(costs.n_repairs)) - repairs:
        way = _way(area_parent, int(costs.repairs.area[r]))
        spent = costs.repairs.minutes[r] + costs.check_minutes
        spent += sum(areas[a] for a in way - is_open)
        left = np.where(np.arange(len(now)) == r, 0.0, now)
        if left.sum() > 0.0:
            later = best_minutes(
                problem, area_parent, left / left.sum(), tests, repairs | {r}, is_open | way
            )
            spent += left.sum() * later
        ways.append(spent)
    for t in set(range(costs.n_tests)) - tests:
        way = _way(area_parent, int(costs.tests.area[t]))
        spent = costs.tests.minutes[t] + sum(areas[a] for a in way - is_open)
        for o in range(problem.tables.start[t], problem.tables.start[t + 1]):
            joint = now * problem.tables.like[:, o]
            if joint.sum() > 0.0:
                later = best_minutes(
                    problem, area_parent, joint / joint.sum(), tests | {t}, repairs, is_open | way
                )
                spent += joint.sum() * later
        ways.append(spent)
    return float(min(ways))


def _way(area_parent: tuple[int, ...], area: int) -> frozenset[int]:
    found = set()
    while area >= 0:
        found.add(area)
        area = area_parent[area]
    return frozenset(found)
