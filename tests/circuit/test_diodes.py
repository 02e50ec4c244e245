"""Diodes: by hand, and against ngspice with the curve of a real one.

The solver's diode drops 0.7 V whatever it carries (common practice, no source). ngspice has the
exponential curve of a silicon rectifier: saturation current 2.5 nA, emission 1.75, 42 milliohm
(published models of the common 1 A rectifier, from memory). At the 1.7 and 4 A of these circuits
they differ by 0.4 V at most; where one blocks, so does the other.
"""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit
from diagnose.machine.load import load_machine
from tests.circuit.bench import battery, line, machine, mode, part, read, relay, volts

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Part

CURVE = ".model d d(is=2.5e-9 n=1.75 rs=0.042)"
APART = 0.4
OPEN = mode("open", open=True)
SHORTED = mode("shorted", always_closed=True, emf_volts=0.0, ohms=0.05)


def diode(name: str, ends: str) -> Part:
    return line(name, "diode", ends, 0.02, OPEN, SHORTED, emf_volts=0.7)


def spice(cards: list[str], nets: list[str], folder: Path) -> list[float]:
    """Volts of some nets against 0 at the operating point."""
    program = shutil.which("ngspice")
    assert program is not None, "ngspice is missing: apt-get install ngspice"
    shown = [f"print v({net})" for net in nets]
    deck = ["* diodes", *cards, CURVE, ".control", "op", *shown, "quit", ".endc", ".end"]
    (folder / "deck.cir").write_text("\n".join(deck) + "\n", encoding="ascii")
    done = subprocess.run(
        [program, "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, check=True
    )
    told = dict(line.split(" = ") for line in done.stdout.splitlines() if line.startswith("v("))
    return [float(told[f"v({net})"]) for net in nets]


def test_two_switches_light_one_lamp_and_do_not_feed_each_other(tmp_path: Path) -> None:
    one = machine(
        [
            battery(12.6, 0.02),
            line("work", "switch", "plus>work_out", 0.01),
            line("road", "switch", "plus>road_out", 0.01),
            diode("from_work", "work_out>pin"),
            diode("from_road", "road_out>pin"),
            line("lamp", "load", "pin>minus", 7.0),
            line("road_lamp", "load", "road_out>minus", 5.0),
        ],
        {"on": ("work",)},
        [volts("pin", "pin", "minus"), volts("road", "road_out", "minus")],
    )
    found = read(one)
    current = (12.6 - 0.7) / (0.02 + 0.01 + 0.02 + 7.0)
    assert found["pin"][0] == pytest.approx(7.0 * current, abs=1e-3)
    assert found["road"][0] == pytest.approx(0.0, abs=1e-3)
    pin, road = spice(
        ["Vb b 0 12.6", "Rb b p 0.02", "Rw p w 0.01", "Da w n d", "Db r n d", "Rl n 0 7",
         "Rr r 0 5"],
        ["n", "r"],
        tmp_path,
    )  # fmt: skip
    assert found["pin"][0] == pytest.approx(pin, abs=APART)
    assert found["road"][0] == pytest.approx(road, abs=1e-2)
    shorted = read(one, "from_road.shorted")
    assert shorted["road"][0] > 11.0  # the work switch lights the road lamp as well
    assert read(one, "from_work.open")["pin"][0] == pytest.approx(0.0, abs=1e-2)


def test_of_two_batteries_behind_diodes_the_fuller_one_carries_all(tmp_path: Path) -> None:
    ends = {"plus": "spare_plus", "minus": "minus"}
    one = machine(
        [
            battery(12.7, 0.02),
            part("spare", "battery", ends, 0.03, emf_volts=11.4),
            diode("main_diode", "plus>bus"),
            diode("spare_diode", "spare_plus>bus"),
            line("load", "load", "bus>minus", 3.0),
        ],
        {"on": ()},
        [volts("bus", "bus", "minus"), volts("spare", "spare_plus", "minus")],
    )
    found = read(one)
    assert found["bus"][0] == pytest.approx(12.0 * 3.0 / 3.04, abs=1e-3)
    assert found["spare"][0] == pytest.approx(11.4, abs=1e-3)
    bus, spare = spice(
        ["Va a 0 12.7", "Ra a p 0.02", "Vs s 0 11.4", "Rs s q 0.03", "Dm p n d", "Ds q n d",
         "Rl n 0 3"],
        ["n", "q"],
        tmp_path,
    )  # fmt: skip
    assert found["bus"][0] == pytest.approx(bus, abs=APART)
    assert found["spare"][0] == pytest.approx(spare, abs=1e-2)
    alone = read(one, "main_diode.open")
    assert alone["bus"][0] == pytest.approx((11.4 - 0.7) * 3.0 / 3.05, abs=1e-3)


def test_across_a_coil_it_takes_nothing_until_it_shorts(tmp_path: Path) -> None:
    one = machine(
        [
            battery(12.6, 0.02),
            line("button", "switch", "plus>called", 0.01),
            line("wire", "wire", "called>coil", 0.3),
            relay("relay", "coil>minus", "plus>stud"),
            diode("kick", "minus>coil"),
            line("load", "load", "stud>minus", 4.0),
        ],
        {"on": ("button",)},
        [volts("coil", "coil", "minus"), volts("stud", "stud", "minus")],
    )
    found = read(one)
    assert found["coil"][0] == pytest.approx(12.5, abs=0.1)
    assert found["stud"][0] > 12.0
    (coil,) = spice(
        ["Vb b 0 12.6", "Rb b p 0.02", "Rw p c 0.31", "Rc c 0 100", "Dk 0 c d", "Rl p 0 4.01"],
        ["c"],
        tmp_path,
    )  # fmt: skip
    assert found["coil"][0] == pytest.approx(coil, abs=0.02)
    shorted = read(one, "kick.shorted")
    assert shorted["coil"][0] == pytest.approx(12.6 * 0.05 / 0.38, abs=0.05)
    assert shorted["stud"][0] == pytest.approx(0.0, abs=1e-2)  # the relay does not pull in


def test_a_broken_or_idle_diode_holds_no_volts_of_its_own() -> None:
    one = machine(
        [
            battery(12.0, 0.01),
            line("off", "switch", "plus>feed", 0.01),
            diode("diode", "feed>far"),
            line("load", "load", "far>minus", 50.0),
        ],
        {"on": ()},
        [volts("across", "feed", "far"), volts("far", "far", "minus")],
    )
    for faults in ((), ("diode.open",)):
        assert read(one, *faults)["far"][0] == pytest.approx(0.0, abs=1e-4)


def test_a_meter_stops_the_diode_that_a_gap_makes_conduct() -> None:
    """A dead regulator behind two charge diodes, worked by hand.

    The pin hangs on three gaps of 100 megohm: on the regulator's 14.9 V and on two batteries of
    12.65 V, 13.4 V with nothing on it, and a diode would carry 15 nanoamps. A meter of 10 megohm
    takes a microamp, so both diodes block and it shows 13.4 / (1 + 100 / 3 / 10) V (Thevenin 1883).
    """
    circuit = make_circuit(load_machine("work_boat"))
    dead = np.array([[circuit.netlist.faults.index(("charger", "no_output"))]], dtype=np.int32)
    shown = evaluate(circuit, dead)[0, circuit.rigs.names.index("regulator_volts")]
    # 100 megohm of open contacts behind the batteries beside it, and what the cables take
    assert shown == pytest.approx(13.4 / (1.0 + 100.0 / 3.0 / 10.0), abs=0.01)
