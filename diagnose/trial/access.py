"""What every action costs, by which areas stand open. Sets of areas are bits of a number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from diagnose.trial.problem import DecisionProblem, Floats


@dataclass(frozen=True, slots=True, eq=False)
class Access:
    """Costs with certain areas open.

    Attributes:
        test_minutes: (tests,) opening included.
        repair_minutes: (repairs,) opening and check included.
        repair_after: (areas + 1, repairs) the same once an area has been opened too; the last row
            is for none.
        opened_by: (areas + 1,) areas open after working in each area.
    """

    test_minutes: Floats
    repair_minutes: Floats
    repair_after: Floats
    opened_by: tuple[int, ...]


class AccessBook:
    """Costs for every set of open areas that comes up, worked out once."""

    def __init__(self, problem: DecisionProblem) -> None:
        """For one problem."""
        self._problem = problem
        self._known: dict[int, Access] = {}
        self._way = [self._path(area) for area in range(len(problem.area_names))] + [0]

    def _path(self, area: int) -> int:
        bits = 0
        while area >= 0:
            bits |= 1 << area
            area = int(self._problem.area_parent[area])
        return bits

    def _opening(self, open_areas: int) -> Floats:
        """(areas + 1,) minutes to get into each area; the last is for no area."""
        minutes = self._problem.area_minutes
        return np.array(
            [
                sum(m for a, m in enumerate(minutes) if (way & ~open_areas) >> a & 1)
                for way in self._way
            ]
        )

    def at(self, open_areas: int) -> Access:
        """Costs with these areas open."""
        found = self._known.get(open_areas)
        if found is None:
            p = self._problem
            own = p.repairs.minutes + p.check_minutes
            after = [
                own + self._opening(open_areas | way)[p.repairs.area] for way in self._way
            ]
            found = Access(
                test_minutes=p.tests.minutes + self._opening(open_areas)[p.tests.area],
                repair_minutes=own + self._opening(open_areas)[p.repairs.area],
                repair_after=np.ascontiguousarray(after),
                opened_by=tuple(open_areas | way for way in self._way),
            )
            self._known[open_areas] = found
        return found
