"""What a job would take if one knew what is wrong: the least that any way of deciding costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from diagnose.ahead.problem import fixing, without
from diagnose.faults.outcomes import check_chances

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable

    from diagnose.ahead.problem import DecisionProblem
    from diagnose.faults.behaviour import FaultSet
    from diagnose.rule.costs import Costs
    from diagnose.rule.prepared import Prepared

SHOWS = 0.5
"""What shows the complaint with no less than this chance is not put right."""


class Cure(Protocol):
    """What repairs do to what is wrong, new parts being good."""

    costs: Costs

    def repairs(self, truth: Any) -> Iterable[int]:
        """Repairs that change something."""

    def after(self, truth: Any, repair: int) -> Any:
        """What is left after one of them."""

    def shows(self, truth: Any) -> float:
        """Chance that the functional check shows the complaint."""


class ProblemCure:
    """Of a closed problem; the truth is one of its fault sets."""

    def __init__(self, problem: DecisionProblem) -> None:
        """For one problem."""
        self.costs = problem.costs
        self._problem = problem

    def repairs(self, truth: int) -> Iterable[int]:
        """See `Cure`."""
        p = self._problem
        faults = (f for f in p.tables.members[truth].tolist() if f < p.n_faults)
        return sorted({repair for fault in faults for repair in fixing(self.costs, fault)})

    def after(self, truth: int, repair: int) -> int:
        """See `Cure`."""
        return int(self._problem.after[repair, truth])

    def shows(self, truth: int) -> float:
        """See `Cure`."""
        return float(self._problem.same[truth])


class MachineCure:
    """Of a machine; the truth is a set of faults."""

    def __init__(self, prepared: Prepared, complaint: str) -> None:
        """For one complaint."""
        self.costs = prepared.costs
        self._prepared = prepared
        self._column = prepared.behaviour.column[complaint]

    def repairs(self, truth: FaultSet) -> Iterable[int]:
        """See `Cure`."""
        return sorted({repair for fault in truth for repair in fixing(self.costs, fault)})

    def after(self, truth: FaultSet, repair: int) -> FaultSet:
        """See `Cure`."""
        return without(self.costs, truth, repair)

    def shows(self, truth: FaultSet) -> float:
        """See `Cure`."""
        solved = self._prepared.sets.with_sets([truth])
        values = solved.values[self._column][solved.place[solved.row(truth), self._column]]
        return float(check_chances(values)[0])


class KnownMinutes:
    """Minutes of the cheapest repairs that end the complaint.

    Nothing is found out, every part is opened once, new parts are good; where no repair ends it,
    it is handed over at once.
    """

    def __init__(self, cure: Cure) -> None:
        """For what repairs do."""
        self._cure = cure
        self._known: dict[tuple[Hashable, int], float] = {}

    def __call__(self, truth: Any, open_areas: int = 0) -> float:
        """Minutes, openings and checks included.

        Args:
            truth: what is wrong.
            open_areas: areas that stand open, as bits.
        """
        key = (truth, open_areas)
        if key not in self._known:
            self._known[key] = self._least(truth, open_areas)
        return self._known[key]

    def _least(self, truth: Any, open_areas: int) -> float:
        cure, costs = self._cure, self._cure.costs
        best = costs.hand_over_minutes
        access = costs.at(open_areas)
        for repair in cure.repairs(truth):
            spent, after = float(access.repair_minutes[repair]), cure.after(truth, repair)
            if spent < best and cure.shows(after) >= SHOWS:
                spent += self(after, int(access.repair_opens[repair]))
            best = min(best, spent)
        return best
