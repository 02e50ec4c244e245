"""The talk at the bench: show, ask, take, until the technician has had enough."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.closing import ask_closing
from diagnose.commands.page import headline, named, pairs
from diagnose.commands.screen import left_of, screen_of
from diagnose.commands.show import (
    finding_line,
    heading_lines,
    repair_line,
    show_suspects,
    show_tests,
    show_while_open,
)
from diagnose.commands.show_screen import Page, pages_of, show_ending, show_page
from diagnose.commands.show_why import show_why
from diagnose.commands.to_type import said_outcomes
from diagnose.commands.turn import LISTED, WORDS, Said, Turn, chosen, understand
from diagnose.errors import ClashError, DiagnoseError, VersionConflictError
from diagnose.paper import words
from diagnose.steps.advised import advised_by

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.console import Console

    from diagnose.commands.book import Book
    from diagnose.commands.screen import Screen
    from diagnose.job import Job
    from diagnose.machine.model import Machine
    from diagnose.steps.kinds import AnyStep

    ReadLine = Callable[[], str]

PROMPT = "> "
ASKED_WITHOUT_NAME = frozenset({"open", "close", "repaired"})
"""Words that ask for their list when nothing stands behind them."""


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
class Shown:
    """What the technician has before him.

    Attributes:
        turn: where the job stands.
        screen: the screen for it; None when the job is done.
        pages: those of its pages that he has not seen yet.
        seen: ids of the cautions shown in full so far.
        over: whether the job is closed, and the talk with it.
    """

    turn: Turn
    screen: Screen | None = None
    pages: tuple[Page, ...] = ()
    seen: frozenset[str] = frozenset()
    over: bool = False

    def next_screen(self, turn: Turn) -> Screen | None:
        """The screen for another turn, with what is on this one taken as known."""
        if turn.advice.verdict.action == "done" and not turn.asked:
            return None
        held = "" if self.screen is None or self.pages else self.screen.condition
        return screen_of(turn, left_of(turn.job), self.seen, held)


@dataclass(frozen=True, slots=True)
class Talk:
    """A technician at a terminal.

    Attributes:
        read_line: gives an empty text when the input ends.
        book: keeps what is taken; None where nothing does.
    """

    console: Console
    read_line: ReadLine
    book: Book | None = None

    def run(self, job: Job, history: tuple[AnyStep, ...] = ()) -> Job:
        """Talk until `quit`, the job's closing, or the end of the input; the job as it stands then.

        Args:
            job: as it stands.
            history: the steps that it came to it by, as far as they are known.
        """
        above = heading_lines(job.machine, job.complaint)
        shown = self._show(Shown(Turn.of(job, history)), above)
        while not shown.over:
            self.console.print(Text(PROMPT), end="")
            line, turn = self.read_line(), shown.turn
            test = turn.job.machine.tests.get(turn.asked)
            outcomes = {} if test is None else said_outcomes(turn.job.machine, test)
            has_unit = test is not None and test.unit is not None
            said = understand(line, outcomes, has_unit=has_unit, tests=turn.job.machine.tests)
            if not line or said.kind == "quit":
                return turn.job
            try:
                shown = self._answer(shown, said)
            except VersionConflictError:
                shown = self._read_again(shown)
            except DiagnoseError as error:
                _complain(self.console, error)
                if isinstance(error, ClashError):
                    self.console.print(Text("Not taken. Read it again, or undo the earlier one."))
        return shown.turn.job

    def _keep(self, before: Turn, after: Turn) -> None:
        """Keep what was taken, with what was proposed then."""
        if self.book is not None:
            self.book.take(after.taken, advised_by(before.advice.verdict))

    def _read_again(self, shown: Shown) -> Shown:
        """The talk over a job that somebody else has gone on with."""
        job = None if self.book is None else self.book.read_again()
        if job is None or self.book is None:
            return shown
        words = "Not taken: somebody else has gone on with this job. This is how it stands now."
        self.console.print(Text(words, "red"))
        return self._show(replace(shown, turn=Turn.of(job, self.book.history)), ())

    def _finish(self, shown: Shown, how: str) -> Shown:
        """Ask what the order lacks, and close it."""
        kept = self.book.steps if self.book is not None and self.book.going else None
        step = ask_closing(self.console, self.read_line, shown.turn, how, kept)
        if step is None:
            return shown
        new = shown.turn.after_steps((step,))
        self._keep(shown.turn, new)
        return replace(shown, turn=new, over=True)

    def _answer(self, shown: Shown, said: Said) -> Shown:
        """What a line makes of the talk; a question leaves it as it is."""
        turn = shown.turn
        if said.kind == "nothing":
            return self._go_on(shown)
        if shown.pages and said.kind in {"result", "skip"}:  # of a test that is not shown yet
            self.console.print(Text("Not taken: what to do comes first.", "red"))
            return self._go_on(shown)
        if said.kind in {"why", "list", "help"} or (
            said.kind in ASKED_WITHOUT_NAME and not said.name
        ):
            self._tell(turn, said.kind)
            return shown
        if said.kind == "finish":
            return self._finish(shown, said.name)
        new = turn.after(said)
        self._keep(turn, new)
        above: tuple[Text, ...] = ()
        if said.kind in {"result", "finding"}:
            above = _taken(turn, new)
        elif said.kind == "repaired" and new.advice.verdict.action != "done":
            above = (repair_line(new.job.machine, new.advice.repairs[-1]),)
        return self._show(replace(shown, turn=new), above)

    def _show(self, before: Shown, above: Iterable[Text]) -> Shown:
        """The first page for where the job stands, below some lines."""
        for line in above:
            self.console.print(line)
        turn, screen = before.turn, before.next_screen(before.turn)
        if screen is None:
            show_ending(self.console, turn.job, turn.advice)
            return replace(before, screen=None, pages=())
        count = sum(len(line.plain.split()) for line in above)
        pages = pages_of(turn.job.machine, screen, count)
        return self._go_on(replace(before, screen=screen, pages=pages))

    def _go_on(self, shown: Shown) -> Shown:
        """The next page; where there is none, everything that can be typed."""
        if shown.screen is not None and shown.pages:
            show_page(self.console, shown.screen, shown.pages[0])
            seen = shown.seen.union(shown.screen.cautions.full)
            return replace(shown, pages=shown.pages[1:], seen=seen)
        test = shown.turn.job.machine.tests.get(shown.turn.asked)
        if test is not None and test.unit is None:
            said = said_outcomes(shown.turn.job.machine, test).values()
            pairs(self.console, {str(number): title for number, title in enumerate(said, 1)})
        return shown

    def _tell(self, turn: Turn, kind: str) -> None:
        console, job, advice = self.console, turn.job, turn.advice
        going = advice.verdict.action != "done"
        if kind == "why":
            show_why(console, turn)
        elif kind == "list":
            show_suspects(console, job.machine, advice, LISTED)
            show_tests(console, job.machine, advice.tests[: LISTED if going else 0])
        elif kind == "help":
            pairs(console, WORDS)
        elif kind == "repaired":
            _tell_checks(console, job.machine)
        else:
            for area in job.machine.areas.values():
                opened = area.id in job.situation.open_areas
                named(console, "open  " if opened else "closed", area.title, area.id)
            if going:
                show_while_open(console, job, advice, LISTED)


def _taken(before: Turn, after: Turn) -> tuple[Text, ...]:
    """The new finding read back, with the areas it left open."""
    line = finding_line(after.job.machine, after.advice.findings[-1])
    opened = after.job.situation.open_areas - before.job.situation.open_areas
    left = (Text(f"Left open: {', '.join(sorted(opened))}.", "dim"),) if opened else ()
    return (Text("Taken: ").append(line), *left)


def _tell_checks(console: Console, machine: Machine) -> None:
    """What trying the machine after a repair can show, and what is typed for it."""
    console.print(Text("Try it, and every interlock. What does it do now?"))
    rows = {"repaired runs": words.CHECKED["runs"], "repaired same": "the same as before"}
    for number, complaint in enumerate(machine.complaints.values(), 1):
        rows[f"repaired {number}"] = complaint.title
    pairs(console, rows | {"repaired other": words.CHECKED["other"]})
