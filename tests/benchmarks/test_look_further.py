"""How long a look further takes, and what it knows by then.

Run with `pytest tests/benchmarks/test_look_further.py --benchmark-enable -n 0 -s`.
"""

from __future__ import annotations

import sys

import pytest

from diagnose.ahead.desk import Desk
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names

BUDGET_SECONDS = 0.05


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


@pytest.mark.parametrize("name", machine_names())
def test_a_look_further_within_its_budget(benchmark, name):
    """Half of the looks are over within a fifth more than their time, whatever else runs."""
    known = list(load_machine(name).complaints)
    job = Job.open(name, "silent" if "silent" in known else known[0])
    job.look_further()
    found = benchmark(lambda: job.look_further(BUDGET_SECONDS))
    say(
        f"\n{name}: {found.minutes_left:.1f} +- {found.error_minutes:.1f} minutes left, 90 % under "
        f"{found.p90_minutes:.0f} +- {found.p90_error_minutes:.0f}, {found.jobs} jobs played"
    )
    assert found.jobs >= 4
    if benchmark.enabled:
        assert benchmark.stats.stats.median < 1.2 * BUDGET_SECONDS


def test_a_closed_problem_of_a_job(benchmark):
    """What a look further begins with: the belief thinned, and all that repairs lead to."""
    job = Job.open("utility_vehicle", "silent").record("battery_rest", 12.5)
    job = job.record("listen_pump", "runs")
    desk = Desk(job.prepared, job.situation)
    bench = benchmark(lambda: desk.thinned(desk.start, 500))
    assert bench.problem.prior.sum() == pytest.approx(1.0)
    assert bench.problem.n_sets > 100
