"""A trial of one policy on one machine."""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from diagnose.ahead.policies import make_policy
from diagnose.errors import UnknownNameError, ValueOutOfRangeError
from diagnose.machine.load import load_machine
from diagnose.machine.model import Machine
from diagnose.trial.figures import figures_of
from diagnose.trial.simulate import Workshop, simulate, simulate_on

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from diagnose.trial.figures import Figures

MOST_JOBS = 10_000_000
JOBS_PER_WORKER = 100
"""Below this a further process does not pay for its start."""


@dataclass(frozen=True, slots=True, eq=False)
class TrialResult:
    """What a trial gave.

    Attributes:
        machine, version: the machine.
        policy: name of the policy.
        complaint: the complaint; empty when all of them came as often as they do.
        seed: of the random numbers.
        figures: means, quantiles and shares with 95 % intervals.
        rows: (jobs,) one row for each job; see `diagnose.trial.simulate.COLUMNS`.
    """

    machine: str
    version: str
    policy: str
    complaint: str
    seed: int
    figures: Figures
    rows: NDArray[np.void]

    def to_dict(self) -> dict[str, Any]:
        """Everything but the rows, ready for JSON."""
        return {
            "machine": self.machine,
            "machine_version": self.version,
            "policy": self.policy,
            "complaint": self.complaint or None,
            "seed": self.seed,
            "figures": asdict(self.figures),
        }


def run_trial(  # noqa: PLR0913 - each says another thing about the trial
    machine: str | Path | Machine,
    policy: str,
    jobs: int,
    seed: int = 0,
    complaint: str | None = None,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
    truth: Machine | None = None,
) -> TrialResult:
    """Carry simulated jobs to a verified repair.

    Faults, shared causes and slips are drawn from the machine's own figures; a job begins with the
    complaint reported and seen, and ends when the functional check no longer shows it, or when it
    is handed over. The same seed gives the same jobs to every policy, and the same rows however
    they are split.

    To use many machines, pass what a Dask cluster offers:
    `run_trial(..., executor=distributed.Client(address).get_executor())`. Every worker needs this
    package; what is sent is the machine file's content and job numbers.

    Args:
        machine: id of a shipped machine, path of a machine file, or a machine.
        policy: one of `diagnose.ahead.policies.POLICIES`.
        jobs: how many, at least 2.
        seed: of the random numbers.
        complaint: only jobs with this one; default: all, as often as they come.
        workers: processes; default: one for every `JOBS_PER_WORKER` jobs, at most all cores.
        executor: where to play them instead, see above; it is left open.
        progress: called with the jobs done and the jobs in all.
        truth: how the machine really is, where that is not what the policy believes.

    Raises:
        UnknownNameError: no such machine, policy or complaint.
        ValueOutOfRangeError: too few or too many jobs; a complaint that the machine never has.
        MachineFileError, CircuitError, NetworkError: the machine cannot be read or solved.
    """
    make_policy(policy)
    if not 2 <= jobs <= MOST_JOBS:
        raise ValueOutOfRangeError("jobs", float(jobs), 2.0, float(MOST_JOBS), "")
    if seed < 0:
        raise ValueOutOfRangeError("seed", float(seed), 0.0, float(2**63), "")
    known = machine if isinstance(machine, Machine) else load_machine(machine)
    if complaint is not None and complaint not in known.complaints:
        raise UnknownNameError("complaint", complaint, known.complaints)
    if executor is not None:
        source = partial(workshop_of, known, policy, complaint, truth)
        rows = simulate_on(executor, source, jobs, seed, progress)
    else:
        rows = simulate(
            workshop_of(known, policy, complaint, truth),
            jobs,
            seed,
            _workers(jobs) if workers is None else workers,
            progress,
        )
    return TrialResult(
        machine=known.id,
        version=known.version,
        policy=policy,
        complaint=complaint or "",
        seed=seed,
        figures=figures_of(rows),
        rows=rows,
    )


def workshop_of(
    machine: Machine, policy: str, complaint: str | None = None, truth: Machine | None = None
) -> Workshop:
    """Where a trial's jobs come from; arguments as in `run_trial`."""
    complaints = tuple(machine.complaints) if complaint is None else (complaint,)
    return Workshop(machine, policy, complaints, truth)


def _workers(jobs: int) -> int:
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    return max(1, min(cores, jobs // JOBS_PER_WORKER))
