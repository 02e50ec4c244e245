"""What is hooked up and read: conditions, instruments and observables.

A *rig* is the circuit as it stands for one measurement: the condition of the controls, parts
unplugged, a good part put in on trial, and whatever the instrument itself connects (a test lamp,
a load tester, a jumper). Tests that share a rig are read from one solution. An *observable* is
one thing read from a rig: volts, amps, a function's level, ohms, what can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.codes import (
    AMPS,
    COIL,
    LAMP,
    LEVEL,
    LOOSE,
    NONE,
    OHMS,
    REFERENCE,
    RELAY,
    VISIBLE,
    VOLTS,
)
from diagnose.circuit.mesh import make_plan
from diagnose.circuit.netlist import Netlist, make_netlist
from diagnose.circuit.tables import Tables, make_tables
from diagnose.errors import CircuitError
from diagnose.machine.ends import main_nets, posts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.circuit.mesh import MeshPlan
    from diagnose.machine.model import Function, Machine, Test

OF_PARTS = {"ohms": OHMS, "look": VISIBLE, "wiggle": LOOSE}
"""Kind of test -> what it reads of its parts."""

JUMPER_OHMS = 0.01
"""A jumper lead with its clips. Estimate."""


@dataclass(frozen=True, slots=True)
class Observable:
    """One thing that is read.

    Attributes:
        name: id of the test or function.
        kind: one of the kinds above.
        rig: rig it is read from.
        plus, minus: nets between which volts are read.
        part: part clamped or watched, `NONE` otherwise.
        levels: volts of a function's levels, best first, without the last.
        parts: parts of which ohms, damage or looseness are read.
    """

    name: str
    kind: int
    rig: int
    plus: int = REFERENCE
    minus: int = REFERENCE
    part: int = NONE
    levels: tuple[float, ...] = ()
    parts: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Rigs:
    """Rigs and observables of one machine.

    Attributes:
        observables: in the machine's order, functions first.
        condition: (rigs,) id of the condition, None where none is asked for.
        closed: (rigs, parts) whether a switch is held closed or a generator turns.
        unplugged: (rigs, parts) whether the part is out of the circuit.
        forced: (rigs,) part replaced by a good one, or `NONE`.
        extra: (rigs,) element the instrument adds, or `NONE`.
        extra_siemens: (rigs,) its conductance.
        n_history: the first rigs are the plain conditions, in which fuses may have blown.
        extra_ends: (extras, 2) nets of the added elements, numbered after the netlist's own.
    """

    observables: tuple[Observable, ...]
    condition: tuple[str | None, ...]
    closed: NDArray[np.bool_]
    unplugged: NDArray[np.bool_]
    forced: NDArray[np.int32]
    extra: NDArray[np.int32]
    extra_siemens: NDArray[np.float64]
    n_history: int
    extra_ends: tuple[tuple[int, int], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """(observables,) ids of the tests and functions read."""
        return tuple(observable.name for observable in self.observables)


@dataclass(frozen=True, slots=True)
class Circuit:
    """All that solving a machine needs: elements, rigs, elimination plan, and both as tables."""

    netlist: Netlist
    rigs: Rigs
    plan: MeshPlan
    tables: Tables


@dataclass(frozen=True, slots=True)
class _Rig:
    condition: str | None
    unplugged: tuple[str, ...] = ()
    forced: str | None = None
    extra: tuple[str, str] | None = None
    extra_ohms: float = 0.0


def make_circuit(machine: Machine) -> Circuit:
    """Number everything once: elements, rigs, observables, order of elimination.

    Raises:
        CircuitError: the machine has not exactly one battery, or a part is tried out by
            watching a function that is made up of others.
    """
    netlist = make_netlist(machine)
    rigs = _Bench(machine, netlist).rigs()
    ends = [(int(a), int(b)) for a, b in netlist.ends]
    plan = make_plan(len(netlist.nets), [*ends, *rigs.extra_ends])
    return Circuit(netlist, rigs, plan, make_tables(netlist, rigs))


class _Bench:
    """Numbers the rigs of a machine as its functions and tests ask for them."""

    def __init__(self, machine: Machine, netlist: Netlist) -> None:
        self.machine = machine
        self.net = netlist.net
        self.part = {part: i for i, part in enumerate(netlist.parts)}
        self.n_elements = len(netlist.ends)
        self.number = {_Rig(condition): i for i, condition in enumerate(machine.conditions)}

    def rigs(self) -> Rigs:
        """Everything that can be read: each function that a part shows, then each test."""
        observables = [
            self._function(function.id, function, _Rig(function.condition))
            for function in self.machine.functions.values()
            if function.kind != "all_of"
        ]
        tests = [self._test(test) for test in self.machine.tests.values()]
        observables += [observable for observable in tests if observable is not None]
        rigs, parts = list(self.number), list(self.machine.parts)
        extras = [rig.extra for rig in rigs if rig.extra is not None]
        forced = [NONE if rig.forced is None else self.part[rig.forced] for rig in rigs]
        extra = np.full(len(rigs), NONE, dtype=np.int32)
        extra[[rig.extra is not None for rig in rigs]] = self.n_elements + np.arange(len(extras))
        return Rigs(
            observables=tuple(observables),
            condition=tuple(rig.condition for rig in rigs),
            closed=np.array([[part in held for part in parts] for held in map(self._held, rigs)]),
            unplugged=np.array([[part in rig.unplugged for part in parts] for rig in rigs]),
            forced=np.array(forced, dtype=np.int32),
            extra=extra,
            extra_siemens=np.array([1.0 / rig.extra_ohms if rig.extra else 0.0 for rig in rigs]),
            n_history=len(self.machine.conditions),
            extra_ends=tuple((self.net(plus), self.net(minus)) for plus, minus in extras),
        )

    def _held(self, rig: _Rig) -> tuple[str, ...]:
        """Switches held closed and generators that turn."""
        if rig.condition is None:
            return ()
        condition = self.machine.conditions[rig.condition]
        return (*condition.closes, *condition.running)

    def _number(self, rig: _Rig) -> int:
        return self.number.setdefault(rig, len(self.number))

    def _function(self, name: str, function: Function, rig: _Rig) -> Observable:
        kind = RELAY if function.kind == "relay" else LEVEL
        volts = [level.at_least_volts for level in function.levels]
        levels = tuple(bound for bound in volts if bound is not None)
        part = NONE if function.part is None else self.part[function.part]
        return Observable(name, kind, self._number(rig), part=part, levels=levels)

    def _volts(self, test: Test, probes: tuple[str, str]) -> Observable:
        extra = None if test.added_ohms is None else probes
        rig = _Rig(test.condition, test.unplugged, None, extra, test.added_ohms or 0.0)
        kind = LAMP if test.kind == "lamp" else VOLTS
        plus, minus = map(self.net, probes)
        return Observable(test.id, kind, self._number(rig), plus, minus)

    def _test(self, test: Test) -> Observable | None:
        """The observable of a test; None when it only reports a function or a shared cause."""
        if test.probes is not None:
            return self._volts(test, test.probes)
        if test.kind in ("substitute", "bridge") and test.function is not None:
            return self._trial(test, self.machine.functions[test.function])
        parts = tuple(self.part[part] for part in test.parts)
        if test.kind == "load_test":
            return self._volts(test, posts(self.machine.parts, test.parts[0]))
        if test.kind == "amps":
            number = self._number(_Rig(test.condition, test.unplugged))
            return Observable(test.id, AMPS, number, part=parts[0])
        if test.kind in OF_PARTS and parts:
            kind = COIL if test.across == "coil" else OF_PARTS[test.kind]
            return Observable(test.id, kind, self._number(_Rig(test.condition)), parts=parts)
        return None

    def _trial(self, test: Test, function: Function) -> Observable:
        """A function watched with a part replaced by a good one, or jumped."""
        if function.kind == "all_of":
            raise CircuitError(
                f"{test.id} watches {function.id}, which is made up of other functions; "
                f"expected one of {', '.join(function.needs)}",
                test.parts,
            )
        condition, part = test.condition or function.condition, self.machine.parts[test.parts[0]]
        if test.kind == "substitute":
            rig = _Rig(condition, test.unplugged, forced=part.id)
        else:
            rig = _Rig(condition, test.unplugged, None, main_nets(part), JUMPER_OHMS)
        return self._function(test.id, function, rig)


def level_names(machine: Machine) -> Mapping[str, tuple[str, ...]]:
    """Levels of every function, best first."""
    return {
        function.id: tuple(level.id for level in function.levels)
        for function in machine.functions.values()
    }
