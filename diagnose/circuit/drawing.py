"""The circuit as a picture: signs of the trade in boxes, nets by name, grounds as ground signs.

The battery stands on the left, loads on the right; runs are read from the top down. Suspects are
shaded on one scale from pale to strong, with the percentage printed, so that the picture also
serves in black and white. Where the probes of a test go is marked on the nets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from diagnose.circuit.layout import (
    LINE,
    NET_NAME,
    PAGE_RATIO,
    TEXT_X,
    TITLE,
    WIRE_X,
    best_shape,
    make_layout,
)
from diagnose.circuit.lettering import Text
from diagnose.circuit.marks import draw_label, placed, probe_marks
from diagnose.circuit.symbols import HALF, SYMBOLS, symbol_name
from diagnose.errors import UnknownNameError, ValueOutOfRangeError
from diagnose.machine.ends import MECHANICAL

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from diagnose.circuit.layout import Box, Label, Layout, Shape
    from diagnose.circuit.marks import Mark
    from diagnose.machine.model import Machine, Test

MARGIN, HEAD, FOOT = 16.0, 46.0, 30.0
"""Around the circuit, above it for the title, below it for the legend."""

HEADLINE, LEGEND = 16.0, 11.5
"""Size of the picture's title, and of the legend."""

GOOD_WIDTH = 1140.0
"""A page as narrow as this prints letters large enough; a clearer one is better then."""

LEAST_WIDTH = 860.0
"""Room for the legend."""

PRINTED_WIDTH = 192.0 * PAGE_RATIO * 72.0 / 25.4
"""Points that a picture is wide on a landscape page (ISO 216) with some 9 mm left around it."""

PALE, STRONG = (255, 247, 236), (140, 45, 4)
"""Ends of the scale; every step between is darker than the one before, in grey as well."""

NOT_DRAWN = "unlisted"
"""A suspect that stands for whatever the file does not list."""

HEADINGS = {
    "kill": ("KILL LINE", "To ground: engine stops"),
    "mechanical": ("NO ELECTRICS", "Looked at, not measured"),
}

LEAST_TOLD = 0.005
"""A lower percentage is not printed in a box; its shade is."""

BLANK = "\u00a0"
"""Keeps room for a percentage in a box that has none."""

XMLNS = 'xmlns="http://www.w3.org/2000/svg"'

STYLE = """
.circuit text{font-family:Arial,Helvetica,'Liberation Sans',sans-serif;fill:#000}
.box{stroke:#888;stroke-width:1}.at .box{stroke:#000;stroke-width:3.5}
.wire,.sign path,.sign circle{fill:none;stroke:#000;stroke-width:1.6}.dot{fill:#000}
.sign .thick{stroke-width:4}.sign .dash{stroke-dasharray:3 2;stroke-width:1.1}
.circuit .on-dark text,.circuit .probe text,.circuit .step text{fill:#fff}
.on-dark .sign path,.on-dark .sign circle{stroke:#fff}
"""


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What goes into a picture."""

    machine: Machine
    layout: Layout
    shades: Mapping[str, float]
    test: Test | None
    marks: Sequence[Mark]


def draw(
    machine: Machine,
    suspects: Mapping[str, float] | None = None,
    test: Test | None = None,
    steps: Sequence[Mark] = (),
    shape: Shape | None = None,
) -> str:
    """The circuit of a machine as one self-contained SVG document.

    Args:
        machine: the machine.
        suspects: part id -> probability that it has failed, 0 to 1; `unlisted` is told in the
            legend. Parts left out are drawn without shade.
        test: the test whose probes, or parts, are marked.
        steps: further marks: the steps of a card at the nets where they probe.
        shape: arrangement to keep to, with room for a percentage in every box, so that nothing
            moves while the suspects change; the one that fills a page best if left out.

    Raises:
        UnknownNameError: a suspect is no part of the machine.
        ValueOutOfRangeError: a probability below 0, above 1, or not a number.
        CircuitError: the wiring has a loop or leaves a load hanging.
    """
    shades = suspects or {}
    _check(machine, shades)
    told = {part: percent(share) for part, share in shades.items() if share >= LEAST_TOLD}
    if shape is not None:
        told = dict.fromkeys(machine.parts, BLANK) | told
    layout = make_layout(machine, told, page_wanted, shape)
    sheet = _Sheet(machine, layout, shades, test, [*probe_marks(test), *steps])
    width = page_width(layout.width, layout.height)
    height = width / PAGE_RATIO
    left = (width - layout.width) / 2.0
    title = f"{machine.title}: start circuit"
    size = f'width="{width:.0f}" height="{height:.0f}"'
    room = width / 2.0 - MARGIN - 10.0
    headline = Text(title, MARGIN, 30.0, HEADLINE, bold=True, room=room)
    pieces = [
        f'<svg {XMLNS} class="circuit" viewBox="0 0 {width:.0f} {height:.0f}" {size} role="img">',
        f"<title>{escape(title)}</title>",
        f"<style>{STYLE}</style>",
        f'<rect {size} fill="#fff"/>',
        headline.svg,
        f'<g transform="translate({left:.1f} {HEAD:.1f})">',
        *_circuit(sheet),
        "</g>",
        *_legend(sheet, width, height - 12.0),
        "</svg>",
    ]
    return "\n".join(pieces) + "\n"


def steady_shape(machine: Machine) -> Shape:
    """The best arrangement with room for a percentage in every box.

    Looking for it takes 0.1 to 0.7 s, a picture that keeps to it 0.02 s.

    Raises:
        CircuitError: as `draw`.
    """
    return best_shape(machine, dict.fromkeys(machine.parts, BLANK), page_wanted)


def page_width(width: float, height: float) -> float:
    """Width of the landscape page that a circuit of a width and a height needs."""
    return max(width + 2 * MARGIN, LEAST_WIDTH, (height + HEAD + FOOT) * PAGE_RATIO)


def page_wanted(width: float, height: float) -> float:
    """The same, all pages that print large enough letters alike."""
    return max(page_width(width, height), GOOD_WIDTH)


def _check(machine: Machine, suspects: Mapping[str, float]) -> None:
    for part, probability in suspects.items():
        if part not in machine.parts and part != NOT_DRAWN:
            raise UnknownNameError("part", part, (*machine.parts, NOT_DRAWN), "suspects")
        if not 0.0 <= probability <= 1.0:
            raise ValueOutOfRangeError(part, probability, 0.0, 1.0, "probability")


def shade(probability: float) -> tuple[int, int, int]:
    """Red, green, blue, 0 to 255; the square root spreads the small ones."""
    share = math.sqrt(probability)
    red, green, blue = (
        round(pale + (strong - pale) * share) for pale, strong in zip(PALE, STRONG, strict=True)
    )
    return red, green, blue


def luminance(colour: tuple[int, int, int]) -> float:
    """Relative luminance, 0 to 1 (WCAG 2, after ITU-R BT.709)."""
    linear = [
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
        for v in (channel / 255.0 for channel in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _fill(probability: float) -> str:
    return "#{:02x}{:02x}{:02x}".format(*shade(probability))


def _is_dark(probability: float) -> bool:
    """Whether white letters stand out better than black ones (WCAG 2 contrast)."""
    return luminance(shade(probability)) < 0.179


def percent(probability: float) -> str:
    """As a person would say it: `43 %`, `3 %`, `<1 %`, `>99 %`."""
    if 0.0 < probability < 0.005:
        return "<1 %"
    if 0.995 <= probability < 1.0:
        return ">99 %"
    return f"{100.0 * probability:.0f} %"


def _circuit(sheet: _Sheet) -> Iterator[str]:
    layout = sheet.layout
    for net, wire in layout.wires:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in wire)
        yield f'<polyline class="wire" data-net="{net}" points="{path}"/>'
    for x, y in layout.dots:
        yield f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>'
    for place in layout.headings:
        for y, line in zip((12.0, 12.0 + LINE), HEADINGS[place.net], strict=True):
            yield Text(line, place.x, place.y + y, TITLE, bold=True, room=place.room).svg
    for box in layout.boxes:
        yield _box(sheet, box)
    marked = placed(layout, sheet.marks)
    for label in layout.labels:
        yield _label(label, marked.get(label, ()))


def _label(label: Label, marks: Sequence[Mark]) -> str:
    """A net's name on its wire, with a ground sign, or an arrow where the wire goes on."""
    shape = {
        "ground": "M0 0V8M-8 8H8M-5 11.5H5M-2 15H2",
        "arrow": "M0 0V13M-4 8L0 13L4 8",
        "from": "M0 18V5M-5 -2H5L0 5Z",
        "source": "M0 18V4M-8 4H8M-5 0.5H5M-2 -3H2",
    }.get(label.sign)
    sign = f'<g class="sign"><path d="{shape}"/></g>' if shape else ""
    inner = "".join(draw_label(label, marks, NET_NAME))
    return (
        f'<g class="net" data-net="{label.net}" transform="translate({label.x:.1f} {label.y:.1f})">'
        f"{sign}{inner}</g>"
    )


def _box(sheet: _Sheet, box: Box) -> str:
    part = sheet.machine.parts[box.item.part]
    probability = sheet.shades.get(part.id)
    title = f"{part.title}: contacts" if box.item.contacts else part.title
    symbol = symbol_name(part, box.item)
    fill = "#fff" if probability is None else _fill(probability)
    told = title if probability is None else f"{title}: {percent(probability)}"
    look = "part on-dark" if probability is not None and _is_dark(probability) else "part"
    if sheet.test is not None and part.id in sheet.test.parts:
        look += " at"
    stub = box.height / 2.0
    wire = f'<path d="M0 {-stub:g}V{-HALF:g}M0 {HALF:g}V{stub:g}"/>'
    top = stub - LINE * (len(box.lines) - 1) / 2.0 + TITLE * 0.36
    stated = probability is not None and probability >= LEAST_TOLD
    last = len(box.lines) - 1
    pieces = [
        (
            f'<g class="{look}" data-part="{part.id}" data-sign="{symbol}" '
            f'transform="translate({box.x:.1f} {box.y:.1f})">'
        ),
        f"<title>{escape(told)}</title>",
        f'<rect class="box" width="{box.width:g}" height="{box.height:g}" rx="3" fill="{fill}"/>',
        (
            f'<g class="sign" transform="translate({WIRE_X:g} {stub:g})">'
            f"{'' if part.kind == MECHANICAL else wire}{SYMBOLS[symbol]}</g>"
        ),
        *(
            Text(line, TEXT_X, top + i * LINE, TITLE, bold=stated and i == last).svg
            for i, line in enumerate(box.lines)
            if line != BLANK
        ),
    ]
    if part.kind == "battery":
        pieces += [
            Text(mark, 5.0, y, 12.0, bold=True).svg
            for mark, y in (("+", 12.0), ("\u2212", box.height - 4.0))
        ]
    return "".join([*pieces, "</g>"])


def _legend(sheet: _Sheet, width: float, y: float) -> Iterator[str]:
    """What the marks mean; the scale of the shades where there are any."""
    x, shades, test = MARGIN, sheet.shades, sheet.test
    if shades:
        yield f'<g transform="translate({x:.1f} {y:.1f})">'
        yield Text("Chance that the part has failed:", 0.0, 0.0, LEGEND, room=200.0).svg
        place = 206.0
        for step in (0.01, 0.05, 0.2, 0.5, 1.0):
            dark = ' class="on-dark"' if _is_dark(step) else ""
            yield (
                f'<g{dark} transform="translate({place:.1f} -13)">'
                f'<rect class="box" width="42" height="18" fill="{_fill(step)}"/>'
                f"{Text(percent(step), 21.0, 13.0, LEGEND, anchor='middle').svg}</g>"
            )
            place += 42.0
        if NOT_DRAWN in shades:
            told = f"something that is not drawn here: {percent(shades[NOT_DRAWN])}"
            yield Text(told, place + 10.0, 0.0, LEGEND, bold=True, room=width - place - 50.0).svg
        yield "</g>"
    if test is not None:
        names = "Tip R, clip B" if test.kind == "lamp" else "Red R, black B"
        where = names if test.probes else "Thick frame" if test.parts else "Without probes"
        told = f"{where}: {test.title}"
        at = width / 2.0
        yield Text(told, at, 30.0, LEGEND, bold=True, room=width - at - MARGIN).svg
    elif sheet.marks:
        told = "Black number: a step of the card probes here (red, or the lamp's tip)."
        at = width / 2.0
        yield Text(told, at, 30.0, LEGEND, bold=True, room=width - at - MARGIN).svg
