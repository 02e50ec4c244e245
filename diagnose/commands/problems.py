"""What is said of a machine file that was checked: its problems, or what the machine will cost."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from diagnose.commands.output import print_error

if TYPE_CHECKING:
    from diagnose.errors import MachineFileError
    from diagnose.machine.cost import Cost

UNREADABLE = "file_unreadable"


def print_problems(error: MachineFileError, *, checking: bool, as_json: bool) -> None:
    """Write a line for each problem, and how many there are.

    They are what `check` was asked for, so they go to standard output where that leads into a file
    or another program; on a terminal, and from any other command, to standard error. That a file
    cannot be read at all is always an error.

    Args:
        error: the problems.
        checking: whether the command was `check`.
        as_json: whether they are on standard output as JSON already.
    """
    unread = [problem.rule for problem in error.problems] == [UNREADABLE]
    piped = checking and not unread and not sys.stdout.isatty()
    if not (as_json and piped):
        for line in str(error).splitlines():
            if piped:
                sys.stdout.write(f"{printable(line)}\n")
            else:
                print_error(line, prefix="")
    if not unread:
        sys.stdout.flush()
        number = len(error.problems)
        print_error(f"{error.file}: {number} problem{'s' if number != 1 else ''}", prefix="")


def printable(line: str) -> str:
    """A line that cannot steer a terminal, or fail to be written."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in line)


def refused_json(error: MachineFileError) -> dict[str, Any]:
    """The answer of `check --json` where there are problems; all of them."""
    problems = [
        {
            "file": error.file,
            "line": problem.line,
            "column": problem.column,
            "rule": problem.rule,
            "message": problem.message,
            "nearest": problem.nearest,
        }
        for problem in error.problems
    ]
    return {"file": error.file, "count": len(problems), "problems": problems, "cost": None}


def check_json(file: str, cost: Cost) -> dict[str, Any]:
    """The answer of `check --json` where there are none."""
    counts = cost.counts
    told = {
        "faults": counts.faults,
        "fault_sets": counts.sets,
        "circuits": counts.rigs,
        "nets": counts.nets,
        "first_start_seconds": round(counts.seconds, 1),
        "megabytes": round(counts.megabytes, 1),
        "dear": {"section": cost.section, "name": cost.name, "share": round(cost.saved, 3)}
        if cost.name
        else None,
    }
    return {"file": file, "count": 0, "problems": [], "cost": told}


def cost_lines(file: str, cost: Cost) -> list[str]:
    """What the machine will cost, and where that is much, what makes it so."""
    from diagnose.machine.check_size import what_helps  # noqa: PLC0415  not for every command

    counts = cost.counts
    sizes = (
        f"{file}: {counts.faults:,} faults, {counts.sets:,} fault sets to solve in {counts.rigs:,} "
        f"circuits of {counts.nets:,} nets: about {counts.seconds:.0f} s and "
        f"{max(counts.megabytes, 1.0):,.0f} MB on the first start"
    )
    lines = [sizes]
    if cost.name:
        lines.append(f"{file}: that is dear; {what_helps(cost)}")
    return lines
