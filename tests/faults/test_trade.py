"""What a technician would conclude, on the two-seat utility vehicle.

Each check is common practice, no source, unless it names one. Readings that a single fault would
give are taken from solving the circuit with that fault.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.faults.outcomes import outcome_chances
from diagnose.job import Job
from tests.faults.machines import shipped, singles

if TYPE_CHECKING:
    import numpy as np

    from diagnose.faults.behaviour import Behaviour

VEHICLE = "utility_vehicle"


def open_job(complaint: str) -> Job:
    return Job.open(VEHICLE, complaint)


def chance(job: Job, part: str, mode: str | None = None) -> float:
    """Posterior of a mode, or of any failure of a part."""
    return sum(
        s.probability
        for s in job.advise().suspects
        if s.part == part and (mode is None or s.mode == mode)
    )


def behaviour() -> Behaviour:
    return shipped(VEHICLE).behaviour


def as_found(job: Job, part: str, mode: str, tests: tuple[str, ...]) -> Job:
    """The tests' results with this one fault: the number on the meter, or what is seen."""
    known = behaviour()
    fault = known.faults.index((part, mode))
    for name in tests:
        test = known.machine.tests[name]
        values = singles(VEHICLE)[fault, known.column_of(test)]
        if test.unit is not None:
            job = job.record(name, round(float(values[0]), 2))
        else:
            outcome = int(outcome_chances(test, values[None]).argmax())
            job = job.record(name, test.outcomes[outcome].id)
    return job


def top(job: Job) -> tuple[str, str]:
    first = job.advise().suspects[0]
    return first.part, first.mode


def test_lamps_on_and_pump_priming_clear_the_common_feed() -> None:
    """Common practice, no source: main fuse, key and stop switch pass what lamps and pump use."""
    job = open_job("silent")
    before = {part: chance(job, part) for part in ("main_fuse", "key_switch", "stop_switch")}
    job = job.record("battery_rest", 12.3)
    for test, outcome in (("look_display", "on"), ("look_headlamp", "bright")):
        job = job.record(test, outcome)
    job = job.record("listen_pump", "runs")
    for part, prior in before.items():
        assert chance(job, part) < 0.01
        assert chance(job, part) < prior


def test_12_3_volts_at_rest_wants_charging_but_does_not_keep_the_relay_silent() -> None:
    """Common practice, no source: such a battery still pulls in the start relay."""
    job = open_job("silent")
    before = chance(job, "charge", "half")
    job = job.record("battery_rest", 12.3)
    assert chance(job, "charge", "half") > 2.0 * before
    assert chance(job, "charge", "run_down") < 0.01
    half = behaviour().faults.index(("charge", "half"))
    assert (singles(VEHICLE)[half, behaviour().column["relay_click"]] == 0.0).all()


def test_trigger_and_ground_good_supply_good_output_dead_is_the_relay() -> None:
    """Common practice, no source: everything the relay needs goes in and nothing comes out."""
    job = open_job("silent")
    job = job.record("trigger_volts", 12.2).record("coil_ground_volts", 0.02)
    job = job.record("relay_supply_volts", 12.3).record("relay_output_volts", 0.0)
    assert job.advise().suspects[0].part == "start_relay"
    assert chance(job, "start_relay") > 0.9


FEED = ("listen_pump", "look_display")
CASES = [
    (
        "silent",
        ("start_button", "open"),
        (*FEED, "button_in_volts", "button_out_volts"),
        "battery volts into the button and none out of it while it is held",
    ),
    (
        "silent",
        ("trigger_wire", "open"),
        (*FEED, "interlock_out_volts", "neutral_in_volts"),
        "volts leave the interlock and never reach the neutral switch",
    ),
    (
        "silent",
        ("coil_ground", "resistive"),
        (*FEED, "trigger_volts", "coil_ground_volts", "coil_ground_drop", "look_coil_ground"),
        "the coil's ground pin rises when the button is held, and the lug is green",
    ),
    (
        "slow_crank",
        ("frame_ground", "resistive"),
        ("battery_load", "frame_ground_drop", "plus_side_drop"),
        "the battery passes its load test and the ground bolt drops volts",
    ),
    (
        "slow_crank",
        ("starter_motor", "worn"),
        ("battery_load", "starter_volts", "starter_amps", "ground_side_drop"),
        "full volts across the starter and little current",
    ),
    (
        "one_click",
        ("starter_motor", "open"),
        ("battery_rest", "relay_output_volts", "starter_volts", "starter_amps"),
        "full volts across the starter and no current at all",
    ),
    (
        "one_click",
        ("starter_motor", "seized"),
        ("battery_load", "starter_amps", "starter_volts"),
        "very much current and a battery pulled down",
    ),
    (
        "one_click",
        ("start_relay", "contacts_open"),
        ("listen_relay", "relay_supply_volts", "relay_output_volts"),
        "it clicks and nothing comes out",
    ),
    (
        "dead",
        ("main_fuse", "open"),
        ("main_fuse_in_volts", "main_fuse_out_volts"),
        "volts into the fuse and none out of it",
    ),
    (
        "cranks_no_start",
        ("fuel_pump", "open"),
        ("listen_pump", "pump_volts", "pump_ohms"),
        "volts at the pump, and the pump is an open circuit",
    ),
]


@pytest.mark.parametrize(
    ("complaint", "fault", "tests"),
    [pytest.param(*case[:3], id=".".join(case[1])) for case in CASES],
)
def test_the_readings_of_one_fault_put_it_first(
    complaint: str, fault: tuple[str, str], tests: tuple[str, ...]
) -> None:
    """Common practice, no source: the reasons stand in `CASES`."""
    assert top(as_found(open_job(complaint), *fault, tests)) == fault


def single(part: str, mode: str, observable: str) -> np.ndarray:
    """Both readings of an observable with one fault."""
    known = behaviour()
    fault = known.faults.index((part, mode))
    return singles(VEHICLE)[fault, known.column[observable]]


def good(observable: str) -> float:
    """What the good machine shows."""
    return float(singles(VEHICLE)[-1, behaviour().column[observable], 0])


@pytest.mark.parametrize(
    ("part", "mode"), [("plus_post", "resistive"), ("minus_post", "resistive"), ("charge", "empty")]
)
def test_crusted_post_or_flat_battery_lets_lamps_burn_and_fails_on_start(
    part: str, mode: str
) -> None:
    """Common practice, no source: lamps at rest are fine; on start the relay chatters or the
    starter does not turn."""
    display = single(part, mode, "display")
    assert (display < 2).all()
    relay, cranks = single(part, mode, "relay_click"), single(part, mode, "cranks")
    assert (relay == 1).all() or (cranks >= 1).all()


def test_frame_ground_cranks_slowly_while_the_battery_tests_good() -> None:
    """Common practice, no source."""
    test = behaviour().machine.tests["battery_load"]
    values = single("frame_ground", "resistive", "battery_load")
    assert test.outcomes[int(outcome_chances(test, values[None]).argmax())].id == "good"
    assert (single("frame_ground", "resistive", "cranks") == 1).all()


def test_open_starter_takes_no_current_and_a_seized_one_very_much() -> None:
    """Common practice, no source."""
    assert abs(single("starter_motor", "open", "starter_amps")[0]) < 0.1
    assert single("starter_motor", "seized", "starter_amps")[0] > 1.5 * good("starter_amps")
    pulled_down = single("starter_motor", "seized", "battery_cranking")[0]
    assert pulled_down < good("battery_cranking") - 1.0


def test_a_bad_joint_reads_full_volts_while_nothing_draws_current() -> None:
    """Common practice, no source: 10 megohms draw nothing through a crust."""
    unplugged = good("trigger_unplugged_volts")
    assert good("battery_rest") == pytest.approx(unplugged, abs=0.6)
    assert single("trigger_wire", "resistive", "trigger_unplugged_volts")[0] > unplugged - 0.1
    assert single("trigger_wire", "resistive", "trigger_volts")[0] < unplugged - 2.0
