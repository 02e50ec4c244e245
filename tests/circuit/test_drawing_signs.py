"""Signs of parts, probe points and steps in the picture of a circuit."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from diagnose.circuit.drawing import draw
from diagnose.circuit.marks import Mark
from diagnose.circuit.symbols import BY_WORD, SYMBOLS, symbol_name
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.sheet import SVG, groups, laid_out, pieces, shift, texts

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


def test_every_part_appears_once_with_its_sign(drawn: Machine) -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(drawn) if g.get("data-part")]
    contacts = {"make_contact", "break_contact", "output"}
    bodies = [
        part
        for part, sign in shown
        if sign not in contacts or drawn.parts[str(part)].kind == "contacts"
    ]
    assert sorted(filter(None, bodies)) == sorted(drawn.parts)
    switched = sorted(part for part, sign in shown if part and sign in contacts)
    gated = [p.id for p in drawn.parts.values() if p.kind in {"relay", "controller", "contacts"}]
    assert switched == sorted(gated)
    for box in laid_out(drawn).boxes:
        part = drawn.parts[box.item.part]
        assert (part.id, symbol_name(part, box.item)) in shown


# By title; IEC 60617 and the trade, from memory.
SIGNS = {
    ("utility_vehicle", "headlamp"): "lamp",
    ("utility_vehicle", "fuel_pump"): "motor",
    ("utility_vehicle", "start_button"): "button",
    ("utility_vehicle", "display"): "box",
    ("utility_vehicle", "pump_plug"): "connector",
    ("utility_vehicle", "plus_post"): "terminal",
    ("utility_vehicle", "plus_cable"): "cable",
    ("utility_vehicle", "trigger_wire"): "wire",
    ("utility_vehicle", "rectifier"): "diode",
    ("utility_vehicle", "starter_motor"): "motor",
    ("compact_tractor", "glow_plug_2"): "heater",
    ("compact_tractor", "volt_gauge"): "meter",
    ("compact_tractor", "fuel_solenoid"): "coil",
    ("compact_tractor", "alternator"): "generator",
    ("zero_turn_mower", "magneto"): "magneto",
    ("zero_turn_mower", "plug_gap"): "gap",
    ("zero_turn_mower", "front_plug"): "spark",
    ("zero_turn_mower", "hour_meter"): "hours",
    ("zero_turn_mower", "kill_diodes"): "diode",
    ("zero_turn_mower", "run_fuse"): "fuse",
    ("standby_pump", "start_output"): "controller",
    ("standby_pump", "maintainer"): "charger",
    ("standby_pump", "shutdown_relay"): "relay",
    ("standby_pump", "frame_ground"): "ground",
}


@pytest.mark.parametrize("name", machine_names())
def test_signs_are_those_of_the_trade(name: str) -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(load_machine(name))]
    for (where, part), sign in SIGNS.items():
        if where == name:
            assert (part, sign) in shown


def test_signs_differ_and_every_word_has_one() -> None:
    assert len(set(SYMBOLS.values())) == len(SYMBOLS)
    assert {sign for words in BY_WORD.values() for _, sign in words} <= set(SYMBOLS)


def test_a_resting_contact_is_drawn_closed() -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(load_machine("standby_pump"))]
    assert ("shutdown_relay", "break_contact") in shown
    assert ("start_relay", "make_contact") in shown


def test_a_kill_line_stands_apart_from_magneto_to_ground() -> None:
    # The mower's file: two relays, closed at rest, ground the magneto through the kill diodes.
    mower = load_machine("zero_turn_mower")
    layout = laid_out(mower)
    (heading,) = (label for label in layout.headings if label.net == "kill")
    below = [b for b in layout.boxes if b.x == heading.x and b.y > heading.y]
    assert min(below, key=lambda box: box.y).item.part == "magneto"
    at = {box.item.part: box for box in layout.boxes if box.item.contacts or not box.item.gap}
    line_ = ["magneto_lead", "kill_diodes", "kill_wire"]
    assert [at[part].y for part in line_] == sorted(at[part].y for part in line_)
    words = [area.what for area in texts(ET.fromstring(draw(mower)))]  # noqa: S314
    assert "KILL LINE" in words
    assert "KILL LINE" not in draw(load_machine("utility_vehicle"))


def test_probes_are_marked_on_their_nets(drawn: Machine) -> None:
    named = {label.net for label in laid_out(drawn).labels}
    assert all(set(t.probes) <= named for t in drawn.tests.values() if t.probes is not None)
    for test in list(drawn.tests.values())[::12]:
        marks = {
            g.get("data-probe"): g.get("data-net")
            for g in groups(drawn, test=test)
            if g.get("data-probe")
        }
        if test.probes is None:
            assert not marks
        else:
            assert (marks["red"], marks["black"]) == test.probes


def test_a_probe_lies_on_the_wire_of_its_net() -> None:
    vehicle = load_machine("utility_vehicle")
    test = next(t for t in vehicle.tests.values() if t.probes and "relay_trigger" in t.probes)
    layout = laid_out(vehicle)
    marked = [g for g in groups(vehicle, test=test) if g.get("class") == "net"]
    marked = [g for g in marked if g.find(f"{SVG}g[@data-probe]") is not None]
    assert {group.get("data-net") for group in marked} == set(test.probes or ())
    for group in marked:
        x, y = shift(group)
        own = [area for area, net in pieces(layout) if net == group.get("data-net")]
        ends = [label for label in layout.labels if (label.x, label.y) == (x, y) and label.sign]
        on = [area for area in own if area.left < x < area.right and area.top < y < area.bottom]
        assert ends or on


def test_parts_of_a_test_without_probes_are_framed() -> None:
    vehicle = load_machine("utility_vehicle")
    test = next(t for t in vehicle.tests.values() if t.parts and t.probes is None)
    framed = {
        g.get("data-part") for g in groups(vehicle, test=test) if "at" in g.get("class", "").split()
    }
    assert framed == set(test.parts)


def test_steps_of_a_card_are_marked_and_touch_nothing(drawn: Machine) -> None:
    nets = list(dict.fromkeys(label.net for label in laid_out(drawn).labels))[:12]
    steps = [Mark(net, "step", str(number)) for number, net in enumerate(nets * 2, 1)]
    shown = groups(drawn, steps=steps)
    assert [g.get("data-step") for g in shown if g.get("data-step")].__len__() == len(steps)
    words = texts(ET.fromstring(draw(drawn, steps=steps)))  # noqa: S314
    assert not [(a.what, b.what) for a, b in combinations(words, 2) if a.overlaps(b)]
