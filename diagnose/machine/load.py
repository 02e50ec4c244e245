"""Reading machines: shipped ones by name, others by path or from text."""

from __future__ import annotations

import hashlib
import stat
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import MachineFileError, Problem, UnknownNameError

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from diagnose.machine.cost import Cost
    from diagnose.machine.model import Machine

FILE_NAME = "machine.yaml"
"""Name of a machine's file inside the folder that has the machine's id."""

MAX_BYTES = 1_000_000
"""Longest machine file read, ten times what the largest known has; more is surely not one."""


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


def read_content(path: Traversable) -> bytes:
    """Bytes of a machine file; only of a regular file, and not more than such a file has.

    Raises:
        MachineFileError: it cannot be read, is no regular file, or is too long.
    """
    try:
        if isinstance(path, Path) and not stat.S_ISREG(path.stat().st_mode):
            kind = "a directory" if path.is_dir() else "a device or pipe"
            message = f"cannot be read: it is {kind}, not a file"
            raise MachineFileError(str(path), [Problem(0, 0, message, "file_unreadable")])
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        if len(content) <= MAX_BYTES:
            return content
        message = f"has more than {MAX_BYTES:,} bytes, which no machine file has"
    except (OSError, ValueError) as error:
        message = f"cannot be read: {getattr(error, 'strerror', None) or error}"
    raise MachineFileError(str(path), [Problem(0, 0, message, "file_unreadable")])


def read_text(path: Traversable) -> str:
    """Text of a machine file.

    Raises:
        MachineFileError: it cannot be read, is too long, or is not UTF-8.
    """
    content = read_content(path)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        place = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
    message = "the file is not UTF-8 text"
    raise MachineFileError(str(path), [Problem(*place, message, "file_unreadable")])


def read_machine(text: str, file: str = "machine.yaml") -> Machine:
    """Check the YAML of a machine file, named `file` in messages, and make the machine of it.

    Raises:
        MachineFileError: the text has problems, or describes a machine too large to be solved.
    """
    return read_checked(text, file)[0]


def read_checked(text: str, file: str = "machine.yaml") -> tuple[Machine, Cost]:
    """The same, with what the machine will cost.

    Raises:
        MachineFileError: as `read_machine`.
    """
    from diagnose.machine.checks import check_machine  # noqa: PLC0415  pydantic only when reading

    content_hash = hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
    checked = check_machine(text, content_hash)
    if checked.machine is None or checked.cost is None:
        raise MachineFileError(file, checked.problems)
    return checked.machine, checked.cost
