"""How jobs end: what is repaired, what is handed over, what is never asked for.

Whole jobs by the advice, with what is wrong known to the machine alone; see
`tests/rule/answered_jobs`. What a job should come to is common practice, no source; minutes are
added up by hand.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.desk import Desk
from diagnose.ahead.problem import without
from diagnose.ahead.state import ProblemBench
from diagnose.belief.factors import transition
from diagnose.belief.situation import Epoch, RepairDone, Situation
from diagnose.job import Job, prepare
from diagnose.machine.load import load_machine
from diagnose.rule.decide import decide, look
from diagnose.trial.shop import Shop, Truth
from tests.commands.carts import CART
from tests.rule.answered_jobs import answered
from tests.trial.small import small_problem

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

VEHICLE = "utility_vehicle"
COIL = ("start_relay", "coil_open")


def changed(machine: Machine, part: str, name: str, **changes: object) -> Machine:
    """A machine with one repair otherwise than in its file."""
    own = machine.parts[part]
    repairs = tuple(replace(r, **changes) if r.id == name else r for r in own.repairs)
    return replace(
        machine,
        parts={**machine.parts, part: replace(own, repairs=repairs)},
        content_hash=f"{machine.id} {part}.{name} {changes!r}",
    )


@cache
def licensed() -> Machine:
    """The cart, whose relay only a licensed hand may change."""
    return changed(load_machine(CART), "start_relay", "replace", licensed=True)


@cache
def one_piece() -> Machine:
    """The cart, whose new main fuse comes in one piece with the key switch."""
    also = {"key_switch": ("open", "stuck_closed")}
    return changed(load_machine(CART), "main_fuse", "replace", also=also)


def test_a_proven_part_is_fitted_although_it_is_dearer_than_handing_over() -> None:
    # A starter of 35 minutes and 165 EUR (127 minutes at 78 EUR an hour) where handing over is
    # worth 60: whoever it is handed over to fits the same starter, and the 60 come on top.
    machine = load_machine(VEHICLE)
    assert 35.0 + 60.0 * 165.0 / machine.shop.labour_eur_per_hour > 160.0
    shop = replace(machine.shop, escalate_minutes=60.0)
    cheap = replace(machine, shop=shop, content_hash="handing over is cheap")
    found = answered(cheap, "one_click", ("starter_motor", "open"))
    assert (found.end, found.repairs) == ("done", ["starter_motor.replace"])


@pytest.mark.parametrize("complaint", load_machine(VEHICLE).complaints)
def test_what_the_file_does_not_list_is_handed_over_with_no_part_fitted(complaint: str) -> None:
    found = answered(VEHICLE, complaint, ("unlisted", complaint))
    assert found.end == "escalate"
    new = [name for name in found.repairs if name.endswith(".replace")]
    assert not new


def test_a_licensed_repair_is_handed_over() -> None:
    # Known or not, it is not done here; without the licence the same job ends with a new relay.
    assert answered(CART, "silent", COIL).repairs == ["start_relay.replace"]
    found = answered(licensed(), "silent", COIL)
    assert found.end == "escalate"
    assert "start_relay.replace" not in found.repairs


def test_handing_over_a_licensed_repair_costs_it_as_well() -> None:
    # By hand: 180, and the relay's 20 minutes, 32 EUR at 78 an hour and the check of 2. One that
    # knows what is wrong can do no better.
    ready = prepare(licensed())
    shop = Shop(ready, "silent")
    truth = Truth((ready.faults.index(COIL),), 0)
    wanted = 180.0 + 20.0 + 60.0 * 32.0 / 78.0 + 2.0
    assert shop.handed_over(truth) == pytest.approx(wanted)
    assert shop.known_minutes(truth) == pytest.approx(wanted)
    row = ready.costs.repairs.names.index("start_relay.replace")
    assert row not in shop.repairs(truth)


def test_what_is_put_right_with_a_part_is_right() -> None:
    # By hand: the new fuse puts the switch right too, and only the fuse can be bad when new.
    ready = prepare(one_piece())
    switch, fuse = (ready.faults.index((part, "open")) for part in ("key_switch", "main_fuse"))
    row = ready.costs.repairs.names.index("main_fuse.replace")
    done = transition(ready.sets, RepairDone("main_fuse", "replace"))
    mended = {("key_switch", "open"), ("key_switch", "stuck_closed")}
    mended |= {("main_fuse", "open"), ("main_fuse", "resistive")}
    assert {ready.faults[f] for f in np.flatnonzero(done.fixed)} == mended
    assert {ready.faults[f][0] for f in done.bad} == {"main_fuse"}
    truth = Truth(tuple(sorted((switch, fuse))), 0)
    assert Shop(ready, "silent").mend(truth, row, 1.0).faults == ()
    assert without(ready.costs, truth.faults, row) == ()
    # seat 2 + 3, fuse 3, 1 EUR at 78 an hour, check 2
    known = 5.0 + 3.0 + 60.0 / 78.0 + 2.0
    assert Shop(ready, "silent").known_minutes(truth) == pytest.approx(known)


def test_what_was_put_right_with_a_part_is_not_suspected_any_more() -> None:
    # Silent as before after the new fuse. Where the key switch came with it, the switch is out; in
    # the cart as it is, the switch has gained on the fuse.
    past = (Epoch((), RepairDone("main_fuse", "replace", "silent")),)
    chances = []
    for machine in (load_machine(CART), one_piece()):
        ready = prepare(machine)
        fault = ready.faults.index(("key_switch", "open"))
        chances.append(ready.belief(Situation("silent", past=past)).survey.faults[fault])
    as_it_is, together = chances
    assert as_it_is > 0.02
    assert together < 1e-6


def test_a_relay_and_a_cable_behind_it() -> None:
    # After the new relay it clicks and does not turn: that leads on to the cable, no second relay.
    found = answered(VEHICLE, "silent", COIL, ("starter_cable", "open"))
    assert found.repairs[0] == "start_relay.replace"
    assert found.shown[0] == "one_click"
    assert found.end == "done"
    assert found.repairs.count("start_relay.replace") == 1
    assert set(found.repairs[1:]) <= {"starter_cable.replace", "starter_terminal.clean"}
    before = answered(VEHICLE, "one_click", ("starter_cable", "open"))
    assert before.repairs[-1] == found.repairs[-1] == "starter_cable.replace"


@pytest.mark.parametrize(("chance", "barred"), [(0.45, False), (0.55, True)])
def test_what_can_most_likely_not_be_done_is_not_asked_for(chance: float, *, barred: bool) -> None:
    # By hand: a perfect test that tells the first fault from the second, except that the machine
    # does not get there with the third, which has this chance; it is the last of its outcomes.
    tells = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    rest = (1.0 - chance) / 2.0
    problem = small_problem(np.array([rest, rest, chance]), [tells], [1.0], [30.0, 40.0, 50.0])
    tests = replace(problem.costs.tests, cannot=np.array([2]))
    problem = replace(problem, costs=replace(problem.costs, tests=tests))
    bench = ProblemBench(problem)
    outlook = bench.outlook(bench.start)
    found = decide(
        look(outlook.survey, problem.explains, problem.costs, bench.start.standing), problem.costs
    )
    assert bool(found.outlook.standing.barred[0]) == barred
    assert (found.action == 0) == (not barred)


def test_nothing_is_measured_on_a_running_engine_that_does_not_run() -> None:
    # Of a silent vehicle nothing is asked for with the engine running; once it runs, it is.
    job = Job.open(VEHICLE, "silent")
    needing = {
        test.id
        for test in job.machine.tests.values()
        if test.condition and job.machine.conditions[test.condition].needs
    }
    assert needing
    assert not needing & {one.test for one in job.advise().tests}
    first = sorted({need for name in needing for need in job.machine.tests[name].needs})
    for name in first:
        job = job.record(name, job.machine.tests[name].outcomes[0].id)
    assert not needing & {one.test for one in job.advise().tests}
    fixed = job.repair("start_relay", "replace", "runs")
    desk = Desk(job.prepared, fixed.situation)
    open_now = ~desk.outlook(desk.start).standing.barred
    names = {name for name, free in zip(desk.costs.tests.names, open_now, strict=True) if free}
    assert needing <= names


def test_the_check_after_a_repair_is_not_asked_for_twice() -> None:
    # Whoever has just tried it need not try it again; whoever has not may.
    job = Job.open(VEHICLE, "silent").record("try_it", "silent")
    for check, asked in (("one_click", False), (None, True)):
        after = job.repair("start_relay", "replace", check)
        assert ("try_it" in {one.test for one in after.advise().tests}) == asked
    desk = Desk(job.prepared, job.situation)
    bench = desk.thinned(desk.start, 100)
    state = bench.after_repair(bench.start, 0, 1)
    assert state is not None
    assert state.standing.barred[bench.costs.tests.names.index("try_it")]


def test_a_fuse_is_not_charged_as_a_part_fitted_in_vain() -> None:
    # By hand on the cart with 30 minutes for sparing a good part: a new fuse in vain costs its 3
    # minutes, its EUR and the check alone, a new relay 30 more.
    shop = replace(load_machine(CART).shop, good_part_minutes=30.0)
    machine = replace(load_machine(CART), shop=shop, content_hash="good parts are spared")
    costs = prepare(machine).costs
    waste = dict(zip(costs.repairs.names, costs.tables.repair_waste.tolist(), strict=True))
    assert waste["main_fuse.replace"] == 0.0
    assert waste["battery.charge"] == 0.0
    assert waste["start_relay.replace"] == 30.0
    assert waste["battery.replace"] == 30.0
