"""What the dictionaries fill in, and how entries become frozen data."""

from __future__ import annotations

import pytest

from diagnose.machine.load import read_machine
from diagnose.machine.model import Machine, Outcome, Raise
from diagnose.machine.wire import awg_mm2


def test_battery_at_rest_is_full(larkfield: Machine) -> None:
    battery = larkfield.parts["battery"]
    # battery makers' table, flooded, 26.7 C, rested: 100 % 12.65 V, 50 % 12.24 V
    assert battery.emf_volts == pytest.approx(12.65)
    assert battery.modes["low"].emf_volts == pytest.approx(12.24, abs=0.02)
    # one cell of six gone
    assert battery.modes["dead_cell"].emf_volts == pytest.approx(12.65 * 5 / 6, abs=0.1)
    assert battery.cold_cranking_amps == 230.0
    assert battery.terminals == {"plus": "batt_plus", "minus": "batt_minus"}


def test_modes_begin_with_ok_and_keep_the_order_of_the_file(larkfield: Machine) -> None:
    assert list(larkfield.parts["battery"].modes) == ["ok", "low", "flat", "dead_cell"]
    for part in larkfield.parts.values():
        ok = part.modes["ok"]
        assert (ok.per_1000_jobs, ok.open, ok.loose, ok.at_best) == (0.0, False, False, 0)


def test_titles_and_sources_of_modes(larkfield: Machine) -> None:
    assert larkfield.parts["battery"].modes["flat"].title == "flat after the winter"
    assert larkfield.parts["main_fuse"].modes["open"].title == "blown"
    assert larkfield.parts["lamp_wire"].modes["open"].source == "common practice"
    assert larkfield.parts["lamp_wire"].modes["shorted"].source == "estimate"


def test_effects_of_modes(larkfield: Machine) -> None:
    parts = larkfield.parts
    assert parts["main_fuse"].modes["open"].open
    assert parts["main_fuse"].modes["open"].visible == pytest.approx(0.85)
    assert parts["relay_plug"].modes["loose"].loose
    assert parts["plus_cable"].modes["shorted"].short_ohms == pytest.approx(0.05)
    assert parts["start_button"].modes["open"].never_closed
    assert not parts["start_button"].modes["open"].open
    assert parts["key_switch"].modes["stuck_closed"].always_closed
    assert parts["start_relay"].modes["coil_open"].coil_open
    assert parts["charger"].modes["weak"].emf_volts == pytest.approx(12.2)


def test_what_a_failed_load_or_motor_can_still_do(larkfield: Machine) -> None:
    starter = larkfield.parts["starter_motor"].modes
    assert {name: mode.at_best for name, mode in starter.items()} == {
        "ok": 0,
        "open": 2,
        "worn": 1,
        "seized": 2,
        "dragging": 1,
    }
    assert starter["worn"].ohms == pytest.approx(0.36)
    assert starter["seized"].ohms == pytest.approx(0.036)
    assert larkfield.parts["lamp"].modes["open"].at_best == 2


def test_resistances(larkfield: Machine) -> None:
    parts = larkfield.parts
    # HyperPhysics wire table: AWG 4 has 0.815 milliohm per metre
    assert parts["plus_cable"].ohms == pytest.approx(0.6 * 0.000815, rel=5e-3)
    assert parts["plus_cable"].wire_mm2 == pytest.approx(awg_mm2(4))
    assert parts["starter_cable"].wire_mm2 == 16.0
    assert parts["main_fuse"].ohms == pytest.approx(0.0034)
    assert parts["lamp"].ohms == pytest.approx(4.0)
    assert (parts["start_relay"].ohms, parts["start_relay"].coil_ohms) == (0.0005, 4.0)
    assert parts["start_module"].ohms == pytest.approx(0.05)


def test_watts_give_ohms(larkfield_text: str) -> None:
    machine = read_machine(larkfield_text.replace("    amps: 3\n", "    watts: 48\n"))
    assert machine.parts["lamp"].ohms == pytest.approx(12**2 / 48)


def test_relay_data_sheet_is_the_default(larkfield_text: str) -> None:
    for key in ("coil_ohms: 4\n", "pull_in_volts: 7.2\n", "drop_out_volts: 4\n"):
        larkfield_text = larkfield_text.replace(f"    {key}", "")
    relay = read_machine(larkfield_text).parts["start_relay"]
    # data sheets of 12 V relays: pull-in at most 60 % of 12 V, release at least 1.2 V
    assert relay.pull_in_volts == pytest.approx(0.6 * 12)
    assert relay.drop_out_volts == pytest.approx(1.2)
    assert 75 <= relay.coil_ohms <= 300


def test_volts_of_the_dictionary_double_on_a_24_volt_machine(larkfield_text: str) -> None:
    machine = read_machine(larkfield_text.replace("nominal_volts: 12", "nominal_volts: 24"))
    assert machine.parts["battery"].emf_volts == pytest.approx(25.3)
    assert machine.parts["battery"].modes["low"].emf_volts == pytest.approx(24.5)
    test = machine.tests["coil_volts"]
    assert (test.low, test.high) == (-2.0, 40.0)
    assert test.spread == pytest.approx(0.24)
    assert [o.at_least for o in test.outcomes] == [22.0, 4.0, None, None]
    # a drop does not grow with the system's volts, nor does what the author wrote
    assert machine.tests["ground_drop"].outcomes[0].at_least == pytest.approx(0.30)
    assert machine.tests["battery_rest"].outcomes[0].at_least == pytest.approx(12.4)


def test_default_outcomes(larkfield: Machine) -> None:
    ids = {name: [o.id for o in test.outcomes] for name, test in larkfield.tests.items()}
    assert ids == {
        "battery_rest": ["charged", "low", "flat", "unsteady"],
        "coil_volts": ["full", "low", "none", "unsteady"],
        "ground_drop": ["excessive", "normal", "unsteady"],
        "fuse_lamp": ["bright", "dim", "dark", "unsteady"],
        "crank_amps": ["high", "normal", "none", "unsteady"],
        "trigger_ohms": ["open", "high", "good", "unsteady"],
        "load_battery": ["good", "poor"],
        "hear_relay": ["pulls_in", "chatters", "silent"],
        "see_lamp": ["on", "dim", "off"],
        "see_fuse": ["damage_seen", "nothing_seen"],
        "see_nest": ["found", "not_found"],
        "move_plug": ["comes_and_goes", "steady"],
        "other_relay": ["normal", "slow", "none"],
        "jump_relay": ["normal", "slow", "none"],
    }


def test_own_outcomes_are_titled_by_their_range(larkfield: Machine) -> None:
    assert larkfield.tests["battery_rest"].outcomes[:3] == (
        Outcome("charged", "12.4 V or more", 12.4),
        Outcome("low", "12 to 12.4 V", 12.0),
        Outcome("flat", "below 12 V", None),
    )


def test_load_tester_draws_its_amps_at_nominal_volts(larkfield: Machine) -> None:
    test = larkfield.tests["load_battery"]
    assert test.added_ohms == pytest.approx(12 / 115)
    assert test.probes == ("batt_plus", "batt_minus")
    # several makers' manuals: 9.6 V at 20 C and above, half the cold cranking amps for 15 s
    assert test.outcomes[0].at_least == pytest.approx(9.6)


def test_instruments(larkfield: Machine) -> None:
    tests = larkfield.tests
    assert {t.kind: t.unit for t in tests.values() if t.unit} == {
        "volts": "V",
        "drop": "V",
        "amps": "A",
        "ohms": "ohm",
        "load_test": "V",
    }
    assert tests["fuse_lamp"].added_ohms == 35.0
    assert tests["coil_volts"].added_ohms is None
    assert tests["fuse_lamp"].tool == "test_lamp"
    assert (tests["crank_amps"].tool, tests["hear_relay"].tool) == ("clamp_meter", "none")
    assert (tests["coil_volts"].slip_percent, tests["hear_relay"].slip_percent) == (1.0, 2.0)


def test_tests_of_a_function_take_its_condition(larkfield: Machine) -> None:
    assert larkfield.tests["hear_relay"].condition == "start_held"
    assert larkfield.tests["see_lamp"].condition == "key_on"
    assert larkfield.tests["load_battery"].condition is None


def test_author_overrides_the_instrument(larkfield_text: str) -> None:
    changed = larkfield_text.replace(
        "  coil_volts:\n", "  coil_volts:\n    spread_volts: 0.5\n    slip_percent: 4\n"
    )
    test = read_machine(changed).tests["coil_volts"]
    assert (test.spread, test.spread_percent, test.slip_percent) == (0.5, 1.0, 4.0)


def test_shared_causes_raise_only_modes_that_the_part_has(larkfield: Machine) -> None:
    nest = larkfield.shared_causes["rodent_nest"]
    assert nest.raises == (
        Raise("lamp_wire", ("open", "shorted"), 8.0),
        Raise("relay_plug", ("open",), 8.0),
        Raise("main_fuse", ("open",), 2.0),
    )
    failed = larkfield.shared_causes["not_charging"]
    assert (failed.part, failed.modes, failed.per_1000_jobs) == (
        "charger",
        ("no_output", "weak"),
        0.0,
    )


def test_repairs(larkfield: Machine) -> None:
    charge, replace = larkfield.parts["battery"].repairs
    assert charge.fixes == ("low", "flat")
    assert replace.fixes == ("low", "flat", "dead_cell")
    assert (charge.price_eur, replace.price_eur) == (0.0, 95.0)
    assert larkfield.parts["lamp"].repairs == ()


def test_functions(larkfield: Machine) -> None:
    functions = larkfield.functions
    assert functions["lamp_lights"].title == "Work lamp"
    assert [level.at_least_volts for level in functions["cranks"].levels] == [8.6, 4.0, None]
    assert functions["runs"].needs == {"cranks": ("normal",), "lamp_lights": ("on", "dim")}
    assert [level.id for level in functions["runs"].levels] == ["yes", "no"]


def test_all_numbers_are_floats(larkfield: Machine) -> None:
    assert type(larkfield.nominal_volts) is float
    assert type(larkfield.shop.check_minutes) is float
    assert type(larkfield.parts["battery"].modes["low"].per_1000_jobs) is float
    assert type(larkfield.tests["battery_rest"].minutes) is float
