"""Parts in one piece: what fits one of them new renews them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine, read_machine

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

PARTS_OF = {
    "compact_tractor": {"key_switch": ("key_switch", "start_contact", "glow_contact")},
    "standby_pump": {
        "controller": (
            "start_output",
            "fuel_output",
            "shutdown_output",
            "oil_input",
            "temp_input",
        )
    },
    "push_mower": {},
    "utility_vehicle": {},
    "work_boat": {
        "key_switch": ("key_run", "key_start", "key_stop"),
        "charge_diodes": ("start_diode", "house_diode"),
        "tilt_rocker": ("rocker_up", "rocker_down"),
        "up_changeover": ("up_relay", "up_rest"),
        "down_changeover": ("down_relay", "down_rest"),
    },
    "zero_turn_mower": {"key_switch": ("key_run", "key_start")},
}
"""Machine -> unit -> its parts: one thing on the shelf each. Common practice, no source."""


@pytest.fixture
def carts_panel(larkfield_text: str) -> Machine:
    """The cart whose key switch and start button are one piece, which can be cleaned as well."""
    text = larkfield_text
    for part in ("Key switch", "Start button"):
        text = text.replace(f"    title: {part}\n", f"    title: {part}\n    unit: panel\n")
    own = "    modes: {open: {per_1000_jobs: 11}}\n"
    repairs = (
        "    repairs:\n"
        "      clean: {title: Clean it, minutes: 4}\n"
        "      replace: {title: Fit a new panel, minutes: 9, fixes: [open], also: {lamp: [open]}}\n"
    )
    return read_machine(text.replace(own, own + repairs))


def test_a_new_part_of_a_unit_renews_all_of_it(carts_panel: Machine) -> None:
    clean, replace = carts_panel.parts["start_button"].repairs
    assert replace.puts_right("start_button") == {
        "start_button": ("open",),
        "key_switch": ("open", "stuck_closed"),
        "lamp": ("open",),
    }
    assert clean.puts_right("start_button") == {"start_button": ("open",)}


def test_a_unit_knows_its_parts(carts_panel: Machine) -> None:
    for part in ("key_switch", "start_button"):
        assert carts_panel.in_unit_with(part) == ("key_switch", "start_button")
    assert carts_panel.in_unit_with("battery") == ("battery",)


@pytest.mark.parametrize("name", PARTS_OF)
def test_units_of_the_machines(name: str) -> None:
    machine = load_machine(name)
    units: dict[str, tuple[str, ...]] = {}
    for part in machine.parts.values():
        if part.unit is not None:
            units[part.unit] = (*units.get(part.unit, ()), part.id)
    assert units == PARTS_OF[name]
    for parts in units.values():
        every = {(part, mode) for part in parts for mode in [*machine.parts[part].modes][1:]}
        for part in parts:
            for repair in machine.parts[part].repairs:
                mended = {(p, m) for p, ms in repair.puts_right(part).items() for m in ms}
                assert (mended == every) == (repair.id == "replace"), (part, repair.id)
                assert repair.price_eur > 0.0
