"""What every action costs, by which areas stand open. Sets of areas are bits of a number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.problem import area_ways

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.decision.problem import DecisionProblem, Floats


@dataclass(frozen=True, slots=True, eq=False)
class Access:
    """Costs with certain areas open.

    Attributes:
        test_minutes: (tests,) opening included.
        repair_minutes: (repairs,) opening and check included.
        test_opens: (tests,) areas open after each test.
        repair_opens: (repairs,) areas open after each repair.
        test_opening: (tests, areas) minutes to open each area for each test.
    """

    test_minutes: Floats
    repair_minutes: Floats
    test_opens: NDArray[np.int64]
    repair_opens: NDArray[np.int64]
    test_opening: Floats


class AccessBook:
    """Costs for every set of open areas that comes up, worked out once."""

    def __init__(self, problem: DecisionProblem) -> None:
        """For one problem."""
        self._problem = problem
        self._known: dict[int, Access] = {}
        self._ways = area_ways(problem.area_parent)

    def at(self, open_areas: int) -> Access:
        """Costs with these areas open."""
        found = self._known.get(open_areas)
        if found is None:
            p = self._problem
            bits = (self._ways & ~open_areas)[:, None] >> np.arange(len(p.area_minutes)) & 1
            by_area = bits * p.area_minutes
            opening = by_area.sum(axis=1)
            found = Access(
                test_minutes=p.tests.minutes + opening[p.tests.area],
                repair_minutes=p.repairs.minutes + p.check_minutes + opening[p.repairs.area],
                test_opens=(self._ways | open_areas)[p.tests.area],
                repair_opens=(self._ways | open_areas)[p.repairs.area],
                test_opening=by_area[p.tests.area],
            )
            self._known[open_areas] = found
        return found
