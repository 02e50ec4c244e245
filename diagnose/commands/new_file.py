"""Starting a machine file: `new`."""

import re
from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import say
from diagnose.whole import write_whole

SUFFIXES = (".yaml", ".yml")


def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File to write; it ends in .yaml.")],
    like: Annotated[
        str,
        typer.Option(
            "--like",
            metavar="MACHINE",
            help="Machine to start from: its id, or the path of its file.",
            show_default=False,
        ),
    ],
    json: options.Json = False,
) -> None:
    """Start a machine file from a machine that is like yours."""
    from diagnose.machine.load import machine_path, read_machine, read_text  # noqa: PLC0415
    from diagnose.machine.starter import starter_text  # noqa: PLC0415

    if file.suffix not in SUFFIXES:
        raise typer.BadParameter(f"{file} does not end in .yaml", param_hint="FILE")
    if file.exists():
        raise typer.BadParameter(f"{file} is there already; it stays as it is", param_hint="FILE")
    path = machine_path(like)
    text = read_text(path)
    known = read_machine(text, str(path))
    name = id_from(file)
    title = name.replace("_", " ").capitalize()
    made = starter_text(text, known.id, name, title)
    read_machine(made, str(file))
    write_whole(file, made)
    told = {"file": str(file), "id": name, "like": known.id}
    words = f"{file}: {name}, started from {known.id}; next: diagnose check {file}"
    say(told, words, as_json=json)


def id_from(file: Path) -> str:
    """The id of a machine from its file's name, or from its folder's for a `machine.yaml`.

    Raises:
        typer.BadParameter: the name has no letter to begin an id with.
    """
    stem = file.resolve().parent.name if file.stem == "machine" else file.stem
    name = re.sub(r"[^a-z0-9]+", "_", stem.lower()).lstrip("_0123456789").rstrip("_")[:64]
    if not name:
        message = f"{file.name}: expected a name with a letter in it"
        raise typer.BadParameter(message, param_hint="FILE")
    return name
