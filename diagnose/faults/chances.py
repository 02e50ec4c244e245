"""What every test shows under each fault set: chances of outcomes, worked out once per reading.

Thousands of readings differ by microvolts and give the same chances, so each test keeps the
different rows, and each set the number of its row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.outcomes import cause_chances, outcome_chances

if TYPE_CHECKING:
    from diagnose.faults.behaviour import Behaviour
    from diagnose.faults.priors import Priors
    from diagnose.machine.model import Test

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.int32]

CHANCE_DIGITS = 14
"""Decimals of a chance that count."""


def entropy_bits(chances: Floats) -> Floats:
    """(...,) entropy over the last axis, bits."""
    found: Floats = -np.sum(chances * np.log2(np.where(chances > 0.0, chances, 1.0)), axis=-1)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class TestColumns:
    """Where the outcomes of the tests stand, one test after the other.

    Attributes:
        tests: the tests, in the order of the file.
        start: (tests + 1,) first outcome of each.
        column: (tests,) observable that each reads, -1 where it looks for a shared cause.
        cause: (tests,) number of that cause among `Priors.causes`, -1 elsewhere.
        by_cause: (tests, 2, most outcomes) chances with the cause absent and present.
    """

    tests: tuple[Test, ...]
    start: NDArray[np.int32]
    column: NDArray[np.int32]
    cause: NDArray[np.int32]
    by_cause: Floats

    @property
    def n_outcomes(self) -> int:
        """Outcomes of all tests."""
        return int(self.start[-1])


def make_columns(behaviour: Behaviour, priors: Priors) -> TestColumns:
    """The columns of a machine's tests."""
    tests = tuple(behaviour.machine.tests.values())
    most = max((len(test.outcomes) for test in tests), default=0)
    by_cause = np.zeros((len(tests), 2, most))
    for number, test in enumerate(tests):
        if test.cause is not None:
            by_cause[number, :, : len(test.outcomes)] = cause_chances(test)
    return TestColumns(
        tests=tests,
        start=np.cumsum([0, *(len(test.outcomes) for test in tests)]).astype(np.int32),
        column=np.array(
            [-1 if test.cause is not None else behaviour.column_of(test) for test in tests],
            dtype=np.int32,
        ),
        cause=np.array(
            [-1 if test.cause is None else priors.causes.index(test.cause) for test in tests],
            dtype=np.int32,
        ),
        by_cause=by_cause,
    )


class Chances(NamedTuple):
    """What each test shows under each reading of its observable, and so under each fault set.

    Thousands of readings that differ by microvolts share a few rows.

    Attributes:
        rows: (rows, most outcomes) P(outcome | reading), rounded to `CHANCE_DIGITS`.
        noise: (rows,) entropy of each, bits.
        near: (rows,) how far each agrees with what the test shows on a good machine, 0 to 1.
        numbers: by test (readings,) row of each reading of its observable.
        which: (sets, tests) row under each fault set; 0 where a test looks for a shared cause.
    """

    rows: Floats
    noise: Floats
    near: Floats
    numbers: tuple[Places, ...]
    which: Places

    def of(self, test: int, n_outcomes: int) -> Floats:
        """(readings, outcomes) chances of one test under all readings of its observable."""
        found: Floats = self.rows[self.numbers[test], :n_outcomes]
        return found

    def of_outcome(self, test: int, outcome: int) -> Floats:
        """(readings,) chance of one outcome under all readings of its observable."""
        found: Floats = self.rows[self.numbers[test], outcome]
        return found

    @property
    def nbytes(self) -> int:
        """Memory that they hold."""
        own: list[NDArray[Any]] = [self.rows, self.noise, self.near, self.which, *self.numbers]
        return sum(int(array.nbytes) for array in own)


def more_chances(
    columns: TestColumns, before: Chances | None, values: tuple[Floats, ...], place: Places
) -> Chances:
    """The chances of a table with some readings and sets more.

    Args:
        columns: the tests.
        before: of the table before, if there was one; its readings come first.
        values: by observable, all readings.
        place: (new sets, observables) number of the reading that each observable shows.
    """
    most, tests = columns.by_cause.shape[2], len(columns.tests)
    none = (np.zeros(0, dtype=np.int32),) * tests
    rows = [np.zeros((0, most)) if before is None else before.rows]
    known = none if before is None else before.numbers
    total, numbers = len(rows[0]), list[Places]()
    which = np.zeros((len(place), tests), dtype=np.int32)
    for number, (test, column) in enumerate(zip(columns.tests, columns.column, strict=True)):
        if column < 0:
            numbers.append(known[number])
            continue
        new = values[column][len(known[number]) :]
        if len(new):
            chances = np.zeros((len(new), most))
            chances[:, : len(test.outcomes)] = outcome_chances(test, new)
            different, inverse = _different(chances, few=before is not None)
            numbers.append(np.concatenate([known[number], (total + inverse).astype(np.int32)]))
            rows.append(different)
            total += len(different)
        else:
            rows.append(np.zeros((0, most)))
            numbers.append(known[number])
        which[:, number] = numbers[-1][place[:, column]]
    every = np.concatenate(rows)
    good = which[0] if before is None else before.which[0]
    per_test = [len(block) for block in rows[1:]]
    of_test = np.repeat(np.flatnonzero(columns.column >= 0), per_test)
    fresh = every[len(rows[0]) :]
    noise = entropy_bits(fresh)
    near = 1.0 - 0.5 * np.abs(fresh - every[good[of_test]]).sum(axis=1)
    if before is None:
        return Chances(every, noise, near, tuple(numbers), which)
    return Chances(
        rows=every,
        noise=np.concatenate([before.noise, noise]),
        near=np.concatenate([before.near, near]),
        numbers=tuple(numbers),
        which=np.concatenate([before.which, which]),
    )


def _different(chances: Floats, *, few: bool) -> tuple[Floats, Ints]:
    """The different rows of a table, and which of them each row is; all rows of a few."""
    rounded = np.round(chances, CHANCE_DIGITS) + 0.0
    if few:
        return rounded, np.arange(len(rounded))
    packed = rounded.view(np.dtype((np.void, rounded.itemsize * rounded.shape[1])))[:, 0]
    _, first, inverse = np.unique(packed, return_index=True, return_inverse=True)
    return rounded[first], inverse
