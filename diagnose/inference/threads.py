"""Sharing work among the cores."""

from __future__ import annotations

import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

PARALLEL_FROM = 400_000
"""Rows times cases from which a batch is worth a second thread (about a millisecond)."""


def worth(count: int, rows: int) -> int:
    """How many threads to share `count` pieces of work among, each over so many rows."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    return max(1, min(cores, count, count * rows // PARALLEL_FROM))


def in_threads(run: Callable[[int, int, int], object], count: int, threads: int) -> None:
    """Calls `run(thread, first, last)` so that all of `range(count)` is done.

    Args:
        run: must hold no lock for most of its time.
        count: how many pieces of work there are.
        threads: how many to share them among, the calling one included.
    """
    if threads <= 1:
        run(0, 0, count)
        return
    edges = list(itertools.pairwise(np.linspace(0, count, threads + 1).astype(int).tolist()))
    with ThreadPoolExecutor(threads - 1) as pool:
        jobs = [pool.submit(run, thread, *edges[thread]) for thread in range(1, threads)]
        run(0, *edges[0])
        for job in jobs:
            job.result()
