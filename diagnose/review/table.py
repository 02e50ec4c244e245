"""What every test shows under every single fault: the table that a review is made from.

Only single faults are solved, by the whole circuit, so that a review does not wait for the
network. A fault's row holds for that fault alone: every other part is good, and a shared cause
(a nest, a wet winter) is absent unless the fault itself is the cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.behaviour import single_behaviour
from diagnose.faults.outcomes import cause_chances, outcome_chances
from diagnose.faults.priors import cause_chance

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, SharedCause, Test

Floats = NDArray[np.float64]

MEASURED = ("volts", "drop", "lamp", "amps", "ohms", "load_test")
"""Kinds of test that go by a quantity (a lamp by the volts across it)."""


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeTable:
    """Tests against single faults.

    Attributes:
        machine: the machine.
        faults: (part, mode) of every fault; the unlisted ones, one per complaint, come last.
        n_listed: faults that the file lists.
        priors: (faults,) probability of each fault over all jobs.
        tests: every test, in the order of the file.
        chances: (tests, faults + 1, outcomes) probability of each outcome under each fault, the
            last row with everything good; 0 beyond a test's last outcome.
        readings: (tests, faults + 1, 2) what the instrument would show, in volts, amps or ohms,
            both values of an unsteady circuit; NaN where nothing is measured.
        predicted: (tests, faults + 1) index of the outcome that the fault gives: the likeliest.
        explains: (complaints, faults) share of the time that the fault alone gives the complaint.
    """

    machine: Machine
    faults: tuple[tuple[str, str], ...]
    n_listed: int
    priors: Floats
    tests: tuple[Test, ...]
    chances: Floats
    readings: Floats
    predicted: NDArray[np.int64]
    explains: Floats


def make_table(machine: Machine) -> OutcomeTable:
    """Solve a machine for no fault and every single fault.

    Raises:
        CircuitError: wiring that cannot be solved.
    """
    behaviour = single_behaviour(machine)
    n = len(behaviour.faults)
    readings = behaviour.readings([*((fault,) for fault in range(n)), ()])
    tests = tuple(machine.tests.values())
    chances = np.zeros((len(tests), n + 1, max((len(t.outcomes) for t in tests), default=0)))
    shown = np.full((len(tests), n + 1, 2), np.nan)
    predicted = np.zeros((len(tests), n + 1), dtype=np.int64)
    for row, test in enumerate(tests):
        width = len(test.outcomes)
        if test.cause is not None:
            cause = machine.shared_causes[test.cause]
            chances[row, :, :width] = _cause_rows(machine, test, cause, behaviour.faults)
            alone = [_is_cause(cause, *fault) for fault in behaviour.faults]
            predicted[row] = cause_chances(test)[[*map(int, alone), 0]].argmax(axis=-1)
        else:
            column = behaviour.column.get(test.id, behaviour.column.get(str(test.function), -1))
            chances[row, :, :width] = outcome_chances(test, readings[:, column])
            predicted[row] = chances[row].argmax(axis=-1)
            if test.kind in MEASURED:
                shown[row] = readings[:, column]
    complaints = [behaviour.column[name] for name in machine.complaints]
    return OutcomeTable(
        machine=machine,
        faults=behaviour.faults,
        n_listed=behaviour.n_listed,
        priors=behaviour.priors,
        tests=tests,
        chances=chances,
        readings=shown,
        predicted=predicted,
        explains=1.0 - readings[:n, complaints].mean(axis=-1).T,
    )


def _is_cause(cause: SharedCause, part: str, mode: str) -> bool:
    """Whether a fault is itself the shared cause (a dead regulator flattens batteries)."""
    return cause.part == part and mode in cause.modes


def cause_behind(machine: Machine, cause: SharedCause, part: str, mode: str) -> float:
    """Probability that a shared cause is there when this is the only fault.

    Bayes' rule with the factor k by which the cause multiplies the mode's chance and the prior c
    of the cause: `P(cause | fault) = c k / (1 + c (k - 1))`.
    """
    if cause.part is not None:
        return float(_is_cause(cause, part, mode))
    factors = (one.factor for one in cause.raises if one.part == part and mode in one.modes)
    prior, factor = cause_chance(machine, cause), next(factors, 1.0)
    return prior * factor / (1.0 + prior * (factor - 1.0))


def _cause_rows(
    machine: Machine, test: Test, cause: SharedCause, faults: tuple[tuple[str, str], ...]
) -> Floats:
    """(faults + 1, 2) chances of found and not found."""
    present = np.array(
        [
            *(cause_behind(machine, cause, part, mode) for part, mode in faults),
            0.0 if cause.part is not None else cause_chance(machine, cause),
        ]
    )
    absent_row, present_row = cause_chances(test)
    found: Floats = np.outer(1.0 - present, absent_row) + np.outer(present, present_row)
    return found
