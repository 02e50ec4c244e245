"""Signs of parts, after IEC 60617 and the habit of the trade, drawn upright.

Each is drawn around the origin in a field 30 units wide and 28 high; current comes in at the top,
(0, -14), and leaves at the bottom, (0, 14). A machine file knows a dozen kinds of part. What a
load is (lamp, pump, solenoid) only its title says, so the words of the title choose its sign.
"""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.circuit.lettering import EM

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.circuit.runs import Item
    from diagnose.machine.model import Part

HALF = 14.0
"""Half the height of a sign."""

_RING = '<circle r="10"/><path d="M0 -14V-10M0 10V14"/>'
_FRAME = '<path d="M-13 -9H13V9H-13ZM0 -14V-9M0 9V14"/>'
_COIL = '<path d="M-11 -6H11V6H-11ZM0 -14V-6M0 6V14"/>'
_MAKE = '<path d="M0 -14V-7M0 14V7L-8 -7"/>'
_BREAK = '<path d="M0 -14V-7H-8M0 14V7L-7 -10"/>'


def _letter(text: str, size: float, y: float = 0.0) -> str:
    """Letters in a sign, held to their width."""
    width = EM * size * len(text)
    return (
        f'<text class="in-sign" y="{y + 0.36 * size:.1f}" font-size="{size:g}" font-weight="bold" '
        f'text-anchor="middle" textLength="{width:.1f}" lengthAdjust="spacingAndGlyphs">{text}'
        "</text>"
    )


SYMBOLS: Mapping[str, str] = MappingProxyType(
    {
        "battery": '<path d="M0 -14V-5M-11 -5H11M0 14V3" /><path class="thick" d="M-5 3H5"/>',
        "charge": '<path d="M0 -14V-11M-9 -11H9V11H-9ZM0 11V14M-9 3H9M-9 -4H9"/>',
        "wire": '<path d="M0 -14V14"/>',
        "cable": '<path class="thick" d="M0 -14V14"/>',
        "connector": '<path d="M0 -14V-2M-6 -7L0 -1L6 -7M-6 -2L0 4L6 -2M0 4V14"/>',
        "terminal": '<path d="M0 -14V-4.5M0 4.5V14"/><circle r="4.5"/>',
        "ground": '<path d="M0 -14V-4M-11 -4H11M-7 1H7M-3 6H3M0 6V14"/>',
        "fuse": '<path d="M0 -14V14M-5 -9H5V9H-5Z"/>',
        "switch": _MAKE,
        "break": _BREAK,
        "button": f'{_MAKE}<path d="M-4 0H-14M-14 -4V4" />',
        "key": f'{_MAKE}<path d="M-4 0H-14M-14 -4L-10 -4M-14 -4V4M-14 4L-10 4"/>',
        "gap": '<path d="M0 -14V-5M-7 -5H7M-7 5H7M0 5V14"/><path class="dash" d="M0 -5V5"/>',
        "coil": _COIL,
        "relay": f'{_COIL}<path d="M-11 6L11 -6" />',
        "make_contact": f'{_MAKE}<path class="dash" d="M-4 0H-14"/>',
        "break_contact": f'{_BREAK}<path class="dash" d="M-4 -2H-14"/>',
        "controller": f"{_FRAME}{_letter('CTL', 11.0)}",
        "output": f'{_FRAME}<path d="M-6 0H5M1 -4L5 0L1 4"/>',
        "box": f'{_FRAME}<path d="M-13 9L13 -9"/>',
        "lamp": f'{_RING}<path d="M-7 -7L7 7M-7 7L7 -7"/>',
        "motor": f"{_RING}{_letter('M', 13.0)}",
        "generator": f"{_RING}{_letter('G', 13.0)}",
        "magneto": f"{_RING}{_letter('G', 11.0, -2.0)}"
        '<path d="M-5 8V4.5H-2M5 8V4.5H2M-5 4.5A3 3 0 0 1 -2 4.5"/>',
        "charger": f'{_FRAME}<path d="M-13 9L13 -9M-10 -4C-8 -8 -6 0 -3 -4M3 3H10M3 6H10"/>',
        "meter": f"{_RING}{_letter('V', 13.0)}",
        "hours": f"{_RING}{_letter('h', 13.0)}",
        "diode": '<path d="M0 -14V14M-8 -7H8L0 6ZM-8 6H8"/>',
        "heater": '<path d="M0 -14V-10H-6V10H6V-10H0M0 10V14M-6 -4H6M-6 2H6"/>',
        "spark": '<path d="M0 -14V-4M-4 -8L0 -3L4 -8M0 14V4M-4 8L0 3L4 8"/>',
        "mechanical": '<circle r="7"/><circle r="2"/>'
        '<path d="M0 -7V-11M0 7V11M-7 0H-11M7 0H11M-5 -5L-8 -8M5 5L8 8M-5 5L-8 8M5 -5L8 -8"/>',
        "load": '<path d="M0 -14V-9M-5 -9H5V9H-5ZM0 9V14"/>',
    }
)
"""Name of a sign -> its drawing."""

BY_WORD: Mapping[str, tuple[tuple[str, str], ...]] = MappingProxyType(
    {
        "load": (
            ("diode", "diode"),
            ("glow plug", "heater"),
            ("heater", "heater"),
            ("hour meter", "hours"),
            ("voltmeter", "meter"),
            ("gauge", "meter"),
            ("lamp", "lamp"),
            ("headlamp", "lamp"),
            ("solenoid", "coil"),
            ("pump", "motor"),
            ("fan", "motor"),
            ("motor", "motor"),
            ("plug", "spark"),
            ("controller", "controller"),
            ("display", "box"),
            ("module", "box"),
        ),
        "generator": (("magnet", "magneto"), ("maintainer", "charger")),
        "switch": (("button", "button"), ("key", "key")),
        "connector": (("clamp", "terminal"), ("lug", "terminal"), ("splice", "terminal")),
        "wire": (("cable", "cable"), ("strap", "cable")),
    }
)
"""Kind of part -> words of a title and the sign they stand for; the first that is there counts."""


def symbol_name(part: Part, item: Item) -> str:
    """Which sign a part has where it stands in a run."""
    if item.gap:
        return "gap"
    if item.contacts or part.kind == "contacts":
        closed = "break_contact" if part.normally_closed else "make_contact"
        return "output" if part.kind == "controller" else closed
    if part.kind == "switch" and part.normally_closed:
        return "break"
    title, words = part.title.lower(), BY_WORD.get(part.kind, ())
    return next((sign for word, sign in words if re.search(rf"\b{word}", title)), part.kind)
