"""What a job would take if one knew what is wrong: the least that any way of deciding costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.access import AccessBook

if TYPE_CHECKING:
    from diagnose.decision.problem import DecisionProblem, Floats

SHOWS = 0.5
"""A hypothesis that shows the complaint with no less than this chance is not put right."""


class KnownMinutes:
    """Minutes of the cheapest repairs that end the complaint, by hypothesis.

    Nothing is found out, every part is opened once, new parts are good; where no repair ends it,
    it is handed over at once.
    """

    def __init__(self, problem: DecisionProblem) -> None:
        """For one problem."""
        self._problem = problem
        self._access = AccessBook(problem)
        self._known: dict[tuple[int, int], float] = {}

    def __call__(self, hypothesis: int, open_areas: int = 0) -> float:
        """Minutes, openings and checks included."""
        key = (hypothesis, open_areas)
        if key not in self._known:
            self._known[key] = self._least(hypothesis, open_areas)
        return self._known[key]

    def table(self) -> Floats:
        """(hypotheses,) minutes with everything closed."""
        return np.array([self(h) for h in range(self._problem.n_hypotheses)])

    def _least(self, hypothesis: int, open_areas: int) -> float:
        p = self._problem
        best = p.escalate_minutes
        costs = self._access.at(open_areas)
        after = p.repairs.after[:, hypothesis]
        for repair in np.flatnonzero(after != hypothesis):
            spent = float(costs.repair_minutes[repair])
            if spent < best and p.same[after[repair]] >= SHOWS:
                spent += self(int(after[repair]), int(costs.repair_opens[repair]))
            best = min(best, spent)
        return best
