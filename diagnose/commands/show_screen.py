"""The bench screen laid out: the leading suspect, cautions, and what to do, see and type."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands import words
from diagnose.commands.cautions import as_before
from diagnose.commands.ending import ending
from diagnose.commands.page import grid, headline, indented
from diagnose.commands.show import show_cautions

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.advice.advice import Advice
    from diagnose.commands.screen import Screen
    from diagnose.job import Job
    from diagnose.machine.model import Machine

READINGS = 3
"""Readings shown at the end of a job; the sheet has all of them."""


def show_screen(console: Console, machine: Machine, screen: Screen, lead: str) -> None:
    """One bench screen: first what to mind, last what to type, so that it stands by the prompt."""
    console.print()
    console.print(Text(lead, "dim"))
    show_cautions(console, words.caution_texts(machine, screen.cautions.full))
    before = as_before(screen.cautions.named)
    if before:
        indented(console, f"! {before}", "yellow")
    table = grid()
    what, *rest = screen.do
    table.add_row(Text("Do", "bold"), Text("\n".join((what, *rest)), "bold"))
    if screen.good:
        table.add_row(Text("Good is", "bold"), screen.good)
    table.add_row(Text("Type", "bold"), Text("\n".join(screen.typed), "cyan"))
    console.print(table)


def show_ending(console: Console, job: Job, advice: Advice) -> None:
    """What is to be said when the machine runs again; the sheet has all of it."""
    end = ending(job, advice)
    rows = [("Cause", line) for line in end.causes]
    rows += [("Done", line) for line in end.done]
    rows += [("Read", line) for line in end.readings[:READINGS]]
    rows += [("Then", line) for line in end.watch]
    rows += [("Close", f"{end.close}.")] if end.close else []
    rows += [("Took", f"about {words.minutes_words(end.minutes)} by the machine file")]
    rows += [("Type", "`quit` writes the sheet")]
    headline(console, "It runs")
    table = grid()
    last = ""
    for label, line in rows:
        table.add_row(Text("" if label == last else label, "bold"), line)
        last = label
    console.print(table)
