"""What each function and test hooks up and reads, from the machine model alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.machine.model import OPEN_OHMS
from tests.circuit.nodal import LOOSE_OHMS, Hookup, Schematic, Standing, main_ends

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Function, Machine, Mode, Part, Test

JUMPER_OHMS = 0.01
"""A jumper lead with its clips; estimate."""


@dataclass(frozen=True)
class Reading:
    """One thing read; exactly one of `test` and `function` says how."""

    name: str
    hookup: Hookup
    test: Test | None = None
    function: Function | None = None


def circuit_readings(machine: Machine) -> list[Reading]:
    """Everything that the circuit as a whole decides, in the order of the file."""
    found = [
        Reading(f.id, Hookup(f.condition), function=f)
        for f in machine.functions.values()
        if f.kind != "all_of"
    ]
    for test in machine.tests.values():
        one = _reading(machine, test)
        if one is not None:
            found.append(one)
    return found


def _reading(machine: Machine, test: Test) -> Reading | None:
    out = frozenset(test.unplugged)
    if test.probes is not None and test.added_ohms is not None:
        lamp = Hookup(test.condition, out, None, test.probes, test.added_ohms)
        return Reading(test.id, lamp, test)
    if test.probes is not None or test.kind == "amps":
        return Reading(test.id, Hookup(test.condition, out), test)
    if test.kind == "load_test":
        posts = posts_of(machine, machine.parts[test.parts[0]])
        assert test.added_ohms is not None
        return Reading(test.id, Hookup(test.condition, out, None, posts, test.added_ohms), test)
    if test.kind in {"substitute", "bridge"}:
        function = machine.functions[str(test.function)]
        part = machine.parts[test.parts[0]]
        condition = test.condition or function.condition
        if test.kind == "substitute":
            return Reading(test.id, Hookup(condition, out, part.id), function=function)
        jumper = Hookup(condition, out, None, main_ends(part), JUMPER_OHMS)
        return Reading(test.id, jumper, function=function)
    return None


def posts_of(machine: Machine, battery: Part) -> tuple[str, str]:
    """Where a load tester's clamps go: outside of what stands for the state of charge."""
    plus, minus = main_ends(battery)
    for part in machine.parts.values():
        if part.kind == "charge":
            cells, post = main_ends(part)
            plus = post if cells == plus else plus
    return plus, minus


def quantity(schematic: Schematic, reading: Reading, one: Standing) -> float:
    """Volts or amps read; the volts across the part for a function."""
    if reading.function is not None:
        part = schematic.machine.parts[str(reading.function.part)]
        if part.kind == "relay":
            return schematic.volts_between(
                one.volts, part.terminals["coil_in"], part.terminals["coil_out"]
            )
        return abs(schematic.volts_between(one.volts, *main_ends(part)))  # whichever way it turns
    assert reading.test is not None
    test = reading.test
    if test.kind == "amps":
        return abs(schematic.amps(one, test.parts[0]))
    probes = test.probes or posts_of(schematic.machine, schematic.machine.parts[test.parts[0]])
    volts = schematic.volts_between(one.volts, *probes)
    return abs(volts) if test.kind == "lamp" else volts


def level(function: Function, part: Part, fault: Mode | None, volts: float) -> int:
    """Index of the level at which a load or motor works, best first."""
    at_least = [one.at_least_volts for one in function.levels[:-1]]
    by_volts = sum(1 for bound in at_least if bound is not None and volts < bound)
    at_best = 0 if fault is None else min(fault.at_best, len(function.levels) - 1)
    assert part.kind in {"load", "motor"}
    return max(by_volts, at_best)


def relay_level(part: Part, one: Standing) -> int:
    """0 pulls in, 1 chatters, 2 silent."""
    if part.id in one.moving:
        return 1
    return 0 if part.id in one.worked else 2


def series_ohms(
    machine: Machine,
    test: Test,
    faults: Mapping[str, Mode],
    blown: frozenset[str],
    touching: bool,
) -> float:
    """What a meter reads along parts that are isolated and in line, contacts at rest."""
    if test.across == "coil":
        (name,) = test.parts
        fault = faults.get(name)
        if fault is None:
            return machine.parts[name].coil_ohms
        own = machine.parts[name].coil_ohms if fault.coil_ohms is None else fault.coil_ohms
        return OPEN_OHMS if fault.coil_open else own
    closes = machine.conditions[test.condition].closes if test.condition else ()
    total = 0.0
    for name in test.parts:
        part, fault = machine.parts[name], faults.get(name)
        made = part.kind not in {"switch", "relay", "controller"}
        made = made or (part.kind == "switch" and name in closes) or part.normally_closed
        if fault is not None and (fault.always_closed or fault.never_closed):
            made = not fault.never_closed
        own = part.ohms
        if fault is not None and fault.ohms is not None:
            own = fault.ohms
        gap = name in blown or not made or (fault is not None and fault.open)
        if fault is not None and fault.loose:
            gap, own = gap or not touching, own + LOOSE_OHMS
        total += OPEN_OHMS if gap else own
    return total


def damage_visible(
    machine: Machine, test: Test, faults: Mapping[str, Mode], blown: frozenset[str]
) -> float:
    """Chance that looking at the parts shows at least one thing wrong."""
    unseen = 1.0
    for name in test.parts:
        seen = faults[name].visible if name in faults else 0.0
        if name in blown:
            seen = max(seen, machine.parts[name].modes["open"].visible)
        unseen *= 1.0 - seen
    return 1.0 - unseen
