"""Simulated jobs: what is wrong is drawn from the roots, what is found from the solved circuit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import cause_chances
from diagnose.faults.words import YES

if TYPE_CHECKING:
    from diagnose.machine.model import Test
    from diagnose.faults.behaviour import FaultSet
    from diagnose.network.ready import ReadyMachine
    from tests.network.fault_sets import Instruments, Roots

FEWEST, MOST = 3, 8
"""Findings of one job."""


@dataclass(frozen=True)
class SimulatedJob:
    """What was wrong and what was found, the complaint among it."""

    faults: FaultSet
    evidence: dict[str, str]


def simulate(
    ready: ReadyMachine, roots: Roots, instruments: Instruments, n_jobs: int, seed: int
) -> list[SimulatedJob]:
    """Jobs with a complaint; every other one follows the ranking, the rest test at random."""
    rng = np.random.default_rng(seed)
    worlds = roots.draw(12 * n_jobs + 200, rng)
    sets = roots.fault_sets(worlds[1])
    readings = roots.behaviour.readings(sets)
    complained = [
        (row, complaint)
        for complaint in roots.machine.complaints
        for row in np.flatnonzero(
            rng.random(len(sets)) < instruments.complaint(complaint, readings)[:, 0]
        )
    ]
    jobs = []
    for number, pick in enumerate(rng.choice(len(complained), n_jobs, replace=False)):
        row, complaint = complained[pick]
        one = _Bench(roots, instruments, worlds[0][row], worlds[1][row], readings[row], rng)
        evidence = {complaint: YES}
        for _ in range(int(rng.integers(FEWEST, MOST + 1))):
            test = _ranked(ready, evidence) if number % 2 else _any(ready, evidence, rng)
            evidence[test.id] = one.outcome(test)
        jobs.append(SimulatedJob(sets[row], evidence))
    return jobs


def _any(ready: ReadyMachine, evidence: dict[str, str], rng: np.random.Generator) -> Test:
    left = [test for name, test in ready.machine.tests.items() if name not in evidence]
    return left[int(rng.integers(len(left)))]


def _ranked(ready: ReadyMachine, evidence: dict[str, str]) -> Test:
    """The test with most bits per minute of its own."""
    gains = ready.compiled.posterior(evidence).gains_bits
    left = [test for name, test in ready.machine.tests.items() if name not in evidence]
    return max(left, key=lambda test: gains[test.id] / test.minutes)


@dataclass(frozen=True)
class _Bench:
    """One broken machine that answers tests."""

    roots: Roots
    instruments: Instruments
    combination: int
    states: np.ndarray
    readings: np.ndarray
    rng: np.random.Generator

    def outcome(self, test: Test) -> str:
        if test.cause is None:
            chances = self.instruments.outcomes(test, self.readings[None])[0]
        else:
            there = self.roots.present(test.cause, self.states[None])
            chances = cause_chances(test)[there[0, self.combination % there.shape[1]]]
        return test.outcomes[int(self.rng.choice(len(chances), p=chances / chances.sum()))].id
