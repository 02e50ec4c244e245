"""How a machine behaves under any set of faults: every reading, function and complaint.

Wraps the circuit solver with what the circuit alone does not know: functions that need several
others, complaints in the customer's words, and the unlisted fault (something not in the file that
stops the machine the way a complaint says, while the meter reads normal).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.codes import NONE
from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import Circuit, level_names, make_circuit
from diagnose.faults.outcomes import AMISS, CANNOT, FITS, INSPECT, TRY, WORKS
from diagnose.faults.words import SHARE_OF_MACHINES, TRIED, UNLISTED
from diagnose.machine.model import NOT_POSSIBLE, OTHER, RELAY_LEVELS, RUNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Complaint, Function, Machine, Test


FaultSet = tuple[int, ...]
"""Fault numbers in ascending order, no two of one part."""


@dataclass(frozen=True, slots=True, eq=False)
class Behaviour:
    """All readings of a machine, on demand.

    Attributes:
        machine: the machine.
        circuit: its solver.
        faults: (part, mode) by fault number; the unlisted ones come last.
        part_of: (faults,) number of the part each fault belongs to.
        priors: (faults,) marginal probability of each fault.
        names: ids of the observables: functions, tests, complaints, and `TRIED`.
        column: observable id -> column.
    """

    machine: Machine
    circuit: Circuit
    faults: tuple[tuple[str, str], ...]
    part_of: NDArray[np.int32]
    priors: NDArray[np.float64]
    names: tuple[str, ...]
    column: Mapping[str, int]

    @property
    def n_listed(self) -> int:
        """Faults that the circuit knows."""
        return len(self.circuit.netlist.faults)

    @property
    def loose(self) -> NDArray[np.bool_]:
        """(faults + 1,) whether each is a loose joint; the last one stands for no fault."""
        own = [
            self.machine.parts[part].modes[mode].loose
            for part, mode in self.faults[: self.n_listed]
        ]
        return np.array([*own, *[False] * (len(self.faults) - len(own) + 1)])

    @property
    def work(self) -> float:
        """What solving one fault set takes: circuits times nets, a sixth of a microsecond each."""
        return float(len(self.circuit.rigs.condition) * len(self.circuit.netlist.nets))

    def readings(self, fault_sets: Sequence[FaultSet]) -> NDArray[np.float64]:
        """(cases, observables, 2) readings; see `diagnose.circuit.operating.evaluate`."""
        return _readings(self.machine, self.circuit, self.names, fault_sets)

    def column_of(self, test: Test) -> int:
        """The observable that a test reads: its own, or the function it looks at."""
        if test.kind == TRY:
            return self.column[TRIED]
        return self.column[test.id if test.id in self.column else str(test.function)]


def fault_prior(machine: Machine, part: str, mode: str) -> float:
    """Probability of a fault before anybody complained; see `SHARE_OF_MACHINES`."""
    return SHARE_OF_MACHINES * machine.parts[part].modes[mode].per_1000_jobs / 1000.0


def unlisted_prior(machine: Machine, complaint: str) -> float:
    """The same for what the file does not list and gives a complaint."""
    own = machine.complaints[complaint].unlisted_per_1000
    return SHARE_OF_MACHINES * (machine.unlisted_per_1000 if own is None else own) / 1000.0


def make_behaviour(machine: Machine) -> Behaviour:
    """A machine's circuit with everything that can be observed; nothing is solved yet."""
    circuit = make_circuit(machine)
    listed = circuit.netlist.faults
    complaints = tuple(machine.complaints)
    priors = [fault_prior(machine, part, mode) for part, mode in listed]
    priors += [unlisted_prior(machine, complaint) for complaint in complaints]
    part_of = [*circuit.netlist.fault_part, *[len(machine.parts)] * len(complaints)]
    functions = (f.id for f in machine.functions.values() if f.kind == "all_of")
    inspections = (test.id for test in machine.tests.values() if test.kind == INSPECT)
    watched = (test.id for test in machine.tests.values() if watches_in_vain(machine, test))
    names = (*circuit.rigs.names, *functions, *inspections, *watched, *complaints, TRIED)
    return Behaviour(
        machine=machine,
        circuit=circuit,
        faults=(*listed, *((UNLISTED, complaint) for complaint in complaints)),
        part_of=np.array(part_of, dtype=np.int32),
        priors=np.array(priors),
        names=names,
        column={name: i for i, name in enumerate(names)},
    )


def rests_on(machine: Machine, function: Function) -> Mapping[str, tuple[str, ...]]:
    """Function -> levels that another one needs: those it is made up of, or its condition's."""
    if function.kind == "all_of":
        return function.needs
    return machine.conditions[function.condition].needs if function.condition else {}


def watches_in_vain(machine: Machine, test: Test) -> bool:
    """Whether a test watches a function made up of others where the machine may not get to."""
    made_up = test.function is not None and machine.functions[test.function].kind == "all_of"
    return made_up and any(outcome.id == NOT_POSSIBLE for outcome in test.outcomes)


def by_what_they_rest_on(machine: Machine) -> list[Function]:
    """The functions, each after those that it rests on."""
    found: dict[str, Function] = {}

    def add(function: Function) -> None:
        for name in rests_on(machine, function):
            if name not in found:
                add(machine.functions[name])
        found[function.id] = function

    for function in machine.functions.values():
        add(function)
    return list(found.values())


def seen_on_trying(machine: Machine) -> tuple[str, ...]:
    """What trying the machine can show: that it runs, its complaints, something else."""
    shown = [complaint.id for complaint in machine.complaints.values() if complaint.on_trying]
    return (RUNS, *shown, OTHER)


@dataclass(frozen=True, slots=True)
class _Shown:
    """Readings as they come to be.

    Attributes:
        machine: the machine.
        levels: of every function, best first.
        column: observable id -> column.
        out: (cases, observables, 2)
        listed: (cases, width) faults of the file, `NONE` for none.
        faults: (part, mode) of each of them.
        unlisted: (cases,) complaint of the unlisted fault, -1 for none.
        good: (observables,) readings of a good machine, as far as they are measured.
    """

    machine: Machine
    levels: Mapping[str, tuple[str, ...]]
    column: Mapping[str, int]
    out: NDArray[np.float64]
    listed: NDArray[np.int32]
    faults: tuple[tuple[str, str], ...]
    unlisted: NDArray[np.int64]
    good: NDArray[np.float64]

    def functions(self) -> None:
        """Every function; what is not reached has no level."""
        held = self._held()
        for function in by_what_they_rest_on(self.machine):
            at, needs = self.column[function.id], rests_on(self.machine, function)
            if function.kind == "all_of":
                self.out[:, at] = ~self.fits(needs)
            self._hold_back(function.id, held.get(function.id, []))
            self._force(function.id)
            if function.kind != "all_of" and needs:
                self.out[:, at][~self.fits(needs)] = CANNOT

    def _held(self) -> dict[str, list[tuple[int, str]]]:
        """Function -> faults that hold it back, and the best level left to it."""
        held: dict[str, list[tuple[int, str]]] = {}
        for fault, (part, mode) in enumerate(self.faults):
            for function, most in self.machine.parts[part].modes[mode].at_most.items():
                held.setdefault(function, []).append((fault, most))
        return held

    def _hold_back(self, function: str, by: list[tuple[int, str]]) -> None:
        """Let faults hold a function back that the circuit knows nothing of."""
        for column in self._columns_of(function):
            for fault, most in by:
                rows = np.flatnonzero((self.listed == fault).any(axis=1))
                at_best = float(self.levels[function].index(most))
                self.out[rows, column] = np.maximum(self.out[rows, column], at_best)

    def _columns_of(self, function: str) -> list[int]:
        """A function's own column, and those of tests that watch it with something connected."""
        tests = [test.id for test in self.machine.tests.values() if test.function == function]
        return [self.column[name] for name in (function, *tests) if name in self.column]

    def tests(self) -> None:
        """What inspections find, and what cannot be measured: the machine does not get that far."""
        for test in self.machine.tests.values():
            if test.kind == INSPECT:
                there = [
                    fault
                    for fault, (part, mode) in enumerate(self.faults)
                    if part in test.parts and (not test.modes or mode in test.modes)
                ]
                at_fault = np.isin(self.listed, there).any(axis=1, keepdims=True)
                self.out[:, self.column[test.id]] = at_fault
            elif watches_in_vain(self.machine, test):
                self.out[:, self.column[test.id]] = self.out[:, self.column[str(test.function)]]
            needs = self.machine.conditions[test.condition].needs if test.condition else {}
            cannot = any(outcome.id == NOT_POSSIBLE for outcome in test.outcomes)
            if cannot and test.id in self.column:
                self.out[:, self.column[test.id]][~self.fits(needs)] = CANNOT

    def complaints(self) -> None:
        """Which complaints fit, and what trying the machine shows."""
        machine, shown = self.machine, seen_on_trying(self.machine)
        fits = {name: self.fits(c.says) for name, c in machine.complaints.items()}
        works = self.fits(machine.works)
        tried = np.where(works, 0.0, len(shown) - 1.0)
        amiss = ~works
        for name in sorted(shown[1:-1], key=lambda one: len(machine.complaints[one].says)):
            tried[fits[name]] = shown.index(name)
        for fit in fits.values():
            amiss |= fit
        self.out[:, self.column[TRIED]] = tried
        for name, fit in fits.items():
            self.out[:, self.column[name]] = np.where(fit, FITS, np.where(amiss, AMISS, WORKS))

    def fits(self, wanted: Mapping[str, tuple[str, ...]]) -> NDArray[np.bool_]:
        """(cases, 2) whether all these functions are at one of the levels wanted."""
        fits = np.ones(self.out[:, 0].shape, dtype=bool)
        for name, accepted in wanted.items():
            numbers = [self.levels[name].index(level) for level in accepted]
            fits &= np.isin(self.out[:, self.column[name]], numbers)
        return fits

    def _force(self, function: str) -> None:
        """Let an unlisted fault show a function as its complaint says.

        What a good machine does already is left to the circuit: beside another fault it may differ.
        """
        for number, complaint in enumerate(self.machine.complaints.values()):
            said = complaint.says.get(function)
            if said is None and self._stands_still(function, complaint):
                said = self.levels[function][-1:]
            levels = self.levels[function]
            by_itself = levels[int(self.good[self.column[function]])]
            if said is None or by_itself in said:
                continue
            rows = np.flatnonzero(self.unlisted == number)
            for column in self._columns_of(function):
                self.out[rows, column] = self.levels[function].index(said[0])

    def _stands_still(self, function: str, complaint: Complaint) -> bool:
        """Whether a motor does not turn, since the complaint has the relay silent just then."""
        functions, motor = self.machine.functions, self.machine.functions[function]
        return motor.kind == "motor" and any(
            functions[name].kind == "relay"
            and functions[name].condition == motor.condition
            and RELAY_LEVELS[-1] in said
            for name, said in complaint.says.items()
        )


def _readings(
    machine: Machine, circuit: Circuit, names: tuple[str, ...], fault_sets: Sequence[FaultSet]
) -> NDArray[np.float64]:
    listed, unlisted = _split(len(circuit.netlist.faults), fault_sets)
    none = np.full((1, listed.shape[1]), NONE, dtype=np.int32)
    *measured, good = evaluate(circuit, np.concatenate([listed, none]))
    out = np.zeros((len(fault_sets), len(names), 2))
    if len(fault_sets):
        out[:, : good.shape[0]] = measured
    column = {name: i for i, name in enumerate(names)}
    known = np.zeros(len(names))
    known[: good.shape[0]] = good[:, 0]
    faults = circuit.netlist.faults
    shown = _Shown(machine, level_names(machine), column, out, listed, faults, unlisted, known)
    shown.functions()
    shown.tests()
    shown.complaints()
    return out


def _split(
    n_listed: int, fault_sets: Sequence[FaultSet]
) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Faults the circuit knows, as a padded table, and the number of the unlisted one or -1."""
    width = max((len(one) for one in fault_sets), default=0) or 1
    table = np.full((len(fault_sets), width), -1, dtype=np.int32)
    unlisted = np.full(len(fault_sets), -1, dtype=np.int64)
    for row, one in enumerate(fault_sets):
        for place, fault in enumerate(one):
            if fault < n_listed:
                table[row, place] = fault
            else:
                unlisted[row] = fault - n_listed
    return table, unlisted
