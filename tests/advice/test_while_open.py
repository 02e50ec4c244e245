"""What an open area makes cheap, what closing it takes, and what is seen in passing."""

from __future__ import annotations

import pytest

from diagnose.job import Job
from diagnose.rule.minutes import access_minutes, to_open

AREA = "relay_cover"  # lies in another one


@pytest.fixture(scope="module")
def job() -> Job:
    return Job.open("utility_vehicle", complaint="silent")


def test_nothing_is_open_at_first(job: Job) -> None:
    advice = job.advise()
    assert advice.while_open == ()
    assert advice.closing_minutes == 0.0


def test_the_list_is_what_lies_in_the_open_areas_and_tells_something(job: Job) -> None:
    opened = job.open_area(AREA)
    machine, advice = job.machine, opened.advise()
    assert opened.situation.open_areas == {"seat", AREA}
    wanted = {
        one.test
        for one in advice.tests
        if machine.tests[one.test].area in {"seat", AREA} and one.gain_bits > 0.0
    }
    assert {one.test for one in advice.while_open} == wanted != set()
    rates = [one.bits_per_minute for one in advice.while_open]
    assert rates == sorted(rates, reverse=True)


def test_what_is_saved_is_what_it_would_cost_with_everything_closed(job: Job) -> None:
    closed = {one.test: one for one in job.advise().tests}
    for one in job.open_area(AREA).advise().while_open:
        assert one.minutes == job.machine.tests[one.test].minutes
        assert one.minutes + one.saved_minutes == pytest.approx(closed[one.test].minutes)
        way = to_open(job.machine, one.area, ())
        by_hand = sum(access_minutes(job.machine.areas[area]) for area in way)
        assert one.saved_minutes == pytest.approx(by_hand)


def test_a_look_is_on_the_list_beside_the_measurements(job: Job) -> None:
    kinds = {job.machine.tests[one.test].kind for one in job.open_area(AREA).advise().while_open}
    assert "look" in kinds
    assert kinds & {"volts", "lamp"}


def test_closing_is_that_of_all_that_stands_open(job: Job) -> None:
    areas = job.machine.areas
    wanted = areas["seat"].close_minutes + areas[AREA].close_minutes
    opened = job.open_area(AREA)
    assert opened.advise().closing_minutes == pytest.approx(wanted)
    left = opened.close_area(AREA).advise()
    assert left.closing_minutes == pytest.approx(areas["seat"].close_minutes)
    assert {one.area for one in left.while_open} == {"seat"}


def test_what_is_closed_again_is_dear_again(job: Job) -> None:
    again = job.open_area(AREA).close_area("seat")
    assert again.advise().to_dict() == job.advise().to_dict()


def test_what_was_seen_in_passing_is_taken_though_its_area_is_closed(job: Job) -> None:
    tests = job.machine.tests
    behind = next(test for test in tests.values() if test.area == AREA)
    seen = job.record(behind.id, behind.outcomes[0].id)
    assert seen.findings[-1].test == behind.id
    assert seen.situation.open_areas == frozenset()  # nothing was opened for it
    assert behind.id not in {one.test for one in seen.advise().tests}


def test_what_was_seen_in_passing_is_taken_though_other_tests_come_first(job: Job) -> None:
    later = [test for test in job.machine.tests.values() if test.needs]
    assert later
    for test in later:
        assert test.id not in {one.test for one in job.advise().tests}
        seen = job.record(test.id, test.outcomes[0].id)
        assert seen.advise().findings[-1].test == test.id


def test_what_was_set_aside_and_then_seen_counts(job: Job) -> None:
    seen = job.skip("look_nest", "too dark").record("look_nest", "found", sure=0.8)
    told = job.record("look_nest", "found", sure=0.8)
    assert seen.advise().suspects == told.advise().suspects
    assert seen.advise().suspects != job.advise().suspects


def test_a_tool_that_is_not_at_hand_hinders_no_finding(job: Job) -> None:
    bare = Job.open(job.machine, "silent", tools=["none"])
    seen = bare.record("trigger_lamp", "bright")
    assert [one.test for one in seen.advise().findings] == ["trigger_lamp"]
