"""A bench over a closed problem: each state follows from the one before it."""
# mypy: disable-error-code="untyped-decorator"

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.bench import MOST_STATES, single_faults, standing
from diagnose.belief.survey import survey
from diagnose.compiled import njit
from diagnose.rule.blame import blamed
from diagnose.rule.decide import look
from diagnose.sums import mixed

if TYPE_CHECKING:
    from diagnose.ahead.bench import Floats
    from diagnose.ahead.problem import DecisionProblem
    from diagnose.rule.decide import Outlook, Standing

Ints = NDArray[np.int64]
Key = tuple[Any, frozenset[tuple[int, int]], int]
"""Trail of repairs, findings since the last one (test, outcome), open areas as bits."""

FLOOR = 1e-9
"""Fault sets with a smaller share of the probability are dropped."""


@dataclass(slots=True, eq=False)
class ProblemState:
    """What is known, what is open, what was done.

    Attributes:
        active: (n,) fault sets that are still possible.
        weight: (n,) their probabilities.
        standing: what is open, barred and done.
        ever, done: tests ever done, and those since the last repair, as bits.
        key: see `diagnose.ahead.bench.State`.
    """

    active: Ints
    weight: Floats
    standing: Standing
    ever: int
    done: int
    key: Key


class ProblemBench:
    """A problem with its states; see `diagnose.ahead.bench.Bench`."""

    def __init__(
        self, problem: DecisionProblem, begun: Standing | None = None, never: int = 0
    ) -> None:
        """Begins jobs somewhere.

        Args:
            problem: the problem.
            begun: where its jobs begin; default: nothing done, nothing open.
            never: tests that cannot be done on this job at all, as bits.
        """
        self.problem = problem
        self.costs = problem.costs
        self._never = never
        self._states: dict[Key, ProblemState | None] = {}
        active = np.flatnonzero(problem.prior > FLOOR)
        weight = problem.prior[active] / problem.prior[active].sum()
        at = begun or standing(self.costs, never=never)
        self.start = ProblemState(active, weight, at, 0, 0, ((), frozenset(), at.open_areas))

    def outlook(self, state: ProblemState) -> Outlook:
        """See `Bench`."""
        p = self.problem
        known = survey([(p.tables, state.active, state.weight)], p.n_faults)
        able = p.explains
        if p.gives is not None:
            able = blamed(p.gives, able, mixed(state.weight, p.checks[state.active]), known.faults)
        return look(known, able, p.costs, state.standing, p.hides)

    def chances(self, state: ProblemState, test: int) -> list[float]:
        """See `Bench`."""
        tables = self.problem.tables
        columns = slice(int(tables.start[test]), int(tables.start[test + 1]))
        chances: list[float] = mixed(state.weight, tables.like[state.active, columns]).tolist()
        return chances

    def checks(self, state: ProblemState, repair: int) -> list[float]:
        """See `Bench`."""
        found: list[float] = mixed(self._mended(state, repair), self.problem.checks).tolist()
        return found

    def alone(self, state: ProblemState) -> Floats:
        """See `Bench`."""
        p = self.problem
        return single_faults(p.tables.members[state.active], state.weight, p.n_faults)

    def thinned(self, state: ProblemState, most: int) -> ProblemBench:
        """See `Bench`; a closed problem is thin already."""
        del most
        prior = np.zeros(self.problem.n_sets)
        prior[state.active] = state.weight
        found = ProblemBench(replace(self.problem, prior=prior), state.standing, self._never)
        found.start.ever, found.start.done = state.ever, state.done
        return found

    def outcome_name(self, test: int, outcome: int) -> str:
        """See `Bench`; a closed problem knows outcomes by number."""
        del test
        return str(outcome)

    def after_test(self, state: ProblemState, test: int, outcome: int) -> ProblemState | None:
        """See `Bench`."""
        trail, since, _ = state.key
        opened = int(self.costs.at(state.standing.open_areas).test_opens[test])
        key = (trail, since | {(test, outcome)}, opened)
        if key not in self._states:
            column = int(self.problem.tables.start[test]) + outcome
            weight = state.weight * self.problem.tables.like[state.active, column]
            done = state.done | 1 << test
            before, repairs = state.ever & ~state.done, state.standing.repairs_done
            repaired = state.standing.repaired
            at = standing(self.costs, opened, done, before, self._never, repairs, repaired)
            self._keep(key, state.active, weight, at, (state.ever | 1 << test, done))
        return self._states[key]

    def after_look(self, state: ProblemState, test: int, outcome: int) -> ProblemState | None:
        """See `Bench`; in a closed problem no outcome is doubted, so it stays as it is."""
        del test, outcome
        return state

    def after_repair(self, state: ProblemState, repair: int, result: int) -> ProblemState | None:
        """See `Bench`."""
        trail, since, _ = state.key
        opened = int(self.costs.at(state.standing.open_areas).repair_opens[repair])
        key = ((trail, since, repair, result), frozenset[tuple[int, int]](), opened)
        if key not in self._states:
            weight = self._mended(state, repair) * self.problem.checks[:, result]
            repairs = state.standing.repairs_done + 1
            done = self.costs.tests.trying
            repaired = state.standing.repaired | 1 << repair
            at = standing(self.costs, opened, done, state.ever, self._never, repairs, repaired)
            self._keep(key, np.arange(self.problem.n_sets), weight, at, (state.ever, done))
        return self._states[key]

    def _keep(
        self, key: Key, active: Ints, weight: Floats, at: Standing, tests: tuple[int, int]
    ) -> None:
        """Note a state, or that it cannot be, from weights that need not sum to 1."""
        if len(self._states) >= MOST_STATES:
            self._states.clear()
        total = float(weight.sum())
        kept = weight > FLOOR * total
        active, weight = active[kept], weight[kept]
        state = (
            ProblemState(active, weight / weight.sum(), at, *tests, key) if total > 0.0 else None
        )
        self._states[key] = state

    def _mended(self, state: ProblemState, repair: int) -> Floats:
        """(sets,) probabilities after a repair, whatever the check shows."""
        p = self.problem
        found = np.zeros(p.n_sets)
        _mend(p.after[repair], p.bad[repair], p.joined, state.active, state.weight, found)
        return found


@njit(nogil=True)
def _mend(after, bad, joined, active, weight, found):  # type: ignore[no-untyped-def]
    """Move weights to where a repair leads; what a new part brings is spread by its chances."""
    for a in range(active.shape[0]):
        h, left = after[active[a]], weight[a]
        for f in range(bad.shape[0]):
            if bad[f] > 0.0 and joined[h, f] >= 0:
                found[joined[h, f]] += weight[a] * bad[f]
                left -= weight[a] * bad[f]
        found[h] += left
