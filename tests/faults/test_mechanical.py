"""What no current flows through: fuel, air, compression, an engine that is stuck.

Each case is common practice, no source: what somebody at the machine would hear and find.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.outcomes import CANNOT
from tests.faults.machines import shipped

VEHICLE, MOWER = "utility_vehicle", "zero_turn_mower"
TRACTOR, PUMP = "compact_tractor", "standby_pump"

STARTS = {VEHICLE: "runs", MOWER: "starts", TRACTOR: "starts", PUMP: "starts"}
"""The function of each that is made up of what its engine needs to run."""


def reads(*faults: str, machine: str = VEHICLE) -> dict[str, object]:
    """Levels, complaints' words, volts and what inspections show, under faults `part.mode`."""
    known = shipped(machine)
    numbers = sorted(known.faults.index(tuple(fault.split("."))) for fault in faults)
    found = known.behaviour.readings([tuple(numbers)])[0, :, 0]
    told: dict[str, object] = {}
    for name, column in known.behaviour.column.items():
        levels = known.machine.functions[name].levels if name in known.machine.functions else ()
        value = float(found[column])
        told[name] = levels[int(value)].id if levels and value > CANNOT else value
    return told


@pytest.mark.parametrize(
    ("fault", "cranks", "spins", "runs", "told", "found"),
    [
        ("fuel.stale", "normal", "spins", "no", "cranks_no_start", "smell_fuel"),
        ("fuel.empty", "normal", "spins", "no", "cranks_no_start", "look_in_tank"),
        ("carburettor.blocked", "normal", "spins", "no", "cranks_no_start", "drain_bowl"),
        ("air_filter.blocked", "normal", "spins", "no", "cranks_no_start", "look_in_air_box"),
        ("engine.worn", "normal", "spins", "no", "cranks_no_start", "compression"),
        ("engine.stuck", "none", "still", "no", "one_click", "turn_by_hand"),
        ("starter_motor.slipping", "none", "spins", "no", "spins_free", None),
        ("starter_motor.seized", "none", "still", "no", "one_click", None),
    ],
)
@pytest.mark.parametrize("machine", [VEHICLE, MOWER])
def test_what_is_heard_and_found(
    machine: str, fault: str, cranks: str, spins: str, runs: str, told: str, found: str | None
) -> None:
    shown = reads(fault, machine=machine)
    heard = (shown["cranks"], shown["starter_spins"], shown[STARTS[machine]])
    assert heard == (cranks, spins, runs)
    assert complaints(machine, shown) == [told]
    assert at_fault(machine, shown) == ({found} if found else set())


@pytest.mark.parametrize(
    ("machine", "fault", "told", "found"),
    [
        (MOWER, "choke.out_of_adjustment", "cranks_no_start", "watch_choke"),
        (TRACTOR, "fuel.stale", "cranks_no_start", "look_for_wax flow_behind_filter nut"),
        (TRACTOR, "fuel.fouled", "cranks_no_start", "drain_filter_bowl"),
        (TRACTOR, "fuel_lines.empty", "cranks_no_start", "bleed_at_filter nut"),
        (TRACTOR, "fuel_lines.leaking", "cranks_no_start", "bleed_at_filter look_fuel_hoses nut"),
        (TRACTOR, "fuel_filter.blocked", "cranks_no_start", "flow_behind_filter nut"),
        (TRACTOR, "engine.worn", "cranks_no_start", "compression"),
        (TRACTOR, "engine.stuck", "one_click", "turn_by_hand"),
        (TRACTOR, "battery.dead_cell", "slow_crank flat_again", "battery_hydrometer"),
        (TRACTOR, "battery.weak", "slow_crank", ""),
        (PUMP, "lift_pump.broken", "cranks_no_start", "work_primer flow_behind_filter nut"),
        (PUMP, "fuel_lines.empty", "cranks_no_start", "bleed_at_filter nut"),
        (PUMP, "engine.stuck", "one_click", "turn_by_hand"),
        (PUMP, "pump_end.stuck", "one_click", "turn_by_hand turn_pump_shaft"),
        (PUMP, "starter_motor.seized", "one_click", ""),
    ],
)
def test_what_is_found_where(machine: str, fault: str, told: str, found: str) -> None:
    shown = reads(fault, machine=machine)
    assert complaints(machine, shown) == told.split()
    assert at_fault(machine, shown) == set(found.replace("nut", "crack_injector_nut").split())


@pytest.mark.parametrize(
    ("machine", "opens", "lets_in"), [(TRACTOR, "fuel", "opens"), (PUMP, "fuel_pulls", "pulls")]
)
def test_no_diesel_at_the_nut_whatever_keeps_the_solenoid_shut(
    machine: str, opens: str, lets_in: str
) -> None:
    """A dry nut says that no diesel comes, not why; one that spits clears all of these at once."""
    known = shipped(machine)
    shut = 0
    for part, mode in known.faults[: known.behaviour.n_listed]:
        shown = reads(f"{part}.{mode}", machine=machine)
        if shown["cranks"] == "none" or shown[opens] == lets_in:
            continue
        if part.startswith(("battery", "charge")):
            # the volts sag too far: a charge comes before a spanner
            continue
        shut += 1
        assert shown["crack_injector_nut"] == 1.0, f"{part}.{mode}"
    assert shut >= 5


@pytest.mark.parametrize("machine", STARTS)
def test_a_stuck_engine_loads_the_starter_as_a_locked_one_does(machine: str) -> None:
    """Locked, a starter draws several times its running current, and the battery sags."""
    stuck = reads("engine.stuck", machine=machine)
    locked, well = reads("starter_motor.seized", machine=machine), reads(machine=machine)
    for test in ("battery_cranking", "starter_amps"):
        assert stuck[test] == pytest.approx(locked[test])
    assert stuck["starter_amps"] > 1.8 * well["starter_amps"]
    assert stuck["battery_cranking"] < well["battery_cranking"] - 1.0


def test_a_locked_starter_stays_locked_with_the_engine_free() -> None:
    """Its own fault goes before what the engine does to it: no starter is open and locked."""
    both, alone = reads("engine.stuck", "starter_motor.open"), reads("starter_motor.open")
    assert both["starter_amps"] == pytest.approx(alone["starter_amps"], abs=1e-9)


def test_no_compression_is_measured_on_an_engine_that_does_not_turn() -> None:
    assert reads("engine.stuck")["compression"] == CANNOT
    assert reads("engine.worn", "main_fuse.open")["compression"] == CANNOT
    assert reads("engine.worn", "charge.half")["compression"] == 1.0


def test_a_dead_cell_shows_in_a_battery_that_is_low_as_well() -> None:
    """Charge is read against the other cells, so a low battery does not hide the dead one."""
    low = reads("charge.half", machine=TRACTOR)
    assert low["battery_hydrometer"] == 0.0
    assert reads("charge.half", "battery.dead_cell", machine=TRACTOR)["battery_hydrometer"] == 1.0


def test_fuel_and_spark_may_both_be_wrong() -> None:
    """A wet plug beside stale fuel: both show, each where it is looked for."""
    shown = reads("fuel.stale", "spark_plug.dead")
    assert (shown["plug_fires"], shown["smell_fuel"], shown["look_in_tank"]) == ("none", 1.0, 0.0)
    assert np.isfinite(float(shown["battery_cranking"]))


def complaints(machine: str, shown: dict[str, object]) -> list[str]:
    """Complaints whose words fit."""
    return [name for name in shipped(machine).machine.complaints if shown[name] == 0.0]


def at_fault(machine: str, shown: dict[str, object]) -> set[str]:
    """Inspections that find something; none can be done that needs an engine that turns."""
    tests = shipped(machine).machine.tests.values()
    found = set()
    for test in (test for test in tests if test.kind == "inspect"):
        cannot = test.condition == "cranked" and shown["cranks"] == "none"
        assert shown[test.id] in ((CANNOT,) if cannot else (0.0, 1.0)), test.id
        found |= {test.id} if shown[test.id] == 1.0 else set()
    return found
