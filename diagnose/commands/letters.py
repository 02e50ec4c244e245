"""How wide printed words are.

Widths of Helvetica, which Arial and Liberation Sans share, in thousandths of the size: Adobe Font
Metrics of the fourteen core fonts, from memory, compared with Liberation Sans 2.1 letter by letter.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

WIDEST = 1000
"""Width taken for a letter that is not in the table."""


def _table(rows: str) -> Mapping[str, int]:
    """Letter -> width, from rows `width=letters` with bars between them."""
    split = (row.split("=", 1) for row in rows.split("|"))
    return MappingProxyType({letter: int(width) for width, letters in split for letter in letters})


PLAIN = _table(
    "191='|222=ijl|278= \u00a0!,./:;I[]ft|333=()-r|500=Jcksvxyz|556=0123456789?L_abdeghnopqu|"
    "584=+<>=|611=FTZ|667=ABEKPSVXY&|722=CDHNRUw|778=GOQ|833=Mm|889=%|944=W"
)
BOLD = _table(
    "238='|278= \u00a0,./Iijl|333=!:;()-[]ft|389=r|500=z|556=0123456789J_acekvxsy|584=+<>=|"
    "611=?FLTZbdghnopqu|667=EPSVXY|722=ABCDHKNRU&|778=GOQw|833=M|889=%m|944=W"
)


def printed_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line in the unit of the size."""
    table = BOLD if bold else PLAIN
    return size / 1000.0 * sum(table.get(letter, WIDEST) for letter in text)


def in_lines(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Words in lines no wider than `width`; a word that is wider has a line of its own.

    Lines break at plain spaces only: a number stays with its unit behind a no-break space.
    """
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and printed_width(longer, size, bold=bold) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
