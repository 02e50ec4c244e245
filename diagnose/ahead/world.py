"""What is really wrong, and how the machine answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.ahead.problem import DecisionProblem


class World(Protocol):
    """A machine with something wrong with it; `truth` is what is wrong now."""

    def answer(self, truth: Any, test: int, drawn: float) -> int:
        """The outcome that a test shows, from a random number of 0 to 1."""

    def mend(self, truth: Any, repair: int, drawn: float) -> Any:
        """What is wrong after a repair, from a random number of 0 to 1."""

    def still_there(self, truth: Any, drawn: float) -> bool:
        """Whether the functional check shows the complaint, from a random number of 0 to 1."""

    def wastes(self, truth: Any, repair: int) -> bool:
        """Whether a repair fits a new part in place of a good one."""

    def price_minutes(self, repair: int) -> float:
        """The price of a repair as minutes at the shop's hourly rate."""


@dataclass(frozen=True, slots=True, eq=False)
class ProblemWorld:
    """The world that a closed problem describes; the truth is one of its fault sets.

    Attributes:
        problem: the problem.
    """

    problem: DecisionProblem

    def answer(self, truth: int, test: int, drawn: float) -> int:
        """See `World`."""
        tables = self.problem.tables
        return outcome_of(tables.like[truth, tables.start[test] : tables.start[test + 1]], drawn)

    def mend(self, truth: int, repair: int, drawn: float) -> int:
        """See `World`."""
        left, bad = int(self.problem.after[repair, truth]), self.problem.bad[repair]
        if drawn >= bad.sum():
            return left
        fault = int(np.searchsorted(np.cumsum(bad), drawn, side="right"))
        joined = int(self.problem.joined[left, fault])
        return joined if joined >= 0 else left

    def still_there(self, truth: int, drawn: float) -> bool:
        """See `World`."""
        return bool(drawn < self.problem.same[truth])

    def wastes(self, truth: int, repair: int) -> bool:
        """See `World`."""
        p = self.problem
        faulty = [f for f in p.tables.members[truth].tolist() if f < p.n_faults]
        part = p.costs.repairs.part[repair]
        return bool(p.costs.repairs.new_part[repair]) and part not in p.part_of[faulty]

    def price_minutes(self, repair: int) -> float:
        """Prices are part of the minutes here."""
        del repair
        return 0.0


def outcome_of(chances: NDArray[np.float64], drawn: float) -> int:
    """The outcome that a random number of 0 to 1 stands for."""
    ends = np.cumsum(chances)
    return min(int(np.searchsorted(ends, drawn * ends[-1], side="right")), len(chances) - 1)
