"""One job played through: what is wrong is drawn, a policy decides, the machine answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from diagnose.ahead.bench import minutes_of
from diagnose.ahead.world import outcome_of
from diagnose.rule.decide import MOST_REPAIRS

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from diagnose.ahead.bench import Bench
    from diagnose.ahead.world import World

EPOCHS = MOST_REPAIRS + 1
"""Tests have random numbers of their own in each stretch between repairs: a slip is not made again
because it was made before."""

EARLY = 3
"""So many stretches are drawn first. The others, which few jobs come to, have a stream of their
own, so that nothing drawn later depends on how many there may be."""

LOOKS = 3
"""A test is looked at again so often at most in one job."""

MOST_ACTIONS = 200
"""No job goes on for longer; it is handed over. No policy comes near it."""


class Played(NamedTuple):
    """What came of a job.

    Attributes:
        minutes: from the beginning to the end, the price of parts included.
        price_minutes: of that, the price of parts.
        tests: how many were done, second looks among them.
        repairs: how many were done.
        good_parts: new parts fitted in place of good ones.
        solved: whether the machine runs after a repair, rather than being handed over.
    """

    minutes: float
    price_minutes: float
    tests: int
    repairs: int
    good_parts: int
    solved: bool


@dataclass(frozen=True, slots=True, eq=False)
class Dice:
    """The random numbers of one job, the same for every policy.

    Attributes:
        truth: what is wrong.
        tests: (EPOCHS, tests) for what each test shows.
        repairs: (MOST_REPAIRS + 1, 2) for the new part and the check after each repair.
        again: (LOOKS, tests) for what each look after the first shows.
    """

    truth: Any
    tests: NDArray[np.float64]
    repairs: NDArray[np.float64]
    again: NDArray[np.float64]

    @classmethod
    def throw(cls, truth: Any, n_tests: int, rng: np.random.Generator) -> Dice:
        """Of one job."""
        drawn = rng.random(EARLY * n_tests + 2 * (MOST_REPAIRS + 1))
        cut = EARLY * n_tests
        early, repairs = drawn[:cut].reshape(EARLY, n_tests), drawn[cut:].reshape(-1, 2)
        (late,) = rng.spawn(1)
        tests = np.concatenate([early, late.random((EPOCHS - EARLY, n_tests))])
        return cls(truth, tests, repairs, rng.random((LOOKS, n_tests)))


def job_generator(seed: int, job: int) -> np.random.Generator:
    """The random numbers of one job: those of the `job`th child that the seed spawns."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(job,))))


def play(
    bench: Bench[Any],
    world: World,
    decide: Callable[[Any], int],
    dice: Dice,
    action: int | None = None,
    doubted: Callable[[Any, int], int] | None = None,
) -> Played:
    """Play a job to its end.

    Args:
        bench: where it begins, and how it goes on.
        world: how the machine answers.
        decide: the policy.
        dice: the job's random numbers.
        action: what is done first, whatever the policy says.
        doubted: the test to be looked at again before an action, -1 for none; None: there never
            is one.
    """
    costs, now, truth = bench.costs, bench.start, dice.truth
    minutes, price, tests, good, tried, solved = 0.0, 0.0, 0, 0, 0, False
    looks = np.zeros(costs.n_tests, dtype=np.int64)
    for _ in range(MOST_ACTIONS):
        do = decide(now) if action is None else action
        action = None
        again = -1 if doubted is None else doubted(now, do)
        if again >= 0 and looks[again] < LOOKS:
            tests += 1
            minutes += float(costs.tests.minutes[again])  # it stands open from the first look
            outcome = world.answer(truth, again, float(dice.again[looks[again], again]))
            looks[again] += 1
            now = bench.after_look(now, again, outcome)
        elif do == costs.hand_over:
            minutes += world.handed_over(truth)
            break
        elif do < costs.n_tests:
            minutes += minutes_of(bench, now, do)
            tests += 1
            outcome = world.answer(truth, do, float(dice.tests[tried, do]))
            now = bench.after_test(now, do, outcome)
        else:
            minutes += minutes_of(bench, now, do)
            repair = do - costs.n_tests
            good += world.wastes(truth, repair)
            price += world.price_minutes(repair)
            chance = dice.repairs[tried]
            truth = world.mend(truth, repair, float(chance[0]))
            tried += 1
            result = outcome_of(world.checks(truth), float(chance[1]))
            if result == 0:
                solved = True
                break
            now = bench.after_repair(now, repair, result)
        if now is None:
            minutes += world.handed_over(truth)
            break
    else:
        minutes += world.handed_over(truth)
    return Played(minutes, price, tests, tried, good, solved)
