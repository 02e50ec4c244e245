"""What every test shows under every single fault: the table that a review is made from.

A fault's row holds for that fault alone: every other part is good, and a shared cause (a nest, a
wet winter) is absent unless the fault itself is the cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.outcomes import cause_chances, outcome_chances
from diagnose.rule.machine_costs import machine_costs

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, SharedCause, Test
    from diagnose.rule.costs import Costs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MEASURED = ("volts", "drop", "lamp", "amps", "ohms", "load_test")
"""Kinds of test that go by a quantity (a lamp by the volts across it)."""

SCORE_DIGITS = 9
"""Chances and bits per minute are compared to so many digits, so that ties fall alike on every
computer."""


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeTable:
    """Tests against single faults.

    Attributes:
        machine: the machine.
        faults: (part, mode) of every fault; the unlisted ones, one per complaint, come last.
        n_listed: faults that the file lists.
        priors: (faults,) probability of each fault over all jobs.
        tests: every test, in the order of the file.
        readings: (tests, faults + 1, 2) what the instrument would show, in volts, amps or ohms,
            both values of an unsteady circuit, the last row with everything good; NaN where
            nothing is measured.
        predicted: (tests, faults + 1) index of the outcome that the fault gives: the likeliest.
        explains: (complaints, faults) share of the time that the fault alone gives the complaint.
        costs: what everything costs.
    """

    machine: Machine
    faults: tuple[tuple[str, str], ...]
    n_listed: int
    priors: Floats
    tests: tuple[Test, ...]
    readings: Floats
    predicted: Ints
    explains: Floats
    costs: Costs


def make_table(machine: Machine) -> OutcomeTable:
    """Solve a machine for no fault and every single fault; pairs and priors need not wait.

    Raises:
        CircuitError: wiring that cannot be solved.
    """
    behaviour = make_behaviour(machine)
    n = len(behaviour.faults)
    readings = behaviour.readings([*((fault,) for fault in range(n)), ()])
    tests = tuple(machine.tests.values())
    shown = np.full((len(tests), n + 1, 2), np.nan)
    predicted = np.zeros((len(tests), n + 1), dtype=np.int64)
    for row, test in enumerate(tests):
        if test.cause is not None:
            cause = machine.shared_causes[test.cause]
            predicted[row] = _cause_shows(test, cause, behaviour.faults)
            continue
        values = readings[:, behaviour.column_of(test)]
        predicted[row] = outcome_chances(test, values).round(SCORE_DIGITS).argmax(axis=-1)
        if test.kind in MEASURED:
            shown[row] = values
    complaints = [behaviour.column[name] for name in machine.complaints]
    return OutcomeTable(
        machine=machine,
        faults=behaviour.faults,
        n_listed=behaviour.n_listed,
        priors=behaviour.priors,
        tests=tests,
        readings=shown,
        predicted=predicted,
        explains=1.0 - readings[:n, complaints].mean(axis=-1).T,
        costs=machine_costs(machine, behaviour.faults),
    )


def _cause_shows(test: Test, cause: SharedCause, faults: tuple[tuple[str, str], ...]) -> Ints:
    """(faults + 1,) the likeliest outcome of looking for a shared cause.

    It is there where the fault is the cause itself (a dead regulator flattens batteries).
    """
    there = [cause.part == part and mode in cause.modes for part, mode in faults]
    shown: Ints = cause_chances(test)[[*map(int, there), 0]].argmax(axis=-1)
    return shown
