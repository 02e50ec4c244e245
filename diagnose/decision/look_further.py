"""A look further ahead than one test: minutes left, the best of the leading actions, what follows.

The jobs that a belief may be are played to their end under the gate, the same ones for each of the
leading actions, until the time given is used up.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.expected import Expected
from diagnose.decision.play import Dice, play
from diagnose.decision.policies import Gate, look
from diagnose.decision.rollout import SURE, candidates
from diagnose.decision.state import Bench

if TYPE_CHECKING:
    from diagnose.decision.problem import DecisionProblem, Floats
    from diagnose.decision.state import State

LEADING = 2
"""Tests taken from each ranking for a closer look."""

KEPT = 0.995
"""The likeliest hypotheses with so much of the probability are played; the rest only take time."""

FEWEST, MOST = 4, 2000
"""Jobs played at least, however little time there is, and at most."""


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
class Step:
    """A likely step.

    Attributes:
        action: test id, `part.repair` or `escalate`.
        outcome: its likeliest outcome, by number; for a repair 0 when the complaint is likely to
            stay, 1 when it is likely to be gone; -1 for handing over.
        probability: that all comes this way up to and with this outcome.
    """

    action: str
    outcome: int
    probability: float


@dataclass(frozen=True, slots=True)
class LookAhead:
    """What a closer look gave.

    Attributes:
        minutes_left: expected minutes to the end of the job, under the gate.
        error: Monte-Carlo standard error of that, minutes.
        p90_minutes: nine jobs in ten are over by then.
        p90_error: standard error of that (half the width of the one-sigma order statistics).
        actions: the leading actions, the gate's first.
        best: the one to do: the gate's unless another is better beyond the error.
        and_then: the gate's likeliest next two steps.
        jobs: how many were played for the gate; for each other action about a third of that.
        seconds: what it took.
    """

    minutes_left: float
    error: float
    p90_minutes: float
    p90_error: float
    actions: tuple[ActionAhead, ...]
    best: str
    and_then: tuple[Step, ...]
    jobs: int
    seconds: float


def look_further(
    problem: DecisionProblem,
    belief: Floats | None = None,
    open_areas: int = 0,
    done: int = 0,
    *,
    known: Floats | None = None,
    budget_seconds: float = 0.05,
) -> LookAhead:
    """Play the jobs that a belief may be.

    Args:
        problem: of the machine and the complaint.
        belief: (hypotheses,) weights; default: as the job begins.
        open_areas: areas that stand open, as bits.
        done: tests done already, as bits.
        known: (hypotheses,) `KnownMinutes.table` of the problem. With it the mean of what a job
            would take if one knew is exact and only the rest is sampled, which cuts the error to
            a third or so.
        budget_seconds: when to stop, half of it for the gate alone; at least `FEWEST` jobs are
            played for each action.
    """
    began = time.perf_counter()
    weights = likeliest(problem.prior if belief is None else belief)
    bench = Bench(problem)
    bench = Bench.beginning_at(bench, bench.begin(weights, open_areas, done))
    gate = Expected(bench, Gate())
    found = candidates(bench, bench.start, look(bench, bench.start), LEADING)
    first = _played(bench, gate, found[:1], began + budget_seconds / 2.0, known)
    minutes = _played(bench, gate, found, began + budget_seconds, known)
    error = _error(minutes)
    p90, p90_error = _p90(_played_again(bench, gate, found[0], first.shape[1]))
    return LookAhead(
        minutes_left=float(first.mean()),
        error=float(_error(first)[0]),
        p90_minutes=p90,
        p90_error=p90_error,
        actions=tuple(
            ActionAhead(problem.action_name(action), float(row.mean()), float(e))
            for action, row, e in zip(found, minutes, error, strict=True)
        ),
        best=problem.action_name(found[_best(minutes)]),
        and_then=next_steps(bench, gate),
        jobs=first.shape[1],
        seconds=time.perf_counter() - began,
    )


def likeliest(belief: Floats, kept: float = KEPT) -> Floats:
    """The belief without the least likely hypotheses, which share what is not kept."""
    order = np.argsort(-belief, kind="stable")
    before = np.cumsum(belief[order]) - belief[order]
    found = belief.copy()
    found[order[before >= kept * belief.sum()]] = 0.0
    return found


def _played(
    bench: Bench, gate: Expected, actions: list[int], until: float, known: Floats | None
) -> Floats:
    """(actions, jobs) minutes of the same jobs for every action, as many as time allows."""
    state, columns = bench.start, list[list[float]]()
    expected = 0.0 if known is None else float(state.weight @ known[state.active])
    while len(columns) < MOST and (len(columns) < FEWEST or time.perf_counter() < until):
        dice = Dice.of_state(bench.problem, state, len(columns))
        surplus = 0.0 if known is None else expected - float(known[dice.hypothesis])
        columns.append(
            [play(bench, gate.action, dice, action=one).minutes + surplus for one in actions]
        )
    return np.array(columns).T


def _played_again(bench: Bench, gate: Expected, action: int, jobs: int) -> Floats:
    """(jobs,) minutes of the same jobs as they are; everything on the way is known by now."""
    dice = (Dice.of_state(bench.problem, bench.start, k) for k in range(jobs))
    return np.array([play(bench, gate.action, one, action=action).minutes for one in dice])


def _error(minutes: Floats) -> Floats:
    found: Floats = minutes.std(axis=1, ddof=1) / np.sqrt(minutes.shape[1])
    return found


def _best(minutes: Floats) -> int:
    """The first row unless another one is smaller beyond the error of the difference."""
    saved = minutes[0] - minutes
    sure = saved.mean(axis=1) - SURE * saved.std(axis=1, ddof=1) / np.sqrt(minutes.shape[1])
    best = int(np.argmax(sure))
    return best if sure[best] > 0.0 else 0


def _p90(minutes: Floats) -> tuple[float, float]:
    x = np.sort(minutes)
    n = len(x)
    half = np.sqrt(n * 0.9 * 0.1)
    low = int(np.clip(np.floor(0.9 * n - half), 0, n - 1))
    high = int(np.clip(np.ceil(0.9 * n + half), 0, n - 1))
    return float(np.quantile(x, 0.9)), float(x[high] - x[low]) / 2.0


def next_steps(bench: Bench, gate: Expected, count: int = 2) -> tuple[Step, ...]:
    """The gate's likeliest way from the start: at each step the likeliest outcome."""
    p, state, share = bench.problem, bench.start, 1.0
    found: list[Step] = []
    for _ in range(count):
        action = gate.action(state)
        after: State | None = None
        outcome = -1
        if action < p.n_tests:
            columns = slice(int(p.tables.start[action]), int(p.tables.start[action + 1]))
            chances = state.weight @ p.tables.like[state.active, columns]
            outcome = int(np.argmax(chances))
            share *= float(chances[outcome])
            after = bench.after_test(state, action, outcome)
        elif action != p.escalate:
            same = gate.chance_same(state, action - p.n_tests)
            outcome = int(same < 0.5)
            share *= max(same, 1.0 - same)
            after = bench.after_repair(state, action - p.n_tests) if outcome == 0 else None
        found.append(Step(p.action_name(action), outcome, share))
        if after is None:
            break
        state = after
    return tuple(found)
