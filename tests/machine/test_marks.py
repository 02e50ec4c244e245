"""Colours of wires and pins of parts: in the file, in words, in the drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.circuit.drawing import draw
from diagnose.errors import MachineFileError
from diagnose.machine.load import read_machine
from diagnose.paper.where import net_words, where_lines

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

WIRE = "    awg: 18\n    metres: 1.2\n"
RELAY = "    coil_ohms: 4\n"


def marked(text: str, colour: str = "GN/YE") -> Machine:
    assert text.count(RELAY) == 1
    pins = "    pins: {coil_in: '86', coil_out: '85', contact_in: B, contact_out: S}\n"
    text = text.replace(RELAY, RELAY + pins)
    lamp_wire = text.index("  lamp_wire:\n")
    at = text.index("    awg: 18\n", lamp_wire)
    return read_machine(f"{text[:at]}    colour: {colour}\n{text[at:]}")


def test_what_the_file_says_is_kept(larkfield_text: str) -> None:
    machine = marked(larkfield_text)
    assert machine.parts["lamp_wire"].colour == "GN/YE"
    assert machine.parts["start_relay"].pins["coil_out"] == "85"
    assert machine.parts["starter_motor"].pins == {}


def test_the_technician_is_told_pin_and_colour(larkfield_text: str) -> None:
    machine = marked(larkfield_text)
    coil = machine.parts["start_relay"].terminals["coil_in"]
    told = {
        net: line
        for test in machine.tests.values()
        for line in list(where_lines(machine, test))[:1]
        for net in test.probes or ()
    }
    assert "pin 86" in told[coil]
    assert net_words(machine, "lamp_in").endswith("(GN/YE wire)")
    assert "(" not in net_words(machine, "batt_plus")


def test_both_are_drawn(larkfield_text: str) -> None:
    drawing = draw(marked(larkfield_text))
    words = " ".join(drawing.replace("<", " <").split())
    assert "GN/YE" in words
    assert "86" in words
    assert "85" in words


@pytest.mark.parametrize("colour", ["green", "GN/", "GN-YE", "XX", "GN/YE/RD"])
def test_colours_are_those_of_the_standard(larkfield_text: str, colour: str) -> None:
    """IEC 60757, from memory: two letters each."""
    with pytest.raises(MachineFileError, match="colour"):
        marked(larkfield_text, colour)
