"""The steps of `steps` for several what-ifs side by side, in compiled code.

Every block holds `LANES` numbers per entry next to each other, one per what-if. They share each
look-up of an index, and together they fill a vector register. The lanes are written out one by
one, all loads before all stores, because only then the compiler can prove that nothing overlaps
and use one instruction for all of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.layout import LANES
from diagnose.inference.steps import compiled

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
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    base, to, first = np.uint64(begin), np.uint64(start), np.uint64(target)
    if ptr < 0:
        for j in range(to * four, (to + np.uint64(size)) * four):
            out[j] = 0.0
        for k in range(np.uint64(entries)):
            s = (base + k) * four
            t = (to + index[first + k]) * four
            a = out[t] + source[s]
            b = out[t + one] + source[s + one]
            c = out[t + two] + source[s + two]
            d = out[t + three] + source[s + three]
            out[t] = a
            out[t + one] = b
            out[t + two] = c
            out[t + three] = d
        return
    picked = perm >= 0
    order, runs = np.uint64(max(perm, 0)), np.uint64(ptr)
    for j in range(np.uint64(size)):
        a = b = c = d = 0.0
        for k in range(np.uint64(index[runs + j]), np.uint64(index[runs + j + one])):
            s = (base + (np.uint64(index[order + k]) if picked else k)) * four
            a += source[s]
            b += source[s + one]
            c += source[s + two]
            d += source[s + three]
        t = (to + j) * four
        out[t] = a
        out[t + one] = b
        out[t + two] = c
        out[t + three] = d


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
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    base, by, first = np.uint64(row), np.uint64(start), np.uint64(target)
    for k in range(np.uint64(count)):
        value = rows[base + k]
        s = (by + index[first + k]) * four
        t = k * four
        a = value * ratio[s]
        b = value * ratio[s + one]
        c = value * ratio[s + two]
        d = value * ratio[s + three]
        out[t] = a
        out[t + one] = b
        out[t + two] = c
        out[t + three] = d


@compiled
def to_ratio(belief: Reals, first: int, size: int, lanes: Reals, start: int) -> None:
    """Divides a separator's new marginals by the old one; 0/0 is 0."""
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    for j in range(np.uint64(size)):
        old = belief[np.uint64(first) + j]
        by = 1.0 / old if old > 0.0 else 0.0
        t = (np.uint64(start) + j) * four
        a = lanes[t] * by
        b = lanes[t + one] * by
        c = lanes[t + two] * by
        d = lanes[t + three] * by
        lanes[t] = a
        lanes[t + one] = b
        lanes[t + two] = c
        lanes[t + three] = d


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
    for j in range(size):
        for lane in range(LANES):
            out[(start + j) * LANES + lane] = belief[first + j]
