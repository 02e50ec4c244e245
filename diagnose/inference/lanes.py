"""The steps of `steps` for several what-ifs side by side, in compiled code."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.layout import LANES
from diagnose.inference.steps import compiled
from diagnose.inference.vector import even, load, plus, store, times

if TYPE_CHECKING:
    from diagnose.inference.steps import Index, Reals


@compiled
def sum_lanes(  # noqa: PLR0913, PLR0917 - the flat arrays
    source: Reals,
    begin: int,
    entries: int,
    index: Index,
    target: int,
    ptr: int,
    perm: int,
    out: Reals,
    start: int,
    size: int,
) -> None:
    """A projection forwards in all lanes: from entry `begin` of `source` to `start` of `out`."""
    base, to, one = np.uint64(begin), np.uint64(start), np.uint64(1)
    if ptr < 0:
        first = np.uint64(target)
        for j in range(np.uint64(size)):
            store(out, to + j, even(0.0))
        for k in range(np.uint64(entries)):
            j = to + index[first + k]
            store(out, j, plus(load(out, j), load(source, base + k)))
        return
    order, runs = np.uint64(max(perm, 0)), np.uint64(ptr)
    for j in range(np.uint64(size)):
        total = other = even(0.0)
        k, stop = np.uint64(index[runs + j]), np.uint64(index[runs + j + one])
        if perm < 0:
            while k + one < stop:
                total = plus(total, load(source, base + k))
                other = plus(other, load(source, base + k + one))
                k += one + one
            if k < stop:
                total = plus(total, load(source, base + k))
        else:
            while k + one < stop:
                total = plus(total, load(source, base + index[order + k]))
                other = plus(other, load(source, base + index[order + k + one]))
                k += one + one
            if k < stop:
                total = plus(total, load(source, base + index[order + k]))
        store(out, to + j, plus(total, other))


@compiled
def scale_lanes(  # noqa: PLR0913, PLR0917 - the flat arrays
    rows: Reals,
    row: int,
    count: int,
    index: Index,
    target: int,
    ratio: Reals,
    start: int,
    out: Reals,
) -> None:
    """A projection backwards in all lanes: `out[k] = rows[k] * ratio[target[k]]`."""
    base, by, first = np.uint64(row), np.uint64(start), np.uint64(target)
    for k in range(np.uint64(count)):
        store(out, k, times(rows[base + k], load(ratio, by + index[first + k])))


@compiled
def to_ratio(belief: Reals, first: int, size: int, lanes: Reals, start: int) -> None:
    """Divides a separator's new marginals by the old one; 0/0 is 0."""
    base, to = np.uint64(first), np.uint64(start)
    for j in range(np.uint64(size)):
        old = belief[base + j]
        by = 1.0 / old if old > 0.0 else 0.0
        store(lanes, to + j, times(by, load(lanes, to + j)))


@compiled
def begin_lanes(  # noqa: PLR0913, PLR0917 - the flat arrays
    belief: Reals,
    row: int,
    count: int,
    index: Index,
    target: int,
    weights: Reals,
    start: int,
    out: Reals,
    lane: int,
) -> None:
    """The rows of a clique times a what-if's weights, into one lane."""
    base, by, first = np.uint64(row), np.uint64(start), np.uint64(target)
    into, wide = np.uint64(lane), np.uint64(LANES)
    for k in range(np.uint64(count)):
        out[k * wide + into] = belief[base + k] * weights[by + index[first + k]]


@compiled
def even_lanes(belief: Reals, first: int, size: int, out: Reals, start: int) -> None:
    """The same numbers in every lane."""
    base, to = np.uint64(first), np.uint64(start)
    for j in range(np.uint64(size)):
        store(out, to + j, even(belief[base + j]))
