"""A machine's names laid out for reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from diagnose.commands.words import minutes_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from diagnose.machine.model import Machine, Test


def show_list(console: Console, machines: Iterable[Machine]) -> None:
    """One line for each machine."""
    table = _columns("machine", "what it is", "version", "parts", "tests", "complaints")
    for one in machines:
        counts = [str(len(held)) for held in (one.parts, one.tests, one.complaints)]
        table.add_row(*map(Text, (one.id, one.title, one.version, *counts)))
    console.print(table)


def show_details(console: Console, machine: Machine) -> None:
    """Complaints, tests with their results, tools and areas of one machine."""
    console.print(Text(f"{machine.title} ({machine.id}, version {machine.version})", "bold"))
    console.print(Padding(Text(machine.notes), (0, 0, 1, 2)))
    _titled(console, "Complaints", [(c.id, c.title) for c in machine.complaints.values()])
    _titled(console, "Tools", [(t.id, t.title) for t in machine.tools.values()])
    areas = [
        (a.id, f"{a.title} ({minutes_words(a.open_minutes)} to open)")
        for a in machine.areas.values()
    ]
    _titled(console, "Areas", areas)
    table = _columns("test", "what to do", "results")
    for test in machine.tests.values():
        table.add_row(Text(test.id), Text(test.title), Text(_results(test)))
    console.print(Text("Tests", "bold"))
    console.print(table)


def _results(test: Test) -> str:
    outcomes = ", ".join(one.id for one in test.outcomes)
    return f"{test.unit}, or {outcomes}" if test.unit else outcomes


def _titled(console: Console, heading: str, rows: list[tuple[str, str]]) -> None:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for name, title in rows:
        table.add_row(Text(name, "cyan"), Text(title))
    console.print(Text(heading, "bold"))
    console.print(Padding(table, (0, 0, 1, 2)))


def _columns(*headings: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for number, heading in enumerate(headings):
        table.add_column(heading, style="cyan" if number == 0 else "", overflow="fold")
    return table
