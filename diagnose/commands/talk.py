"""The talk at the bench: show, ask, take, until the technician has had enough."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.bench_words import WORDS, Said, understand
from diagnose.commands.opening import CHECKS
from diagnose.commands.output import print_progress
from diagnose.commands.show import (
    finding_line,
    headline,
    repair_line,
    show_heading,
    show_suspects,
    show_tests,
    show_verdict,
    show_while_open,
)
from diagnose.commands.show_further import show_left
from diagnose.commands.show_test import show_asked, show_why
from diagnose.errors import ClashError, DiagnoseError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from diagnose.advice.advice import Advice
    from diagnose.job import Job
    from diagnose.machine.model import Machine

    ReadLine = Callable[[], str]

SUSPECTS = 5
LISTED = 9
WHILE_OPEN = 3
PROMPT = "> "


@dataclass(frozen=True, slots=True)
class Desk:
    """Where the talk stands.

    Attributes:
        job: the job so far.
        advice: its advice.
        asked: id of the test asked for; empty when a repair is proposed.
    """

    job: Job
    advice: Advice
    asked: str

    @classmethod
    def of(cls, job: Job) -> Desk:
        """The desk with the advice's own choice of test.

        Raises:
            ClashError: the findings cannot all be true.
        """
        advice = job.advise(print_progress)
        verdict = advice.verdict
        return cls(job, advice, verdict.target if verdict.action in {"test", "recheck"} else "")


def ask_complaint(console: Console, machine: Machine, read_line: ReadLine) -> str | None:
    """The complaint chosen by number or id; None when the input ends first."""
    names = list(machine.complaints)
    headline(console, "What does the customer say?")
    for number, complaint in enumerate(machine.complaints.values(), 1):
        console.print(Text(f"  {number}  {complaint.title}  ").append(complaint.id, "cyan"))
    while True:
        console.print(Text(PROMPT), end="")
        line = read_line()
        if not line:
            return None
        text = line.strip()
        if text.isdecimal() and 1 <= int(text) <= len(names):
            return names[int(text) - 1]
        if text in names:
            return text
        if text:
            _complain(console, UnknownNameError("complaint", text, names))


def _complain(console: Console, error: DiagnoseError) -> None:
    console.print(Text(str(error), "red"))


@dataclass(frozen=True, slots=True)
class Talk:
    """A technician at a terminal.

    Attributes:
        console: where everything is shown.
        read_line: gives the next line typed, an empty text at the end.
    """

    console: Console
    read_line: ReadLine

    def run(self, job: Job) -> Job:
        """Talk until `quit` or the end of the input; the job as it stands then."""
        desk = Desk.of(job)
        show_heading(self.console, job.machine, job.complaint)
        self.console.print(Text("Type what you find, or `help`.", "dim"))
        self._show(desk)
        while True:
            self.console.print(Text(PROMPT), end="")
            line = self.read_line()
            said = self._understand(desk, line)
            if not line or said.kind == "quit":
                return desk.job
            try:
                desk = self._answer(desk, said)
            except ClashError as error:
                _complain(self.console, error)
                self.console.print(Text("Not taken. Read it again, or undo the earlier one."))
            except DiagnoseError as error:
                _complain(self.console, error)

    def _understand(self, desk: Desk, line: str) -> Said:
        if not desk.asked:
            return understand(line, (), has_unit=False)
        test = desk.job.machine.tests[desk.asked]
        return understand(line, [one.id for one in test.outcomes], has_unit=test.unit is not None)

    def _answer(self, desk: Desk, said: Said) -> Desk:
        """What a line makes of the desk; steps that change nothing give the same desk."""
        if said.kind in {"why", "list", "help", "nothing"} or (
            said.kind in {"open", "close"} and not said.name
        ):
            self._tell(desk, said)
            return desk
        new = _step(desk, said)
        if said.kind in {"result", "finding"}:
            self._taken(desk, new)
        elif said.kind == "repaired":
            self.console.print(repair_line(new.job.machine, new.advice.repairs[-1]))
        self._show(new)
        return new

    def _tell(self, desk: Desk, said: Said) -> None:
        if said.kind == "why":
            show_why(self.console, desk.job, desk.advice, desk.asked)
        elif said.kind == "list":
            show_suspects(self.console, desk.job.machine, desk.advice.suspects, LISTED)
            show_tests(self.console, desk.job.machine, desk.advice.tests[:LISTED])
            show_while_open(self.console, desk.job, desk.advice, LISTED)
        elif said.kind == "help":
            for word, meaning in WORDS.items():
                self.console.print(Text(f"  {word:<16}", "cyan").append(meaning, ""))
        elif said.kind in {"open", "close"}:
            opened = desk.job.situation.open_areas
            for area in desk.job.machine.areas.values():
                mark = "open  " if area.id in opened else "closed"
                self.console.print(Text(f"  {mark}  {area.title}  ").append(area.id, "cyan"))

    def _taken(self, before: Desk, after: Desk) -> None:
        """Read the new finding back, with the areas it left open."""
        machine = after.job.machine
        self.console.print(Text("Taken: ").append(finding_line(machine, after.advice.findings[-1])))
        opened = after.job.situation.open_areas - before.job.situation.open_areas
        if opened:
            self.console.print(Text(f"Left open: {', '.join(sorted(opened))}.", "dim"))

    def _show(self, desk: Desk) -> None:
        show_suspects(self.console, desk.job.machine, desk.advice.suspects, SUSPECTS)
        if desk.advice.verdict.action != "done":
            show_left(self.console, desk.job)
        show_while_open(self.console, desk.job, desk.advice, WHILE_OPEN)
        if desk.asked:
            show_asked(self.console, desk.job, desk.advice, desk.asked)
        else:
            show_verdict(self.console, desk.job.machine, desk.advice)
            told = "`quit` writes the sheet; `list` shows what else tells."
            if desk.advice.verdict.action == "repair":
                told = f"Then try it: `repaired gone` or `repaired still`. {told}"
            self.console.print(Text(told, "dim"))


def _step(desk: Desk, said: Said) -> Desk:
    """The desk after a step.

    Raises:
        DiagnoseError: the step names or says something that does not fit.
    """
    job = desk.job
    if said.kind == "do":
        return replace(desk, asked=_pick(desk.advice, said.name))
    if said.kind in {"result", "skip"} and not desk.asked:
        raise UnknownNameError("word", said.result or said.kind, WORDS)
    if said.kind == "result":
        job = _record(job, desk.asked, said.result)
    elif said.kind == "finding":
        job = _record(job, said.name, said.result)
    elif said.kind == "skip":
        job = job.skip(desk.asked, said.name)
    elif said.kind == "repaired":
        job = _repaired(desk, said.name)
    elif said.kind == "open":
        job = job.open_area(said.name)
    elif said.kind == "close":
        job = job.close_area(said.name)
    else:
        job = job.undo()
    return Desk.of(job)


def _repaired(desk: Desk, told: str) -> Job:
    """The job after the repair proposed, or another one named, with what the check showed.

    Raises:
        UnknownNameError: no such check, part or repair; none named and none proposed.
    """
    target, _, check = told.rpartition(" ")
    if check not in CHECKS:
        raise UnknownNameError("check", check, CHECKS)
    verdict = desk.advice.verdict
    target = target.strip() or (verdict.target if verdict.action == "repair" else "")
    part, _, repair = target.partition(".")
    return desk.job.repair(part, repair, gone=CHECKS[check])


def _record(job: Job, test: str, result: str) -> Job:
    """Record a result; whatever had to be opened for it stands open afterwards."""
    result = re.sub(r"(?<=\d),(?=\d)", ".", result)  # 12,3 V
    if any(one.test == test for one in job.findings):
        return job.record_again(test, result)
    after = job.record(test, result)
    area = job.machine.tests[test].area
    if area is not None and area not in job.situation.open_areas:
        after = replace(after.open_area(area), before=job)  # one step to undo, not two
    return after


def _pick(advice: Advice, name: str) -> str:
    """The test that `do` names, by id or by its number in the list.

    Raises:
        UnknownNameError: no test left has that id or number.
    """
    names = [test.test for test in advice.tests]
    if name.isdecimal() and 1 <= int(name) <= len(names):
        return names[int(name) - 1]
    if name not in names:
        raise UnknownNameError("test", name, names)
    return name
