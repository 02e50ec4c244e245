"""Many jobs, split any way over processes, with the same result."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context, resource_tracker
from typing import TYPE_CHECKING
from uuid import uuid4

import numpy as np

from diagnose.ahead.bench import MOST_STATES
from diagnose.ahead.desk import Desk
from diagnose.ahead.play import Dice, job_generator, play
from diagnose.ahead.policies import make_policy
from diagnose.belief.situation import Situation
from diagnose.errors import ValueOutOfRangeError
from diagnose.rule.prepared import prepared
from diagnose.sums import inner
from diagnose.trial.shop import Shop, comes_with, draw_truths

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from diagnose.ahead.desk import DeskState
    from diagnose.machine.model import Machine
    from diagnose.rule.prepared import Prepared

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

PIECE = 100
"""Jobs of one piece of work; what is wrong with them is drawn together."""


@dataclass(frozen=True, slots=True, eq=False)
class Workshop:
    """Where jobs come from and how they are decided.

    Attributes:
        machine: as the policy believes it to be.
        policy: name of the policy.
        complaints: those that come.
        truth: how the machine really is, where that is not what the policy believes.
    """

    machine: Machine
    policy: str
    complaints: tuple[str, ...]
    truth: Machine | None = None


class Bays:
    """All complaints of a workshop, ready to play jobs, with what was decided so far."""

    def __init__(self, workshop: Workshop) -> None:
        """Nothing is decided until a job comes."""
        believed = prepared(workshop.machine)
        self._truth = believed if workshop.truth is None else prepared(workshop.truth)
        self._complaints = workshop.complaints
        self._desks = [Desk(believed, Situation(name)) for name in self._complaints]
        self._shops = [Shop(self._truth, name) for name in self._complaints]
        self._policy = make_policy(workshop.policy)
        self._decided: list[dict[Situation, tuple[int, int]]] = [{} for _ in self._complaints]
        self._chances = complaint_shares(self._truth, self._complaints)

    def play(self, seed: int, first: int, last: int) -> NDArray[np.void]:
        """Jobs number `first` to `last - 1` of a seed, a piece of `PIECE` or its beginning.

        What is wrong is drawn for a whole piece in any case, so that a trial of more jobs begins
        with those of a shorter one.
        """
        rows = np.zeros(last - first, dtype=list(COLUMNS))
        rng = piece_generator(seed, first)
        places = rng.choice(len(self._complaints), PIECE, p=self._chances)
        for place, complaint in enumerate(self._complaints):
            own = np.flatnonzero(places == place).tolist()
            truths = draw_truths(self._truth, complaint, len(own), rng)
            n_tests = self._desks[place].costs.n_tests
            for row, truth in zip(own, truths, strict=True):
                if row < len(rows):
                    dice = Dice.throw(truth, n_tests, job_generator(seed, first + row))
                    rows[row] = self._played(place, dice)
        return rows

    def _played(self, place: int, dice: Dice) -> tuple[float | int | bool, ...]:
        """One row."""
        desk, shop, decided = self._desks[place], self._shops[place], self._decided[place]

        def decide(state: DeskState) -> tuple[int, int]:
            """The policy's action, and what to look at again before it."""
            said = decided.get(state.key)
            if said is None:
                if len(decided) >= MOST_STATES:
                    decided.clear()
                action = self._policy(desk, state)
                said = decided[state.key] = action, desk.doubted(state, action)
            return said

        done = play(
            desk, shop, lambda state: decide(state)[0], dice,
            doubted=lambda state, _: decide(state)[1],
        )  # fmt: skip
        return (
            done.minutes,
            done.minutes - done.price_minutes,
            shop.known_minutes(dice.truth),
            place,
            done.tests,
            done.repairs,
            done.good_parts,
            done.solved,
        )


def piece_generator(seed: int, first: int) -> np.random.Generator:
    """The random numbers of a piece: a child of its first job's, so that no job shares them."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(first, 0))))


def complaint_shares(ready: Prepared, complaints: Sequence[str]) -> NDArray[np.float64]:
    """(complaints,) how often each comes, of all jobs with one of them.

    Raises:
        ValueOutOfRangeError: no fault of the machine gives any of them.
    """
    solved = ready.sets.now()
    rows = np.arange(solved.n_base)
    found = []
    for complaint in complaints:
        values = solved.readings(ready.behaviour.column[complaint], rows)
        comes = comes_with(ready, complaint, values)
        found.append(inner(solved.prior[rows], comes))
    if sum(found) <= 0.0:
        named = f"chance that a machine comes with {' or '.join(complaints)}"
        raise ValueOutOfRangeError(named, sum(found), 1e-12, 1.0, "")
    return np.array(found) / sum(found)


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
        try:
            with _deaf_to_the_keyboard():
                waiting = [pool.submit(_piece, token, None, seed, edge) for edge in _edges(jobs)]
            return _gather(waiting, jobs, progress)
        except KeyboardInterrupt:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


@contextlib.contextmanager
def _deaf_to_the_keyboard() -> Iterator[None]:
    """What is begun within never hears an interrupt: whoever began it hears it afterwards."""
    resource_tracker.ensure_running()  # else it would be begun within, and let interrupts in
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
