"""What is read under no fault, every single fault and every pair: what the network is made from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import complaint_chances, wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.faults.behaviour import Behaviour, FaultSet


@dataclass(frozen=True, eq=False)
class PairTable:
    """A machine solved for every pair of faults.

    Attributes:
        behaviour: the machine.
        readings: (faults + 1, faults + 1, observables, 2) readings of every pair; the last row and
            column stand for no fault; NaN where both faults are of one part.
    """

    behaviour: Behaviour
    readings: NDArray[np.float64]

    @property
    def none(self) -> int:
        """The number that stands for no fault."""
        return len(self.behaviour.faults)

    def place(self, faults: FaultSet) -> tuple[int, int]:
        """Row and column of a set of up to two faults in `readings`."""
        first, second = (*faults, self.none, self.none)[:2]
        return first, second

    @cached_property
    def sets(self) -> tuple[FaultSet, ...]:
        """No fault, every single one, every pair of different parts."""
        return small_sets(self.behaviour)

    @cached_property
    def index(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of each of these sets in `readings`."""
        first, second = np.array([self.place(faults) for faults in self.sets]).T
        return first, second

    @cached_property
    def prior(self) -> NDArray[np.float64]:
        """(sets,) rough prior of each set: the product of its faults' marginals."""
        priors = np.append(self.behaviour.priors, 1.0)
        first, second = self.index
        product: NDArray[np.float64] = priors[first] * priors[second]
        return product

    @cached_property
    def weight(self) -> NDArray[np.float64]:
        """(sets,) P(faults, a complaint), with the complaint they fit best.

        Nobody looks at a machine that nobody complained about, so what the table of a test sums up
        is weighted by that, and not by the prior.
        """
        product: NDArray[np.float64] = self.prior * self.complained[self.index].max(axis=1)
        return product

    @cached_property
    def complained(self) -> NDArray[np.float64]:
        """(faults + 1, faults + 1, complaints) chance of each complaint under every pair."""
        machine, column = self.behaviour.machine, self.behaviour.column
        told = [
            complaint_chances(self.readings[:, :, column[name]], wording(machine, name))[..., 0]
            for name in machine.complaints
        ]
        return np.stack(told, axis=-1)


def small_sets(behaviour: Behaviour) -> tuple[FaultSet, ...]:
    """No fault, every single one, every pair of different parts."""
    n = len(behaviour.faults)
    part = behaviour.part_of
    pairs = (pair for pair in combinations(range(n), 2) if part[pair[0]] != part[pair[1]])
    return ((), *((fault,) for fault in range(n)), *pairs)


def make_pairs(behaviour: Behaviour) -> PairTable:
    """Solves a machine for no fault, every single fault and every pair.

    Raises:
        CircuitError: wiring that cannot be solved.
    """
    n = len(behaviour.faults)
    sets = small_sets(behaviour)
    readings = np.full((n + 1, n + 1, len(behaviour.names), 2), np.nan)
    for faults, reading in zip(sets, behaviour.readings(sets), strict=True):
        first, second = (*faults, n, n)[:2]
        readings[first, second] = readings[second, first] = reading
        if len(faults) == 1:
            readings[first, first] = reading
    return PairTable(behaviour, readings)
