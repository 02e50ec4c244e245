"""Streams that are closed, full or left: one line at most, no traceback, a plain exit code.

POSIX: `/dev/full` fails every write with ENOSPC (full(4)).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

WORDS = [sys.executable, "-m", "diagnose"]
LONG = [*WORDS, "schema"]
"""A command with much to say, that says it at once."""


def run(command: str, **how: Any) -> subprocess.CompletedProcess[str]:
    """A line of the shell."""
    return subprocess.run(
        ["sh", "-c", command], capture_output=True, text=True, check=False, timeout=120, **how
    )


def shell(words: list[str]) -> str:
    return " ".join(f"'{word}'" for word in words)


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_closed_streams(closed: str) -> None:
    done = run(f"{shell(LONG)} {closed}")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_standard_output_that_is_full() -> None:
    done = run(f"{shell(LONG)} > /dev/full")
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "No space left on device" in line


def test_a_reader_that_leaves() -> None:
    done = run(f"{shell(LONG)} | head -c 1")
    assert (done.stdout, done.stderr) == ("{", "")


def test_a_trial_that_is_stopped_at_the_keyboard_leaves_no_process() -> None:
    words = [*WORDS, "trial", "push_mower", "--complaint", "rope_broken", "--jobs", "200000"]
    # a run in the background is begun with this signal ignored, and would hand that on
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
    finally:
        signal.signal(signal.SIGINT, before)
    time.sleep(4.0)
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in told
    end = time.monotonic() + 10.0
    while time.monotonic() < end and _left(process.pid):
        time.sleep(0.1)
    assert not _left(process.pid)


def _left(group: int) -> list[str]:
    """Processes of a group that still run."""
    left = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, owner, *_ = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(owner) == group and state != "Z":
            left.append(stat.parent.name)
    return left
