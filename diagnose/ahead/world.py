"""What is really wrong, how the machine answers, and what a job takes if one knows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from diagnose.ahead.problem import fixing

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable

    from numpy.typing import NDArray

    from diagnose.ahead.problem import DecisionProblem
    from diagnose.rule.costs import Costs

SHOWS = 0.5
"""A machine that does not run with no less than this chance is not put right."""


class World(Protocol):
    """A machine with something wrong with it; `truth` is what is wrong now.

    Numbers called `drawn` are random, 0 to 1.
    """

    @property
    def costs(self) -> Costs:
        """What everything costs."""

    def answer(self, truth: Any, test: int, drawn: float) -> int:
        """The outcome that a test shows."""

    def checks(self, truth: Any) -> NDArray[np.float64]:
        """(results,) chance of what trying the machine shows; that it runs is first."""

    def handed_over(self, truth: Any) -> float:
        """Minutes of handing over, with the specialist's parts and labour.

        A machine that is in order is given back.
        """

    def repairs(self, truth: Any) -> Iterable[int]:
        """Repairs that change something."""

    def put_right(self, truth: Any, repair: int) -> Any:
        """What is wrong after a repair whose new part is good."""

    def mend(self, truth: Any, repair: int, drawn: float) -> Any:
        """What is wrong after a repair whose new part may be bad."""

    def wastes(self, truth: Any, repair: int) -> bool:
        """Whether a repair fits a new part in place of a good one."""

    def price_minutes(self, repair: int) -> float:
        """The price of a repair as minutes at the shop's hourly rate."""


@dataclass(frozen=True, slots=True, eq=False)
class ProblemWorld:
    """The world that a closed problem describes; the truth is one of its fault sets."""

    problem: DecisionProblem

    @property
    def costs(self) -> Costs:
        """See `World`."""
        return self.problem.costs

    def answer(self, truth: int, test: int, drawn: float) -> int:
        """See `World`."""
        tables = self.problem.tables
        return outcome_of(tables.like[truth, tables.start[test] : tables.start[test + 1]], drawn)

    def checks(self, truth: int) -> NDArray[np.float64]:
        """See `World`."""
        row: NDArray[np.float64] = self.problem.checks[truth]
        return row

    def handed_over(self, truth: int) -> float:
        """See `World`."""
        fine = self.problem.tables.fine
        if fine is not None and fine[truth]:
            return 0.0
        return handed_over(self.costs, self.problem.explains, self._faults(truth))

    def repairs(self, truth: int) -> Iterable[int]:
        """See `World`."""
        return fixing(self.costs, self._faults(truth))

    def put_right(self, truth: int, repair: int) -> int:
        """See `World`."""
        return int(self.problem.after[repair, truth])

    def mend(self, truth: int, repair: int, drawn: float) -> int:
        """See `World`."""
        left, bad = self.put_right(truth, repair), self.problem.bad[repair]
        if drawn >= bad.sum():
            return left
        fault = int(np.searchsorted(np.cumsum(bad), drawn, side="right"))
        joined = int(self.problem.joined[left, fault])
        return joined if joined >= 0 else left

    def wastes(self, truth: int, repair: int) -> bool:
        """See `World`."""
        return self.costs.repairs.wastes(repair, self._faults(truth))

    def price_minutes(self, repair: int) -> float:
        """Prices are part of the minutes here."""
        del repair
        return 0.0

    def _faults(self, truth: int) -> list[int]:
        p = self.problem
        return [f for f in p.tables.members[truth].tolist() if f < p.n_faults]


def handed_over(costs: Costs, able: NDArray[np.float64], faults: Iterable[int]) -> float:
    """Minutes of handing over, and of what the specialist has to put right for the machine to run.

    Args:
        costs: of the machine.
        able: (faults,) 1 where a fault alone keeps it from running.
        faults: what is wrong.
    """
    left = sum(float(able[f] * costs.tables.fault_minutes[f]) for f in faults)
    return costs.hand_over_minutes + left


def outcome_of(chances: NDArray[np.float64], drawn: float) -> int:
    """The outcome that a random number of 0 to 1 stands for."""
    ends = np.cumsum(chances)
    return min(int(np.searchsorted(ends, drawn * ends[-1], side="right")), len(chances) - 1)


class KnownMinutes:
    """Minutes of the cheapest repairs that get it to run: the least that any job can take.

    Nothing is found out, every part is opened once, new parts are good; where no repair ends it,
    it is handed over at once. Openings and checks are included.
    """

    def __init__(self, world: World) -> None:
        """Nothing is worked out until it is asked for."""
        self._world = world
        self._known: dict[tuple[Hashable, int], float] = {}

    def __call__(self, truth: Any, open_areas: int = 0) -> float:
        """Minutes from what is wrong, with areas (bits) that stand open already."""
        key = (truth, open_areas)
        if key not in self._known:
            self._known[key] = self._least(truth, open_areas)
        return self._known[key]

    def _least(self, truth: Any, open_areas: int) -> float:
        world, costs = self._world, self._world.costs
        best = world.handed_over(truth)
        access = costs.at(open_areas)
        for repair in world.repairs(truth):
            spent, after = float(access.repair_minutes[repair]), world.put_right(truth, repair)
            if spent < best and world.checks(after)[0] <= SHOWS:
                spent += self(after, int(access.repair_opens[repair]))
            best = min(best, spent)
        return best
