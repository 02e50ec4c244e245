"""Every text and every number of a machine file by itself, whatever its key is for.

What a terminal would not show as it is must not be in a file that people read: control characters
could clear the screen, and characters that change the direction of writing make a text read
otherwise than it is. Numbers beyond anything that a technician meets overflow in the solver.
"""

from __future__ import annotations

import math
import unicodedata
from typing import TYPE_CHECKING, Any

from diagnose.errors import Problem
from diagnose.machine.document import dotted
from diagnose.machine.nearest import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.machine.document import Document, Path

LONGEST_NAME = 64
"""Letters of a key of a machine file."""

LONGEST_TEXT = 4_000
"""Letters of a text; the longest of the machines that come along has some 650."""

IN_TEXT = frozenset("\n\t\u200c\u200d\u00ad")
"""Characters of these classes that have a place in a text: ends of lines, joiners, soft hyphens."""

HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode's general categories of what a terminal does not show as it is."""

BOUNDS = {
    "volts": (1e-6, 1e4),
    "amps": (1e-6, 1e5),
    "ohms": (1e-7, 1e9),
    "watts": (1e-4, 1e6),
    "minutes": (1e-4, 1e5),
    "metres": (1e-4, 1e4),
    "mm2": (1e-4, 1e4),
    "eur": (1e-4, 1e7),
    "hour": (1e-4, 1e5),
    "percent": (1e-9, 100.0),
    "jobs": (1e-9, 1e3),
    "1000": (1e-9, 1e3),
    "factor": (1e-4, 1e4),
}
"""Last word of a key -> how near to zero, and how far from it, its number may be. Estimates, each
a hundred times beyond what a machine has, so that nothing overflows in the solver."""

OTHERWISE = (1e-9, 1e9)


def check_values(document: Document) -> Iterator[Problem]:
    """Characters that do not show, texts too long, numbers beyond anything real."""
    yield from _within(document, document.data, ())


def _within(document: Document, value: Any, path: Path) -> Iterator[Problem]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _key(document, key, (*path, key))
            yield from _within(document, item, (*path, key))
    elif isinstance(value, list):
        for step, item in enumerate(value):
            yield from _within(document, item, (*path, step))
    elif isinstance(value, str):
        yield from _text(document, value, path)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield from _number(document, value, path)


def _key(document: Document, key: str, path: Path) -> Iterator[Problem]:
    if len(key) > LONGEST_NAME:
        message = f"a name of {len(key):,} letters; at most {LONGEST_NAME} are read"
        yield document.problem(path, message, "text_too_long", key=True)
    yield from _hidden(key, path, document.key_place(path), "")


def _text(document: Document, text: str, path: Path) -> Iterator[Problem]:
    if len(text) > LONGEST_TEXT:
        message = f"a text of {len(text):,} letters; at most {LONGEST_TEXT:,} are read"
        yield document.problem(path, message, "text_too_long")
    yield from _hidden(text, path, document.value_place(path), IN_TEXT)


def _hidden(
    text: str, path: Path, place: tuple[int, int], fine: frozenset[str] | str
) -> Iterator[Problem]:
    """A problem at the first character that does not show."""
    if text.isprintable():
        return
    for number, character in enumerate(text, 1):
        if unicodedata.category(character) in HIDDEN and character not in fine:
            message = (
                f"character {number} of the text is {_named(character)}, which does not show; "
                "take it out"
            )
            yield Problem(*place, f"{shown(dotted(path))[1:-1]}: {message}", "hidden_character")
            return


def _named(character: str) -> str:
    name = unicodedata.name(character, "a control character").lower()
    return f"U+{ord(character):04X} ({name})"


def _number(document: Document, value: float, path: Path) -> Iterator[Problem]:
    """A number that is finite and still none that a machine has."""
    if value == 0 or not math.isfinite(value):
        return  # zero where none may be, and what is infinite, the schema refuses
    key = next((step for step in reversed(path) if isinstance(step, str)), "")
    least, most = BOUNDS.get(key.rpartition("_")[2], OTHERWISE)
    if least <= abs(value) <= most:
        return
    way = f"at least {least:g}" if abs(value) < least else f"at most {most:g}"
    of = "" if value > 0 else ", with its sign,"
    message = f"met {shown(value)}; no machine has that: expected{of} {way}"
    yield document.problem(path, message, "out_of_range")
