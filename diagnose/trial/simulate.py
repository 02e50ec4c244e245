"""Many jobs, split any way over processes, with the same result."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from typing import TYPE_CHECKING
from uuid import uuid4

import numpy as np

from diagnose.decision.known import KnownMinutes
from diagnose.decision.play import Dice, job_generator, play
from diagnose.decision.policies import make_policy
from diagnose.decision.state import UNDECIDED, Bench, State
from diagnose.trial.ledger import write_up

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.decision.policies import Policy
    from diagnose.decision.problem import DecisionProblem, Floats
    from diagnose.trial.ledger import Ledger

Progress = Callable[[int, int], None]

COLUMNS = (
    ("minutes", np.float64),
    ("labour_minutes", np.float64),
    ("known_minutes", np.float64),
    ("complaint", np.int16),
    ("tests", np.int16),
    ("repairs", np.int16),
    ("good_parts", np.int16),
    ("solved", np.bool_),
)
"""One row for each job. `minutes` are labour and the price of the parts, at the shop's hourly rate;
`known_minutes` the same if one had known what was wrong; `labour_minutes` are without the price."""

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
        ledger: prices and blown fuses; without it nothing has a price.
    """

    problems: Mapping[str, DecisionProblem]
    chances: Mapping[str, float]
    policy: str
    truth: Mapping[str, DecisionProblem] | None = None
    ledger: Ledger | None = None


class _Bay:
    """One complaint's bench, with what the policy decided so far."""

    def __init__(self, problem: DecisionProblem, truth: DecisionProblem, policy: Policy) -> None:
        self.bench = Bench(problem)
        self.truth = truth
        self.cumulated: Floats = np.cumsum(truth.prior)
        self.known = KnownMinutes(truth)
        self._policy = policy

    def decide(self, done: list[int], state: State) -> int:
        """What the policy does, noted down in `done`."""
        if state.action == UNDECIDED:
            state.action = self._policy.decide(self.bench, state)
        done.append(state.action)
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
        self._ledger = workshop.ledger
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
            actions: list[int] = []
            decide = partial(bay.decide, actions)
            done = play(bay.bench, decide, dice, like=bay.truth.tables.like)
            booked = write_up(self._ledger, bay.bench.problem, dice, actions)
            rows[row] = (
                done.minutes,
                done.minutes - booked.price_minutes,
                bay.known(dice.hypothesis),
                place,
                done.tests,
                done.repairs,
                booked.good_parts,
                done.solved,
            )
        return rows


_own = threading.local()
"""The bays of a worker, each thread its own, with the token of the trial they belong to."""


def _set_up(token: str, workshop: Workshop) -> None:
    _own.token, _own.bays = token, Bays(workshop)


def _piece(
    token: str, source: Callable[[], Workshop] | None, seed: int, edge: tuple[int, int]
) -> tuple[int, NDArray[np.void]]:
    """One piece of a trial, the workshop being built when its first piece comes."""
    if source is not None and getattr(_own, "token", None) != token:
        _set_up(token, source())
    bays: Bays = _own.bays
    return edge[0], bays.play(seed, *edge)


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
    if workers <= 1:
        bays = Bays(workshop)
        parts = []
        for first, last in _edges(jobs):
            parts.append(bays.play(seed, first, last))
            if progress is not None:
                progress(last, jobs)
        return np.concatenate(parts)
    token = uuid4().hex
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_set_up, initargs=(token, workshop)
    ) as pool:
        waiting = [pool.submit(_piece, token, None, seed, edge) for edge in _edges(jobs)]
        return _gather(waiting, jobs, progress)


def simulate_on(
    executor: Executor,
    source: Callable[[], Workshop],
    jobs: int,
    seed: int,
    progress: Progress | None = None,
) -> NDArray[np.void]:
    """The same jobs, played wherever an executor sends them.

    Args:
        executor: threads, processes or machines; left open.
        source: gives the workshop; called once by every worker, so it should be small to send.
        jobs: how many.
        seed: of all random numbers, as in `simulate`.
        progress: called with the jobs done and the jobs in all.
    """
    token = uuid4().hex
    waiting = [executor.submit(_piece, token, source, seed, edge) for edge in _edges(jobs)]
    return _gather(waiting, jobs, progress)


def _edges(jobs: int) -> list[tuple[int, int]]:
    return [(first, min(first + PIECE, jobs)) for first in range(0, jobs, PIECE)]


def _gather(
    waiting: Sequence[Future[tuple[int, NDArray[np.void]]]],
    jobs: int,
    progress: Progress | None,
) -> NDArray[np.void]:
    rows = np.zeros(jobs, dtype=list(COLUMNS))
    done = 0
    for one in as_completed(waiting):
        first, part = one.result()
        rows[first : first + len(part)] = part
        done += len(part)
        if progress is not None:
            progress(done, jobs)
    return rows
