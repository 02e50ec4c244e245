"""A look further ahead than one test: minutes left, the best of the leading actions, what follows.

The jobs that a belief may be are played to their end under the gate, the same ones for each of the
leading actions, until the time given is used up. Both what is wrong and what the gate holds come
from a belief thinned without bias, so what is played is a way of deciding that could be carried
out, and the minutes are no guess at its cost but a sample of it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.expected import Expected
from diagnose.ahead.known import KnownMinutes, ProblemCure
from diagnose.ahead.likely_steps import next_steps
from diagnose.ahead.ninetieth import equal_atoms, ninetieth
from diagnose.ahead.play import Dice, job_generator, play
from diagnose.ahead.policies import Gate
from diagnose.ahead.rollout import candidates
from diagnose.ahead.world import ProblemWorld

if TYPE_CHECKING:
    from diagnose.ahead.bench import Bench
    from diagnose.ahead.likely_steps import Step
    from diagnose.ahead.state import ProblemBench

Floats = NDArray[np.float64]

LEADING = 2
"""Tests taken from each ranking for a closer look."""

HELD_PER_SECOND, LEAST_HELD, HELD = 10_000.0, 400, 1000
"""Fault sets that the gate holds, by the time it has, and at least and at most. With 600 the jobs
of the shipped machines take up to 1 minute longer than with all of them."""

SURE, TO_DIFFER = 2.0, 20
"""Standard errors by which another action must be better than the gate's, and jobs that it takes to
know them."""

GOLDEN = 0.6180339887498949
"""Jobs draw what is wrong at multiples of this, modulo 1: evenly, however many there are."""

GATE_ALONE, PLAYING = 0.4, 0.75
"""Parts of the time by which the gate's own jobs, and all playing, are over; the rest goes into
what is read off them."""

FEWEST, FEWEST_OF_EACH, MOST = 4, 3, 2000
"""Jobs played at least, however little time there is: for the gate, and for each of the leading
actions; and at most."""


@dataclass(frozen=True, slots=True)
class ActionAhead:
    """One action with what it leads to.

    Attributes:
        action: test id, `part.repair` or `escalate`.
        minutes: expected, itself included, to the end of the job.
        error: Monte-Carlo standard error of that, minutes.
    """

    action: str
    minutes: float
    error: float


@dataclass(frozen=True, slots=True)
class LookAhead:
    """What a closer look gave.

    Attributes:
        minutes_left: expected minutes to the end of the job, under the gate.
        error: Monte-Carlo standard error of that, minutes; 0 when every outcome was followed.
        p90_minutes: nine jobs in ten are over by then.
        p90_error: standard error of that, by bootstrap.
        actions: the leading actions, the gate's first.
        best: the one to do: the gate's unless another is better beyond the error.
        and_then: the gate's likeliest next two steps.
        after_best: the same when the best one is done first, that one included: three steps.
        jobs: how many were played for the gate; for each other action about a third of that.
            0 when every outcome was followed.
        seconds: what it took.
    """

    minutes_left: float
    error: float
    p90_minutes: float
    p90_error: float
    actions: tuple[ActionAhead, ...]
    best: str
    and_then: tuple[Step, ...]
    after_best: tuple[Step, ...]
    jobs: int
    seconds: float


def look_further(
    bench: Bench[Any], *, budget_seconds: float = 0.05, follow_up_to: int = 0, fewest: int = FEWEST
) -> LookAhead:
    """Play the jobs that a belief may be.

    Args:
        bench: where the job stands.
        budget_seconds: when to stop, two fifths of it for the gate alone; at least
            `fewest` jobs are played for the gate, `FEWEST_OF_EACH` for each action.
        follow_up_to: in a problem of no more fault sets every outcome is followed instead.
        fewest: jobs played for the gate however little time there is.
    """
    began = time.perf_counter()
    found = candidates(bench, bench.start, LEADING)
    most = min(max(int(budget_seconds * HELD_PER_SECOND), LEAST_HELD), HELD)
    ahead = bench.thinned(bench.start, most)
    gate = Expected(ahead, Gate())
    if ahead.problem.n_sets <= follow_up_to:
        seen = _followed(ahead, gate, found)
    else:
        seen = _sampled(_Jobs(ahead, gate), found, began, budget_seconds, fewest)
    names = [bench.costs.action_name(action) for action in found]
    return LookAhead(
        minutes_left=seen.minutes_left,
        error=seen.error,
        p90_minutes=seen.p90,
        p90_error=seen.p90_error,
        actions=tuple(map(ActionAhead, names, seen.means, seen.errors)),
        best=names[seen.best],
        and_then=next_steps(ahead, gate, 2, found[0]),
        after_best=next_steps(ahead, gate, 3, found[seen.best]),
        jobs=seen.jobs,
        seconds=time.perf_counter() - began,
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """The numbers of a `LookAhead`; `best` is a row of the actions."""

    minutes_left: float
    error: float
    p90: float
    p90_error: float
    means: list[float]
    errors: list[float]
    best: int
    jobs: int


def _followed(bench: ProblemBench, gate: Expected, actions: list[int]) -> _Seen:
    """Every outcome followed: no error, and the best is never worse than the gate's."""
    means = [gate.minutes_with(bench.start, action) for action in actions]
    ways = np.array(sorted(gate.spread(bench.start, actions[0])))
    reached = np.cumsum(ways[:, 1]) >= 0.9 * ways[:, 1].sum()
    p90 = float(ways[int(np.argmax(reached)), 0])
    return _Seen(means[0], 0.0, p90, 0.0, means, [0.0] * len(means), int(np.argmin(means)), 0)


def _sampled(
    jobs: _Jobs, actions: list[int], began: float, budget_seconds: float, fewest: int
) -> _Seen:
    """As many jobs as there is time for."""
    first, plain = jobs.played(actions[:1], began + GATE_ALONE * budget_seconds, fewest)
    minutes, _ = jobs.played(actions, began + PLAYING * budget_seconds, FEWEST_OF_EACH)
    p90, p90_error = ninetieth(plain, jobs.known_of(len(plain)), jobs.atoms())
    return _Seen(
        minutes_left=float(first.mean()),
        error=float(_error(first)[0]),
        p90=p90,
        p90_error=p90_error,
        means=minutes.mean(axis=1).tolist(),
        errors=_error(minutes).tolist(),
        best=_best(minutes),
        jobs=first.shape[1],
    )


class _Jobs:
    """The jobs that a belief may be, numbered; the same number is the same job every time.

    What a job would take if one knew what is wrong is known exactly on the mean, so only the rest
    is sampled, which cuts the error to a third or so.
    """

    def __init__(self, bench: ProblemBench, gate: Expected) -> None:
        """For a bench and its gate."""
        self._bench = bench
        self._gate = gate
        self._world = ProblemWorld(bench.problem)
        self._ends = np.cumsum(bench.problem.prior)
        opened = bench.start.standing.open_areas
        known = KnownMinutes(ProblemCure(bench.problem))
        prior = bench.problem.prior
        self._held = np.flatnonzero(prior > 0.0)
        self._known = np.zeros(len(prior))
        self._known[self._held] = [known(row, opened) for row in self._held.tolist()]
        self._mean = float(prior @ self._known)

    def dice(self, number: int) -> Dice:
        """The random numbers of a job; what is wrong is spread evenly over the belief."""
        place = (0.5 + number * GOLDEN) % 1.0 * self._ends[-1]
        drawn = int(np.searchsorted(self._ends, place, side="right"))
        truth = min(drawn, len(self._ends) - 1)
        return Dice.throw(truth, self._bench.costs.n_tests, job_generator(number, 0))

    def known_of(self, jobs: int) -> Floats:
        """(jobs,) minutes of the first jobs if one knew what is wrong."""
        found: Floats = self._known[[self.dice(number).truth for number in range(jobs)]]
        return found

    def atoms(self) -> Floats:
        """Minutes if one knew, over the whole belief."""
        return equal_atoms(self._bench.problem.prior[self._held], self._known[self._held])

    def played(self, actions: list[int], until: float, fewest: int) -> tuple[Floats, Floats]:
        """Play as many jobs as time allows, and a few in any case.

        Returns:
            (actions, jobs) minutes with the mean of `known` put right, and (jobs,) those of the
            first action as they are.
        """
        columns, plain = list[list[float]](), list[float]()
        while len(columns) < MOST and (len(columns) < fewest or time.perf_counter() < until):
            dice = self.dice(len(columns))
            surplus = self._mean - float(self._known[dice.truth])
            spent = [
                play(self._bench, self._world, self._gate.action, dice, action).minutes
                for action in actions
            ]
            plain.append(spent[0])
            columns.append([minutes + surplus for minutes in spent])
        return np.array(columns).T, np.array(plain)


def _error(minutes: Floats) -> Floats:
    found: Floats = minutes.std(axis=1, ddof=1) / np.sqrt(minutes.shape[1])
    return found


def _best(minutes: Floats) -> int:
    """The first row unless another one is smaller beyond the error of the difference.

    A handful of jobs says too little about the error itself to leave the gate for.
    """
    if minutes.shape[1] < TO_DIFFER:
        return 0
    saved = minutes[0] - minutes
    sure = saved.mean(axis=1) - SURE * saved.std(axis=1, ddof=1) / np.sqrt(minutes.shape[1])
    best = int(np.argmax(sure))
    return best if sure[best] > 0.0 else 0
