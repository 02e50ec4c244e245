"""A card as a page for the browser: steps that lead to each other, the drawing beside them.

Printed, it is two sides of A4: the steps upright in two columns, the drawing lengthwise with the
number of each step where it probes. Nothing is fetched from anywhere.
"""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING

from diagnose.ahead.policy_tree import steps
from diagnose.circuit.drawing import draw
from diagnose.circuit.marks import Mark
from diagnose.commands.card_sheet import bound, fitting
from diagnose.commands.card_words import Paragraph, walked_words
from diagnose.commands.letters import printed_width

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from diagnose.commands.card_walk import Walked
    from diagnose.commands.card_words import Card
    from diagnose.rule.prepared import Prepared

WIDTH, HEIGHT = 194.0 * 72.0 / 25.4, 281.0 * 72.0 / 25.4
"""Of a side of A4 with 8 mm left around it, points (ISO 216)."""

GUTTER = 14.0
COLUMN = (WIDTH - GUTTER) / 2.0

LEADING, INDENT = 1.17, 18.0
"""Distance of lines, of the size of the letters; points from a step's number to its words."""

SIZES = {
    "title": 13.0,
    "subtitle": 10.5,
    "alone": 10.0,
    "step": 8.2,
    "detail": 7.3,
    "way": 7.3,
    "body": 7.0,
}
"""Points in print."""

AFTER, STEP_GAP = 0.7, 3.5
"""Points below a paragraph; below a step."""

BROAD = 1.06
"""Widths of letters beside those of `diagnose.commands.letters`. The page asks for lower-case
letters of 0.519 of the size, as these have; a broad font is hardly wider then. Estimate."""

BOLD = ("title", "subtitle", "step")

SPARE = 0.99
"""Share of the height that is filled by the estimate."""

PLAYED = Paragraph("body", "9999 simulated jobs came to a repair or did not, give or take. " * 2)
"""As long as what is said of simulated jobs, and longer."""

STYLE = f"""
:root{{font-family:sans-serif;font-size-adjust:.519;line-height:{LEADING}}}
body{{margin:0;color:#000;background:#fff}}
main{{display:grid;grid-template-columns:minmax(24rem,2fr) 3fr;gap:1.5rem;padding:1rem}}
h1,h2,p,ul,ol{{margin:0 0 .3rem}}h1{{font-size:1.5rem}}h2{{font-size:1.2rem}}
ol.steps{{list-style:none;padding:0}}
ol.steps>li{{position:relative;padding:0 0 .8rem 2.4rem;break-inside:avoid}}
.number{{position:absolute;left:0;top:0;min-width:1.5rem;padding:.1rem;text-align:center;
background:#000;color:#fff;font-weight:bold;border-radius:.2rem}}
.title{{font-weight:bold}}ul{{list-style:none;padding:0}}
.seen{{font-weight:bold}}a{{color:inherit;font-weight:bold}}
li:target{{background:#fff3c4}}.drawing{{position:sticky;top:1rem;align-self:start}}
.drawing svg{{width:100%;height:auto;display:block}}
@media (max-width:60rem){{main{{display:block}}.drawing{{position:static}}}}
@page{{size:A4 portrait;margin:8mm}}
@page lengthwise{{size:A4 landscape;margin:8mm}}
@media print{{
main{{display:block;padding:0}}
h1{{font-size:{SIZES["title"]}pt}}h2{{font-size:{SIZES["subtitle"]}pt}}
h1,h2,p,ul,.words p{{margin:0 0 {AFTER}pt}}
.words p{{font-size:{SIZES["body"]}pt}}.words p.first{{font-size:{SIZES["alone"]}pt}}
ol.steps,.foot{{columns:2;column-gap:{GUTTER}pt;margin:0}}
ol.steps>li{{padding:0 0 {STEP_GAP}pt {INDENT}pt;font-size:{SIZES["detail"]}pt}}
ol.steps p.title{{font-size:{SIZES["step"]}pt}}ol.steps p{{font-size:{SIZES["detail"]}pt}}
.number{{min-width:14pt;padding:1pt 0;-webkit-print-color-adjust:exact;print-color-adjust:exact}}
li:target{{background:none}}a{{text-decoration:none}}
.drawing{{position:static;break-before:page;page:lengthwise}}
.drawing svg{{width:281mm;height:auto;max-height:192mm}}
}}
"""


def fitting_page(prepared: Prepared, complaint: str, levels: int) -> Card:
    """The deepest card whose steps print on one side."""
    return fitting(prepared, complaint, levels, lambda card: card if fits(card) else None)[0]


def fits(card: Card) -> bool:
    """Whether the steps print on one side, by a careful estimate of how wide words are."""
    foot = _height([*card.foot, PLAYED], COLUMN) / 2.0 + 20.0
    rest = HEIGHT * SPARE - _height(card.head, WIDTH) - foot
    column, y = 0, 0.0
    for step in card.steps:
        height = _height(step, COLUMN - INDENT) + STEP_GAP
        if y + height > rest:
            column, y = column + 1, 0.0
        if column > 1 or height > rest:
            return False
        y += height
    return rest > 0.0


def _height(paragraphs: Iterable[Paragraph], width: float) -> float:
    height = 0.0
    for paragraph in paragraphs:
        size = SIZES[paragraph.style]
        words = [(word, paragraph.style in (*BOLD, "way")) for word in paragraph.text.split()]
        words += [(word, False) for word in paragraph.then.split()]
        height += LEADING * size * _lines(words, width, size) + AFTER
    return height


def _lines(words: Sequence[tuple[str, bool]], width: float, size: float) -> int:
    """Lines that words take, some of them bold."""
    lines, taken = 1, 0.0
    for word, bold in words:
        room = BROAD * printed_width(word, size, bold=bold)
        if taken and taken + room > width:
            lines, taken = lines + 1, 0.0
        taken += room + BROAD * printed_width(" ", size)
    return lines


def card_page(prepared: Prepared, card: Card, walked: Walked | None) -> str:
    """The whole page.

    Args:
        prepared: the machine.
        card: what stands on it.
        walked: simulated jobs that went down the card.
    """
    head, foot = _paragraphs(card.head), _paragraphs(card.foot)
    told = "" if walked is None else f"<p>{escape(bound(walked_words(walked)))}</p>"
    first = f'<p class="first">{escape(card.first.text)}</p>' if not card.steps else ""
    listed = "\n".join(_step(number, step) for number, step in enumerate(card.steps, 1))
    drawing = draw(prepared.machine, steps=_marks(prepared, card)).rstrip()
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width"/>\n'
        f"<title>{escape(card.title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
        f'<section class="words">\n{head}\n{first}<ol class="steps">\n{listed}\n</ol>\n'
        f'<div class="foot">\n{foot}\n{told}</div>\n</section>\n'
        f'<section class="drawing">\n{drawing}\n</section>\n'
        "</main>\n</body>\n</html>\n"
    )


def _marks(prepared: Prepared, card: Card) -> list[Mark]:
    """The number of each step at the net of its red probe or its lamp's tip."""
    names, tests = prepared.costs.tests.names, prepared.machine.tests
    marks = []
    for number, step in enumerate(steps(card.tree.root), 1):
        probes = tests[names[step.test]].probes
        if probes is not None:
            marks.append(Mark(probes[0], "step", str(number)))
    return marks


def _paragraphs(paragraphs: Iterable[Paragraph]) -> str:
    tags = {"title": "h1", "subtitle": "h2"}
    told = [(tags.get(p.style, "p"), escape(bound(p.text))) for p in paragraphs]
    return "\n".join(f"<{tag}>{text}</{tag}>" for tag, text in told)


def _step(number: int, step: Sequence[Paragraph]) -> str:
    return (
        f'<li id="step{number}"><span class="number">{number}</span>\n'
        + "\n".join(_inside(step))
        + "\n</li>"
    )


def _inside(step: Sequence[Paragraph]) -> Iterator[str]:
    ways = [paragraph for paragraph in step if paragraph.style == "way"]
    for paragraph in step:
        if paragraph.style != "way":
            look = "title" if paragraph.style == "step" else "detail"
            yield f'<p class="{look}">{escape(bound(paragraph.text))}</p>'
    if ways:
        yield "<ul>"
        for way in ways:
            seen = f'<span class="seen">{escape(bound(way.text))}</span>'
            yield f"<li><p>{seen} {_linked(way.then)}</p></li>"
        yield "</ul>"


def _linked(then: str) -> str:
    """What follows a result, with a link where that is a step."""
    arrow = "\N{RIGHTWARDS ARROW} "
    return arrow + re.sub(r"^step (\d+)$", r'<a href="#step\1">step \1</a>', escape(bound(then)))
