"""A demonstration laid out for reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.advice.advice import RecordedRepair
from diagnose.commands.page import headline, indented
from diagnose.commands.show import (
    finding_line,
    show_cautions,
    show_heading,
    show_suspects,
    show_verdict,
)
from diagnose.paper import words
from diagnose.paper.where import where_lines

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.commands.run_demo import Demo, Step
    from diagnose.machine.model import Machine

SUSPECTS = 4


def show_demo(console: Console, demo: Demo) -> None:
    """Complaint, every test with its finding and the beliefs after it, verdict, and the truth."""
    machine = demo.job.machine
    show_heading(console, machine, demo.case.complaint)
    told = f"A fault was invented (seed {demo.seed}); the technician does not know which."
    console.print(Text(told, "dim"))
    show_suspects(console, machine, demo.first, SUSPECTS)
    for number, step in enumerate(demo.steps, 1):
        _show_step(console, machine, number, step)
    show_verdict(console, demo.job, demo.last)
    headline(console, "What it was")
    truth = words.fault_words(machine, demo.case.part, demo.case.mode)
    tests = words.count_words(sum(step.test is not None for step in demo.steps), "test")
    result = "Found and put right" if demo.found else "Not found"
    spent = f"{tests}, {words.minutes_words(demo.minutes)} with opening and repair"
    indented(console, f"{truth}. {result} after {spent}.")


def _show_step(console: Console, machine: Machine, number: int, step: Step) -> None:
    done = step.done
    if isinstance(done, RecordedRepair):
        repair = words.repair_of(machine, f"{done.part}.{done.repair}")
        headline(console, f"{number}. Repair: {words.repair_words(machine, done)}")
        indented(console, words.minutes_words(step.minutes))
        names = repair[1].cautions if repair is not None else ()
        show_cautions(console, words.caution_texts(machine, names))
        line = Text("Tried: ", "bold").append(words.check_words(machine, done.check))
    else:
        headline(console, f"{number}. Test: {machine.tests[done.test].title}")
        for where in where_lines(machine, machine.tests[done.test]):
            indented(console, where)
        if step.test is not None:
            indented(console, words.effort_words(machine, step.test))
            show_cautions(console, step.test.cautions)
        line = Text("Found: ", "bold").append(finding_line(machine, done))
    indented(console, step.reason, "dim")
    indented(console, line)
    if step.after.verdict.action != "done":
        show_suspects(console, machine, step.after, SUSPECTS)
