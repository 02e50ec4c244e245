"""Several policies on the same jobs, and what the first saves against each of the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from diagnose.ahead.policies import POLICIES, make_policy
from diagnose.errors import ValueOutOfRangeError
from diagnose.trial.figures import difference
from diagnose.trial.run import run_trial

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    from diagnose.machine.model import Machine
    from diagnose.trial.figures import Difference
    from diagnose.trial.run import TrialResult

SLOW = "rollout"
"""Takes a hundred times as long as the others, so it is compared only when asked for."""

COMPARED = tuple(name for name in POLICIES if name != SLOW)
"""Compared when none are named; the first is what advice does."""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What a comparison gave.

    Attributes:
        results: one for each policy, on the same jobs.
        saved: for each policy but the first, what the first saves against it.
    """

    results: tuple[TrialResult, ...]
    saved: tuple[Difference, ...]

    def to_dict(self) -> dict[str, Any]:
        """Everything but the rows, ready for JSON."""
        first, *others = self.results
        return {
            "policies": [one.to_dict() for one in self.results],
            "saved_by_first": [
                {"policy": first.policy, "against": other.policy, **saved.to_dict()}
                for other, saved in zip(others, self.saved, strict=True)
            ],
        }


def compare_policies(  # noqa: PLR0913 - as `run_trial`
    machine: str | Path | Machine,
    policies: Sequence[str] = COMPARED,
    jobs: int = 1000,
    seed: int = 0,
    complaint: str | None = None,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Carry the same simulated jobs to their end under each policy.

    Args:
        machine: as in `run_trial`.
        policies: names, the one to measure the others against first; at least one.
        jobs: how many for each.
        seed: of the random numbers, the same for each.
        complaint: only jobs with this one.
        workers: processes.
        executor: where to play them instead.
        progress: called with the jobs done and the jobs in all, over all policies.

    Raises:
        ValueOutOfRangeError: no policy at all; too few or too many jobs.
        UnknownNameError: no such machine, policy or complaint.
        MachineFileError, CircuitError: the machine cannot be read or solved.
    """
    if not policies:
        raise ValueOutOfRangeError("policies", 0.0, 1.0, float(len(POLICIES)), "")
    for name in policies:
        make_policy(name)
    names = tuple(dict.fromkeys(policies))
    results = []
    for place, policy in enumerate(names):
        result = run_trial(
            machine,
            policy,
            jobs,
            seed,
            complaint,
            workers=workers,
            executor=executor,
            progress=_shifted(progress, place, len(names)),
        )
        results.append(result)
    first = results[0].rows
    return Comparison(tuple(results), tuple(difference(first, one.rows) for one in results[1:]))


def _shifted(
    progress: Callable[[int, int], None] | None, place: int, policies: int
) -> Callable[[int, int], None] | None:
    """Progress of one policy as part of the whole."""
    if progress is None:
        return None
    told = progress
    return lambda done, total: told(place * total + done, policies * total)
