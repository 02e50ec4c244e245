"""A look further ahead than one test: minutes left, the best of the leading actions, what follows.

The jobs that a belief may be are played to their end under the gate, the same ones for each of the
leading actions, until the time given is used up. Both what is wrong and what the gate holds come
from a belief thinned without bias, so what is played is a way of deciding that could be carried
out, and the minutes are no guess at its cost but a sample of it.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from diagnose.ahead.desk import Desk
from diagnose.ahead.expected import Expected, TooManyStatesError, gate_action
from diagnose.ahead.rollout import FOLLOWED_THROUGH, candidates
from diagnose.ahead.sample import MOST, Jobs, surely_best
from diagnose.errors import ValueOutOfRangeError
from diagnose.machine.model import RUNS
from diagnose.rule.costs import HAND_OVER, parted

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from diagnose.ahead.bench import Bench
    from diagnose.ahead.sample import Floats
    from diagnose.ahead.state import ProblemBench
    from diagnose.belief.situation import Situation
    from diagnose.rule.costs import Costs
    from diagnose.rule.prepared import Prepared

LEAST_SECONDS, MOST_SECONDS = 0.001, 60.0

LEADING = 2
"""Tests taken from each ranking for a closer look."""

HELD_PER_SECOND, LEAST_HELD, HELD = 10_000.0, 400, 1000
"""Fault sets that the gate holds, by the time it has, and at least and at most. With 600 the jobs
of the shipped machines take up to 1 minute longer than with all of them."""

SURE, TO_DIFFER = 2.0, 20
"""Standard errors by which another action must be better than the gate's, and jobs that it takes to
know them: a handful says too little about the error itself."""

GATE_ALONE, PLAYING = 0.4, 0.75
"""Parts of the time by which the gate's own jobs, and all playing, are over; the rest goes into
what is read off them."""

FEWEST, FEWEST_OF_EACH = 4, 3
"""Jobs played at least, however little time there is: for the gate, and for each of the leading
actions."""

MOST_FOLLOWED = 3000
"""States of a small problem that are followed; with more, jobs are played instead."""

STEPS = 3
"""Steps of the likeliest way at most."""

Kind = Literal["test", "repair", "escalate"]

NOT_YET = "not_yet"
"""What trying the machine after a repair shows where it does not run; else `RUNS`."""


@dataclass(frozen=True, slots=True)
class PossibleAction:
    """One thing that could be done now, and what it leads to.

    Attributes:
        action: `test`, `repair` or `escalate`.
        target: test id, `part.repair`, or empty.
        minutes: expected, itself included, to the end of the job.
        error_minutes: standard error of that.
    """

    action: Kind
    target: str
    minutes: float
    error_minutes: float


@dataclass(frozen=True, slots=True)
class LikelyStep:
    """A step of the likeliest way from here.

    Attributes:
        action, target: as in `PossibleAction`.
        outcome: the likeliest outcome of the test; for a repair `runs` or `not_yet`; empty for
            handing over.
        probability: that all comes this way, up to and with this outcome.
    """

    action: Kind
    target: str
    outcome: str
    probability: float


@dataclass(frozen=True, slots=True)
class FurtherLook:
    """How a job is likely to go on.

    Attributes:
        minutes_left: expected minutes until it runs or the job is handed over.
        error_minutes: standard error of that; 0 when every outcome was followed.
        p90_minutes: nine jobs in ten are over by then.
        p90_error_minutes: standard error of that, by bootstrap.
        actions: the leading actions; the first is what one test ahead says.
        best: the one to do; the first unless another is better beyond the error.
        and_then: the likeliest steps, the best action first, then at most two more.
        jobs: jobs played to find out, about a third of that for each other action; 0 when every
            outcome was followed.
        seconds: time it took; None where so many jobs were asked for, since then the same question
            has the same answer.
    """

    minutes_left: float
    error_minutes: float
    p90_minutes: float
    p90_error_minutes: float
    actions: tuple[PossibleAction, ...]
    best: PossibleAction
    and_then: tuple[LikelyStep, ...]
    jobs: int
    seconds: float | None

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and dictionaries, ready for JSON."""
        told = asdict(self)
        for action in (*told["actions"], told["best"], *told["and_then"]):
            action.update(parted(action["action"], action["target"]))
        return told


def look_further_from(
    prepared: Prepared,
    situation: Situation,
    skipped: Collection[str] = (),
    budget_seconds: float = 0.05,
    *,
    jobs: int | None = None,
    seed: int = 0,
) -> FurtherLook:
    """Look further ahead than one test.

    Args:
        prepared: the machine.
        situation: what is known, open and at hand.
        skipped: tests that are not to be proposed.
        budget_seconds: time to use.
        jobs: so many are played, whatever time that takes; None: as many as there is time for.
        seed: other jobs for another one.

    Raises:
        ClashError: the findings cannot all be true.
        ValueOutOfRangeError: a budget below a millisecond or above a minute; a number of jobs
            below `FEWEST` or above `MOST`.
    """
    if jobs is not None and not FEWEST <= jobs <= MOST:
        raise ValueOutOfRangeError("jobs", jobs, FEWEST, MOST, "jobs")
    if not LEAST_SECONDS <= budget_seconds <= MOST_SECONDS:
        raise ValueOutOfRangeError(
            "budget_seconds", budget_seconds, LEAST_SECONDS, MOST_SECONDS, "s"
        )
    return look_further(
        Desk(prepared, situation, skipped),
        budget_seconds=budget_seconds,
        follow_up_to=FOLLOWED_THROUGH,
        jobs=jobs,
        seed=seed,
    )


def look_further(
    bench: Bench[Any],
    *,
    budget_seconds: float = 0.05,
    follow_up_to: int = 0,
    jobs: int | None = None,
    seed: int = 0,
) -> FurtherLook:
    """Play the jobs that a belief may be.

    Args:
        bench: where the job stands.
        budget_seconds: when to stop, two fifths of it for the gate alone; at least `FEWEST` jobs
            are played for the gate, `FEWEST_OF_EACH` for each action.
        follow_up_to: in a problem of no more fault sets every outcome is followed instead.
        jobs: so many are played for the gate, and a third of that for each action, whatever time
            it takes; None: as many as there is time for.
        seed: other jobs for another one.
    """
    began = time.perf_counter()
    leading = candidates(bench, bench.start, LEADING)
    most = min(max(int(budget_seconds * HELD_PER_SECOND), LEAST_HELD), HELD)
    most = most if jobs is None else HELD
    ahead = bench.thinned(bench.start, most)
    gate = Expected(ahead, gate_action)
    seen = None
    if ahead.problem.n_sets <= follow_up_to:
        with suppress(TooManyStatesError):
            seen = _followed(ahead, Expected(ahead, gate_action, MOST_FOLLOWED), leading)
    if seen is None:
        drawn = Jobs(ahead, gate, seed)
        if jobs is None:
            seen = _sampled(drawn, leading, began, budget_seconds)
        else:
            seen = _sampled(drawn, leading, -np.inf, 0.0, (jobs, max(jobs // 3, FEWEST_OF_EACH)))
    means, errors = seen.minutes.mean(axis=1).tolist(), _errors(seen.minutes)
    names = [named(bench.costs, bench.costs.action_name(action)) for action in leading]
    actions = tuple(
        PossibleAction(*name, *told) for name, *told in zip(names, means, errors, strict=True)
    )
    return FurtherLook(
        minutes_left=float(seen.gate.mean()),
        error_minutes=_errors(seen.gate)[0],
        p90_minutes=seen.p90[0],
        p90_error_minutes=seen.p90[1],
        actions=actions,
        best=actions[seen.best],
        and_then=tuple(_likely_steps(bench, ahead, gate, leading[seen.best])),
        jobs=seen.jobs,
        seconds=None if jobs is not None else time.perf_counter() - began,
    )


class _Seen(NamedTuple):
    """What the jobs took.

    Attributes:
        gate: (1, jobs) minutes under the gate; one job stands for all when all were followed.
        minutes: (actions, jobs) the same with each action done first.
        p90: 90th percentile under the gate and its error.
        best: row of the action to do.
        jobs: how many were played.
    """

    gate: Floats
    minutes: Floats
    p90: tuple[float, float]
    best: int
    jobs: int


def _followed(bench: ProblemBench, gate: Expected, actions: list[int]) -> _Seen:
    """Every outcome followed: no error, and the best is never worse than the gate's."""
    minutes = np.array([[gate.minutes_with(bench.start, action)] for action in actions])
    ways = np.array(sorted(gate.spread(bench.start, actions[0])))
    reached = np.cumsum(ways[:, 1]) >= 0.9 * ways[:, 1].sum()
    p90 = float(ways[int(np.argmax(reached)), 0])
    return _Seen(minutes[:1], minutes, (p90, 0.0), int(np.argmin(minutes)), 0)


def _sampled(
    jobs: Jobs,
    actions: list[int],
    began: float,
    budget_seconds: float,
    fewest: tuple[int, int] = (FEWEST, FEWEST_OF_EACH),
) -> _Seen:
    """As many jobs as there is time for, and the fewest for the gate and for each action."""
    first, plain = jobs.played(actions[:1], began + GATE_ALONE * budget_seconds, fewest[0])
    minutes, _ = jobs.played(actions, began + PLAYING * budget_seconds, fewest[1])
    best = surely_best(minutes, SURE) if minutes.shape[1] >= TO_DIFFER else 0
    return _Seen(first, minutes, jobs.ninetieth(plain), best, len(plain))


def _errors(minutes: Floats) -> list[float]:
    """Standard errors of the means of (actions, jobs) minutes."""
    n = minutes.shape[1]
    if n == 1:
        return [0.0] * len(minutes)
    errors: list[float] = (minutes.std(axis=1, ddof=1) / np.sqrt(n)).tolist()
    return errors


def named(costs: Costs, action: str) -> tuple[Kind, str]:
    """What kind of action a name stands for, and what it is done to."""
    if action in costs.tests.names:
        return "test", action
    return ("repair", action) if action != HAND_OVER else ("escalate", "")


def _likely_steps(
    bench: Bench[Any], ahead: ProblemBench, gate: Expected, action: int
) -> Iterator[LikelyStep]:
    """The likeliest way after an action under the gate: at each step the likeliest outcome."""
    costs, state, share = ahead.costs, ahead.start, 1.0
    for _ in range(STEPS):
        outcome, after = "", None
        if action < costs.n_tests:
            chances = ahead.chances(state, action)
            number = int(np.argmax(chances))
            outcome, after = (
                bench.outcome_name(action, number),
                ahead.after_test(state, action, number),
            )
            share *= chances[number]
        elif action != costs.hand_over:
            runs, *left = ahead.checks(state, action - costs.n_tests)
            outcome = RUNS if runs > 0.5 else NOT_YET
            if outcome == NOT_YET:
                result = 1 + int(np.argmax(left))
                after = ahead.after_repair(state, action - costs.n_tests, result)
            share *= runs if outcome == RUNS else max(left)
        yield LikelyStep(*named(costs, costs.action_name(action)), outcome, min(share, 1.0))
        if after is None:
            return
        state, action = after, gate.action(after)
