"""Jobs on the barn cart across repairs: the desk, and a closed problem, against jobs by hand."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.ahead.desk import Desk
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.errors import UnknownNameError
from diagnose.job import prepare
from tests.ahead.forward import (
    after_repair,
    cart,
    every_set,
    likelihood,
    marginals,
    shows,
    weights_by_way,
    weights_of,
)
from tests.commands.carts import CLASH, put_certain_cart

SHOWN = ("runs", "silent", "slow_crank", "other")
"""What trying the cart can show."""

CLOSE = 3e-3
"""Sets of four faults, and what the search leaves out."""

VOLTS = Finding("coil_volts", "full")
NO_VOLTS = Finding("coil_volts", "none")
RELAY = RepairDone("start_relay", "replace", check="silent")
FUSE = RepairDone("main_fuse", "replace", check="silent")
CHARGE = RepairDone("battery", "charge", check="slow_crank")

OTHER_NOW = RepairDone("start_relay", "replace", check="slow_crank")
"""After it the cart does something else."""

JOBS = [
    Situation("silent"),
    Situation("silent", (VOLTS, Finding("hear_relay", "silent"))),
    Situation("silent", past=(Epoch((VOLTS,), RELAY),)),
    Situation("silent", (VOLTS, Finding("hear_relay", "silent")), past=(Epoch((VOLTS,), RELAY),)),
    Situation("silent", (NO_VOLTS,), past=(Epoch((VOLTS,), RELAY), Epoch((), FUSE))),
    Situation("slow_crank", (VOLTS,), past=(Epoch((), CHARGE),)),
    Situation("silent", (Finding("battery_rest", "low"),), past=(Epoch((VOLTS,), OTHER_NOW),)),
]


def number(test: str) -> int:
    return list(cart().machine.tests).index(test)


def place(finding: Finding) -> tuple[int, int]:
    """Number of the test and of the outcome."""
    outcomes = cart().machine.tests[finding.test].outcomes
    return number(finding.test), [one.id for one in outcomes].index(finding.outcome)


def repair_of(done: RepairDone) -> int:
    return cart().costs.repairs.names.index(f"{done.part}.{done.repair}")


def walked(desk: Desk, situation: Situation):
    """The state that a job comes to, step by step."""
    state = desk.start
    for epoch in situation.past:
        for finding in epoch.findings:
            state = desk.after_test(state, *place(finding))
        state = desk.after_repair(state, repair_of(epoch.repair), SHOWN.index(epoch.repair.check))
    for finding in situation.findings:
        state = desk.after_test(state, *place(finding))
    return state


@pytest.mark.parametrize("situation", JOBS)
def test_the_desk_carries_a_job_forward_as_one_does_by_hand(situation: Situation) -> None:
    desk = Desk(cart(), Situation(situation.complaint))
    state = walked(desk, situation)
    wanted = weights_by_way(situation)
    belief = desk.belief(state)
    apart = np.abs(belief.survey.faults - marginals(wanted.sum(axis=0))).max()
    assert apart <= min(belief.left_out, CLOSE)
    of = every_set()
    for test in ("hear_relay", "fuse_lamp", "battery_rest", "move_plug"):
        outcomes = cart().machine.tests[test].outcomes
        seen = [Finding(test, one.id) for one in outcomes]
        chances = [
            sum(own @ likelihood(of, one, way) for way, own in enumerate(wanted)) for one in seen
        ]
        np.testing.assert_allclose(desk.chances(state, number(test)), chances, atol=CLOSE)
    for done in (RELAY, FUSE, CHARGE):
        after = [after_repair(of, own, done) for own in wanted]
        wanted_checks = [
            sum(float(own @ shows(of, shown, way)) for way, own in enumerate(after))
            for shown in SHOWN
        ]
        found = desk.checks(state, repair_of(done))
        assert found == pytest.approx(wanted_checks, abs=CLOSE)
        assert sum(found) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("check", [*SHOWN, None])
def test_what_the_check_showed_by_hand(check: str | None) -> None:
    then = "slow_crank" if check == "slow_crank" else "silent"
    past = (
        Epoch((VOLTS,), RepairDone("start_relay", "replace", check=check)),
        Epoch((), RepairDone("battery", "charge", check=then)),
    )
    situation = Situation("silent", (NO_VOLTS,), past=past)
    desk = Desk(cart(), situation)
    wanted = marginals(weights_of(situation))
    np.testing.assert_allclose(desk.belief(desk.start).survey.faults, wanted, atol=CLOSE)


@pytest.mark.parametrize("situation", JOBS)
def test_a_closed_problem_holds_what_the_desk_holds(situation: Situation) -> None:
    # The same steps over the belief as a problem, its sets all kept.
    desk = Desk(cart(), Situation(situation.complaint))
    bench = desk.thinned(desk.start, 100_000)
    wanted, state = walked(desk, situation), walked(bench, situation)
    faults = bench.outlook(state).survey.faults
    # A new part is taken for good where the problem does not hold the set with it bad.
    np.testing.assert_allclose(faults, desk.belief(wanted).survey.faults, atol=2 * CLOSE)
    np.testing.assert_allclose(
        bench.outlook(state).survey.gain_bits, desk.belief(wanted).survey.gain_bits, atol=0.02
    )
    assert (state.standing.barred == wanted.standing.barred).all()
    assert state.standing.open_areas == wanted.standing.open_areas
    assert state.standing.repairs_done == wanted.standing.repairs_done


@pytest.mark.parametrize("repair", range(7))
def test_a_repair_moves_every_weight_of_a_closed_problem(repair: int) -> None:
    # The compiled move against the same written out set by set.
    desk = Desk(cart(), Situation("silent"))
    bench = desk.thinned(desk.start, 200)
    p = bench.problem
    wanted = np.zeros(p.n_sets)
    for row, share in enumerate(p.prior.tolist()):
        left, stays = p.after[repair, row], share
        for fault, chance in enumerate(p.bad[repair].tolist()):
            if chance and p.joined[left, fault] >= 0:
                wanted[p.joined[left, fault]] += share * chance
                stays -= share * chance
        wanted[left] += stays
    assert bench.checks(bench.start, repair) == pytest.approx(wanted @ p.checks, abs=1e-12)
    for result in range(len(SHOWN)):
        state = bench.after_repair(bench.start, repair, result)
        assert state is not None
        found = np.zeros(p.n_sets)
        found[state.active] = state.weight
        after = wanted * p.checks[:, result]
        np.testing.assert_allclose(found, after / after.sum(), atol=1e-8)


def test_the_order_of_findings_between_two_repairs_does_not_matter() -> None:
    desk = Desk(cart(), Situation("silent"))
    steps = [place(Finding("coil_volts", "none")), place(Finding("fuse_lamp", "bright"))]
    one, two = desk.start, desk.start
    for step in steps:
        one = desk.after_test(one, *step)
    for step in reversed(steps):
        two = desk.after_test(two, *step)
    assert one.key == two.key
    assert desk.belief(one) is desk.belief(two)


def test_a_repair_that_ends_it_clears_what_lies_in_the_same_path() -> None:
    # Common practice, no source: it cranks now, so all that is in the path works.
    ready = prepare("utility_vehicle")
    done = RepairDone("ignition_fuse", "replace", check="runs")
    fault = ready.faults.index(("stop_switch", "open"))
    before = ready.belief(Situation("silent")).survey.faults[fault]
    after = ready.belief(Situation("silent", past=(Epoch((), done),))).survey.faults[fault]
    assert before > 0.03
    assert after < 0.005


def test_what_cannot_be_has_no_state(tmp_path) -> None:
    desk = Desk(prepare(put_certain_cart(tmp_path)), Situation("silent"))
    (first, outcome), (second, other) = (place(Finding(*clash)) for clash in CLASH.items())
    state = desk.after_test(desk.start, first, outcome)
    assert desk.after_test(state, second, other) is None
    bench = ProblemBench(desk.thinned(desk.start, 10_000).problem)
    after = bench.after_test(bench.start, first, outcome)
    assert bench.after_test(after, second, other) is None


def test_a_repair_that_there_is_not_is_named() -> None:
    past = (Epoch((), RepairDone("start_relay", "paint")),)
    desk = Desk(cart(), Situation("silent", past=past))
    with pytest.raises(UnknownNameError, match="paint"):
        desk.belief(desk.start)
