"""A storm of writes by processes that are killed in the middle of it.

A nursery loads the store once and forks writers, so that each costs milliseconds; it opens no
connection itself. Two writers go on with the same jobs at once, two steps in each request. What a
writer was told to be kept it notes in a file of its own, by one write that outlives it. The next
writer of that name asks again, under the same key, for whatever its forerunner was not told of.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import VersionConflictError
from diagnose.steps.kinds import SetAside
from diagnose.steps.opening import Opening
from diagnose.store.database import connect
from diagnose.store.records import MachineFile, RequestKey, text_hash
from diagnose.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Iterator

SHOP = "barn"
FILE = MachineFile("barn_pump", "1", "machine: {id: barn_pump}\n", "{}")
WRITERS = ("ruth", "ada")
REQUESTS_A_JOB = 40
"""Of each writer; then both go on with the next job."""

LONGEST_SECONDS = 0.08
"""Between two kills at most, waiting for a first answer not counted."""

SETTLED = 0.8
"""Share of the kills before which a new writer is waited for until it was told something."""


def write(url: str, name: str, told: Path) -> None:
    """Write until killed."""
    store = Store.open(url)
    number = len(told.read_bytes().split())
    with told.open("ab", buffering=0) as acknowledged:
        while True:
            request(store, name, number)
            acknowledged.write(f"{number}\n".encode())
            number += 1


def job_of(store: Store, number: int) -> str:
    """The job that a request belongs to; whoever asks first opens it."""
    key = f"job {number // REQUESTS_A_JOB}"
    opening = Opening(machine="barn_pump", complaint="dead", at=None)
    return store.open_job(SHOP, opening, FILE, key=RequestKey(key, text_hash(key))).job_id


def request(store: Store, name: str, number: int) -> None:
    """Tell two steps, however often somebody else was first."""
    job_id, key = job_of(store, number), f"{name} {number}"
    steps = [SetAside(test="listen", note=f"{key} {half}") for half in ("first", "second")]
    while True:
        version = store.job(SHOP, job_id).version
        try:
            known = RequestKey(key, text_hash(key))
            store.append_steps(SHOP, job_id, version, steps, key=known)
        except VersionConflictError:
            continue
        return


def nursery(url: str, folder: str, kills: int, seed: int) -> None:
    """Keep both writers alive, killing one of them every now and then."""
    connect(url).engine.dispose()  # loads the driver, so that no writer has to
    rng, alive = random.Random(seed), dict[str, int]()  # noqa: S311
    for _ in range(kills):
        sizes = {name: (Path(folder) / name).stat().st_size for name in WRITERS}
        new = [name for name in WRITERS if name not in alive]
        alive |= {name: _forked(url, name, Path(folder) / name) for name in new}
        for name in new if rng.random() < SETTLED else ():
            _wait_for_more(Path(folder) / name, sizes[name])
        time.sleep(rng.uniform(0.0, LONGEST_SECONDS))
        victim = rng.choice(WRITERS)
        _kill(alive.pop(victim))
    for child in alive.values():
        _kill(child)


def _wait_for_more(told: Path, size: int) -> None:
    ends = time.monotonic() + 30.0
    while told.stat().st_size == size:
        if time.monotonic() > ends:
            raise RuntimeError(f"{told.name} is told nothing")
        time.sleep(0.001)


def _forked(url: str, name: str, told: Path) -> int:
    child = os.fork()
    if child == 0:
        try:
            write(url, name, told)
        finally:
            os._exit(1)  # a writer that ends by itself has failed
    return child


def _kill(child: int) -> None:
    ended, status = os.waitpid(child, os.WNOHANG)
    if ended:
        raise RuntimeError(f"a writer ended by itself, with {status}")
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def storm(url: str, folder: Path, kills: int, seed: int) -> dict[str, int]:
    """Let it rage; how many requests each writer was told of."""
    for name in WRITERS:
        (folder / name).touch()
    Store.open(url).close()
    code = "import sys; from tests.store.storm import nursery; "
    code += "nursery(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))"
    words = [sys.executable, "-c", code, url, str(folder), str(kills), str(seed)]
    root = Path(__file__).parents[2]
    done = subprocess.run(words, cwd=root, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    return {name: len((folder / name).read_bytes().split()) for name in WRITERS}


def problems(url: str, told: dict[str, int]) -> Iterator[str]:
    """What was lost, kept twice or kept by halves."""
    store = Store.open(url)
    yield from store.check()
    notes: list[str] = []
    for number in range(0, max(told.values()) + 2, REQUESTS_A_JOB):
        kept = store.log(SHOP, job_of(store, number)).steps
        notes += [each.step.note for each in kept if isinstance(each.step, SetAside)]
    store.close()
    if len(set(notes)) != len(notes):
        yield f"{len(notes) - len(set(notes))} steps are there twice"
    for name in WRITERS:
        own = [note for note in notes if note.startswith(f"{name} ")]
        # The last request may have been written without anybody being told.
        if len(own) // 2 not in {told[name], told[name] + 1}:
            yield f"{name} was told of {told[name]} requests; {len(own) / 2} are there"
        wanted = [
            f"{name} {number} {half}"
            for number in range(len(own) // 2)
            for half in ("first", "second")
        ]
        if own != wanted:
            yield f"the steps of {name} are not whole, or not in order"
