"""The referee itself: cases worked by hand, and a plain recursion."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose.errors import ValueOutOfRangeError
from tests.ahead import two_epochs
from tests.ahead.by_hand import best_minutes
from tests.trial.optimum import optimal_minutes
from tests.trial.small import problem_with_areas, random_problem, small_problem

TELLS_ALL = np.array([[1.0, 0.0], [0.0, 1.0]])


def test_two_faults_and_a_perfect_test() -> None:
    # By hand: test, then the right repair: 1 + 0.6 (20 + 2) + 0.4 (30 + 2) = 27;
    # repairing without: 22 + 0.4 * 32 = 34.8.
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL], [1.0], [20.0, 30.0])
    assert optimal_minutes(problem) == pytest.approx(27.0)


def test_a_test_that_costs_more_than_it_saves_is_left_out() -> None:
    # By hand: 10 + 0.6 * 22 + 0.4 * 32 = 36 against 34.8.
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL], [10.0], [20.0, 30.0])
    assert optimal_minutes(problem) == pytest.approx(34.8)


def test_an_area_is_paid_once() -> None:
    # By hand: the test opens the area (5), the repair behind it then costs nothing to get at:
    # 5 + 1 + 0.6 * 22 + 0.4 * 32 = 32.
    problem = small_problem(
        np.array([0.6, 0.4]),
        [TELLS_ALL],
        [1.0],
        [20.0, 30.0],
        test_area=[0],
        repair_area=[0, 0],
        area_minutes=(5.0,),
        area_parent=(-1,),
    )
    assert optimal_minutes(problem) == pytest.approx(32.0)


def test_hands_over_what_no_repair_fixes() -> None:
    # By hand: one repairable fault in two: 1 + 0.5 * 12 + 0.5 * 60 after a perfect test.
    problem = small_problem(
        np.array([0.5, 0.5]), [TELLS_ALL], [1.0], [10.0], hand_over_minutes=60.0
    )
    assert optimal_minutes(problem) == pytest.approx(37.0)


def test_handing_over_pays_the_work_as_well() -> None:
    # By hand: a known fault of 100 + 2 minutes is mended in the shop for 102, not for 30 + 102
    # elsewhere. Of two faults alike, mending one on a guess is 102 + 0.5 * 102 = 153; handed over
    # it is 30 + 102 = 132, behind an area of 5 minutes 30 + 107.
    sure = small_problem(np.array([1.0, 0.0]), [], [], [100.0, 100.0], hand_over_minutes=30.0)
    assert optimal_minutes(sure) == pytest.approx(102.0)
    alike = np.array([0.5, 0.5])
    doubt = small_problem(alike, [], [], [100.0, 100.0], hand_over_minutes=30.0)
    assert optimal_minutes(doubt) == pytest.approx(132.0)
    behind = small_problem(
        alike,
        [],
        [],
        [100.0, 100.0],
        repair_area=[0, 0],
        area_minutes=(5.0,),
        area_parent=(-1,),
        hand_over_minutes=30.0,
    )
    assert optimal_minutes(behind) == pytest.approx(137.0)


def test_a_noisy_test_by_hand() -> None:
    # By hand, slip 0.2, repairs of 8 + 2 each, handing over at 1000. Says one: 0.6 * 0.8 + 0.4 *
    # 0.2 = 0.56, then 10 + (0.08 / 0.56) 10; says two: 0.44, then 10 + (0.12 / 0.44) 10.
    # Together 1 + 10 + 0.8 + 1.2 = 13; without: 10 + 0.4 * 10 = 14.
    noisy = np.array([[0.8, 0.2], [0.2, 0.8]])
    problem = small_problem(
        np.array([0.6, 0.4]), [noisy], [1.0], [8.0, 8.0], hand_over_minutes=1000.0
    )
    assert optimal_minutes(problem) == pytest.approx(13.0)


@pytest.mark.parametrize("seed", range(6))
def test_without_tests_the_order_of_p_over_c_is_best(seed: int) -> None:
    # Kadane & Simon 1977: of all orders the one by falling probability over cost is cheapest.
    rng = np.random.default_rng(seed)
    prior, minutes = rng.dirichlet(np.ones(5)), rng.uniform(3.0, 40.0, 5)
    problem = small_problem(prior, [], [], list(minutes), hand_over_minutes=10_000.0)

    def cost(order: tuple[int, ...]) -> float:
        return sum(
            (minutes[r] + 2.0) * (1.0 - prior[list(order[:i])].sum()) for i, r in enumerate(order)
        )

    ratio = tuple(int(r) for r in np.argsort(-prior / (minutes + 2.0)))
    assert optimal_minutes(problem) == pytest.approx(cost(ratio))
    assert cost(ratio) == pytest.approx(min(map(cost, itertools.permutations(range(5)))))


@pytest.mark.parametrize("seed", range(4))
def test_against_plain_recursion(seed: int) -> None:
    problem = problem_with_areas(seed, 4, 3)
    assert optimal_minutes(problem) == pytest.approx(best_minutes(problem, (-1, 0)), rel=1e-12)


def test_refuses_what_it_cannot_treat_exactly() -> None:
    with pytest.raises(ValueOutOfRangeError):
        optimal_minutes(two_epochs.problem())


def test_random_problems_are_the_same_for_the_same_seed() -> None:
    one, two = random_problem(3), random_problem(3)
    np.testing.assert_array_equal(one.tables.like, two.tables.like)
    assert one.prior.sum() == pytest.approx(1.0)
