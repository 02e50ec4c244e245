"""The machine on the bench: what can be read and seen under a set of faults.

The circuit solver gives volts, amps, ohms and levels. What it does not know is worked out here:
functions made of others, what the machine does not get far enough for, the customer's words, what
trying the machine shows, and a fault that the file does not list.

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

RUNS, OTHER = "runs", "other"
"""What trying the machine shows beside its complaints."""

NOTHING_WRONG, SHOWN = "(nothing wrong)", "(shown)"
"""Columns of the bench: whether there is nothing to complain of; what trying shows, by number."""

NOT_REACHED = np.nan
"""Reading of what the machine does not get far enough for."""

MOST_KEPT = 200_000
"""Fault sets whose readings are kept; some 2 kB each."""


class Bench:
    """Readings of any fault set, each solved once.

    Attributes:
        machine: the machine.
        faults: (part, mode) by number, the unlisted ones last.
        part_of: part by fault number.
        shown: what trying it can show: it runs, its complaints, something else.
        column: test, function, complaint or one of the bench's own -> column of `values`.
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
        self.shown = [RUNS, *(c.id for c in machine.complaints.values() if c.on_trying), OTHER]
        made_up = [f.id for f in machine.functions.values() if f.kind == "all_of"]
        looked_into = [test.id for test in machine.tests.values() if test.kind == "inspect"]
        words = [*machine.complaints, NOTHING_WRONG, SHOWN]
        watched = [test.id for test in machine.tests.values() if self._may_be_in_vain(test)]
        names = [*self.circuit.rigs.names, *made_up, *looked_into, *watched, *words]
        self.column = {name: i for i, name in enumerate(names)}
        self._level = {
            f.id: {level.id: i for i, level in enumerate(f.levels)}
            for f in machine.functions.values()
        }
        in_order = evaluate(self.circuit, np.full((1, 1), -1, dtype=np.int32))[0, :, 0]
        self._in_order = dict.fromkeys(made_up, 0) | dict(
            zip(self.circuit.rigs.names, in_order, strict=True)
        )
        self.values = np.empty((1024, len(names), 2))
        self._loose = np.zeros(1024, dtype=bool)
        self._row: dict[FaultSet, int] = {}
        self.solved = 0

    def _may_be_in_vain(self, test: Test) -> bool:
        """Whether it watches something made of other functions, and may not get that far."""
        may_fail = any(outcome.id == "not_possible" for outcome in test.outcomes)
        made_up = test.function and self.machine.functions[test.function].kind == "all_of"
        return bool(made_up and may_fail)

    def column_of(self, test: Test) -> int:
        """A test that connects something has readings of its own; others report a function."""
        if test.kind == "try":
            return self.column[SHOWN]
        return self.column[test.id if test.id in self.column else str(test.function)]

    def results(self, complaint: str) -> list[str]:
        """What the check after a repair can show on a job about a complaint."""
        return self.shown if complaint in self.shown else [*self.shown, complaint]

    def rows(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets,) row of `values` of each, solving those not met before."""
        new = [one for one in dict.fromkeys(sets) if one not in self._row]
        if new:
            self._solve(new)
        return np.array([self._row[one] for one in sets], dtype=np.int64)

    def loose(self, rows: np.ndarray) -> np.ndarray:
        """(rows,) whether a joint is loose in each."""
        return self._loose[rows]

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
            self._loose = np.concatenate([self._loose, np.zeros_like(self._loose)])
        found = self.values[first : first + len(sets)]
        found[:, : len(self.circuit.rigs.names)] = evaluate(self.circuit, table)
        self._not_solved(found, sets)
        for row, one in enumerate(plain, first):
            joints = (self.faults[fault] for fault in one)
            self._loose[row] = any(self.machine.parts[p].modes[m].loose for p, m in joints)
        self._row.update((one, first + i) for i, one in enumerate(sets))
        self.solved += len(sets)

    def _not_solved(self, found: np.ndarray, sets: list[FaultSet]) -> None:
        """What the solver does not know: functions, then tests, then words."""
        done: set[str] = set()
        for function in self.machine.functions:
            self._function(function, found, sets, done)
        for test in self.machine.tests.values():
            if test.kind == "inspect":
                bad = [self._finds(test, one) for one in sets]
                found[:, self.column[test.id]] = np.array(bad, dtype=float)[:, None]
            if self._may_be_in_vain(test):
                found[:, self.column[test.id]] = found[:, self.column[str(test.function)]]
            needed = self._needed(test.condition)
            may_fail = any(outcome.id == "not_possible" for outcome in test.outcomes)
            if needed and may_fail and test.id in self.column:
                found[:, self.column[test.id]][~self._all_at(found, needed)] = NOT_REACHED
        for complaint in self.machine.complaints.values():
            found[:, self.column[complaint.id]] = self._all_at(found, complaint.says)
        self._tried(found)

    def _function(self, name: str, found: np.ndarray, sets: list[FaultSet], done: set[str]) -> None:
        """One function, after those that it rests on.

        An unlisted fault makes the functions that its complaint names look as the complaint says,
        as far as they do not anyway on a machine in order; and with a relay silent, the motor that
        it would work does not turn.
        """
        if name in done:
            return
        done.add(name)
        function = self.machine.functions[name]
        made_up = function.kind == "all_of"
        rests_on = function.needs if made_up else self._needed(function.condition)
        for other in rests_on:
            self._function(other, found, sets, done)
        at = self.column[name]
        if made_up:
            yes, no = self._level[name]["yes"], self._level[name]["no"]
            found[:, at] = np.where(self._all_at(found, rests_on), yes, no)
        watching = {t.id for t in self.machine.tests.values() if t.function == name}
        columns = [self.column[n] for n in {name, *watching} & set(self.column)]
        self._held_back(name, found, sets, columns)
        for number, complaint in enumerate(self.machine.complaints.values(), self.n_listed):
            said = complaint.says.get(name, ())
            as_always = any(self._level[name][one] == self._in_order[name] for one in said)
            held_still = function.kind == "motor" and any(
                "silent" in levels
                and self.machine.functions[other].kind == "relay"
                and self.machine.functions[other].condition == function.condition
                for other, levels in complaint.says.items()
            )
            if (not said and not held_still) or as_always:
                continue
            shown = self._level[name][said[0]] if said else len(function.levels) - 1
            stopped = [row for row, one in enumerate(sets) if number in one]
            for column in columns:
                found[stopped, column] = shown
        if rests_on and not made_up:
            found[:, at][~self._all_at(found, rests_on)] = NOT_REACHED

    def _held_back(
        self, name: str, found: np.ndarray, sets: list[FaultSet], columns: list[int]
    ) -> None:
        """What is broken beside the circuit: it works no better than that allows."""
        for row, one in enumerate(sets):
            for part, mode in (self.faults[fault] for fault in one if fault < self.n_listed):
                most = self.machine.parts[part].modes[mode].at_most
                if name in most:
                    worst = self._level[name][most[name]]
                    now = found[row, columns]
                    found[row, columns] = np.where(now < worst, worst, now)

    def _finds(self, test: Test, faults: FaultSet) -> bool:
        """Whether an inspection shows one of these faults."""
        bad = [self.faults[fault] for fault in faults]
        return any(p in test.parts and (not test.modes or m in test.modes) for p, m in bad)

    def _needed(self, condition: str | None) -> Mapping[str, tuple[str, ...]]:
        """What the machine has to do for a condition."""
        return {} if condition is None else self.machine.conditions[condition].needs

    def _tried(self, found: np.ndarray) -> None:
        """What trying shows: the most telling complaint that fits, of two alike the later one."""
        says = {c.id: len(c.says) for c in self.machine.complaints.values()}
        fits = np.array([found[:, self.column[name]] for name in says]) == 1
        works = self._all_at(found, self.machine.works)
        found[:, self.column[NOTHING_WRONG]] = works & ~fits.any(axis=0)
        telling = [
            says[name] * len(says) + place if name in self.shown else -1
            for place, name in enumerate(says)
        ]
        first = np.where(fits, np.array(telling)[:, None, None], -1)
        numbers = np.array([self.shown.index(n) if n in self.shown else -1 for n in says])
        none = np.where(works, self.shown.index(RUNS), self.shown.index(OTHER))
        best = first.argmax(axis=0)
        found[:, self.column[SHOWN]] = np.where(first.max(axis=0) < 0, none, numbers[best])

    def _all_at(self, found: np.ndarray, wanted: Mapping[str, tuple[str, ...]]) -> np.ndarray:
        """(rows, 2) whether every function is at one of the levels wanted of it."""
        fits = np.ones((len(found), 2), dtype=bool)
        for name, levels in wanted.items():
            accepted = [self._level[name][level] for level in levels]
            fits &= np.isin(found[:, self.column[name]], accepted)
        return fits
