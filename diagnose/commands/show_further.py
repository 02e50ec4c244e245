"""A look further ahead, in words."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from diagnose.commands import words
from diagnose.commands.output import print_progress
from diagnose.commands.show import headline, indented
from diagnose.errors import ClashError

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.decision.further import FurtherLook, LikelyStep
    from diagnose.job import Job
    from diagnose.machine.model import Machine

AT_THE_BENCH_SECONDS = 0.25
"""Somebody reads the screen meanwhile; the figures are steadier than with less."""

CHECK_WORDS = {"gone": "the complaint is gone", "still_there": "the complaint is still there"}


def show_further(console: Console, machine: Machine, further: FurtherLook) -> None:
    """Minutes left, the leading actions compared, the likeliest steps."""
    headline(console, "Further ahead")
    told = f"{left_words(further)}; {error_words(further)}"
    indented(console, Text(f"{told[0].upper()}{told[1:]}."))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("min left", "+-", "if this comes next"):
        table.add_column(heading, overflow="fold")
    for one in further.actions:
        chosen = "bold" if one == further.best else ""
        table.add_row(
            Text(f"{one.minutes:.1f}".rjust(8), chosen),
            Text(f"{one.error_minutes:.1f}"),
            Text(action_words(machine, one.action, one.target), chosen),
        )
    indented(console, table)
    indented(
        console, Text("Most likely it goes on so, with the chance that it comes so far", "dim")
    )
    for number, step in enumerate(further.and_then, 1):
        indented(console, Text(f"{number}  {step_words(machine, step)}"))


def show_left(console: Console, job: Job) -> None:
    """One line with the minutes left; none when the findings cannot all be true."""
    with contextlib.suppress(ClashError):
        further = job.look_further(AT_THE_BENCH_SECONDS, print_progress)
        console.print(Text(f"  {left_words(further)}", "dim"))


def left_words(further: FurtherLook) -> str:
    """`about 44 min left (90 % under 76)`; how many figures are meant, the error says."""
    return f"about {further.minutes_left:.0f} min left (90 % under {further.p90_minutes:.0f})"


def error_words(further: FurtherLook) -> str:
    """How sure these numbers are, and what they rest on."""
    if further.jobs == 0:
        return "every outcome followed to its end"
    return (
        f"give or take {further.error_minutes:.1f} and {further.p90_error_minutes:.0f}, "
        f"from {further.jobs} jobs played"
    )


def action_words(machine: Machine, action: str, target: str) -> str:
    """An action in the words of the machine file."""
    repair = words.repair_of(machine, target)
    if repair is not None:
        part, one = repair
        return f"{words.part_words(machine, part)}: {one.title}"
    return machine.tests[target].title if action == "test" else "Hand over"


def step_words(machine: Machine, step: LikelyStep) -> str:
    """One step with its likeliest outcome."""
    told = action_words(machine, step.action, step.target)
    if not step.outcome:
        return told
    seen = CHECK_WORDS.get(step.outcome, "")
    if step.action == "test":
        seen = words.outcome_words(machine, step.target, step.outcome)
    return f"{told}: {seen} ({words.percent(step.probability)})"
