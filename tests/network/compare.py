"""Posteriors of the network against sums over fault sets, on simulated jobs.

Two comparisons, because no sum over fault sets is ever complete.

Up to two faults: both sides sum over the same sets, no fault, every single and every pair; one
side takes each set's outcomes from solving the whole circuit, the other from walking down the
network's tables. Nothing is drawn, so every difference is the network's. The sets left out enter
as a bound: what the engine gives must lie between the walk's sum and that sum plus their mass.

All faults: the engine's own posterior, against itself corrected by what solved circuits and tables
differ in, over all sets up to two faults and a sample of the larger ones (a control variate: the
sample has to show only the difference, not the whole). The sample's noise adds to the distance
seen; two samples against each other tell how much.

Jobs with three and more faults are drawn and counted like all others. Suspects are compared as
one distribution: marginal probabilities of the failure modes, scaled to a sum of 1. The top suspect
is the same when the one that the network puts first is the first of the referee too, or less than a
percentage point behind it there: parts in a row with one prior and one reading are tied, and what
breaks the tie is rounding.

`python -m tests.network.compare 1000` prints the figures for every shipped machine.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from tests import shipped
from tests.network.fault_sets import FaultSetReferee
from tests.network.jobs import simulate


@dataclass(frozen=True)
class Comparison:
    """Figures of one machine.

    Attributes:
        n_faults: (jobs,) faults there really were.
        same_pairs, same_all: (jobs,) same top suspect, up to two faults and all of them.
        distance_pairs, distance_all: (jobs,) total variation over the suspects.
        noise: (jobs,) total variation between two samples of the larger sets.
        below, above: (jobs,) how far the engine's joint probability of the findings with any
            fault falls below the walk's sum, or exceeds it by more than the mass left out.
        left_out: prior mass of three and more faults.
    """

    n_faults: np.ndarray
    same_pairs: np.ndarray
    same_all: np.ndarray
    distance_pairs: np.ndarray
    distance_all: np.ndarray
    noise: np.ndarray
    below: np.ndarray
    above: np.ndarray
    left_out: float


TIED = 0.01
"""Posterior probabilities closer than this are a tie."""


def same_top(suspects: np.ndarray, referee: np.ndarray, evidence: float) -> bool:
    """Whether the first suspect is first, or tied for it, with the referee.

    Both are joint probabilities with the findings; `evidence` is the referee's of the findings.
    """
    return bool(referee[suspects.argmax()] >= referee.max() - TIED * evidence)


def distance(one: np.ndarray, other: np.ndarray) -> float:
    """Total variation between two sets of suspects, each scaled to a sum of 1."""
    return 0.5 * float(np.abs(one / one.sum() - other / other.sum()).sum())


def compare(name: str, n_jobs: int, n_larger: int, seed: int = 7) -> Comparison:
    """All figures of one machine; half of `n_larger` drawn sets are a sample of their own."""
    ready, behaviour = shipped.ready(name), shipped.behaviour(name)
    referee = FaultSetReferee(behaviour, shipped.built(name).network, n_larger, seed)
    jobs = simulate(ready, referee.roots, referee.instruments, n_jobs, seed)
    codes = [ready.compiled.code(*fault) for fault in ready.faults]
    rows = np.arange(len(referee.sets))
    exact = rows < referee.n_exact
    halves = [2.0 * (~exact & (rows % 2 == k)) for k in (0, 1)]
    found = []
    for job in jobs:
        beliefs = ready.compiled.posterior(job.evidence)
        engine = beliefs.marginals[codes] * np.exp(beliefs.log_evidence)
        solved = referee.joint(job.evidence, referee.solved)
        tables = referee.joint(job.evidence, referee.tables)
        off = solved - tables
        pairs, walked = referee.by_fault(solved * exact), referee.by_fault(tables * exact)
        truth = np.maximum(engine + referee.by_fault(off), 0.0)
        evidence = np.exp(beliefs.log_evidence) + float(off.sum())
        one, other = (
            np.maximum(engine + referee.by_fault(off * (exact + half)), 0.0) for half in halves
        )
        found.append(
            (
                len(job.faults),
                same_top(walked, pairs, float(solved @ exact)),
                same_top(engine, truth, evidence),
                distance(walked, pairs),
                distance(engine, truth),
                distance(one, other) / 2.0,
                max(float((walked - engine).max()), 0.0),
                max(float((engine - walked).max()) - referee.left_out, 0.0),
            )
        )
    return Comparison(*(np.array(column) for column in zip(*found, strict=True)), referee.left_out)


def in_words(name: str, found: Comparison) -> str:
    """The figures as three lines."""
    counts = np.bincount(np.minimum(found.n_faults, 3), minlength=4)
    return (
        f"{name}: {len(found.n_faults)} jobs with 0, 1, 2, 3 and more faults: {counts.tolist()}; "
        f"prior mass of three and more {found.left_out:.3f}\n"
        f"  up to two faults: same top suspect {found.same_pairs.mean():.2%}, "
        f"mean total variation {found.distance_pairs.mean():.4f}\n"
        f"  all faults: same top suspect {found.same_all.mean():.2%}, "
        f"mean total variation {found.distance_all.mean():.4f}, "
        f"of which noise of the sample about {found.noise.mean():.4f}"
    )


if __name__ == "__main__":
    for machine in shipped.NAMES:
        print(in_words(machine, compare(machine, int(sys.argv[1]), 60_000)))  # noqa: T201
