"""Before handing over: by hand, and against the best policy there is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.expected import Expected, gate_action
from diagnose.ahead.state import ProblemBench
from diagnose.rule.hand_over import last_look, minutes_if_known, worth_testing_on
from tests.trial.optimum import optimal_minutes
from tests.trial.small import small_problem

if TYPE_CHECKING:
    from diagnose.rule.costs import Costs, RepairTables


def reads(*lost: bool) -> np.ndarray:
    """(faults, 2): a reading that is lost with some faults and good with the others."""
    return np.array([[0.0, 1.0] if one else [1.0, 0.0] for one in lost])


def test_minutes_if_known_by_hand() -> None:
    # 0.5 of a fault that 30 minutes mend, 0.2 of one that only a 200-minute repair mends: dear, but
    # whoever it is handed over to takes these 200 as well. The last 0.3 no repair fixes, they are
    # handed over for 120: 0.5 * 30 + 0.2 * 200 + 0.3 * 120 = 91.
    fixes = np.array([[1, 0, 0], [1, 0, 0], [0, 1, 0]], dtype=np.int8)
    minutes = np.array([30.0, 45.0, 200.0])
    found = minutes_if_known(np.array([0.5, 0.2, 0.1]), fixes, minutes, 120.0)
    assert found == pytest.approx(91.0)
    assert minutes_if_known(np.zeros(3), fixes[:0], minutes[:0], 120.0) == pytest.approx(120.0)


def test_testing_on_by_hand() -> None:
    # 75 minutes if known and 2 bits of doubt: at 0.5 bits a minute 3 * 2 / 0.5 = 12 minutes more.
    assert worth_testing_on(75.0, 2.0, 0.5, 87.1)
    assert not worth_testing_on(75.0, 2.0, 0.5, 87.0)
    assert not worth_testing_on(75.0, 2.0, 0.0, 1e9)


def several(test_minutes: float = 1.0) -> ProblemBench:
    """Four faults: no single test leads to a repair, two together find one of them."""
    # Repairs of 78 + 2 minutes, handing over 20 and the same 80. After one test the best of two
    # faults has 0.5: 80 + 0.5 * 80 = 120 > 100, so it is handed over all the same. After both it is
    # known: 80.
    both = [reads(True, True, False, False), reads(True, False, True, False)]
    return ProblemBench(
        small_problem(
            np.full(4, 0.25), both, [test_minutes] * 2, [78.0] * 4, hand_over_minutes=20.0
        )
    )


def test_the_gate_does_not_hand_over_what_two_tests_find() -> None:
    bench = several()
    # known 80, 2 bits at 1 bit a minute: 80 + 3 * 2 = 86 < 100
    assert gate_action(bench, bench.start) == 0
    assert Expected(bench, gate_action).minutes(bench.start) == pytest.approx(82.0)
    assert optimal_minutes(bench.problem) == pytest.approx(82.0)


def test_testing_on_pays_up_to_what_the_later_bits_may_cost() -> None:
    # Three minutes for each of the two tests: 80 + 3 * 2 * 3 = 98 < 100, and 86 is the optimum.
    bench = several(3.0)
    assert gate_action(bench, bench.start) == 0
    assert Expected(bench, gate_action).minutes(bench.start) == pytest.approx(86.0)
    assert optimal_minutes(bench.problem) == pytest.approx(86.0)


def test_one_quick_test_is_no_reason_to_go_on_when_the_others_are_slow() -> None:
    # By hand: the first of two bits costs 5 minutes, the second 30. With both it takes 80 + 35
    # minutes, with the first alone 5 + 100, handing over at once 20 + 80. As if every bit cost what
    # the first does, 80 + 2 * 5 would be less than 100: bits late in a job cost more.
    tests = [reads(True, True, False, False), reads(True, False, True, False)]
    problem = small_problem(
        np.full(4, 0.25), tests, [5.0, 30.0], [78.0] * 4, hand_over_minutes=20.0
    )
    bench = ProblemBench(problem)
    assert optimal_minutes(problem) == pytest.approx(100.0)
    assert gate_action(bench, bench.start) == problem.costs.hand_over


def test_whoever_is_sure_of_nothing_hands_over_in_the_end() -> None:
    # By hand: 30 + 72 minutes against a new part on a guess, 72 + 0.5 * 72 = 108.
    telling_nothing = np.full((2, 2), 0.5)
    problem = small_problem(
        np.array([0.5, 0.5]), [telling_nothing], [1.0], [70.0, 70.0], hand_over_minutes=30.0
    )
    bench = ProblemBench(problem)
    assert gate_action(bench, bench.start) == problem.costs.hand_over


def test_the_last_look_by_hand() -> None:
    # Five times what is saved, less the minutes: 1.0 - 0.8, 5.0 - 6.0, 1.5 - 0.1. The third.
    saved, minutes = np.array([0.2, 1.0, 0.3]), np.array([0.8, 6.0, 0.1])
    assert last_look(minutes, saved) == 2
    assert last_look(minutes[:2], saved[:2]) == 0
    assert last_look(minutes[1:2], saved[1:2]) == -1
    assert last_look(minutes, saved, 0.0) == -1
    assert last_look(np.array([0.0]), np.array([0.0])) == -1


def test_what_saves_a_millionth_of_a_minute_is_rounding() -> None:
    # It would pay at no minutes at all, and five times a saving is more than none.
    free = np.array([0.0])
    assert last_look(free, np.array([0.9e-6])) == -1
    assert last_look(free, np.array([1.1e-6])) == 0
    # five times what is saved must be more than the minutes, not the same
    assert last_look(np.array([5.0]), np.array([1.0])) == -1
    assert last_look(np.array([4.9]), np.array([1.0])) == 0


@pytest.mark.parametrize(("share", "looks"), [(0.005, True), (0.0008, False)])
def test_nothing_is_given_away_beside_a_cheap_look_at_what_is_left(
    share: float, *, looks: bool
) -> None:
    # One fault that 10 + 2 minutes mend, and nobody knows the rest; a look of a minute shows it for
    # certain. Handing over costs 100, so the look saves 100 times the share: 0.5 of a minute counts
    # as 2.5, and 0.08 as 0.4.
    known = reads(True, False)
    problem = small_problem(
        np.array([share, 1.0 - share]), [known], [1.0], [10.0, 1000.0], hand_over_minutes=100.0
    )
    problem = replace(problem, costs=replace(problem.costs, tables=no_repair(problem.costs, 1)))
    bench = ProblemBench(problem)
    assert (gate_action(bench, bench.start) == 0) == looks


def no_repair(costs: Costs, fault: int) -> RepairTables:
    """The tables with a fault that no repair is known for; it has the last place."""
    tables = costs.tables
    start = tables.fault_start.copy()
    start[fault + 1] = start[fault]
    minutes = tables.fault_minutes.copy()
    minutes[fault] = 0.0
    repairs = tables.repair_start.copy()
    repairs[fault + 1] = repairs[fault]
    return tables._replace(fault_start=start, fault_minutes=minutes, repair_start=repairs)
