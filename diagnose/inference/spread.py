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
from numba import float64, int64, njit, types, uint32

from diagnose.inference.kernel import fingerprint
from diagnose.inference.layout import (
    G_COUNT,
    G_FIRST,
    G_SIZE,
    G_STEP,
    G_STOP,
    LANES,
    M_FROM,
    M_FROM_SIZE,
    M_FROM_TARGET,
    M_NUMBERS,
    M_OLD,
    M_PTR,
    M_ROW,
    M_ROWS,
    M_TO,
    M_TO_SIZE,
    M_TO_TARGET,
)
from diagnose.inference.vector import even, load, plus, store, times

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.inference.steps import Index, Ints, Reals, Records

_FROZEN_INDEX = types.Array(uint32, 1, "C", readonly=True)

SOURCES = ("layout", "vector", "spread")


@cache
def lay_kernel() -> Callable[..., None]:
    """Compiled: which numbers of each matrix can be non-zero, by entry of its block b.

    Its arguments, in order:

    - matrices: records
    - index: as in `layout`
    - ptr, col, slot: results. The numbers of entry `j` of block b are `ptr[j]:ptr[j + 1]` from
      `M_PTR` on; `col` says which entry of block a each belongs to, `slot` for each row which
      number it adds to.
    """
    made_from = fingerprint(SOURCES)

    @njit(
        [types.void(int64[:, ::1], _FROZEN_INDEX, int64[::1], uint32[::1], uint32[::1])],
        cache=True,
        nogil=True,
    )
    def lay(matrices: Records, index: Index, ptr: Ints, col: Index, slot: Index) -> None:
        _ = made_from
        for m in range(len(matrices)):
            matrix = matrices[m]
            count, size, first = matrix[M_ROWS], matrix[M_TO_SIZE], matrix[M_NUMBERS]
            source, target = matrix[M_FROM_TARGET], matrix[M_TO_TARGET]
            begin = np.zeros(size + 1, np.int64)
            for k in range(count):
                begin[(index[target + k] if target >= 0 else k) + 1] += 1
            for j in range(size):
                begin[j + 1] += begin[j]
            order, filled = np.empty(count, np.int64), begin[:-1].copy()
            for k in range(count):
                j = index[target + k] if target >= 0 else k
                order[filled[j]] = k
                filled[j] += 1
            met = np.full(matrix[M_FROM_SIZE], -1, np.int64)
            number = first
            for j in range(size):
                start = number
                ptr[matrix[M_PTR] + j] = start
                for place in range(begin[j], begin[j + 1]):
                    k = order[place]
                    entry = index[source + k] if source >= 0 else k
                    if met[entry] < start:
                        met[entry] = number
                        col[number] = entry
                        number += 1
                    slot[first + k] = met[entry]
            ptr[matrix[M_PTR] + size] = number

    return cast("Callable[..., None]", lay)


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
                int64[:, ::1], int64[::1], uint32[::1], float64[::1], float64[::1], int64, int64
            )
        ],
        cache=True,
        nogil=True,
    )
    def fill(  # noqa: PLR0913, PLR0917 - flat arrays are what compiled code takes
        matrices: Records,
        ptr: Ints,
        slot: Index,
        belief: Reals,
        number: Reals,
        first: int,
        last: int,
    ) -> None:
        _ = made_from
        for m in range(first, last):
            matrix = matrices[m]
            begin, size = matrix[M_PTR], matrix[M_TO_SIZE]
            number[ptr[begin] : ptr[begin + size]] = 0.0
            row, rows = np.uint64(matrix[M_ROW]), np.uint64(matrix[M_NUMBERS])
            for k in range(np.uint64(matrix[M_ROWS])):
                number[slot[rows + k]] += belief[row + k]
            if matrix[M_OLD] >= 0:
                for j in range(size):
                    old = belief[matrix[M_OLD] + j]
                    by = 1.0 / old if old > 0.0 else 0.0
                    for k in range(np.uint64(ptr[begin + j]), np.uint64(ptr[begin + j + 1])):
                        number[k] *= by

    return cast("Callable[..., None]", fill)


@cache
def spread_kernel() -> Callable[..., None]:
    """Compiled: from what is supposed to everything that is read.

    Its arguments, in order:

    - matrices, ptr, col, number: as above
    - groups: records
    - steps: int64, the matrices of each group in the order they are used
    - starts: int64, where the weights of each what-if begin
    - weights: blocks of `P(finding | entry) / P(finding)` over the entries of a table
    - lanes: workspace for all blocks; what is read comes first
    - source: where in it the block of the table that is supposed begins, in entries
    - result: shape (what-ifs, entries read): P(entry | findings, what-if)
    - first, last: the groups to do, `first <= group < last`
    """
    made_from = fingerprint(SOURCES)

    @njit(
        [
            types.void(
                int64[:, ::1], int64[::1], uint32[::1], float64[::1],
                int64[:, ::1], int64[::1], int64[::1], float64[::1],
                float64[::1], int64, float64[:, ::1], int64, int64,
            )
        ],
        cache=True,
        nogil=True,
    )  # fmt: skip
    def spread(  # noqa: PLR0913, PLR0917 - flat arrays are what compiled code takes
        matrices: Records, ptr: Ints, col: Index, number: Reals,
        groups: Records, steps: Ints, starts: Ints, weights: Reals,
        lanes: Reals, source: int, result: Reals, first: int, last: int,
    ) -> None:  # fmt: skip
        _ = made_from
        one = np.uint64(1)
        for g in range(first, last):
            lane, count = groups[g, G_FIRST], groups[g, G_COUNT]
            for l in range(LANES):
                start = starts[lane + min(l, count - 1)]
                for j in range(groups[g, G_SIZE]):
                    lanes[(source + j) * LANES + l] = weights[start + j]
            for step in range(groups[g, G_STEP], groups[g, G_STOP]):
                matrix = matrices[steps[step]]
                at, to = np.uint64(matrix[M_FROM]), np.uint64(matrix[M_TO])
                begin = np.uint64(matrix[M_PTR])
                k = np.uint64(ptr[begin])
                for j in range(np.uint64(matrix[M_TO_SIZE])):
                    stop = np.uint64(ptr[begin + j + one])
                    total = other = even(0.0)
                    while k + one < stop:
                        total = plus(total, times(number[k], load(lanes, at + col[k])))
                        other = plus(
                            other, times(number[k + one], load(lanes, at + col[k + one]))
                        )
                        k += one + one
                    if k < stop:
                        total = plus(total, times(number[k], load(lanes, at + col[k])))
                        k += one
                    store(lanes, to + j, plus(total, other))
            for l in range(count):
                for j in range(result.shape[1]):
                    result[lane + l, j] = lanes[j * LANES + l]

    return cast("Callable[..., None]", spread)
