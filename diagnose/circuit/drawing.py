"""The circuit as a picture: supply from the battery's plus on the left to the loads on the right.

Runs of parts are read from the top down; ground signs name the net where they end, and the shared
returns hang on the battery's minus. Suspects are shaded on one scale from pale to strong, with the
percentage printed, so that the picture also serves in black and white.
"""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING

from diagnose.circuit.layout import BOX_HEIGHT, BOX_WIDTH, PAGE_RATIO, make_layout
from diagnose.errors import UnknownNameError, ValueOutOfRangeError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.circuit.layout import Box, Layout, Point, Sign
    from diagnose.machine.model import Machine

MARGIN, HEAD, FOOT = 24.0, 58.0, 56.0
"""Around the circuit, above it for the title, below it for the legend."""

FONT, LINE = 11.0, 12.5
"""Size of a part's title and the distance of its lines."""

NARROW, WIDE = frozenset("ijltfrI.,:;'|!()[] -/"), frozenset("mwMW%@+<>ACDGHKNOQRUVXYZ&")
"""Letters much narrower and much broader than the rest."""

LEAST_WIDTH = 1060.0
"""Room for the legend."""

TEXT_LEFT, TEXT_RIGHT = 34.0, 42.0
"""Room beside a title for the sign on its left and the percentage on its right."""

PALE, STRONG = (255, 247, 236), (140, 45, 4)
"""Ends of the scale; every step between is darker than the one before, in grey as well."""

NOT_DRAWN = "unlisted"
"""A suspect that stands for whatever the file does not list."""

XMLNS = 'xmlns="http://www.w3.org/2000/svg"'

STYLE = """
text{font-family:Arial,Helvetica,'Liberation Sans',sans-serif;fill:#000}
.box{stroke:#333;stroke-width:1.2}.wire{fill:none;stroke:#222;stroke-width:1.6}
.sign{fill:none;stroke:#222;stroke-width:1.4}.dot{fill:#222}
.on-dark text{fill:#fff}.on-dark .sign{stroke:#fff}
"""

SYMBOLS = {
    "battery": '<path d="M-11 0H-4M-4 -9V9M2 -5V5M2 0H11"/>',
    "charge": '<path d="M-11 0H-9V-6H9V6H-9V0M9 0H11M-6 -3V3M-2 -3V3M2 -3V3"/>',
    "wire": '<path d="M-11 0H11"/>',
    "connector": '<path d="M-11 0H-2M-6 -5L-1 0L-6 5M1 -5L6 0L1 5M6 0H11"/>',
    "fuse": '<path d="M-11 0H11M-8 -4H8V4H-8Z"/>',
    "switch": '<path d="M-11 0H-6L5 -7M6 0H11"/><circle cx="-6" cy="0" r="1.3"/>',
    "relay": '<path d="M-11 0H-7M7 0H11M-7 -5H7V5H-7ZM-3 5L3 -5"/>',
    "contacts": '<path d="M-11 0H-6L5 -7M6 0H11M0 -4V-11" stroke-dasharray="none"/>',
    "controller": '<path d="M-9 -8H9V8H-9ZM-9 -3H-11M-9 3H-11M9 0H11"/>',
    "load": '<circle cx="0" cy="0" r="8"/><path d="M-5.6 -5.6L5.6 5.6M-5.6 5.6L5.6 -5.6"/>',
    "motor": '<circle cx="0" cy="0" r="9"/><path d="M-4 4V-4L0 1L4 -4V4"/>',
    "generator": '<circle cx="0" cy="0" r="9"/><path d="M4 -2.5A4.5 4.5 0 1 0 4 3V0.5H1"/>',
    "ground": '<path d="M0 -9V0M-9 0H9M-6 4H6M-3 8H3"/>',
}
"""Kind of part, or `contacts` of a relay or controller -> its sign, after IEC 60617.

Each fits a square of 24 units around the origin; lines take the colour of the group they are in.
"""


def draw(machine: Machine, suspects: Mapping[str, float] | None = None) -> str:
    """The circuit of a machine as one self-contained SVG document.

    Args:
        machine: the machine.
        suspects: part id -> probability that it has failed, 0 to 1; `unlisted` is told in the
            legend. Parts left out are drawn without shade.

    Raises:
        UnknownNameError: a suspect is no part of the machine.
        ValueOutOfRangeError: a probability below 0, above 1, or not a number.
        CircuitError: the wiring has a loop or leaves a load hanging.
    """
    shades = suspects or {}
    _check(machine, shades)
    layout = make_layout(machine)
    least = max(layout.width + 2 * MARGIN, LEAST_WIDTH)
    width = max(least, (layout.height + HEAD + FOOT) * PAGE_RATIO)
    height = max(layout.height + HEAD + FOOT, width / PAGE_RATIO)
    left = min((width - layout.width) / 2.0, (width - LEAST_WIDTH) / 2.0 + MARGIN)
    title = f"{machine.title}: start circuit"
    size = f'width="{width:.0f}" height="{height:.0f}"'
    pieces = [
        f'<svg {XMLNS} viewBox="0 0 {width:.0f} {height:.0f}" {size} role="img">',
        f"<title>{escape(title)}</title>",
        f"<style>{STYLE}</style>",
        f'<rect {size} fill="#fff"/>',
        _text((left, 34.0), wrap(title, width - left - MARGIN, 19.0, 1)[0], 19.0, weight="bold"),
        f'<g transform="translate({left:.1f} {HEAD:.1f})">',
        *_wires(layout),
        *(_sign(sign) for sign in layout.signs),
        *(_box(machine, box, shades) for box in layout.boxes),
        "</g>",
        *_legend((left, height - FOOT + 22.0), shades),
        "</svg>",
    ]
    return "\n".join(pieces) + "\n"


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
        for v in (one / 255.0 for one in colour)
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


def _text(
    at: Point, text: str, size: float, *, weight: str = "normal", anchor: str = "start"
) -> str:
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:g}" font-weight="{weight}" '
        f'text-anchor="{anchor}">{escape(text)}</text>'
    )


def text_width(text: str, size: float) -> float:
    """Width of a text in common fonts without serifs, rather too broad than too narrow."""
    return size * sum(0.36 if c in NARROW else 0.86 if c in WIDE else 0.57 for c in text)


def wrap(text: str, width: float, size: float, most: int) -> list[str]:
    """Words in lines no wider than `width`; what does not fit `most` lines is cut with dots."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, size) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    kept = lines[:most]
    if len(lines) > most:
        kept[-1] = f"{kept[-1]} ..."
    return [_cut(line, width, size) for line in kept]


def _cut(line: str, width: float, size: float) -> str:
    if text_width(line, size) <= width:
        return line
    kept = line
    while kept and text_width(f"{kept}...", size) > width:
        kept = kept[:-1].rstrip(" .")
    return f"{kept}..."


def _wires(layout: Layout) -> Iterator[str]:
    for wire in layout.wires:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in wire)
        yield f'<polyline class="wire" points="{path}"/>'
    for x, y in layout.dots:
        yield f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>'


def _sign(sign: Sign) -> str:
    """A ground sign, or an arrow where a wire goes on to an input, and the name of the net."""
    shape = "M0 0V8M-8 8H8M-5 11.5H5M-2 15H2" if sign.grounded else "M0 0V13M-4 8L0 13L4 8"
    name = sign.net.replace("_", " ")
    return (
        f'<g transform="translate({sign.x:.1f} {sign.y:.1f})"><path class="sign" d="{shape}"/>'
        f"{_text((13.0, 14.0), name, 10.0)}</g>"
    )


def _box(machine: Machine, box: Box, shades: Mapping[str, float]) -> str:
    part = machine.parts[box.item.part]
    probability = shades.get(part.id)
    title = f"{part.title}: contacts" if box.item.contacts else part.title
    kind = "contacts" if box.item.contacts else part.kind
    fill = "#fff" if probability is None else _fill(probability)
    dark = probability is not None and _is_dark(probability)
    room = BOX_WIDTH - TEXT_LEFT - (8.0 if probability is None else TEXT_RIGHT + 4.0)
    lines = wrap(title, room, FONT, 3)
    top = BOX_HEIGHT / 2.0 - LINE * (len(lines) - 1) / 2.0 + FONT * 0.36
    told = title if probability is None else f"{title}: {percent(probability)}"
    look = "part on-dark" if dark else "part"
    pieces = [
        f'<g class="{look}" data-part="{part.id}" transform="translate({box.x:.1f} {box.y:.1f})">',
        f"<title>{escape(told)}</title>",
        f'<rect class="box" width="{BOX_WIDTH:g}" height="{BOX_HEIGHT:g}" rx="4" fill="{fill}"/>',
        f'<g class="sign" transform="translate(17 {BOX_HEIGHT / 2.0:g})">{SYMBOLS[kind]}</g>',
        *(_text((TEXT_LEFT, top + i * LINE), line, FONT) for i, line in enumerate(lines)),
    ]
    if part.kind == "battery":
        pieces += [
            _text((BOX_WIDTH + 3.0, post), mark, 11.0, weight="bold")
            for mark, post in (("+", BOX_HEIGHT / 4.0 - 2.0), ("\u2212", BOX_HEIGHT - 1.0))
        ]
    if probability is not None:
        at = (BOX_WIDTH - 6.0, BOX_HEIGHT / 2.0 + 4.5)
        pieces.append(_text(at, percent(probability), 13.0, weight="bold", anchor="end"))
    return "".join([*pieces, "</g>"])


def _legend(at: Point, shades: Mapping[str, float]) -> Iterator[str]:
    x, y = at
    yield f'<g transform="translate({x:.1f} {y:.1f})">'
    yield _text((0.0, 4.0), "Probability that the part has failed:", 12.0)
    place = 232.0
    for step in (0.01, 0.05, 0.2, 0.5, 1.0):
        dark = ' class="on-dark"' if _is_dark(step) else ""
        yield (
            f'<g{dark} transform="translate({place:.1f} -11)">'
            f'<rect class="box" width="58" height="22" fill="{_fill(step)}"/>'
            f"{_text((29.0, 15.5), percent(step), 12.0, anchor='middle')}</g>"
        )
        place += 58.0
    yield _text((place + 16.0, 4.0), "white: not suspected", 12.0)
    if NOT_DRAWN in shades:
        told = f"something that is not drawn here: {percent(shades[NOT_DRAWN])}"
        yield _text((place + 170.0, 4.0), told, 12.0, weight="bold")
    yield "</g>"
