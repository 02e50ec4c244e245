"""A simulated technician at a machine with an invented fault, for trying things out.

What he reads comes from solving the whole circuit with that fault, not from the beliefs that give
the advice, and is blurred the way instruments and eyes blur.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from diagnose.faults.behaviour import seen_on_trying
from diagnose.faults.manners import (
    COMES_AND_GOES,
    SHARES,
    outcomes_by_manner,
    reading_of_two,
)
from diagnose.faults.outcomes import (
    CANNOT,
    FIRST_OF_TWO,
    FITS,
    UNSTEADY,
    cause_chances,
    spread_of,
)
from diagnose.faults.words import TRIED
from diagnose.machine.model import RUNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.machine.model import Repair, Test
    from diagnose.rule.prepared import Prepared


@dataclass(frozen=True, slots=True)
class Case:
    """What the customer says, the fault behind it, and the shared causes that are there.

    A loose joint stands in some manner, see `diagnose.faults.manners`.
    """

    complaint: str
    part: str
    mode: str
    causes: frozenset[str]
    manner: int = COMES_AND_GOES


def invent_case(prepared: Prepared, rng: np.random.Generator) -> Case:
    """Draw a listed fault by its prior, a complaint that it gives, and the causes behind it."""
    n_listed, names = prepared.behaviour.n_listed, list(prepared.machine.complaints)
    gives = np.array([prepared.explains[name][:n_listed] for name in names])
    weights = prepared.behaviour.priors[:n_listed] * gives
    drawn = int(rng.choice(weights.size, p=(weights / weights.sum()).ravel()))
    complaint, fault = divmod(drawn, n_listed)
    causes = causes_behind(prepared, fault).items()
    there = frozenset(cause for cause, chance in causes if rng.random() < chance)
    manner = COMES_AND_GOES
    if prepared.behaviour.loose[fault]:
        manner += int(rng.choice(len(SHARES), p=SHARES))
    return Case(names[complaint], *prepared.faults[fault], there, manner)


def causes_behind(prepared: Prepared, fault: int) -> Mapping[str, float]:
    """How likely each shared cause is there when this is the only fault."""
    priors = prepared.sets.priors
    there = priors.there(np.array([[fault]]), np.ones(len(priors.free)))[0]
    return dict(zip(priors.causes, there.tolist(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Technician:
    """Does tests on a machine with a known fault.

    Attributes:
        case: what was wrong in the beginning.
        readings: (observables, 2) what the circuit gives; two values where it does not hold still.
    """

    prepared: Prepared
    case: Case
    readings: NDArray[np.float64]

    @classmethod
    def at(cls, prepared: Prepared, case: Case) -> Self:
        """At a machine with the fault in it."""
        fault = prepared.faults.index((case.part, case.mode))
        return cls(prepared, case, prepared.behaviour.readings([(fault,)])[0])

    def repaired(self, part: str, repair: Repair, rng: np.random.Generator) -> tuple[Self, str]:
        """The technician at the machine after a repair, and what trying it showed.

        New parts are good here.
        """
        after, behaviour = self, self.prepared.behaviour
        if self.case.mode in repair.puts_right(part).get(self.case.part, ()):
            after = replace(self, readings=behaviour.readings([()])[0])
        tried = after.readings[behaviour.column[TRIED], self._stands(rng)]
        fits = after.readings[behaviour.column[self.case.complaint], 0] == FITS
        shown = seen_on_trying(self.prepared.machine)[int(tried)]
        return after, self.case.complaint if fits and shown == RUNS else shown

    def do(self, test: Test, rng: np.random.Generator) -> str | float:
        """An outcome, or a reading in the test's unit as a meter shows it."""
        if test.cause is not None:
            return self._drawn(test, cause_chances(test)[int(test.cause in self.case.causes)], rng)
        both = self.readings[self.prepared.behaviour.column_of(test)]
        chances = outcomes_by_manner(test, both[None])[self.case.manner, 0]
        if test.unit is None or both.min() <= CANNOT:
            return self._drawn(test, chances, rng)
        if test.outcomes[-1].id == UNSTEADY and rng.random() < chances[-1]:
            return UNSTEADY
        value = both[self._stands(rng)]
        shown = float(rng.normal(value, spread_of(test, value)))
        return float(f"{min(max(shown, test.low), test.high):.3g}")

    def _stands(self, rng: np.random.Generator) -> int:
        """Which of the two readings there is just now."""
        apart = bool(rng.random() >= FIRST_OF_TWO)
        return reading_of_two(self.case.manner, apart_now=apart)

    @staticmethod
    def _drawn(test: Test, chances: NDArray[np.float64], rng: np.random.Generator) -> str:
        return test.outcomes[int(rng.choice(len(chances), p=chances))].id
