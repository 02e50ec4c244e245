"""The store under a storm of writes, and what an append costs.

Run with `pytest tests/benchmarks/test_store.py --benchmark-enable -n 0 -s` for all of it: a
thousand writers killed on each of the two databases, a quarter of an hour or so. In the normal run
each database sees three kills.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

from diagnose.errors import VersionConflictError
from diagnose.steps.kinds import SetAside
from diagnose.steps.opening import Opening
from diagnose.store.store import Store
from tests import databases
from tests.store.storm import FILE, SHOP, problems, storm

if TYPE_CHECKING:
    from pathlib import Path

server = databases.server
new_database = databases.new_database
postgresql_url = databases.postgresql_url
url = databases.url

STEPS_OF_A_JOB = 40
"""More than an ordinary job has."""


def test_a_thousand_kills(benchmark: Any, url: str, tmp_path: Path) -> None:
    kills, begun = 1_000 if benchmark.enabled else 3, time.monotonic()
    told = storm(url, tmp_path, kills, seed=1_000)
    seconds = time.monotonic() - begun
    assert list(problems(url, told)) == []
    kind = url.partition(":")[0]
    line = (
        f"{kind}: {kills} kills in {seconds:.0f} s, {sum(told.values())} requests told, all there"
    )
    sys.stdout.write(f"\n{line}\n")
    benchmark(lambda: None)


def test_an_append(benchmark: Any, url: str) -> None:
    """One step on a job that has some, one transaction, on the disk before it returns."""
    store = Store.open(url)
    job = store.open_job(SHOP, Opening(machine="barn_pump", complaint="dead"), FILE)

    def append() -> None:
        nonlocal job
        try:
            job = store.append_steps(SHOP, job.job_id, job.version, [SetAside(test="t")]).job
        except VersionConflictError:
            raise AssertionError("nobody else writes here") from None
        if job.version == STEPS_OF_A_JOB:
            job = store.open_job(SHOP, Opening(machine="barn_pump", complaint="dead"), FILE)

    benchmark(append)
    assert store.check() == ()
    store.close()


def test_many_at_once(benchmark: Any, url: str) -> None:
    """Threads of one process, each with a job of its own: append, read, append."""
    threads, appends = (64, 15) if benchmark.enabled else (4, 3)
    store, seconds, begun = Store.open(url), list[float](), time.monotonic()

    def work() -> None:
        job = store.open_job(SHOP, Opening(machine="barn_pump", complaint="dead"), FILE)
        for _ in range(appends):
            start = time.monotonic()
            job = store.append_steps(SHOP, job.job_id, job.version, [SetAside(test="t")]).job
            assert store.job(SHOP, job.job_id) == job
            seconds.append(time.monotonic() - start)

    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work) for _ in range(threads)]:
            done.result()
    rate = len(seconds) / (time.monotonic() - begun)
    p50, p99 = (sorted(seconds)[int(len(seconds) * share)] for share in (0.5, 0.99))
    kind = url.partition(":")[0]
    sys.stdout.write(f"\n{kind}: {threads} threads, {rate:.0f} appends/s, p50 {p50:.2f} s, ")
    sys.stdout.write(f"p99 {p99:.2f} s\n")
    assert len(seconds) == threads * appends
    assert store.check() == ()
    store.close()
    benchmark(lambda: None)
