"""The rule by which a test is chosen, by hand and against outcomes gone through one by one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.state import ProblemBench
from diagnose.belief.survey import survey
from diagnose.rule import gate
from diagnose.rule.costs import HAND_OVER
from diagnose.rule.decide import Standing, choose, decide, gate_ranking, look
from diagnose.rule.repair_kernels import repair_cost
from tests.trial.small import random_problem, small_problem

if TYPE_CHECKING:
    from diagnose.ahead.problem import Problem
    from diagnose.belief.survey import Survey

TELLS_ALL = np.array([[1.0, 0.0], [0.0, 1.0]])


def test_opening_counts_by_the_chance_that_the_repair_does_not_need_it() -> None:
    # Cost clusters (Ottosen & Jensen 2010): what is opened once serves all that lies behind it.
    # Two areas of 4 and 10 minutes; faults of 0.5, 0.3 and 0.2, the first two behind the first.
    way = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 0.0]])
    opened = gate.chance_opened(np.array([0.5, 0.3, 0.2]), way)
    np.testing.assert_allclose(opened, [0.8, 0.3])
    opening = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 10.0]])
    added = gate.added_minutes(np.array([1.0, 5.0, 15.0]), opening, opened)
    np.testing.assert_allclose(added, [1.0, 1.0 + 0.2 * 4.0, 1.0 + 0.2 * 4.0 + 0.7 * 10.0])


def test_an_area_is_not_opened_more_than_surely() -> None:
    # several faults at once can add up to more than one
    np.testing.assert_allclose(gate.chance_opened(np.array([0.9, 0.8]), np.ones((2, 1))), [1.0])


def test_the_rate_at_which_a_quick_repair_is_as_good_as_testing() -> None:
    # Two faults of 0.8 and 0.2: H = 0.7219 bits (Shannon's binary entropy, Cover & Thomas, ch. 2).
    # Cleaning for 5 minutes ends it with 0.8; in vain are 5 * 0.2 / 0.8 = 1.25 minutes for each
    # success. A test must find out in less: 0.7219 / 1.25 bits per minute.
    blame = np.array([0.8, 0.2])
    assert gate.doubt_bits(blame) == pytest.approx(0.7219281, rel=1e-6)
    least = gate.least_bits_per_minute(blame, 0.8, 5.0, new_part=False)
    assert least == pytest.approx(0.7219281 / 1.25, rel=1e-6)
    assert gate.least_bits_per_minute(blame, 0.8, 5.0, new_part=True) == 0.0


def test_what_nothing_listed_explains_is_doubt_as_well() -> None:
    # 0.5, 0.25 and 0.25 for none of them: 0.5 + 0.5 + 0.5 bits.
    assert gate.doubt_bits(np.array([0.5, 0.25])) == pytest.approx(1.5)


def test_a_test_that_takes_no_time_counts_as_if_it_took_the_hundredth_of_a_minute() -> None:
    minutes = np.array([0.0, 0.008, 0.01, 0.0125, 2.0])
    found = gate.bits_per_minute(np.full(5, 0.5), minutes)
    np.testing.assert_allclose(found, [50.0, 50.0, 50.0, 40.0, 0.25])


@pytest.mark.parametrize(("bits", "counts"), [(0.9e-6, False), (1.1e-6, True)])
def test_a_test_that_tells_less_than_a_millionth_of_a_bit_tells_nothing(
    bits: float, *, counts: bool
) -> None:
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL], [1.0], [20.0, 30.0])
    bench = ProblemBench(problem)
    known = known_of(problem, bench)._replace(gain_bits=np.array([bits]))
    outlook = look(known, problem.explains, problem.costs, bench.start.standing)
    assert outlook.gain_bits[0] == (bits if counts else 0.0)
    assert outlook.ranked(outlook.rate).tolist() == ([0] if counts else [])


@pytest.mark.parametrize(
    ("more", "first"),
    [(0.0, 1), (3e-10, 1), (2e-9, 0)],  # nothing, the tenth decimal, the ninth
)
def test_scores_that_are_the_same_to_nine_decimals_are_ties(more: float, first: int) -> None:
    # Of two that score alike the quicker one goes first; of three minutes alike the file's order.
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL] * 4, [2.0, 1.0, 3.0, 3.0], [9.0] * 2)
    bench = ProblemBench(problem)
    outlook = bench.outlook(bench.start)
    score = np.array([0.5 + more, 0.5, 0.25, 0.25])
    assert outlook.ranked(score).tolist() == [first, 1 - first, 2, 3]


@pytest.mark.parametrize(("test_minutes", "tested"), [(1.2, True), (1.3, False)])
def test_a_quick_repair_is_tried_before_a_slow_test(test_minutes: float, *, tested: bool) -> None:
    # The figures above in a whole problem: 3 minutes of cleaning and a check of 2 end it with 0.8.
    # The perfect test of 0.7219 bits comes into question up to 1.25 minutes.
    problem = small_problem(
        np.array([0.8, 0.2]),
        [TELLS_ALL],
        [test_minutes],
        [3.0, 98.0],
        new_part=np.array([False, True]),
    )
    bench = ProblemBench(problem)
    outlook = bench.outlook(bench.start)
    assert (0 in gate_ranking(outlook, problem.costs)) == tested


def test_a_test_at_the_least_rate_comes_into_question() -> None:
    # "No less than": at the very rate at which trying the repair is as quick it is still asked for.
    problem = small_problem(
        np.array([0.8, 0.2]), [TELLS_ALL], [1.0], [3.0, 98.0], new_part=np.array([False, True])
    )
    bench = ProblemBench(problem)
    outlook = bench.outlook(bench.start)
    least = gate.least_bits_per_minute(outlook.blame, 0.8, 5.0, new_part=False)
    for rate, asked in ((least, True), (least * (1.0 - 1e-9), False)):
        at_it = replace(outlook, rate=np.array([rate]))
        assert (0 in gate_ranking(at_it, problem.costs)) == asked


def test_a_new_part_does_not_go_in_on_a_guess() -> None:
    # The same with a new part for the first fault: no test is too slow to come into question.
    problem = small_problem(np.array([0.8, 0.2]), [TELLS_ALL], [4.0], [3.0, 98.0])
    bench = ProblemBench(problem)
    assert 0 in gate_ranking(bench.outlook(bench.start), problem.costs)


def test_a_test_is_done_only_while_it_lowers_the_minutes_to_the_repair() -> None:
    # By hand: t + 0.6 * 22 + 0.4 * 32 = 26 + t against 22 + 0.4 * 32 = 34.8.
    for minutes, action in ((8.7, 0), (8.9, 1)):
        problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL], [minutes], [20.0, 30.0])
        bench = ProblemBench(problem)
        outlook = bench.outlook(bench.start)
        assert outlook.repair_minutes == pytest.approx(34.8)
        found = choose(outlook, problem.costs, gate_ranking(outlook, problem.costs))
        assert found.action == action
        assert found.later_minutes[0] == pytest.approx(26.0) or minutes > 8.8


@pytest.mark.parametrize("seed", range(12))
def test_every_outcome_by_itself(seed: int) -> None:
    # The slow twin of the kernel: for each outcome the belief by Bayes' rule, the list of repairs
    # from it, and the sum by the outcomes' chances.
    problem = random_problem(seed)
    costs, bench = problem.costs, ProblemBench(problem)
    known = known_of(problem, bench)
    found = decide(look(known, problem.explains, costs, bench.start.standing), costs, every=True)
    access = costs.at(0)
    for test in range(costs.n_tests):
        spent = 0.0
        for outcome in range(problem.n_outcomes(test)):
            joint = problem.prior * problem.tables.like[:, problem.tables.start[test] + outcome]
            blame = joint[:-1] / joint.sum()
            opened = int(access.test_opens[test])
            minutes, _, _ = repair_cost(
                costs.tables, blame, 1.0, 0.0, opened, costs.hand_over_minutes, np.zeros(len(blame))
            )
            spent += joint.sum() * minutes
        assert found.later_minutes[test] == pytest.approx(spent, rel=1e-9)
        saves = access.test_minutes[test] + spent < found.outlook.repair_minutes - 1e-9
        assert found.worth[test] == (saves and test in gate_ranking(found.outlook, costs))


@pytest.mark.parametrize("seed", range(12))
def test_working_out_every_test_changes_nothing(seed: int) -> None:
    problem = random_problem(seed)
    bench = ProblemBench(problem)
    outlook = bench.outlook(bench.start)
    ranked = gate_ranking(outlook, problem.costs)
    one = choose(outlook, problem.costs, ranked)
    every = choose(outlook, problem.costs, ranked, every=True)
    assert one.action == every.action
    doing = ranked[every.worth[ranked]]
    assert one.action == (doing[0] if len(doing) else one.action)
    rates = outlook.rate[ranked]
    assert (np.diff(rates) <= 0.0).all()


def known_of(problem: Problem, bench: ProblemBench) -> Survey:
    begun = bench.start
    return survey([(problem.tables, begun.active, begun.weight)], problem.n_faults)


def test_barred_tests_are_not_chosen() -> None:
    problem = small_problem(np.array([0.6, 0.4]), [TELLS_ALL, TELLS_ALL], [1.0, 2.0], [20.0, 30.0])
    bench = ProblemBench(problem)
    for barred, action in (((0, 0), 0), ((1, 0), 1), ((1, 1), 2)):
        at = replace(bench.start.standing, barred=np.array(barred, dtype=bool))
        known = known_of(problem, bench)
        assert (
            decide(look(known, problem.explains, problem.costs, at), problem.costs).action == action
        )


def test_after_twelve_repairs_it_is_handed_over() -> None:
    problem = small_problem(np.array([0.6, 0.4]), [], [], [20.0, 30.0])
    bench, costs = ProblemBench(problem), problem.costs
    known = known_of(problem, bench)
    for repairs, name in ((11, "fault_0.replace"), (12, HAND_OVER), (13, HAND_OVER)):
        at = Standing(0, np.zeros(0, dtype=bool), repairs)
        found = decide(look(known, problem.explains, costs, at), costs)
        assert costs.action_name(found.action) == name
