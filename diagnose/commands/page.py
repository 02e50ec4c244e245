"""Blocks of a page in the terminal: headlines, indented lines, tables without rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Console

WIDE = 46
"""Cells that a wide column keeps, or the one behind it takes them all."""


def headline(console: Console, title: str) -> None:
    """A line that begins a block."""
    console.print()
    console.print(Text(title, "bold underline"))


def indented(
    console: Console, content: str | Text | Table, style: str = "", *, by: int = 2, below: int = 0
) -> None:
    """Something a little to the right, without filling the lines up; `below`: empty lines."""
    shown = Text(content, style) if isinstance(content, str) else content
    console.print(Padding(shown, (0, 0, below, by), expand=False))


def grid(*headings: str, style: str = "dim", wide: str = "") -> Table:
    """An empty table without rules; `wide` is the heading of the column that keeps its width."""
    table = Table(
        box=None,
        pad_edge=False,
        padding=(0, 2, 0, 0),
        show_header=bool(headings),
        header_style=style,
    )
    for heading in headings:
        width = WIDE if heading == wide else None
        table.add_column(heading, overflow="fold", min_width=width)
    return table


def named(console: Console, mark: str, title: str, name: str) -> None:
    """One line of a list to choose from: a mark, what it is, and the name to type."""
    console.print(Text(f"  {mark}  {title}  ").append(name, "cyan"))


def pairs(console: Console, rows: Mapping[str, str]) -> None:
    """Two columns: what to type, as wide as the longest, and what it means."""
    table = grid()
    for word, meaning in rows.items():
        table.add_row(Text(word, "cyan"), meaning)
    indented(console, table)
