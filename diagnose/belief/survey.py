"""One kernel: from weights over fault sets to everything a decision reads.

Chances of all outcomes, what every test would tell, the probability of every fault, and of every
fault together with every outcome:

    I(faults; T | e) = H(T | e) - sum_S P(S | e) H(T | S)
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

if TYPE_CHECKING:
    from diagnose.faults.solved import Solved, SolvedSets, TestColumns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Survey(NamedTuple):
    """What is to be expected, given all that was found.

    Attributes:
        start: (tests + 1,) first outcome of each test.
        chance: (outcomes,) probability of each outcome of every test.
        gain_bits: (tests,) mutual information between the outcome and the faults.
        faults: (faults,) probability of each fault.
        joint: (outcomes, faults) probability of each fault together with each outcome.
    """

    start: NDArray[np.int32]
    chance: Floats
    gain_bits: Floats
    faults: Floats
    joint: Floats


class SetTables(NamedTuple):
    """What the kernel reads of some fault sets.

    Attributes:
        start: (tests + 1,) first outcome of each test.
        like: (sets, outcomes) P(outcome | set).
        noise: (sets, tests) entropy of each test's outcome given the set, bits.
        members: (sets, width) faults, padded with the number that stands for none.
    """

    start: NDArray[np.int32]
    like: Floats
    noise: Floats
    members: Ints


def survey(tables: SetTables, active: Ints, weight: Floats, n_faults: int) -> Survey:
    """What is to be expected under a belief.

    Args:
        tables: of the fault sets.
        active: (n,) those with weight.
        weight: (n,) their probabilities, summing to 1.
        n_faults: how many faults there are.
    """
    n_outcomes, n_tests = tables.like.shape[1], tables.noise.shape[1]
    chance, gain = np.zeros(n_outcomes), np.zeros(n_tests)
    joint = np.zeros((n_faults + 1, n_outcomes))
    faults = np.zeros(n_faults + 1)
    _survey(tables, active, weight, chance, gain, faults, joint)
    return Survey(
        start=tables.start,
        chance=chance,
        gain_bits=gain,
        faults=faults[:-1],
        joint=np.ascontiguousarray(joint[:-1].T),
    )


@njit(cache=True, nogil=True)
def _survey(tables, active, weight, chance, gain, faults, joint):
    like, noise, members, start = tables.like, tables.noise, tables.members, tables.start
    none = faults.shape[0] - 1
    row = np.empty(like.shape[1])
    for a in range(active.shape[0]):
        h, w = active[a], weight[a]
        for o in range(like.shape[1]):
            row[o] = w * like[h, o]
            chance[o] += row[o]
        for t in range(noise.shape[1]):
            gain[t] -= w * noise[h, t]
        for k in range(members.shape[1]):
            f = members[h, k]
            if f == none:
                break
            faults[f] += w
            for o in range(like.shape[1]):
                joint[f, o] += row[o]
    for t in range(noise.shape[1]):
        for o in range(start[t], start[t + 1]):
            if chance[o] > 0.0:
                gain[t] -= chance[o] * math.log2(chance[o])
        gain[t] = max(gain[t], 0.0)


def with_silent(known: Survey, single: SetTables, extra: Floats, good: Floats) -> Survey:
    """A survey with the faults that change nothing found counted in what tests will show.

    Such a fault shows in a test what it shows by itself, where the test reads as on a good machine
    otherwise; elsewhere it is taken to change nothing.

    Args:
        known: over the fault sets looked at.
        single: what every test shows under each single fault, the last row under none.
        extra: (faults,) probability of each silent fault beyond those in the sets.
        good: (tests,) probability that each test reads as on a good machine.
    """
    sizes = np.diff(known.start)
    share = np.repeat(good, sizes)
    chance = np.maximum(known.chance + extra @ (single.like[:-1] - single.like[-1]) * share, 0.0)
    chance /= np.repeat(np.add.reduceat(chance, known.start[:-1]), sizes)
    noise = good * (extra @ (single.noise[:-1] - single.noise[-1]))
    more = _entropies(chance, known.start) - _entropies(known.chance, known.start) - noise
    raised = chance / np.maximum(known.chance, 1e-300)
    joint = known.joint * np.where(known.chance > 0.0, raised, 0.0)[:, None]
    joint += (share * single.like[:-1] + (1.0 - share) * chance).T * extra
    return known._replace(
        chance=chance,
        gain_bits=np.maximum(known.gain_bits + more, 0.0),
        faults=np.minimum(known.faults + extra, 1.0),
        joint=np.minimum(joint, chance[:, None]),
    )


def _entropies(chance: Floats, start: NDArray[np.int32]) -> Floats:
    """(tests,) entropy of each test's outcome, bits."""
    each = -chance * np.log2(np.where(chance > 0.0, chance, 1.0))
    found: Floats = np.add.reduceat(each, start[:-1])
    return found


def tables_of(columns: TestColumns, solved: Solved, rows: Ints, there: Floats) -> SetTables:
    """What the kernel reads of some rows.

    Args:
        columns: the machine's tests.
        solved: fault sets.
        rows: (n,) rows of them.
        there: (n, causes) chance that each shared cause is there.
    """
    like = np.empty((len(rows), columns.n_outcomes))
    noise = np.empty((len(rows), len(columns.tests)))
    _gather(
        columns.start, columns.column, columns.cause, columns.by_cause, solved.chances,
        solved.place, rows, there, like, noise,
    )  # fmt: skip
    return SetTables(columns.start, like, noise, solved.members[rows])


def single_tables(sets: SolvedSets) -> SetTables:
    """What the kernel reads of every single fault, the last row standing for none."""

    def make() -> SetTables:
        solved = sets.now()
        rows = solved.pair_row[:, -1].astype(np.int64)
        there = sets.there(solved, rows, np.ones(len(sets.priors.free)))
        return tables_of(sets.columns, solved, rows, there)

    found: SetTables = sets.once(make)
    return found


@njit(cache=True, nogil=True)
def _gather(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    start, column, cause, by_cause, chances, place, rows, there, like, noise
):
    for a in range(rows.shape[0]):
        h = rows[a]
        for t in range(column.shape[0]):
            first, n = start[t], start[t + 1] - start[t]
            if column[t] < 0:
                p, entropy = there[a, cause[t]], 0.0
                for o in range(n):
                    x = (1.0 - p) * by_cause[t, 0, o] + p * by_cause[t, 1, o]
                    like[a, first + o] = x
                    if x > 0.0:
                        entropy -= x * math.log2(x)
                noise[a, t] = entropy
                continue
            number = place[h, column[t]]
            if number < chances.known[t]:
                at = chances.first[t] + number
                noise[a, t] = chances.noise[at]
                for o in range(n):
                    like[a, first + o] = chances.rows[at, o]
            else:
                at = chances.first_grown[t] + number - chances.known[t]
                noise[a, t] = chances.noise_grown[at]
                for o in range(n):
                    like[a, first + o] = chances.rows_grown[at, o]
