"""No file hurts: each is answered at its place, in ten seconds and 500 megabytes at most.

The limits are those of the issue, ten times and more above what is taken, so that a busy machine
does not fail them.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from tests.machine.hostile import hostile_files

if TYPE_CHECKING:
    from pathlib import Path

    from tests.machine.hostile_file import Hostile

MOST_SECONDS, MOST_MEGABYTES = 10.0, 500.0
MOST_LINES, LONGEST = 52, 900
HOSTILE = hostile_files()


def test_there_are_enough_of_them() -> None:
    assert len({(each.kind, each.name) for each in HOSTILE}) == len(HOSTILE) >= 105
    assert len({each.kind for each in HOSTILE}) >= 10


@pytest.mark.parametrize("first", [0, 1])
def test_each_is_answered(tmp_path: Path, first: int) -> None:
    """Every second one, in a process of its own."""
    command = [sys.executable, "-m", "tests.machine.check_all", str(tmp_path), str(first), "2"]
    ran = subprocess.run(command, check=True, capture_output=True, text=True, timeout=600)
    good, *answers = json.loads(ran.stdout)
    assert good["code"] == 0
    half = HOSTILE[first::2]
    failed = {
        f"{hostile.kind}: {hostile.name}": answer
        for hostile, answer in zip(half, answers, strict=True)
        if not _is_answered(hostile, answer)
    }
    assert failed == {}
    assert sum(answer["megabytes"] for answer in answers) < MOST_MEGABYTES


def _is_answered(hostile: Hostile, answer: dict[str, Any]) -> bool:
    """Whether a file was refused with its rule at its place, in clear lines and little time."""
    path, lines = answer["path"], answer["lines"]
    clear = all(
        line.isprintable() and len(line) < LONGEST and line.startswith((f"{path}:", "... and "))
        for line in lines
    )
    return (
        answer["code"] == 6
        and answer["seconds"] < MOST_SECONDS
        and len(lines) <= MOST_LINES
        and clear
        and any(_names(hostile, path, line) for line in lines)
    )


def _names(hostile: Hostile, path: str, line: str) -> bool:
    """Whether a line names the rule at its place; column 0 stands for any."""
    place = re.escape(f"{path}:{hostile.line}:")
    column = r"\d+" if hostile.line and not hostile.column else str(hostile.column)
    return re.match(rf"{place}{column}: .+ \[{hostile.rule}\]$", line) is not None


def test_nothing_runs_from_a_file(tmp_path: Path) -> None:
    """Tags that make other readers of YAML call functions (PyYAML's documentation, from memory)."""
    made = tmp_path / "made"
    file = tmp_path / "calls.yaml"
    file.write_text(f"!!python/object/apply:os.mkdir ['{made}']\n", "utf-8")
    command = [sys.executable, "-m", "diagnose", "check", str(file)]
    assert subprocess.run(command, check=False, capture_output=True, timeout=60).returncode == 6
    assert not made.exists()
