"""Sharing work among the cores."""

from __future__ import annotations

import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

PARALLEL_FROM = 100_000
"""Rows times cases from which a batch is worth a second thread (a quarter of a millisecond)."""


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
    pool = _pool(os.getpid(), threads - 1)
    jobs = [pool.submit(run, thread, *edges[thread]) for thread in range(1, threads)]
    run(0, *edges[0])
    for job in jobs:
        job.result()


@lru_cache(maxsize=4)
def _pool(_process: int, threads: int) -> ThreadPoolExecutor:
    """Waiting threads, kept because starting one takes as long as a small piece of work.

    A process that was forked has none of its parent's, hence its number in the key.
    """
    return ThreadPoolExecutor(threads)
