"""Measuring along the wiring, by hand: plain logic over what each single fault shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.along_wiring import SourceToLoad, Wiring, _on_the_way, read_wiring
from diagnose.ahead.desk import Desk
from diagnose.ahead.expected import Expected
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Situation
from diagnose.job import prepare
from tests.commands.carts import CART
from tests.trial.small import small_problem

if TYPE_CHECKING:
    from diagnose.rule.prepared import Prepared


def reads(*lost: bool) -> np.ndarray:
    """(faults, 2): a reading that is lost with some faults and good with the others."""
    return np.array([[0.0, 1.0] if one else [1.0, 0.0] for one in lost])


class Along(SourceToLoad):
    """The policy on a made-up problem, whose tests lie along the wiring in their order."""

    def __init__(self, problem, order: tuple[int, ...] | None = None) -> None:
        super().__init__()
        n, tables = problem.n_faults, problem.tables
        chances = np.split(tables.like[:n], tables.start[1:-1], axis=1)
        shows = np.stack([one.argmax(axis=1) for one in chances], axis=1)
        good = np.zeros(len(chances), dtype=np.int64)
        tests = tuple(range(len(chances))) if order is None else order
        way = _on_the_way(tests, shows, good)
        self.wiring = Wiring(np.ones(n, dtype=bool), problem.prior[:n], shows, good, way)

    def _wiring(self, _bench, _state) -> Wiring:
        return self.wiring


class Bay(ProblemBench):
    """A made-up problem in a shop whose machine has no test that tries it, as the cart."""

    @property
    def prepared(self) -> Prepared:
        return prepare(CART)


def chain(n: int) -> Bay:
    """A chain of n parts with a measuring point behind each: all behind the open one are dead."""
    points = [reads(*(fault <= point for fault in range(n))) for point in range(n)]
    return Bay(small_problem(np.full(n, 1.0 / n), points, [1.0] * n, [30.0] * n))


def follow(bench: Bay, fault: int) -> list[int]:
    """What is done along the wiring with a fault in a part."""
    policy, state, done = Along(bench.problem).decide, bench.start, []
    for _ in range(40):
        done.append(policy(bench, state))
        if done[-1] >= bench.costs.n_tests:
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
    wanted = [*range(min(fault, 3) + 1), bench.costs.n_tests + fault]
    assert follow(bench, fault) == wanted


def test_a_chain_takes_half_the_points_on_average() -> None:
    # By hand for 5 parts: (1 + 2 + 3 + 4 + 4) / 5 = 2.8 points and one repair of 30 + 2.
    bench = chain(5)
    found = Expected(bench, Along(bench.problem).decide).minutes(bench.start)
    assert found == pytest.approx(2.8 + 32.0)


def test_points_that_only_exclusion_shows_to_be_good_are_measured_all_the_same() -> None:
    # The look at the load (test 0) shows that it is fault 2 or 3. That point 1 reads good then
    # follows from it, but he who goes along the wiring measures it. Point 2 only repeats the look.
    points = [
        reads(False, False, True, True),
        reads(True, False, False, False),
        reads(True, True, False, False),
        reads(True, True, True, False),
    ]
    bench = Bay(small_problem(np.full(4, 0.25), points, [1.0] * 4, [30.0] * 4))
    assert follow(bench, 2) == [0, 1, 3, bench.costs.n_tests + 2]


@pytest.mark.parametrize(("repair_minutes", "wanted"), [(3.0, 1), (1.0, 2)])
def test_what_is_left_is_looked_at_closer_if_quicker_than_a_repair(
    repair_minutes: float, wanted: int
) -> None:
    # Test 0 lies on the way, test 1 of 4 minutes (not in the order of the wiring) tells parts 0
    # and 1 apart; a repair takes 3 + 2 or 1 + 2 minutes.
    tests = [reads(True, True, False), reads(True, False, False)]
    problem = small_problem(
        np.full(3, 1 / 3), tests, [1.0, 4.0], [repair_minutes, repair_minutes, 30.0]
    )
    bench = Bay(problem)
    state = bench.after_test(bench.start, 0, 1)
    assert state is not None
    assert Along(problem, order=(0,)).decide(bench, state) == wanted


def test_no_point_is_measured_twice() -> None:
    # A lamp after the meter at the same point tells nothing new here, nor does the third test.
    meter, lamp = reads(True, True, False), 1.0 - reads(True, True, False)
    tests = [meter, lamp, reads(True, False, False), reads(False, False, False)]
    problem = small_problem(np.full(3, 1 / 3), tests, [1.0] * 4, [30.0] * 3)
    assert Along(problem).wiring.on_the_way == (0, 2)


def test_an_unclear_finding_excludes_nothing() -> None:
    # By hand: a reading that slips 3 times in 100 leaves 0.03 / 0.97 < 0.05 of its likelihood to
    # the fault it speaks against, which is out; one that slips once in ten leaves 0.11.
    for slip, left in ((0.03, True), (0.1, False)):
        clear = np.array([[slip, 1.0 - slip], [1.0 - slip, slip]])
        problem = small_problem(np.array([0.5, 0.5]), [clear, clear], [1.0, 1.0], [30.0, 30.0])
        bench = Bay(problem)
        state = bench.after_test(bench.start, 0, 1)
        assert state is not None
        action = Along(problem).decide(bench, state)
        # only one fault is left: its repair; else the quickest test that tells them apart
        assert action == (bench.costs.n_tests if left else 1)


def test_the_machine_is_tried_first_and_then_what_it_shows_is_followed() -> None:
    # Common practice, no source: turn the key yourself before anything is opened. The customer
    # said that nothing happens; it clicks, so from then on the wiring of a click is followed.
    ready = prepare("utility_vehicle")
    desk, policy = Desk(ready, Situation("silent")), SourceToLoad().decide
    names = ready.costs.tests.names
    first = policy(desk, desk.start)
    trying = ready.machine.tests[names[first]]
    assert trying.kind == "try"
    outcome = [one.id for one in trying.outcomes].index("one_click")
    state = desk.after_test(desk.start, first, outcome)
    assert state is not None
    told, shown = (
        read_wiring(ready, complaint).on_the_way for complaint in ("silent", "one_click")
    )
    assert told != shown
    done = []
    for _ in range(3):
        test = policy(desk, state)
        assert test < len(names)
        done.append(test)
        good = int(read_wiring(ready, "one_click").good[test])
        state = desk.after_test(state, test, good)
        assert state is not None
    assert done == [test for test in shown if test in done]


def test_one_begins_at_the_seat_and_the_battery() -> None:
    # Common practice, no source: what can be seen and heard first, then from the battery outwards;
    # of all that could be measured a part only, because the rest lies beyond a branch.
    ready = prepare("utility_vehicle")
    wiring = read_wiring(ready, "silent")
    names = [ready.costs.tests.names[test] for test in wiring.on_the_way]
    places = [names.index(n) for n in ("try_crank", "ignition_fuse_volts", "trigger_volts")]
    assert places == sorted(places)
    assert len(names) < ready.costs.n_tests / 2


def test_what_each_fault_shows_is_what_the_circuit_gives() -> None:
    # Independent of the tables: with the fuse of the ignition open, the volts behind it are gone,
    # those before it are not.
    ready = prepare("utility_vehicle")
    wiring = read_wiring(ready, "silent")
    fault = ready.faults.index(("ignition_fuse", "open"))
    assert wiring.single[fault]
    for name, lost in (("ignition_fuse_volts", True), ("main_fuse_out_volts", False)):
        test = ready.costs.tests.names.index(name)
        assert (wiring.shows[fault, test] != wiring.good[test]) == lost
    assert wiring.prior[fault] > 0.0
