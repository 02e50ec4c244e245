"""Several first starts at once: one of them does the work, and a dead one stops nobody."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose import cache

if TYPE_CHECKING:
    import pytest

STARTS = 6
CART = Path(__file__).parents[1] / "machine" / "larkfield.yaml"
START = (
    "import sys\n"
    "from diagnose.job import prepare\n"
    "known = prepare(sys.argv[1], progress=lambda line: print(line, flush=True))\n"
    "print('ready', known.sets.now().n_base, flush=True)\n"
)


def start(folder: Path, code: str = START) -> subprocess.Popen[str]:
    root = str(Path(__file__).parents[2])
    env = {**os.environ, cache.DIRECTORY_VARIABLE: str(folder), "PYTHONPATH": root}
    return subprocess.Popen(
        [sys.executable, "-c", code, str(CART)], stdout=subprocess.PIPE, text=True, env=env
    )


def test_six_at_once_solve_a_machine_once(tmp_path: Path) -> None:
    starts = [start(tmp_path) for _ in range(STARTS)]
    told = [process.communicate(timeout=300)[0].splitlines() for process in starts]
    assert [process.returncode for process in starts] == [0] * STARTS
    assert len({lines[-1] for lines in told}) == 1
    assert sum("reading the machine file" in lines for lines in told) == 1


def test_who_dies_at_work_leaves_the_lock_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = (
        "from diagnose import cache\nimport time\n"
        "with cache.one_at_a_time(print):\n    print('mine', flush=True)\n    time.sleep(600)\n"
    )
    holder = start(tmp_path, code)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "mine\n"
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    begun = time.monotonic()
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(tmp_path))
    told = list[str]()
    with cache.one_at_a_time(told.append):
        assert told == []
    assert time.monotonic() - begun < 60.0
    holder.stdout.close()


def test_where_nothing_can_be_written_nobody_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(tmp_path / "file"))
    told = list[str]()
    with cache.one_at_a_time(told.append):
        pass
    assert told == []
