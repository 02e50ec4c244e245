"""`why` at the bench: all that the screen leaves out of the test or repair it proposes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.page import grid, headline, indented
from diagnose.commands.screen import left_of
from diagnose.commands.show import show_cautions
from diagnose.paper import words

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.commands.turn import Turn
    from diagnose.job import Job

AFTER_A_RESULT = 3
"""Suspects shown for each result of a test."""


def show_why(console: Console, turn: Turn) -> None:
    """Reason, minutes left, cautions in full, expected readings, and what each result leaves."""
    job, verdict = turn.job, turn.advice.verdict
    machine, test = job.machine, words.tested(turn.advice, turn.asked)
    headline(console, "Why")
    if test is not None:
        indented(console, words.effort_words(machine, test))
    if not turn.asked or verdict.target == turn.asked:
        indented(console, verdict.reason)
    if verdict.action != "done":
        left = left_of(job, with_percentile=True)
        indented(console, f"{left[:1].upper()}{left[1:]}.")
    names = _cautions(turn)
    if names:
        headline(console, "Cautions")
        show_cautions(console, words.caution_texts(machine, names))
    if turn.asked:
        _show_expected(console, job, turn.asked)
        _show_results(console, turn)


def _cautions(turn: Turn) -> tuple[str, ...]:
    """Ids of the cautions of what is proposed."""
    machine = turn.job.machine
    if turn.asked:
        return machine.tests[turn.asked].cautions
    repair = words.repair_of(machine, turn.advice.verdict.target)
    return () if repair is None else repair[1].cautions


def _show_expected(console: Console, job: Job, test_id: str) -> None:
    """What the meter would read if all were good, and with each leading suspect."""
    expected = job.expect(test_id)
    if not expected:
        return
    headline(console, "The meter would read")
    table = grid()
    for value in expected:
        fault = words.fault_words(job.machine, value.part, value.mode) if value.part else "all good"
        table.add_row(Text(words.expected_words(value), "cyan"), fault)
    indented(console, table)


def _show_results(console: Console, turn: Turn) -> None:
    """The leading suspects after each result of a test."""
    machine, after = turn.job.machine, turn.job.consequence(turn.asked)
    ends = words.outcome_chances(turn.advice, turn.asked)
    chances = {end.outcome: end.probability for end in ends}
    headline(console, "What each result would leave")
    table = grid()
    for outcome in machine.tests[turn.asked].outcomes:
        left = [
            f"{words.percent(suspect.probability):>7}  "
            f"{words.fault_words(machine, suspect.part, suspect.mode)}"
            for suspect in after.get(outcome.id, ())[:AFTER_A_RESULT]
        ]
        table.add_row(
            words.percent(chances[outcome.id]).rjust(7) if outcome.id in chances else "",
            Text(words.outcome_words(machine, turn.asked, outcome.id), "cyan"),
            "\n".join(left) or "cannot be, by what was found so far",
        )
    indented(console, table)
