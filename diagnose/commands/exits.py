"""Exit codes: what went wrong, for a script that only sees a number."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose import errors

if TYPE_CHECKING:
    from collections.abc import Mapping

DONE, OTHER, USAGE = 0, 1, 2
UNKNOWN_NAME, READING_REFUSED, CLASH, MACHINE_FILE, NOT_SOLVABLE = 3, 4, 5, 6, 7
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
_CODES: Mapping[type[errors.DiagnoseError], int] = MappingProxyType(
    {
        errors.UnknownNameError: UNKNOWN_NAME,
        errors.ValueOutOfRangeError: READING_REFUSED,
        errors.UnitError: READING_REFUSED,
        errors.ClashError: CLASH,
        errors.MachineFileError: MACHINE_FILE,
        errors.CircuitError: NOT_SOLVABLE,
        errors.NetworkError: NOT_SOLVABLE,
        errors.NetworkTooLargeError: NOT_SOLVABLE,
    }
)


def exit_code(error: errors.DiagnoseError) -> int:
    """The exit code for an error of this project."""
    return next((_CODES[kind] for kind in type(error).__mro__ if kind in _CODES), OTHER)
