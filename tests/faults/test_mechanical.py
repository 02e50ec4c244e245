"""What no current flows through: fuel, air, compression, an engine that is stuck.

Each case is common practice, no source: what somebody at the machine would hear and find.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.outcomes import CANNOT
from tests.faults.machines import shipped

VEHICLE = "utility_vehicle"


def reads(*faults: str) -> dict[str, object]:
    """Levels, complaints' words, volts and what inspections show, under faults `part.mode`."""
    known = shipped(VEHICLE)
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
def test_what_is_heard_and_found(
    fault: str, cranks: str, spins: str, runs: str, told: str, found: str | None
) -> None:
    shown = reads(fault)
    assert (shown["cranks"], shown["starter_spins"], shown["runs"]) == (cranks, spins, runs)
    machine = shipped(VEHICLE).machine
    assert [name for name in machine.complaints if shown[name] == 0.0] == [told]
    for test in (test for test in machine.tests.values() if test.kind == "inspect"):
        if not (cranks == "none" and test.id == "compression"):
            assert shown[test.id] == (1.0 if test.id == found else 0.0), test.id


def test_a_stuck_engine_loads_the_starter_as_a_locked_one_does() -> None:
    """Locked, a starter draws several times its running current, and the battery sags."""
    stuck, locked, well = reads("engine.stuck"), reads("starter_motor.seized"), reads()
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


def test_fuel_and_spark_may_both_be_wrong() -> None:
    """A wet plug beside stale fuel: both show, each where it is looked for."""
    shown = reads("fuel.stale", "spark_plug.dead")
    assert (shown["plug_fires"], shown["smell_fuel"], shown["look_in_tank"]) == ("none", 1.0, 0.0)
    assert np.isfinite(float(shown["battery_cranking"]))
