"""How long an answer takes: a new state, the same again, after repairs, a first start, memory.

`pytest tests/benchmarks/test_engine_speed.py --benchmark-enable -n 0 -s` prints the figures; in
the suite every body runs once, untimed.
"""

from __future__ import annotations

import resource
import time
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief.belief import believe
from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names, read_machine
from diagnose.rule import prepared as preparing
from diagnose.rule.prepared import prepared
from tests.benchmarks.large_machine import example_of, large_machine

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

GUIDE = Path(__file__).parents[2] / "models" / "README.md"


def walk(machine: str, complaint: str, seed: int, steps: int = 6) -> list[Job]:
    """The states of a job that follows the advice, its outcomes as likely as they are."""
    job, rng, states = Job.open(machine, complaint), np.random.default_rng(seed), []
    for _ in range(steps):
        advice = job.advise()
        states.append(job)
        if advice.verdict.action != "test":
            break
        test = next(one for one in advice.tests if one.test == advice.verdict.target)
        chances = np.array([outcome.probability for outcome in test.outcomes])
        pick = int(rng.choice(len(chances), p=chances / chances.sum()))
        job = job.record(test.test, test.outcomes[pick].outcome)
    return states


def say(words: str) -> None:
    """The figures are the point."""
    print(words)  # noqa: T201


def milliseconds(work: object) -> float:
    begun = time.perf_counter()
    work()  # type: ignore[operator]
    return 1000.0 * (time.perf_counter() - begun)


@pytest.mark.parametrize("machine", machine_names())
def test_advice(machine: str, benchmark: BenchmarkFixture) -> None:
    """A belief worked out anew with its sets solved, and the same advice asked for again."""
    complaints = list(load_machine(machine).complaints)
    if not benchmark.enabled:
        complaints = complaints[:1]
    states = [state for seed, name in enumerate(complaints) for state in walk(machine, name, seed)]
    anew = [milliseconds(lambda s=s: believe(s.prepared.sets, s.situation)) for s in states]
    again = [milliseconds(s.advise) for s in states]
    assert all(np.isfinite([*anew, *again]))
    say(
        f"\n{machine}: {len(states)} states; a new one {median(anew):.1f} ms "
        f"(at most {max(anew):.0f}), the same again {median(again):.1f} ms"
    )
    benchmark(states[-1].advise)


@pytest.mark.parametrize("machine", machine_names())
def test_advice_after_repairs(machine: str, benchmark: BenchmarkFixture) -> None:
    """After one to four repairs that did not help: the first time, anew, and again."""
    job = Job.open(machine, next(iter(load_machine(machine).complaints)))
    parts = [part for part in job.machine.parts.values() if part.repairs]
    told = []
    for part in parts[: 4 if benchmark.enabled else 2]:
        job = job.repair(part.id, part.repairs[-1].id, "same")
        first = milliseconds(job.advise)
        anew = milliseconds(lambda j=job: believe(j.prepared.sets, j.situation))
        told.append(f"{first:.0f}, {anew:.1f}, {milliseconds(job.advise):.1f}")
    say(f"\n{machine}: ms after 1, 2 ... repairs (first, anew, again): {'; '.join(told)}")
    benchmark(job.advise)


@pytest.mark.parametrize("machine", machine_names())
def test_solving_fault_sets(machine: str, benchmark: BenchmarkFixture) -> None:
    """Eighty sets of up to five faults with everything that can be read: what a state asks for."""
    circuit, rng = make_circuit(load_machine(machine)), np.random.default_rng(4)
    n, part_of = len(circuit.netlist.faults), circuit.netlist.fault_part
    sets = np.full((80, 5), -1, dtype=np.int32)
    for row in sets:
        chosen = rng.permutation(n)[: rng.integers(2, 6)]
        chosen = chosen[np.unique(part_of[chosen], return_index=True)[1]]
        row[: len(chosen)] = chosen
    assert np.isfinite(evaluate(circuit, sets)).all()
    spent = median(milliseconds(lambda: evaluate(circuit, sets)) for _ in range(5))
    say(f"\n{machine}: {spent / len(sets):.2f} ms a fault set")
    benchmark(evaluate, circuit, sets)


def test_a_first_start(benchmark: BenchmarkFixture, tmp_path: Path, monkeypatch) -> None:
    """Solving a machine with nothing in memory or on disk, and the guide's machine made large."""
    monkeypatch.setenv("NOSTART_CACHE_DIR", str(tmp_path))
    for name in machine_names() if benchmark.enabled else machine_names()[1:2]:
        preparing._prepared.clear()
        begun = time.perf_counter()
        machine = load_machine(name)
        read = time.perf_counter() - begun
        spent = milliseconds(lambda m=machine: prepared(m)) / 1000.0
        say(f"\n{name}: file read in {read:.1f} s, solved in {spent:.1f} s")
    branches = 67 if benchmark.enabled else 3
    begun = time.perf_counter()
    large = read_machine(large_machine(example_of(GUIDE), branches))
    known = prepared(large)
    spent = time.perf_counter() - begun
    job = Job.open(large, "silent")
    first = milliseconds(job.advise)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0
    assert len(large.parts) > branches * 6
    say(
        f"{len(large.parts)} parts, {len(known.faults)} faults: first start {spent:.1f} s, first "
        f"advice {first:.0f} ms, {job.advise().mass_left_out:.2%} not looked at, peak {most:.0f} MB"
    )
    benchmark(job.advise)


def test_memory_stays_flat(benchmark: BenchmarkFixture) -> None:
    """Many different jobs with repairs on all machines: what the process holds does not grow."""
    rng = np.random.default_rng(2)
    names, jobs = machine_names(), 1000 if benchmark.enabled else 8
    marks = []
    for number in range(jobs):
        job = Job.open(names[number % len(names)], _any(rng, names[number % len(names)]))
        parts = [part for part in job.machine.parts.values() if part.repairs]
        for _ in range(int(rng.integers(0, 3))):
            part = parts[int(rng.integers(len(parts)))]
            job = job.repair(part.id, part.repairs[0].id, "same")
        advice = job.advise()
        test = advice.tests[int(rng.integers(min(5, len(advice.tests))))]
        likely = max(test.outcomes, key=lambda outcome: outcome.probability)
        job.record(test.test, likely.outcome).advise()
        if number % max(jobs // 4, 1) == 0:
            marks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0)
    marks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0)
    benchmark(job.advise)
    say(f"\npeak MB over {jobs} jobs: {', '.join(f'{mark:.0f}' for mark in marks)}")
    held = preparing._prepared.nbytes()
    assert held <= preparing.MACHINE_BYTES + 100_000_000
    if benchmark.enabled:  # a few jobs say nothing; half of these fill what is kept
        assert marks[-1] <= 1.1 * marks[len(marks) // 2]
        assert marks[-1] < 600.0


def _any(rng: np.random.Generator, name: str) -> str:
    complaints = list(load_machine(name).complaints)
    return complaints[int(rng.integers(len(complaints)))]
