"""By what two fault sets are compared: the tests, and where it matters how they come out.

A job begins with a complaint and goes on with tests. A fault set `S` that the network takes for
another one, `L`, moves the belief after complaint `c` and outcome `o` of test `t` by the share

    |P(o | S) - P(o | L)| P(S) P(c | S) / P(c, o)

Its *harm* is the largest of these; outcomes that are rarer than `RARE` count for less. Two sets
that differ only where others hold nearly all of the belief can stand for each other; two that
differ where one of them would lead cannot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.outcomes import complaint_chances, outcome_chances, wording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.export.pairs import PairTable
    from diagnose.faults.behaviour import FaultSet
    from diagnose.machine.model import Test

Floats = NDArray[np.float32]

RARE = 0.02
"""An outcome counts as if so much of the jobs with a complaint showed it besides: what is confused
where hardly a job comes along matters less."""

STEPS = 200
"""Chances are compared in steps of half a percent."""


@dataclass(frozen=True, slots=True, eq=False)
class Yardstick:
    """What every test and complaint that looks into the tree shows.

    Attributes:
        pairs: the machine, solved for every pair.
        columns: the observables that a test or complaint reads.
        shown: (faults + 1, faults + 1, columns, outcomes) chance of each outcome under every pair,
            in `STEPS`.
        weight: (same) P(S, c) / (P(c, o) + RARE P(c)) for the complaint where it is largest.
        larger: the same as `shown` for the larger fault sets asked for so far.
    """

    pairs: PairTable
    columns: tuple[int, ...]
    shown: NDArray[np.uint8]
    weight: Floats
    larger: dict[FaultSet, NDArray[np.uint8]]

    def measure(self, fault_sets: Sequence[FaultSet]) -> NDArray[np.uint8]:
        """(sets, columns, outcomes) what is shown under some fault sets."""
        new = list(dict.fromkeys(s for s in fault_sets if len(s) > 2 and s not in self.larger))
        if new:
            readings = self.pairs.behaviour.readings(new)
            self.larger.update(zip(new, _shown(self.pairs, self.columns, readings), strict=True))
        measured = np.empty((len(fault_sets), *self.shown.shape[2:]), np.uint8)
        for row, faults in enumerate(fault_sets):
            measured[row] = (
                self.larger[faults] if len(faults) > 2 else self.shown[self.pairs.place(faults)]
            )
        return measured


def make_yardstick(pairs: PairTable, columns: Sequence[int]) -> Yardstick:
    """A yardstick over the given observables, with all pairs measured."""
    shown = _shown(pairs, columns, pairs.readings)
    return Yardstick(pairs, tuple(columns), shown, _weights(pairs, shown), {})


def difference(shown: NDArray[np.uint8], other: NDArray[np.uint8]) -> Floats:
    """By how much the chance of each outcome differs, 0 to 1."""
    apart: Floats = np.abs(shown.astype(np.int16) - other).astype(np.float32) / STEPS
    return apart


def _shown(
    pairs: PairTable, columns: Sequence[int], readings: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """(..., columns, outcomes) chances in `STEPS`."""
    machine = pairs.behaviour.machine
    test_of: dict[int, Test] = {}
    for test in machine.tests.values():
        if test.cause is None:
            test_of.setdefault(pairs.behaviour.column_of(test), test)
    chances = []
    for column in columns:
        values = np.nan_to_num(readings[..., column, :]).reshape(-1, 2)
        read = test_of.get(column)
        if read is None:
            words = wording(machine, pairs.behaviour.names[column])
            chances.append(complaint_chances(values, words))
        else:
            chances.append(outcome_chances(read, values))
    most = max(chance.shape[-1] for chance in chances)
    shown = np.zeros((len(chances[0]), len(columns), most), np.uint8)
    for place, chance in enumerate(chances):
        shown[:, place, : chance.shape[-1]] = np.round(STEPS * chance)
    return shown.reshape(*readings.shape[:-2], len(columns), most)


def _weights(pairs: PairTable, shown: NDArray[np.uint8]) -> Floats:
    """(faults + 1, faults + 1, columns, outcomes) see `Yardstick.weight`."""
    first, second = pairs.index
    chances = shown[first, second] / np.float32(STEPS)
    largest = np.zeros(chances.shape, np.float32)
    for joint in (pairs.prior[:, None] * pairs.complained[first, second]).T:
        mass = np.tensordot(joint, chances, axes=1)
        share = joint[:, None, None] / (mass + RARE * joint.sum())
        np.maximum(largest, share, out=largest)
    weight = np.zeros(shown.shape, np.float32)
    weight[first, second] = weight[second, first] = largest
    return weight
