"""What stands on a drawn sheet: read from the picture, not from what drew it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from diagnose.circuit.drawing import draw, page_wanted
from diagnose.circuit.layout import Layout, make_layout

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

SVG = "{http://www.w3.org/2000/svg}"


def laid_out(one: Machine) -> Layout:
    return make_layout(one, {}, page_wanted)


def some_suspects(one: Machine) -> dict[str, float]:
    shares = (0.43, 0.0, 0.002, 1.0, 0.08, 0.999)
    return {part: shares[i % len(shares)] for i, part in enumerate(one.parts) if i % 2}


@dataclass(frozen=True)
class Area:
    """A rectangle on the page, with what it holds."""

    left: float
    top: float
    right: float
    bottom: float
    what: str

    def overlaps(self, other: Area) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def inside(self, other: Area) -> bool:
        return (
            other.left <= self.left
            and self.right <= other.right
            and other.top <= self.top
            and self.bottom <= other.bottom
        )


def text_width(text: str, size: float) -> float:
    """0.62 em a letter: from memory, the broadest of the common sans fonts has means of 0.6."""
    return 0.62 * size * len(text)


def shift(element: ET.Element) -> tuple[float, float]:
    found = re.fullmatch(r"translate\((-?[\d.]+) (-?[\d.]+)\)", element.get("transform", ""))
    return (float(found[1]), float(found[2])) if found else (0.0, 0.0)


def texts(element: ET.Element, x: float = 0.0, y: float = 0.0) -> list[Area]:
    """Every piece of text with the room it takes."""
    dx, dy = shift(element)
    x, y = x + dx, y + dy
    found = []
    if element.tag == f"{SVG}text":
        size, text = float(element.get("font-size", "0")), element.text or ""
        width = float(element.get("textLength", text_width(text, size)))
        at = x + float(element.get("x", "0"))
        at -= {"start": 0.0, "middle": width / 2.0, "end": width}[
            element.get("text-anchor", "start")
        ]
        base = y + float(element.get("y", "0"))
        found.append(Area(at, base - 0.75 * size, at + width, base + 0.2 * size, text))
    for child in element:
        found += texts(child, x, y)
    return found


def boxes(element: ET.Element, x: float = 0.0, y: float = 0.0) -> list[Area]:
    """Every part's box."""
    dx, dy = shift(element)
    x, y = x + dx, y + dy
    part = element.get("data-part")
    found = []
    if part:
        box = element.find(f"{SVG}rect")
        assert box is not None
        right, bottom = x + float(box.get("width", "")), y + float(box.get("height", ""))
        found.append(Area(x, y, right, bottom, part))
    for child in element:
        found += boxes(child, x, y)
    return found


def pieces(layout: Layout) -> list[tuple[Area, str]]:
    """Straight pieces of wire, a little thick, each with its net."""
    found = []
    for net, wire in layout.wires:
        for (x1, y1), (x2, y2) in pairwise(wire):
            assert x1 == x2 or y1 == y2  # orthogonal
            area = Area(min(x1, x2) - 1, min(y1, y2) - 1, max(x1, x2) + 1, max(y1, y2) + 1, "")
            found.append((area, net))
    return found


def groups(one: Machine, **marked: object) -> list[ET.Element]:
    root = ET.fromstring(draw(one, **marked))  # type: ignore[arg-type]  # noqa: S314
    return list(root.iter(f"{SVG}g"))
