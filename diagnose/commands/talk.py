"""The talk at the bench: show, ask, take, until the technician has had enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.page import headline, named, pairs
from diagnose.commands.screen import lead_words, left_of, said_outcomes, screen_of
from diagnose.commands.show import (
    finding_line,
    repair_line,
    show_heading,
    show_suspects,
    show_tests,
    show_while_open,
)
from diagnose.commands.show_screen import show_ending, show_screen
from diagnose.commands.show_why import show_why
from diagnose.commands.turn import LISTED, WORDS, Said, Turn, chosen, understand
from diagnose.errors import ClashError, DiagnoseError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from diagnose.job import Job
    from diagnose.machine.model import Machine

    ReadLine = Callable[[], str]

PROMPT = "> "
TELLS = frozenset({"why", "list", "help", "nothing"})
"""What is asked, not said: it leaves the job as it is."""


def ask_complaint(console: Console, machine: Machine, read_line: ReadLine) -> str | None:
    """The complaint chosen by number or id; None when the input ends first."""
    headline(console, "What does the customer say?")
    for number, complaint in enumerate(machine.complaints.values(), 1):
        named(console, str(number), complaint.title, complaint.id)
    while True:
        console.print(Text(PROMPT), end="")
        line = read_line()
        if not line:
            return None
        try:
            return chosen("complaint", line.strip(), list(machine.complaints))
        except DiagnoseError as error:
            if line.strip():
                _complain(console, error)


def _complain(console: Console, error: DiagnoseError) -> None:
    console.print(Text(str(error), "red"))


@dataclass(frozen=True, slots=True)
class Talk:
    """A technician at a terminal; `read_line` gives an empty text when the input ends."""

    console: Console
    read_line: ReadLine

    def run(self, job: Job) -> Job:
        """Talk until `quit` or the end of the input; the job as it stands then."""
        turn, seen = Turn.of(job), frozenset[str]()
        show_heading(self.console, job.machine, job.complaint)
        seen = self._show(turn, seen)
        while True:
            self.console.print(Text(PROMPT), end="")
            line, machine = self.read_line(), turn.job.machine
            test = machine.tests.get(turn.asked)
            outcomes = {} if test is None else said_outcomes(machine, test)
            has_unit = test is not None and test.unit is not None
            said = understand(line, outcomes, has_unit=has_unit, tests=machine.tests)
            if not line or said.kind == "quit":
                return turn.job
            try:
                turn, seen = self._answer(turn, said, seen)
            except DiagnoseError as error:
                _complain(self.console, error)
                if isinstance(error, ClashError):
                    self.console.print(Text("Not taken. Read it again, or undo the earlier one."))

    def _answer(self, turn: Turn, said: Said, seen: frozenset[str]) -> tuple[Turn, frozenset[str]]:
        """What a line makes of the talk, and the cautions shown by then; a question, nothing."""
        if said.kind in TELLS or (said.kind in {"open", "close", "repaired"} and not said.name):
            self._tell(turn, said.kind)
            return turn, seen
        new = turn.after(said)
        if said.kind in {"result", "finding"}:
            self._taken(turn, new)
        elif said.kind == "repaired":
            self.console.print(repair_line(new.job.machine, new.advice.repairs[-1]))
        return new, self._show(new, seen)

    def _tell(self, turn: Turn, kind: str) -> None:
        console, job, advice = self.console, turn.job, turn.advice
        if kind == "why":
            show_why(console, turn)
        elif kind == "list":
            show_suspects(console, job.machine, advice, LISTED)
            if advice.verdict.action != "done":
                show_tests(console, job.machine, advice.tests[:LISTED])
        elif kind == "help":
            pairs(console, WORDS)
        elif kind == "repaired":
            self._checks(job.machine)
        elif kind != "nothing":
            for area in job.machine.areas.values():
                opened = area.id in job.situation.open_areas
                named(console, "open  " if opened else "closed", area.title, area.id)
            if advice.verdict.action != "done":
                show_while_open(console, job, advice, LISTED)

    def _checks(self, machine: Machine) -> None:
        """What trying the machine after a repair can show, by number."""
        console = self.console
        console.print(Text("Try it, and every interlock. What does it do now?"))
        named(console, " ", "it starts and runs", "repaired runs")
        named(console, " ", "the same as before", "repaired same")
        for number, complaint in enumerate(machine.complaints.values(), 1):
            named(console, " ", complaint.title, f"repaired {number}")
        named(console, " ", "something else", "repaired other")

    def _taken(self, before: Turn, after: Turn) -> None:
        """Read the new finding back, with the areas it left open."""
        line = finding_line(after.job.machine, after.advice.findings[-1])
        self.console.print(Text("Taken: ").append(line))
        opened = after.job.situation.open_areas - before.job.situation.open_areas
        if opened:
            self.console.print(Text(f"Left open: {', '.join(sorted(opened))}.", "dim"))

    def _show(self, turn: Turn, seen: frozenset[str]) -> frozenset[str]:
        """The screen for where the job stands; the cautions that have been shown in full."""
        if turn.advice.verdict.action == "done" and not turn.asked:
            show_ending(self.console, turn.job, turn.advice)
            return seen
        screen = screen_of(turn, seen)
        lead = lead_words(turn, left_of(turn.job))
        show_screen(self.console, turn.job.machine, screen, lead)
        return seen.union(screen.cautions.full)
