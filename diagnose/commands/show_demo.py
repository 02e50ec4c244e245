"""A demonstration laid out for reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands import words
from diagnose.commands.show import (
    effort_words,
    finding_line,
    headline,
    indented,
    show_cautions,
    show_heading,
    show_suspects,
    show_verdict,
)

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
    show_suspects(console, machine, demo.first.suspects, SUSPECTS)
    for number, step in enumerate(demo.steps, 1):
        _show_step(console, machine, number, step)
    show_verdict(console, machine, demo.last)
    headline(console, "What it was")
    truth = words.fault_words(machine, demo.case.part, demo.case.mode)
    spent = f"{demo.tests} tests, {words.minutes_words(demo.minutes)} with opening and repair"
    result = "Found and put right" if demo.found else "Not found"
    indented(console, Text(f"{truth}. {result} after {spent}."))
    indented(console, Text("Before it goes out: start it once more, and try every interlock."))


def _show_step(console: Console, machine: Machine, number: int, step: Step) -> None:
    last = step.after.findings[-1] if step.after.findings else None
    if last is None or last.repairs_before < len(step.after.repairs):
        _show_repair(console, machine, number, step)
        return
    headline(console, f"{number}. Test: {machine.tests[last.test].title}")
    if step.test is not None:
        indented(console, Text(effort_words(machine, step.test)))
        show_cautions(console, step.test.cautions)
    indented(console, Text(step.reason, "dim"))
    finding = Text("Found: ", "bold").append(finding_line(machine, last))
    indented(console, finding)
    show_suspects(console, machine, step.after.suspects, SUSPECTS)


def _show_repair(console: Console, machine: Machine, number: int, step: Step) -> None:
    done = step.after.repairs[-1]
    headline(console, f"{number}. Repair: {words.repair_words(machine, done)}")
    indented(console, Text(words.minutes_words(step.minutes)))
    repair = next(one for one in machine.parts[done.part].repairs if one.id == done.repair)
    show_cautions(console, words.caution_texts(machine, repair.cautions))
    indented(console, Text(step.reason, "dim"))
    check = Text("Tried: ", "bold").append(words.check_words(done.gone), "bold")
    indented(console, check)
    if not done.gone:
        show_suspects(console, machine, step.after.suspects, SUSPECTS)
