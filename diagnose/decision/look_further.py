"""A look further ahead than one test: minutes left, the best of the leading actions, what follows.

The jobs that a belief may be are played to their end under the gate, the same ones for each of the
leading actions, until the time given is used up. What is wrong is drawn from the whole belief; the
gate that decides holds a thinned one, so what is played is a way of deciding that could be carried
out, and the minutes are no guess at its cost but an unbiased sample of it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.expected import Expected
from diagnose.decision.likely_steps import next_steps
from diagnose.decision.ninetieth import equal_atoms, ninetieth
from diagnose.decision.play import Dice, job_generator, play
from diagnose.decision.policies import Gate, look
from diagnose.decision.rollout import candidates
from diagnose.decision.state import Bench
from diagnose.decision.thinning import thinned

if TYPE_CHECKING:
    from diagnose.decision.likely_steps import Step
    from diagnose.decision.problem import DecisionProblem, Floats

LEADING = 2
"""Tests taken from each ranking for a closer look."""

HELD_PER_SECOND, LEAST_HELD, HELD = 10_000.0, 400, 1000
"""Hypotheses that the gate holds, by the time it has, and at least and at most. With 600 the jobs
of the shipped machines take up to 1 minute longer than with all of them."""

SURE, TO_DIFFER = 2.0, 20
"""Standard errors by which another action must be better than the gate's, and jobs that it takes to
know them."""

LIGHT = 1e-7
"""Hypotheses with a smaller share of the belief do not count for its spread."""

GOLDEN = 0.6180339887498949
"""Jobs draw what is wrong at multiples of this, modulo 1: evenly, however many there are."""

GATE_ALONE, PLAYING = 0.4, 0.75
"""Parts of the time by which the gate's own jobs, and all playing, are over; the rest goes into
what is read off them."""

FEWEST, FEWEST_OF_EACH, MOST = 4, 3, 2000
"""Jobs played at least, however little time there is: for the gate, and for each of the leading
actions; and at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Where a look begins.

    Attributes:
        belief: (hypotheses,) weights.
        open_areas: areas that stand open, as bits.
        done: tests done since the last repair, as bits.
        before: tests done before that, as bits.
        never: tests that cannot be done on this job, as bits.
    """

    belief: Floats
    open_areas: int = 0
    done: int = 0
    before: int = 0
    never: int = 0


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
    problem: DecisionProblem,
    belief: Floats | None = None,
    start: Start | None = None,
    *,
    known: Floats | None = None,
    budget_seconds: float = 0.05,
    follow_up_to: int = 0,
) -> LookAhead:
    """Play the jobs that a belief may be.

    Args:
        problem: of the machine and the complaint.
        belief: (hypotheses,) weights; default: as the job begins.
        start: the same with what is open and done.
        known: (hypotheses,) `KnownMinutes.table` of the problem. With it the mean of what a job
            would take if one knew is exact and only the rest is sampled, which cuts the error to
            a third or so.
        budget_seconds: when to stop, two fifths of it for the gate alone; at least
            `FEWEST` jobs are played for the gate, `FEWEST_OF_EACH` for each action.
        follow_up_to: in a problem of no more hypotheses every outcome is followed instead.
    """
    began = time.perf_counter()
    begin = start or Start(problem.prior if belief is None else belief)
    bench = _bench(problem, begin, int(budget_seconds * HELD_PER_SECOND))
    gate = Expected(bench, Gate())
    found = candidates(bench, bench.start, look(bench, bench.start), LEADING)
    if problem.n_hypotheses <= follow_up_to:
        seen = _followed(bench, gate, found)
    else:
        jobs = _Jobs(bench, gate, begin.belief, known)
        seen = _sampled(jobs, found, began, budget_seconds)
    names = [problem.action_name(action) for action in found]
    return LookAhead(
        minutes_left=seen.minutes_left,
        error=seen.error,
        p90_minutes=seen.p90,
        p90_error=seen.p90_error,
        actions=tuple(map(ActionAhead, names, seen.means, seen.errors)),
        best=names[seen.best],
        and_then=next_steps(bench, gate),
        after_best=next_steps(bench, gate, 3, found[seen.best]),
        jobs=seen.jobs,
        seconds=time.perf_counter() - began,
    )


def _bench(problem: DecisionProblem, begin: Start, held_in_time: int) -> Bench:
    """A bench whose jobs begin there, the gate holding a thinned belief."""
    most = min(max(held_in_time, LEAST_HELD), HELD)
    bench = Bench(problem, never=begin.never)
    held = thinned(begin.belief, most)
    state = bench.begin(held, begin.open_areas, begin.done, begin.before)
    return Bench.beginning_at(bench, state)


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


def _followed(bench: Bench, gate: Expected, actions: list[int]) -> _Seen:
    """Every outcome followed: no error, and the best is never worse than the gate's."""
    means = [gate.minutes_with(bench.start, action) for action in actions]
    ways = np.array(sorted(gate.spread(bench.start, actions[0])))
    reached = np.cumsum(ways[:, 1]) >= 0.9 * ways[:, 1].sum()
    p90 = float(ways[int(np.argmax(reached)), 0])
    return _Seen(means[0], 0.0, p90, 0.0, means, [0.0] * len(means), int(np.argmin(means)), 0)


def _sampled(jobs: _Jobs, actions: list[int], began: float, budget_seconds: float) -> _Seen:
    """As many jobs as there is time for."""
    first, plain = jobs.played(actions[:1], began + GATE_ALONE * budget_seconds, FEWEST)
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
    """The jobs that a belief may be, numbered; the same number is the same job every time."""

    def __init__(self, bench: Bench, gate: Expected, belief: Floats, known: Floats | None) -> None:
        """For a bench, its gate and the whole belief."""
        self._bench = bench
        self._gate = gate
        self._ends = np.cumsum(belief / belief.sum())
        self._known = known
        self._mean = 0.0 if known is None else float((belief * known).sum() / belief.sum())

    def dice(self, number: int) -> Dice:
        """The random numbers of a job; what is wrong is spread evenly over the belief."""
        one = Dice.throw(self._bench.problem, self._ends, job_generator(number, 0))
        place = (0.5 + number * GOLDEN) % 1.0 * self._ends[-1]
        drawn = int(np.searchsorted(self._ends, place, side="right"))
        return replace(one, hypothesis=min(drawn, len(self._ends) - 1))

    def known_of(self, jobs: int) -> Floats | None:
        """(jobs,) minutes of the first jobs if one knew what is wrong."""
        if self._known is None:
            return None
        found: Floats = self._known[[self.dice(number).hypothesis for number in range(jobs)]]
        return found

    def atoms(self) -> Floats | None:
        """Minutes if one knew, over the whole belief."""
        if self._known is None:
            return None
        shares = np.diff(self._ends, prepend=0.0)
        heavy = shares > LIGHT
        return equal_atoms(shares[heavy], self._known[heavy])

    def played(self, actions: list[int], until: float, fewest: int) -> tuple[Floats, Floats]:
        """Play as many jobs as time allows, and a few in any case.

        Returns:
            (actions, jobs) minutes with the mean of `known` put right, and (jobs,) those of the
            first action as they are.
        """
        columns, plain = list[list[float]](), list[float]()
        while len(columns) < MOST and (len(columns) < fewest or time.perf_counter() < until):
            dice = self.dice(len(columns))
            surplus = 0.0
            if self._known is not None:
                surplus = self._mean - float(self._known[dice.hypothesis])
            bench, decide = self._bench, self._gate.action
            spent = [play(bench, decide, dice, action=one).minutes for one in actions]
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
