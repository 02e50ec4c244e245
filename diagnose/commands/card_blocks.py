"""The words of a wall card set in lines and blocks, in points of 1/72 inch."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.commands.card_words import share_words
from diagnose.commands.letters import in_lines, printed_width

if TYPE_CHECKING:
    from diagnose.commands.card_words import Card, CardStep, Way

WIDTH, HEIGHT = 595.28, 841.89
"""A4 upright in points of 1/72 inch (ISO 216: 210 by 297 mm)."""

MARGIN, GUTTER = 26.0, 14.0
COLUMN = (WIDTH - 2.0 * MARGIN - GUTTER) / 2.0
TITLE, SUBTITLE, STEP, BODY = 16.0, 13.0, 10.0, 9.2
"""Sizes of letters, points; nothing is smaller than 9."""

LEADING = 1.17
"""Distance of lines, of the size of the letters."""

INDENT, WAY_INDENT, GAP = 23.0, 6.0, 7.0

SAFETY = (
    "The maker's manual and the shop's own rules come before this card. Nobody near moving parts; "
    "a safety switch is bridged for a test only."
)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text within a block.

    Attributes:
        text: the words.
        x, y: of its beginning on the base line, points from the block's corner.
        size: of the letters, points.
        bold: whether it stands out.
    """

    text: str
    x: float
    y: float
    size: float
    bold: bool = False

    @property
    def width(self) -> float:
        """What the line was set for."""
        return printed_width(self.text, self.size, bold=self.bold)


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that stay together.

    Attributes:
        lines: the text.
        height: points.
        number: of the step, 0 for none.
    """

    lines: tuple[Line, ...]
    height: float
    number: int = 0


class Writer:
    """Writes lines from the top of a block down, letters enlarged by a scale."""

    def __init__(self, scale: float = 1.0) -> None:
        """An empty block."""
        self.scale = scale
        self.lines: list[Line] = []
        self.y = 0.0

    def write(
        self, text: str, size: float, width: float, *, x: float = 0.0, bold: bool = False
    ) -> None:
        """Words in as many lines as they need."""
        size *= self.scale
        for line in in_lines(_bound(text), width - x, size, bold=bold):
            self.y += size * LEADING
            self.lines.append(Line(line, x, self.y - size * (LEADING - 1.0), size, bold))

    def block(self, number: int = 0) -> Block:
        """What was written."""
        return Block(tuple(self.lines), self.y + 2.0, number)


def _bound(text: str) -> str:
    """Numbers kept together with the units behind them."""
    return re.sub(r"(?<=\d) (?=(?:%|min|[munkM]?V|[munkM]?A|[mkM]?ohm)(?![a-z]))", "\u00a0", text)


def head_block(card: Card) -> Block:
    """Machine, complaint, version, and how to read the card."""
    writer, width = Writer(), WIDTH - 2.0 * MARGIN
    writer.write(card.title, TITLE, width, bold=True)
    writer.write(card.complaint, SUBTITLE, width, bold=True)
    told = (
        f"{card.version}. Percentages: of all jobs that come with this complaint. Begin at step 1, "
        "everything closed, battery at 20 degrees Celsius."
    )
    writer.write(told[0].upper() + told[1:], BODY, width)
    return writer.block()


def foot_block(card: Card) -> Block:
    """What the card covers, and the cautions by their letters."""
    writer, width = Writer(), WIDTH - 2.0 * MARGIN
    for text in foot_sentences(card):
        writer.write(text, BODY, width)
    for letter, text in card.cautions:
        writer.write(f"{letter}  {text}", BODY, width)
    return writer.block()


def foot_sentences(card: Card) -> tuple[str, ...]:
    """What the card covers, and what comes before it."""
    tests = "test" if card.levels == 1 else "tests"
    covers = (
        f"Depth {card.levels} {tests}. {share_words(card.covered)} of jobs come to a repair on "
        f"this card; it ends the complaint in {share_words(card.fixed)} of all jobs. Left to the "
        f"tool: results of fewer than {share_words(card.least_share)} of jobs{_left_out(card)}. "
        "Still there after the repair: go on with the tool."
    )
    return covers, SAFETY


def _left_out(card: Card) -> str:
    if card.least_covered < 0.0:
        return ""
    if card.least_covered == 0.0:
        return ", and tests that no repair on this card follows"
    least = f"{100.0 * card.least_covered:.1f} %"
    return f", and tests that lead no more than {least} of jobs to a repair on this card"


def first_block(text: str, scale: float) -> Block:
    """What stands on a card without a step."""
    writer = Writer(scale)
    writer.write(text, STEP, COLUMN, bold=True)
    return writer.block()


def step_block(step: CardStep, scale: float) -> Block:
    """One test: what to do, the details, and a line or two for each way on."""
    writer = Writer(scale)
    writer.write(f"{step.title} ({share_words(step.share)})", STEP, COLUMN, x=INDENT, bold=True)
    writer.write(" ".join(step.details), BODY, COLUMN, x=INDENT)
    for way in step.ways:
        _write_way(writer, way)
    return writer.block(step.number)


def _write_way(writer: Writer, way: Way) -> None:
    """`runs  64 %  > step 2`: the outcome in bold, then what follows."""
    x = INDENT + WAY_INDENT
    seen = f"{way.seen}: {share_words(way.share)}"
    then = f"\N{RIGHTWARDS ARROW} {way.then}"
    size = BODY * writer.scale
    used = printed_width(seen, size, bold=True) + 4.0
    if x + used + printed_width(then, size) <= COLUMN:
        writer.write(seen, BODY, COLUMN, x=x, bold=True)
        last = writer.lines[-1]
        writer.lines.append(Line(then, x + used, last.y, size))
        return
    writer.write(seen, BODY, COLUMN, x=x, bold=True)
    writer.write(then, BODY, COLUMN, x=x + WAY_INDENT)
