"""What every mechanic knows about start circuits must come out of solving them.

Facts without a source of their own are marked `common practice, no source`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from diagnose.circuit.rigs import make_circuit
from diagnose.machine.ends import main_nets
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.bench import battery, level_function, line, machine, mode, probe, read, relay
from tests.circuit.everywhere import net_volts

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Part

PULLS_IN, CHATTERS, SILENT = 0.0, 1.0, 2.0
NORMAL, SLOW, NONE = 0.0, 1.0, 2.0
ON, DIM, OUT = 0.0, 1.0, 2.0


@pytest.fixture(scope="module")
def vehicle() -> Machine:
    return load_machine("utility_vehicle")


@pytest.mark.parametrize(
    "fault", ["plus_post.resistive", "minus_post.resistive", "battery.weak", "charge.empty"]
)
def test_lamps_burn_at_rest_and_the_start_collapses(vehicle: Machine, fault: str) -> None:
    # common practice, no source
    found = read(vehicle, fault)
    assert found["display"][0] in {ON, DIM}
    assert found["headlamp"][0] in {ON, DIM}
    assert found["cranks"][0] in {SLOW, NONE}
    assert found["headlamp_on_start"][0] in {DIM, OUT}


@pytest.mark.parametrize("fault", ["plus_post.resistive", "minus_post.resistive", "charge.empty"])
def test_a_relay_chatters_on_a_bad_post_or_a_flat_battery(vehicle: Machine, fault: str) -> None:
    # common practice, no source
    assert read(vehicle, fault)["relay_click"] == (CHATTERS, CHATTERS)
    assert read(vehicle)["relay_click"] == (PULLS_IN, PULLS_IN)


def test_a_crusted_post_drops_the_volts_that_the_battery_still_has(vehicle: Machine) -> None:
    # common practice, no source: at the post the battery is fine, at the clamp it is not.
    found = read(vehicle, "plus_post.resistive")
    assert found["battery_rest"][0] == pytest.approx(read(vehicle)["battery_rest"][0], abs=0.01)
    assert found["battery_load"][0] >= 9.6
    assert found["plus_post_drop"][0] > 1.0 > read(vehicle)["plus_post_drop"][0]


def test_a_rusty_frame_ground_cranks_slowly_while_the_battery_tests_good(vehicle: Machine) -> None:
    # common practice, no source; 0.2 to 0.3 V is what trade schools allow for the ground side
    found, good = read(vehicle, "frame_ground.resistive"), read(vehicle)
    assert (good["cranks"][0], found["cranks"][0]) == (NORMAL, SLOW)
    assert found["battery_rest"][0] >= 12.4
    assert found["battery_load"][0] >= 9.6
    assert found["battery_cranking"][0] > good["battery_cranking"][0]
    assert found["ground_side_drop"][0] > 0.3 > good["frame_ground_drop"][0]
    assert found["frame_ground_drop"][0] > 0.8 * found["ground_side_drop"][0]


def test_an_open_starter_takes_nothing_with_full_volts_at_its_stud(vehicle: Machine) -> None:
    # common practice, no source
    found = read(vehicle, "starter_motor.open")
    assert found["starter_volts"][0] > 11.5
    assert found["starter_amps"][0] < 0.01
    assert found["relay_click"][0] == PULLS_IN
    assert found["cranks"][0] == NONE


def test_a_locked_starter_pulls_the_battery_down(vehicle: Machine) -> None:
    # common practice, no source
    found, good = read(vehicle, "starter_motor.seized"), read(vehicle)
    assert found["starter_amps"][0] > 1.8 * good["starter_amps"][0]
    assert found["battery_cranking"][0] < 9.6 <= good["battery_cranking"][0]
    assert found["cranks"][0] == NONE


def test_a_welded_relay_keeps_cranking_with_the_button_released() -> None:
    # common practice, no source
    one = machine(
        [
            battery(12.65, 0.016),
            line("button", "switch", "plus>trigger", 0.01, mode("open", never_closed=True)),
            relay(
                "start_relay",
                "trigger>minus",
                "plus>stud",
                mode("stuck_closed", always_closed=True),
                coil_ohms=4.0,
            ),
            line("starter", "motor", "stud>minus", 0.12, mode("open", open=True)),
        ],
        {"released": (), "held": ("button",)},
        [probe("amps", "amps", "released", parts=("starter",))],
        [
            level_function("cranks", "starter", "held", normal=8.6, slow=4.0, none=None),
            level_function("goes_on", "starter", "released", normal=8.6, slow=4.0, none=None),
        ],
    )
    assert read(one)["goes_on"][0] == NONE
    found = read(one, "start_relay.stuck_closed")
    assert (found["cranks"][0], found["goes_on"][0]) == (NORMAL, NORMAL)
    assert found["amps"][0] > 70.0


def test_beyond_a_bad_joint_the_meter_is_content_until_something_draws(vehicle: Machine) -> None:
    # common practice, no source: the relay unplugged, full volts; plugged in, far too little.
    found, good = read(vehicle, "trigger_wire.resistive"), read(vehicle)
    assert found["trigger_unplugged_volts"][0] == pytest.approx(
        good["trigger_unplugged_volts"][0], abs=0.05
    )
    assert found["trigger_volts"][0] < 0.75 * found["trigger_unplugged_volts"][0]


def test_a_meter_and_a_test_lamp_disagree_beyond_a_corroded_wire() -> None:
    # common practice, no source: green strands of some hundred ohms
    parts = [
        battery(12.65, 0.016),
        line("wire", "wire", "plus>pin", 0.01, mode("green", ohms=500.0)),
        line("pump", "load", "pin>minus", 4.0, mode("unplugged", open=True)),
    ]
    tests = [
        probe("meter", "volts", "on", probes=("pin", "minus"), unplugged=("pump",)),
        probe("lamp", "lamp", "on", probes=("pin", "minus"), unplugged=("pump",), added_ohms=35.0),
    ]
    found = read(machine(parts, {"on": ()}, tests), "wire.green")
    assert found["meter"][0] > 12.6
    assert found["lamp"][0] < 1.0


def batteries_of(one: Machine) -> list[Part]:
    """The starter's first; none where it is pulled by hand."""
    return [part for part in one.parts.values() if part.kind == "battery"]


def posts(one: Machine, battery: str, *faults: str) -> dict[str, Any]:
    """Readings of every load test of a battery."""
    found = read(one, *faults)
    loads = [test for test in one.tests.values() if test.kind == "load_test"]
    return {test.id: found[test.id][0] for test in loads if test.parts == (battery,)}


@pytest.fixture(
    scope="module", params=[name for name in machine_names() if batteries_of(load_machine(name))]
)
def shipped(request: pytest.FixtureRequest) -> Machine:
    """A machine with a battery."""
    return load_machine(request.param)


def test_only_what_is_pulled_by_hand_has_no_battery() -> None:
    # Common practice, no source.
    without = [name for name in machine_names() if not batteries_of(load_machine(name))]
    assert without == ["push_mower"]


def test_a_good_battery_rests_within_the_makers_tables(shipped: Machine) -> None:
    # Battery makers' table for flooded batteries, 26.7 C: 12.65 V full, 12.45 at 75 %; an ATV
    # service manual's table for maintenance-free ones: 13.0 V full, 12.8 at 75 %.
    for own in batteries_of(shipped):
        assert 12.45 <= own.emf_volts <= 13.0


def test_a_battery_that_wants_charging_is_half_empty(shipped: Machine) -> None:
    # Battery makers' tables: 12.24 V (flooded) to 12.5 V (AGM) at 50 %, 11.89 to 12.0 V empty.
    for own in batteries_of(shipped):
        low, flat = own.modes.get("low"), own.modes.get("flat")
        assert low is None or 11.9 < (low.emf_volts or 0.0) <= 12.5
        assert flat is None or (flat.emf_volts or 99.0) < 12.0


def test_a_good_battery_passes_its_load_test_and_a_tired_one_fails(shipped: Machine) -> None:
    # Several makers' manuals: at least 9.6 V under half the cold cranking amps, 20 C and above.
    for own in batteries_of(shipped):
        tired = [mode for mode in ("weak", "flat", "dead_cell") if mode in own.modes]
        good = posts(shipped, own.id)
        assert tired
        assert good
        assert all(met >= 9.6 for met in good.values())
        for mode_id in tired:
            shown = posts(shipped, own.id, f"{own.id}.{mode_id}")
            assert all(met < 9.6 for met in shown.values())


def cranking(one: Machine) -> list[tuple[str, float, float, float]]:
    """(condition, battery volts, motor volts, amps) where a good machine's starter turns."""
    circuit = make_circuit(one)
    volts = net_volts(circuit, range(len(one.conditions)), np.array([[-1]], dtype=np.int32))[0]
    found = []
    for motor in (one.parts[str(one.functions["cranks"].part)],):
        for row, condition in enumerate(one.conditions):
            at = [*volts[row, :, 0], 0.0]
            plus, minus = (at[circuit.netlist.net(net)] for net in main_nets(motor))
            post = at[circuit.netlist.net(batteries_of(one)[0].terminals["plus"])]
            if plus - minus > 1.0:
                found.append((condition, post, plus - minus, (plus - minus) / motor.ohms))
    return found


def test_a_good_machine_cranks_within_the_makers_limits(shipped: Machine) -> None:
    # A small-engine maker's crank check: at least 9.0 V at the posts while cranking, at most
    # 1.0 V less at the starter. Starters of small machines take 40 to 150 A (from memory), of
    # small diesels up to 250 A (estimate).
    starts = cranking(shipped)
    assert starts
    for _, at_posts, at_motor, amps in starts:
        assert at_posts >= 9.0
        assert at_posts - at_motor <= 1.0
        assert 40.0 <= amps <= 250.0
