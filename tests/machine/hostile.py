"""Files that nobody should be able to hurt `diagnose check` with, by kind.

Each is made in a folder that is handed in. All are refused; each says by which rule and where.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.machine.hostile_bytes import encodings, long_syntax, no_files, syntax
from tests.machine.hostile_entries import (
    circles,
    commas,
    misspellings,
    numbers,
    priors,
    shapes,
    sizes,
    texts,
)

if TYPE_CHECKING:
    from tests.machine.hostile_file import Hostile


def hostile_files() -> list[Hostile]:
    """All of them; the names are different."""
    kinds = (
        *(no_files(), encodings(), syntax(), long_syntax(), numbers(), texts()),
        *(commas(), priors(), circles(), sizes(), shapes(), misspellings()),
    )
    return [each for kind in kinds for each in kind]
