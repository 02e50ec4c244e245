"""Checks all hostile files in a folder in one process, and prints what came of each as JSON.

A process of its own, since the most memory that a process ever held cannot be set back.
"""

from __future__ import annotations

import contextlib
import io
import json
import resource
import sys
import time
from pathlib import Path

from diagnose.commands.program import run
from tests.machine.hostile import hostile_files
from tests.machine.hostile_file import GOOD


def peak_megabytes() -> float:
    """The most memory this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0


def check(path: Path) -> dict[str, object]:
    """Run `diagnose check` on a file."""
    out, err = io.StringIO(), io.StringIO()
    begun, before = time.perf_counter(), peak_megabytes()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(["check", str(path)])
    return {
        "path": str(path),
        "code": code,
        "lines": [*out.getvalue().splitlines(), *err.getvalue().splitlines()],
        "seconds": time.perf_counter() - begun,
        "megabytes": peak_megabytes() - before,
    }


def main(folder: Path, first: int, step: int) -> None:
    """Check a good file first, so that everything is imported, then every `step`th hostile one."""
    good = folder / "good.yaml"
    good.write_text(GOOD, "utf-8")
    answers = [check(good)]
    for number, hostile in enumerate(hostile_files()[first::step]):
        answers.append(check(hostile.make(folder / f"{number}.yaml")))
    sys.stdout.write(json.dumps(answers))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
