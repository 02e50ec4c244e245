"""Where a test takes hold of a circuit, as marks in its picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from diagnose.circuit.lettering import EM, Text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from diagnose.circuit.layout import Label, Layout
    from diagnose.machine.model import Test

Kind = Literal["red", "black", "step"]

RADIUS = 8.5
"""Of a probe's disc."""

TAG_SIZE, TAG_HEIGHT = 11.0, 14.0
"""Of the number of a step."""

FILLS: Mapping[str, str] = {"red": "#c00000", "black": "#000"}
LETTERS: Mapping[str, str] = {"red": "R", "black": "B"}
"""A disc also has its letter, for prints without colour and eyes without red."""


class Mark(NamedTuple):
    """Something to show at a net: a probe, or the number of a card's step that probes there."""

    net: str
    kind: Kind
    text: str = ""


def probe_marks(test: Test | None) -> list[Mark]:
    """Red and black probe of a test, or tip and clip of a lamp; none where it has no probes."""
    if test is None or test.probes is None:
        return []
    red, black = test.probes
    return [Mark(red, "red"), Mark(black, "black")]


def placed(layout: Layout, marks: Sequence[Mark]) -> dict[Label, list[Mark]]:
    """Where each mark goes: a net that is named in several places takes marks in one of them.

    The first in reading order; a black probe goes where it is closest to the red one.
    """
    found: dict[Label, list[Mark]] = {}
    red: Label | None = None
    for mark in marks:
        places = [label for label in layout.labels if label.net == mark.net]
        if not places:
            continue
        if mark.kind == "black" and red is not None:
            place = min(places, key=lambda label: _apart(label, red))
        else:
            place = min(places, key=lambda label: (label.sign != "", label.x, label.y))
        red = place if mark.kind == "red" else red
        found.setdefault(place, []).append(mark)
    return found


def _apart(one: Label, other: Label | None) -> float:
    return 0.0 if other is None else abs(one.x - other.x) + abs(one.y - other.y)


def draw_label(label: Label, marks: Iterable[Mark], size: float) -> Iterator[str]:
    """A net's name with what is marked there, around the origin of its wire.

    Args:
        label: the place; names stand to the right of its wire.
        marks: what is shown there: probes on the wire, steps at the right end of the room.
        size: of the letters.
    """
    name, right = label.net.replace("_", " "), label.room
    middle = {"ground": 11.0, "arrow": 9.0, "source": 3.0, "from": 3.0}.get(label.sign, 0.0)
    left, discs = (13.0 if label.sign else 6.0), 0
    for mark in marks:
        if mark.kind == "step":
            width = EM * TAG_SIZE * len(mark.text) + 6.0
            right -= width
            yield _tag(right, middle, width, mark.text)
            right -= 3.0
        else:
            x = 2.0 * RADIUS * discs
            discs += 1
            yield (
                f'<g class="probe" data-probe="{mark.kind}" data-net="{mark.net}">'
                f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="{RADIUS}" fill="{FILLS[mark.kind]}" '
                'stroke="#fff" stroke-width="1"/>'
                + Text(LETTERS[mark.kind], x, middle + 4.0, 11.0, bold=True, anchor="middle").svg
                + "</g>"
            )
    left = max(left, (2 * discs - 1) * RADIUS + 3.0)
    yield Text(name, left, middle + 0.36 * size, size, room=right - left).svg


def _tag(x: float, middle: float, width: float, text: str) -> str:
    return (
        f'<g class="step" data-step="{text}"><rect x="{x:.1f}" y="{middle - TAG_HEIGHT / 2.0:.1f}" '
        f'width="{width:.1f}" height="{TAG_HEIGHT:g}" rx="3" fill="#000"/>'
        + Text(text, x + width / 2.0, middle + 3.8, TAG_SIZE, bold=True, anchor="middle").svg
        + "</g>"
    )
