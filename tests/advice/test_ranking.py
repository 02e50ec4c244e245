"""The ranking against its slow twin: a belief for each outcome, the repairs listed by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.advice.explain import after_outcome
from diagnose.ahead.desk import Desk
from diagnose.belief.situation import Finding
from diagnose.job import Job
from diagnose.rule.decide import decide, look
from tests.advice.by_hand import expected_minutes

CLOSE = 1e-9
WALK = {
    "utility_vehicle": ("silent", ("seat",)),
    "compact_tractor": ("dead", ()),
    "standby_pump": ("silent", ()),
    "zero_turn_mower": ("one_click", ()),
}


def job_of(name: str, findings: int) -> Job:
    """A job some findings along the ranking, always with the likeliest outcome."""
    complaint, opened = WALK[name]
    job = Job.open(name, complaint, open_areas=opened)
    for _ in range(findings):
        best = job.advise().tests[0]
        likely = max(best.outcomes, key=lambda outcome: outcome.probability)
        job = job.record(best.test, likely.outcome)
    return job


@pytest.mark.parametrize("findings", [0, 2])
@pytest.mark.parametrize("name", WALK)
def test_every_outcome_by_itself(name: str, findings: int) -> None:
    # What is expected after an outcome is what is believed once it was found. The two differ by
    # what the search leaves out, which another finding changes.
    job = job_of(name, findings)
    ready, situation = job.prepared, job.situation
    belief = ready.belief(situation)
    numbers = {test: place for place, test in enumerate(ready.costs.tests.names)}
    off, saved = [], []
    able = ready.blamed(situation.complaint, belief)
    standing = Desk.standing_of(ready, situation)
    decision = decide(look(belief.survey, able, ready.costs, standing), ready.costs, every=True)
    for advice in job.advise().tests[:6]:
        number, wanted = numbers[advice.test], 0.0
        for place, outcome in enumerate(advice.outcomes):
            chance, faults = after_outcome(belief.survey, number, place)
            assert chance == pytest.approx(outcome.probability, abs=CLOSE)
            finding = Finding(advice.test, outcome.outcome)
            seen = replace(situation, findings=(*situation.findings, finding))
            after = ready.belief(seen)
            if chance > 0.02:
                off.append(np.abs(faults - after.survey.faults).max())
            is_open = situation.open_areas | set(advice.opens)
            fine = float(belief.survey.fine[belief.survey.start[number] + place]) / max(
                chance, 1e-300
            )
            wanted += chance * expected_minutes(
                ready.machine, ready.faults, faults * able, is_open, fine
            )
        saved.append(abs(float(decision.later_minutes[number]) - wanted))
    assert np.median(off) < 0.005
    assert max(off) < 0.05
    assert max(saved) < 1e-6


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
