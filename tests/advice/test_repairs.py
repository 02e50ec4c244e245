"""A job with repairs in it: what is kept, what is cleared, what the verdict says."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.errors import RequestError, UnknownNameError
from diagnose.job import Job

LAMP = Path(__file__).parents[1] / "review" / "bench_lamp.yaml"


@pytest.fixture
def job() -> Job:
    return Job.open(LAMP, "no_light").record("look", "dark").record("fuse_lamp", "bright")


def test_a_repair_that_helped_ends_the_job(job: Job) -> None:
    done = job.repair("switch", "replace", "runs")
    advice = done.advise()
    assert advice.verdict.action == "done"
    assert advice.verdict.reason.startswith("It starts and runs")
    (repaired,) = advice.repairs
    assert (repaired.part, repaired.repair, repaired.check) == ("switch", "replace", "runs")
    assert repaired.title == "New switch"
    assert repaired.chance is not None
    assert 0.4 < repaired.chance < 0.9  # the lamp and the ground were suspects too


def test_a_repair_that_did_not_help_goes_on_with_what_was_found(job: Job) -> None:
    before = job.advise()
    after = job.repair("switch", "replace", "same").advise()
    assert after.verdict.action in {"test", "repair"}
    assert [one.repairs_before for one in after.findings] == [0, 0]
    assert [one.surprise_bits for one in after.findings] == pytest.approx(
        [one.surprise_bits for one in before.findings]
    )
    chance = {(one.part, one.mode): one.probability for one in after.suspects}
    was = {(one.part, one.mode): one.probability for one in before.suspects}
    assert chance["switch", "open"] < 0.02  # no new part is bad in this shop
    assert chance["lamp", "open"] > 2.0 * was["lamp", "open"]
    assert chance["fuse", "open"] < 0.02  # still cleared by the test lamp


def test_tests_can_be_done_again_after_a_repair(job: Job) -> None:
    after = job.repair("lamp", "replace", "same")
    assert {one.test for one in after.advise().tests} >= {"look", "fuse_lamp"}
    again = after.record("look", "dark")
    findings = again.advise().findings
    assert [(one.test, one.repairs_before) for one in findings] == [
        ("look", 0),
        ("fuse_lamp", 0),
        ("look", 1),
    ]
    with pytest.raises(RequestError, match="recorded already"):
        again.record("look", "dark")


def test_what_is_seen_afterwards_can_bring_the_job_back(job: Job) -> None:
    # It lit once, and then two looks and a meter say that it does not.
    done = job.repair("switch", "replace", "runs")
    back = done.record("look", "dark").record("switch_volts", "full").record("slow_look", "dark")
    assert back.advise().verdict.action != "done"


def test_a_check_can_come_later_and_be_taken_back(job: Job) -> None:
    unchecked = job.repair("switch", "replace")
    assert unchecked.advise().repairs[0].chance is None
    assert unchecked.advise().verdict.action != "done"
    assert unchecked.check("runs").advise().verdict.action == "done"
    still = unchecked.check("runs").check("same")
    direct = job.repair("switch", "replace", "same")
    assert still.situation == direct.situation
    assert still.undo().advise().verdict.action == "done"
    with pytest.raises(RequestError, match="nothing was repaired"):
        job.check("runs")


def test_names_that_are_not_there(job: Job) -> None:
    with pytest.raises(UnknownNameError, match="fuse"):
        job.repair("fuze", "replace")
    with pytest.raises(UnknownNameError, match="clean"):
        job.repair("earth", "cleen")
    with pytest.raises(UnknownNameError, match="runs"):
        job.repair("earth", "clean", "run")


def test_a_finding_from_before_a_repair_can_be_taken_back(job: Job) -> None:
    after = job.repair("switch", "replace", "same").record("look", "dark")
    once = after.retract("look")
    assert [one.test for one in once.findings] == []
    twice = once.retract("look")
    assert [one.test for one in twice.situation.past[0].findings] == ["fuse_lamp"]
    assert twice.advise().verdict.action in {"test", "repair"}
    with pytest.raises(UnknownNameError, match="fuse_lamp"):
        twice.retract("look")


def test_undo_goes_back_behind_a_repair(job: Job) -> None:
    after = job.repair("switch", "replace", "same")
    assert after.findings == ()
    assert after.undo() == job
    assert [one.part for one in after.repairs] == ["switch"]


def test_four_repairs_in_one_job(job: Job) -> None:
    after = job
    for part, repair in (
        ("switch", "replace"),
        ("lamp", "replace"),
        ("earth", "clean"),
        ("fuse", "replace"),
    ):
        after = after.repair(part, repair, "same").record("look", "dark")
    advice = after.advise()
    assert advice.mass_left_out < 0.05
    assert len(advice.repairs) == 4
    chance = sum(one.probability for one in advice.suspects if one.part in {"unlisted", "battery"})
    assert chance > 0.5  # everything else is new
    assert all(one.surprise_bits >= 0.0 for one in advice.findings)


def test_the_order_of_findings_within_a_stretch_is_irrelevant() -> None:
    def suspects(*tests: str) -> dict[tuple[str, str], float]:
        found = Job.open(LAMP, "no_light")
        for test in tests:
            found = found.record(test, "dark")
        advice = found.repair("fuse", "replace", "same").advise()
        return {(one.part, one.mode): one.probability for one in advice.suspects}

    one, other = suspects("look", "fuse_lamp"), suspects("fuse_lamp", "look")
    assert one == pytest.approx(other, abs=1e-6)


def test_expectation_and_consequence_know_of_the_repair(job: Job) -> None:
    after = job.repair("switch", "replace", "same")
    good, *rest = after.expect("switch_volts")
    assert good.part == ""
    assert rest[0].part in {"lamp", "earth"}
    leaves = after.consequence("switch_volts")
    assert leaves["full"][0].part == "lamp"


def test_what_a_repair_leaves_no_doubt_about_can_still_be_looked_at() -> None:
    # A wire spliced without a new part is good for certain here, so nothing changes what these
    # tests show; the technician looks at his splice all the same, and his slips are slips.
    job = Job.open("utility_vehicle", "silent").repair("trigger_wire", "repair", "same")
    before = job.advise().suspects[0]
    for test, result in (
        ("look_trigger_wire", "nothing_seen"),
        ("wiggle_trigger_wire", "steady"),
        ("trigger_wire_ohms", "0.2 ohm"),
    ):
        seen = job.record(test, result).advise()
        assert seen.findings[-1].surprise_bits >= 0.0
        assert seen.suspects[0].part == before.part
        assert seen.suspects[0].probability == pytest.approx(before.probability, abs=1e-9)
    wrong = job.record("look_trigger_wire", "damage_seen").advise()
    assert (wrong.verdict.action, wrong.verdict.target) == ("recheck", "look_trigger_wire")


def test_who_keeps_the_engine_from_running_reads_nothing_with_it_running() -> None:
    """No volts are foretold for a test that cannot be done; the good machine charges."""
    job = Job.open("utility_vehicle", "silent").record("try_it", "silent")
    good, *rest = job.expect("charging_volts")
    assert 13.0 < good.typical < 15.0
    assert not rest
    job = Job.open("utility_vehicle", "cranks_no_start")
    test = job.machine.tests["charging_volts"]
    for one in job.expect("charging_volts"):
        assert test.low <= one.typical <= test.high
        assert one.outcome != "not_possible"
