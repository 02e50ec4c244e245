"""A machine's names laid out for reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands.page import grid, indented
from diagnose.commands.words import machine_words, minutes_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from rich.console import Console

    from diagnose.machine.model import Machine


def show_list(console: Console, machines: Iterable[Machine]) -> None:
    """One line for each machine."""
    table = grid("machine", "what it is", "version", "parts", "tests", "complaints", style="bold")
    for known in machines:
        counts = [str(len(held)) for held in (known.parts, known.tests, known.complaints)]
        table.add_row(Text(known.id, "cyan"), known.title, known.version, *counts)
    console.print(table)


def show_details(console: Console, machine: Machine) -> None:
    """Complaints, tests with their results, tools and areas of one machine."""
    console.print(Text(machine_words(machine), "bold"))
    indented(console, machine.notes, below=1)
    _titled(console, "Complaints", {c.id: c.title for c in machine.complaints.values()})
    _titled(console, "Tools", {t.id: t.title for t in machine.tools.values()})
    areas = machine.areas.values()
    to_open = {a.id: f"{a.title} ({minutes_words(a.open_minutes)} to open)" for a in areas}
    _titled(console, "Areas", to_open)
    table = grid("test", "what to do", "results", style="bold")
    for test in machine.tests.values():
        outcomes = ", ".join(outcome.id for outcome in test.outcomes)
        results = f"{test.unit}, or {outcomes}" if test.unit else outcomes
        table.add_row(Text(test.id, "cyan"), test.title, results)
    console.print(Text("Tests", "bold"))
    console.print(table)


def _titled(console: Console, heading: str, rows: Mapping[str, str]) -> None:
    table = grid()
    for name, title in rows.items():
        table.add_row(Text(name, "cyan"), title)
    console.print(Text(heading, "bold"))
    indented(console, table, below=1)
