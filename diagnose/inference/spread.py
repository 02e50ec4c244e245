"""Many what-ifs on one set of beliefs: the compiled code.

After a propagation every clique holds `P(row | findings)` and every separator its own marginal.
One more finding about a table changes the rows of one clique; from there the news spreads
outwards, once over each separator, as the ratio `P(entry | all) / P(entry | findings)`, with 0/0
as 0. (Jensen, Lauritzen & Olesen 1990; it is the second half of a propagation, begun at the clique
where the finding enters.) The rows never change, so what a clique does to a ratio on its way from
one separator to the next is a matrix that all what-ifs share:

    ratio[b] = sum_a P(a | b, findings) * ratio[a]

`lay` finds once which numbers of each matrix can be non-zero, `fill` sets them after each
propagation, `spread` multiplies.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, cast

import numpy as np
from numba import boolean, float64, int64, njit, types, uint32

from diagnose.inference.kernel import fingerprint
from diagnose.inference.layout import (
    LANES,
    M_BLOCK,
    M_FROM,
    M_FROM_SIZE,
    M_FROM_TARGET,
    M_OLD,
    M_PTR,
    M_ROW,
    M_ROWS,
    M_SLOT,
    M_TO,
    M_TO_SIZE,
    M_TO_TARGET,
)
from diagnose.inference.steps import compiled
from diagnose.inference.vector import load, nothing, plus, store, times

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.inference.steps import Flags, Index, Ints, Reals, Records

_FROZEN_INDEX = types.Array(uint32, 1, "C", readonly=True)

SOURCES = ("layout", "steps", "vector", "spread")


@compiled
def entries_of_rows(index: Index, target: int, count: int) -> Ints:
    """The entry of a block that each row falls on."""
    entries = np.empty(count, np.int64)
    for k in range(count):
        entries[k] = index[target + k] if target >= 0 else k
    return entries


@compiled
def sorted_by(keys: Ints, size: int) -> tuple[Ints, Ints]:
    """Places of small keys in the order of the keys, and where each key's places begin."""
    begin = np.zeros(size + 1, np.int64)
    for key in keys:
        begin[key + 1] += 1
    for key in range(size):
        begin[key + 1] += begin[key]
    order = np.empty(len(keys), np.int64)
    for place in range(len(keys) - 1, -1, -1):
        begin[keys[place] + 1] -= 1
        order[begin[keys[place] + 1]] = place
    for key in range(size):  # each was counted down to the beginning of the key before
        begin[key] = begin[key + 1]
    begin[size] = len(keys)
    return order, begin


@cache
def lay_kernel() -> Callable[..., int]:
    """Compiled: which numbers of each matrix can be non-zero, by entry of its block b.

    Its arguments, in order:

    - matrices: records
    - index: as in `layout`
    - ptr: result. The numbers of entry `j` of block b are `ptr[j]:ptr[j + 1]`, from `M_PTR` on
    - col, slot: results. `col` says which entry of block a each number belongs to, `slot` to which
      number each row adds

    It returns how many numbers there are.
    """
    made_from = fingerprint(SOURCES)

    @njit(
        [int64(int64[:, ::1], _FROZEN_INDEX, int64[::1], uint32[::1], uint32[::1])],
        cache=True,
        nogil=True,
    )
    def lay(matrices: Records, index: Index, ptr: Ints, col: Index, slot: Index) -> int:
        _ = made_from
        number = 0
        for m in range(len(matrices)):
            matrix = matrices[m]
            count, size, first = matrix[M_ROWS], matrix[M_TO_SIZE], matrix[M_SLOT]
            one = entries_of_rows(index, matrix[M_FROM_TARGET], count)
            other = entries_of_rows(index, matrix[M_TO_TARGET], count)
            rows, begin = sorted_by(other, size)
            met = np.full(matrix[M_FROM_SIZE], -1, np.int64)
            for j in range(size):
                start = number
                ptr[matrix[M_PTR] + j] = start
                for k in rows[begin[j] : begin[j + 1]]:
                    if met[one[k]] < start:
                        met[one[k]] = number
                        col[number] = one[k]
                        number += 1
                    slot[first + k] = met[one[k]]
            ptr[matrix[M_PTR] + size] = number
        return number

    return cast("Callable[..., int]", lay)


@cache
def fill_kernel() -> Callable[..., None]:
    """Compiled: the numbers of the matrices after some findings.

    Its arguments, in order: matrices, ptr, slot as above; belief, the workspace after a
    propagation through every tree; number, the result; first and last matrix to do.
    """
    made_from = fingerprint(SOURCES)

    @njit(
        [
            types.void(
                int64[:, ::1], int64[::1], uint32[::1],
                float64[::1], float64[::1], int64, int64,
            )
        ],
        cache=True,
        nogil=True,
    )  # fmt: skip
    def fill(
        matrices: Records, ptr: Ints, slot: Index,
        belief: Reals, number: Reals, first: int, last: int,
    ) -> None:  # fmt: skip
        _ = made_from
        for m in range(first, last):
            matrix = matrices[m]
            begin, size = matrix[M_PTR], matrix[M_TO_SIZE]
            number[ptr[begin] : ptr[begin + size]] = 0.0
            row, first_slot = np.uint64(matrix[M_ROW]), np.uint64(matrix[M_SLOT])
            for k in range(np.uint64(matrix[M_ROWS])):
                number[slot[first_slot + k]] += belief[row + k]
            if matrix[M_OLD] >= 0:
                for j in range(begin, begin + size):
                    old = belief[matrix[M_OLD] + j - begin]
                    by = 1.0 / old if old > 0.0 else 0.0
                    for k in range(np.uint64(ptr[j]), np.uint64(ptr[j + 1])):
                        number[k] *= by

    return cast("Callable[..., None]", fill)


@compiled
def multiply_lanes(  # noqa: PLR0913, PLR0917 - the flat arrays
    matrix: Ints, ptr: Ints, col: Index, number: Reals, lanes: Reals,
    begin: int, target: int, more: bool,
) -> None:  # fmt: skip
    """One matrix times one block of a group, into another block or (`more`) added to it.

    The group begins at entry `begin` of the workspace, the other block at entry `target`.
    """
    source, to, one = np.uint64(begin + matrix[M_FROM]), np.uint64(target), np.uint64(1)
    first = np.uint64(matrix[M_PTR])
    k = np.uint64(ptr[first])
    for j in range(first, first + np.uint64(matrix[M_TO_SIZE])):
        stop = np.uint64(ptr[j + one])
        even = odd = nothing()
        while k + one < stop:
            even = plus(even, times(number[k], load(lanes, source + col[k])))
            odd = plus(odd, times(number[k + one], load(lanes, source + col[k + one])))
            k += one + one
        if k < stop:
            even = plus(even, times(number[k], load(lanes, source + col[k])))
            k += one
        if more:
            even = plus(even, load(lanes, to + j - first))
        store(lanes, to + j - first, plus(even, odd))


@compiled
def suppose(  # noqa: PLR0913, PLR0917 - the flat arrays
    lanes: Reals, begin: int, size: int, weights: Reals, starts: Ints,
    start: int, stop: int, group: int,
) -> None:  # fmt: skip
    """Writes the weights of the what-ifs `start:stop` to their lanes of a group, 0 to the others.

    `begin` and `size` are those of the block of their table in this group.
    """
    for k in range(begin * LANES, (begin + size) * LANES):
        lanes[k] = 0.0
    for what in range(max(start, group * LANES), min(stop, (group + 1) * LANES)):
        lane = begin * LANES + what - group * LANES
        for j in range(size):
            lanes[lane + j * LANES] = weights[starts[what] + j]


@compiled
def keep(  # noqa: PLR0913, PLR0917 - the flat arrays
    lanes: Reals, begin: int, size: int, result: Reals, to: int,
    start: int, stop: int, group: int,
) -> None:  # fmt: skip
    """Copies what was read for the what-ifs `start:stop` from their lanes of a group."""
    for what in range(max(start, group * LANES), min(stop, (group + 1) * LANES)):
        lane = begin * LANES + what - group * LANES
        for j in range(size):
            result[what, to + j] = lanes[lane + j * LANES]


@cache
def spread_kernel() -> Callable[..., None]:
    """Compiled: from what is supposed to everything that is read.

    `LANES` what-ifs side by side are a group, whatever they are about; the lanes of those that do
    not pass through a block hold 0 there, so that what comes from several sides can be added up.
    All groups go by a matrix one after the other, while it is at hand. Its arguments, in order:

    - matrices, ptr, col, number, order, users, users_ptr: as in `Routes`
    - what_ptr: int64, where the what-ifs about each source begin
    - supposed: int64, where the block of each source begins, and how long it is
    - starts: int64, where the weights of each what-if begin
    - weights: blocks of `P(finding | entry) / P(finding)` over the entries of a table
    - lanes: workspace for the blocks of all groups
    - whole: entries of a group's blocks
    - filled: workspace, shape (groups, blocks + 1), False: whether a block has been written to
    - result: shape (what-ifs, entries read): P(entry | findings, what-if)
    - first, last: the groups to do, `first <= group < last`
    """
    made_from = fingerprint(SOURCES)

    @njit(
        [
            types.void(
                int64[:, ::1], int64[::1], uint32[::1], float64[::1],
                int64[::1], int64[::1], int64[::1],
                int64[::1], int64[:, ::1], int64[::1], float64[::1],
                float64[::1], int64, boolean[:, ::1], float64[:, ::1], int64, int64,
            )
        ],
        cache=True,
        nogil=True,
    )  # fmt: skip
    def spread(  # noqa: PLR0913, PLR0917 - flat arrays are what compiled code takes
        matrices: Records, ptr: Ints, col: Index, number: Reals,
        order: Ints, users: Ints, users_ptr: Ints,
        what_ptr: Ints, supposed: Records, starts: Ints, weights: Reals,
        lanes: Reals, whole: int, filled: Flags, result: Reals, first: int, last: int,
    ) -> None:  # fmt: skip
        _ = made_from
        for source in range(len(supposed)):
            start, stop = what_ptr[source], what_ptr[source + 1]
            for g in range(max(first, start // LANES), min(last, -(-stop // LANES))):
                own = g * whole + supposed[source, 0]
                suppose(lanes, own, supposed[source, 1], weights, starts, start, stop, g)
        for place in range(len(order)):
            matrix = matrices[order[place]]
            block, size, done = matrix[M_BLOCK], matrix[M_TO_SIZE], first - 1
            for user in range(users_ptr[place], users_ptr[place + 1]):
                start, stop = what_ptr[users[user]], what_ptr[users[user] + 1]
                for g in range(max(first, start // LANES), min(last, -(-stop // LANES))):
                    begin = g * whole
                    target = begin + (whole - size if block < 0 else matrix[M_TO])
                    if g > done:
                        done = g
                        more = block >= 0 and filled[g, block]
                        multiply_lanes(matrix, ptr, col, number, lanes, begin, target, more)
                        filled[g, block] = True  # the last one stands for all that is read
                    if block < 0:
                        keep(lanes, target, size, result, matrix[M_TO], start, stop, g)

    return cast("Callable[..., None]", spread)
