"""Reading machines: shipped ones by name, others by path or from text."""

from __future__ import annotations

import hashlib
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import MachineFileError, Problem, UnknownNameError

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from diagnose.machine.model import Machine

FILE_NAME = "machine.yaml"
"""Name of a machine's file inside the folder that has the machine's id."""

MAX_BYTES = 4_000_000
"""Longest machine file read; more is surely not one."""


def _top(folder: str | Path | None) -> Traversable:
    """The folder with one folder per machine."""
    return resources.files("diagnose.models") if folder is None else Path(folder)


def machine_names(folder: str | Path | None = None) -> tuple[str, ...]:
    """Ids of the machines in `folder` (default: those shipped), sorted, without reading them."""
    top = _top(folder)
    if not top.is_dir():
        return ()
    return tuple(sorted(each.name for each in top.iterdir() if each.joinpath(FILE_NAME).is_file()))


def machine_path(name_or_path: str | Path, *, folder: str | Path | None = None) -> Traversable:
    """The file of a machine.

    Args:
        name_or_path: id of a machine in `folder`, or a path (it has a slash or ends in .yaml).
        folder: folder with one folder per machine; default: the machines shipped.

    Raises:
        UnknownNameError: no machine has that id.
    """
    text = str(name_or_path)
    is_path = "/" in text or "\\" in text or text.endswith((".yaml", ".yml"))
    if is_path or isinstance(name_or_path, Path):
        return Path(name_or_path)
    names = machine_names(folder)
    if text not in names:
        raise UnknownNameError("machine", text, names)
    return _top(folder).joinpath(text).joinpath(FILE_NAME)


def load_machine(name_or_path: str | Path, *, folder: str | Path | None = None) -> Machine:
    """Read and check a machine; the arguments are those of `machine_path`.

    Raises:
        UnknownNameError: no machine has that id; `nearest` names the closest.
        MachineFileError: the file cannot be read or has problems; all are listed.
    """
    path = machine_path(name_or_path, folder=folder)
    return read_machine(read_text(path), str(path))


def read_text(path: Traversable) -> str:
    """Text of a machine file.

    Raises:
        MachineFileError: it cannot be read, is too long, or is not UTF-8.
    """
    line = 0
    try:
        content = path.read_bytes()
        if len(content) <= MAX_BYTES:
            return content.decode("utf-8-sig")
        message = f"has {len(content):,} bytes; at most {MAX_BYTES:,} are read"
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        message = "the file is not UTF-8 text"
    except (OSError, ValueError) as error:
        message = f"cannot be read: {getattr(error, 'strerror', None) or error}"
    raise MachineFileError(str(path), [Problem(line, 0, message, "file_unreadable")])


def read_machine(text: str, file: str = "machine.yaml") -> Machine:
    """Check the YAML of a machine file, named `file` in messages, and make the machine of it.

    Raises:
        MachineFileError: the text has problems; all are listed.
    """
    from diagnose.machine.build import build_machine  # noqa: PLC0415  pydantic only when reading
    from diagnose.machine.checks import check_text  # noqa: PLC0415

    checked, problems = check_text(text)
    if checked is None or problems:
        raise MachineFileError(file, problems)
    return build_machine(checked, hashlib.sha256(text.encode("utf-8", "replace")).hexdigest())
