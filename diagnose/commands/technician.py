"""A simulated technician at a machine with an invented fault, for trying things out.

What he reads comes from solving the whole circuit with that fault, not from the network that
gives the advice, and is blurred the way instruments and eyes blur.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from diagnose.network.behaviour import single_behaviour
from diagnose.network.outcomes import (
    FIRST_OF_TWO,
    SEEN_UNSTEADY,
    UNSTEADY,
    bin_of,
    cause_chances,
    check_chances,
    outcome_chances,
    spread_of,
)
from diagnose.network.words import UNLISTED
from diagnose.review.table import cause_behind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Repair, Test
    from diagnose.network.ready import ReadyMachine


@dataclass(frozen=True, slots=True)
class Case:
    """What is wrong and what the customer says about it.

    Attributes:
        complaint: id of the complaint.
        part, mode: the fault.
        causes: shared causes that are there.
    """

    complaint: str
    part: str
    mode: str
    causes: frozenset[str]


def invent_case(ready: ReadyMachine, rng: np.random.Generator) -> Case:
    """Draw a fault by its prior, a complaint that it gives, and the causes behind it."""
    machine = ready.machine
    listed = [i for i, (part, _) in enumerate(ready.faults) if part != UNLISTED]
    priors = np.array(
        [
            machine.parts[part].modes[mode].per_1000_jobs
            for part, mode in ready.faults[: len(listed)]
        ]
    )
    names = list(machine.complaints)
    weights = priors * np.array([ready.explains[name][listed] for name in names])
    drawn = int(rng.choice(weights.size, p=(weights / weights.sum()).ravel()))
    complaint, fault = divmod(drawn, len(listed))
    part, mode = ready.faults[listed[fault]]
    causes = [
        cause.id
        for cause in machine.shared_causes.values()
        if rng.random() < cause_behind(machine, cause, part, mode)
    ]
    return Case(names[complaint], part, mode, frozenset(causes))


@dataclass(frozen=True, slots=True, eq=False)
class Technician:
    """Does tests on a machine with a known fault.

    Attributes:
        machine: the machine.
        case: what is wrong.
        column: test or function -> row of `readings`.
        readings: (observables, 2) what the circuit gives; two values where it does not hold still.
    """

    machine: Machine
    case: Case
    column: Mapping[str, int]
    readings: NDArray[np.float64]

    @classmethod
    def at(cls, machine: Machine, case: Case) -> Technician:
        """Solve the machine's circuit with the fault in it."""
        behaviour = single_behaviour(machine)
        fault = behaviour.faults.index((case.part, case.mode))
        return cls(machine, case, behaviour.column, behaviour.readings([(fault,)])[0])

    def repaired(self, part: str, repair: Repair, rng: np.random.Generator) -> tuple[Self, bool]:
        """The technician at the machine after a repair, and whether the complaint is gone.

        New parts are good here.
        """
        after = self
        if part == self.case.part and self.case.mode in repair.fixes:
            good = single_behaviour(self.machine).readings([()])[0]
            after = replace(self, readings=good)
        row = check_chances(after.readings[self.column[self.case.complaint]])
        return after, bool(rng.random() >= row[0])

    def do(self, test: Test, rng: np.random.Generator) -> str | float:
        """An outcome, or a reading in the test's unit as a meter shows it."""
        if test.cause is not None:
            row = cause_chances(test)[int(test.cause in self.case.causes)]
            return self._drawn(test, row, rng)
        both = self.readings[self.column[test.id if test.id in self.column else str(test.function)]]
        if test.unit is None:
            return self._drawn(test, outcome_chances(test, both), rng)
        steady = bin_of(test, both)[0] == bin_of(test, both)[1]
        can_waver = test.outcomes[-1].id == UNSTEADY and not steady
        if can_waver and rng.random() < SEEN_UNSTEADY:
            return UNSTEADY
        value = both[0] if rng.random() < FIRST_OF_TWO else both[1]
        shown = float(rng.normal(value, spread_of(test, value)))
        return float(f"{min(max(shown, test.low), test.high):.3g}")

    @staticmethod
    def _drawn(test: Test, chances: NDArray[np.float64], rng: np.random.Generator) -> str:
        return test.outcomes[int(rng.choice(len(chances), p=chances))].id
