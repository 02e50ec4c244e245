"""Jobs at the bench of the shipped machines, played as the advice says, screen by screen."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache

from rich.console import Console

from diagnose.commands.show_screen import GO_ON
from diagnose.commands.talk import Talk
from diagnose.commands.to_type import said_outcomes
from diagnose.commands.turn import Turn, understand
from diagnose.job import Job

JOBS = (
    ("utility_vehicle", "silent"),
    ("utility_vehicle", "slow_crank"),
    ("compact_tractor", "silent"),
    ("compact_tractor", "cranks_no_start"),
    ("standby_pump", "dead"),
    ("standby_pump", "silent"),
    ("zero_turn_mower", "dead"),
    ("zero_turn_mower", "one_click"),
)
MOST_LINES = 25


@dataclass(frozen=True)
class Played:
    """One line typed, and what stood on the screen before it.

    Attributes:
        pages: text of each page; all but the last were left with Enter.
        turn: where the job stood.
    """

    pages: tuple[str, ...]
    turn: Turn


def likeliest(turn: Turn) -> str:
    """What a technician types when the likeliest comes out; repairs help."""
    advice, verdict = turn.advice, turn.advice.verdict
    if verdict.action == "repair":
        return "repaired runs"
    tests = {test.test: test for test in advice.tests}
    if verdict.target not in tests:  # to be looked at again
        return next(f.outcome for f in reversed(advice.findings) if f.test == verdict.target)
    return max(tests[verdict.target].outcomes, key=lambda end: end.probability).outcome


@cache
def played(machine: str, complaint: str) -> tuple[Played, ...]:
    """A job from the first screen to the last."""
    job, out = Job.open(machine, complaint), io.StringIO()
    console = Console(file=out, width=100, markup=False, emoji=False, highlight=False)
    turn, pages, steps = Turn.of(job), [], []

    def type_line() -> str:
        nonlocal turn
        pages.append(out.getvalue())
        out.seek(0)
        out.truncate()
        if GO_ON in pages[-1]:
            return "\n"
        steps.append(Played(tuple(pages), turn))
        pages.clear()
        if turn.advice.verdict.action in {"done", "escalate"} or len(steps) == MOST_LINES:
            return ""
        line, test = likeliest(turn), job.machine.tests.get(turn.asked)
        outcomes = {} if test is None else said_outcomes(job.machine, test)
        has_unit = test is not None and test.unit is not None
        turn = turn.after(understand(line, outcomes, has_unit=has_unit))
        return f"{line}\n"

    Talk(console, type_line).run(job)
    return tuple(steps)
