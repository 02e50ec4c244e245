"""Circuits for the bench: machines put together in the tests, part by part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit
from diagnose.machine.model import (
    Condition,
    Function,
    Input,
    Level,
    Machine,
    Mode,
    Part,
    Shop,
    Test,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.machine.model import PartKind, TestKind

SOURCE = "made up for a test"


def mode(name: str, **effect: Any) -> Mode:
    return Mode(name, name, 1.0, SOURCE, **effect)


def part(
    name: str, kind: PartKind, terminals: dict[str, str], ohms: float, *modes: Mode, **more: Any
) -> Part:
    ok = mode("ok")
    found = {one.id: one for one in (ok, *modes)}
    return Part(name, name, kind, terminals, None, ohms, found, (), SOURCE, **more)


def line(name: str, kind: PartKind, ends: str, ohms: float, *modes: Mode, **more: Any) -> Part:
    """A part with two ends, `"net>net"` in the direction of the current."""
    one, two = ends.split(">")
    return part(name, kind, {"from": one, "to": two}, ohms, *modes, **more)


def battery(volts: float, ohms: float, *modes: Mode, plus: str = "plus") -> Part:
    ends = {"plus": plus, "minus": "minus"}
    return part("battery", "battery", ends, ohms, *modes, emf_volts=volts)


def relay(name: str, coil: str, contacts: str, *modes: Mode, **more: Any) -> Part:
    """Coil and contacts as `"net>net"`; 100 ohm, in at 7.2 V, out at 1.2 V unless said."""
    roles = ("coil_in", "coil_out", "contact_in", "contact_out")
    nets = (*coil.split(">"), *contacts.split(">"))
    values = {"coil_ohms": 100.0, "pull_in_volts": 7.2, "drop_out_volts": 1.2, **more}
    return part(name, "relay", dict(zip(roles, nets, strict=True)), 0.01, *modes, **values)


def controller(
    name: str, nets: str, *modes: Mode, inputs: tuple[Input, ...] = (), to: str = "supply"
) -> Part:
    """Nets as `"supply>ground>output"`."""
    roles = ("supply", "ground", "output")
    terminals = dict(zip(roles, nets.split(">"), strict=True))
    return part(
        name, "controller", terminals, 0.05, *modes, coil_ohms=200.0, inputs=inputs, output_to=to
    )


def probe(name: str, kind: TestKind, condition: str | None, **more: Any) -> Test:
    return Test(name, name, kind, condition, "none", 1.0, None, (), (), SOURCE, **more)


def level_function(name: str, part_id: str, condition: str, **levels: float | None) -> Function:
    found = tuple(Level(key, value) for key, value in levels.items())
    return Function(name, name, "load", part_id, condition, found, {}, SOURCE)


def relay_function(name: str, part_id: str, condition: str) -> Function:
    return Function(name, name, "relay", part_id, condition, (), {}, SOURCE)


def machine(
    parts: Iterable[Part],
    conditions: dict[str, tuple[str, ...]],
    tests: Iterable[Test] = (),
    functions: Iterable[Function] = (),
    *,
    name: str = "bench",
    running: tuple[str, ...] = (),
    frame: str = "minus",
) -> Machine:
    """A machine of these parts; `conditions` are the switches each holds closed.

    `running` generators turn in the condition `running`.
    """
    return Machine(
        id=name,
        title=name,
        version="1",
        notes="",
        nominal_volts=12.0,
        frame_net=frame,
        unlisted_per_1000=1.0,
        shop=Shop(60.0, 2.0, 5.0, 60.0, 0.0, SOURCE),
        nets={},
        areas={},
        cautions={},
        tools={},
        conditions={
            name: Condition(name, name, closes, running if name == "running" else ())
            for name, closes in conditions.items()
        },
        parts={one.id: one for one in parts},
        shared_causes={},
        functions={one.id: one for one in functions},
        complaints={},
        tests={one.id: one for one in tests},
    )


def read(one: Machine, *faults: str) -> dict[str, Any]:
    """Both readings of every observable, as a pair; faults are given as `"part.mode"`."""
    circuit = make_circuit(one)
    number = {f"{name}.{one}": i for i, (name, one) in enumerate(circuit.netlist.faults)}
    numbers = [number[fault] for fault in faults]
    found = evaluate(circuit, np.array([numbers or [-1]], dtype=np.int32))[0]
    return {
        name: (float(pair[0]), float(pair[1]))
        for name, pair in zip(circuit.rigs.names, found, strict=True)
    }


PULLS_IN, CHATTERS, SILENT = 0.0, 1.0, 2.0
SLACK = 5e-5
"""Volts that a meter of 10 megohm may take from what it measures."""

OPEN = mode("open", open=True)
LOOSE = mode("loose", loose=True)


def volts(name: str, plus: str, minus: str = "minus", condition: str = "on", **more: Any) -> Test:
    return probe(name, "volts", condition, probes=(plus, minus), **more)


def both(value: float) -> Any:
    return (pytest.approx(value, abs=SLACK), pytest.approx(value, abs=SLACK))
