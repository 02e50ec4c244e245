"""A wall card laid out on one A4 sheet, black on white, two columns of numbered steps."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from diagnose.ahead.desk import Desk
from diagnose.ahead.policy_tree import covered, policy_tree, steps, thinner
from diagnose.belief.situation import tried_situation
from diagnose.circuit.drawing import XMLNS
from diagnose.commands.card_words import make_card
from diagnose.commands.letters import in_lines, printed_width

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from diagnose.commands.card_words import Card, Paragraph
    from diagnose.rule.prepared import Prepared

T = TypeVar("T")

WIDTH, HEIGHT = 595.28, 841.89
"""A4 upright in points of 1/72 inch (ISO 216: 210 by 297 mm)."""

MARGIN, GUTTER, GAP = 26.0, 14.0, 7.0
COLUMN = (WIDTH - 2.0 * MARGIN - GUTTER) / 2.0
ACROSS = WIDTH - 2.0 * MARGIN

STYLES = {
    "title": (16.0, 0.0, True),
    "subtitle": (13.0, 0.0, True),
    "alone": (10.0, 0.0, True),
    "step": (10.0, 23.0, True),
    "detail": (9.2, 23.0, False),
    "way": (9.2, 29.0, True),
    "body": (9.2, 0.0, False),
}
"""Size in points (nothing is smaller than 9), indent in points, bold."""

NUMBER = 10.0
"""Size of a step's number, points."""

THEN_INDENT, THEN_SPACE = 6.0, 4.0
"""Points to what follows a way: on the next line, or on the same."""

LEADING = 1.17
"""Distance of lines, of the size of the letters."""

SCALES = (1.4, 1.3, 1.2, 1.1, 1.0)
"""The steps' letters are enlarged as far as the sheet has room."""

FONTS = "text{font-family:Arial,Helvetica,'Liberation Sans',sans-serif;fill:#000}"


class Line(NamedTuple):
    """One line of text; x and y of its base line in points from the block's corner."""

    text: str
    x: float
    y: float
    size: float
    bold: bool


class Block(NamedTuple):
    """Lines that stay together, their height in points, the number of the step (0 for none)."""

    lines: tuple[Line, ...]
    height: float
    number: int


def fitting_card(prepared: Prepared, complaint: str, levels: int) -> tuple[Card, str]:
    """The deepest card that fits one sheet, and its picture."""
    return fitting(prepared, complaint, levels, draw_card)


def fitting(
    prepared: Prepared, complaint: str, levels: int, made: Callable[[Card], T | None]
) -> tuple[Card, T]:
    """The card with what matters least left out, as far as its paper needs it, and what is made.

    First go the tests that no repair follows, then those that bring the fewest jobs to one. Jobs on
    a card begin with the complaint told and seen: it hangs where the machine stands. There are no
    more than `levels` tests in a row.

    Args:
        prepared: the machine.
        complaint: what is reported and seen.
        levels: tests in a row at most.
        made: makes something of a card; None where it does not fit.
    """
    tree = policy_tree(Desk(prepared, tried_situation(prepared.machine, complaint)), levels)
    while any(not covered(step) for step in list(steps(tree.root))[1:]):
        tree = thinner(tree)
    while True:
        card = make_card(prepared, complaint, tree)
        done = made(card)
        if done is not None:
            return card, done
        tree = thinner(tree)


def draw_card(card: Card) -> str | None:
    """The card as one self-contained SVG document; None when it does not fit one sheet."""
    head, foot = _set(card.head, ACROSS), _set(card.foot, ACROSS)
    room = HEIGHT - 2.0 * MARGIN - head.height - foot.height - 2.0 * GAP
    for scale in SCALES:
        blocks = [_set(step, COLUMN, scale, number) for number, step in enumerate(card.steps, 1)]
        placed = _in_columns(blocks or [_set([card.first], COLUMN, scale)], room)
        if placed is not None:
            return _sheet(card.title, head, foot, placed)
    return None


def _set(
    paragraphs: Iterable[Paragraph], width: float, scale: float = 1.0, number: int = 0
) -> Block:
    """Paragraphs set below each other in as many lines as they need."""
    lines: list[Line] = []
    y = 0.0
    for style, text, then in paragraphs:
        size, x, bold = STYLES[style]
        size *= scale
        pieces, behind = [(text, x, bold)], ""
        if then:
            arrow = f"\N{RIGHTWARDS ARROW} {then}"
            start = x + printed_width(text, size, bold=bold) + THEN_SPACE
            if start + printed_width(arrow, size) <= width:
                behind = arrow
            else:
                pieces.append((arrow, x + THEN_INDENT, False))
        for piece, left, heavy in pieces:
            for words in in_lines(bound(piece), width - left, size, bold=heavy):
                y += size * LEADING
                lines.append(Line(words, left, y - size * (LEADING - 1.0), size, heavy))
        if behind:
            lines.append(Line(behind, start, lines[-1].y, size, bold=False))
    return Block(tuple(lines), y + 2.0, number)


def bound(text: str) -> str:
    """Numbers kept together with the units behind them."""
    return re.sub(r"(?<=\d) (?=(?:%|min|[munkM]?V|[munkM]?A|[mkM]?ohm)(?![a-z]))", "\u00a0", text)


def _in_columns(blocks: Sequence[Block], height: float) -> list[tuple[Block, int, float]] | None:
    """Each block with its column and y, the first column filled first; None: they do not fit."""
    placed, column, y = list[tuple[Block, int, float]](), 0, 0.0
    for block in blocks:
        if y > 0.0 and y + block.height > height:
            column, y = column + 1, 0.0
        if column > 1 or block.height > height:
            return None
        placed.append((block, column, y))
        y += block.height + GAP
    return placed


def _sheet(title: str, head: Block, foot: Block, placed: Iterable[tuple[Block, int, float]]) -> str:
    top = MARGIN + head.height + GAP
    bottom = HEIGHT - MARGIN - foot.height
    pieces = [
        f'<svg {XMLNS} viewBox="0 0 {WIDTH} {HEIGHT}" width="210mm" height="297mm" role="img">',
        f"<title>{escape(title)}</title>",
        f"<style>{FONTS}</style>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        _drawn(head, MARGIN, MARGIN),
        _rule(MARGIN + head.height + GAP / 3.0),
        *(_drawn(b, MARGIN + column * (COLUMN + GUTTER), top + y) for b, column, y in placed),
        _rule(bottom - GAP / 2.0),
        _drawn(foot, MARGIN, bottom),
        "</svg>",
    ]
    return "\n".join(pieces) + "\n"


def _drawn(block: Block, x: float, y: float) -> str:
    """A block; a browser whose letters are wider squeezes each line to what it was set for."""
    pieces = [f'<g transform="translate({x:.2f} {y:.2f})">']
    if block.number:
        pieces.append(
            '<rect x="0.5" y="1.5" width="19" height="15" rx="3" fill="none" stroke="#000"/>'
            f'<text x="10" y="13" font-size="{NUMBER}" font-weight="bold" text-anchor="middle">'
            f"{block.number}</text>"
        )
    for line in block.lines:
        width = printed_width(line.text, line.size, bold=line.bold)
        pieces.append(
            f'<text x="{line.x:.2f}" y="{line.y:.2f}" font-size="{line.size:g}" '
            f'font-weight="{"bold" if line.bold else "normal"}" '
            f'textLength="{width:.1f}">{escape(line.text)}</text>'
        )
    return "".join([*pieces, "</g>"])


def _rule(y: float) -> str:
    return f'<path d="M{MARGIN} {y:.2f}H{WIDTH - MARGIN:.2f}" stroke="#000" stroke-width="0.8"/>'
