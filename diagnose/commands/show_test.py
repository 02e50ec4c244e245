"""One test in detail: what to do, what it would read, what each result would mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from diagnose.commands import words
from diagnose.commands.show import headline, indented, show_test

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from diagnose.advice.advice import Advice, Suspect, TestAdvice
    from diagnose.advice.expect import Expectation
    from diagnose.job import Job
    from diagnose.machine.model import Machine

LEADING = 3


def show_asked(console: Console, job: Job, advice: Advice, test_id: str) -> None:
    """The test asked for, with what can be typed."""
    test = _find(advice, test_id)
    chosen = advice.verdict.target == test_id
    again = advice.verdict.action == "recheck"
    headline(console, "Look again" if again else "Do next" if chosen else "As you chose")
    if test is not None:
        show_test(console, job.machine, test)
    if chosen:
        indented(console, Text(advice.verdict.reason))
    known = job.machine.tests[test_id]
    expected = job.expect(test_id)
    if expected:
        indented(console, Text("The meter would read", "dim"))
        _show_expected(console, job.machine, expected)
    if known.unit is not None:
        reading = f"a reading in {known.unit}"
        unsteady = [one.id for one in known.outcomes if one.at_least is None]
        console.print(Text(f"  Type {reading}, or {', '.join(unsteady)}.", "dim"))
    for number, outcome in enumerate(known.outcomes, 1):
        mark = "  " if known.unit is not None else f"{number} "
        line = Text(f"  {mark}").append(f"{outcome.id:<14}", "cyan").append(outcome.title)
        console.print(line)


def show_why(console: Console, job: Job, advice: Advice, test_id: str) -> None:
    """What each result would leave."""
    test = _find(advice, test_id)
    if test is None:
        console.print(Text(advice.verdict.reason))
        return
    machine, after = job.machine, job.consequence(test_id)
    headline(console, "What each result would leave")
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for outcome in test.outcomes:
        left = _leading(machine, after.get(outcome.outcome, ()))
        table.add_row(
            Text(words.percent(outcome.probability).rjust(7)),
            Text(words.outcome_words(machine, test_id, outcome.outcome), "cyan"),
            Text("\n".join(left) or "cannot be, by what was found so far"),
        )
    indented(console, table)


def _show_expected(console: Console, machine: Machine, expected: Sequence[Expectation]) -> None:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for one in expected:
        table.add_row(
            Text(expected_words(one), "cyan"),
            Text(words.fault_words(machine, one.part, one.mode) if one.part else "all good"),
        )
    indented(console, table, 4)


def expected_words(one: Expectation) -> str:
    """A predicted reading, e.g. `12.3 V (12.2 to 12.4)` or `12.1 V, or 0 V when it lets go`."""
    typical = words.reading_words(one.typical, one.unit)
    if abs(one.other - one.typical) > max(one.high - one.typical, one.typical - one.low):
        return f"{typical}, or {words.reading_words(one.other, one.unit)} by turns"
    low, high = (words.reading_words(value, one.unit) for value in (one.low, one.high))
    return typical if low == high else f"{typical} ({low} to {high})"


def _leading(machine: Machine, suspects: Sequence[Suspect]) -> list[str]:
    return [
        f"{words.percent(one.probability):>7}  {words.fault_words(machine, one.part, one.mode)}"
        for one in suspects[:LEADING]
    ]


def _find(advice: Advice, test_id: str) -> TestAdvice | None:
    return next((test for test in advice.tests if test.test == test_id), None)
