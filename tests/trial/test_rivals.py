"""Rules of the policies by hand: before handing over, and along the wiring."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from diagnose.rule.hand_over import PATIENCE, minutes_if_known, worth_testing_on
from diagnose.ahead.along_wiring import SourceToLoad, read_wiring
from diagnose.ahead.expected import Expected
from diagnose.ahead.policies import Gate
from diagnose.decision.ready_problems import ready_problems
from diagnose.ahead.state import Bench
from diagnose.trial.figures import difference
from diagnose.trial.optimum import optimal_minutes
from diagnose.trial.run import workshop_of
from diagnose.trial.simulate import simulate
from diagnose.trial.small import small_problem
from tests import shipped


def reads(*lost: bool) -> np.ndarray:
    """(faults, 2): a reading that is lost with some faults and good with the others."""
    return np.array([[0.0, 1.0] if one else [1.0, 0.0] for one in lost])


def test_minutes_if_known_by_hand() -> None:
    # 0.5 of a fault that 30 minutes mend, 0.2 of one that only a 200-minute repair mends, which is
    # handed over for 120 instead; the last 0.3 too: 0.5 * 30 + 0.5 * 120 = 75.
    fixes = np.array([[1, 0, 0], [1, 0, 0], [0, 1, 0]], dtype=np.int8)
    minutes = np.array([30.0, 45.0, 200.0])
    found = minutes_if_known(np.array([0.5, 0.2, 0.1]), fixes, minutes, 120.0)
    assert found == pytest.approx(75.0)
    assert minutes_if_known(np.zeros(3), fixes[:0], minutes[:0], 120.0) == pytest.approx(120.0)


def test_testing_on_by_hand() -> None:
    # 75 minutes if known and 2 bits of doubt: at 0.5 bits a minute 3 * 2 / 0.5 = 12 minutes more.
    assert PATIENCE == 3.0
    assert worth_testing_on(75.0, 2.0, 0.5, 87.1)
    assert not worth_testing_on(75.0, 2.0, 0.5, 87.0)
    assert not worth_testing_on(75.0, 2.0, 0.0, 1e9)


def several() -> Bench:
    """Four faults: no single test leads to a repair, two together find one of them."""
    # Repairs of 78 + 2 minutes, handing over 100. After one test the best of two faults has 0.5:
    # 80 + 0.5 * 100 = 130 > 100, so it is handed over all the same. After both it is known: 80.
    both = [reads(True, True, False, False), reads(True, False, True, False)]
    problem = small_problem(np.full(4, 0.25), both, [1.0, 1.0], [78.0] * 4, escalate_minutes=100.0)
    return Bench(problem)


def test_the_gate_does_not_hand_over_what_two_tests_find() -> None:
    bench = several()
    # known 80, 2 bits at 1 bit a minute: 80 + 3 * 2 = 86 < 100
    assert Gate().decide(bench, bench.start) == 0
    assert Expected(bench, Gate()).minutes(bench.start) == pytest.approx(82.0)
    assert optimal_minutes(bench.problem) == pytest.approx(82.0)


def test_whoever_is_sure_of_nothing_hands_over_in_the_end() -> None:
    telling_nothing = np.full((2, 2), 0.5)
    problem = small_problem(
        np.array([0.5, 0.5]), [telling_nothing], [1.0], [70.0, 70.0], escalate_minutes=60.0
    )
    bench = Bench(problem)
    assert Gate().decide(bench, bench.start) == problem.escalate


def chain(n: int, repair_minutes: float = 30.0) -> Bench:
    """A chain of n parts with a measuring point behind each: all behind the open one are dead."""
    points = [reads(*(fault <= point for fault in range(n))) for point in range(n)]
    return Bench(small_problem(np.full(n, 1.0 / n), points, [1.0] * n, [repair_minutes] * n))


def follow(bench: Bench, fault: int) -> list[int]:
    """What is done along the wiring with a fault in a part."""
    policy, state, done = SourceToLoad(), bench.start, []
    for _ in range(40):
        done.append(policy.decide(bench, state))
        if done[-1] >= bench.problem.n_tests:
            break
        start = bench.problem.tables.start[done[-1]]
        outcome = int(bench.problem.tables.like[fault, start : start + 2].argmax())
        after = bench.after_test(state, done[-1], outcome)
        assert after is not None
        state = after
    return done


@pytest.mark.parametrize("fault", range(5))
def test_points_are_measured_in_turn_until_the_volts_are_lost(fault: int) -> None:
    # By hand: with part k open, points 0 to k are measured, nothing behind; then part k. That the
    # last part is left over follows from the one before it.
    bench = chain(5)
    wanted = [*range(min(fault, 3) + 1), bench.problem.n_tests + fault]
    assert follow(bench, fault) == wanted


def test_points_that_only_exclusion_shows_to_be_good_are_measured_all_the_same() -> None:
    # The look at the load (test 0) shows that it is fault 2 or 3. That point 1 reads good then
    # follows from it, but he who goes along the wiring measures it. Point 2 only repeats the look.
    points = [
        reads(False, False, True, True),
        reads(True, False, False, False),
        reads(True, True, False, False),
        reads(True, True, True, False),
    ]
    bench = Bench(small_problem(np.full(4, 0.25), points, [1.0] * 4, [30.0] * 4))
    assert follow(bench, 2) == [0, 1, 3, bench.problem.n_tests + 2]


def test_what_is_left_is_looked_at_closer_if_that_is_quicker_than_a_repair() -> None:
    # Test 0 lies on the way, test 1 (not in the order of the wiring) tells parts 0 and 1 apart.
    tests = [reads(True, True, False), reads(True, False, False)]
    for repair_minutes, wanted in (([3.0, 3.0, 30.0], 1), ([1.0, 1.0, 30.0], 2)):
        problem = small_problem(np.full(3, 1 / 3), tests, [1.0, 4.0], repair_minutes)
        object.__setattr__(problem.tests, "order", (0,))
        bench = Bench(problem)
        state = bench.after_test(bench.start, 0, 1)
        assert state is not None
        assert SourceToLoad().decide(bench, state) == wanted


@cache
def wiring_of(name: str, complaint: str):
    problem = ready_problems(shipped.behaviour(name).machine).problem(complaint)
    return problem, read_wiring(problem)


def test_one_begins_at_the_seat_and_the_battery() -> None:
    # Common practice, no source: what can be seen and heard first, then from the battery outwards;
    # of all that could be measured a part only, because the rest lies beyond a branch.
    problem, wiring = wiring_of("utility_vehicle", "silent")
    names = [problem.tests.names[test] for test in wiring.on_the_way]
    places = [names.index(n) for n in ("listen_relay", "ignition_fuse_volts", "trigger_volts")]
    assert places == sorted(places)
    assert len(names) < len(problem.tests.order) / 2


def test_no_point_is_measured_twice() -> None:
    # A lamp after the meter at the same point tells nothing new here, nor does the third test.
    meter, lamp = reads(True, True, False), 1.0 - reads(True, True, False)
    tests = [meter, lamp, reads(True, False, False), reads(False, False, False)]
    problem = small_problem(np.full(3, 1 / 3), tests, [1.0] * 4, [30.0] * 3)
    assert read_wiring(problem).on_the_way == (0, 2)


@pytest.mark.parametrize("name", shipped.NAMES)
def test_he_who_measures_along_the_wiring_is_no_straw_man(name: str) -> None:
    # A crippled rival would lose to whoever repairs at a guess, or replace more good parts; the
    # guesser does not mind them here, or he would hand most jobs over.
    machine = shipped.behaviour(name).machine
    careless = replace(
        machine,
        shop=replace(machine.shop, good_part_minutes=0.0),
        content_hash=f"{machine.content_hash} careless",
    )
    problems = ready_problems(careless).held
    along, guessed = (
        simulate(workshop_of(problems, policy), 250, 1)
        for policy in ("source_to_load", "repair_only")
    )
    saved = difference(along, guessed)
    assert saved.minutes.low > 0.0
    assert saved.good_parts.low > 0.0


def test_a_chain_takes_half_the_points_on_average() -> None:
    # By hand for 5 parts: (1 + 2 + 3 + 4 + 4) / 5 = 2.8 points and one repair of 30 + 2.
    bench = chain(5)
    found = Expected(bench, SourceToLoad()).minutes(bench.start)
    assert found == pytest.approx(2.8 + 32.0)
