"""The single steps that the passes are made of, in compiled code.

Hot loops count in unsigned integers: for signed ones numba adds a check for negative indices to
every access, which takes as long as the access itself.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ParamSpec, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
Records = NDArray[np.int64]
Index = NDArray[np.uint32]
Flags = NDArray[np.bool_]

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """The `njit` of numba without options, with the types kept."""
    return cast("Callable[P, R]", njit(function))


def inlined(function: Callable[P, R]) -> Callable[P, R]:
    """The same for functions so small that they are written into their caller."""
    return cast("Callable[P, R]", njit(inline="always")(function))


@inlined
def sum_run(source: Reals, first: int, last: int) -> float:
    """Sum of a contiguous run, four at a time."""
    a = b = c = d = 0.0
    k, stop = np.uint64(first), np.uint64(last)
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    while k + four <= stop:
        a += source[k]
        b += source[k + one]
        c += source[k + two]
        d += source[k + three]
        k += four
    while k < stop:
        a += source[k]
        k += one
    return (a + b) + (c + d)


@inlined
def sum_picked(source: Reals, start: int, index: Index, first: int, last: int) -> float:
    """Sum of the entries of a block that `index[first:last]` names, four at a time."""
    a = b = c = d = 0.0
    k, stop, base = np.uint64(first), np.uint64(last), np.uint64(start)
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    while k + four <= stop:
        a += source[base + index[k]]
        b += source[base + index[k + one]]
        c += source[base + index[k + two]]
        d += source[base + index[k + three]]
        k += four
    while k < stop:
        a += source[base + index[k]]
        k += one
    return (a + b) + (c + d)


@inlined
def project(  # noqa: PLR0913, PLR0917 - the flat arrays
    work: Reals,
    source: int,
    entries: int,
    index: Index,
    target: int,
    ptr: int,
    perm: int,
    out: int,
    size: int,
) -> None:
    """Runs a projection forwards: sums source entries onto their targets."""
    if ptr < 0:
        for j in range(size):
            work[out + j] = 0.0
        to, start, first = np.uint64(out), np.uint64(source), np.uint64(target)
        for k in range(np.uint64(entries)):
            work[to + index[first + k]] += work[start + k]
    elif perm < 0:
        for j in range(size):
            work[out + j] = sum_run(work, source + index[ptr + j], source + index[ptr + j + 1])
    else:
        for j in range(size):
            work[out + j] = sum_picked(
                work, source, index, perm + index[ptr + j], perm + index[ptr + j + 1]
            )


@inlined
def multiply(
    work: Reals, source: int, entries: int, index: Index, target: int, factor: int
) -> None:
    """Runs a projection backwards: source entries times their target's factor."""
    start, first, by = np.uint64(source), np.uint64(target), np.uint64(factor)
    for k in range(np.uint64(entries)):
        work[start + k] *= work[by + index[first + k]]


@compiled
def rescale(work: Reals, start: int, count: int) -> tuple[float, float]:
    """Divides entries by their maximum; returns it and the smallest positive entry left."""
    top = 0.0
    low = math.inf
    for k in range(start, start + count):
        value = work[k]
        top = max(value, top)
        if 0.0 < value < low:
            low = value
    if top > 0.0:
        for k in range(start, start + count):
            work[k] /= top
        low /= top
    return top, low


@compiled
def log_of(value: float) -> float:
    """Natural logarithm, -inf for 0."""
    return math.log(value) if value > 0.0 else -math.inf


@compiled
def log_total(work: Reals, start: int, count: int) -> float:
    """log(sum(exp(entries)))."""
    top = -math.inf
    for k in range(start, start + count):
        top = max(top, work[k])
    if top == -math.inf:
        return top
    total = 0.0
    for k in range(start, start + count):
        total += math.exp(work[k] - top)
    return top + math.log(total)


@compiled
def project_logs(
    work: Reals, source: int, entries: int, index: Index, target: int, out: int, size: int
) -> None:
    """Runs a projection forwards in logarithms: `out[j] = log(sum(exp(source[k])))`."""
    tops = np.full(size, -math.inf)
    for k in range(entries):
        j = int(index[target + k])
        tops[j] = max(tops[j], work[source + k])
    for j in range(size):
        work[out + j] = 0.0
    for k in range(entries):
        j = int(index[target + k])
        if work[source + k] > -math.inf:
            work[out + j] += math.exp(work[source + k] - tops[j])
    for j in range(size):
        work[out + j] = tops[j] + log_of(work[out + j])


@compiled
def entropy(marginals: Reals, start: int, stop: int) -> float:
    """H in bits of a distribution."""
    bits = 0.0
    for k in range(start, stop):
        p = marginals[k]
        if p > 0.0:
            bits -= p * math.log2(p)
    return max(bits, 0.0)
