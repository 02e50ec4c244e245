"""Memory that is used again: fresh memory costs a page fault every 4096 bytes."""

from __future__ import annotations

import contextlib
import threading
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_LOCAL = threading.local()
_FREE: list[NDArray[np.float64]] = []
MOST_KEPT = 4
"""Buffers kept for later; more are only made while more are in use at the same time."""


def workspace(size: int) -> NDArray[np.float64]:
    """At least `size` doubles that belong to the calling thread until it asks again."""
    held: NDArray[np.float64] | None = getattr(_LOCAL, "held", None)
    if held is None or len(held) < size:
        held = np.empty(size, np.float64)
        _LOCAL.held = held
    return held


@contextlib.contextmanager
def borrowed(*sizes: int) -> Iterator[list[NDArray[np.float64]]]:
    """Arrays of some numbers of doubles, with anything in them, to be given back afterwards."""
    total = sum(sizes)
    try:
        held = _FREE.pop()
    except IndexError:
        held = np.empty(total)
    if len(held) < total:
        held = np.empty(total)
    try:
        ends = np.cumsum(sizes).tolist()
        yield [held[end - size : end] for size, end in zip(sizes, ends, strict=True)]
    finally:
        if len(_FREE) < MOST_KEPT:
            _FREE.append(held)
