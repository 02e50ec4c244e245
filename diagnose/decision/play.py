"""One job played through: what is wrong is drawn, a policy decides, the machine answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from diagnose.decision.policies import MOST_REPAIRS

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.decision.problem import DecisionProblem, Floats
    from diagnose.decision.state import Bench, State

EPOCHS = 3
"""Tests have their own random numbers in so many epochs; later ones share the last's."""

MOST_ACTIONS = 200
"""No job goes on for longer; it is handed over. No policy comes near it."""


class Played(NamedTuple):
    """What came of a job.

    Attributes:
        minutes: from the beginning to the end.
        tests: how many were done.
        repairs: how many were done.
        good_parts: new parts fitted in place of good ones.
        solved: whether a repair ended the complaint, rather than handing over.
    """

    minutes: float
    tests: int
    repairs: int
    good_parts: int
    solved: bool


@dataclass(frozen=True, slots=True, eq=False)
class Dice:
    """The random numbers of one job, the same for every policy.

    Attributes:
        hypothesis: what is wrong.
        tests: (EPOCHS, tests) for what each test shows.
        repairs: (MOST_REPAIRS + 1, 2) for the new part and the check after each repair.
    """

    hypothesis: int
    tests: Floats
    repairs: Floats

    @classmethod
    def throw(cls, problem: DecisionProblem, belief: Floats, rng: np.random.Generator) -> Dice:
        """Of one job, `belief` (hypotheses,) being the cumulated prior of what is true."""
        n = problem.n_tests
        drawn = rng.random(1 + EPOCHS * n + 2 * (MOST_REPAIRS + 1))
        hypothesis = int(np.searchsorted(belief, drawn[0] * belief[-1], side="right"))
        return cls(
            min(hypothesis, len(belief) - 1),
            drawn[1 : 1 + EPOCHS * n].reshape(EPOCHS, n),
            drawn[1 + EPOCHS * n :].reshape(-1, 2),
        )

    @classmethod
    def of_state(cls, problem: DecisionProblem, state: State, number: int) -> Dice:
        """The `number`th of the jobs that a state may be."""
        rng = job_generator(number, 0)
        one = cls.throw(problem, np.cumsum(state.weight), rng)
        return cls(int(state.active[one.hypothesis]), one.tests, one.repairs)


def job_generator(seed: int, job: int) -> np.random.Generator:
    """The random numbers of one job: those of the `job`th child that the seed spawns."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(job,))))


def play(
    bench: Bench,
    decide: Callable[[State], int],
    dice: Dice,
    state: State | None = None,
    action: int | None = None,
    like: Floats | None = None,
) -> Played:
    """Play a job to its end.

    Args:
        bench: the problem.
        decide: the policy.
        dice: the job's random numbers.
        state: where it begins; default: at the start.
        action: what is done first, whatever the policy says.
        like: (hypotheses, outcomes) how the machine really answers; default: as believed.
    """
    p = bench.problem
    table = p.tables.like if like is None else like
    now = bench.start if state is None else state
    hypothesis, minutes, tests, good, tried = dice.hypothesis, 0.0, 0, 0, 0
    for _ in range(MOST_ACTIONS):
        do = decide(now) if action is None else action
        action = None
        minutes += bench.minutes(now, do)
        if do == p.escalate:
            break
        if do < p.n_tests:
            tests += 1
            outcome = answer(p, table, hypothesis, do, dice.tests[min(tried, EPOCHS - 1), do])
            after = bench.after_test(now, do, outcome)
        else:
            repair = do - p.n_tests
            good += bool(p.repairs.new_part[repair]) and not _has_fault(p, hypothesis, repair)
            chance = dice.repairs[min(tried, MOST_REPAIRS)]
            hypothesis = mend(p, hypothesis, repair, float(chance[0]))
            tried += 1
            if chance[1] >= p.same[hypothesis]:
                return Played(minutes, tests, tried, good, solved=True)
            after = bench.after_repair(now, repair)
        if after is None:
            minutes += p.escalate_minutes
            break
        now = after
    else:
        minutes += p.escalate_minutes
    return Played(minutes, tests, tried, good, solved=False)


def answer(problem: DecisionProblem, like: Floats, hypothesis: int, test: int, drawn: float) -> int:
    """The outcome of a test."""
    start, end = problem.tables.start[test], problem.tables.start[test + 1]
    outcome = 0
    for column in range(start, end - 1):
        drawn -= like[hypothesis, column]
        if drawn < 0.0:
            break
        outcome += 1
    return outcome


def mend(problem: DecisionProblem, hypothesis: int, repair: int, drawn: float) -> int:
    """The hypothesis after a repair."""
    left = int(problem.repairs.after[repair, hypothesis])
    bad = problem.repairs.bad[repair]
    if drawn >= bad.sum():
        return left
    fault = int(np.searchsorted(np.cumsum(bad), drawn, side="right"))
    joined = int(problem.repairs.joined[left, fault])
    return joined if joined >= 0 else left


def _has_fault(problem: DecisionProblem, hypothesis: int, repair: int) -> bool:
    faults = problem.tables.faults_of[hypothesis]
    part = problem.repairs.part[repair]
    return any(f >= 0 and problem.part_of[f] == part for f in faults)
