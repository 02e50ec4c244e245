"""A made-up machine that is no tree, for the referees.

Two batteries in line with a tap between them, and a spare beside both, joined through diodes; a
ring of straps round frame and engine block; switches and fuses side by side; a tilt motor that two
changeover relays turn either way; diodes that let two switches light one lamp, and one across a
coil; wires that chafe on each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.circuit.bench import (
    level_function,
    line,
    machine,
    mode,
    part,
    probe,
    relay,
    relay_function,
)

if TYPE_CHECKING:
    from diagnose.machine.model import Function, Machine, Part, Test

OPEN = mode("open", open=True, visible=0.6)
LOOSE = mode("loose", loose=True, visible=0.3)
GREEN = mode("resistive", ohms=0.4, visible=0.5)
TOUCHES = mode("shorted", short_ohms=0.05, visible=0.5)
NEVER = mode("contacts_open", never_closed=True)
WELDED = mode("stuck_closed", always_closed=True)
COIL = mode("coil_open", coil_open=True)
THROUGH = mode("shorted", always_closed=True, emf_volts=0.0, ohms=0.05)
BROKEN = mode("open", open=True)


def sources() -> list[Part]:
    def battery(name: str, plus: str, minus: str, volts: float) -> Part:
        weak = mode("weak", emf_volts=volts - 0.3, ohms=0.2)
        ends = {"plus": plus, "minus": minus}
        return part(name, "battery", ends, 0.012, weak, OPEN, emf_volts=volts)

    return [
        battery("upper", "top", "tap", 12.6),
        battery("lower", "tap", "minus", 12.7),
        battery("spare", "spare_cells", "minus", 25.1),
        line(
            "spare_charge",
            "charge",
            "spare_cells>spare_post",
            0.001,
            mode("half", emf_volts=0.8, ohms=0.02),
        ),
        diode("diode_main", "top>bus", 0.01),
        diode("diode_spare", "spare_post>bus", 0.01),
        line("strap_frame", "ground", "frame>minus", 0.0008, OPEN, LOOSE, GREEN),
        line("strap_block", "ground", "block>minus", 0.0012, OPEN, LOOSE),
        line("strap_between", "ground", "frame>block", 0.001, OPEN, GREEN),
        part(
            "alternator",
            "generator",
            {"plus": "bus", "minus": "block"},
            0.05,
            mode("weak", emf_volts=24.3),
            OPEN,
            emf_volts=28.2,
        ),
    ]


def diode(name: str, ends: str, ohms: float = 0.02) -> Part:
    return line(name, "diode", ends, ohms, BROKEN, THROUGH, emf_volts=0.7)


def tilt() -> list[Part]:
    found = [
        line("tilt_fuse", "fuse", "bus>tilt_feed", 0.004, OPEN, LOOSE, fuse_amps=25.0),
        line("tilt_fuse_too", "fuse", "bus>tilt_feed", 0.004, OPEN, fuse_amps=25.0),
        line("tilt_motor", "motor", "side_a>side_b", 1.6, BROKEN, mode("seized", ohms=0.5)),
        line("button_up", "switch", "tilt_feed>call_up", 0.01, NEVER, LOOSE),
        line("button_down", "switch", "tilt_feed>call_down", 0.01, NEVER, WELDED),
        line("wire_up", "wire", "call_up>coil_up", 0.05, OPEN, TOUCHES, shorts_to="coil_down"),
        line("wire_down", "wire", "call_down>coil_down", 0.05, OPEN, LOOSE),
        diode("kick_up", "frame>coil_up"),
    ]
    for way, side in (("up", "side_a"), ("down", "side_b")):
        found += [
            relay(
                f"relay_{way}",
                f"coil_{way}>frame",
                f"tilt_feed>{side}",
                COIL,
                NEVER,
                WELDED,
                coil_ohms=300.0,
                pull_in_volts=14.0,
                drop_out_volts=3.0,
            ),
            line(
                f"rest_{way}",
                "contacts",
                f"{side}>block",
                0.01,
                NEVER,
                WELDED,
                LOOSE,
                relay=f"relay_{way}",
                normally_closed=True,
            ),
        ]
    return found


def lamps() -> list[Part]:
    return [
        line("key", "switch", "bus>keyed", 0.01, NEVER, WELDED, LOOSE),
        line("key_too", "switch", "bus>keyed", 0.02, NEVER),
        line("work_switch", "switch", "keyed>work", 0.01, NEVER, WELDED),
        line("road_switch", "switch", "keyed>road", 0.01, NEVER),
        diode("from_work", "work>lamp_pin"),
        diode("from_road", "road>lamp_pin"),
        line("lamp", "load", "lamp_pin>lamp_lug", 20.0, OPEN),
        line("road_lamp", "load", "road>block", 15.0, OPEN),
        line("lamp_wire", "wire", "lamp_lug>lamp_end", 0.02, OPEN, TOUCHES, shorts_to="call_up"),
        line("lamp_ground", "ground", "lamp_end>frame", 0.001, OPEN, LOOSE),
        line("lamp_ground_too", "ground", "lamp_lug>block", 0.001, OPEN),
        line("tap_lamp", "load", "tap>tap_lug", 6.0, OPEN),
        line("tap_ground", "ground", "tap_lug>frame", 0.001, OPEN, GREEN),
    ]


def tests() -> list[Test]:
    bulb = {"added_ohms": 35.0}
    return [
        probe("rest", "volts", "off", probes=("top", "minus")),
        probe("tap", "volts", "off", probes=("tap", "frame")),
        probe("up_across", "volts", "up", probes=("side_a", "side_b")),
        probe("down_across", "volts", "down", probes=("side_a", "side_b")),
        probe("block_drop", "drop", "up", probes=("block", "minus")),
        probe("lamp_at_pin", "lamp", "work", probes=("lamp_pin", "frame"), **bulb),
        probe("back_feed", "lamp", "work", probes=("road", "frame"), **bulb),
        probe("spare_off", "volts", "up", probes=("bus", "frame"), unplugged=("spare",)),
        probe("relay_off", "volts", "down", probes=("side_b", "frame"), unplugged=("relay_down",)),
        probe("upper_load", "load_test", "off", parts=("upper",), added_ohms=0.12),
        probe("spare_amps", "amps", "up", parts=("spare",)),
        probe("diode_amps", "amps", "up", parts=("diode_main",)),
        probe("charge_amps", "amps", "running", parts=("alternator",)),
        probe("fuse_ohms", "ohms", "off", parts=("tilt_fuse",)),
        probe("rest_ohms", "ohms", "off", parts=("rest_up", "rest_down")),
        probe("look", "look", None, parts=("wire_up", "lamp_wire")),
        probe("wiggle", "wiggle", "work", parts=("key", "rest_up")),
        probe("try_relay", "substitute", "up", parts=("relay_up",), function="tilts_up"),
        probe("try_spare", "substitute", "work", parts=("spare",), function="lit"),
        probe("bridge_rest", "bridge", "up", parts=("rest_down",), function="tilts_up"),
    ]


def functions() -> list[Function]:
    return [
        level_function("tilts_up", "tilt_motor", "up", normal=18.0, slow=8.0, none=None),
        level_function("tilts_down", "tilt_motor", "down", normal=18.0, slow=8.0, none=None),
        level_function("lit", "lamp", "work", bright=17.0, dim=6.0, out=None),
        level_function("tap_lit", "tap_lamp", "off", yes=9.0, no=None),
        relay_function("clicks_up", "relay_up", "up"),
    ]


def meshed() -> Machine:
    return machine(
        [*sources(), *tilt(), *lamps()],
        {
            "off": (),
            "work": ("key", "key_too", "work_switch"),
            "up": ("button_up",),
            "down": ("button_down",),
            "running": ("key", "key_too", "road_switch"),
        },
        tests(),
        functions(),
        name="meshed",
        running=("alternator",),
        frame="frame",
    )
