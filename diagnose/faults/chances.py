"""What every test shows under each fault set: chances of outcomes, worked out once per reading.

Thousands of readings differ by microvolts and give the same chances, so each test keeps the
different rows, and each set the number of its row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.growing import Growing
from diagnose.faults.manners import ANY, COMES_AND_GOES, N_MANNERS, outcomes_by_manner
from diagnose.faults.outcomes import cause_chances

if TYPE_CHECKING:
    from collections.abc import Sequence

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
        numbers: by test (manners, readings) row of each reading of its observable, see
            `diagnose.faults.manners`.
        which: (sets, tests) row under each fault set, in whatever manner its loose joints stand;
            0 where a test looks for a shared cause.
    """

    rows: Floats
    noise: Floats
    near: Floats
    numbers: tuple[Places, ...]
    which: Places

    def of(self, test: int, n_outcomes: int) -> Floats:
        """(manners, readings, outcomes) chances of a test under all readings of its observable."""
        found: Floats = self.rows[self.numbers[test], :n_outcomes]
        return found

    def of_outcome(self, test: int, outcome: int) -> Floats:
        """(manners, readings) chance of one outcome under all readings of its observable."""
        found: Floats = self.rows[self.numbers[test], outcome]
        return found

    @property
    def nbytes(self) -> int:
        """Memory that they hold."""
        own: list[NDArray[Any]] = [self.rows, self.noise, self.near, self.which, *self.numbers]
        return sum(int(array.nbytes) for array in own)


class GrowingChances:
    """Chances that readings and fault sets are added to."""

    def __init__(self, columns: TestColumns, known: Chances | None = None) -> None:
        """For the tests of a machine; the first set to come is that of no fault."""
        tests, most = len(columns.tests), columns.by_cause.shape[2]
        none = np.zeros(0)
        if known is None:
            unread = (np.zeros((N_MANNERS, 0), dtype=np.int32),) * tests
            which = np.zeros((0, tests), dtype=np.int32)
            known = Chances(np.zeros((0, most)), none, none, unread, which)
        self._columns, self._known = columns, known
        self._rows, self._which = Growing(known.rows), Growing(known.which)
        self._noise, self._near = Growing(known.noise), Growing(known.near)
        self._seen = _keys(known.rows, _tests_of(known))
        self._order = np.argsort(self._seen, kind="stable").astype(np.int32)
        self._seen = self._seen[self._order]

    @property
    def now(self) -> Chances:
        """All so far."""
        return self._known

    def append(
        self, values: tuple[Floats, ...], place: NDArray[Any], loose: NDArray[np.bool_]
    ) -> Chances:
        """All chances, with those of further readings and sets.

        Args:
            values: by observable, all readings; those known come first.
            place: (new sets, observables) number of the reading that each observable shows.
            loose: (new sets,) whether a loose joint is among their faults.
        """
        numbers, columns = list(self._known.numbers), self._columns
        fresh: list[tuple[int, Floats]] = []
        for test, column in enumerate(columns.column.tolist()):
            if column >= 0 and len(values[column]) > numbers[test].shape[1]:
                new = values[column][numbers[test].shape[1] :]
                chances = outcomes_by_manner(columns.tests[test], new)
                fresh.append((test, chances.reshape(-1, chances.shape[-1])))
        for test, rows in zip([t for t, _ in fresh], self._numbered(fresh), strict=True):
            more = rows.reshape(N_MANNERS, -1)
            numbers[test] = np.concatenate([numbers[test], more], axis=1)
        manner = np.where(loose, ANY, COMES_AND_GOES)
        which = np.zeros((len(place), len(numbers)), dtype=np.int32)
        for test, column in enumerate(columns.column.tolist()):
            if column >= 0:
                which[:, test] = numbers[test][manner, place[:, column]]
        self._which.append(which)
        self._weigh(fresh, numbers)
        self._known = Chances(
            self._rows.now, self._noise.now, self._near.now, tuple(numbers), self._which.now
        )
        return self._known

    def _weigh(self, fresh: list[tuple[int, Floats]], numbers: list[Places]) -> None:
        """Entropy of the new rows, and how near each is to what a good machine shows."""
        first, rows = len(self._noise.now), self._rows.now
        test_of = np.zeros(len(rows) - first, dtype=np.int64)
        for test, _ in fresh:
            own = numbers[test]
            test_of[own[own >= first] - first] = test
        good = rows[self._which.now[0, test_of]]
        self._noise.append(entropy_bits(rows[first:]))
        self._near.append(1.0 - 0.5 * np.abs(rows[first:] - good).sum(axis=1))

    def _numbered(self, fresh: list[tuple[int, Floats]]) -> list[Places]:
        """Numbers of the rows of some tests; those not there yet are added."""
        if not fresh:
            return []
        wide = np.zeros((sum(len(rows) for _, rows in fresh), self._rows.now.shape[1]))
        sizes = [len(rows) for _, rows in fresh]
        ends = np.cumsum([0, *sizes])
        for (_, rows), begin in zip(fresh, ends[:-1].tolist(), strict=True):
            wide[begin : begin + len(rows), : rows.shape[1]] = rows
        wide = np.round(wide, CHANCE_DIGITS) + 0.0
        keys = _keys(wide, np.repeat([test for test, _ in fresh], sizes))
        few, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
        at = np.minimum(np.searchsorted(self._seen, few), max(len(self._seen) - 1, 0))
        known = np.zeros(len(few), dtype=bool)
        if len(self._seen):
            known = self._seen[at] == few
        number = np.empty(len(few), dtype=np.int32)
        number[known] = self._order[at[known]]
        total, new = len(self._rows.now), np.flatnonzero(~known)
        number[new] = total + np.arange(len(new))
        self._rows.append(wide[first[new]])
        into = np.searchsorted(self._seen, few[new])
        self._seen = np.insert(self._seen, into, few[new])
        self._order = np.insert(self._order, into, number[new])
        return np.split(number[inverse], ends[1:-1])


def with_other_slips(known: Chances, columns: TestColumns, before: Sequence[float]) -> Chances:
    """Chances with other shares of slips; what an instrument shows stays.

    A row is `(1 - slip) shown + slip / outcomes`, so that `shown` comes back from it.

    Args:
        known: with the shares before.
        columns: the tests with their new shares.
        before: (tests,) `slip_percent` before, below 100.
    """
    rows, test_of = known.rows.copy(), _tests_of(known)
    for number, test in enumerate(columns.tests):
        old, new, n = before[number] / 100.0, test.slip_percent / 100.0, len(test.outcomes)
        if new != old and columns.column[number] >= 0:
            own = np.flatnonzero(test_of == number)
            shown = (rows[own, :n] - old / n) / (1.0 - old)
            rows[own, :n] = np.round((1.0 - new) * shown + new / n, CHANCE_DIGITS)
    np.clip(rows, 0.0, 1.0, out=rows)
    near = 1.0 - 0.5 * np.abs(rows - rows[known.which[0, test_of]]).sum(axis=1)
    return known._replace(rows=rows, noise=entropy_bits(rows), near=near)


def _tests_of(known: Chances) -> Ints:
    """(rows,) the test that each row is of."""
    found = np.zeros(len(known.rows), dtype=np.int64)
    for test, rows in enumerate(known.numbers):
        found[rows] = test
    return found


def _keys(rows: Floats, test: Ints) -> NDArray[np.uint64]:
    """(rows,) 64 bits that stand for each row of a test.

    Of a hundred thousand rows two different ones share theirs in one machine of four billion.
    """
    bits = np.ascontiguousarray(rows).view(np.uint64)
    found = (test.astype(np.uint64) + np.uint64(1)) * _ODD
    for column in bits.T:
        found = (found ^ column) * _ODD
        found ^= found >> np.uint64(29)
    return found


_ODD = np.uint64(0xD6E8FEB86659FD93)
