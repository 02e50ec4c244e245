"""Many jobs, split any way over processes, with the same result."""

from __future__ import annotations

from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.known import KnownMinutes
from diagnose.decision.play import Dice, job_generator, play
from diagnose.decision.policies import make_policy
from diagnose.decision.state import UNDECIDED, Bench, State

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.decision.policies import Policy
    from diagnose.decision.problem import DecisionProblem, Floats

    Progress = Callable[[int, int], None]

COLUMNS = (
    ("minutes", np.float64),
    ("known_minutes", np.float64),
    ("complaint", np.int16),
    ("tests", np.int16),
    ("repairs", np.int16),
    ("good_parts", np.int16),
    ("solved", np.bool_),
)
"""One row for each job; `known_minutes` is what it had taken if one knew what is wrong."""

PIECE = 500
"""Jobs of one piece of work."""


@dataclass(frozen=True, slots=True, eq=False)
class Workshop:
    """Where jobs come from and how they are decided.

    Attributes:
        problems: what the policy believes, by complaint.
        chances: how often each complaint comes.
        policy: name of the policy.
        truth: how the machine really is where that is not what the policy believes, by complaint.
    """

    problems: Mapping[str, DecisionProblem]
    chances: Mapping[str, float]
    policy: str
    truth: Mapping[str, DecisionProblem] | None = None


class _Bay:
    """One complaint's bench, with what the policy decided so far."""

    def __init__(self, problem: DecisionProblem, truth: DecisionProblem, policy: Policy) -> None:
        self.bench = Bench(problem)
        self.truth = truth
        self.cumulated: Floats = np.cumsum(truth.prior)
        self.known = KnownMinutes(truth)
        self._policy = policy

    def decide(self, state: State) -> int:
        if state.action == UNDECIDED:
            state.action = self._policy.decide(self.bench, state)
        return state.action


class Bays:
    """All complaints of a workshop, ready to play jobs."""

    def __init__(self, workshop: Workshop) -> None:
        """Nothing is worked out until a job comes."""
        truth = workshop.truth or workshop.problems
        self._bays = [
            _Bay(problem, truth[name], make_policy(workshop.policy))
            for name, problem in workshop.problems.items()
        ]
        self._cumulated = np.cumsum([workshop.chances[name] for name in workshop.problems])

    def play(self, seed: int, first: int, last: int) -> NDArray[np.void]:
        """Jobs number `first` to `last - 1` of a seed."""
        rows = np.zeros(last - first, dtype=list(COLUMNS))
        for row, job in enumerate(range(first, last)):
            rng = job_generator(seed, job)
            drawn = rng.random() * self._cumulated[-1]
            place = min(
                int(np.searchsorted(self._cumulated, drawn, side="right")), len(self._bays) - 1
            )
            bay = self._bays[place]
            dice = Dice.throw(bay.bench.problem, bay.cumulated, rng)
            done = play(bay.bench, bay.decide, dice, like=bay.truth.tables.like)
            known = bay.known(dice.hypothesis)
            rows[row] = (
                done.minutes,
                known,
                place,
                done.tests,
                done.repairs,
                done.good_parts,
                done.solved,
            )
        return rows


_own: list[Bays] = []
"""The bays of a worker process."""


def _set_up(workshop: Workshop) -> None:
    _own[:] = [Bays(workshop)]


def _piece(seed: int, first: int, last: int) -> tuple[int, NDArray[np.void]]:
    return first, _own[0].play(seed, first, last)


def simulate(
    workshop: Workshop,
    jobs: int,
    seed: int,
    workers: int = 1,
    progress: Progress | None = None,
) -> NDArray[np.void]:
    """Play jobs; row i is job i whatever the number of workers.

    Args:
        workshop: where they come from.
        jobs: how many.
        seed: of all random numbers; every job has its own child of it.
        workers: processes.
        progress: called with the jobs done and the jobs in all.

    Returns:
        (jobs,) rows of `COLUMNS`.
    """
    edges = [(first, min(first + PIECE, jobs)) for first in range(0, jobs, PIECE)]
    if workers <= 1:
        bays = Bays(workshop)
        parts = []
        for first, last in edges:
            parts.append(bays.play(seed, first, last))
            if progress is not None:
                progress(last, jobs)
        return np.concatenate(parts)
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_set_up, initargs=(workshop,)
    ) as pool:
        return _gather(pool, edges, seed, jobs, progress)


def _gather(
    pool: Executor,
    edges: Sequence[tuple[int, int]],
    seed: int,
    jobs: int,
    progress: Progress | None,
) -> NDArray[np.void]:
    rows = np.zeros(jobs, dtype=list(COLUMNS))
    waiting = [pool.submit(_piece, seed, first, last) for first, last in edges]
    done = 0
    for one in as_completed(waiting):
        first, part = one.result()
        rows[first : first + len(part)] = part
        done += len(part)
        if progress is not None:
            progress(done, jobs)
    return rows
