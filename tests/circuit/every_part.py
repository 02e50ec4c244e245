"""A made-up machine with every kind of part, mode and test, for the referees.

Beside what start circuits have, it holds the awkward ones: a bell (a relay that feeds itself
through its own resting contact), a flasher (two relays that chase each other through four
states), a controller that needs one input high and one low, one that switches a ground, and a
relay that shares its ground lug with a lamp, so that a bad lug feeds the coil from behind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.model import Input
from tests.circuit.bench import (
    battery,
    controller,
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
GREEN = mode("resistive", ohms=4.0, visible=0.5)
SHORTED = mode("shorted", short_ohms=0.05, visible=0.5)
NEVER = mode("contacts_open", never_closed=True)
WELDED = mode("stuck_closed", always_closed=True)
COIL = mode("coil_open", coil_open=True)


def supply_side() -> list[Part]:
    return [
        battery(12.65, 0.016, mode("weak", emf_volts=12.5, ohms=0.1), OPEN, plus="cells"),
        line(
            "charge",
            "charge",
            "cells>plus",
            0.0005,
            mode("half", emf_volts=0.41, ohms=0.006),
            mode("run_down", emf_volts=1.35, ohms=0.35),
        ),
        line("post", "connector", "plus>lug", 0.0005, LOOSE, mode("resistive", ohms=0.3)),
        line("main_fuse", "fuse", "lug>fused", 0.003, OPEN, GREEN, LOOSE, fuse_amps=30.0),
        line("key", "switch", "fused>run", 0.01, NEVER, WELDED, LOOSE),
        line("fuse", "fuse", "run>feed", 0.008, OPEN, LOOSE, fuse_amps=10.0),
        line("feed_wire", "wire", "feed>dash", 0.02, OPEN, SHORTED, GREEN),
        line("strap", "ground", "frame>minus", 0.0005, OPEN, LOOSE, mode("resistive", ohms=0.15)),
        part(
            "charger",
            "generator",
            {"plus": "charge", "minus": "frame"},
            0.1,
            mode("weak", emf_volts=12.2),
            OPEN,
            emf_volts=14.2,
        ),
        line("charge_wire", "wire", "charge>lug", 0.01, OPEN, SHORTED),
    ]


def relays() -> list[Part]:
    return [
        line("button", "switch", "dash>trigger", 0.01, NEVER, WELDED, LOOSE),
        relay(
            "starter_relay",
            "trigger>coil_lug",
            "lug>stud",
            COIL,
            NEVER,
            WELDED,
            LOOSE,
            mode("coil_shorted", coil_ohms=0.3),
            mode("weak_pull", pull_in_volts=11.9),
            mode("burnt", ohms=0.12),
            coil_ohms=4.0,
            drop_out_volts=4.0,
        ),
        line("coil_ground", "ground", "coil_lug>frame", 0.001, OPEN, LOOSE, GREEN),
        line(
            "starter",
            "motor",
            "stud>frame",
            0.12,
            mode("open", open=True, at_best=2),
            mode("seized", ohms=0.036, at_best=2),
        ),
        relay("bell", "bell_coil>frame", "dash>bell_coil", COIL, WELDED, normally_closed=True),
        relay("chaser", "chased>frame", "dash>chase", NEVER, LOOSE),
        relay("chased_relay", "chase>frame", "dash>chased", WELDED, normally_closed=True),
        line("lamp_wire", "wire", "dash>lamp_pin", 0.03, OPEN, SHORTED, LOOSE),
        line("lamp", "load", "lamp_pin>shared_lug", 2.6, mode("open", open=True, at_best=2)),
        relay("seat_relay", "seat_out>shared_lug", "dash>seat_feed", COIL, NEVER),
        line("seat", "switch", "dash>seat_out", 0.01, NEVER, WELDED),
        line("bleeder", "load", "seat_out>frame", 10.0, OPEN),
        line("shared_ground", "ground", "shared_lug>frame", 0.001, OPEN, GREEN, LOOSE),
        line("buzzer", "load", "seat_feed>frame", 40.0, mode("dead", at_best=1)),
    ]


def controllers() -> list[Part]:
    sender = (Input("pressure", "frame", None, 2.0), Input("dash", "frame", 9.0, None))
    return [
        line("pull_up", "load", "dash>pressure", 1000.0, OPEN),
        line("pressure_switch", "switch", "pressure>frame", 0.5, NEVER, WELDED),
        controller(
            "watch",
            "dash>watch_lug>valve_feed",
            NEVER,
            WELDED,
            mode("dead", coil_open=True),
            inputs=sender,
        ),
        line("watch_ground", "ground", "watch_lug>frame", 0.001, OPEN, GREEN),
        line("valve", "load", "valve_feed>frame", 12.0, OPEN, mode("shorted", ohms=0.05)),
        line("fan", "load", "dash>fan_low", 3.0, OPEN),
        controller(
            "sinker", "dash>watch_lug>fan_low", WELDED, mode("dead", coil_open=True), to="ground"
        ),
    ]


def tests() -> list[Test]:
    lamp = {"added_ohms": 35.0}
    return [
        probe("battery_rest", "volts", "rest", probes=("plus", "minus")),
        probe("battery_load", "load_test", "rest", parts=("battery",), added_ohms=0.06),
        probe("charging", "volts", "running", probes=("plus", "minus")),
        probe("drop", "drop", "start", probes=("lug", "stud")),
        probe("lamp_lamp", "lamp", "on", probes=("lamp_pin", "frame"), **lamp),
        probe("ground_lamp", "lamp", "on", probes=("shared_lug", "plus"), **lamp),
        probe(
            "plug_off", "volts", "start", probes=("trigger", "frame"), unplugged=("starter_relay",)
        ),
        probe("watch_off", "volts", "on", probes=("valve_feed", "frame"), unplugged=("watch",)),
        probe(
            "no_battery",
            "lamp",
            "running",
            probes=("dash", "frame"),
            unplugged=("battery",),
            **lamp,
        ),
        probe("battery_amps", "amps", "on", parts=("battery",)),
        probe("charger_amps", "amps", "running", parts=("charger",)),
        probe("contact_amps", "amps", "start", parts=("starter_relay",)),
        probe("bell_amps", "amps", "on", parts=("bell",)),
        probe("wire_amps", "amps", "on", parts=("feed_wire",)),
        probe("line_ohms", "ohms", "rest", parts=("fuse", "feed_wire")),
        probe("key_ohms", "ohms", "on", parts=("key",)),
        probe("bell_ohms", "ohms", "rest", parts=("bell",)),
        probe("look", "look", None, parts=("fuse", "feed_wire", "lamp_wire")),
        probe("wiggle", "wiggle", "on", parts=("post", "key", "fuse")),
        probe("try_relay", "substitute", "start", parts=("starter_relay",), function="cranks"),
        probe("try_fuse", "substitute", "on", parts=("fuse",), function="light"),
        probe("try_battery", "substitute", "start", parts=("battery",), function="clicks"),
        probe("try_watch", "substitute", "on", parts=("watch",), function="opens"),
        probe("bridge_button", "bridge", "start", parts=("button",), function="clicks"),
        probe("bridge_relay", "bridge", "start", parts=("starter_relay",), function="cranks"),
    ]


def functions() -> list[Function]:
    return [
        level_function("cranks", "starter", "start", normal=8.6, slow=4.0, none=None),
        level_function("light", "lamp", "on", bright=9.0, dim=3.0, out=None),
        level_function("opens", "valve", "on", yes=8.0, no=None),
        level_function("blows", "fan", "on", yes=8.0, no=None),
        level_function("warns", "buzzer", "on", yes=6.0, no=None),
        relay_function("clicks", "starter_relay", "start"),
        relay_function("rings", "bell", "on"),
        relay_function("flashes", "chaser", "on"),
        relay_function("seated", "seat_relay", "on"),
    ]


def every_part() -> Machine:
    return machine(
        [*supply_side(), *relays(), *controllers()],
        {
            "rest": (),
            "on": ("key", "pressure_switch"),
            "start": ("key", "button", "seat", "pressure_switch"),
            "running": ("key", "seat"),
        },
        tests(),
        functions(),
        name="every_part",
        running=("charger",),
        frame="frame",
    )
