"""Findings that do not fit, and findings that are not quite sure."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from diagnose.belief.situation import Finding
from diagnose.errors import RequestError, UnitError, UnknownNameError, ValueOutOfRangeError
from diagnose.job import Job


@pytest.fixture(scope="module")
def job() -> Job:
    return Job.open("utility_vehicle", complaint="silent")


def test_the_slip_probability_is_what_the_model_says(job: Job) -> None:
    # With the finding replaced by "a slip happened here", the probability of the findings is
    # that of the others times the share of slips for this outcome. Their ratio is the posterior.
    found = job.record("look_headlamp", "bright").record("main_fuse_out_volts", "none")
    belief = found.prepared.belief(found.situation)
    doubt = belief.doubt
    assert doubt is not None
    test = found.machine.tests[doubt.test]
    left = tuple(one for one in found.findings if one.test != doubt.test)
    without = found.prepared.belief(replace(found.situation, findings=left))
    share = test.slip_percent / 100 / len(test.outcomes)
    by_hand = share * math.exp(without.log_evidence - belief.log_evidence)
    assert doubt.slip == pytest.approx(by_hand, rel=0.05)
    assert 0.5 < doubt.slip <= 1.0


def test_a_finding_that_does_not_fit_is_looked_at_again_before_anything_else(job: Job) -> None:
    # A bright headlamp draws its amps through the main fuse: none behind it cannot be true.
    found = job.record("look_headlamp", "bright").record("main_fuse_out_volts", "none")
    advice = found.advise()
    assert advice.verdict.action == "recheck"
    assert advice.verdict.target in {"look_headlamp", "main_fuse_out_volts"}
    title = found.machine.tests[advice.verdict.target].title
    assert title in advice.verdict.reason


def test_what_was_confirmed_is_not_doubted_again(job: Job) -> None:
    found = job.record("look_headlamp", "bright").record("main_fuse_out_volts", "none")
    sure = found.confirm("look_headlamp").confirm("main_fuse_out_volts")
    assert sure.advise().verdict.action != "recheck"


def test_consistent_findings_raise_no_doubt(job: Job) -> None:
    found = job.record("look_headlamp", "bright").record("battery_rest", 12.6)
    assert found.advise().verdict.action == "test"


def test_an_unsure_finding_moves_less_and_a_worthless_one_not_at_all(job: Job) -> None:
    def relay(state: Job) -> float:
        return sum(s.probability for s in state.advise().suspects if s.part == "start_relay")

    before = relay(job)
    sure = relay(job.record("trigger_volts", "full"))
    told = relay(job.record("trigger_volts", "full", sure=0.6))
    nothing = relay(job.record("trigger_volts", "full", sure=1e-9))
    assert before < told < sure
    assert nothing == pytest.approx(before, abs=1e-6)


def test_bad_findings_name_place_and_expectation(job: Job) -> None:
    with pytest.raises(UnknownNameError) as unknown:
        job.record("battery_rest", "god")
    assert unknown.value.nearest == "good"
    with pytest.raises(UnknownNameError) as test:
        job.record("batery_rest", "good")
    assert test.value.nearest == "battery_rest"
    with pytest.raises(UnitError):
        job.record("battery_rest", "12 A")
    with pytest.raises(UnitError):
        job.record("look_nest", 3.0)
    with pytest.raises(ValueOutOfRangeError, match="-1 to 20 V"):
        job.record("battery_rest", 120.0)
    with pytest.raises(ValueOutOfRangeError):
        job.record("battery_rest", 12.0, sure=0.0)
    with pytest.raises(RequestError, match="recorded already"):
        job.record("battery_rest", 12.0).record("battery_rest", 12.1)


def test_steps_are_new_jobs_and_can_be_taken_back(job: Job) -> None:
    found = job.record("battery_rest", "12.4V").record("look_nest", "found")
    assert [one.test for one in found.findings] == ["battery_rest", "look_nest"]
    assert job.findings == ()
    assert found.undo().findings == found.findings[:1]
    assert found.retract("battery_rest").findings == found.findings[1:]
    opened = job.open_area("relay_cover")
    assert {"seat", "relay_cover"} <= opened.situation.open_areas
    assert opened.close_area("seat").situation.open_areas == frozenset()
    skipped = job.skip("listen_pump", "no fuel in it")
    assert "listen_pump" not in {test.test for test in skipped.advise().tests}


def test_a_cold_battery_is_not_a_bad_one(job: Job) -> None:
    # Load-test table of several makers' manuals: 9.6 V at 20 degrees Celsius, 8.9 V at -7.
    cold = Job.open("utility_vehicle", complaint="silent", temperature_celsius=-7.0)
    assert cold.record("battery_load", 9.0).findings[0].outcome == "good"
    assert job.record("battery_load", 9.0).findings[0].outcome != "good"
    with pytest.raises(ValueOutOfRangeError):
        Job.open("utility_vehicle", complaint="silent", temperature_celsius=900.0)


def test_a_second_look_confirms_or_replaces(job: Job) -> None:
    found = job.record("look_headlamp", "bright").record("main_fuse_out_volts", "none")
    same = found.record_again("main_fuse_out_volts", "none")
    assert same.findings[-1].confirmed
    other = found.record_again("main_fuse_out_volts", "full")
    assert [one.outcome for one in other.findings] == ["bright", "full"]
    assert other.findings[-1].others == ("none",)
    assert other.undo() == found
    third = other.record_again("main_fuse_out_volts", "none")
    assert third.findings[-1] == Finding(
        "main_fuse_out_volts", "none", confirmed=True, others=("full",)
    )
    stands = same.record_again("main_fuse_out_volts", "full")
    assert stands.findings[-1] == replace(same.findings[-1], others=("full",))
    assert other.advise().verdict.action != "recheck"
    with pytest.raises(UnknownNameError):
        job.record_again("main_fuse_out_volts", "none")
