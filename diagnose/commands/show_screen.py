"""The bench screen laid out: the leading suspect, cautions, and what to do, see and type."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.commands import words
from diagnose.commands.cautions import as_before
from diagnose.commands.page import grid, indented
from diagnose.commands.show import show_cautions

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.commands.screen import Screen
    from diagnose.machine.model import Machine


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
