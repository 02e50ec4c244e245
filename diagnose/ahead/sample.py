"""The jobs that a belief may be, played under a policy: their mean minutes and 90th percentile."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.play import Dice, job_generator, play
from diagnose.ahead.world import KnownMinutes, ProblemWorld
from diagnose.stop import go_on
from diagnose.sums import inner

if TYPE_CHECKING:
    from diagnose.ahead.expected import Expected
    from diagnose.ahead.state import ProblemBench

Floats = NDArray[np.float64]

GOLDEN = 0.6180339887498949
"""Jobs draw what is wrong at multiples of this, modulo 1: evenly, however many there are."""

MOST = 2000
"""Jobs played at most."""

SHARE = 0.9
ENOUGH = 100
"""From so many jobs on the sample's own quantile is taken."""

ATOMS = 200
"""Minutes if one knew, told by so many equally likely values."""

RESAMPLED = 60
"""Bootstrap samples for the error."""


class Jobs:
    """The jobs that a belief may be, numbered; the same number is the same job every time.

    What a job would take if one knew what is wrong is known exactly on the mean, so only the rest
    is sampled, which cuts the error to a third or so.
    """

    def __init__(self, bench: ProblemBench, gate: Expected, seed: int = 0) -> None:
        """Works out what each fault set would take if one knew.

        Args:
            bench: where the job stands.
            gate: the policy.
            seed: other jobs for another one.
        """
        self._seed = seed
        self._bench = bench
        self._gate = gate
        self._world = ProblemWorld(bench.problem)
        self._ends = np.cumsum(bench.problem.prior)
        opened = bench.start.standing.open_areas
        known = KnownMinutes(self._world)
        prior = bench.problem.prior
        self._held = np.flatnonzero(prior > 0.0)
        self._known = np.zeros(len(prior))
        self._known[self._held] = [known(row, opened) for row in self._held.tolist()]
        self._mean = inner(prior, self._known)

    def _dice(self, number: int) -> Dice:
        """The random numbers of a job; what is wrong is spread evenly over the belief."""
        place = (0.5 + (number + MOST * self._seed) * GOLDEN) % 1.0 * self._ends[-1]
        drawn = int(np.searchsorted(self._ends, place, side="right"))
        truth = min(drawn, len(self._ends) - 1)
        return Dice.throw(truth, self._bench.costs.n_tests, job_generator(number, self._seed))

    def played(self, actions: list[int], until: float, fewest: int) -> tuple[Floats, Floats]:
        """Play as many jobs as time allows, and a few in any case.

        Returns:
            (actions, jobs) minutes with the mean of those if one knew put right, and (jobs,) those
            of the first action as they are.
        """
        columns, plain = list[list[float]](), list[float]()
        while len(columns) < MOST and (len(columns) < fewest or time.perf_counter() < until):
            go_on()
            dice = self._dice(len(columns))
            surplus = self._mean - float(self._known[dice.truth])
            spent = [
                play(self._bench, self._world, self._gate.action, dice, action).minutes
                for action in actions
            ]
            plain.append(spent[0])
            columns.append([minutes + surplus for minutes in spent])
        return np.array(columns).T, np.array(plain)

    def ninetieth(self, minutes: Floats) -> tuple[float, float]:
        """The 90th percentile of the (jobs,) minutes of the first jobs, and its standard error."""
        known = self._known[[self._dice(number).truth for number in range(len(minutes))]]
        belief = self._bench.problem.prior[self._held]
        return ninetieth(minutes, known, equal_atoms(belief, self._known[self._held]))


def ninetieth(minutes: Floats, known: Floats, atoms: Floats) -> tuple[float, float]:
    """The 90th percentile and its bootstrap standard error (Efron 1979).

    Of a few jobs the tenth that takes longest is no sample at all. Then what a job takes beyond
    the minutes if one knew is taken from the jobs played, and the minutes if one knew from the
    whole belief, as if the two went by themselves; on the shipped machines that is within a tenth
    of what thousands of jobs give.

    Args:
        minutes: (jobs,) of the jobs played.
        known: (jobs,) what each had taken if one knew what is wrong.
        atoms: (ATOMS,) values of the same over the belief; see `equal_atoms`.
    """
    n = len(minutes)
    drawn = np.random.default_rng(n).integers(n, size=(RESAMPLED, n))
    spread = minutes[:, None] if n >= ENOUGH else (minutes - known)[:, None] + atoms
    again = np.quantile(spread[drawn].reshape(RESAMPLED, -1), SHARE, axis=1)
    return float(np.quantile(spread, SHARE)), float(again.std(ddof=1))


def equal_atoms(belief: Floats, known: Floats) -> Floats:
    """(ATOMS,) values that stand for the distribution of `known` minutes over a belief.

    Both are (fault sets,); the belief's weights need not sum to 1.
    """
    order = np.argsort(known, kind="stable")
    ends = np.cumsum(belief[order])
    marks = (np.arange(ATOMS) + 0.5) / ATOMS * ends[-1]
    atoms: Floats = known[order][np.searchsorted(ends, marks)]
    return atoms


def surely_best(minutes: Floats, errors: float) -> int:
    """The first row unless another one is smaller beyond the error of the difference.

    Args:
        minutes: (actions, jobs) of the same jobs.
        errors: standard errors of the difference by which another one must be better.
    """
    saved = minutes[0] - minutes
    error = saved.std(axis=1, ddof=1) / np.sqrt(minutes.shape[1])
    return int(np.argmax(saved.mean(axis=1) - errors * error))
