"""Simulated jobs: the same whatever the split, and in line with exact expectation."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.ahead.expected import Expected
from diagnose.ahead.known import KnownMinutes
from diagnose.ahead.look_further import look_further
from diagnose.ahead.play import job_generator
from diagnose.ahead.policies import Gate, make_policy
from diagnose.ahead.state import Bench
from diagnose.trial.sensitivity import with_more_slips, with_other_priors
from diagnose.trial.simulate import Bays, Workshop, simulate
from diagnose.trial.small import random_problem, small_problem
from tests.decision import two_epochs


def shop(policy: str) -> Workshop:
    problems = {"one": random_problem(1), "two": random_problem(2)}
    return Workshop(problems, {"one": 0.3, "two": 0.7}, policy)


@pytest.mark.parametrize("policy", ["gate", "rollout", "fixed_order"])
def test_the_same_jobs_for_any_split(policy: str) -> None:
    whole = Bays(shop(policy)).play(7, 0, 90)
    cut = np.concatenate([Bays(shop(policy)).play(7, a, b) for a, b in ((0, 1), (1, 52), (52, 90))])
    np.testing.assert_array_equal(whole, cut)


def test_the_same_jobs_for_any_number_of_processes() -> None:
    one, two = (simulate(shop("gate"), 1200, 3, workers=n) for n in (1, 2))
    np.testing.assert_array_equal(one, two)


def test_every_job_has_the_child_that_the_seed_spawns() -> None:
    # numpy's SeedSequence.spawn, the documented way to independent streams.
    for job, child in enumerate(np.random.SeedSequence(11).spawn(4)):
        assert job_generator(11, job).random() == np.random.default_rng(child).random()


@pytest.mark.parametrize("name", ["gate", "certainty_90", "source_to_load", "repair_only"])
def test_the_mean_is_what_following_every_outcome_gives(name: str) -> None:
    problem = random_problem(4)
    rows = simulate(Workshop({"x": problem}, {"x": 1.0}, name), 4000, 1)
    bench = Bench(problem)
    exact = Expected(bench, make_policy(name)).minutes(bench.start)
    error = rows["minutes"].std() / np.sqrt(len(rows))
    assert abs(rows["minutes"].mean() - exact) < 4.0 * error


def test_the_mean_holds_with_new_parts_that_are_bad_and_a_check_that_slips() -> None:
    problem = two_epochs.problem()
    rows = simulate(Workshop({"x": problem}, {"x": 1.0}, "gate"), 6000, 1)
    bench = Bench(problem)
    exact = Expected(bench, Gate()).minutes(bench.start)
    assert abs(rows["minutes"].mean() - exact) < 4.0 * rows["minutes"].std() / np.sqrt(6000)


def test_faults_come_as_often_as_the_prior_says() -> None:
    # Repairs without tests on one fault at a time: the number of repairs tells which fault it was.
    problem = small_problem(
        np.array([0.5, 0.3, 0.2]), [], [], [10.0, 10.0, 10.0], escalate_minutes=1000.0
    )
    rows = simulate(Workshop({"x": problem}, {"x": 1.0}, "repair_only"), 5000, 2)
    share = np.bincount(rows["repairs"], minlength=4)[1:] / 5000
    assert share == pytest.approx([0.5, 0.3, 0.2], abs=4 * np.sqrt(0.25 / 5000))
    np.testing.assert_array_equal(rows["good_parts"], rows["repairs"] - 1)
    assert rows["solved"].all()


def test_no_job_takes_less_than_if_one_knew() -> None:
    for policy in ("gate", "certainty_80"):
        rows = simulate(shop(policy), 500, 5)
        assert (rows["minutes"] >= rows["known_minutes"] - 1e-9).all()


def test_what_one_would_need_knowing_by_hand() -> None:
    # Nested areas 3 inside 5: 3 + 5 + 20 + 2; a fault that no repair fixes is handed over.
    problem = small_problem(
        np.array([0.5, 0.5]),
        [],
        [],
        [20.0],
        repair_area=[1],
        area_minutes=(5.0, 3.0),
        area_parent=(-1, 0),
        escalate_minutes=99.0,
    )
    known = KnownMinutes(problem)
    assert known(0) == pytest.approx(30.0)
    assert known(1) == pytest.approx(99.0)


def test_a_look_ahead_agrees_with_following_every_outcome() -> None:
    for seed in range(3):
        problem = random_problem(seed)
        bench = Bench(problem)
        exact = Expected(bench, Gate()).minutes(bench.start)
        for known in (None, KnownMinutes(problem).table()):
            found = look_further(problem, known=known, budget_seconds=0.3)
            assert abs(found.minutes_left - exact) < 4.0 * found.error
        first = bench.problem.action_name(Gate().decide(bench, bench.start))
        assert found.actions[0].action == found.and_then[0].action == first
        assert len(found.and_then) <= 2
        chances = [step.probability for step in found.and_then]
        assert chances == sorted(chances, reverse=True)
        assert found.p90_minutes >= found.minutes_left * 0.5


def test_a_look_ahead_from_a_belief_of_ones_own() -> None:
    # By hand: with one fault certain all that is left is its repair, 10 + 2.
    problem = small_problem(
        np.array([0.5, 0.5]), [np.array([[0.9, 0.1], [0.1, 0.9]])], [1.0], [10.0, 30.0]
    )
    found = look_further(problem, np.array([1.0, 0.0, 0.0]))
    assert found.best == "fault_0.replace"
    assert (found.minutes_left, found.error) == pytest.approx((12.0, 0.0))
    assert found.and_then[0].outcome == 1


def test_priors_times_a_factor_by_hand() -> None:
    problem = small_problem(np.array([0.5, 0.3, 0.2]), [], [], [10.0, 10.0, 10.0])
    other = with_other_priors(problem, np.array([3.0, 1.0, 1.0]))
    assert other.prior == pytest.approx([1.5 / 2.0, 0.3 / 2.0, 0.2 / 2.0, 0.0])


def test_slips_times_three_by_hand() -> None:
    # 2 % of slips over two outcomes: 0.98 * 1 + 0.01 = 0.99; at 6 %: 0.94 + 0.03 = 0.97.
    problem = small_problem(
        np.array([0.5, 0.5]), [np.array([[0.99, 0.01], [0.01, 0.99]])], [1.0], [5.0, 5.0]
    )
    problem.tests.slip[:] = 0.02
    other = with_more_slips(problem, 3.0)
    assert other.tables.like[0] == pytest.approx([0.97, 0.03])
    assert other.tables.like[1] == pytest.approx([0.03, 0.97])
