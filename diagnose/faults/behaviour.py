"""How a machine behaves under any set of faults: every reading, function and complaint.

Wraps the circuit solver with what the circuit alone does not know: functions that need several
others, complaints in the customer's words, and the unlisted fault (something not in the file that
stops the machine the way a complaint says, while the meter reads normal).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import Circuit, level_names, make_circuit
from diagnose.faults.words import SHARE_OF_MACHINES, UNLISTED

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Test


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
        names: ids of the observables: functions, tests, complaints.
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
    def work(self) -> float:
        """What solving one fault set takes: circuits times nets, a sixth of a microsecond each."""
        return float(len(self.circuit.rigs.condition) * len(self.circuit.netlist.nets))

    def readings(self, fault_sets: Sequence[FaultSet]) -> NDArray[np.float64]:
        """(cases, observables, 2) readings; see `diagnose.circuit.operating.evaluate`."""
        return _readings(self.machine, self.circuit, self.names, fault_sets)

    def column_of(self, test: Test) -> int:
        """The observable that a test reads: its own, or the function it looks at."""
        return self.column[test.id if test.id in self.column else str(test.function)]


def fault_prior(machine: Machine, part: str, mode: str) -> float:
    """Probability of a fault before anybody complained; see `SHARE_OF_MACHINES`."""
    return SHARE_OF_MACHINES * machine.parts[part].modes[mode].per_1000_jobs / 1000.0


def unlisted_prior(machine: Machine) -> float:
    """The same for what the file does not list, for each complaint."""
    return SHARE_OF_MACHINES * machine.unlisted_per_1000 / 1000.0


def make_behaviour(machine: Machine) -> Behaviour:
    """A machine's circuit with everything that can be observed; nothing is solved yet."""
    circuit = make_circuit(machine)
    listed = circuit.netlist.faults
    complaints = tuple(machine.complaints)
    priors = [fault_prior(machine, part, mode) for part, mode in listed]
    priors += [unlisted_prior(machine)] * len(complaints)
    part_of = [*circuit.netlist.fault_part, *[len(machine.parts)] * len(complaints)]
    functions = (f.id for f in machine.functions.values() if f.kind == "all_of")
    names = (*circuit.rigs.names, *functions, *complaints)
    return Behaviour(
        machine=machine,
        circuit=circuit,
        faults=(*listed, *((UNLISTED, complaint) for complaint in complaints)),
        part_of=np.array(part_of, dtype=np.int32),
        priors=np.array(priors),
        names=names,
        column={name: i for i, name in enumerate(names)},
    )


def _readings(
    machine: Machine, circuit: Circuit, names: tuple[str, ...], fault_sets: Sequence[FaultSet]
) -> NDArray[np.float64]:
    listed, unlisted = _split(len(circuit.netlist.faults), fault_sets)
    measured = evaluate(circuit, listed)
    out = np.zeros((len(fault_sets), len(names), 2))
    out[:, : measured.shape[1]] = measured
    column = {name: i for i, name in enumerate(names)}
    levels = level_names(machine)
    _force(machine, levels, column, out, unlisted, derived=False)
    _derive(machine, levels, column, out)
    _force(machine, levels, column, out, unlisted, derived=True)
    _match(machine, levels, column, out)
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


def _force(
    machine: Machine,
    levels: Mapping[str, tuple[str, ...]],
    column: Mapping[str, int],
    out: NDArray[np.float64],
    unlisted: NDArray[np.int64],
    *,
    derived: bool,
) -> None:
    """Let an unlisted fault show the functions as its complaint says."""
    for number, complaint in enumerate(machine.complaints.values()):
        rows = np.flatnonzero(unlisted == number)
        for name, said in complaint.says.items():
            if (machine.functions[name].kind == "all_of") != derived:
                continue
            forced = levels[name].index(said[0])
            tests = [t.id for t in machine.tests.values() if t.function == name]
            for shown in (name, *tests):
                if shown in column:
                    out[rows, column[shown]] = forced


def _fits(
    levels: Mapping[str, tuple[str, ...]],
    column: Mapping[str, int],
    out: NDArray[np.float64],
    wanted: Mapping[str, tuple[str, ...]],
) -> NDArray[np.bool_]:
    """(cases, 2) whether all these functions are at one of the levels wanted."""
    fits = np.ones(out[:, 0].shape, dtype=bool)
    for name, accepted in wanted.items():
        numbers = [levels[name].index(level) for level in accepted]
        fits &= np.isin(out[:, column[name]], numbers)
    return fits


def _derive(
    machine: Machine,
    levels: Mapping[str, tuple[str, ...]],
    column: Mapping[str, int],
    out: NDArray[np.float64],
) -> None:
    for function in machine.functions.values():
        if function.kind == "all_of":
            out[:, column[function.id]] = ~_fits(levels, column, out, function.needs)


def _match(
    machine: Machine,
    levels: Mapping[str, tuple[str, ...]],
    column: Mapping[str, int],
    out: NDArray[np.float64],
) -> None:
    for complaint in machine.complaints.values():
        out[:, column[complaint.id]] = ~_fits(levels, column, out, complaint.says)
