"""The bench screen laid out, page by page where the cautions are long; and the end of a job."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.page import grid, headline, indented
from diagnose.commands.show import show_cautions
from diagnose.paper import words
from diagnose.paper.cautions import as_before
from diagnose.paper.ending import ending

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from diagnose.advice.advice import Advice
    from diagnose.commands.screen import Screen
    from diagnose.job import Job
    from diagnose.machine.model import Machine

MOST_WORDS = 70
"""Words of a page: nobody reads more with cold hands. Cautions beyond it go before. Estimate."""

GO_ON = "Enter goes on."
"""Last line of a page that others follow."""

READINGS = 2
"""Readings shown at the end of a job; the sheet has all of them."""


@dataclass(frozen=True, slots=True)
class Page:
    """A part of a bench screen that is read at once.

    Attributes:
        cautions: texts of those shown on it in full.
        last: whether what to do stands on it.
    """

    cautions: tuple[str, ...]
    last: bool


def pages_of(machine: Machine, screen: Screen, said: int = 0) -> tuple[Page, ...]:
    """The pages of a screen: cautions that would make it too long come first, by themselves.

    Args:
        machine: whose file has the texts.
        screen: the screen.
        said: words that stand above it already.
    """
    pages: list[list[str]] = [[]]
    count = said
    for text in words.caution_texts(machine, screen.cautions.full):
        if pages[-1] and count + _count((text,)) > MOST_WORDS:
            pages.append([])
            count = 0
        pages[-1].append(text)
        count += _count((text,))
    if pages[-1] and count + _count(_lines(screen)) > MOST_WORDS:
        pages.append([])
    last = len(pages) - 1
    return tuple(Page(tuple(held), number == last) for number, held in enumerate(pages))


def _lines(screen: Screen) -> tuple[str, ...]:
    """All that stands on the last page besides its cautions."""
    before = as_before(screen.cautions.named)
    return (screen.lead, before, "Do", *screen.do, "Good is", screen.good, "Type", *screen.typed)


def _count(lines: Iterable[str]) -> int:
    return sum(len(line.split()) for line in lines)


def show_page(console: Console, screen: Screen, page: Page) -> None:
    """One page: first what to mind, last what to type, so that it stands by the prompt."""
    console.print()
    if not page.last:
        console.print(Text("Mind first:"))
        show_cautions(console, page.cautions)
        console.print(Text(GO_ON, "cyan"))
        return
    console.print(Text(screen.lead, "dim"))
    show_cautions(console, page.cautions)
    before = as_before(screen.cautions.named)
    if before:
        indented(console, f"! {before}", "yellow")
    rows = [
        ("Do", "bold", screen.do),
        ("Good is", "", (screen.good,)),
        ("Type", "cyan", screen.typed),
    ]
    table = grid()
    for label, style, lines in rows:
        if any(lines):
            table.add_row(Text(label, "bold"), Text("\n".join(lines), style))
    console.print(table)


def show_ending(console: Console, job: Job, advice: Advice) -> None:
    """What is to be said when the machine runs again; the sheet has all of it."""
    end = ending(job, advice)
    headline(console, "It runs")
    table = grid()
    for label, lines in (
        ("Cause", end.causes),
        ("Done", end.done),
        ("Read", tuple(line for line in end.readings if "after" in line)[:READINGS]),
        ("Then", (*end.watch, *end.close)),
        ("Type", (f"`quit` writes the sheet; the job took about {end.minutes}",)),
    ):
        if lines:
            table.add_row(Text(label, "bold"), "\n".join(lines))
    console.print(table)
