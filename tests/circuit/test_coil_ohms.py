"""A relay's coil measured by itself, and one good reading of a joint that comes and goes."""

from __future__ import annotations

import pytest

from diagnose.errors import MachineFileError
from diagnose.faults.behaviour import make_behaviour
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_path, read_machine, read_text


def test_an_ohmmeter_on_the_coil_tells_its_faults_and_nothing_of_the_contacts() -> None:
    machine = load_machine("utility_vehicle")
    behaviour = make_behaviour(machine)
    column = behaviour.column["relay_coil_ohms"]
    coil = machine.parts["start_relay"].coil_ohms
    shown = {
        mode: behaviour.readings([(fault,)])[0, column, 0]
        for fault, (part, mode) in enumerate(behaviour.faults)
        if part == "start_relay"
    }
    assert shown["coil_open"] > 1e6
    assert shown["coil_shorted"] == pytest.approx(0.3)
    assert shown["contacts_open"] == shown["contacts_resistive"] == pytest.approx(coil)


def test_only_a_relay_has_a_coil_to_measure() -> None:
    text = read_text(machine_path("utility_vehicle"))
    wrong = text.replace(
        "parts: [start_relay]\n    across: coil", "parts: [plus_cable]\n    across: coil"
    )
    with pytest.raises(MachineFileError, match=r"'plus_cable' is a wire; expected relay"):
        read_machine(wrong)


def test_one_good_reading_does_not_clear_a_loose_joint() -> None:
    # common practice, no source: what comes and goes may be there while the meter is on it
    job = Job.open("utility_vehicle", complaint="silent")

    def chances(state: Job) -> dict[str, float]:
        return {
            f"{one.part}.{one.mode}": one.probability
            for one in state.advise().suspects
            if one.part == "relay_plug"
        }

    before = chances(job)
    after = chances(job.record("trigger_volts", "full"))
    assert after["relay_plug.open"] < 0.05 * before["relay_plug.open"]
    assert after["relay_plug.loose"] > 0.2 * before["relay_plug.loose"]
    seen = chances(job.record("trigger_volts", "unsteady"))
    assert seen["relay_plug.loose"] > 3.0 * before["relay_plug.loose"]
