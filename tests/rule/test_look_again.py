"""One number that may be misread is looked at again before a good wire is cut."""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnose.ahead.desk import Desk
from diagnose.job import Job, prepare
from diagnose.rule.decide import decide, look
from diagnose.rule.look_again import chance_in_vain, doubted_before, minutes_at_stake

PUMP = "standby_pump"
FOUND = {
    "listen_fuel": "released",
    "try_it": "silent",
    "call_in_volts": "none",
    "bridge_float": "silent",
    "float_feed_volts": "full",
    "float_out_volts": "full",
}
"""A level switch that is open, and a call that was misread: all else speaks for the call's wire."""


@pytest.fixture
def job() -> Job:
    found = Job.open(PUMP, "silent").open_area("panel").open_area("pond_box")
    for test, outcome in FOUND.items():
        found = found.record(test, outcome)
    return found


def test_the_reading_is_looked_at_again_before_the_splice(job: Job) -> None:
    verdict = job.advise().verdict
    assert (verdict.action, verdict.target) == ("recheck", "call_in_volts")
    again = job.record_again("call_in_volts", "none").advise().verdict
    assert (again.action, again.target) == ("repair", "call_wire.repair")
    other = job.record_again("call_in_volts", "full").advise().verdict
    assert other.target != "call_wire.repair"


def test_what_is_at_stake_by_hand(job: Job) -> None:
    # Labour, price at the labour rate, check, what is still to be opened; and 30 minutes for a good
    # part or a good wire. A fuse and a cleaned joint are nothing lost.
    ready = prepare(PUMP)
    belief = ready.belief(job.situation)
    costs, shop = ready.costs, ready.machine.shop
    standing = Desk.standing_of(ready, job.situation)
    decision = decide(look(belief.survey, ready.blamed("silent", belief), costs, standing), costs)

    def stake(name: str) -> float:
        names = (*costs.tests.names, *costs.repairs.names)
        return minutes_at_stake(ready, decision.outlook, names.index(name))

    wire = next(r for r in ready.machine.parts["call_wire"].repairs if r.id == "repair")
    wanted = wire.minutes + 60.0 * wire.price_eur / shop.labour_eur_per_hour + shop.check_minutes
    assert stake("call_wire.repair") == pytest.approx(wanted + 30.0)
    assert stake("start_relay.replace") > 30.0
    assert stake("panel_fuse.replace") == stake("coil_ground.clean") == 0.0
    assert stake("level_in_volts") == pytest.approx(ready.machine.tests["level_in_volts"].minutes)
    assert minutes_at_stake(ready, decision.outlook, costs.hand_over) > shop.escalate_minutes


def test_it_pays_where_the_chance_of_a_slip_is_worth_the_minutes(job: Job) -> None:
    ready = prepare(PUMP)
    belief = ready.belief(job.situation)
    standing = Desk.standing_of(ready, job.situation)
    hides = ready.hides["silent"]
    decision = decide(
        look(belief.survey, ready.blamed("silent", belief), ready.costs, standing, hides),
        ready.costs,
    )
    slip = belief.likeliest_slip
    assert slip is not None
    assert belief.doubt is None  # less likely a slip than not
    assert doubted_before(ready, belief, decision.outlook, decision.action) == slip
    minutes = ready.machine.tests[slip.test].minutes
    least = minutes / minutes_at_stake(ready, decision.outlook, decision.action)
    assert least < slip.slip
    unlikely = replace(belief, likeliest_slip=replace(slip, slip=0.99 * least))
    assert doubted_before(ready, unlikely, decision.outlook, decision.action) is None


def test_a_repair_that_is_proven_is_not_done_on_a_slip(job: Job) -> None:
    ready = prepare(PUMP)
    belief = ready.belief(job.situation)
    standing = Desk.standing_of(ready, job.situation)
    decision = decide(
        look(belief.survey, ready.blamed("silent", belief), ready.costs, standing), ready.costs
    )
    repair = decision.action - ready.costs.n_tests
    fixes = ready.costs.repairs.fixes[repair].astype(float)
    for proven in (0.6, 0.98, 1.0):
        blame = proven * fixes / fixes.sum()
        sure = replace(decision.outlook, blame=blame)
        in_vain = 1.0 - proven * (1.0 - sure.asked.in_order)
        assert chance_in_vain(ready, sure, decision.action) == pytest.approx(in_vain)
        looked = doubted_before(ready, belief, sure, decision.action)
        assert (looked is None) == (proven > 0.99)
    assert chance_in_vain(ready, decision.outlook, 0) == 1.0
    assert chance_in_vain(ready, decision.outlook, ready.costs.hand_over) == 1.0
