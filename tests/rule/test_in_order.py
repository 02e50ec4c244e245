"""Who complained saw something; and what comes and goes reads good while nobody moves it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.ahead.state import ProblemBench
from diagnose.belief.survey import Survey
from diagnose.job import prepare
from diagnose.rule.decide import look
from diagnose.rule.in_order import Counting, at_his_word, bits_about_blame
from tests.trial.small import small_problem

LOOSE, BROKEN = 0, 1
GOOD, BAD, STEADY, GOES = range(4)

GIVEN = {GOOD: (0.99, 0.3, 0.01), BAD: (0.01, 0.7, 0.99), STEADY: (0.99, 0.2, 0.99)}
GIVEN[GOES] = tuple(1.0 - chance for chance in GIVEN[STEADY])
"""Outcome -> its chance with nothing wrong, with a loose joint, with a broken one."""


def known(in_order: float, loose: float, broken: float) -> Survey:
    """A reading, then moving it by hand."""
    table = np.array([GIVEN[outcome] for outcome in (GOOD, BAD, STEADY, GOES)])
    weight = np.array([in_order, loose, broken])
    return Survey(
        start=np.array([0, 2, 4], dtype=np.int32),
        chance=table @ weight,
        gain_bits=np.array([0.5, 0.25]),
        faults=weight[1:],
        joint=table[:, 1:] * weight[1:],
        fine=table[:, 0] * in_order,
        in_order=in_order,
    )


def counting(most: float = 0.5) -> Counting:
    """The loose one runs half of the time; only the second test moves it."""
    return Counting(np.ones(2), np.array([0.5, 0.0]), np.array([False, True]), most)


def test_the_customer_is_taken_at_his_word_by_hand() -> None:
    # In order with 0.9, which counts as 0.5; loose and broken go from 0.08 and 0.02 to 0.4 and 0.1.
    # The reading is good with 0.99 on a loose one as well, as long as it is not moved.
    asked = at_his_word(known(0.9, 0.08, 0.02), counting())
    assert asked.in_order == pytest.approx(0.5)
    np.testing.assert_allclose(asked.faults, [0.4, 0.1])
    np.testing.assert_allclose(asked.fine, 0.5 * np.array([0.99, 0.01, 0.99, 0.01]))
    np.testing.assert_allclose(asked.joint[GOOD], [0.4 * 0.99, 0.1 * 0.01])
    np.testing.assert_allclose(asked.joint[GOES], [0.4 * 0.8, 0.1 * 0.01])
    good = 0.5 * 0.99 + 0.4 * 0.99 + 0.1 * 0.01
    goes = 0.5 * 0.01 + 0.4 * 0.8 + 0.1 * 0.01
    np.testing.assert_allclose(asked.chance, [good, 1.0 - good, 1.0 - goes, goes])
    assert asked.gain_bits[1] > asked.gain_bits[0]


def test_what_may_well_run_is_not_measured_for_a_loose_joint() -> None:
    # 0.3 is no more than half, so it stays; the reading tells nothing of the loose one even so.
    asked = at_his_word(known(0.3, 0.5, 0.2), counting())
    assert asked.in_order == pytest.approx(0.3)
    np.testing.assert_allclose(asked.faults, [0.5, 0.2])
    np.testing.assert_allclose(asked.joint[BAD], [0.5 * 0.01, 0.2 * 0.99])


@pytest.mark.parametrize(("in_order", "most"), [(0.1, 0.5), (0.9, 1.0)])
def test_what_does_not_run_and_what_is_not_asked_for_stays(in_order: float, most: float) -> None:
    told = known(in_order, 0.6 * (1.0 - in_order), 0.4 * (1.0 - in_order))
    assert at_his_word(told, counting(most)) is told


@pytest.mark.parametrize(("in_order", "stays"), [(0.19, True), (0.2, True), (0.21, False)])
def test_a_machine_that_is_in_order_with_more_than_a_fifth_may_run(
    in_order: float, *, stays: bool
) -> None:
    told = known(in_order, 0.6 * (1.0 - in_order), 0.4 * (1.0 - in_order))
    asked = at_his_word(told, counting())
    assert (asked is told) == stays
    assert asked.in_order == in_order  # less than half, so it is not taken down


@pytest.mark.parametrize(("in_order", "counted"), [(0.45, 0.45), (0.55, 0.5), (0.9, 0.5)])
def test_no_more_than_half_counts_as_in_order_unless_told_otherwise(
    in_order: float, counted: float
) -> None:
    # Two faults and a machine that may be in order, with nothing to test.
    problem = small_problem(np.array([0.6, 0.4]), [], [], [20.0, 30.0])
    bench = ProblemBench(problem)
    start = bench.start
    faults = np.array([0.6, 0.4]) * (1.0 - in_order)
    survey = bench.outlook(start).survey._replace(in_order=in_order, faults=faults)
    outlook = look(survey, problem.explains, problem.costs, start.standing)
    assert outlook.asked.in_order == pytest.approx(counted)
    np.testing.assert_allclose(outlook.asked.faults, np.array([0.6, 0.4]) * (1.0 - counted))
    believed = look(survey, problem.explains, problem.costs, start.standing, most_in_order=1.0)
    assert believed.asked.in_order == in_order


def test_bits_about_blame_are_those_of_their_definition() -> None:
    told = known(0.5, 0.4, 0.1)
    found = bits_about_blame(told.start, told.chance, told.fine, told.joint)
    weight = (0.5, 0.4, 0.1)
    for test, outcomes in enumerate(((GOOD, BAD), (STEADY, GOES))):
        bits = 0.0
        for outcome in outcomes:
            whole = sum(w * p for w, p in zip(weight, GIVEN[outcome], strict=True))
            for w, p in zip(weight, GIVEN[outcome], strict=True):
                bits += w * p * math.log2(p / whole)
        assert found[test] == pytest.approx(bits, rel=1e-9)


def test_a_loose_joint_hides_half_of_the_time_and_a_break_never() -> None:
    # Trying the machine shows it with the joint made or parted: by turns where it comes and goes,
    # which every other one does; three in ten stay made, two in ten parted.
    ready = prepare("zero_turn_mower")
    hides = ready.hides["silent"]
    assert hides[ready.faults.index(("relay_ground", "loose"))] == pytest.approx(0.55)
    assert hides[ready.faults.index(("relay_ground", "open"))] == 0.0
    moving = ready.costs.tests.moving
    assert moving is not None
    for name, moves in zip(ready.costs.tests.names, moving.tolist(), strict=True):
        assert moves == (ready.machine.tests[name].kind in {"wiggle", "try"}), name
