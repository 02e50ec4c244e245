"""The machine on the bench: what can be read and seen under a set of faults.

The circuit solver gives volts, amps, ohms and levels. What it does not know is worked out here:
functions made of others, the customer's words, and a fault that the file does not list.

Faults are numbered as the solver numbers them; after them comes one unlisted fault for each
complaint. A fault set is an ascending tuple of numbers, at most one of each part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.machine.model import Machine, Test

FaultSet = tuple[int, ...]

UNLISTED_PART = "unlisted"
"""What an answer calls the part that stands for everything the file does not list."""

MOST_KEPT = 200_000
"""Fault sets whose readings are kept; some 2 kB each."""


class Bench:
    """Readings of any fault set, each solved once.

    Attributes:
        machine: the machine.
        faults: (part, mode) by number, the unlisted ones last.
        part_of: part by fault number.
        column: test, function or complaint -> column of `values`.
        values: (rows, columns, 2) readings; a complaint's column is 1 where its words fit.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.circuit = make_circuit(machine)
        listed = list(self.circuit.netlist.faults)
        self.n_listed = len(listed)
        self.faults = [*listed, *((UNLISTED_PART, said) for said in machine.complaints)]
        self.part_of = [part for part, _ in self.faults]
        self.number = {fault: i for i, fault in enumerate(self.faults)}
        made_up = [f.id for f in machine.functions.values() if f.kind == "all_of"]
        names = [*self.circuit.rigs.names, *made_up, *machine.complaints]
        self.column = {name: i for i, name in enumerate(names)}
        self._level = {
            f.id: {level.id: i for i, level in enumerate(f.levels)}
            for f in machine.functions.values()
        }
        self.values = np.empty((1024, len(names), 2))
        self._row: dict[FaultSet, int] = {}
        self.solved = 0

    def column_of(self, test: Test) -> int:
        """A test that connects something has readings of its own; others report a function."""
        return self.column[test.id if test.id in self.column else str(test.function)]

    def rows(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets,) row of `values` of each, solving those not met before."""
        new = [one for one in dict.fromkeys(sets) if one not in self._row]
        if new:
            self._solve(new)
        return np.array([self._row[one] for one in sets], dtype=np.int64)

    def forget(self) -> None:
        """Make room once too much is kept. Rows given out before hold no longer."""
        if len(self._row) > MOST_KEPT:
            self._row.clear()

    def _solve(self, sets: list[FaultSet]) -> None:
        plain = [tuple(f for f in one if f < self.n_listed) for one in sets]
        table = np.full((len(sets), max(1, *map(len, plain))), -1, dtype=np.int32)
        for row, one in zip(table, plain, strict=True):
            row[: len(one)] = one
        first = len(self._row)
        while first + len(sets) > len(self.values):
            self.values = np.concatenate([self.values, np.empty_like(self.values)])
        found = self.values[first : first + len(sets)]
        found[:, : len(self.circuit.rigs.names)] = evaluate(self.circuit, table)
        self._not_solved(found, sets)
        self._row.update((one, first + i) for i, one in enumerate(sets))
        self.solved += len(sets)

    def _not_solved(self, found: np.ndarray, sets: list[FaultSet]) -> None:
        """What the solver does not know, in the order in which one hangs on the other.

        An unlisted fault makes the functions that its complaint names look as the complaint says.
        """
        said = [{f - self.n_listed for f in one if f >= self.n_listed} for one in sets]
        stopped = {
            number: [row for row, one in enumerate(said) if number in one]
            for number in range(len(self.machine.complaints))
        }
        self._stop(found, stopped, made_up=False)
        for function in self.machine.functions.values():
            if function.kind == "all_of":
                works = self._all_at(found, function.needs)
                yes, no = self._level[function.id]["yes"], self._level[function.id]["no"]
                found[:, self.column[function.id]] = np.where(works, yes, no)
        self._stop(found, stopped, made_up=True)
        for complaint in self.machine.complaints.values():
            found[:, self.column[complaint.id]] = self._all_at(found, complaint.says)

    def _stop(self, found: np.ndarray, stopped: dict[int, list[int]], *, made_up: bool) -> None:
        for number, complaint in enumerate(self.machine.complaints.values()):
            for name, levels in complaint.says.items():
                if (self.machine.functions[name].kind == "all_of") != made_up:
                    continue
                shown = self._level[name][levels[0]]
                watching = [t.id for t in self.machine.tests.values() if t.function == name]
                for column in {self.column[n] for n in (name, *watching) if n in self.column}:
                    found[stopped[number], column] = shown

    def _all_at(self, found: np.ndarray, wanted: Mapping[str, tuple[str, ...]]) -> np.ndarray:
        """(rows, 2) whether every function is at one of the levels wanted of it."""
        fits = np.ones((len(found), 2), dtype=bool)
        for name, levels in wanted.items():
            accepted = [self._level[name][level] for level in levels]
            fits &= np.isin(found[:, self.column[name]], accepted)
        return fits
