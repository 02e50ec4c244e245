"""States of a job and how they follow from each other, each worked out once."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision import kernels
from diagnose.decision.access import AccessBook

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.decision.access import Access
    from diagnose.decision.problem import DecisionProblem, Floats, Ints

FLOOR = 1e-9
"""Hypotheses with a smaller share of the probability are dropped."""

MOST_STATES = 40_000
"""So many states are kept before all are forgotten and worked out anew."""

UNDECIDED = -1


@dataclass(slots=True, eq=False)
class State:
    """What is known, what is open, what was done.

    Attributes:
        active: (n,) hypotheses that are still possible.
        weight: (n,) their probabilities.
        open_areas: areas that stand open, as bits.
        barred: (tests,) tests that cannot be done (again) now.
        ever: tests ever done, as bits.
        repairs_done: how many repairs were tried.
        key: the same for the same findings and repairs, whatever the order within an epoch.
        action: what the policy does here, -1 before it was asked.
        later: what follows, by (action, outcome).
    """

    active: Ints
    weight: Floats
    open_areas: int
    barred: NDArray[np.bool_]
    ever: int
    repairs_done: int
    key: tuple[object, int, int]
    action: int = UNDECIDED
    later: dict[tuple[int, int], State | None] = field(default_factory=dict)


class Bench:
    """A problem with its states; what they are depends on nothing but the problem.

    Attributes:
        problem: the problem.
        access: costs by open areas.
        never: tests that cannot be done on this job at all, as bits.
        start: the state as the job begins.
    """

    def __init__(
        self, problem: DecisionProblem, access: AccessBook | None = None, never: int = 0
    ) -> None:
        """For a problem; `access` is what another bench of the same problem has worked out."""
        self.problem = problem
        self.access = access or AccessBook(problem)
        self.never = never
        self._barred_for_good = _flags(never, problem.n_tests)
        self._place = _places(problem)
        self._needing = [(t, needs) for t, needs in enumerate(problem.tests.needs) if needs]
        self._states: dict[tuple[object, int, int], State] = {}
        self.start = self.begin(problem.prior)

    def begin(self, belief: Floats, open_areas: int = 0, done: int = 0, before: int = 0) -> State:
        """A state to begin in.

        Args:
            belief: (hypotheses,) weights.
            open_areas: areas that stand open, as bits.
            done: tests done since the last repair, as bits.
            before: tests done before that.
        """
        active = np.flatnonzero(belief > FLOOR * belief.sum()).astype(np.int32)
        weight = belief[active] / belief[active].sum()
        ever = done | before
        past = _flags(before, self.problem.n_tests) & ~self.problem.tests.again
        barred = _flags(done, self.problem.n_tests) | past | self._barred_for_good
        self._bar_needing(barred, ever)
        return State(active, weight, open_areas, barred, ever, 0, ((), 0, open_areas))

    @classmethod
    def beginning_at(cls, bench: Bench, state: State) -> Bench:
        """A bench of its own whose jobs begin in a state of another one."""
        found = cls(bench.problem, bench.access, bench.never)
        found.start = replace(state, key=((), 0, state.open_areas), action=UNDECIDED, later={})
        return found

    def at(self, state: State) -> Access:
        """What everything costs in a state."""
        return self.access.at(state.open_areas)

    def after_test(self, state: State, test: int, outcome: int) -> State | None:
        """The state after a test gave an outcome; None when that cannot be."""
        step = (test, outcome)
        if step not in state.later:
            state.later[step] = self._observe(state, test, outcome)
        return state.later[step]

    def after_repair(self, state: State, repair: int) -> State | None:
        """The state after a repair that did not end the complaint; None when that cannot be."""
        step = (self.problem.n_tests + repair, 0)
        if step not in state.later:
            state.later[step] = self._mend(state, repair)
        return state.later[step]

    def minutes(self, state: State, action: int) -> float:
        """What an action costs in a state."""
        if action == self.problem.escalate:
            return self.problem.escalate_minutes
        if action < self.problem.n_tests:
            return float(self.at(state).test_minutes[action])
        return float(self.at(state).repair_minutes[action - self.problem.n_tests])

    def _observe(self, state: State, test: int, outcome: int) -> State | None:
        tables = self.problem.tables
        trail, code, _ = state.key
        opened = int(self.at(state).test_opens[test])
        key = (trail, code + self._place[test] * (outcome + 1), opened)
        known = self._states.get(key)
        if known is not None:
            return known
        column = int(tables.start[test]) + outcome
        active, weight, chance = kernels.observe(
            tables.like, state.active, state.weight, column, FLOOR
        )
        if chance <= 0.0:
            return None
        barred = state.barred.copy()
        barred[test] = True
        ever = state.ever | 1 << test
        self._free_needing(barred, state.ever, ever)
        found = State(active, weight, opened, barred, ever, state.repairs_done, key)
        return self._keep(found)

    def _mend(self, state: State, repair: int) -> State | None:
        p, tests = self.problem, self.problem.tests
        opened = int(self.at(state).repair_opens[repair])
        trail, code, _ = state.key
        key = ((trail, code, repair), 0, opened)
        known = self._states.get(key)
        if known is not None:
            return known
        active, weight, chance = kernels.after_repair(
            p.repairs.after[repair],
            p.repairs.bad[repair],
            p.repairs.joined,
            p.same,
            state.active,
            state.weight,
            FLOOR,
        )
        if chance <= 0.0:
            return None
        barred = (state.barred & ~tests.again) | self._barred_for_good
        self._bar_needing(barred, state.ever)
        done = state.repairs_done + 1
        return self._keep(State(active, weight, opened, barred, state.ever, done, key))

    def _keep(self, state: State) -> State:
        if len(self._states) >= MOST_STATES:
            self.forget()
        self._states[state.key] = state
        return state

    def forget(self) -> None:
        """Forget all states but the first."""
        self._states.clear()
        self.start.later.clear()

    def _bar_needing(self, barred: NDArray[np.bool_], ever: int) -> None:
        for test, needs in self._needing:
            if needs & ~ever:
                barred[test] = True

    def _free_needing(self, barred: NDArray[np.bool_], before: int, ever: int) -> None:
        for test, needs in self._needing:
            if needs & ~before and not needs & ~ever:
                barred[test] = self._barred_for_good[test]


def _flags(bits: int, n: int) -> NDArray[np.bool_]:
    """(n,) the bits of a number."""
    return np.array([bool(bits >> one & 1) for one in range(n)], dtype=bool)


def _places(problem: DecisionProblem) -> list[int]:
    """Place value of each test, so that a sum encodes a set of findings."""
    places, value = [], 1
    for test in range(problem.n_tests):
        places.append(value)
        value *= problem.n_outcomes(test) + 1
    return places
