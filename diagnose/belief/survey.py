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
    from diagnose.faults.solved import Solved, TestColumns

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
