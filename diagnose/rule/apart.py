"""The first start of all in a process of its own, which gives its memory back when it ends.

Compiling the kernels takes 200 megabytes that a process never gives back, while one that reads them
from disk needs 20. So whoever meets a machine before they were compiled has another process solve
it and compile what advice needs, and then reads from disk what that has kept. Where that cannot be
done, nothing is lost: the machine is solved here.
"""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING

import llvmlite.binding
import numba
import numpy as np

from diagnose import cache
from diagnose.machine.archive import machine_to_json
from diagnose.stop import go_on

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.machine.model import Machine

KIND = "kernels"
LAYERS = ("circuit", "faults", "belief", "rule")
"""Packages whose kernels advice runs through."""

LOOK_EVERY_SECONDS = 0.1
"""So often is it asked whether anybody still waits."""


def compiled_before() -> bool:
    """Whether the kernels, as their source is now, were compiled for this kind of processor."""
    return cache.load(KIND, _kernels()) is not None


def note_compiled() -> None:
    """Keep in mind that they were."""
    cache.store(KIND, _kernels(), {"compiled": np.ones(1, np.uint8)})


def _kernels() -> str:
    processor = llvmlite.binding.get_host_cpu_name()
    made_by = f"{numba.__version__} {np.__version__} {sys.version} {processor}"
    return cache.content_hash(made_by.encode(), cache.source_hash(LAYERS))


def solved_apart(machine: Machine, progress: Callable[[str], None]) -> bool:
    """Have another process solve a machine, keep it on disk and compile the kernels.

    Args:
        machine: the machine.
        progress: called with what that process says.

    Returns:
        Whether it came to its end; not where it cannot be started or nothing can be kept.

    Raises:
        StoppedError: nobody waits for it any more; the process is ended.
    """
    if not sys.executable or cache.private_folder() is None:
        return False
    try:
        with tempfile.TemporaryFile() as given:
            given.write(machine_to_json(machine).encode())
            given.seek(0)
            process = _begun(given)
    except OSError:
        return False
    with process:
        return _followed(process, progress) == 0


def _begun(given: IO[bytes]) -> subprocess.Popen[str]:
    """The other process: this program, wherever it lies; only its own folder is added."""
    paths = [str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")]
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "diagnose.rule.first_start"],
        stdin=given,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))},
        encoding="utf-8",
    )


def _followed(process: subprocess.Popen[str], progress: Callable[[str], None]) -> int:
    """Pass on what a process says until it ends; its exit code. It ends with the wait for it."""
    told: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def listen() -> None:
        for line in process.stdout or ():
            told.put(line.rstrip())
        told.put(None)

    listening = threading.Thread(target=listen, name="first start", daemon=True)
    listening.start()
    try:
        while True:
            go_on()
            with suppress(queue.Empty):
                sentence = told.get(timeout=LOOK_EVERY_SECONDS)
                if sentence is None:
                    return process.wait()
                progress(sentence)
    finally:
        process.kill()
        listening.join()
