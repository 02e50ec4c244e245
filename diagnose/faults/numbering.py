"""Readings by number: what an observable shows under many fault sets is mostly the same few things.

There are no more readings than fault sets, and no more of these than two bytes can number: see
`diagnose.faults.base.MOST_PAIRS` and `diagnose.faults.solved.MOST_GROWN`.

A reading is a pair, see `diagnose.circuit.operating.evaluate`.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.compiled import njit

Floats = NDArray[np.float64]
Places = NDArray[np.uint16]

DIGITS = 12
"""Decimals of a reading that count; a picovolt is rounding."""


def rounded(readings: Floats) -> Floats:
    """Readings without the digits that do not count; no negative zero."""
    return np.ascontiguousarray(np.round(readings, DIGITS) + 0.0)


def different(readings: Floats) -> tuple[tuple[Floats, ...], Places]:
    """What each observable can show, and which of it each fault set shows.

    Args:
        readings: (sets, observables, 2), rounded.

    Returns:
        By observable (different readings, 2), ascending; and (sets, observables) numbers.
    """
    pairs = readings.view(np.complex128)[..., 0]
    values, place = [], np.empty(pairs.shape, dtype=np.uint16, order="F")
    for column in range(pairs.shape[1]):
        few, place[:, column] = np.unique(pairs[:, column], return_inverse=True)
        values.append(np.ascontiguousarray(np.stack([few.real, few.imag], axis=1)))
    return tuple(values), place


def numbered(
    base: tuple[Floats, ...], values: tuple[Floats, ...], readings: Floats
) -> tuple[tuple[Floats, ...], Places]:
    """Number new readings, those of the base by the numbers they have.

    Args:
        base: by observable (different readings of the base, 2), ascending.
        values: the same with those that came later after it.
        readings: (sets, observables, 2).

    Returns:
        The same as `values` with the new ones appended, and (sets, observables) numbers.
    """
    pairs = rounded(readings)
    more, place = [], np.empty(pairs.shape[:2], dtype=np.uint16, order="F")
    fresh = np.empty(len(pairs), dtype=np.int64)
    for column, (known, before) in enumerate(zip(base, values, strict=True)):
        count = _number(known, len(before), pairs[:, column], place[:, column], fresh)
        new = pairs[fresh[:count], column]
        more.append(np.concatenate([before, new]) if count else before)
    return tuple(more), place


@njit(nogil=True)
def _number(known, before, pairs, place, fresh):
    """Number the readings of one observable; list those that are new, and say how many."""
    count = 0
    for row in range(pairs.shape[0]):
        first, second = pairs[row]
        low, high = 0, known.shape[0]
        while low < high:
            middle = (low + high) // 2
            if (known[middle, 0], known[middle, 1]) < (first, second):
                low = middle + 1
            else:
                high = middle
        if low < known.shape[0] and known[low, 0] == first and known[low, 1] == second:
            place[row] = low
            continue
        number = 0
        while number < count:
            if pairs[fresh[number], 0] == first and pairs[fresh[number], 1] == second:
                break
            number += 1
        if number == count:
            fresh[count] = row
            count += 1
        place[row] = before + number
    return count
