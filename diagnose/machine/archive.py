"""A checked machine as JSON and back, exactly; needs neither the YAML reader nor pydantic."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from diagnose.errors import MachineFileError, Problem
from diagnose.machine.frozen import frozen
from diagnose.machine.model import Machine

FORMAT = 1
"""Raised whenever the fields of a machine change their meaning."""


def machine_to_json(machine: Machine) -> str:
    """The machine as one line of JSON; `machine_from_json` gives an equal machine back."""
    content = {"format": FORMAT, "machine": machine}
    return json.dumps(content, default=_plain, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> dict[str, Any]:
    if isinstance(value, Mapping):
        return dict(value)
    return {item.name: getattr(value, item.name) for item in fields(value)}


def machine_from_json(text: str) -> Machine:
    """The machine that `machine_to_json` wrote.

    Raises:
        MachineFileError: the text is not such a machine, or of another format number.
    """
    try:
        content = json.loads(text, parse_constant=_no_constant)
        if content["format"] != FORMAT:
            raise _unreadable(f"has format {content['format']!r}; expected {FORMAT}")
        return frozen(Machine, content["machine"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _unreadable(f"cannot be read: {error or type(error).__name__}") from error


def _no_constant(name: str) -> float:
    raise ValueError(f"met {name}; expected finite numbers")


def _unreadable(message: str) -> MachineFileError:
    return MachineFileError("archive", [Problem(0, 0, message, "file_unreadable")])
