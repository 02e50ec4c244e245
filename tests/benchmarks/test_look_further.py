"""How long a look further takes, and what it knows by then.

Run with `pytest tests/benchmarks/test_look_further.py --benchmark-enable -s`.
"""

from __future__ import annotations

import sys

import pytest

from diagnose.decision import ready_problems as made_ready
from diagnose.decision.belief import belief_of
from diagnose.decision.ready_problems import ready_problems
from diagnose.job import Job
from tests import shipped

BUDGET_SECONDS = 0.05


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


@pytest.mark.parametrize("name", shipped.NAMES)
def test_a_look_further_within_its_budget(benchmark, name):
    """Half of the looks are over within a fifth more than their time, whatever else runs."""
    job = Job.open(name, "silent")
    job.look_further()
    found = benchmark(lambda: job.look_further(BUDGET_SECONDS))
    say(
        f"\n{name}: {found.minutes_left:.1f} +- {found.error_minutes:.1f} minutes left, 90 % under "
        f"{found.p90_minutes:.0f} +- {found.p90_error_minutes:.0f}, {found.jobs} jobs played"
    )
    assert found.jobs >= 4
    if benchmark.enabled:
        assert benchmark.stats.stats.median < 1.2 * BUDGET_SECONDS


def test_the_belief_of_a_job(benchmark):
    """A few findings over ten thousand fault sets."""
    job = Job.open("utility_vehicle", "silent").record("battery_rest", 12.5)
    job = job.record("listen_pump", "runs")
    problems = ready_problems(job.machine)
    weights = benchmark(lambda: belief_of(problems, job.situation))
    assert weights.sum() == pytest.approx(1.0)


def test_problems_from_the_disk(benchmark):
    """What the first look in a process waits for when the machine is in the cache."""
    machine = shipped.ready("utility_vehicle").machine
    ready_problems(machine)

    def load():
        made_ready._ready.cache_clear()
        return ready_problems(machine)

    found = benchmark.pedantic(load, rounds=3, iterations=1)
    assert len(found.space.sets) > 5000
