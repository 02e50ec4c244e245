"""A battery is charged before it is condemned, unless a reading proves it dead.

Common practice, no source; battery makers ask for it before they take one back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.ahead.state import ProblemBench
from diagnose.ahead.world import ProblemWorld
from diagnose.belief.survey import survey
from diagnose.job import Job, prepare
from diagnose.rule.decide import decide, in_turn, look
from tests.trial.small import small_problem

MACHINES = ("compact_tractor", "standby_pump", "utility_vehicle", "zero_turn_mower", "work_boat")


def test_what_comes_before_by_hand() -> None:
    # Three faults, a repair each. Repair 1 comes before repair 0 unless fault 0 is proven, that is
    # above nine tenths of what repair 0 is for; once it was done it does not come again.
    problem = small_problem(np.array([0.5, 0.2, 0.3]), [], [], [10.0, 20.0, 30.0])
    repairs = problem.costs.repairs
    fixes = np.array([[1, 0, 1], [0, 1, 0], [0, 0, 1]], dtype=np.int8)
    after, unless = np.array([1, -1, -1]), np.zeros((3, 3), dtype=np.int8)
    unless[0, 0] = 1
    costs = replace(
        problem.costs, repairs=replace(repairs, fixes=fixes, after=after, unless=unless)
    )
    fresh = ProblemBench(problem).start.standing
    charged, other = replace(fresh, repaired=0b010), replace(fresh, repaired=0b101)
    doubt, proven = np.array([0.5, 0.2, 0.3]), np.array([0.95, 0.0, 0.05])
    assert [in_turn(costs, r, fresh, doubt) for r in (-1, 0, 1, 2)] == [-1, 1, 1, 2]
    assert in_turn(costs, 0, charged, doubt) == 0
    assert in_turn(costs, 0, other, doubt) == 1
    assert in_turn(costs, 0, fresh, proven) == 0
    assert in_turn(problem.costs, 0, fresh, doubt) == 0  # nothing comes before it

    tables = problem.tables
    known = survey([(tables, np.arange(3), problem.prior)], problem.n_faults)
    said = decide(look(known, problem.explains, costs, fresh), costs)
    assert (said.outlook.wanted_repair, said.outlook.first_repair, said.action) == (0, 1, 1)


def test_a_closed_problem_remembers_what_was_repaired() -> None:
    problem = small_problem(np.array([0.6, 0.4]), [], [], [10.0, 20.0])
    bench, world = ProblemBench(problem), ProblemWorld(problem)
    again = int(np.argmin(world.checks(1)))
    later = bench.after_repair(bench.start, 0, 1 - again)
    assert later is not None
    assert later.standing.repaired == 0b01
    assert bench.thinned(later, 100).start.standing.repaired == 0b01


@pytest.mark.parametrize("name", MACHINES)
def test_every_battery_is_charged_first(name: str) -> None:
    machine = prepare(name).machine
    batteries = [part for part in machine.parts.values() if part.kind == "battery"]
    charges = {part.id for part in machine.parts.values() if part.kind == "charge"}
    assert batteries
    for part in batteries:
        (new,) = (repair for repair in part.repairs if repair.id == "replace")
        assert new.after is not None
        assert new.after[0] in charges
        assert set(new.unless) == {"dead_cell", "open"} & set(part.modes)


def test_a_weak_battery_is_charged_and_then_condemned_a_dead_one_at_once() -> None:
    job = Job.open("zero_turn_mower", "slow_crank").open_area("battery_tray")
    for test, seen in (
        ("starter_amps", "low"),
        ("solenoid_drop", "normal"),
        ("frame_ground_drop", "normal"),
        ("battery_cranking", "sags"),
        ("battery_rest", "good"),
        ("battery_load", "poor"),
    ):
        job = job.record(test, seen)
    verdict = job.advise().verdict
    assert (verdict.action, verdict.target) == ("repair", "charge.charge")
    assert 'which comes before "fit a new battery, charged" on every job' in verdict.reason
    charged = job.repair("charge", "charge", "slow_crank").advise().verdict
    assert (charged.action, charged.target) != ("repair", "charge.charge")
