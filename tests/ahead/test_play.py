"""Jobs played through on closed problems: in line with exact expectation, and by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.expected import Expected, gate_action
from diagnose.ahead.look_further import look_further
from diagnose.ahead.play import EARLY, EPOCHS, LOOKS, Dice, Played, job_generator, play
from diagnose.ahead.policies import make_policy
from diagnose.ahead.state import ProblemBench
from diagnose.ahead.world import ProblemWorld, outcome_of
from diagnose.rule.decide import MOST_REPAIRS
from tests.ahead import two_epochs
from tests.trial.small import random_problem, small_problem

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem


def played(problem: DecisionProblem, policy: str, jobs: int) -> list[Played]:
    """So many jobs of a problem, what is wrong drawn from its prior."""
    bench, world = ProblemBench(problem), ProblemWorld(problem)
    decide = Expected(bench, make_policy(policy)).action
    found = []
    for job in range(jobs):
        rng = job_generator(1, job)
        truth = int(rng.choice(problem.n_sets, p=problem.prior / problem.prior.sum()))
        found.append(play(bench, world, decide, Dice.throw(truth, problem.costs.n_tests, rng)))
    return found


def exact(problem: DecisionProblem, policy: str) -> float:
    bench = ProblemBench(problem)
    return Expected(bench, make_policy(policy)).minutes(bench.start)


def test_every_job_has_the_child_that_the_seed_spawns() -> None:
    # numpy's SeedSequence.spawn, the documented way to independent streams.
    for job, child in enumerate(np.random.SeedSequence(11).spawn(4)):
        assert job_generator(11, job).random() == np.random.default_rng(child).random()


@pytest.mark.parametrize("name", ["gate", "certainty_90", "repair_only"])
def test_the_mean_is_what_following_every_outcome_gives(name: str) -> None:
    problem = random_problem(4)
    minutes = np.array([job.minutes for job in played(problem, name, 1200)])
    error = minutes.std() / np.sqrt(len(minutes))
    assert abs(minutes.mean() - exact(problem, name)) < 4.0 * error


def test_the_mean_holds_with_new_parts_that_are_bad_and_a_check_that_slips() -> None:
    problem = two_epochs.problem()
    minutes = np.array([job.minutes for job in played(problem, "gate", 2000)])
    error = minutes.std() / np.sqrt(len(minutes))
    assert abs(minutes.mean() - exact(problem, "gate")) < 4.0 * error


def test_the_books_of_a_job_by_hand() -> None:
    # Fault 1 is there; repair 0 (10 minutes and the check) puts in a good part, then repair 1 of
    # 20 minutes ends it: 12 + 22 minutes, one good part thrown away.
    problem = small_problem(np.array([0.6, 0.4]), [], [], [10.0, 20.0])
    bench, world = ProblemBench(problem), ProblemWorld(problem)
    none = np.full((MOST_REPAIRS + 1, 2), 0.5)
    decide = Expected(bench, make_policy("repair_only")).action
    job = play(bench, world, decide, Dice(1, np.zeros((EPOCHS, 0)), none, np.zeros((LOOKS, 0))))
    assert job == Played(34.0, 0.0, 0, 2, 1, solved=True)
    job = play(bench, world, decide, Dice(0, np.zeros((EPOCHS, 0)), none, np.zeros((LOOKS, 0))))
    assert job == Played(12.0, 0.0, 0, 1, 0, solved=True)
    # handed over at once: 180 minutes, and the 10 and the check that the work takes elsewhere
    first = play(
        bench, world, decide, Dice(0, np.zeros((EPOCHS, 0)), none, np.zeros((LOOKS, 0))), action=2
    )
    assert first == Played(192.0, 0.0, 0, 0, 0, solved=False)


def test_what_the_policy_holds_impossible_is_handed_over() -> None:
    # By hand: the truth (set 1) shows what the belief, which is sure of set 0, rules out: the
    # minute of the test, and handing over with the 20 + 2 minutes of its repair.
    tells = np.array([[1.0, 0.0], [0.0, 1.0]])
    problem = small_problem(np.array([1.0, 0.0]), [tells], [1.0], [10.0, 20.0])
    bench = ProblemBench(problem)
    dice = Dice(
        1, np.full((EPOCHS, 1), 0.5), np.full((MOST_REPAIRS + 1, 2), 0.5), np.zeros((LOOKS, 1))
    )
    job = play(bench, ProblemWorld(problem), lambda _: 0, dice)
    assert (job.minutes, job.tests, job.solved) == (203.0, 1, False)


def test_an_outcome_comes_as_often_as_its_chance() -> None:
    chances = np.array([0.2, 0.0, 0.5, 0.3])
    drawn = [outcome_of(chances, (place + 0.5) / 1000) for place in range(1000)]
    assert np.bincount(drawn, minlength=4).tolist() == [200, 0, 500, 300]
    assert outcome_of(chances, 1.0) == 3


def test_a_look_ahead_agrees_with_following_every_outcome() -> None:
    for seed in range(3):
        bench = ProblemBench(random_problem(seed))
        wanted = exact(bench.problem, "gate")
        found = look_further(bench, budget_seconds=0.3)
        assert abs(found.minutes_left - wanted) < 4.0 * found.error_minutes
        first = bench.costs.action_name(gate_action(bench, bench.start))
        assert (found.actions[0].target or found.actions[0].action) == first
        assert found.and_then[0].target == found.best.target
        assert len(found.and_then) <= 3
        chances = [step.probability for step in found.and_then]
        assert chances == sorted(chances, reverse=True)
        assert found.p90_minutes >= found.minutes_left * 0.5


def test_a_look_ahead_from_a_belief_that_is_sure() -> None:
    # By hand: with one fault certain all that is left is its repair, 10 + 2.
    problem = small_problem(
        np.array([1.0, 0.0]), [np.array([[0.9, 0.1], [0.1, 0.9]])], [1.0], [10.0, 30.0]
    )
    found = look_further(ProblemBench(problem))
    assert found.best.target == "fault_0.replace"
    assert (found.minutes_left, found.error_minutes) == pytest.approx((12.0, 0.0))
    assert found.and_then[0].outcome == "runs"


def test_a_slip_is_not_made_again_because_it_was_made_before() -> None:
    """In each stretch between repairs a test has a number of its own, and the first ones do not
    depend on how many there may be."""
    dice = Dice.throw(0, 5, job_generator(3, 1))
    assert dice.tests.shape == (MOST_REPAIRS + 1, 5)
    assert len(np.unique(dice.tests)) == dice.tests.size
    after = job_generator(3, 1)
    Dice.throw(0, 5, after)
    plain = job_generator(3, 1)
    plain.random(EARLY * 5 + 2 * (MOST_REPAIRS + 1) + LOOKS * 5)
    assert after.random() == plain.random()
