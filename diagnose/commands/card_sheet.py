"""A wall card laid out on one A4 sheet, black on white, two columns of numbered steps."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from diagnose.circuit.drawing import XMLNS
from diagnose.commands.card_blocks import (
    COLUMN,
    GAP,
    GUTTER,
    HEIGHT,
    MARGIN,
    STEP,
    WIDTH,
    first_block,
    foot_block,
    head_block,
    step_block,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from diagnose.commands.card_blocks import Block, Line
    from diagnose.commands.card_words import Card

STYLE = "text{font-family:Arial,Helvetica,'Liberation Sans',sans-serif;fill:#000}"

SCALES = (1.4, 1.3, 1.2, 1.1, 1.0)
"""Letters are enlarged as far as the sheet has room."""


def draw_card(card: Card) -> str | None:
    """The card as one self-contained SVG document; None when it does not fit one sheet."""
    head, foot = head_block(card), foot_block(card)
    room = HEIGHT - 2.0 * MARGIN - head.height - foot.height - 2.0 * GAP
    for scale in SCALES:
        blocks = [step_block(one, scale) for one in card.steps] or [first_block(card.first, scale)]
        placed = _in_columns(blocks, room)
        if placed is not None:
            return _drawn_card(card, head, foot, list(zip(blocks, placed, strict=True)))
    return None


def _drawn_card(
    card: Card, head: Block, foot: Block, placed: Sequence[tuple[Block, tuple[int, float]]]
) -> str:
    top = MARGIN + head.height + GAP
    bottom = HEIGHT - MARGIN - foot.height - GAP
    pieces = [
        f'<svg {XMLNS} viewBox="0 0 {WIDTH} {HEIGHT}" width="210mm" height="297mm" role="img">',
        f"<title>{escape(f'{card.title}: {card.complaint}')}</title>",
        f"<style>{STYLE}</style>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        _drawn(head, MARGIN, MARGIN),
        _rule(MARGIN + head.height + GAP / 3.0),
        *(
            _drawn(block, MARGIN + column * (COLUMN + GUTTER), top + y)
            for block, (column, y) in placed
        ),
        _rule(bottom + GAP / 2.0),
        _drawn(foot, MARGIN, HEIGHT - MARGIN - foot.height),
        "</svg>",
    ]
    return "\n".join(pieces) + "\n"


def card_page(svg: str, title: str) -> str:
    """The same as an HTML page that prints on one sheet."""
    style = "@page{size:A4 portrait;margin:0}body{margin:0}svg{display:block}"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8"/>'
        f"<title>{escape(title)}</title><style>{style}</style></head>\n<body>\n{svg}</body>\n"
        "</html>\n"
    )


def _in_columns(blocks: Sequence[Block], height: float) -> list[tuple[int, float]] | None:
    """Column and y of each block, the first column filled first; None when they do not fit."""
    found, column, y = list[tuple[int, float]](), 0, 0.0
    for block in blocks:
        if y > 0.0 and y + block.height > height:
            column, y = column + 1, 0.0
        if column > 1 or block.height > height:
            return None
        found.append((column, y))
        y += block.height + GAP
    return found


def _drawn(block: Block, x: float, y: float) -> str:
    pieces = [f'<g transform="translate({x:.2f} {y:.2f})">']
    if block.number:
        pieces.append(
            '<rect x="0.5" y="1.5" width="19" height="15" rx="3" fill="none" stroke="#000"/>'
            f'<text x="10" y="13" font-size="{STEP}" font-weight="bold" text-anchor="middle">'
            f"{block.number}</text>"
        )
    pieces += _texts(block.lines)
    return "".join([*pieces, "</g>"])


def _texts(lines: Iterable[Line]) -> list[str]:
    """Lines; a browser whose letters are wider squeezes them to what they were set for."""
    return [
        f'<text x="{line.x:.2f}" y="{line.y:.2f}" font-size="{line.size:g}" '
        f'font-weight="{_weight(line)}" textLength="{line.width:.1f}">{escape(line.text)}</text>'
        for line in lines
    ]


def _weight(line: Line) -> str:
    return "bold" if line.bold else "normal"


def _rule(y: float) -> str:
    return f'<path d="M{MARGIN} {y:.2f}H{WIDTH - MARGIN:.2f}" stroke="#000" stroke-width="0.8"/>'
