"""Measuring along the wiring, from the battery to the load, as the trade teaches it.

What a good technician knows without a computer: which measuring points lie on the way to what is
complained about, what each must read with everything good, and, by exclusion, which single faults
are still left after what he has found. He does not know how likely each is to the last digit, nor
that a reading not yet taken must come out good because of something found elsewhere. So

1. he looks and listens from the seat, then measures from the battery outwards, point by point,
   leaving out nothing but what lies behind a dead point, until the volts are lost: until no point
   on the way can tell apart what is left;
2. he looks closer at what is left, the quickest test first, as long as it is quicker than the
   repair he would begin with;
3. he repairs what is left, with the odds in mind as everybody else, and after a repair in vain
   goes on where he was.

Common practice, no source. A finding is trusted as long as the fault it speaks against is less
than `TRUSTED` times as well in line with all findings as the best.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.known import SHOWS
from diagnose.decision.policies import MOST_REPAIRS, look, repair_action

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.decision.policies import View
    from diagnose.decision.problem import DecisionProblem, Ints
    from diagnose.decision.state import Bench, State

TRUSTED = 0.05
"""Slips are rarer than this, so one plain finding excludes; an unclear one does not. Estimate."""


@dataclass(frozen=True, slots=True, eq=False)
class Wiring:
    """What the wiring diagram tells.

    Attributes:
        single: (hypotheses,) whether it is one fault that gives the complaint by itself.
        shows: (hypotheses, tests) likeliest outcome of each test.
        good: (tests,) the same with everything good.
        on_the_way: tests in the order of the wiring; see `_on_the_way`.
    """

    single: NDArray[np.bool_]
    shows: NDArray[np.int64]
    good: NDArray[np.int64]
    on_the_way: tuple[int, ...]


def read_wiring(problem: DecisionProblem) -> Wiring:
    """The wiring as a technician reads it, for one complaint."""
    like, start = problem.tables.like, problem.tables.start
    faults = np.count_nonzero(problem.tables.faults_of >= 0, axis=1)
    shows = np.empty((problem.n_hypotheses, problem.n_tests), dtype=np.int64)
    for test in range(problem.n_tests):
        shows[:, test] = like[:, start[test] : start[test + 1]].argmax(axis=1)
    good = shows[np.argmin(faults)]
    single = (faults == 1) & (problem.same >= SHOWS) & (problem.prior > 0.0)
    return Wiring(single, shows, good, _on_the_way(problem.tests.order, shows[single], good))


def _on_the_way(
    order: tuple[int, ...], shows: NDArray[np.int64], good: NDArray[np.int64]
) -> tuple[int, ...]:
    """Points that some fault makes read otherwise, each once.

    Beyond a branch, and with a lamp after the meter, one may find nothing that an earlier point
    has not told, whichever single fault it is: such points are left out.
    """
    found: list[int] = []
    for test in order:
        told = any(_follows(shows[:, test], shows[:, before]) for before in found)
        if (shows[:, test] != good[test]).any() and not told:
            found.append(test)
    return tuple(found)


def _follows(one: NDArray[np.int64], other: NDArray[np.int64]) -> bool:
    """Whether the outcome of the other test settles that of the one, whichever fault it is."""
    return all(np.ptp(one[other == outcome]) == 0 for outcome in np.unique(other))


class SourceToLoad:
    """The policy."""

    def __init__(self) -> None:
        """The wiring of a problem is read when its first job comes."""
        self._read: dict[int, tuple[DecisionProblem, Wiring]] = {}

    def decide(self, bench: Bench, state: State) -> int:
        """See `diagnose.decision.policies.Policy`."""
        view, p = look(bench, state), bench.problem
        repair = repair_action(p, state, view)
        wiring = self._wiring(p)
        left = _left(p, wiring, state)
        faults = p.tables.faults_of[left, 0]
        sure = bool(p.repairs.fixes[:, faults].all(axis=1).any())
        if state.repairs_done >= MOST_REPAIRS or not len(left) or sure:
            return repair
        test = _next_point(wiring, view, wiring.shows[left])
        if test < 0:
            test = _closer_look(view, wiring.shows[left], bench.minutes(state, repair))
        return test if test >= 0 else repair

    def _wiring(self, problem: DecisionProblem) -> Wiring:
        if id(problem) not in self._read:
            self._read[id(problem)] = problem, read_wiring(problem)
        return self._read[id(problem)][1]


def _left(problem: DecisionProblem, wiring: Wiring, state: State) -> Ints:
    """Single faults that what was found has not excluded."""
    rows = wiring.single[state.active]
    one = state.active[rows]
    fits = state.weight[rows] / problem.prior[one]
    found: Ints = one[fits >= TRUSTED * fits.max(initial=0.0)]
    return found


def _next_point(wiring: Wiring, view: View, shows: NDArray[np.int64]) -> int:
    """The next point to measure; -1 when the volts are lost, or all is measured."""
    alike = (shows == shows[0]).all(axis=0)
    ahead = [test for test in wiring.on_the_way if view.allowed[test]]
    if all(alike[test] for test in ahead):
        return -1
    behind = alike & (shows[0] != wiring.good)
    return next(test for test in ahead if not behind[test])


def _closer_look(view: View, shows: NDArray[np.int64], repair_minutes: float) -> int:
    """The quickest test that tells apart what is left, if quicker than the repair; else -1."""
    telling = view.allowed & (shows != shows[0]).any(axis=0) & (view.minutes < repair_minutes)
    tests = np.flatnonzero(telling)
    return int(tests[np.argmin(view.minutes[tests])]) if len(tests) else -1
