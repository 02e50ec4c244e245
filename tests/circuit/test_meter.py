"""A meter stands between its probes, and loads what it measures with its 10 megohm.

By hand, and with the meter as a branch of its own in the nodal analysis and in ngspice. Neither
referee has the solver's leaks, and the nodal analysis settles relays and fuses with the meter on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.bench import battery, line, machine, mode, read, volts
from tests.circuit.nodal import METER_OHMS, Hookup, Schematic
from tests.circuit.nodal_settling import readings_of
from tests.circuit.spice import operating_points

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from diagnose.machine.model import Machine, Mode, Test

    Report = Callable[[str, int, float | None], None]

REFEREE_LEAK_OHMS = 4e13
"""Keeps the referees' matrices from being singular. Forty of them beside one meter are worth 120
microvolts at the very most; a tenth as strong, their equations lose as much by rounding."""

AGREED_VOLTS = 1e-4

GAP = 1e8
"""Ohms of a break; damp, dirty insulation."""


def test_beyond_a_break_a_meter_shows_its_share_of_what_is_left() -> None:
    """Relay at rest, strap off: half of 12 V, through 50 megohm of damp into 10 of meter: 1 V.

    With a leak on every net in the meter's place it read 12 V from stud to block, as if the strap
    were good.
    """
    one = machine(
        [
            battery(12.0, 0.01),
            line("strap", "ground", "block>minus", 0.001, mode("open", open=True)),
            line("starter", "load", "stud>block", 0.05),
            line("relay", "switch", "plus>stud", 0.001),
        ],
        {"on": ()},
        [volts("stud_to_block", "plus", "block"), volts("block_to_minus", "block", "minus")],
    )
    found = read(one, "strap.open")
    assert found["stud_to_block"][0] == pytest.approx(12.0 / 2.0 / (1.0 + 50e6 / 10e6), abs=1e-4)
    assert found["block_to_minus"][0] == pytest.approx(12.0 / 2.0 / (1.0 + 50e6 / 10e6), abs=1e-4)
    assert read(one)["stud_to_block"][0] == pytest.approx(12.0, abs=1e-4)


def test_a_megohm_of_corrosion_takes_a_tenth_from_a_meter() -> None:
    """1 megohm before 10 megohm: 10/11 of 12 V. With a lamp beyond it nothing is left."""
    one = machine(
        [
            battery(12.0, 0.01),
            line("joint", "connector", "plus>far", 0.002, mode("green", ohms=1e6)),
            line("lamp", "load", "far>minus", 6.0),
        ],
        {"on": ()},
        [volts("alone", "far", unplugged=("lamp",)), volts("lit", "far")],
    )
    found = read(one, "joint.green")
    # The lamp's plug is out, so 100 megohm lie beside the meter.
    beside = 1.0 / (1.0 / 10e6 + 1.0 / GAP)
    assert found["alone"][0] == pytest.approx(12.0 * beside / (beside + 1e6), abs=1e-4)
    assert found["lit"][0] == pytest.approx(12.0 * 6.0 / 1e6, abs=1e-6)


def probed(known: Machine) -> list[Test]:
    """Tests with the two probes of a meter or a test lamp."""
    tests = known.tests.values()
    return [test for test in tests if test.probes is not None and test.kind != "load_test"]


def modes_of(known: Machine) -> list[dict[str, Mode]]:
    """No fault, and every fault alone, with what another part then acts as."""
    alone = [
        {part.id: fault}
        for part in known.parts.values()
        for fault in part.modes.values()
        if fault.id != "ok"
    ]
    for faults in alone:
        (fault,) = faults.values()
        faults.update(
            {other: known.parts[other].modes[as_] for other, as_ in fault.acts_as.items()}
        )
    return [{}, *alone]


@pytest.mark.parametrize("name", machine_names())
def test_every_reading_between_two_probes(name: str, tmp_path: Path, report: Report) -> None:
    known, tests = load_machine(name), probed(load_machine(name))
    probes = [test.probes for test in tests if test.probes is not None]
    schematic = Schematic(known, probes, REFEREE_LEAK_OHMS)
    hookups = [
        Hookup(
            test.condition,
            frozenset(test.unplugged),
            None,
            test.probes,
            METER_OHMS if test.added_ohms is None else test.added_ohms,
        )
        for test in tests
    ]
    standings = [
        both for faults in modes_of(known) for both in readings_of(schematic, hookups, faults)
    ]
    circuit = make_circuit(known)
    column = [circuit.rigs.names.index(test.id) for test in tests]
    n = len(circuit.netlist.faults)
    sets = np.arange(-1, n, dtype=np.int32)[:, None]
    ours = evaluate(circuit, sets)[:, column].reshape(-1, 2)
    lamp = np.array([test.kind == "lamp" for _ in sets for test in tests])[:, None]
    ends = [test.probes for _ in sets for test in tests]
    flat = [one for both in standings for one in both]
    spice = operating_points(schematic, flat, tmp_path).reshape(len(standings), 2, -1)
    for referee, found in (
        ("scipy", np.array([[one.volts for one in both] for both in standings])),
        ("ngspice", spice),
    ):
        theirs = [
            [schematic.volts_between(net_volts, *pair) for net_volts in both]
            for both, pair in zip(found, ends, strict=True)
        ]
        off = np.abs(ours - np.where(lamp, np.abs(theirs), theirs))
        row, where = divmod(int(off.max(axis=1).argmax()), len(tests))
        assert off.max() < AGREED_VOLTS, (referee, tests[where].id, row - 1, off.max())
        report(f"{name}: between two probes, {referee}", off.size, float(off.max()))


@pytest.mark.parametrize("name", machine_names())
def test_no_reading_shows_the_leak(name: str) -> None:
    """A hundred times more and less of it, under every single fault and many pairs."""
    circuit = make_circuit(load_machine(name))
    n, rng = len(circuit.netlist.faults), np.random.default_rng(0)
    pairs = np.sort(rng.integers(0, n, (300, 2)), axis=1).astype(np.int32)
    part = circuit.netlist.fault_part
    pairs = pairs[part[pairs[:, 0]] != part[pairs[:, 1]]]
    singles = np.stack([np.arange(n), np.full(n, -1)], axis=1).astype(np.int32)
    sets = np.concatenate([singles, pairs])
    usual = evaluate(circuit, sets)
    for times in (0.01, 100.0):
        tables = circuit.tables
        other = tables._replace(leak_siemens=tables.leak_siemens * times)
        found = evaluate(replace(circuit, tables=other), sets)
        np.testing.assert_allclose(found, usual, atol=AGREED_VOLTS, rtol=0.0)
