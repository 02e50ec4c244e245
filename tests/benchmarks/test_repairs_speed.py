"""What advice takes after one, two and three repairs that did not help.

`pytest tests/benchmarks/test_repairs_speed.py --benchmark-enable -s` prints a line for each: rows
of the network over all repairs, seconds to work it out once, milliseconds for advice from then on.
"""

from __future__ import annotations

import sys
import time
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.advice.epochs import ready_for
from diagnose.commands.technician import Case, Technician
from diagnose.job import Job
from tests import shipped

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

MACHINE, COMPLAINT = "utility_vehicle", "silent"
CASE = Case(COMPLAINT, "coil_ground_wire", "open", frozenset())
VAIN = (("brake_interlock", "replace"), ("start_relay", "replace"), ("start_button", "replace"))
"""Good parts, changed by somebody who would not measure on."""

TESTS = 3
"""Done before each repair, as advice proposes them."""


@cache
def job_after(repairs: int) -> Job:
    """The job with so many repairs done in vain, and three tests after the last of them."""
    if repairs:
        job = job_after(repairs - 1).repair(*VAIN[repairs - 1], gone=False)
    else:
        job = Job.open(shipped.ready(MACHINE).machine, COMPLAINT)
    technician = Technician.at(job.machine, CASE)
    rng = np.random.default_rng(repairs)
    for _ in range(TESTS):
        test = job.machine.tests[job.advise().tests[0].test]
        job = job.record(test.id, technician.do(test, rng))
    return job


@pytest.mark.parametrize("repairs", [0, 1, 2, 3])
def test_advice_after_repairs(
    benchmark: BenchmarkFixture,
    repairs: int,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    monkeypatch.setenv("NOSTART_CACHE_DIR", str(tmp_path_factory.mktemp("cache")))
    job_after(max(repairs - 1, 0))
    start = time.perf_counter()
    job = job_after(repairs)
    seconds = time.perf_counter() - start
    advice = benchmark(job.advise)
    assert len(advice.repairs) == repairs
    assert advice.folded_repairs == 0
    rows = ready_for(job.ready, job.situation).compiled.rows
    sys.stdout.write(f"\n{repairs} repairs: {rows:,} rows, {seconds:.1f} s with three tests\n")
