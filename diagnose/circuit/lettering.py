"""How much room words take in a picture whatever sans font the viewer has."""

from __future__ import annotations

from html import escape
from typing import NamedTuple

EM = 0.62
"""Width of a letter in ems, all taken alike: broader than the mean of the common sans fonts."""

USUAL_EM = 0.53
"""Mean width of a letter in the common sans fonts, ems. Common practice, no source."""

LEAST_SQUEEZE = 0.75
"""A text that must fit is squeezed so far; what is wider still is cut with dots."""


class Text(NamedTuple):
    """One line of a picture's text; x and y of its base line, `room` the width it may take."""

    text: str
    x: float
    y: float
    size: float
    bold: bool = False
    anchor: str = "start"
    room: float | None = None

    @property
    def svg(self) -> str:
        """The element; squeezed where the text may be wider than its room."""
        text, squeeze = self.text, ""
        if self.room is not None:
            text = cut(text, self.room / LEAST_SQUEEZE, self.size)
            if text_width(text, self.size) > self.room:
                length = min(self.room, USUAL_EM * self.size * len(text))
                squeeze = f' textLength="{length:.1f}" lengthAdjust="spacingAndGlyphs"'
        weight = ' font-weight="bold"' if self.bold else ""
        anchor = f' text-anchor="{self.anchor}"' if self.anchor != "start" else ""
        return (
            f'<text x="{self.x:.1f}" y="{self.y:.1f}" font-size="{self.size:g}"'
            f"{weight}{anchor}{squeeze}>{escape(text)}</text>"
        )


def text_width(text: str, size: float) -> float:
    """Width of a text in the unit of its size, rather too broad than too narrow."""
    return EM * size * len(text)


def wrap(text: str, width: float, size: float, most: int) -> list[str]:
    """Words in lines no wider than `width`; what does not fit `most` lines is cut with dots.

    Lines break at plain spaces only: a number stays with its unit behind a no-break space.
    """
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, size) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    kept = lines[:most]
    if len(lines) > most:
        kept[-1] = f"{kept[-1]} ..."
    return [cut(line, width, size) for line in kept]


def cut(line: str, width: float, size: float) -> str:
    """The line, or its beginning with dots, no wider than `width`."""
    if text_width(line, size) <= width:
        return line
    kept = line
    while kept and text_width(f"{kept}...", size) > width:
        kept = kept[:-1].rstrip(" .")
    return f"{kept}..."
