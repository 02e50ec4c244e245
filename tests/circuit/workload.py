"""What is compared for each machine: fault sets, arrangements, and the circuits they settle to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.rigs import make_circuit
from tests.circuit.hookups import circuit_readings
from tests.circuit.nodal import Hookup, Schematic
from tests.circuit.nodal_settling import blown_fuses, readings_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Mode
    from tests.circuit.nodal import Standing

PAIRS_EVERYWHERE = 150
"""Pairs of faults that are compared in every arrangement; all pairs are in the plain conditions."""

FaultSet = tuple[int, ...]


@dataclass(frozen=True)
class Settled:
    """One fault set in one arrangement."""

    faults: FaultSet
    hookup: Hookup
    standings: tuple[Standing, Standing]


class Workload:
    """A machine's fault sets, settled by the nodal analysis; the solver's answers are not used."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.circuit = make_circuit(machine)
        self.readings = circuit_readings(machine)
        self.plain = [Hookup(condition) for condition in machine.conditions]
        self.hookups = list(dict.fromkeys([*self.plain, *(r.hookup for r in self.readings)]))
        across = [h.across for h in self.hookups if h.across is not None]
        self.schematic = Schematic(machine, across)
        self.faults = [
            (part.id, mode)
            for part in machine.parts.values()
            for mode in part.modes.values()
            if mode.id != "ok"
        ]
        self._blown: dict[FaultSet, frozenset[str]] = {}

    def rig_of(self, hookup: Hookup) -> int:
        """The solver's number for an arrangement."""
        if hookup in self.plain:
            return self.plain.index(hookup)
        name = next(r.name for r in self.readings if r.hookup == hookup)
        return self.circuit.rigs.observables[self.circuit.rigs.names.index(name)].rig

    def modes(self, faults: FaultSet) -> dict[str, Mode]:
        own = dict(self.faults[fault] for fault in faults)
        acted = {
            other: self.machine.parts[other].modes[mode]
            for fault in own.values()
            for other, mode in fault.acts_as.items()
        }
        return acted | own

    def blown(self, faults: FaultSet) -> frozenset[str]:
        if faults not in self._blown:
            self._blown[faults] = blown_fuses(self.schematic, self.modes(faults), {})
        return self._blown[faults]

    @cached_property
    def singles(self) -> list[FaultSet]:
        """No fault, and every fault alone."""
        return [(), *((fault,) for fault in range(len(self.faults)))]

    @cached_property
    def pairs(self) -> list[FaultSet]:
        """Every two faults of two parts."""
        part = [name for name, _ in self.faults]
        return [(a, b) for a, b in combinations(range(len(part)), 2) if part[a] != part[b]]

    @cached_property
    def some_pairs(self) -> list[FaultSet]:
        """A fixed random choice of pairs."""
        chosen = np.random.default_rng(2).permutation(len(self.pairs))[:PAIRS_EVERYWHERE]
        return [self.pairs[i] for i in sorted(chosen)]

    def settle(self, sets: list[FaultSet], hookups: list[Hookup]) -> list[Settled]:
        """One row of arrangements after the other."""
        return [
            Settled(faults, hookup, standings)
            for faults in sets
            for hookup, standings in zip(
                hookups, readings_of(self.schematic, hookups, self.modes(faults)), strict=True
            )
        ]

    @cached_property
    def everywhere(self) -> list[Settled]:
        """Singles and some pairs in every arrangement."""
        return self.settle([*self.singles, *self.some_pairs], self.hookups)

    def in_plain(self, most: int) -> list[Settled]:
        """So many pairs, drawn once and for all, in every plain condition."""
        chosen = np.random.default_rng(3).permutation(len(self.pairs))[:most]
        return self.settle([self.pairs[i] for i in sorted(chosen)], self.plain)


def table(sets: list[FaultSet]) -> NDArray[np.int32]:
    """Fault sets as rows of the solver's fault numbers."""
    found = np.full((len(sets), 2), -1, dtype=np.int32)
    for row, one in zip(found, sets, strict=True):
        row[: len(one)] = one
    return found
