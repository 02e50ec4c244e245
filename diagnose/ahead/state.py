"""A bench over a closed problem: each state follows from the one before it."""
# mypy: disable-error-code="untyped-decorator"

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from diagnose.ahead.standing import standing
from diagnose.belief.survey import survey
from diagnose.rule.decide import Standing, look

if TYPE_CHECKING:
    from collections.abc import Hashable

    from diagnose.ahead.problem import DecisionProblem
    from diagnose.rule.decide import Outlook

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FLOOR = 1e-9
"""Fault sets with a smaller share of the probability are dropped."""

MOST_STATES = 20_000
"""So many states are kept before all are forgotten and worked out anew."""


@dataclass(slots=True, eq=False)
class ProblemState:
    """What is known, what is open, what was done.

    Attributes:
        active: (n,) fault sets that are still possible.
        weight: (n,) their probabilities.
        standing: what is open, barred and done.
        ever, done: tests ever done, and those since the last repair, as bits.
        key: see `diagnose.ahead.bench.State`.
        later: what follows, by (action, outcome).
    """

    active: Ints
    weight: Floats
    standing: Standing
    ever: int
    done: int
    key: Hashable
    later: dict[tuple[int, int], ProblemState | None] = field(default_factory=dict)


class ProblemBench:
    """A problem with its states; see `diagnose.ahead.bench.Bench`.

    Attributes:
        problem: the problem.
        costs: what everything costs.
        start: the state as the job begins.
    """

    def __init__(
        self, problem: DecisionProblem, begun: Standing | None = None, never: int = 0
    ) -> None:
        """For a problem.

        Args:
            problem: the problem.
            begun: where its jobs begin; default: nothing done, nothing open.
            never: tests that cannot be done on this job at all, as bits.
        """
        self.problem = problem
        self.costs = problem.costs
        self._never = never
        self._states: dict[Hashable, ProblemState] = {}
        active = np.flatnonzero(problem.prior > FLOOR)
        weight = problem.prior[active] / problem.prior[active].sum()
        at = begun or standing(self.costs, never=never)
        self.start = ProblemState(active, weight, at, 0, 0, ((), frozenset(), at.open_areas))

    def outlook(self, state: ProblemState) -> Outlook:
        """See `Bench`."""
        p = self.problem
        known = survey([(p.tables, state.active, state.weight)], p.n_faults)
        return look(known, p.explains, p.costs, state.standing)

    def chances(self, state: ProblemState, test: int) -> list[float]:
        """See `Bench`."""
        tables = self.problem.tables
        columns = slice(int(tables.start[test]), int(tables.start[test + 1]))
        found: list[float] = (state.weight @ tables.like[state.active, columns]).tolist()
        return found

    def chance_same(self, state: ProblemState, repair: int) -> float:
        """See `Bench`."""
        after = self._mended(state, repair)
        return float(after @ self.problem.same)

    def alone(self, state: ProblemState) -> Floats:
        """See `Bench`."""
        members, n = self.problem.tables.members[state.active], self.problem.n_faults
        single = (members < n).sum(axis=1) == 1
        own = members[single].min(axis=1)
        return np.bincount(own, state.weight[single], n)[:n].astype(np.float64)

    def thinned(self, state: ProblemState, most: int) -> ProblemBench:
        """See `Bench`; a closed problem is thin already."""
        del most
        prior = np.zeros(self.problem.n_sets)
        prior[state.active] = state.weight
        found = ProblemBench(replace(self.problem, prior=prior), state.standing, self._never)
        found.start.ever, found.start.done = state.ever, state.done
        return found

    def after_test(self, state: ProblemState, test: int, outcome: int) -> ProblemState | None:
        """See `Bench`."""
        step = (test, outcome)
        if step not in state.later:
            state.later[step] = self._observed(state, test, outcome)
        return state.later[step]

    def after_repair(self, state: ProblemState, repair: int) -> ProblemState | None:
        """See `Bench`."""
        step = (self.costs.n_tests + repair, 0)
        if step not in state.later:
            state.later[step] = self._tried(state, repair)
        return state.later[step]

    def _observed(self, state: ProblemState, test: int, outcome: int) -> ProblemState | None:
        trail, since, _ = _parts(state.key)
        opened = int(self.costs.at(state.standing.open_areas).test_opens[test])
        key = (trail, since | {(test, outcome)}, opened)
        if key in self._states:
            return self._states[key]
        column = int(self.problem.tables.start[test]) + outcome
        weight = state.weight * self.problem.tables.like[state.active, column]
        total = float(weight.sum())
        if total <= 0.0:
            return None
        kept = weight > FLOOR * total
        done = state.done | 1 << test
        before = state.ever & ~state.done
        at = standing(self.costs, opened, done, before, self._never, state.standing.repairs_done)
        active, weight = state.active[kept], weight[kept]
        return self._keep(
            ProblemState(active, weight / weight.sum(), at, state.ever | 1 << test, done, key)
        )

    def _tried(self, state: ProblemState, repair: int) -> ProblemState | None:
        trail, since, _ = _parts(state.key)
        opened = int(self.costs.at(state.standing.open_areas).repair_opens[repair])
        key = ((trail, since, repair), frozenset[tuple[int, int]](), opened)
        if key in self._states:
            return self._states[key]
        weight = self._mended(state, repair) * self.problem.same
        total = float(weight.sum())
        if total <= 0.0:
            return None
        active = np.flatnonzero(weight > FLOOR * total)
        repairs = state.standing.repairs_done + 1
        at = standing(self.costs, opened, 0, state.ever, self._never, repairs)
        kept = weight[active]
        return self._keep(ProblemState(active, kept / kept.sum(), at, state.ever, 0, key))

    def _mended(self, state: ProblemState, repair: int) -> Floats:
        """(sets,) probabilities after a repair, whatever the check shows."""
        p = self.problem
        found = np.zeros(p.n_sets)
        _mend(p.after[repair], p.bad[repair], p.joined, state.active, state.weight, found)
        return found

    def _keep(self, state: ProblemState) -> ProblemState:
        if len(self._states) >= MOST_STATES:
            self._states.clear()
            self.start.later.clear()
        self._states[state.key] = state
        return state


def _parts(key: Hashable) -> tuple[Any, frozenset[tuple[int, int]], int]:
    """Trail of repairs, findings since the last one, open areas."""
    return key  # type: ignore[return-value]


@njit(cache=True, nogil=True)
def _mend(after, bad, joined, active, weight, found):  # type: ignore[no-untyped-def]
    """Move weights to where a repair leads; what a new part brings is spread by its chances."""
    for a in range(active.shape[0]):
        h, left = after[active[a]], weight[a]
        for f in range(bad.shape[0]):
            if bad[f] > 0.0 and joined[h, f] >= 0:
                found[joined[h, f]] += weight[a] * bad[f]
                left -= weight[a] * bad[f]
        found[h] += left
