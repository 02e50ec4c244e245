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
from numpy.typing import NDArray

from diagnose.compiled import njit
from diagnose.faults.manners import COMES_AND_GOES, N_MANNERS
from diagnose.sums import mixed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from diagnose.faults.chances import TestColumns
    from diagnose.faults.solved import Solved, SolvedSets

BLOCK = 256
"""Fault sets gathered at once."""

SAME_SHARE = 1e-9
"""Shares of manners that differ by no more are the same."""

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
        fine: (outcomes,) probability that the machine is in order, together with each outcome.
        in_order: probability that it is.
    """

    start: NDArray[np.int32]
    chance: Floats
    gain_bits: Floats
    faults: Floats
    joint: Floats
    fine: Floats
    in_order: float


class SetTables(NamedTuple):
    """What the kernel reads of some fault sets.

    Attributes:
        start: (tests + 1,) first outcome of each test.
        like: (sets, outcomes) P(outcome | set).
        noise: (sets, tests) entropy of each test's outcome given the set, bits.
        members: (sets, width) faults, padded with the number that stands for none.
        fine: (sets,) whether the machine always runs with them; None: never.
        same: (sets,) number that rows of one fault set share, whose loose joints stand otherwise;
            None: each row is a set of its own.
    """

    start: NDArray[np.int32]
    like: Floats
    noise: Floats
    members: Ints
    fine: NDArray[np.bool_] | None = None
    same: Ints | None = None


def survey(blocks: Iterable[tuple[SetTables, Ints, Floats]], n_faults: int) -> Survey:
    """What is to be expected under a belief.

    Args:
        blocks: at least one: tables of fault sets, those of them with weight, and (n,) their
            probabilities, which over all blocks sum to 1.
        n_faults: how many faults there are.
    """
    sums: tuple[Floats, ...] = ()
    for tables, active, weight in blocks:
        if not sums:
            outcomes, tests = tables.like.shape[1], tables.noise.shape[1]
            joint = np.zeros((n_faults + 1, outcomes))
            sums = (np.zeros(outcomes), np.zeros(tests), joint, np.zeros(n_faults + 1))
        fine = np.zeros(len(tables.members), np.bool_) if tables.fine is None else tables.fine
        _add(tables.like, tables.noise, tables.members, fine, active, weight, *sums)
        if tables.same is not None:
            sums[1][:] += _left_by_manner(tables, tables.same[active], active, weight)
    chance, noise, joint, faults = sums
    return Survey(
        start=tables.start,
        chance=chance,
        gain_bits=np.maximum(_entropies(chance, tables.start) - noise, 0.0),
        faults=faults[:-1],
        joint=np.ascontiguousarray(joint[:-1].T),
        fine=joint[-1],
        in_order=float(faults[-1]),
    )


def _left_by_manner(tables: SetTables, same: Ints, active: Ints, weight: Floats) -> Floats:
    """(tests,) entropy that a fault set leaves open beyond that of each manner, bits.

    How loose joints stand is no fault: what a test says of that alone is no gain.
    """
    _, place, count = np.unique(same, return_inverse=True, return_counts=True)
    several = np.flatnonzero(count[place] > 1)
    if not len(several):
        return np.zeros(tables.noise.shape[1])
    _, place = np.unique(place[several], return_inverse=True)
    rows, own = active[several], weight[several]
    whole = np.bincount(place, own)
    mixture = np.zeros((len(whole), tables.like.shape[1]))
    np.add.at(mixture, place, own[:, None] * tables.like[rows])
    mixture /= whole[:, None]
    bits = -mixture * np.log2(np.where(mixture > 0.0, mixture, 1.0))
    left: Floats = mixed(whole, np.add.reduceat(bits, tables.start[:-1], axis=1))
    return left - mixed(own, tables.noise[rows])


@njit(nogil=True)
def _add(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    like, noise, members, fine, active, weight, chance, noise_bits, joint, faults
):
    """Add what is to be expected; the machine in order stands in the last row of faults."""
    none = faults.shape[0] - 1
    row = np.empty(like.shape[1])
    for place in range(active.shape[0]):
        a, w = active[place], weight[place]
        for o in range(like.shape[1]):
            row[o] = w * like[a, o]
            chance[o] += row[o]
        for t in range(noise.shape[1]):
            noise_bits[t] += w * noise[a, t]
        if fine[a]:
            faults[none] += w
            for o in range(like.shape[1]):
                joint[none, o] += row[o]
        for k in range(members.shape[1]):
            f = members[a, k]
            if f == none:
                break
            faults[f] += w
            for o in range(like.shape[1]):
                joint[f, o] += row[o]


class Silent(NamedTuple):
    """What every test shows under each single fault and under none.

    Attributes:
        like: (outcomes, faults) P(outcome | fault).
        more: (faults, outcomes) the same, less that under no fault.
        noise: (faults, tests) entropy of each test's outcome, less that under no fault, bits.
    """

    like: Floats
    more: Floats
    noise: Floats


def with_silent(known: Survey, single: Silent, extra: Floats, good: Floats) -> Survey:
    """A survey with the faults that change nothing found counted in what tests will show.

    Such a fault shows in a test what it shows by itself, where the test reads as on a good machine
    otherwise; elsewhere it is taken to change nothing.

    Args:
        known: over the fault sets looked at.
        single: what every test shows under each single fault.
        extra: (faults,) probability of each silent fault beyond those in the sets.
        good: (tests,) how far each test is expected to read as on a good machine, 0 to 1.
    """
    sizes = np.diff(known.start)
    share = np.repeat(good, sizes)
    chance = np.maximum(known.chance + mixed(extra, single.more) * share, 0.0)
    chance /= np.repeat(np.add.reduceat(chance, known.start[:-1]), sizes)
    more = _entropies(chance, known.start) - _entropies(known.chance, known.start)
    more -= good * mixed(extra, single.noise)
    raised = np.where(known.chance > 0.0, chance / np.maximum(known.chance, 1e-300), 0.0)
    joint = single.like * share[:, None]
    joint += ((1.0 - share) * chance)[:, None]
    joint *= extra
    joint += known.joint * raised[:, None]
    return known._replace(
        chance=chance,
        gain_bits=np.maximum(known.gain_bits + more, 0.0),
        faults=np.minimum(known.faults + extra, 1.0),
        joint=np.minimum(joint, chance[:, None]),
        fine=np.minimum(known.fine * raised, chance),
    )


def _entropies(chance: Floats, start: NDArray[np.int32]) -> Floats:
    """(tests,) entropy of each test's outcome, bits."""
    each = -chance * np.log2(np.where(chance > 0.0, chance, 1.0))
    found: Floats = np.add.reduceat(each, start[:-1])
    return found


def blocks_of(
    columns: TestColumns,
    solved: Solved,
    rows: Ints,
    there: Floats,
    weight: Floats,
    fine: NDArray[np.bool_],
    stands: Mixture,
) -> Iterator[tuple[SetTables, Ints, Floats]]:
    """Some rows as `survey` takes them, in blocks that stay near the processor.

    Args:
        columns: as in `tables_of`.
        solved: as in `tables_of`.
        rows: as in `tables_of`.
        there: as in `tables_of`.
        weight: (n,) their probabilities.
        fine: (n,) whether the machine always runs with them.
        stands: as in `tables_of`.
    """
    for begin in range(0, len(rows), BLOCK):
        part = slice(begin, begin + BLOCK)
        own = stands._replace(at=stands.at[part])
        tables = tables_of(columns, solved, rows[part], there[part], own)._replace(fine=fine[part])
        yield tables, np.arange(len(rows[part])), weight[part]


class Mixture(NamedTuple):
    """Fault sets of whose loose joints something is known, as `tables_of` takes them.

    Attributes:
        at: (n,) place of each set among them, -1 where nothing is known.
        which: (mixed, 3, tests) row of chances in each manner.
        share: (mixed, 3) of each manner.
    """

    at: Ints
    which: NDArray[np.int32]
    share: Floats


def mixture_of(columns: TestColumns, solved: Solved, rows: Ints, manners: Floats) -> Mixture:
    """Which of some rows have loose joints of which something is known.

    Args:
        columns: the machine's tests.
        solved: fault sets.
        rows: (n,) rows of them.
        manners: (n, 3) shares of the manners in which loose joints stand.
    """
    known = (np.abs(manners - solved.manners(rows)) > SAME_SHARE).any(axis=1)
    hit = np.flatnonzero(known)
    at = np.full(len(rows), -1, dtype=np.int64)
    at[hit] = np.arange(len(hit))
    which = np.zeros((len(hit), N_MANNERS - COMES_AND_GOES, len(columns.tests)), dtype=np.int32)
    for test, column in enumerate(columns.column.tolist() if len(hit) else ()):
        if column >= 0:
            place = solved.place[rows[hit], column]
            which[:, :, test] = solved.chances.numbers[test][COMES_AND_GOES:, place].T
    return Mixture(at, which, manners[hit])


def tables_of(
    columns: TestColumns, solved: Solved, rows: Ints, there: Floats, stands: Mixture
) -> SetTables:
    """What the kernel reads of some rows.

    Args:
        columns: the machine's tests.
        solved: fault sets.
        rows: (n,) rows of them.
        there: (n, causes) chance that each shared cause is there.
        stands: what is known of loose joints, from `mixture_of`.
    """
    like = np.empty((len(rows), columns.n_outcomes))
    noise = np.empty((len(rows), len(columns.tests)))
    chances = solved.chances
    _gather(
        columns.start, columns.cause, columns.by_cause, chances.rows, chances.noise,
        chances.which, rows, there, *stands, like, noise,
    )  # fmt: skip
    return SetTables(columns.start, like, noise, solved.members[rows])


def single_tables(sets: SolvedSets) -> Silent:
    """What the correction for silent faults reads; worked out once."""

    def make() -> Silent:
        solved = sets.now()
        rows = solved.pair_row[:, -1].astype(np.int64)
        there = sets.there(solved, rows, np.ones(len(sets.priors.free)))
        stands = mixture_of(sets.columns, solved, rows, solved.manners(rows))
        _, like, noise, *_ = tables_of(sets.columns, solved, rows, there, stands)
        alone = np.ascontiguousarray(like[:-1].T)
        return Silent(alone, like[:-1] - like[-1], noise[:-1] - noise[-1])

    found: Silent = sets.once(make)
    return found


def reads_good(
    sets: SolvedSets, solved: Solved, rows: Ints, weight: Floats, there: Floats
) -> Floats:
    """(tests,) how far each test is expected to read as on a good machine, 0 to 1.

    Of tests that look for a cause only where it is a part's failure, which is there or not with the
    fault; of the others 0.

    Args:
        sets: of the machine.
        solved: fault sets.
        rows: (n,) rows of those with weight.
        weight: (n,) their probabilities.
        there: (n, causes) chance that each shared cause is there.
    """
    chances, columns = solved.chances, sets.columns
    good = np.zeros(len(columns.tests))
    _share_good(chances.which, chances.near, rows, weight, good)
    absent = np.append(1.0 - mixed(weight, there), 0.0)
    absent[: sets.priors.n_free] = 0.0
    return np.where(columns.column < 0, absent[columns.cause], good)


@njit(nogil=True)
def _share_good(which, near, rows, weight, found):
    for a in range(rows.shape[0]):
        h, w = rows[a], weight[a]
        for t in range(found.shape[0]):
            found[t] += w * near[which[h, t]]


@njit(nogil=True)
def _mixed_over(which, share, chances, found):
    """Fill in the chances of a test's outcomes over some rows; their entropy, bits."""
    bits = 0.0
    for o in range(found.shape[0]):
        x = 0.0
        for m in range(share.shape[0]):
            x += share[m] * chances[which[m], o]
        found[o] = x
        if x > 0.0:
            bits -= x * math.log2(x)
    return bits


@njit(nogil=True)
def _gather(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    start, cause, by_cause, chances, entropy, which, rows, there, stands, which_of, share, like,
    noise,
):  # fmt: skip
    for a in range(rows.shape[0]):
        h = rows[a]
        for t in range(cause.shape[0]):
            first, n, at = start[t], start[t + 1] - start[t], which[h, t]
            if cause[t] < 0 and stands[a] >= 0:
                noise[a, t] = _mixed_over(
                    which_of[stands[a], :, t], share[stands[a]], chances, like[a, first : first + n]
                )
                continue
            if cause[t] < 0:
                noise[a, t] = entropy[at]
                for o in range(n):
                    like[a, first + o] = chances[at, o]
                continue
            p, bits = there[a, cause[t]], 0.0
            for o in range(n):
                x = (1.0 - p) * by_cause[t, 0, o] + p * by_cause[t, 1, o]
                like[a, first + o] = x
                if x > 0.0:
                    bits -= x * math.log2(x)
            noise[a, t] = bits
