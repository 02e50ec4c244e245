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


def in_threads(run: Callable[[int, int], object], count: int, rows: int) -> None:
    """Calls `run(first, last)` so that all of `range(count)` is done, in threads if worth it.

    Args:
        run: must hold no lock for most of its time.
        count: how many pieces of work there are.
        rows: how many rows one of them walks over.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    threads = min(cores, count, max(1, count * rows // PARALLEL_FROM))
    if threads <= 1:
        run(0, count)
        return
    edges = np.linspace(0, count, threads + 1).astype(int).tolist()
    with ThreadPoolExecutor(threads) as pool:
        jobs = [pool.submit(run, first, last) for first, last in itertools.pairwise(edges)]
        for job in jobs:
            job.result()
