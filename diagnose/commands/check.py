"""`diagnose check` and `diagnose schema`: for whoever writes a machine file."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json
from diagnose.errors import MachineFileError


def check(
    file: Annotated[
        str | None,
        typer.Argument(metavar="FILE", help="Path of a machine file, or id of a machine."),
    ] = None,
    rules: Annotated[
        bool, typer.Option("--rules", help="Explain every rule instead of checking a file.")
    ] = False,
    json: options.Json = False,
) -> None:
    """Find everything that is wrong in a machine file."""
    if rules:
        _explain(json)
        return
    if file is None:
        raise typer.BadParameter("name the file to check", param_hint="FILE")
    try:
        summary = _check(file)
    except MachineFileError as error:
        if json:
            problems = [
                {"line": p.line, "column": p.column, "rule": p.rule, "message": p.message}
                for p in error.problems
            ]
            print_json({"file": error.file, "problems": problems})
        raise
    if json:
        print_json({"file": file, "problems": []})
    else:
        sys.stdout.write(f"{file}: no problems; {summary}\n")


def _check(file: str) -> str:
    """Read the file, number its circuit and weigh its priors; in words what is in it."""
    from diagnose.circuit.rigs import make_circuit  # noqa: PLC0415
    from diagnose.machine.load import machine_names, machine_path, read_machine, read_text  # noqa: PLC0415
    from diagnose.network.priors import root_families  # noqa: PLC0415

    path = machine_path(file) if file in machine_names() else Path(file)
    machine = read_machine(read_text(path), file)
    make_circuit(machine)
    list(root_families(machine))
    modes = sum(len(part.modes) - 1 for part in machine.parts.values())
    return (
        f"{len(machine.parts)} parts with {modes} failure modes, {len(machine.tests)} tests, "
        f"{len(machine.complaints)} complaints"
    )


def _explain(as_json: bool) -> None:
    from diagnose.machine.rules import RULES  # noqa: PLC0415

    if as_json:
        print_json(dict(RULES))
        return
    width = max(map(len, RULES))
    for rule, sentence in RULES.items():
        sys.stdout.write(f"{rule:<{width}}  {sentence}\n")


def schema(json: options.Json = False) -> None:
    """Print the JSON Schema of machine files."""
    from diagnose.machine.schema_json import machine_schema_text  # noqa: PLC0415

    del json  # it is JSON either way
    sys.stdout.write(machine_schema_text())
