"""The talk at the bench: show, ask, take, until the technician has had enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.page import headline, named
from diagnose.commands.show import (
    finding_line,
    repair_line,
    show_asked,
    show_heading,
    show_left,
    show_suspects,
    show_tests,
    show_verdict,
    show_while_open,
    show_why,
)
from diagnose.commands.turn import WORDS, Said, Turn, chosen, understand
from diagnose.errors import ClashError, DiagnoseError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from diagnose.job import Job
    from diagnose.machine.model import Machine

    ReadLine = Callable[[], str]

SUSPECTS = 5
LISTED = 9
WHILE_OPEN = 3
PROMPT = "> "


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
        except UnknownNameError as error:
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
        turn = Turn.of(job)
        show_heading(self.console, job.machine, job.complaint)
        self.console.print(Text("Type what you find, or `help`.", "dim"))
        self._show(turn)
        while True:
            self.console.print(Text(PROMPT), end="")
            line, test = self.read_line(), job.machine.tests.get(turn.asked)
            outcomes = [outcome.id for outcome in test.outcomes] if test else []
            said = understand(line, outcomes, has_unit=bool(test and test.unit))
            if not line or said.kind == "quit":
                return turn.job
            try:
                turn = self._answer(turn, said)
            except DiagnoseError as error:
                _complain(self.console, error)
                if isinstance(error, ClashError):
                    self.console.print(Text("Not taken. Read it again, or undo the earlier one."))

    def _answer(self, turn: Turn, said: Said) -> Turn:
        """What a line makes of the talk; questions give the same turn."""
        if said.kind in {"why", "list", "help", "nothing"} or (
            said.kind in {"open", "close"} and not said.name
        ):
            self._tell(turn, said.kind)
            return turn
        new = turn.after(said)
        if said.kind in {"result", "finding"}:
            self._taken(turn, new)
        elif said.kind == "repaired":
            self.console.print(repair_line(new.job.machine, new.advice.repairs[-1]))
        self._show(new)
        return new

    def _tell(self, turn: Turn, kind: str) -> None:
        console, job, advice = self.console, turn.job, turn.advice
        if kind == "why":
            show_why(console, job, advice, turn.asked)
        elif kind == "list":
            show_suspects(console, job.machine, advice, LISTED)
            show_tests(console, job.machine, advice.tests[:LISTED])
            show_while_open(console, job, advice, LISTED)
        elif kind == "help":
            for word, meaning in WORDS.items():
                console.print(Text(f"  {word:<16}", "cyan").append(meaning, ""))
        elif kind != "nothing":
            for area in job.machine.areas.values():
                opened = area.id in job.situation.open_areas
                named(console, "open  " if opened else "closed", area.title, area.id)

    def _taken(self, before: Turn, after: Turn) -> None:
        """Read the new finding back, with the areas it left open."""
        line = finding_line(after.job.machine, after.advice.findings[-1])
        self.console.print(Text("Taken: ").append(line))
        opened = after.job.situation.open_areas - before.job.situation.open_areas
        if opened:
            self.console.print(Text(f"Left open: {', '.join(sorted(opened))}.", "dim"))

    def _show(self, turn: Turn) -> None:
        console, job, advice = self.console, turn.job, turn.advice
        show_suspects(console, job.machine, advice, SUSPECTS)
        if advice.verdict.action != "done":
            show_left(console, job)
        show_while_open(console, job, advice, WHILE_OPEN)
        if turn.asked:
            show_asked(console, job, advice, turn.asked)
            return
        show_verdict(console, job.machine, advice)
        told = "`quit` writes the sheet; `list` shows what else tells."
        if advice.verdict.action == "repair":
            told = f"Then try it: `repaired gone` or `repaired still`. {told}"
        console.print(Text(told, "dim"))
