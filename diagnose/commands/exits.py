"""Exit codes: what went wrong, for a script that only sees a number."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.errors import (
    CircuitError,
    ClashError,
    DiagnoseError,
    MachineFileError,
    NetworkError,
    NetworkTooLargeError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

DONE = 0
OTHER = 1
USAGE = 2
UNKNOWN_NAME = 3
READING_REFUSED = 4
CLASH = 5
MACHINE_FILE = 6
NOT_SOLVABLE = 7
INTERRUPTED = 130

MEANINGS: Mapping[int, str] = MappingProxyType(
    {
        DONE: "done",
        OTHER: "anything else, such as a file that cannot be written",
        USAGE: "a command or option that cannot be read",
        UNKNOWN_NAME: "a machine, complaint, test, outcome, tool or area that does not exist",
        READING_REFUSED: "a reading in the wrong unit or out of range",
        CLASH: "findings that cannot all be true",
        MACHINE_FILE: "a machine file with problems",
        NOT_SOLVABLE: "a circuit or network that cannot be solved, or is too large",
        INTERRUPTED: "stopped at the keyboard",
    }
)

_CODES: tuple[tuple[type[DiagnoseError], int], ...] = (
    (UnknownNameError, UNKNOWN_NAME),
    (ValueOutOfRangeError, READING_REFUSED),
    (UnitError, READING_REFUSED),
    (ClashError, CLASH),
    (MachineFileError, MACHINE_FILE),
    (CircuitError, NOT_SOLVABLE),
    (NetworkError, NOT_SOLVABLE),
    (NetworkTooLargeError, NOT_SOLVABLE),
)


def exit_code(error: DiagnoseError) -> int:
    """The exit code for an error of this project."""
    return next((code for kind, code in _CODES if isinstance(error, kind)), OTHER)
