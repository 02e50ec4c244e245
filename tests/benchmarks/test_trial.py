"""What the rules save, in minutes, on all shipped machines; and how far they are from the best.

Run with `pytest tests/benchmarks/test_trial.py --benchmark-enable -n 0 -s` for the full numbers:
1 000 jobs for each policy and 200 small machines, an hour or so. In the normal run there are a few
jobs on each machine and a few small machines: enough to tell the rule from repairs at a guess.
"""

from __future__ import annotations

import sys
from itertools import count

import numpy as np
import pytest

from diagnose.ahead.desk import Desk
from diagnose.ahead.expected import Expected
from diagnose.ahead.look_further import look_further
from diagnose.ahead.policies import make_policy
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import tried_situation
from diagnose.job import prepare
from diagnose.machine.load import load_machine, machine_names
from diagnose.trial.figures import difference, figures_of
from diagnose.trial.run import run_trial, workshop_of
from diagnose.trial.simulate import PIECE, Bays
from tests.trial.optimum import optimal_minutes
from tests.trial.sensitivity import (
    with_more_slips,
    with_other_priors,
    with_tests_that_always_answer,
    with_words_that_fit,
)
from tests.trial.small import random_problem

CERTAINTY = ("certainty_80", "certainty_90", "certainty_95")
POLICIES = (*CERTAINTY, "source_to_load", "plain_gate", "gain", "fixed_order", "repair_only")
SMALL = "standby_pump"
"""The quickest of the shipped machines."""


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def print_table(name: str, rows: dict[str, np.ndarray]) -> None:
    say(f"\n{name}: {len(rows['gate'])} jobs for each policy, the same ones")
    say(
        f"{'':16}{'finding':>14}{'labour':>9}{'all costs':>14}{'median':>8}{'p90':>6}{'tests':>7}"
        f"{'good':>7}{'left':>7}{'gate saves':>16}{'of finding':>11}{'of labour':>10}"
    )
    for policy, row in rows.items():
        f, d = figures_of(row), difference(rows["gate"], row)
        half = f.mean_minutes.high - f.mean_minutes.value
        own = f.finding_minutes.high - f.finding_minutes.value
        saved = d.minutes.high - d.minutes.value
        say(
            f"{policy:16}{f.finding_minutes.value:8.2f} +-{own:3.1f}{f.labour_minutes.value:9.1f}"
            f"{f.mean_minutes.value:8.1f} +-{half:3.1f}{f.median_minutes.value:8.1f}"
            f"{f.p90_minutes.value:6.0f}{f.tests.value:7.2f}{f.good_parts.value:7.4f}"
            f"{f.not_solved.value:7.3f}{d.minutes.value:10.2f} +-{saved:3.1f}"
            f"{d.finding_minutes_percent:9.0f} %{d.labour_minutes_percent:8.0f} %"
        )


def compared(benchmark, name: str, jobs: int, others: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Policy -> rows of the same jobs, the gate's first; the gate is what is timed."""
    own = benchmark.pedantic(lambda: run_trial(name, "gate", jobs, 1).rows, rounds=1, iterations=1)
    rows = {"gate": own} | {policy: run_trial(name, policy, jobs, 1).rows for policy in others}
    print_table(name, rows)
    for row in rows.values():
        np.testing.assert_array_equal(row["known_minutes"], own["known_minutes"])
    return rows


@pytest.mark.parametrize("name", machine_names())
def test_policies_on_a_shipped_machine(benchmark, name):
    """Nearly half the minutes of finding out against measuring along the wiring, a quarter against
    the best threshold, with no more good parts replaced than along the wiring."""
    if not benchmark.enabled:
        rows = compared(benchmark, name, 12, ("repair_only",))
        assert difference(rows["gate"], rows["repair_only"]).minutes.value > 0.0
        return
    rows = compared(benchmark, name, 1000, POLICIES)
    own = rows["gate"]
    best = min(CERTAINTY, key=lambda policy: rows[policy]["minutes"].mean())
    along, threshold = difference(own, rows["source_to_load"]), difference(own, rows[best])
    assert along.minutes.low > 0.0
    assert along.finding_minutes_percent >= 25.0
    assert along.good_parts.high >= 0.0
    assert threshold.minutes.low > 0.0
    assert threshold.finding_minutes_percent >= 10.0


def test_jobs_per_second(benchmark):
    """Jobs of a shipped machine under the gate, each round a new piece, in one process."""
    jobs = PIECE if benchmark.enabled else 5
    bays = Bays(workshop_of(load_machine(SMALL), "gate"))
    pieces = count()

    def piece() -> np.ndarray:
        first = PIECE * next(pieces)
        return bays.play(0, first, first + jobs)

    assert len(benchmark.pedantic(piece, rounds=5 if benchmark.enabled else 1)) == jobs


def test_small_machines_against_the_optimum(benchmark):
    """The gate within 1 % on the mean and 8 % at worst, rollout within 0.5 % on the mean."""
    seeds = range(200 if benchmark.enabled else 2)
    names = ("gate", "rollout", *(("plain_gate", *CERTAINTY) if benchmark.enabled else ()))

    def over() -> np.ndarray:
        found = []
        for seed in seeds:
            problem = random_problem(seed)
            best = optimal_minutes(problem)
            benches = [ProblemBench(problem) for _ in names]
            spent = [
                Expected(bench, make_policy(name)).minutes(bench.start)
                for name, bench in zip(names, benches, strict=True)
            ]
            found.append([minutes / best - 1.0 for minutes in spent])
        return np.array(found)

    found = benchmark.pedantic(over, rounds=1, iterations=1)
    say(f"\nover the optimum on {len(found)} small machines: mean, worst")
    for name, column in zip(names, found.T, strict=True):
        say(f"{name:16}{100 * column.mean():7.2f} %{100 * column.max():8.2f} %")
    assert found[:, 0].mean() <= 0.01
    assert found[:, 0].max() <= 0.08
    assert found[:, 1].mean() <= 0.005


def test_what_wrong_figures_cost(benchmark):
    """Priors wrong by a factor of three either way, slips three times as frequent, and words
    taken at their face where 15 % of the customers do not mean what the machine does."""
    name, jobs = ("utility_vehicle", 500) if benchmark.enabled else (SMALL, 6)
    machine = load_machine(name)
    rng = np.random.default_rng(3)
    named = [(part.id, mode) for part in machine.parts.values() for mode in part.modes]
    factors = dict(zip(named, 3.0 ** rng.choice([-1.0, 1.0], len(named)), strict=True))
    misled = with_words_that_fit(machine, 85.0)
    cases = {
        "priors off by 3": (machine, with_other_priors(machine, factors)),
        "slips times 3": (machine, with_more_slips(machine, 3.0)),
        "words believed": (with_words_that_fit(machine, 99.9), misled),
    }

    def lost() -> dict[str, tuple[float, float, float]]:
        found = {}
        for words, (believed, truth) in cases.items():
            wrong = run_trial(believed, "gate", jobs, 1, truth=truth).rows
            right = run_trial(truth, "gate", jobs, 1).rows
            np.testing.assert_array_equal(wrong["known_minutes"], right["known_minutes"])
            d = difference(right, wrong)
            found[words] = (d.minutes.value, d.minutes.low, d.minutes.high)
        return found

    found = benchmark.pedantic(lost, rounds=1, iterations=1)
    say(f"\n{name}: minutes in a job lost by believing the file when the machine is otherwise")
    for words, (value, low, high) in found.items():
        say(f"{words:18}{value:7.2f} ({low:.2f} to {high:.2f})")
        assert value < (8.0 if benchmark.enabled else 40.0)


def test_what_figures_were_flattered_by(benchmark):
    """Minutes that a job seems to take less if an engine that does not run could be measured
    running, by a rule that believes so and a simulator that goes along."""
    names, jobs = (machine_names(), 200) if benchmark.enabled else ([SMALL], 2)
    flattered = {name: with_tests_that_always_answer(load_machine(name)) for name in names}

    def believed() -> dict[str, np.ndarray]:
        return {
            name: run_trial(machine, "gate", jobs, 1).rows for name, machine in flattered.items()
        }

    seen = benchmark.pedantic(believed, rounds=1, iterations=1)
    for name, rows in seen.items():
        own = run_trial(load_machine(name), "gate", jobs, 1).rows
        d = difference(rows, own)
        seeming, true = (figures_of(each).finding_minutes.value for each in (rows, own))
        say(
            f"\n{name}: {seeming:.2f} minutes of finding out seem to do where it takes {true:.2f}; "
            f"{d.minutes.value:.2f} ({d.minutes.low:.2f} to {d.minutes.high:.2f}) a job in all"
        )
        assert not any(condition.needs for condition in flattered[name].conditions.values())
        assert len(rows) == len(own) == jobs


def test_a_look_further_ahead(benchmark):
    """Within its budget of 50 ms, and what it then knows."""
    ready = prepare("utility_vehicle")
    desk = Desk(ready, tried_situation(ready.machine, "silent"))
    look_further(desk)
    found = benchmark(lambda: look_further(desk))
    left = f"{found.minutes_left:.1f} +- {found.error_minutes:.1f} minutes left"
    say(f"\n{left}, {found.jobs} jobs played")
    assert found.best in found.actions
