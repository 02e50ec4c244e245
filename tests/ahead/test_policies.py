"""What the policies do, by law and against the optimum."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.expected import Expected
from diagnose.ahead.policies import POLICIES, make_policy, surest
from diagnose.ahead.state import ProblemBench
from diagnose.errors import UnknownNameError
from tests.rule.plain_repairs import plain_repairs
from tests.trial.optimum import optimal_minutes
from tests.trial.small import problem_with_areas, random_problem, small_problem

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem

SEEDS = range(8)
NAMES = list(POLICIES)
ALONG = "source_to_load"
"""Reads the wiring of a machine, so it is tested on one; see `test_along_wiring`."""
MADE_UP = [name for name in NAMES if name != ALONG]
TESTING = [name for name in MADE_UP if name != "repair_only"]
TELLS_ALL = np.array([[1.0, 0.0], [0.0, 1.0]])
TELLS_NOTHING = np.full((2, 2), 0.5)


@cache
def handful(seed: int) -> DecisionProblem:
    """Five faults, four tests of which every other has three outcomes, two nested areas."""
    return problem_with_areas(seed, 5, 4, sharpness=0.3)


def minutes(name: str, problem: DecisionProblem) -> float:
    bench = ProblemBench(problem)
    return Expected(bench, make_policy(name)).minutes(bench.start)


@cache
def of_a_handful(name: str, seed: int) -> float:
    return minutes(name, handful(seed))


@pytest.mark.parametrize("name", TESTING)
def test_a_perfect_test_for_nearly_nothing_comes_first(name: str) -> None:
    problem = small_problem(
        np.array([0.6, 0.4]), [TELLS_NOTHING, TELLS_ALL], [0.01, 0.01], [20.0, 30.0]
    )
    bench = ProblemBench(problem)
    assert make_policy(name)(bench, bench.start) == 1


@pytest.mark.parametrize("name", MADE_UP)
def test_a_test_that_tells_nothing_is_never_done(name: str) -> None:
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_NOTHING], [0.01], [20.0, 30.0])
    bench = ProblemBench(problem)
    policy = make_policy(name)
    assert policy(bench, bench.start) == problem.costs.n_tests
    state = bench.after_repair(bench.start, 0, 1)
    assert state is not None
    assert policy(bench, state) == problem.costs.n_tests + 1


@pytest.mark.parametrize("seed", range(4))
def test_repairs_alone_are_as_good_as_any_order(seed: int) -> None:
    # Kadane & Simon 1977, by the referee: with no tests the order of p over c is the optimum.
    rng = np.random.default_rng(seed)
    problem = small_problem(
        rng.dirichlet(np.ones(5)),
        [],
        [],
        list(rng.uniform(3.0, 40.0, 5)),
        hand_over_minutes=10_000.0,
    )
    bench = ProblemBench(problem)
    found = Expected(bench, make_policy("repair_only")).minutes(bench.start)
    assert found == pytest.approx(optimal_minutes(problem))


@pytest.mark.parametrize("seed", SEEDS)
def test_no_policy_beats_the_optimum_and_rollout_is_not_worse_than_the_gate(seed: int) -> None:
    # Policy improvement (Bertsekas, Tsitsiklis & Wu 1997): one step ahead of a policy, evaluated
    # exactly, is never worse than the policy.
    problem = handful(seed)
    found = {name: of_a_handful(name, seed) for name in MADE_UP}
    assert min(found.values()) >= optimal_minutes(problem) - 1e-6
    assert found["rollout"] <= found["gate"] + 1e-9


def test_rollout_saves_something_somewhere() -> None:
    saved = [of_a_handful("gate", seed) - of_a_handful("rollout", seed) for seed in SEEDS]
    assert max(saved) > 0.01


def test_the_gate_against_the_optimum() -> None:
    # The first of the 200 machines of tests/benchmarks/test_trial.py, whose mean is below 1 %.
    problems = [random_problem(seed) for seed in range(6)]
    over = np.array([minutes("gate", one) / optimal_minutes(one) - 1.0 for one in problems])
    assert over.mean() < 0.02
    assert over.max() < 0.08


@pytest.mark.parametrize("threshold", [80, 90, 95])
def test_a_threshold_policy_tests_until_it_is_sure(threshold: int) -> None:
    policy = make_policy(f"certainty_{threshold}")
    for seed in range(2):
        bench = ProblemBench(random_problem(seed))
        states = [bench.start]
        while states:
            state = states.pop()
            action = policy(bench, state)
            view = bench.outlook(state)
            if action >= bench.problem.costs.n_tests:
                telling = len(view.ranked(view.gain_bits, 0.02))
                assert not telling or surest(bench.costs, view) >= threshold / 100.0
                continue
            assert surest(bench.costs, view) < threshold / 100.0
            after = [bench.after_test(state, action, outcome) for outcome in (0, 1)]
            states += [one for one in after if one is not None]


@pytest.mark.parametrize("seed", range(20))
def test_expected_cost_of_repair_is_that_of_a_plain_list(seed: int) -> None:
    # Heckerman, Breese & Rommelse 1995, once from a state and once from the bare figures.
    rng = np.random.default_rng(seed)
    problem = small_problem(
        rng.dirichlet(np.ones(7)),
        [np.full((7, 2), 0.5)],
        [1.0],
        list(rng.uniform(3.0, 90.0, 6)),
        hand_over_minutes=120.0,
    )
    bench, costs = ProblemBench(problem), problem.costs
    view = bench.outlook(bench.start)
    cost, first = plain_repairs(
        problem.prior[:7].tolist(), costs.at(0).repair_minutes.tolist(), 120.0, costs.repairs.fixes
    )
    assert view.repair_minutes == pytest.approx(cost)
    assert view.first_repair == first


def test_gain_is_mutual_information() -> None:
    # Cover & Thomas, chapter 2: I(H; T) = sum p(h, o) log2 p(h, o) / (p(h) p(o)).
    problem = random_problem(5)
    bench = ProblemBench(problem)
    gain = bench.outlook(bench.start).survey.gain_bits
    for test in range(7):
        joint = problem.prior[:, None] * problem.tables.like[:, 2 * test : 2 * test + 2]
        apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0)
        used = joint > 0.0
        assert gain[test] == pytest.approx((joint[used] * np.log2(joint[used] / apart[used])).sum())


def test_an_unknown_policy_is_named() -> None:
    with pytest.raises(UnknownNameError, match="gate"):
        make_policy("gat")
