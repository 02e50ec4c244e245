"""The look ahead against its slow twin: a propagation per outcome, the repairs listed by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.rule.minutes import access_minutes, repair_minutes, to_open
from diagnose.advice.ranking import available_tests, fault_codes, look_ahead
from diagnose.rule.repair_cost import guilt
from diagnose.belief.situation import encode
from diagnose.job import Job
from tests import shipped

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Repair

CLOSE = 1e-9
WALK = {
    "utility_vehicle": ("silent", ("seat",)),
    "compact_tractor": ("dead", ()),
    "standby_pump": ("silent", ()),
    "zero_turn_mower": ("one_click", ()),
}


def job_of(name: str, findings: int) -> Job:
    """A job some findings along the advice, always with the likeliest outcome."""
    complaint, opened = WALK[name]
    job = Job.open(shipped.behaviour(name).machine, complaint, open_areas=opened)
    for _ in range(findings):
        best = look_ahead(job.ready, job.situation, encode(job.ready, job.situation)).candidates[0]
        outcome = best.test.outcomes[int(np.argmax(best.chances))].id
        job = job.record(best.test.id, outcome)
    return job


@pytest.mark.parametrize("findings", [0, 3])
@pytest.mark.parametrize("name", WALK)
def test_every_outcome_by_itself(name: str, findings: int) -> None:
    job = job_of(name, findings)
    ready, situation = job.ready, job.situation
    outlook = look_ahead(ready, situation, encode(ready, situation))
    able = ready.explains[situation.complaint] > 0.0
    codes = fault_codes(ready)
    assert {one.test.id for one in outlook.candidates} == {
        test.id for test in available_tests(ready, situation)
    }
    for one in outlook.candidates[:: 3 if findings else 2]:
        wanted = 0.0
        for place, outcome in enumerate(one.test.outcomes):
            chance = outlook.beliefs[one.test.id][outcome.id]
            assert one.chances[place] == pytest.approx(chance, abs=CLOSE)
            if chance < 1e-11:
                continue
            seen = job.record(one.test.id, outcome.id)
            beliefs = ready.compiled.beliefs(encode(ready, seen.situation))
            faults = beliefs.marginals[codes]
            np.testing.assert_allclose(one.faults[place][able], faults[able], atol=CLOSE)
            is_open = situation.open_areas | set(one.opens)
            wanted += chance * by_hand(ready.machine, ready.faults, blame(job, faults), is_open)
        assert one.later_minutes == pytest.approx(wanted, abs=1e-8)


def blame(job: Job, faults: np.ndarray) -> np.ndarray:
    return guilt(job.ready, job.complaint, faults)


def by_hand(
    machine: Machine,
    faults: tuple[tuple[str, str], ...],
    blamed: np.ndarray,
    open_areas: frozenset[str],
) -> float:
    """Expected minutes of repair, the list written out: what was opened stays open."""
    repairs = [(part, repair) for part in machine.parts.values() for repair in part.repairs]
    left = dict(zip(faults, blamed.tolist(), strict=True))
    is_open = set(open_areas)
    spent, remaining = 0.0, 1.0
    best = machine.shop.escalate_minutes
    todo = list(range(len(repairs)))
    while todo:
        ratio = {}
        for row in todo:
            part, repair = repairs[row]
            ends = sum(left[part.id, mode] for mode in repair.fixes)
            own = cost(machine, part.area, repair, is_open) + waste(machine, repair)
            ratio[row] = ends / own
        row = max(todo, key=lambda one: (ratio[one], -one))
        if ratio[row] <= 1e-9:
            break
        part, repair = repairs[row]
        spent += remaining * cost(machine, part.area, repair, is_open)
        remaining -= sum(left[part.id, mode] for mode in repair.fixes)
        spent += waste(machine, repair) * max(remaining, 0.0)
        best = min(best, spent + max(remaining, 0.0) * machine.shop.escalate_minutes)
        left |= {(part.id, mode): 0.0 for mode in repair.fixes}
        is_open |= set(to_open(machine, part.area, is_open))
        todo.remove(row)
    return best


def waste(machine: Machine, repair: Repair) -> float:
    """What sparing a good part is worth."""
    return machine.shop.good_part_minutes if repair.id == "replace" else 0.0


def cost(machine: Machine, area: str | None, repair: Repair, is_open: set[str]) -> float:
    opening = sum(access_minutes(machine.areas[one]) for one in to_open(machine, area, is_open))
    return repair_minutes(machine, repair) + opening


@pytest.mark.parametrize("name", WALK)
def test_what_is_at_hand_skipped_or_done_decides_what_is_ranked(name: str) -> None:
    job = job_of(name, 1)
    everything = {one.test for one in job.advise().tests}
    assert job.findings[0].test not in everything
    skipped = next(iter(everything))
    assert {one.test for one in job.skip(skipped).advise().tests} == everything - {skipped}
    bare = Job.open(job.machine, job.complaint, tools=["none"])
    assert {one.tool for one in bare.advise().tests} == {"none"}


@pytest.mark.parametrize("name", WALK)
def test_tools_at_hand_change_no_number(name: str) -> None:
    job = job_of(name, 0)
    every = {one.test: one for one in job.advise().tests}
    opened = job.situation.open_areas
    bare = Job.open(job.machine, job.complaint, tools=["none"], open_areas=opened).advise()
    for one in bare.tests:
        assert one.gain_bits == pytest.approx(every[one.test].gain_bits, abs=CLOSE)
        assert one.added_minutes == pytest.approx(every[one.test].added_minutes, abs=CLOSE)
